package nws_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/replay"

	"github.com/stretchr/testify/require"
)

func client(t testing.TB, agent string) *forecast.Client {
	t.Helper()
	c := forecast.NewClient(forecast.ClientConfig{
		Agent: agent, PlainHTTP: true, Now: func() time.Time { return now },
		Header: 4 * time.Second, Idle: 2 * time.Second,
	})
	t.Cleanup(c.Close)
	return c
}

const agent = "frostgate-test (test@example.org)"

// A host answers paths from a table and remembers what it was asked.
type host struct {
	answers map[string]func(http.ResponseWriter, *http.Request)

	mu    sync.Mutex
	asked []string
	last  *http.Request
}

func (h *host) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h.mu.Lock()
	h.asked, h.last = append(h.asked, r.URL.RequestURI()), r
	h.mu.Unlock()
	w.Header().Set("Date", now.Format(http.TimeFormat))
	if answer, ok := h.answers[r.URL.Path]; ok {
		answer(w, r)
		return
	}
	refuse(404, "NotFound")(w, r)
}

func (h *host) service(t testing.TB) *nws.Service {
	t.Helper()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	s, err := nws.New(nws.Config{Client: client(t, agent), BaseURL: srv.URL, Now: func() time.Time { return now }})
	require.NoError(t, err)
	return s
}

func say(body string) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/geo+json")
		fmt.Fprint(w, body)
	}
}

// refuse answers in the service's own form (its OpenAPI description, 1.9.0).
func refuse(status int, code string) func(http.ResponseWriter, *http.Request) {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/problem+json")
		w.WriteHeader(status)
		fmt.Fprintf(w, `{"correlationId":"1a2b","title":"Title of %s","type":"https://api.weather.gov/problems/%s","status":%d,"detail":"Details of it","instance":"https://api.weather.gov/requests/1a2b"}`, code, code, status)
	}
}

func TestPlaceIsLocatedOnce(t *testing.T) {
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){
		"/points/42,-88":                 say(fixture(t, "point.json")),
		"/gridpoints/LOT/58,75/stations": say(fixture(t, "stations.json")),
	}}
	s := h.service(t)
	grid, err := s.Forecast().Locate(t.Context(), 42.00001, -88.00004, 220)
	require.NoError(t, err)
	require.Equal(t, "LOT/58,75", grid.Key)
	stations, err := s.Stations().Locate(t.Context(), 42.00001, -88.00004, 220)
	require.NoError(t, err)
	require.Equal(t, "KCCC,KAAA,KBBB", stations.Key, "nearest first; one is too far, one too high")
	require.Equal(t, 212.1408, stations.ElevationM)
	zones, err := s.Alerts().Locate(t.Context(), 42.00001, -88.00004, 220)
	require.NoError(t, err)
	require.Equal(t, "ILZ105,ILC043", zones.Key)
	require.Equal(t, []string{"/points/42,-88", "/gridpoints/LOT/58,75/stations?limit=10"}, h.asked, "the point once for all three")
	require.Equal(t, agent, h.last.UserAgent())
	require.Equal(t, "application/geo+json", h.last.Header.Get("Accept"))
}

func TestPlacesThatAreNotCovered(t *testing.T) {
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){
		"/points/48.8566,2.3522": refuse(404, "InvalidPoint"),
		"/points/40,-70":         say(strings.Replace(fixture(t, "point.json"), `"type": "land"`, `"type": "marine"`, 1)),
		"/points/41,-80":         refuse(500, "UnexpectedProblem"),
		"/points/44.1,-90.25": func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "/points/42,-88", http.StatusMovedPermanently)
		},
		"/points/42,-88": say(fixture(t, "point.json")),
	}}
	f := h.service(t).Forecast()
	_, err := f.Locate(t.Context(), 48.8566, 2.3522, 30)
	require.ErrorIs(t, err, forecast.ErrOutside)
	require.ErrorContains(t, err, "Details of it")
	_, err = f.Locate(t.Context(), 40, -70, 0)
	require.ErrorIs(t, err, forecast.ErrOutside)
	_, err = f.Locate(t.Context(), 41, -80, 0)
	require.Error(t, err)
	require.NotErrorIs(t, err, forecast.ErrOutside, "a fault says nothing of the place")
	cell, err := f.Locate(t.Context(), 44.10000, -90.25, 0)
	require.NoError(t, err, "a relative redirect")
	require.Equal(t, "LOT/58,75", cell.Key)
}

