package nws

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"

	"frostgate/scheduler/forecast"
)

const (
	alertsPeriod = 5 * time.Minute
	alertsStale  = time.Hour
	mostPages    = 5
)

// Alerts is the official warnings. A cell's key names the zones of a place, such
// as ILZ103,ILC031.
type Alerts struct{ *Service }

// Alerts gives the official warnings.
func (s *Service) Alerts() Alerts { return Alerts{s} }

// About tells of the warnings.
func (a Alerts) About() forecast.About {
	about := a.about(AlertsName)
	about.Period, about.StaleAfter, about.DeadAfter, about.Batch = alertsPeriod, alertsStale, forecastDead, 10_000
	about.Warns = true
	return about
}

// Locate asks for the warning zones of a place.
func (a Alerts) Locate(ctx context.Context, latitude, longitude, elevationM float64) (forecast.Cell, error) {
	p, err := a.point(ctx, latitude, longitude)
	if err != nil {
		return forecast.Cell{}, err
	}
	if len(p.zones) == 0 {
		return forecast.Cell{}, outside(errors.New("the place lies in no zone"))
	}
	return forecast.Cell{Key: strings.Join(p.zones, ","), Latitude: latitude, Longitude: longitude, ElevationM: elevationM}, nil
}

// Warnings asks once for all states that the places lie in, and finds for each
// place what is in force there: by the outline of a warning, or by its zones
// when it has none.
func (a Alerts) Warnings(ctx context.Context, places []forecast.Cell) ([][]forecast.Warning, error) {
	if len(places) == 0 {
		return nil, nil
	}
	alerts, err := a.active(ctx, states(places))
	if err != nil {
		return nil, err
	}
	found := make([][]forecast.Warning, len(places))
	for i, place := range places {
		zones := strings.Split(place.Key, ",")
		for k := range alerts {
			if alerts[k].covers(zones, place.Latitude, place.Longitude) {
				found[i] = append(found[i], alerts[k].Warning)
			}
		}
		found[i] = merge(found[i])
	}
	return found, nil
}

// states are the two letters that the places' zones begin with.
func states(places []forecast.Cell) []string {
	var all []string
	for _, p := range places {
		for zone := range strings.SplitSeq(p.Key, ",") {
			if zoneID.MatchString(zone) {
				all = append(all, zone[:2])
			}
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// active asks for what is in force in some states, page by page.
func (a Alerts) active(ctx context.Context, states []string) ([]alert, error) {
	q := url.Values{"status": {"actual"}, "area": {strings.Join(states, ",")}}
	address := "/alerts/active?" + q.Encode()
	var all []message
	for range mostPages {
		answer, err := a.get(ctx, address, alertsCap, "")
		if err != nil {
			return nil, err
		}
		page, next, err := readMessages(answer.Body)
		if err != nil {
			return nil, err
		}
		all = append(all, page...)
		if next == "" || len(page) == 0 {
			return inForce(all, a.cfg.Now()), nil
		}
		if !strings.HasPrefix(next, a.cfg.BaseURL+"/") {
			return nil, unusable("list of warnings", errors.New("the next page is on another host"))
		}
		address = next
	}
	return nil, unusable("list of warnings", fmt.Errorf("more than %d pages", mostPages))
}

// A message is one CAP message: a warning, its update or its end.
type message struct {
	ID            string          `json:"id"`
	Status        string          `json:"status"`
	MessageType   string          `json:"messageType"`
	Event         string          `json:"event"`
	Severity      string          `json:"severity"`
	Headline      string          `json:"headline"`
	Sent          moment          `json:"sent"`
	Effective     moment          `json:"effective"`
	Onset         moment          `json:"onset"`
	Expires       moment          `json:"expires"`
	Ends          moment          `json:"ends"`
	AffectedZones []string        `json:"affectedZones"`
	Geocode       json.RawMessage `json:"geocode"`
	References    []struct {
		ID string `json:"identifier"`
	} `json:"references"`
	Parameters json.RawMessage `json:"parameters"`
	geometry   json.RawMessage
}

// readMessages reads a page and the address of the next. A list that can't be
// read whole is refused: a message left out could be the storm.
func readMessages(body []byte) (messages []message, next string, err error) {
	var answer struct {
		Type     string `json:"type"`
		Features []struct {
			Geometry   json.RawMessage `json:"geometry"`
			Properties message         `json:"properties"`
		} `json:"features"`
		Pagination struct {
			Next string `json:"next"`
		} `json:"pagination"`
	}
	if err := json.Unmarshal(body, &answer); err != nil {
		return nil, "", unusable("list of warnings", err)
	}
	if answer.Type != "FeatureCollection" || answer.Features == nil {
		return nil, "", unusable("list of warnings", errors.New("no collection of features"))
	}
	for _, f := range answer.Features {
		m := f.Properties
		m.geometry = f.Geometry
		messages = append(messages, m)
	}
	return messages, answer.Pagination.Next, nil
}

// An alert is a warning with where it holds.
type alert struct {
	forecast.Warning
	zones []string
	rings []ring
}

// inForce leaves out what is a test, has ended, was cancelled, or is replaced by
// a later message.
func inForce(messages []message, now time.Time) []alert {
	replaced := map[string]bool{}
	for i := range messages {
		if m := &messages[i]; m.MessageType == "Update" || m.MessageType == "Cancel" {
			for _, r := range m.References {
				replaced[r.ID] = true
			}
		}
	}
	var alerts []alert
	for i := range messages {
		m := &messages[i]
		if m.Status != "Actual" || m.MessageType == "Cancel" || replaced[m.ID] || m.cancelled() {
			continue
		}
		if a := m.alert(); a.EndsAt.IsZero() || a.EndsAt.After(now) {
			alerts = append(alerts, a)
		}
	}
	return alerts
}

// Lengths of what is kept of a message's words.
const (
	mostIDRunes       = 200
	mostEventRunes    = 100
	mostHeadlineRunes = 300
)

var severities = []string{"Extreme", "Severe", "Moderate", "Minor"}

func (m *message) alert() alert {
	a := alert{zones: m.zones(), rings: readRings(m.geometry)}
	a.ID = plain(m.identity(), mostIDRunes)
	a.Event, a.Headline = plain(m.Event, mostEventRunes), plain(m.Headline, mostHeadlineRunes)
	if a.Severity = "Unknown"; slices.Contains(severities, m.Severity) {
		a.Severity = m.Severity
	}
	a.SentAt = first(m.Sent, m.Effective)
	a.OnsetAt = first(m.Onset, m.Effective, m.Sent)
	a.EndsAt = first(m.Ends, m.Expires)
	return a
}

// plain puts words on one line, without control characters and not too long.
func plain(text string, runes int) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, ""))
	text = strings.Join(strings.Fields(text), " ")
	if all := []rune(text); len(all) > runes {
		return string(all[:runes])
	}
	return text
}

