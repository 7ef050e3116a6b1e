package replay_test

import (
	"net/http"
	"net/http/httptest"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/local"
	"frostgate/scheduler/forecast/metno"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/openmeteo"
	"frostgate/scheduler/forecast/replay"

	"github.com/stretchr/testify/require"
)

var now = time.Date(2027, 1, 14, 23, 10, 0, 0, time.UTC)

// issued is when the weather of all services was made.
var issued = now.Add(-2 * time.Hour)

func clock() time.Time { return now }

// A rig is the four services with the sources that read them.
type rig struct {
	server *replay.Server
	url    string
	client *forecast.Client
	source map[string]forecast.Source
	cell   map[string]forecast.Cell
}

// path is where each service's weather lies.
var path = map[string]string{replay.OpenMeteo: "/v1/", replay.NWS: "/gridpoints/", replay.MetNorway: "/weatherapi/", replay.Feed: "/feed/place"}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{server: &replay.Server{Now: clock}, cell: map[string]forecast.Cell{}}
	place := replay.Sample()
	r.server.SetPlaces(place)
	r.server.SetIssued(issued)
	srv := httptest.NewServer(r.server)
	t.Cleanup(func() { srv.CloseClientConnections(); srv.Close() })
	r.url = srv.URL
	r.client = forecast.NewClient(forecast.ClientConfig{
		Agent: "frostgate-test (test@example.org)", PlainHTTP: true, Now: clock, Header: 4 * time.Second, Idle: 2 * time.Second,
	})
	t.Cleanup(r.client.Close)
	om, err := openmeteo.New(openmeteo.Config{Client: r.client, BaseURL: srv.URL, Now: clock})
	require.NoError(t, err)
	us, err := nws.New(nws.Config{Client: r.client, BaseURL: srv.URL, Now: clock})
	require.NoError(t, err)
	met, err := metno.New(metno.Config{Client: r.client, BaseURL: srv.URL, Now: clock})
	require.NoError(t, err)
	feed, err := local.New(local.Config{Client: r.client, URL: srv.URL + "/feed", Now: clock})
	require.NoError(t, err)
	r.source = map[string]forecast.Source{replay.OpenMeteo: om, replay.NWS: us.Forecast(), replay.MetNorway: met, replay.Feed: feed}
	for service, source := range r.source {
		r.cell[service], err = source.Locate(t.Context(), place.Latitude, place.Longitude, place.ElevationM)
		require.NoError(t, err, service)
	}
	return r
}

func (r *rig) fetch(t *testing.T, service string, fault replay.Fault) forecast.Result {
	t.Helper()
	if fault != nil {
		fault = replay.Only(path[service], fault)
	}
	r.server.Fail(service, fault)
	return r.source[service].Fetch(t.Context(), []forecast.Cell{r.cell[service]})[0]
}

var services = []string{replay.OpenMeteo, replay.NWS, replay.MetNorway, replay.Feed}

// What may come of a fault.
type outcome struct {
	retry bool          // ask again later
	host  bool          // the host is to rest
	after time.Duration // so long
}