func TestContactIsDemanded(t *testing.T) {
	for name, ok := range map[string]bool{"frostgate": false, "Go-http-client/1.1": false, agent: true, "frostgate (https://example.org)": true} {
		_, err := nws.New(nws.Config{Client: client(t, name)})
		require.Equal(t, ok, err == nil, name)
	}
}

func TestConditionalGrid(t *testing.T) {
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){
		"/gridpoints/LOT/58,75": func(w http.ResponseWriter, r *http.Request) {
			if r.Header.Get("If-Modified-Since") == "Thu, 14 Jan 2027 21:00:00 GMT" {
				w.Header().Set("Cache-Control", "public, max-age=1200, s-maxage=3600")
				w.WriteHeader(http.StatusNotModified)
				return
			}
			w.Header().Set("Last-Modified", "Thu, 14 Jan 2027 21:00:00 GMT")
			say(fixture(t, "grid.json"))(w, r)
		},
	}}
	f := h.service(t).Forecast()
	first := f.Fetch(t.Context(), []forecast.Cell{cell})[0]
	require.NoError(t, first.Err)
	require.Equal(t, "nws", first.Issue.Source)
	known := cell
	known.LastModified = first.LastModified
	again := f.Fetch(t.Context(), []forecast.Cell{known})[0]
	require.NoError(t, again.Err)
	require.True(t, again.NotModified)
	require.Equal(t, now.Add(20*time.Minute), again.ExpiresAt)
}

// The hourly forecast is asked for when the raw grid of a cell failed twice in a
// row, and no more once it is back.
func TestHourlyStandsInForTheGrid(t *testing.T) {
	down := true
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){
		"/gridpoints/LOT/58,75": func(w http.ResponseWriter, r *http.Request) {
			if down {
				refuse(503, "ForecastGridExpired")(w, r)
			} else {
				say(fixture(t, "grid.json"))(w, r)
			}
		},
		"/gridpoints/LOT/58,75/forecast/hourly": say(fixture(t, "hourly.json")),
	}}
	f := h.service(t).Forecast()
	fetch := func() forecast.Result { return f.Fetch(t.Context(), []forecast.Cell{cell})[0] }
	first := fetch()
	require.ErrorContains(t, first.Err, "Title of ForecastGridExpired (ForecastGridExpired): Details of it")
	require.Len(t, h.asked, 1)
	second := fetch()
	require.NoError(t, second.Err)
	require.Equal(t, "hourly", second.Issue.Model)
	require.Empty(t, second.LastModified, "its validator would be wrong for the grid")
	require.True(t, second.Issue.Hours[0].Flags.Has(forecast.Wind, forecast.Fallback))
	require.Equal(t, "/gridpoints/LOT/58,75/forecast/hourly?units=si", h.asked[2])
	down = false
	require.Equal(t, "grid", fetch().Issue.Model)
	down = true
	require.Error(t, fetch().Err, "counted anew")
}

func TestMovedCells(t *testing.T) {
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){
		"/gridpoints/LOT/58,75": say(fixture(t, "grid.json")),
	}}
	f := h.service(t).Forecast()
	elsewhere := cell
	elsewhere.Latitude = 42.05
	results := f.Fetch(t.Context(), []forecast.Cell{elsewhere, {Key: "LOT/1,1", Latitude: 42, Longitude: -88}, cell})
	require.ErrorIs(t, results[0].Err, forecast.ErrMoved, "the polygon ends at 42.0144")
	require.ErrorIs(t, results[1].Err, forecast.ErrMoved, "404 on a known cell")
	require.NoError(t, results[2].Err)
}

// The edge turns a client away without the service's own words: a minute's rest
// for the host, and another try.
func TestEdgeRefusals(t *testing.T) {
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){
		"/gridpoints/LOT/58,75": func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/html")
			w.WriteHeader(http.StatusForbidden)
			fmt.Fprint(w, "<HTML>Access Denied</HTML>")
		},
	}}
	var fault *forecast.Error
	require.ErrorAs(t, h.service(t).Forecast().Fetch(t.Context(), []forecast.Cell{cell})[0].Err, &fault)
	require.True(t, fault.Retry)
	require.True(t, fault.Host)
	require.Equal(t, time.Minute, fault.After)

	h.answers["/gridpoints/LOT/58,75"] = refuse(400, "InvalidParameter")
	require.ErrorAs(t, h.service(t).Forecast().Fetch(t.Context(), []forecast.Cell{cell})[0].Err, &fault)
	require.False(t, fault.Retry, "a fault of ours stays one")
}