// A moment is a time that may be missing, unreadable or of no year in which warnings are given: zero then.
type moment struct{ time.Time }

// UnmarshalJSON never fails: a warning with a broken time is still a warning.
func (m *moment) UnmarshalJSON(text []byte) error {
	if err := m.Time.UnmarshalJSON(text); err != nil || m.Year() < 2000 || m.Year() > 2100 {
		m.Time = time.Time{}
	}
	return nil
}

func first(moments ...moment) time.Time {
	for _, m := range moments {
		if !m.IsZero() {
			return m.UTC()
		}
	}
	return time.Time{}
}

// zones are the codes of the zones and counties that a message names.
func (m *message) zones() []string {
	var geocode struct {
		UGC []string `json:"UGC"`
	}
	_ = json.Unmarshal(m.Geocode, &geocode) // optional: the affected zones say the same
	zones := geocode.UGC
	for _, address := range m.AffectedZones {
		zones = append(zones, path.Base(address))
	}
	slices.Sort(zones)
	return slices.Compact(zones)
}

// vtec is the code that names an event over all of its messages: class, action,
// office, phenomenon, significance, number, begin and end (NWS Directive
// 10-1703).
var vtec = regexp.MustCompile(`^/[OTEX]\.([A-Z]{3})\.([A-Z]{4})\.([A-Z]{2})\.([A-Z])\.([0-9]{4})\.[0-9TZ]+-[0-9TZ]+/$`)

func (m *message) vtec() []string {
	var parameters struct {
		VTEC []string `json:"VTEC"`
	}
	if len(m.Parameters) == 0 || json.Unmarshal(m.Parameters, &parameters) != nil || len(parameters.VTEC) == 0 {
		return nil
	}
	return vtec.FindStringSubmatch(parameters.VTEC[0])
}

// cancelled reports whether the event's code says that it is over for the zones
// of the message.
func (m *message) cancelled() bool {
	code := m.vtec()
	return code != nil && slices.Contains([]string{"CAN", "EXP", "UPG"}, code[1])
}

// identity is the event's name over its messages, else the message's own.
func (m *message) identity() string {
	if code := m.vtec(); code != nil {
		return strings.Join(code[2:], ".")
	}
	return cmp.Or(m.ID, m.Event+" "+first(m.Onset, m.Effective, m.Sent).Format(time.RFC3339))
}

// covers reports whether a warning holds at a place.
func (a *alert) covers(zones []string, latitude, longitude float64) bool {
	if a.rings != nil {
		return inRings(a.rings, latitude, longitude)
	}
	return slices.ContainsFunc(zones, func(zone string) bool {
		_, found := slices.BinarySearch(a.zones, zone)
		return found
	})
}

// merge keeps one warning of each identity and of each content: the one sent
// last, and of those the one that lasts longest.
func merge(warnings []forecast.Warning) []forecast.Warning {
	slices.SortStableFunc(warnings, func(a, b forecast.Warning) int {
		if c := b.SentAt.Compare(a.SentAt); c != 0 {
			return c
		}
		if a.EndsAt.IsZero() != b.EndsAt.IsZero() {
			return map[bool]int{true: -1, false: 1}[a.EndsAt.IsZero()]
		}
		return b.EndsAt.Compare(a.EndsAt)
	})
	var kept []forecast.Warning
	for _, w := range warnings {
		same := func(k forecast.Warning) bool {
			return k.ID == w.ID || k.Event == w.Event && k.OnsetAt.Equal(w.OnsetAt) && k.EndsAt.Equal(w.EndsAt)
		}
		if !slices.ContainsFunc(kept, same) {
			kept = append(kept, w)
		}
	}
	slices.SortStableFunc(kept, func(a, b forecast.Warning) int {
		if c := a.OnsetAt.Compare(b.OnsetAt); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return kept
}