// Faults of the way and of the host, that no service is proof against: each is
// refused whole, which leaves the last good weather in place, and says whether
// and when to ask again.
func TestFaultsOfTheWay(t *testing.T) {
	away := httptest.NewServer(http.NotFoundHandler())
	t.Cleanup(away.Close)
	again, never := outcome{retry: true}, outcome{}
	for name, tc := range map[string]struct {
		fault replay.Fault
		want  outcome
		says  string
	}{
		"header stall":              {replay.StallHeader, again, "no answer"},
		"body stall after 10 KB":    {replay.StallBody(10 << 10), again, "stalled"},
		"reset":                     {replay.Reset, again, "no answer"},
		"cut with its length":       {replay.Cut(5000, true), again, "broken answer"},
		"cut as if whole":           {replay.Cut(5000, false), again, "unusable"},
		"text behind":               {replay.Append("upstream timed out"), again, "unusable"},
		"second value behind":       {replay.Append(`{"error":true}`), again, "unusable"},
		"cut and an error sentence": {replay.Edit(func(b []byte) []byte { return append(b[:5000:5000], "Unexpected error while streaming data"...) }), again, "unusable"},
		"HTML with 200":             {replay.Say(200, "text/html", "<html>"), again, "no JSON"},
		"HTML labelled as JSON":     {replay.Say(200, "application/json", "<html>"), again, "no JSON"},
		"HTML with 502":             {replay.Say(502, "text/html", "<html>"), again, "502"},
		"JSON labelled as text":     {replay.Relabel(200, "text/plain"), again, "no JSON"},
		"empty 200":                 {replay.Say(200, "application/json", ""), again, "empty"},
		"204":                       {replay.Refuse(204, "X", ""), again, "204"},
		"503, Retry-After 5":        {replay.Refuse(503, "Retry-After", "5"), outcome{true, true, 5 * time.Second}, "503"},
		"503, Retry-After 100000":   {replay.Refuse(503, "Retry-After", "100000"), outcome{true, true, time.Hour}, "503"},
		"503, Retry-After -1":       {replay.Refuse(503, "Retry-After", "-1"), outcome{true, true, 0}, "503"},
		"503, Retry-After past":     {replay.Refuse(503, "Retry-After", now.Add(-time.Hour).Format(http.TimeFormat)), outcome{true, true, 0}, "503"},
		"503, Retry-After future":   {replay.Refuse(503, "Retry-After", now.Add(time.Minute).Format(http.TimeFormat)), outcome{true, true, time.Minute}, "503"},
		"503, Retry-After garbage":  {replay.Refuse(503, "Retry-After", "soon"), again, "503"},
		"429 without a word":        {replay.Refuse(429, "X", ""), outcome{true, true, 0}, "429"},
		"500":                       {replay.Refuse(500, "X", ""), again, "500"},
		"400":                       {replay.Refuse(400, "X", ""), never, "400"},
		"401":                       {replay.Refuse(401, "X", ""), never, "401"},
		"422":                       {replay.Refuse(422, "X", ""), never, "422"},
		"redirect loop":             {replay.RedirectLoop, never, "redirect refused"},
		"redirect to another host":  {replay.RedirectTo(away.URL), never, "another host"},
		"redirect to ftp":           {replay.RedirectTo("ftp://127.0.0.1/x"), never, "redirect refused"},
		"304 unasked":               {replay.Refuse(304, "X", ""), again, "nothing was stored"},
		"clock a day ahead":         {replay.Header("Date", now.AddDate(0, 0, 1).Format(http.TimeFormat)), again, "clocks disagree"},
		"clock an hour behind":      {replay.Header("Date", now.Add(-time.Hour).Format(http.TimeFormat)), again, "clocks disagree"},
		"100 MB":                    {replay.Edit(func([]byte) []byte { return []byte("[" + strings.Repeat(" ", 100<<20) + "]") }), again, "larger than"},
		"ten million elements":      {replay.Edit(func([]byte) []byte { return []byte("[" + strings.Repeat("1,", 1e7) + "1]") }), again, "larger than"},
		"endless":                   {replay.Endless, again, "larger than"},
		"nested 100,000 deep":       {replay.Say(200, "application/json", strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000)), again, "unusable"},
		"packed bomb":               {replay.Bomb(1 << 30), again, "expands more than"},
		"corrupt packed tail":       {replay.CorruptTail, again, "broken answer"},
		"plain labelled as packed":  {replay.Header("Content-Encoding", "gzip"), again, "unpack"},
		"packing nobody asked for":  {replay.Header("Content-Encoding", "br"), again, "not asked for"},
		"length too long":           {replay.Header("Content-Length", "999999"), again, "broken answer"},
		"byte order mark":           {replay.Edit(func(b []byte) []byte { return append([]byte("\ufeff"), b...) }), again, "no JSON"},
		"NUL bytes":                 {replay.Rewrite(":", "\x00:"), again, "unusable"},
		"UTF-16":                    {replay.Say(200, "application/json", "{\x00\"\x00a\x00\"\x00:\x001\x00}\x00"), again, "unusable"},
		"header of 1 MB":            {replay.Header("X-Long", strings.Repeat("x", 1<<20)), again, "no answer"},
		"NaN":                       {replay.Edit(firstNumber("NaN")), again, "unusable"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			for _, service := range services {
				result := r.fetch(t, service, tc.fault)
				require.Nil(t, result.Issue, service)
				var fault *forecast.Error
				require.ErrorAs(t, result.Err, &fault, service)
				require.ErrorContains(t, result.Err, tc.says, service)
				require.Equal(t, tc.want, outcome{fault.Retry, fault.Host, fault.After}, service)
				good := r.fetch(t, service, nil)
				require.NoError(t, good.Err, "%s has recovered", service)
				require.NotNil(t, good.Issue)
			}
		})
	}
}