func TestObservationsOfTheNearestFreshStation(t *testing.T) {
	o := fixture(t, "observations.json")
	stale := strings.ReplaceAll(o, "2027-01-14T2", "2027-01-14T1")
	const path = "/stations/%s/observations"
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){fmt.Sprintf(path, "KCCC"): say(o), fmt.Sprintf(path, "KAAA"): say(o), fmt.Sprintf(path, "KBBB"): say(o)}}
	st := h.service(t).Stations()
	near := forecast.Cell{Key: "KCCC,KAAA,KBBB", Latitude: 42.02, Longitude: -88.02, ElevationM: 212}
	r := st.Fetch(t.Context(), []forecast.Cell{near, near})[0]
	require.NoError(t, r.Err)
	require.Len(t, h.asked, 1, "asked once for both cells")
	require.Equal(t, "/stations/KCCC/observations?start=2027-01-14T20%3A00%3A00Z", h.asked[0])
	issue := r.Issue
	require.True(t, issue.Observed)
	require.Equal(t, "KCCC", issue.Model)
	require.Equal(t, time.Date(2027, 1, 14, 22, 52, 0, 0, time.UTC), issue.IssuedAt)
	require.Len(t, issue.Hours, 2, "22:00 by the report of 21:52 and 23:00 by that of 22:52; the one of 20:52 is empty")

	h23 := at(t, issue, "2027-01-14T23:00:00Z")
	require.Equal(t, new(-3.3), h23.AirTempC, "8 minutes off, not 25")
	require.InDelta(t, 18.36/3.6, *h23.WindMS, 1e-12)
	require.InDelta(t, 33.48/3.6, *h23.GustMS, 1e-12)
	require.Equal(t, new(1.0), h23.Cloud, "overcast above broken")
	require.Nil(t, h23.PrecipMM, "not measured yet")
	require.NotNil(t, h23.ShortwaveWm2)
	h22 := at(t, issue, "2027-01-14T22:00:00Z")
	require.Equal(t, new(0.3), h22.PrecipMM, "the hour that ended at 22:52")
	require.InDelta(t, 3.5/8, *h22.Cloud, 1e-12, "scattered: 3 to 4 oktas")
	require.NotEqual(t, new(-6.7), h22.DewPointC, "rejected by quality control")
	require.InDelta(t, 0.712, *h22.RelHumidity, 1e-12)
	require.InDelta(t, -6.7, *h22.DewPointC, 0.3, "so it is derived from the humidity")
	require.Nil(t, h22.GustMS)

	for name, tc := range map[string]struct {
		first func(http.ResponseWriter, *http.Request)
		from  string
	}{
		"three hours old": {say(stale), "KAAA"},
		"all null":        {say(strings.NewReplacer(`"value": -3.3`, `"value": null`, `"value": -3,`, `"value": null,`, `"value": -2.2`, `"value": null`).Replace(o)), "KAAA"},
		"not controlled":  {say(strings.ReplaceAll(o, `"qualityControl": "V"`, `"qualityControl": "Z"`)), "KAAA"},
		"rejected":        {say(strings.ReplaceAll(o, `"qualityControl": "V"`, `"qualityControl": "X"`)), "KAAA"},
		"in the future":   {say(strings.ReplaceAll(o, "2027-01-14T2", "2027-01-15T2")), "KAAA"},
		"no features":     {say(`{"type":"FeatureCollection","features":[]}`), "KAAA"},
		"null features":   {say(`{"type":"FeatureCollection","features":null}`), "KAAA"},
		"no JSON":         {say(`{"type":`), "KAAA"},
		"station gone":    {refuse(404, "NotFound"), "KAAA"},
		"backend down":    {refuse(500, "UnexpectedProblem"), "KAAA"},
	} {
		h.answers[fmt.Sprintf(path, "KCCC")] = tc.first
		st := h.service(t).Stations() // which remembers nothing
		r := st.Fetch(t.Context(), []forecast.Cell{near})[0]
		require.NoError(t, r.Err, name)
		require.Equal(t, tc.from, r.Issue.Model, name)
	}

	h.answers = nil
	st = h.service(t).Stations()
	require.ErrorIs(t, st.Fetch(t.Context(), []forecast.Cell{near})[0].Err, forecast.ErrMoved, "all three gone: look for others")
	require.ErrorIs(t, st.Fetch(t.Context(), []forecast.Cell{{Key: "../x"}})[0].Err, forecast.ErrMoved)

	h.answers = map[string]func(http.ResponseWriter, *http.Request){fmt.Sprintf(path, "KCCC"): func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusTooManyRequests) }}
	before := len(h.asked)
	st = h.service(t).Stations()
	require.Error(t, st.Fetch(t.Context(), []forecast.Cell{near})[0].Err)
	require.Len(t, h.asked, before+1, "a host at its limit is not asked for the next station")
}

