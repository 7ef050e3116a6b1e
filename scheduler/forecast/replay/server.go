package replay

import (
	"encoding/json"
	"io"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"frostgate/scheduler/forecast"
)

// A Place has weather.
type Place struct {
	Name                            string
	Latitude, Longitude, ElevationM float64
	// Hour gives the weather of the hour that begins at a time, past or coming.
	Hour func(at time.Time) forecast.Hour
	// Observed gives what stations measured; nil means Hour.
	Observed func(at time.Time) forecast.Hour
	Warnings []forecast.Warning
}

// A Server answers for the nearest of its places. It is safe for concurrent use.
type Server struct {
	Now func() time.Time // time.Now when nil

	mu      sync.Mutex
	places  []Place
	issued  time.Time
	silent  map[string]bool
	faults  map[string]Fault // by service
	answers map[string]int   // by service
}

// The services that a server stands in for.
const (
	OpenMeteo = "open-meteo"
	NWS       = "nws"
	MetNorway = "met-norway"
	Feed      = "feed"
)

// SetPlaces replaces all weather, as a new run of the models would, issued at
// that moment.
func (s *Server) SetPlaces(places ...Place) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.places, s.issued = places, s.now()
}

// SetIssued sets back when the weather was issued, as when a service goes on
// serving an old one.
func (s *Server) SetIssued(at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.issued = at
}

// Silence makes all services fail for the named places, until it is called again
// without them.
func (s *Server) Silence(names ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.silent = map[string]bool{}
	for _, name := range names {
		s.silent[name] = true
	}
}

// Fail makes a service fail in a way; a nil fault mends it.
func (s *Server) Fail(service string, fault Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.faults == nil {
		s.faults = map[string]Fault{}
	}
	s.faults[service] = fault
}

// Answers counts the questions to a service so far, failed ones included.
func (s *Server) Answers(service string) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.answers[service]
}

func (s *Server) now() time.Time {
	if s.Now != nil {
		return s.Now()
	}
	return time.Now()
}

// routes say which service answers which paths.
var routes = []struct {
	prefix, service string
	serve           func(*state, http.ResponseWriter, *http.Request)
}{
	{"/v1/", OpenMeteo, (*state).serveColumns},
	{"/data/", OpenMeteo, (*state).serveRun},
	{"/points/", NWS, (*state).servePoint},
	{"/gridpoints/", NWS, (*state).serveGrid},
	{"/stations/", NWS, (*state).serveObservations},
	{"/alerts/active", NWS, (*state).serveAlerts},
	{"/weatherapi/locationforecast/2.0/", MetNorway, (*state).serveSeries},
	{"/feed/", Feed, (*state).serveFeed},
}

// ServeHTTP answers for all services.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	for _, route := range routes {
		if !strings.HasPrefix(r.URL.Path, route.prefix) {
			continue
		}
		now, fault := s.begin(route.service)
		w.Header().Set("Date", now.at.UTC().Format(http.TimeFormat))
		answer := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { route.serve(now, w, r) })
		if fault != nil {
			fault(w, r, answer)
		} else {
			answer(w, r)
		}
		return
	}
	http.NotFound(w, r)
}

// A state is what a server knows during one answer.
type state struct {
	at, issued time.Time
	places     []Place
	silent     map[string]bool
}

func (s *Server) begin(service string) (*state, Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.answers == nil {
		s.answers = map[string]int{}
	}
	s.answers[service]++
	return &state{at: s.now().UTC(), issued: s.issued.UTC(), places: s.places, silent: s.silent}, s.faults[service]
}

// nearest finds the place that answers for coordinates; nil when it is silent or
// there is none.
func (s *state) nearest(latitude, longitude float64) *Place {
	if len(s.places) == 0 {
		return nil
	}
	away := func(p Place) float64 {
		return math.Hypot(p.Latitude-latitude, (p.Longitude-longitude)*math.Cos(latitude*math.Pi/180))
	}
	p := slices.MinFunc(s.places, func(a, b Place) int { return int(math.Copysign(1, away(a)-away(b))) })
	if s.silent[p.Name] {
		return nil
	}
	return &p
}

func (p *Place) observed(at time.Time) forecast.Hour {
	if p.Observed != nil {
		return p.Observed(at)
	}
	return p.Hour(at)
}

func answer(w http.ResponseWriter, kind string, body any) {
	w.Header().Set("Content-Type", kind)
	_ = writeJSON(w, body) // a client that went away asks again
}

func writeJSON(w io.Writer, body any) error { return json.NewEncoder(w).Encode(body) }

// given rounds a value to some decimals; nil stays nil.
func given(v *float64, factor float64, decimals int) any {
	if v == nil {
		return nil
	}
	scale := math.Pow10(decimals)
	return math.Round(*v*factor*scale) / scale
}

// sum adds a member over hours; nil when any of them lacks it.
func sum(of func(at time.Time) *float64, from, to time.Time) *float64 {
	total := 0.0
	for at := from; at.Before(to); at = at.Add(time.Hour) {
		v := of(at)
		if v == nil {
			return nil
		}
		total += *v
	}
	return &total
}
