package replay

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

// serveFeed answers in the normalised form, as a firm's own feed does: an index
// of places and a file for each.
func (s *state) serveFeed(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/feed/")
	if name == "index.json" {
		var places []map[string]any
		for i, p := range s.places {
			places = append(places, map[string]any{
				"file": fmt.Sprintf("place-%d.json", i), "latitude": p.Latitude, "longitude": p.Longitude, "elevation_m": p.ElevationM,
			})
		}
		answer(w, "application/json", map[string]any{"places": places, "within_km": 25})
		return
	}
	var i int
	if _, err := fmt.Sscanf(name, "place-%d.json", &i); err != nil || i < 0 || i >= len(s.places) || s.silent[s.places[i].Name] {
		http.NotFound(w, r)
		return
	}
	var hours []forecast.Hour
	first := s.at.Truncate(time.Hour)
	for at := first.Add(-24 * time.Hour); at.Before(first.Add(8 * 24 * time.Hour)); at = at.Add(time.Hour) {
		h := s.places[i].Hour(at)
		h.At = at
		hours = append(hours, h)
	}
	w.Header().Set("Last-Modified", s.issued.Format(http.TimeFormat))
	answer(w, "application/json", map[string]any{"issued_at": s.issued.Format(time.RFC3339), "model": "replay", "hours": hours})
}