// What a station reported serves all cells that name it for a while, and the list
// of stations all sites of a grid cell.
func TestStationsAreShared(t *testing.T) {
	clock := now
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){
		"/points/42,-88":                 say(fixture(t, "point.json")),
		"/points/42.001,-88":             say(fixture(t, "point.json")),
		"/gridpoints/LOT/58,75/stations": say(fixture(t, "stations.json")),
		"/stations/KCCC/observations":    say(fixture(t, "observations.json")),
	}}
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	service, err := nws.New(nws.Config{Client: client(t, agent), BaseURL: srv.URL, Now: func() time.Time { return clock }})
	require.NoError(t, err)
	st := service.Stations()
	one, err := st.Locate(t.Context(), 42, -88, 220)
	require.NoError(t, err)
	_, err = st.Locate(t.Context(), 42.001, -88, 220)
	require.NoError(t, err)
	require.Len(t, h.asked, 3, "two places, one list")

	asked := func(key string, since time.Time) bool {
		before := len(h.asked)
		r := st.Fetch(t.Context(), []forecast.Cell{{Key: key, Latitude: 42, Longitude: -88, ElevationM: one.ElevationM, Since: since}})[0]
		require.NoError(t, r.Err)
		require.Equal(t, "KCCC", r.Issue.Model)
		return len(h.asked) > before
	}
	recently := now.Add(-time.Hour)
	require.True(t, asked("KCCC,KAAA", recently))
	require.False(t, asked("KCCC,KBBB", recently), "another cell, the same station")
	require.True(t, asked("KCCC,KBBB", now.Add(-72*time.Hour)), "more of the past than is known")
	require.False(t, asked("KCCC,KAAA", recently))
	clock = now.Add(21 * time.Minute)
	require.True(t, asked("KCCC,KAAA", recently), "it may have reported since")
}

// Warnings in force at the place of the fixture, by its comments: an advisory
// that was prolonged, a warning for the county without an onset or an end of its
// own, a squall inside its outline. Left out: what was replaced, cancelled,
// over, a test, and the squall outside its outline.
func TestWarningsInForce(t *testing.T) {
	a := fixture(t, "alerts.json")
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){"/alerts/active": say(a)}}
	alerts := h.service(t).Alerts()
	found, err := alerts.Warnings(t.Context(), []forecast.Cell{
		{Key: "ILZ105,ILC043", Latitude: 42, Longitude: -88},
		{Key: "ILZ105,ILC043", Latitude: 42.2, Longitude: -88},
		{Key: "ILZ104,ILC031", Latitude: 41.8, Longitude: -87.7},
		{Key: "WIZ001,WIC001", Latitude: 44, Longitude: -90},
	})
	require.NoError(t, err)
	require.Equal(t, []string{"/alerts/active?area=IL%2CWI&status=actual"}, h.asked, "one call for all states")
	utc := func(d, h, m int) time.Time { return time.Date(2027, 1, d, h, m, 0, 0, time.UTC) }
	cold := forecast.Warning{
		ID: "urn:oid:2.49.0.1.840.0.bb.001.1", Event: "Extreme Cold Warning", Severity: "Severe", Headline: "Extreme Cold Warning issued <b>January 14</b>",
		OnsetAt: utc(14, 20, 0), EndsAt: utc(16, 0, 0), SentAt: utc(14, 20, 0),
	}
	squall := forecast.Warning{
		ID: "KLOT.SQ.W.0003", Event: "Snow Squall Warning", Severity: "Extreme", Headline: "Snow Squall Warning",
		OnsetAt: utc(14, 22, 55), EndsAt: utc(14, 23, 45), SentAt: utc(14, 22, 55),
	}
	advisory := forecast.Warning{
		ID: "KLOT.WW.Y.0012", Event: "Winter Weather Advisory", Severity: "Moderate",
		Headline: "Winter Weather Advisory issued January 14 at 3:20PM CST until January 15 at 9:00AM CST by NWS Chicago IL",
		OnsetAt:  utc(15, 0, 0), EndsAt: utc(15, 15, 0), SentAt: utc(14, 21, 20),
	}
	require.Equal(t, []forecast.Warning{cold, squall, advisory}, found[0])
	require.Equal(t, []forecast.Warning{cold, advisory}, found[1])
	require.Empty(t, found[2], "the update no longer names that zone, and it replaces the first message")
	require.Empty(t, found[3])
}