// firstNumber puts a text where the first number of a value stands.
func firstNumber(text string) func([]byte) []byte {
	number := regexp.MustCompile(`([:\[])-?[0-9]+(\.[0-9]+)?([,}\]])`)
	return func(body []byte) []byte {
		at := number.FindSubmatchIndex(body)
		return append(append(append([]byte{}, body[:at[3]]...), text...), body[at[6]:]...)
	}
}

// Faults of the content, by service, that leave a good answer with less in it.
func TestFaultsOfTheContent(t *testing.T) {
	wind := func(h forecast.Hour) *float64 { return h.WindMS }
	gust := func(h forecast.Hour) *float64 { return h.GustMS }
	cloud := func(h forecast.Hour) *float64 { return h.Cloud }
	good := wantOf(3) // hours from now
	for name, tc := range map[string]struct {
		service string
		pairs   []string
		of      func(forecast.Hour) *float64
		factor  float64 // of the good value; 0: null
	}{
		"knots":                      {replay.OpenMeteo, []string{`"wind_speed_10m":"m/s"`, `"wind_speed_10m":"kn"`}, wind, 1852.0 / 3600},
		"miles an hour":              {replay.OpenMeteo, []string{`"wind_speed_10m":"m/s"`, `"wind_speed_10m":"mp/h"`}, wind, 0.44704},
		"unknown unit":               {replay.OpenMeteo, []string{`"cloud_cover":"%"`, `"cloud_cover":"oktas"`}, cloud, 0},
		"unit of another":            {replay.OpenMeteo, []string{`"wind_gusts_10m":"m/s"`, `"wind_gusts_10m":"°C"`}, gust, 0},
		"variable gone":              {replay.OpenMeteo, []string{`"cloud_cover":[`, `"cloudcover":[`}, cloud, 0},
		"added member":               {replay.OpenMeteo, []string{`"elevation":`, `"added":{"a":[null]},"elevation":`}, cloud, 1},
		"case of a member":           {replay.OpenMeteo, []string{`"cloud_cover":[`, `"Cloud_Cover":[`}, cloud, 0},
		"NWS knots":                  {replay.NWS, []string{"wmoUnit:km_h-1", "wmoUnit:kt"}, wind, 3.6 * 1852 / 3600},
		"NWS metres a second":        {replay.NWS, []string{"wmoUnit:km_h-1", "wmoUnit:m_s-1"}, wind, 3.6},
		"NWS old vocabulary":         {replay.NWS, []string{"wmoUnit:", "unit:"}, wind, 1},
		"NWS unit of another":        {replay.NWS, []string{`"skyCover":{"uom":"wmoUnit:percent"`, `"skyCover":{"uom":"wmoUnit:degC"`}, cloud, 0},
		"NWS layer without unit":     {replay.NWS, []string{`"skyCover":{"uom":"wmoUnit:percent",`, `"skyCover":{`}, cloud, 0},
		"NWS layer null":             {replay.NWS, []string{`"skyCover":{`, `"skyCover":null,"was":{`}, cloud, 0},
		"NWS layer gone":             {replay.NWS, []string{`"skyCover":{`, `"was":{`}, cloud, 0},
		"NWS layer empty":            {replay.NWS, []string{`"skyCover":{`, `"skyCover":{"values":[]},"was":{`}, cloud, 0},
		"NWS added member":           {replay.NWS, []string{`"hazards":`, `"added":{"a":[null]},"hazards":`}, cloud, 1},
		"MET unit of another":        {replay.MetNorway, []string{`"cloud_area_fraction":"%"`, `"cloud_area_fraction":"mm"`}, cloud, 0},
		"MET kilometres an hour":     {replay.MetNorway, []string{`"wind_speed":"m/s"`, `"wind_speed":"km/h"`}, wind, 1 / 3.6},
		"MET member gone":            {replay.MetNorway, []string{`"wind_speed_of_gust":`, `"gust":`}, gust, 0},
		"MET added member":           {replay.MetNorway, []string{`"wind_from_direction":`, `"added":{"a":[null]},"wind_from_direction":`}, cloud, 1},
		"invalid UTF-8":              {replay.MetNorway, []string{`"cloudy"`, "\"cl\xffudy\""}, cloud, 1},
		"duplicate member":           {replay.MetNorway, []string{`"type":"Feature"`, `"type":"Feature","type":"Feature"`}, cloud, 1},
		"provider text with markup":  {replay.NWS, []string{`"@type":"wx:Gridpoint"`, `"@type":"<script>alert(1)</script>"`}, cloud, 1},
		"firm's member out of range": {replay.Feed, []string{`"cloud":0.25`, `"cloud":25`, `"cloud":1,`, `"cloud":100,`}, cloud, 0},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			result := r.fetch(t, tc.service, replay.Rewrite(tc.pairs...))
			require.NoError(t, result.Err)
			h := hourAt(t, result.Issue, good.At)
			want := tc.of(good)
			if tc.factor == 0 {
				require.Nil(t, tc.of(h))
			} else {
				require.InDelta(t, *want*tc.factor, *tc.of(h), 0.06)
			}
			require.InDelta(t, *good.AirTempC, *h.AirTempC, 0.06, "the rest stays")
			require.NoError(t, result.Issue.Verify())
		})
	}
}

