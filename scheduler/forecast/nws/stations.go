package nws

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

const (
	stationsPeriod = 30 * time.Minute
	// freshFor is how old an observation may be to count as what it is like now.
	freshFor = 2 * time.Hour
	// observedSpan is asked for each time: late reports and gaps are made up for.
	observedSpan   = 3 * time.Hour
	observedMost   = 7 * 24 * time.Hour // what the service keeps
	stationsAsked  = 3
	stationsListed = 10
	// A station farther away, or so much higher or lower, tells of other weather.
	// Common practice, no source.
	stationReachKM  = 60.0
	stationHeightM  = 500.0
	kmPerHeightM    = 0.1 // 100 m of height count as 10 km
	earthRadiusKM   = 6371.0
	nearestMoment   = 30 * time.Minute // of an observation to the hour it stands for
	observedAheadOK = 10 * time.Minute
)

// Stations is the observations near a place as a source. A cell's key names the
// stations, best first.
type Stations struct{ *Service }

// Stations gives the source of observations.
func (s *Service) Stations() Stations { return Stations{s} }

// About tells of the source. An observation is never used in place of a
// forecast, so its age matters only beside newer ones.
func (s Stations) About() forecast.About {
	a := s.about(StationsName)
	a.Period, a.StaleAfter, a.DeadAfter, a.Batch = stationsPeriod, freshFor, forecastDead, 50
	a.Measures, a.Aside = true, true
	return a
}

// Locate asks which stations are near a place.
func (s Stations) Locate(ctx context.Context, latitude, longitude, elevationM float64) (forecast.Cell, error) {
	p, err := s.point(ctx, latitude, longitude)
	if err != nil {
		return forecast.Cell{}, err
	}
	body, err := s.list(ctx, p.grid)
	if err != nil {
		return forecast.Cell{}, err
	}
	near, err := readStations(body, latitude, longitude, elevationM)
	if err != nil {
		return forecast.Cell{}, err
	}
	if len(near) == 0 {
		return forecast.Cell{}, outside(errors.New("no station is near"))
	}
	cell := forecast.Cell{Latitude: near[0].latitude, Longitude: near[0].longitude, ElevationM: near[0].elevationM}
	var ids []string
	for _, st := range near[:min(len(near), stationsAsked)] {
		ids = append(ids, st.id)
	}
	cell.Key = strings.Join(ids, ",")
	return cell, nil
}

// A stationList is the service's answer on the stations near a grid cell.
type stationList struct {
	body    []byte
	askedAt time.Time
}

// list asks for the stations near a grid cell, or remembers them: the sites of a
// cell share them.
func (s Stations) list(ctx context.Context, grid string) ([]byte, error) {
	now := s.cfg.Now()
	s.mu.Lock()
	known, ok := s.lists[grid]
	s.mu.Unlock()
	if ok && now.Sub(known.askedAt).Abs() < listLasts {
		return known.body, nil
	}
	answer, err := s.get(ctx, fmt.Sprintf("/gridpoints/%s/stations?limit=%d", grid, stationsListed), stationsCap, "")
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.lists) >= mostKept {
		clear(s.lists)
	}
	s.lists[grid] = stationList{body: answer.Body, askedAt: now}
	return answer.Body, nil
}

// A station is where weather is observed.
type station struct {
	id                              string
	latitude, longitude, elevationM float64
	away                            float64 // km, with the height difference in it
}

var stationID = regexp.MustCompile(`^[A-Z0-9]{3,12}$`)