func TestWarningsOverSeveralMessages(t *testing.T) {
	one := func(id, sent, event, ends, kind, vtec string) string {
		return fmt.Sprintf(`{"id":"https://x/%s","geometry":null,"properties":{"id":%q,"geocode":{"UGC":["ILZ105"]},"affectedZones":[],"references":[],"sent":%q,"onset":"2027-01-15T00:00:00Z","expires":"2027-01-15T06:00:00Z","ends":%s,"status":"Actual","messageType":%q,"severity":"Severe","event":%q,"parameters":%s}}`, id, id, sent, ends, kind, event, vtec)
	}
	list := func(features ...string) []byte {
		return []byte(`{"type":"FeatureCollection","features":[` + strings.Join(features, ",") + `]}`)
	}
	read := func(body []byte) []forecast.Warning {
		found, err := nws.ReadAlerts(body, []string{"ILZ105"}, 42, -88, now)
		require.NoError(t, err)
		return found
	}
	const none = `{}`
	twice := read(list(one("a", "2027-01-14T10:00:00Z", "Wind Advisory", `"2027-01-15T06:00:00Z"`, "Alert", none), one("a", "2027-01-14T11:00:00Z", "Wind Advisory", `"2027-01-15T09:00:00Z"`, "Alert", none)))
	require.Len(t, twice, 1, "one id with two contents: the later one")
	require.Equal(t, time.Date(2027, 1, 15, 9, 0, 0, 0, time.UTC), twice[0].EndsAt)

	require.Len(t, read(list(one("a", "2027-01-14T10:00:00Z", "Wind Advisory", `null`, "Alert", none), one("b", "2027-01-14T10:00:00Z", "Wind Advisory", `null`, "Alert", none))), 1, "one content under two ids")
	require.Len(t, read(list(one("", "2027-01-14T10:00:00Z", "Wind Advisory", `null`, "Alert", none), one("", "2027-01-14T10:00:00Z", "Blizzard Warning", `null`, "Alert", none))), 2, "without ids they stay apart")
	require.Equal(t, time.Date(2027, 1, 15, 6, 0, 0, 0, time.UTC), read(list(one("a", "2027-01-14T10:00:00Z", "Wind Advisory", `"soon"`, "Alert", none)))[0].EndsAt, "an end that can't be read: when the message expires")
	for _, year := range []string{`"0000-01-01T00:00:00+05:00"`, `"9999-12-31T23:59:59-05:00"`} { // JSON couldn't tell of it (RFC 3339, 5.6)
		require.Equal(t, time.Date(2027, 1, 15, 6, 0, 0, 0, time.UTC), read(list(one("a", "2027-01-14T10:00:00Z", "Wind Advisory", year, "Alert", none)))[0].EndsAt, year)
	}
	require.Empty(t, read(list(one("a", "2027-01-14T10:00:00Z", "Wind Advisory", `null`, "Alert", `{"VTEC":["/O.CAN.KLOT.WI.Y.0007.000000T0000Z-270115T0600Z/"]}`))))
	require.Len(t, read(list(one("a", "2027-01-14T10:00:00Z", "Wind Advisory", `null`, "Alert", `"none"`))), 1)

	for _, broken := range []string{`{}`, `[]`, `{"type":"FeatureCollection"}`, `{"type":"FeatureCollection","features":null}`, `{"type":"FeatureCollection","features":[{"properties":3}]}`, `{"features":[]}`} {
		_, err := nws.ReadAlerts([]byte(broken), nil, 0, 0, now)
		require.Error(t, err, "a list that can't be read is not an empty one: %s", broken)
	}
}