func wantOf(hours int) forecast.Hour {
	return replay.Sample().Hour(now.Truncate(time.Hour).Add(time.Duration(hours) * time.Hour))
}

func hourAt(t *testing.T, i *forecast.Issue, at time.Time) forecast.Hour {
	t.Helper()
	for _, h := range i.Hours {
		if h.At.Equal(at) {
			return h
		}
	}
	require.Fail(t, "no hour", "%s", at)
	return forecast.Hour{}
}

// One byte at a time keeps no line open for longer than a question may take.
func TestDrippingAnswerMeetsTheDeadline(t *testing.T) {
	r := newRig(t)
	r.server.Fail(replay.MetNorway, replay.Drip(20*time.Millisecond))
	_, err := r.client.Get(t.Context(), forecast.Request{
		URL: r.url + "/weatherapi/locationforecast/2.0/complete?lat=42&lon=-88", CapBytes: 1 << 20, Deadline: 400 * time.Millisecond,
	})
	var fault *forecast.Error
	require.ErrorAs(t, err, &fault)
	require.True(t, fault.Retry)
}

// However much comes, little is taken in.
func TestMemoryStaysFlat(t *testing.T) {
	for name, fault := range map[string]replay.Fault{"endless": replay.Endless, "bomb": replay.Bomb(1 << 30)} {
		r := newRig(t)
		for _, service := range services {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			require.Error(t, r.fetch(t, service, fault).Err, "%s %s", name, service)
			runtime.ReadMemStats(&after)
			// The largest cap here is 4 MB; the buffer doubles on its way there.
			require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(32<<20), "%s %s", name, service)
		}
	}
}

