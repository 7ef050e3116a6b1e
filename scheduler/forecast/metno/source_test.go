package metno_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/metno"
	"frostgate/scheduler/forecast/replay"

	"github.com/stretchr/testify/require"
)

func clock() time.Time { return now }

func client(t testing.TB, agent string) *forecast.Client {
	t.Helper()
	c := forecast.NewClient(forecast.ClientConfig{Agent: agent, PlainHTTP: true, Now: clock})
	t.Cleanup(c.Close)
	return c
}

func source(t testing.TB, answer http.HandlerFunc) *metno.Source {
	t.Helper()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Date", now.Format(http.TimeFormat))
		answer(w, r)
	}))
	t.Cleanup(srv.Close)
	s, err := metno.New(metno.Config{Client: client(t, "frostgate-test (test@example.org)"), BaseURL: srv.URL, Now: clock})
	require.NoError(t, err)
	return s
}

// The service's terms: four decimals at most, whole metres, a contact, no other
// parameters, and the time of the last change sent back as it was given.
func TestQuestionKeepsTheTerms(t *testing.T) {
	var asked *http.Request
	s := source(t, func(w http.ResponseWriter, r *http.Request) {
		asked = r
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Expires", now.Add(31*time.Minute).Format(http.TimeFormat))
		w.Header().Set("Last-Modified", "Thu, 14 Jan 2027 20:35:00 GMT")
		if r.Header.Get("If-Modified-Since") == "Thu, 14 Jan 2027 20:35:00 GMT" {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		fmt.Fprint(w, fixture(t))
	})
	place, err := s.Locate(t.Context(), 60.1012345, 9.5798765, 212)
	require.NoError(t, err)
	require.Equal(t, cell, place)
	neighbour, err := s.Locate(t.Context(), 60.0987, 9.5831, 190)
	require.NoError(t, err)
	require.Equal(t, place, neighbour, "sites that lie close together share a cell")
	r := s.Fetch(t.Context(), []forecast.Cell{place})[0]
	require.NoError(t, r.Err)
	require.Equal(t, "/weatherapi/locationforecast/2.0/complete?altitude=200&lat=60.1&lon=9.58", asked.URL.RequestURI())
	require.Contains(t, asked.UserAgent(), "@")
	require.Equal(t, now.Add(31*time.Minute), r.ExpiresAt)
	require.Empty(t, r.Notice)

	place.LastModified = r.LastModified
	again := s.Fetch(t.Context(), []forecast.Cell{place})[0]
	require.NoError(t, again.Err)
	require.True(t, again.NotModified)
	require.Equal(t, now.Add(31*time.Minute), again.ExpiresAt)

	odd := forecast.Cell{Latitude: -33.86889, Longitude: 151.20949, ElevationM: 57.6}
	s.Fetch(t.Context(), []forecast.Cell{odd})
	require.Equal(t, "altitude=58&lat=-33.8689&lon=151.2095", asked.URL.RawQuery)
}

func TestStatuses(t *testing.T) {
	status := 0
	s := source(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(status)
		fmt.Fprint(w, fixture(t))
	})
	fetch := func(code int) forecast.Result {
		status = code
		return s.Fetch(t.Context(), []forecast.Cell{cell})[0]
	}
	r := fetch(203)
	require.NoError(t, r.Err)
	require.NotNil(t, r.Issue, "good, though deprecated")
	require.Contains(t, r.Notice, "203")

	require.ErrorIs(t, fetch(422).Err, forecast.ErrOutside)
	var fault *forecast.Error
	for _, code := range []int{400, 401, 403, 404, 422} {
		require.ErrorAs(t, fetch(code).Err, &fault)
		require.False(t, fault.Retry, code)
	}
	for _, code := range []int{429, 499, 500, 503} {
		require.ErrorAs(t, fetch(code).Err, &fault)
		require.Equal(t, code != 499, fault.Retry, code)
	}
	require.ErrorAs(t, fetch(429).Err, &fault)
	require.True(t, fault.Host)
}

func TestContactIsDemanded(t *testing.T) {
	_, err := metno.New(metno.Config{Client: client(t, "frostgate")})
	require.ErrorContains(t, err, "user agent")
}

// What the replay server serves comes back as it was put in; between the steps
// of six hours it stays within what was put in.
func TestReplayedWeatherComesBack(t *testing.T) {
	server := &replay.Server{Now: clock}
	place := replay.Sample()
	server.SetPlaces(place)
	srv := httptest.NewServer(server)
	t.Cleanup(srv.Close)
	s, err := metno.New(metno.Config{Client: client(t, "frostgate-test (test@example.org)"), BaseURL: srv.URL, Now: clock})
	require.NoError(t, err)
	at, err := s.Locate(t.Context(), place.Latitude, place.Longitude, place.ElevationM)
	require.NoError(t, err)
	r := s.Fetch(t.Context(), []forecast.Cell{at})[0]
	require.NoError(t, r.Err)
	require.InDelta(t, 10*24, len(r.Issue.Hours), 6)
	var put, got float64
	for i, h := range r.Issue.Hours {
		want := place.Hour(h.At)
		if i < 48 {
			require.InDelta(t, *want.AirTempC, *h.AirTempC, 0.06)
			require.InDelta(t, *want.WindMS, *h.WindMS, 0.06)
			require.Equal(t, want.PrecipType, h.PrecipType)
		}
		require.GreaterOrEqual(t, *h.AirTempC, -9.1)
		require.LessOrEqual(t, *h.AirTempC, -0.9)
		require.GreaterOrEqual(t, *h.WindMS, 1.9)
		if h.PrecipMM != nil {
			put, got = put+*want.PrecipMM, got+*h.PrecipMM
		}
	}
	require.Positive(t, put)
	require.InDelta(t, put, got, 1e-6)

	at.LastModified = r.LastModified
	require.True(t, s.Fetch(t.Context(), []forecast.Cell{at})[0].NotModified)
}