func TestPagesOfWarnings(t *testing.T) {
	page := func(next string) func(http.ResponseWriter, *http.Request) {
		return func(w http.ResponseWriter, r *http.Request) {
			address := strings.ReplaceAll(next, "HOST", "http://"+r.Host)
			say(strings.Replace(fixture(t, "alerts.json"), `"title"`, `"pagination": {"next": "`+address+`"}, "title"`, 1))(w, r)
		}
	}
	h := &host{answers: map[string]func(http.ResponseWriter, *http.Request){"/alerts/active": page("HOST/alerts"), "/alerts": say(fixture(t, "alerts.json"))}}
	places := []forecast.Cell{{Key: "ILZ105", Latitude: 42, Longitude: -88}}
	found, err := h.service(t).Alerts().Warnings(t.Context(), places)
	require.NoError(t, err)
	require.NotEmpty(t, found[0])
	require.Len(t, h.asked, 2)

	h.answers["/alerts"] = page("HOST/alerts")
	_, err = h.service(t).Alerts().Warnings(t.Context(), places)
	require.ErrorContains(t, err, "pages")
	h.answers["/alerts/active"] = page("https://elsewhere.example/alerts")
	_, err = h.service(t).Alerts().Warnings(t.Context(), places)
	require.ErrorContains(t, err, "another host")
}

// What the replay server serves comes back as it was put in.
func TestReplayedWeatherComesBack(t *testing.T) {
	server := &replay.Server{Now: func() time.Time { return now }}
	place := replay.Sample()
	place.Warnings = []forecast.Warning{{
		ID: "w1", Event: "Winter Storm Warning", Severity: "Severe", Headline: "Snow", OnsetAt: now.Add(time.Hour).Truncate(time.Hour),
		EndsAt: now.Add(9 * time.Hour).Truncate(time.Hour), SentAt: now.Truncate(time.Hour),
	}}
	server.SetPlaces(place)
	srv := httptest.NewServer(server)
	t.Cleanup(srv.Close)
	s, err := nws.New(nws.Config{Client: client(t, agent), BaseURL: srv.URL, Now: func() time.Time { return now }})
	require.NoError(t, err)

	grid, err := s.Forecast().Locate(t.Context(), 42.004, -88.003, 220)
	require.NoError(t, err)
	r := s.Forecast().Fetch(t.Context(), []forecast.Cell{grid})[0]
	require.NoError(t, r.Err)
	require.Len(t, r.Issue.Hours, 7*24)
	var put, got float64
	for _, h := range r.Issue.Hours {
		want := place.Hour(h.At)
		require.InDelta(t, *want.AirTempC, *h.AirTempC, 1e-4)
		require.InDelta(t, *want.WindMS, *h.WindMS, 1e-4)
		require.InDelta(t, *want.RelHumidity, *h.RelHumidity, 1e-4)
		require.InDelta(t, *want.Cloud, *h.Cloud, 1e-4)
		require.Equal(t, want.PrecipType, h.PrecipType)
		put, got = put+*want.PrecipMM, got+*h.PrecipMM
	}
	require.InDelta(t, put, got, 1e-9, "totals of six hours")
	_, err = s.Forecast().Locate(t.Context(), 51, 7, 0)
	require.ErrorIs(t, err, forecast.ErrOutside)

	stations, err := s.Stations().Locate(t.Context(), 42.004, -88.003, 220)
	require.NoError(t, err)
	stations.Since = now.AddDate(0, 0, -5)
	o := s.Stations().Fetch(t.Context(), []forecast.Cell{stations})[0]
	require.NoError(t, o.Err)
	require.Len(t, o.Issue.Hours, 5*24+1)
	for _, h := range o.Issue.Hours {
		require.InDelta(t, *place.Hour(h.At).AirTempC, *h.AirTempC, 0.051)
	}

	zones, err := s.Alerts().Locate(t.Context(), 42.004, -88.003, 220)
	require.NoError(t, err)
	found, err := s.Alerts().Warnings(t.Context(), []forecast.Cell{zones})
	require.NoError(t, err)
	require.Equal(t, place.Warnings, found[0])
}