// readStations gives the stations near enough, best first: the service's own
// order is not always by distance, and never by height.
func readStations(body []byte, latitude, longitude, elevationM float64) ([]station, error) {
	var answer struct {
		Features []struct {
			Geometry struct {
				Coordinates []float64 `json:"coordinates"`
			} `json:"geometry"`
			Properties struct {
				ID        string          `json:"stationIdentifier"`
				Elevation json.RawMessage `json:"elevation"`
			} `json:"properties"`
		} `json:"features"`
	}
	if err := json.Unmarshal(body, &answer); err != nil {
		return nil, unusable("list of stations", err)
	}
	var near []station
	for _, f := range answer.Features {
		at := f.Geometry.Coordinates
		if len(at) < 2 || !stationID.MatchString(f.Properties.ID) {
			continue
		}
		st := station{id: f.Properties.ID, longitude: at[0], latitude: at[1]}
		st.elevationM = elevation(f.Properties.Elevation, elevationM)
		km, higher := distanceKM(latitude, longitude, st.latitude, st.longitude), math.Abs(st.elevationM-elevationM)
		if km <= stationReachKM && higher <= stationHeightM {
			st.away = km + kmPerHeightM*higher
			near = append(near, st)
		}
	}
	slices.SortStableFunc(near, func(a, b station) int { return int(math.Copysign(1, a.away-b.away)) })
	return near, nil
}

// distanceKM is the distance on the globe (haversine).
func distanceKM(lat1, lon1, lat2, lon2 float64) float64 {
	const rad = math.Pi / 180
	dLat, dLon := (lat2-lat1)*rad/2, (lon2-lon1)*rad/2
	h := math.Sin(dLat)*math.Sin(dLat) + math.Cos(lat1*rad)*math.Cos(lat2*rad)*math.Sin(dLon)*math.Sin(dLon)
	return 2 * earthRadiusKM * math.Asin(math.Sqrt(min(1, h)))
}

// Fetch gives for each cell the hours that its first station with fresh weather
// observed. A station that several cells name is asked once.
func (s Stations) Fetch(ctx context.Context, cells []forecast.Cell) []forecast.Result {
	results := make([]forecast.Result, len(cells))
	for i, cell := range cells {
		results[i] = s.fetch(ctx, cell)
	}
	return results
}

var errNothingFresh = errors.New("nothing fresh was observed")

func (s Stations) fetch(ctx context.Context, cell forecast.Cell) forecast.Result {
	ids, gone := strings.Split(cell.Key, ","), 0
	var last error
	for _, id := range ids {
		if !stationID.MatchString(id) {
			return forecast.Result{Err: &forecast.Error{Reason: "no stations", Err: forecast.ErrMoved}}
		}
		from := s.since(cell)
		got, ok := s.recent.get(id, from, s.cfg.Now())
		if !ok {
			got = s.ask(ctx, id, from, cell)
			s.recent.put(id, got)
		}
		if got.err == nil || got.host {
			return forecast.Result{Issue: got.issue, ExpiresAt: got.expires, Err: got.err}
		}
		if last = got.err; status(last) == http.StatusNotFound {
			gone++
		}
	}
	if gone == len(ids) {
		last = &forecast.Error{Status: http.StatusNotFound, Reason: "stations gone", Err: forecast.ErrMoved}
	}
	return forecast.Result{Err: last}
}

// isHosts reports whether an error would meet the next station as well.
func isHosts(err error) bool {
	var fault *forecast.Error
	return !errors.As(err, &fault) || fault.Host || fault.Status == 0
}

// since is the hour from which a cell wants reports.
func (s Stations) since(cell forecast.Cell) time.Time {
	now := s.cfg.Now().UTC()
	from := now.Add(-observedSpan)
	if !cell.Since.IsZero() && cell.Since.Before(from) {
		from = cell.Since.UTC()
	}
	if oldest := now.Add(-observedMost); from.Before(oldest) {
		from = oldest
	}
	return from.Truncate(time.Hour)
}

func (s Stations) ask(ctx context.Context, id string, from time.Time, cell forecast.Cell) observed {
	now := s.cfg.Now().UTC()
	got := observed{from: from, at: now}
	q := url.Values{"start": {from.Format(time.RFC3339)}}
	answer, err := s.get(ctx, "/stations/"+id+"/observations?"+q.Encode(), observedCap, "")
	if err != nil {
		got.err, got.host = err, isHosts(err)
		return got
	}
	issue := &forecast.Issue{Source: StationsName, Model: id, Cell: cell, Observed: true, FetchedAt: now}
	if got.err = readObservations(answer.Body, issue); got.err == nil {
		got.issue, got.expires = issue, answer.FreshUntil
	}
	return got
}