// A service that goes on answering with old weather is told by its time of
// issue, not by the answer's freshness.
func TestOldIssueKeepsItsAge(t *testing.T) {
	r := newRig(t)
	old := now.Add(-30 * time.Hour)
	r.server.SetIssued(old)
	for _, service := range services {
		result := r.fetch(t, service, nil)
		require.NoError(t, result.Err, service)
		require.Equal(t, old, result.Issue.IssuedAt, service)
		require.Greater(t, result.Issue.FetchedAt.Sub(result.Issue.IssuedAt), r.source[service].About().StaleAfter, service)
		require.Less(t, result.Issue.FetchedAt.Sub(result.Issue.IssuedAt), r.source[service].About().DeadAfter, service)
	}
}

// An issue from the future is no weather.
func TestIssueFromTheFutureIsRefused(t *testing.T) {
	r := newRig(t)
	r.server.SetIssued(now.Add(time.Hour))
	for _, service := range services {
		require.Error(t, r.fetch(t, service, nil).Err, service)
	}
}

// Validators of the last answer, in the form they came, bring the word that
// nothing changed; odd ones do no harm.
func TestValidatorsAreEchoed(t *testing.T) {
	r := newRig(t)
	for _, service := range services {
		first := r.fetch(t, service, nil)
		require.NoError(t, first.Err)
		known := r.cell[service]
		known.ETag, known.LastModified = first.ETag, first.LastModified
		require.NotEmpty(t, known.ETag+known.LastModified, service)
		if service != replay.Feed { // it has no word on changes here
			require.True(t, r.source[service].Fetch(t.Context(), []forecast.Cell{known})[0].NotModified, service)
		}
		for _, odd := range []string{"not a date", "Thu, 01 Jan 2099 00:00:00 GMT", "x\r\nX-Evil: 1", strings.Repeat("x", 1<<20)} {
			known.ETag, known.LastModified = odd, odd
			result := r.source[service].Fetch(t.Context(), []forecast.Cell{known})[0]
			require.NoError(t, result.Err, service)
			require.NotNil(t, result.Issue, service)
		}
	}
}

func TestLimitsOfOpenMeteoInWords(t *testing.T) {
	r := newRig(t)
	for reason, want := range map[string]time.Duration{
		"Minutely API request limit exceeded. Please try again in one minute.":  time.Minute,
		"Hourly API request limit exceeded. Please try again in the next hour.": 50 * time.Minute,
		"Daily API request limit exceeded. Please try again tomorrow.":          50 * time.Minute,
	} {
		var fault *forecast.Error
		require.ErrorAs(t, r.fetch(t, replay.OpenMeteo, replay.Busy(reason)).Err, &fault)
		require.Equal(t, outcome{true, true, want}, outcome{fault.Retry, fault.Host, fault.After})
	}
}

// A place that a service is silent about fails alone.
func TestSilenceOfOnePlace(t *testing.T) {
	r := newRig(t)
	other := replay.Sample()
	other.Name, other.Latitude = "Other", 44
	r.server.SetPlaces(replay.Sample(), other)
	r.server.SetIssued(issued)
	r.server.Silence("Sample")
	for _, service := range services {
		require.Error(t, r.fetch(t, service, nil).Err, service)
		cell, err := r.source[service].Locate(t.Context(), 44, -88, 220)
		require.NoError(t, err, service)
		result := r.source[service].Fetch(t.Context(), []forecast.Cell{cell})[0]
		require.NoError(t, result.Err, service)
	}
	require.Positive(t, r.server.Answers(replay.NWS))
}

func TestUnknownPathsAreNotFound(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/", "/v2/forecast", "/gridpoints/FRG/99,99", "/gridpoints/FRG/0,0/unknown", "/stations/KX999/observations", "/feed/none.json", "/data/x"} {
		answer, err := http.Get(r.url + path) //nolint:noctx // a test server
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		require.Equal(t, http.StatusNotFound, answer.StatusCode, "%s", path)
	}
}
