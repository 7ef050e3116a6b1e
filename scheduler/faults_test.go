package scheduler_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/nws"
	"frostgate/scheduler/forecast/openmeteo"
	"frostgate/scheduler/forecast/replay"

	"github.com/stretchr/testify/require"
)

// The list of faults that public weather services were seen to have, each with
// what has to come of it, through the real client and the pull that stores: K, the
// last good weather is kept and the question put again; D, a value that can't be
// is dropped and the rest taken; R, the whole is refused, which keeps the last
// good as well; A, the operator is told.
var faults = []struct {
	id, what, expect string
	check            func(*faultRig)
}{
	{"F01", "timeouts and stalls", "K", (*faultRig).stalls},
	{"F02", "no such name, expired or wrong certificate", "K A, never skip verification", (*faultRig).certificates},
	{"F03", "truncated, with and without its length", "K", func(f *faultRig) {
		f.keptByAll(replay.Cut(5000, true), "broken answer")
		for _, bytes := range []int{1, 777, 4001} {
			f.keptByAll(replay.Cut(bytes, false), "unusable")
		}
	}},
	{"F04", "text behind valid JSON", "K", func(f *faultRig) {
		f.keptByAll(replay.Append("upstream timed out"), "unusable")
		f.keptByAll(replay.Append(`{"error":true}`), "unusable")
	}},
	{"F05", "a stream that ends in a sentence", "K", func(f *faultRig) {
		f.keptByAll(replay.Edit(func(b []byte) []byte {
			return append(b[:5000:5000], "Unexpected error while streaming data: timeoutReached"...)
		}), "unusable")
	}},
	{"F06", "pages and wrong labels", "K", func(f *faultRig) {
		f.keptByAll(replay.Say(200, "text/html", "<html>"), "no JSON")
		f.keptByAll(replay.Say(502, "text/html", "<html>"), "502")
		f.keptByAll(replay.Say(200, "application/json", "<html>"), "no JSON")
		f.keptByAll(replay.Relabel(200, "text/plain"), "no JSON")
		f.kept(replay.NWS, replay.Say(403, "text/html", "<html>"), "403", time.Minute) // the edge, which limits
	}},
	{"F07", "nothing with 200 and 204", "K", func(f *faultRig) {
		f.keptByAll(replay.Say(200, "application/json", ""), "empty")
		f.keptByAll(replay.Refuse(204, "X", ""), "204")
	}},
	{"F08", "503 with Retry-After in all forms", "T with cap", func(f *faultRig) {
		at := func(d time.Duration) string { return f.clock.Now().Add(d).UTC().Format(http.TimeFormat) }
		for after, want := range map[string]time.Duration{"5": time.Minute, "100000": time.Hour, "-1": time.Minute, "soon": time.Minute} {
			f.keptByAll(replay.Refuse(503, "Retry-After", after), "503", want)
		}
		f.kept(replay.NWS, replay.Refuse(503, "Retry-After", at(-time.Hour)), "503", time.Minute)
		f.kept(replay.NWS, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
			replay.Refuse(503, "Retry-After", at(20*time.Minute))(w, r, good)
		}, "503", 20*time.Minute)
	}},
	{"F09", "429 without a word, and in Open-Meteo's words", "pause to the right boundary", (*faultRig).limits},
	{"F10", "500 for one cell for two weeks", "cell breaker, next source", (*faultRig).brokenCell},
	{"F11", "redirects", "follow or refuse", (*faultRig).redirects},
	{"F12", "304 with nothing stored, 304 for ever", "refetch; stale flag", (*faultRig).unchanged},
	{"F13", "Last-Modified in the future, malformed, absent", "echo or ignore", (*faultRig).validators},
	{"F14", "Expires and max-age out of bounds", "clamp 5 min to 2 h", func(f *faultRig) {
		for value, want := range map[string]time.Duration{
			"max-age=0": 5 * time.Minute, "max-age=315360000": 2 * time.Hour, "max-age=1200": 20 * time.Minute,
		} {
			f.taken(replay.NWS, replay.Header("Cache-Control", value))
			require.InDelta(f.t, want.Seconds(), f.cell(nws.ForecastName).ExpiresAt.Sub(f.clock.Now()).Seconds(), 2, value)
		}
		for value, want := range map[string]time.Duration{"Thu, 01 Jan 2026 00:00:00 GMT": 5 * time.Minute, "Tue, 19 Jan 2038 03:14:07 GMT": 2 * time.Hour} {
			f.taken(replay.MetNorway, replay.Header("Expires", value))
			require.InDelta(f.t, want.Seconds(), f.cell("met-norway").ExpiresAt.Sub(f.clock.Now()).Seconds(), 2, value)
		}
		f.taken(replay.MetNorway, replay.Header("Expires", ""))
		require.Nil(f.t, f.cell("met-norway").ExpiresAt)
	}},
	{"F15", "clocks that disagree", "A, no write over 10 min", (*faultRig).clocks},
	{"F16", "old weather with a fresh date", "never replace newer; stale flag", (*faultRig).oldIssues},
	{"F17", "numbers that are none", "R or D", (*faultRig).oddNumbers},
	{"F18", "nulls and absence in all places", "D", (*faultRig).absence},
	{"F19", "strings for numbers and the reverse", "accept for NWS only, else D", (*faultRig).strings},
	{"F20", "an hour twice", "same: ignore; different: R", (*faultRig).twins},
	{"F21", "hours out of order", "sort if unique", func(f *faultRig) {
		for _, service := range listed {
			_, hours := f.taken(service, rows(service, func(rows []any) []any { slices.Reverse(rows); return rows }))
			require.InDelta(f.t, *f.good(5).AirTempC, *f.hour(hours, 5).AirTempC, 0.06, service)
		}
	}},
	{"F22", "gaps", "kept as gaps, horizon shortened", (*faultRig).gaps},
	{"F23", "intervals that are none", "R layer, no unbounded expansion", (*faultRig).intervals},
	{"F24", "segments off the hour", "an hour that begins inside", (*faultRig).offHours},
	{"F25", "amounts over several hours", "even split, sum preserved", (*faultRig).amounts},
	{"F26", "clock changes and half-hour zones", "UTC rows contiguous", (*faultRig).zones},
	{"F27", "leap seconds, 29 February, 24:00", "accept or R, no panic", (*faultRig).oddTimes},
	{"F28", "wrong units", "convert known, D unknown", (*faultRig).units},
	{"F29", "absurd values", "D, clamp only as listed", (*faultRig).absurd},
	{"F30", "a jump of 25 K", "accept, flag seam", func(f *faultRig) {
		jump := *f.good(4).AirTempC + 25
		_, hours := f.taken(replay.Feed, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
			f.member(3, map[string]any{"air_temp_c": jump})(w, r, good)
		})
		require.InDelta(f.t, jump, *f.hour(hours, 3).AirTempC, 3)
		require.True(f.t, f.hour(hours, 3).Flags.Has(forecast.Temperature, forecast.Seam))
	}},
	{"F31", "arrays of different length, no times, no units", "R", func(f *faultRig) {
		hourly := func(change func(hourly map[string]any)) replay.Fault {
			return points(func(all []any) []any {
				for _, p := range all {
					change(in(p.(map[string]any), "hourly"))
				}
				return all
			})
		}
		f.kept(replay.OpenMeteo, hourly(func(h map[string]any) { h["cloud_cover"] = h["cloud_cover"].([]any)[1:] }), "values for")
		f.kept(replay.OpenMeteo, hourly(func(h map[string]any) { h["time"] = []any{} }), "unusable")
		f.kept(replay.OpenMeteo, replay.Rewrite(`"hourly_units"`, `"units"`), "no units")
		f.kept(replay.MetNorway, replay.Rewrite(`"units"`, `"unit"`), "no units")
	}},
	{"F32", "one for many, fewer, more, in another order, elsewhere", "R batch, split and retry", (*faultRig).batches},
	{"F33", "the grid has moved", "re-resolve", (*faultRig).moved},
	{"F34", "huge and endless bodies", "stop at cap, memory flat", (*faultRig).huge},
	{"F35", "packed badly", "stop, K", func(f *faultRig) {
		f.keptByAll(replay.Bomb(1<<30), "expands more than")
		f.keptByAll(replay.CorruptTail, "broken answer")
		f.keptByAll(replay.Header("Content-Encoding", "gzip"), "unpack")
		f.keptByAll(replay.Header("Content-Encoding", "br"), "not asked for")
		f.keptByAll(replay.Header("Content-Length", "999999"), "broken answer")
	}},
	{"F36", "duplicate members, cases, bytes that are no text", "R or tolerant, no panic", func(f *faultRig) {
		f.keptByAll(replay.Edit(func(b []byte) []byte { return append([]byte("\ufeff"), b...) }), "no JSON")
		f.keptByAll(replay.Rewrite(":", "\x00:"), "unusable")
		f.keptByAll(replay.Say(200, "application/json", "{\x00\"\x00a\x00\"\x00:\x001\x00}\x00"), "unusable")
		f.taken(replay.MetNorway, replay.Rewrite(`"cloudy"`, "\"cl\xffudy\""))
		f.taken(replay.MetNorway, replay.Rewrite(`"type":"Feature"`, `"type":"Feature","type":"Feature"`))
		_, hours := f.taken(replay.OpenMeteo, replay.Rewrite(`"cloud_cover":[`, `"Cloud_Cover":[`))
		require.Nil(f.t, f.hour(hours, 3).Cloud, "another name is another member")
	}},
	{"F37", "members added, renamed, turned into quantities", "tolerate, as missing, both", (*faultRig).drift},
	{"F38", "203, 422, 400, 401", "use and A; no retry and A", (*faultRig).statuses},
	{"F39", "warnings updated, cancelled, doubled, endless", "dedupe, honour", (*faultRig).warnings},
	{"F40", "observations that are none", "next station", (*faultRig).observations},
	{"F41", "the caller gives up", "no leak", (*faultRig).givenUp},
	{"F42", "two pollers on a cell, restart storm of 2,000 sites", "one request per key, rate held", (*faultRig).together},
	{"F43", "the database refuses the write", "no loss of last good, retry later", (*faultRig).refusedWrite},
	{"F44", "header injection, a header of 1 MB", "refuse", func(f *faultRig) {
		for _, odd := range []string{"x\r\nX-Evil: 1", strings.Repeat("x", 1<<16)} {
			f.well(replay.MetNorway)
			_, err := f.db.Pool().Exec(f.t.Context(), "update cells set etag = $1, last_modified = $1 where source = 'met-norway'", odd)
			require.NoError(f.t, err)
			var header http.Header
			f.ask(replay.MetNorway, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
				header = r.Header.Clone()
				good.ServeHTTP(w, r)
			})
			require.Empty(f.t, header.Get("X-Evil"))
			require.Empty(f.t, header.Get("If-None-Match")+header.Get("If-Modified-Since"))
			require.Empty(f.t, f.cell("met-norway").LastError)
		}
		f.keptByAll(replay.Header("X-Long", strings.Repeat("x", 1<<20)), "no answer")
	}},
	{"F45", "markup in a provider's text", "escaped on display and in logs", (*faultRig).markup},
	{"F46", "all sources down for a day and more", "age shown, nothing decided as fresh", (*faultRig).allDown},
}

func TestFaultsOfWeatherServices(t *testing.T) {
	t.Parallel()
	for i, fault := range faults {
		require.Equal(t, fmt.Sprintf("F%02d", i+1), fault.id)
	}
	f := newFaultRig(t)
	for _, fault := range faults {
		t.Run(fault.id+" "+fault.what, func(t *testing.T) {
			row, world := *f, *f.world
			world.t, row.world = t, &world
			row.calm()
			fault.check(&row)
		})
	}
}

func (f *faultRig) stalls() {
	mum := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { replay.StallHeader(w, r, nil) }))
	f.t.Cleanup(mum.Close)
	usual := f.client
	f.client = forecast.NewClient(forecast.ClientConfig{Agent: "frostgate-test", PlainHTTP: true, Now: f.clock.Now, Header: 200 * time.Millisecond})
	f.t.Cleanup(f.client.Close)
	f.keptFrom(mum.URL, "timeout awaiting response headers")
	f.client = usual
	f.keptByAll(replay.StallBody(10<<10), "stalled")
	f.keptByAll(replay.Reset, "no answer")
	// A byte at a time keeps no line open for longer than a question may take.
	f.weather.Fail(replay.MetNorway, replay.Drip(20*time.Millisecond))
	_, err := f.client.Get(f.t.Context(), forecast.Request{
		URL: f.address + "/weatherapi/locationforecast/2.0/complete?lat=42&lon=-88", CapBytes: 1 << 20, Deadline: 400 * time.Millisecond,
	})
	f.weather.Fail(replay.MetNorway, nil)
	fault, ok := err.(*forecast.Error) //nolint:errorlint // the very one
	require.True(f.t, ok && fault.Retry)
	// Nobody takes up the connection, or answers the TLS greeting.
	mute, err := (&net.ListenConfig{}).Listen(f.t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(f.t, err)
	f.t.Cleanup(func() { _ = mute.Close() })
	f.keptFrom("https://"+mute.Addr().String(), "no answer")
	require.NoError(f.t, mute.Close())
	f.keptFrom("http://"+mute.Addr().String(), "no answer")
}

// keptFrom pulls the cell of Open-Meteo from another address.
func (f *faultRig) keptFrom(address, says string) {
	f.t.Helper()
	before := f.well(replay.OpenMeteo)
	elsewhere, err := openmeteo.New(openmeteo.Config{Client: f.client, BaseURL: address, Now: f.clock.Now})
	require.NoError(f.t, err)
	require.NoError(f.t, f.s.PullFrom(f.t.Context(), elsewhere, before))
	after := f.cell(openmeteo.Name)
	require.Equal(f.t, before.LatestIssueID, after.LatestIssueID)
	require.Equal(f.t, 1, after.Failures)
	require.Contains(f.t, after.LastError, says)
	require.LessOrEqual(f.t, after.NextDueAt.Sub(f.clock.Now()), 2*time.Minute)
	f.well(replay.OpenMeteo)
}

func (f *faultRig) certificates() {
	now := time.Now()
	f.keptFrom("https://no-such-host.invalid", "no answer")
	f.keptFrom(f.secure("127.0.0.1", now.Add(-48*time.Hour), now.Add(-24*time.Hour)), "expired")
	f.keptFrom(f.secure("weather.example", now.Add(-time.Hour), now.Add(time.Hour)), "cannot validate certificate for 127.0.0.1")
	f.keptFrom(f.secure("127.0.0.1", now.Add(-time.Hour), now.Add(time.Hour)), "certificate signed by unknown authority")
	f.alarmed(replay.OpenMeteo, replay.Reset)
}

// secure serves the weather under a certificate of its own making.
func (f *faultRig) secure(name string, from, until time.Time) string {
	f.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(f.t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: until}
	if ip := net.ParseIP(name); ip != nil {
		template.IPAddresses = []net.IP{ip}
	} else {
		template.DNSNames = []string{name}
	}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(f.t, err)
	srv := httptest.NewUnstartedServer(f.weather)
	srv.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	srv.TLS = &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{{Certificate: [][]byte{cert}, PrivateKey: key}}}
	srv.StartTLS()
	f.t.Cleanup(srv.Close)
	return srv.URL
}

func (f *faultRig) limits() {
	f.keptByAll(replay.Refuse(429, "X", ""), "429", time.Minute)
	for reason, grain := range map[string]time.Duration{
		"Minutely API request limit exceeded. Please try again in one minute.":  time.Minute,
		"Hourly API request limit exceeded. Please try again in the next hour.": time.Hour,
		"Daily API request limit exceeded. Please try again tomorrow.":          24 * time.Hour,
		"Too many concurrent requests":                                          time.Minute,
	} {
		f.well(replay.OpenMeteo)
		after := f.ask(replay.OpenMeteo, replay.Busy(reason))
		require.Contains(f.t, after.LastError, reason)
		now := f.clock.Now().UTC()
		boundary := now.Truncate(grain).Add(grain)
		if reason[:3] == "Too" {
			boundary = now.Add(time.Minute)
		}
		least := min(max(boundary.Sub(now), time.Minute), 24*time.Hour)
		require.InDelta(f.t, least.Seconds(), after.NextDueAt.Sub(now).Seconds(), 3, reason)
		hosts, err := f.db.Hosts(f.t.Context())
		require.NoError(f.t, err)
		require.True(f.t, slices.ContainsFunc(hosts, func(h db.Host) bool { return h.ClosedUntil != nil && h.ClosedUntil.After(now) }), "the whole host rests")
		_, err = f.db.Pool().Exec(f.t.Context(), "update hosts set closed_until = null")
		require.NoError(f.t, err)
	}
}

func (f *faultRig) brokenCell() {
	kept := f.well(replay.NWS)
	f.weather.Fail(replay.NWS, replay.Only("/gridpoints/", replay.Only("/0,0", fails(500, "UnexpectedProblem"))))
	asked := f.weather.Answers(replay.NWS)
	for range 14 * 24 {
		f.clock.Forward(time.Hour)
		require.NoError(f.t, f.s.PullNow(f.t.Context(), nws.ForecastName))
	}
	broken := f.cell(nws.ForecastName)
	require.Equal(f.t, kept.LatestIssueID, broken.LatestIssueID)
	require.Contains(f.t, broken.LastError, "UnexpectedProblem")
	// The sound cell is asked each hour, the broken one each six hours in the end,
	// for its grid and its hourly forecast.
	require.Less(f.t, f.weather.Answers(replay.NWS)-asked, 14*24+2*(14*4+12))
	require.Greater(f.t, broken.NextDueAt.Sub(f.clock.Now()), time.Minute)
	f.well(replay.OpenMeteo)
	w, age, err := f.s.WeatherNow(f.t.Context(), f.site.ID, f.slab.StartsAt)
	require.NoError(f.t, err)
	require.Equal(f.t, "fresh", age, "the next source stands in")
	require.NotEqual(f.t, nws.ForecastName, w.Source)
	f.weather.Fail(replay.NWS, nil)
	f.well(replay.NWS)
}

func (f *faultRig) redirects() {
	away := httptest.NewServer(f.weather)
	f.t.Cleanup(away.Close)
	f.keptByAll(replay.RedirectLoop, "redirect refused", time.Hour)
	f.keptByAll(replay.RedirectTo(away.URL), "another host", time.Hour)
	f.keptByAll(replay.RedirectTo("ftp://127.0.0.1/x"), "redirect refused", time.Hour)
	_, hours := f.taken(replay.NWS, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		if r.URL.RawQuery == "" {
			w.Header().Set("Location", r.URL.Path+"?again") // relative, as the service sends them
			w.WriteHeader(http.StatusMovedPermanently)
			return
		}
		require.Contains(f.t, r.UserAgent(), "test@example.org")
		good.ServeHTTP(w, r)
	})
	require.NotEmpty(f.t, hours)
}

func (f *faultRig) unchanged() {
	f.well(replay.MetNorway)
	_, err := f.db.Pool().Exec(f.t.Context(), "update cells set etag = '', last_modified = '' where source in ('met-norway', 'nws')")
	require.NoError(f.t, err)
	for _, service := range []string{replay.NWS, replay.MetNorway} {
		require.Contains(f.t, f.ask(service, replay.Refuse(304, "X", "")).LastError, "nothing was stored")
		f.well(service)
	}
	// For ever: each time a good answer, and old weather all the same.
	for _, service := range services {
		f.well(service)
	}
	f.clock.Forward(18 * time.Hour)
	for _, service := range services {
		source := sourceOf[service]
		before := f.cell(source)
		after := f.ask(service, replay.Refuse(304, "X", ""))
		if after.LastError == "" {
			require.Equal(f.t, before.LatestIssueID, after.LatestIssueID)
		}
	}
	_, age, err := f.s.WeatherNow(f.t.Context(), f.site.ID, f.slab.StartsAt)
	require.NoError(f.t, err)
	require.Equal(f.t, "stale", age)
}

func (f *faultRig) validators() {
	for _, service := range []string{replay.NWS, replay.MetNorway} {
		for _, value := range []string{"Thu, 01 Jan 2099 00:00:00 GMT", "yesterday", ""} {
			f.taken(service, replay.Header("Last-Modified", value))
			require.Equal(f.t, value, f.cell(sourceOf[service]).LastModified)
			asked := "none"
			f.ask(service, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
				asked = r.Header.Get("If-Modified-Since")
				good.ServeHTTP(w, r)
			})
			require.Equal(f.t, value, asked, "echoed as it came")
		}
	}
}

func (f *faultRig) clocks() {
	date := func(off time.Duration) replay.Fault {
		return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
			replay.Header("Date", f.clock.Now().Add(off).UTC().Format(http.TimeFormat))(w, r, good)
		}
	}
	for _, off := range []time.Duration{time.Hour, -time.Hour, 24 * time.Hour, -24 * time.Hour} {
		f.keptByAll(date(off), "clocks disagree")
	}
	f.well(replay.MetNorway)
	told := f.log.count("clocks disagree: the host")
	f.taken(replay.Feed, date(3*time.Minute))
	require.Equal(f.t, told+1, f.log.count("clocks disagree: the host"), "told once for both cells, and used")
	f.ask(replay.Feed, date(3*time.Minute))
	require.InDelta(f.t, 180, f.gauge("frostgate_weather_clock_skew_seconds"), 2)
	hosts, err := f.db.Hosts(f.t.Context())
	require.NoError(f.t, err)
	require.True(f.t, slices.ContainsFunc(hosts, func(h db.Host) bool { return h.SkewS != nil && *h.SkewS > 170 }), "and for the page of sources")
	f.alarmed(replay.MetNorway, date(time.Hour))
}

func (f *faultRig) oldIssues() {
	for _, service := range services {
		newest := f.well(service)
		f.clock.Forward(61 * time.Minute)
		f.newRun()
		f.weather.SetIssued(newest.LatestIssuedAt.Add(-7 * time.Hour))
		f.due(sourceOf[service])
		require.NoError(f.t, f.s.PullNow(f.t.Context(), sourceOf[service]))
		after := f.cell(sourceOf[service])
		require.Equal(f.t, newest.LatestIssueID, after.LatestIssueID, "%s: an older one takes nobody's place", service)
	}
	_, err := f.db.Pool().Exec(f.t.Context(), "update cells set latest_issue_id = null, latest_issued_at = null, etag = '', last_modified = ''")
	require.NoError(f.t, err)
	f.clock.Forward(20 * time.Hour)
	for _, service := range services {
		f.due(sourceOf[service])
		require.NoError(f.t, f.s.PullNow(f.t.Context(), sourceOf[service]))
	}
	_, age, err := f.s.WeatherNow(f.t.Context(), f.site.ID, f.slab.StartsAt)
	require.NoError(f.t, err)
	require.Equal(f.t, "stale", age, "fetched a moment ago, issued a day ago")
	for _, service := range services {
		f.well(service)
	}
}

func (f *faultRig) oddNumbers() {
	for _, service := range services {
		for _, text := range []string{"NaN", "Infinity", "-Infinity", "+1", "0x1p3", "01"} {
			f.kept(service, cloud(service, text), "unusable")
		}
		f.refusedOrDropped(service, cloud(service, "1e400"))
		for _, text := range []string{"-0", "1e-320"} {
			_, hours := f.taken(service, cloud(service, text))
			require.InDelta(f.t, 0, *f.hour(hours, 3).Cloud, 1e-300, service)
		}
	}
}

// refusedOrDropped is either of the two: the whole refused, or the cloud null.
func (f *faultRig) refusedOrDropped(service string, fault replay.Fault) {
	f.t.Helper()
	before := f.well(service)
	after := f.ask(service, fault)
	if after.LastError != "" {
		require.Equal(f.t, before.LatestIssueID, after.LatestIssueID, service)
		return
	}
	hours, err := f.db.Hours(f.t.Context(), *after.LatestIssueID, time.Time{}, time.Time{})
	require.NoError(f.t, err)
	require.Nil(f.t, f.hour(hours, 3).Cloud, service)
	require.NotNil(f.t, f.hour(hours, 3).AirTempC, service)
}

// dropped is a new issue without the cloud, and with all else.
func (f *faultRig) dropped(service string, fault replay.Fault) {
	f.t.Helper()
	_, hours := f.taken(service, fault)
	h := f.hour(hours, 3)
	require.Nil(f.t, h.Cloud, service)
	require.InDelta(f.t, *f.good(3).AirTempC, *h.AirTempC, 0.06, service)
	require.NotNil(f.t, h.WindMS, service)
}

func (f *faultRig) absence() {
	for _, service := range services {
		f.dropped(service, cloud(service, "null"))
	}
	f.dropped(replay.OpenMeteo, replay.Edit(func(b []byte) []byte { return cloudText[replay.OpenMeteo].ReplaceAll(b, []byte(`"cloud_cover":null`)) }))
	f.dropped(replay.OpenMeteo, replay.Rewrite(`"cloud_cover":[`, `"cloudcover":[`))
	for _, pair := range [][2]string{
		{`"skyCover":{`, `"skyCover":null,"was":{`},
		{`"skyCover":{`, `"was":{`},
		{`"skyCover":{"uom":"wmoUnit:percent",`, `"skyCover":{`},
		{`"skyCover":{`, `"skyCover":{"values":[]},"was":{`},
	} {
		f.dropped(replay.NWS, replay.Rewrite(pair[0], pair[1]))
	}
	f.dropped(replay.MetNorway, replay.Rewrite(`"cloud_area_fraction":`, `"cloud":`))
	for _, features := range []string{"[]", "null"} {
		require.Contains(f.t, f.observe(replay.Say(200, "application/geo+json", `{"type":"FeatureCollection","features":`+features+`}`)).LastError, "no observation")
	}
	require.Empty(f.t, f.observe(nil).LastError)
}

// observe pulls the stations half an hour later.
func (f *faultRig) observe(fault replay.Fault) db.Cell {
	f.t.Helper()
	if fault != nil {
		fault = replay.Only("/stations/", fault)
	}
	f.weather.Fail(replay.NWS, fault)
	defer f.weather.Fail(replay.NWS, nil)
	f.clock.Forward(61 * time.Minute)
	f.due(nws.StationsName)
	require.NoError(f.t, f.s.PullNow(f.t.Context(), nws.StationsName))
	return f.cell(nws.StationsName)
}

func (f *faultRig) strings() {
	_, hours := f.taken(replay.NWS, cloud(replay.NWS, `"25"`))
	require.InDelta(f.t, 0.25, *f.hour(hours, 3).Cloud, 1e-9, "as old answers have them")
	f.dropped(replay.MetNorway, cloud(replay.MetNorway, `"25"`))
	f.refusedOrDropped(replay.OpenMeteo, cloud(replay.OpenMeteo, `"25"`))
	f.kept(replay.Feed, cloud(replay.Feed, `"25"`), "unusable")
	for _, text := range []string{"true", `"much"`, "{}", "[]"} {
		for _, service := range services {
			f.refusedOrDropped(service, cloud(service, text))
		}
	}
	f.kept(replay.OpenMeteo, replay.Rewrite(`"hourly_units":{`, `"hourly_units":25,"was":{`), "unusable")
	f.kept(replay.NWS, replay.Rewrite(`"updateTime":"`, `"updateTime":25,"was":"`), "unusable")
	f.kept(replay.MetNorway, replay.Rewrite(`"updated_at":"`, `"updated_at":25,"was":"`), "unusable")
}

func (f *faultRig) twins() {
	for _, service := range listed {
		_, hours := f.taken(service, rows(service, func(rows []any) []any { return append(rows, rows[len(rows)-1]) }))
		require.NotNil(f.t, f.hour(hours, 3).AirTempC)
	}
	other := func(row any) any {
		text, _ := json.Marshal(row)
		var twin any
		_ = json.Unmarshal([]byte(strings.NewReplacer(`"air_temp_c":-`, `"air_temp_c":-1`, `"air_temperature":-`, `"air_temperature":-1`).Replace(string(text))), &twin)
		return twin
	}
	f.kept(replay.Feed, series(func(rows []any) []any { return append(rows, other(rows[30])) }, rowsOf[replay.Feed]...), "twice")
	f.kept(replay.MetNorway, series(func(rows []any) []any { return append(rows, other(rows[30])) }, rowsOf[replay.MetNorway]...), "twice")
	f.kept(replay.OpenMeteo, points(func(all []any) []any {
		for _, p := range all {
			hourly := in(p.(map[string]any), "hourly")
			for name, c := range hourly {
				column := c.([]any)
				last := column[len(column)-1]
				if name == "temperature_2m" {
					last = json.Number("-17.5")
				}
				hourly[name] = append(column, last)
			}
		}
		return all
	}), "two values")
	twice := func(second string) replay.Fault {
		return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
			at := f.clock.Now().UTC().Truncate(time.Hour).Add(3 * time.Hour).Format(time.RFC3339)
			sky(`{"validTime":"`+at+`/PT1H","value":40},{"validTime":"`+at+`/PT1H","value":`+second+`}`)(w, r, good)
		}
	}
	_, hours := f.taken(replay.NWS, twice("40"))
	if c := f.hour(hours, 3).Cloud; c != nil {
		require.InDelta(f.t, 0.4, *c, 1e-9)
	}
	f.dropped(replay.NWS, twice("80"))
}

func (f *faultRig) gaps() {
	cut := func(service string, from, to int) (db.Issue, []db.Hour) {
		return f.taken(service, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
			first, last := f.clock.Now().UTC().Truncate(time.Hour).Add(time.Duration(from)*time.Hour), f.clock.Now().UTC().Truncate(time.Hour).Add(time.Duration(to)*time.Hour)
			series(func(rows []any) []any {
				return slices.DeleteFunc(rows, func(r any) bool {
					text, _ := r.(map[string]any)["at"].(string)
					if service == replay.MetNorway {
						text, _ = r.(map[string]any)["time"].(string)
					}
					at, err := time.Parse(time.RFC3339, text)
					return err == nil && !at.Before(first) && at.Before(last)
				})
			}, rowsOf[service]...)(w, r, good)
		})
	}
	missing := func(hours []db.Hour, ahead int) bool {
		at := f.clock.Now().Truncate(time.Hour).Add(time.Duration(ahead) * time.Hour)
		return !slices.ContainsFunc(hours, func(h db.Hour) bool { return h.At.Equal(at) })
	}
	whole, _ := f.taken(replay.Feed, nil)
	ahead := whole.ReachAt.Sub(whole.FetchedAt)
	issue, hours := cut(replay.Feed, 5, 6)
	require.True(f.t, missing(hours, 5))
	require.Greater(f.t, issue.ReachAt.Sub(issue.FetchedAt), ahead-2*time.Hour, "an hour's gap is one")
	issue, hours = cut(replay.Feed, 5, 17)
	require.True(f.t, missing(hours, 11))
	require.True(f.t, issue.ReachAt.Equal(f.clock.Now().Truncate(time.Hour).Add(4*time.Hour)), "half a day's ends the horizon")
	_, hours = cut(replay.Feed, -24, -10)
	require.True(f.t, missing(hours, -12))
	issue, hours = cut(replay.Feed, 100, 1000)
	require.True(f.t, missing(hours, 101))
	require.True(f.t, issue.ReachAt.Equal(f.clock.Now().Truncate(time.Hour).Add(99*time.Hour)))
	issue, _ = cut(replay.MetNorway, 5, 17)
	require.True(f.t, issue.ReachAt.Equal(f.clock.Now().Truncate(time.Hour).Add(4*time.Hour)))
	w, _, err := f.s.WeatherNow(f.t.Context(), f.site.ID, f.slab.StartsAt)
	require.NoError(f.t, err)
	require.NotEmpty(f.t, w.Hours)
}

func (f *faultRig) segment(validTime string) replay.Fault {
	return func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		hour := f.clock.Now().UTC().Truncate(time.Hour)
		valid := strings.NewReplacer("START", hour.Format(time.RFC3339), "HALF", hour.Add(30*time.Minute).Format(time.RFC3339), "END", hour.Add(6*time.Hour).Format(time.RFC3339)).Replace(validTime)
		sky(`{"validTime":"`+valid+`","value":40}`)(w, r, good)
	}
}

func (f *faultRig) intervals() {
	for _, valid := range []string{
		"START/PT0H", "START/-PT6H", "START/P1M", "START/P1Y", "START/P", "START/PT", "START/P10Y", "START/PT87600H", "START/P3650D", "START/PT1.5H",
		"START/END", "PT6H/END", "NOW/PT6H", "START", "", "START/PT6H/PT6H", "START/PT99999999999999999999H",
	} {
		f.dropped(replay.NWS, f.segment(valid))
	}
	f.dropped(replay.NWS, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		hour := f.clock.Now().UTC().Truncate(time.Hour).Format(time.RFC3339)
		sky(`{"validTime":"`+hour+`/PT6H","value":40},{"validTime":"`+hour+`/PT4H","value":80}`)(w, r, good)
	})
}

func (f *faultRig) offHours() {
	_, hours := f.taken(replay.NWS, f.segment("START/PT90M"))
	require.InDelta(f.t, 0.4, *f.hour(hours, 0).Cloud, 1e-9)
	require.InDelta(f.t, 0.4, *f.hour(hours, 1).Cloud, 1e-9, "begins inside")
	require.Nil(f.t, f.hour(hours, 2).Cloud)
	_, hours = f.taken(replay.NWS, f.segment("HALF/PT2H"))
	require.Nil(f.t, f.hour(hours, 0).Cloud)
	require.InDelta(f.t, 0.4, *f.hour(hours, 1).Cloud, 1e-9)
	require.InDelta(f.t, 0.4, *f.hour(hours, 2).Cloud, 1e-9)
	require.Nil(f.t, f.hour(hours, 3).Cloud)
}

func (f *faultRig) amounts() {
	for _, length := range []int{1, 3, 6, 12} {
		_, hours := f.taken(replay.NWS, edit(func(body map[string]any) {
			at := f.clock.Now().UTC().Truncate(time.Hour)
			in(body, "properties")["quantitativePrecipitation"] = map[string]any{"uom": "wmoUnit:mm", "values": []any{
				map[string]any{"validTime": fmt.Sprintf("%s/PT%dH", at.Format(time.RFC3339), length), "value": 3.7},
			}}
		}))
		sum := 0.0
		for k := range length {
			sum += *f.hour(hours, k).PrecipMM
			require.InDelta(f.t, 3.7/float64(length), *f.hour(hours, k).PrecipMM, 1e-12, "even")
		}
		require.InDelta(f.t, 3.7, sum, 1e-9)
		require.Nil(f.t, f.hour(hours, length).PrecipMM, "not given is not none")
	}
	_, hours := f.taken(replay.MetNorway, series(func(rows []any) []any {
		for _, r := range rows {
			if next, ok := in(r.(map[string]any), "data")["next_6_hours"]; ok {
				in(next.(map[string]any), "details")["precipitation_amount"] = json.Number("6.6")
			}
		}
		return rows
	}, rowsOf[replay.MetNorway]...))
	at := f.clock.Now().Truncate(time.Hour).Add(100 * time.Hour).Truncate(6 * time.Hour)
	sum := 0.0
	for _, h := range hours {
		if !h.At.Before(at) && h.At.Before(at.Add(6*time.Hour)) {
			sum += *h.PrecipMM
		}
	}
	require.InDelta(f.t, 6.6, sum, 1e-9, "a block of six hours")
}

// hourly has the raw grid fail, so that the hourly forecast stands in, edited.
func (f *faultRig) hourly(fault replay.Fault) []db.Hour {
	f.t.Helper()
	broken := unless("/hourly", fails(500, "UnexpectedProblem"))
	f.well(replay.NWS)
	f.ask(replay.NWS, broken)
	after := f.ask(replay.NWS, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		if strings.Contains(r.URL.Path, "/hourly") {
			fault(w, r, good)
		} else {
			broken(w, r, good)
		}
	})
	require.Empty(f.t, after.LastError)
	issue, err := f.db.Issue(f.t.Context(), *after.LatestIssueID)
	require.NoError(f.t, err)
	require.Equal(f.t, "hourly", issue.Model)
	hours, err := f.db.Hours(f.t.Context(), issue.ID, time.Time{}, time.Time{})
	require.NoError(f.t, err)
	return hours
}

func (f *faultRig) zones() {
	for _, change := range [][2]int{{-6, -5}, {-5, -6}} { // of clocks in spring and in autumn
		hours := f.hourly(series(func(rows []any) []any {
			for i, r := range rows {
				zone := time.FixedZone("", change[min(i/10, 1)]*3600)
				for _, name := range []string{"startTime", "endTime"} {
					at, _ := time.Parse(time.RFC3339, r.(map[string]any)[name].(string))
					r.(map[string]any)[name] = at.In(zone).Format(time.RFC3339)
				}
			}
			return rows
		}, "properties", "periods"))
		require.Len(f.t, hours, 156)
		for i := 1; i < len(hours); i++ {
			require.Equal(f.t, time.Hour, hours[i].At.Sub(hours[i-1].At))
		}
	}
	india := time.FixedZone("", 5*3600+1800)
	_, hours := f.taken(replay.Feed, series(func(rows []any) []any {
		for _, r := range rows {
			at, _ := time.Parse(time.RFC3339, r.(map[string]any)["at"].(string))
			r.(map[string]any)["at"] = at.In(india).Format(time.RFC3339)
		}
		return rows
	}, "hours"))
	require.InDelta(f.t, *f.good(3).AirTempC, *f.hour(hours, 3).AirTempC, 1e-9)
	f.kept(replay.Feed, series(func(rows []any) []any { // half hours of UTC
		for _, r := range rows {
			r.(map[string]any)["at"] = strings.Replace(r.(map[string]any)["at"].(string), ":00:00Z", ":00:00+05:30", 1)
		}
		return rows
	}, "hours"), "no full hour")
	f.kept(replay.OpenMeteo, replay.Rewrite(`"utc_offset_seconds":0`, `"utc_offset_seconds":-21600`), "off UTC")
}

func (f *faultRig) oddTimes() {
	for _, text := range []string{"2027-01-20T23:59:60Z", "2027-02-29T00:00:00Z", "2027-01-20T24:00:00Z", "2027-13-01T00:00:00Z"} {
		f.kept(replay.Feed, series(func(rows []any) []any { rows[30].(map[string]any)["at"] = text; return rows }, "hours"), "unusable")
		f.kept(replay.MetNorway, series(func(rows []any) []any { rows[30].(map[string]any)["time"] = text; return rows }, rowsOf[replay.MetNorway]...), "unusable")
		f.dropped(replay.NWS, f.segment(text+"/PT1H"))
		f.kept(replay.NWS, edit(func(body map[string]any) { in(body, "properties")["updateTime"] = text }), "unusable")
	}
}

func (f *faultRig) units() {
	wind := func(h forecast.Hour) *float64 { return h.WindMS }
	air := func(h forecast.Hour) *float64 { return h.AirTempC }
	for _, tc := range []struct {
		service  string
		from, to string
		of       func(forecast.Hour) *float64
		want     func(good float64) float64
	}{
		{replay.OpenMeteo, `"wind_speed_10m":"m/s"`, `"wind_speed_10m":"kn"`, wind, func(v float64) float64 { return v * 1852 / 3600 }},
		{replay.OpenMeteo, `"wind_speed_10m":"m/s"`, `"wind_speed_10m":"km/h"`, wind, func(v float64) float64 { return v / 3.6 }},
		{replay.OpenMeteo, `"wind_speed_10m":"m/s"`, `"wind_speed_10m":"mp/h"`, wind, func(v float64) float64 { return v * 0.44704 }},
		{replay.OpenMeteo, `"temperature_2m":"°C"`, `"temperature_2m":"°F"`, air, func(v float64) float64 { return (v - 32) / 1.8 }},
		{replay.NWS, "wmoUnit:km_h-1", "wmoUnit:kt", wind, func(v float64) float64 { return v * 3.6 * 1852 / 3600 }},
		{replay.NWS, "wmoUnit:km_h-1", "wmoUnit:m_s-1", wind, func(v float64) float64 { return v * 3.6 }},
		{replay.NWS, "wmoUnit:degC", "wmoUnit:degF", air, func(v float64) float64 { return (v - 32) / 1.8 }},
		{replay.NWS, "wmoUnit:", "unit:", air, func(v float64) float64 { return v }},
		{replay.MetNorway, `"wind_speed":"m/s"`, `"wind_speed":"km/h"`, wind, func(v float64) float64 { return v / 3.6 }},
		{replay.MetNorway, `"air_temperature":"celsius"`, `"air_temperature":"fahrenheit"`, air, func(v float64) float64 { return (v - 32) / 1.8 }},
	} {
		before := f.well(tc.service)
		after := f.ask(tc.service, replay.Rewrite(tc.from, tc.to))
		if after.LastError != "" { // a unit that this service never has is not guessed at
			require.Equal(f.t, before.LatestIssueID, after.LatestIssueID)
			continue
		}
		hours, err := f.db.Hours(f.t.Context(), *after.LatestIssueID, time.Time{}, time.Time{})
		require.NoError(f.t, err)
		got := tc.of(f.hour(hours, 3))
		if got != nil {
			require.InDelta(f.t, tc.want(*tc.of(f.good(3))), *got, 0.06, "%s %s", tc.service, tc.to)
		}
	}
	f.dropped(replay.OpenMeteo, replay.Rewrite(`"cloud_cover":"%"`, `"cloud_cover":"oktas"`))
	f.dropped(replay.OpenMeteo, replay.Rewrite(`"cloud_cover":"%"`, `"cloud_cover":"°C"`))
	f.dropped(replay.NWS, replay.Rewrite(`"skyCover":{"uom":"wmoUnit:percent"`, `"skyCover":{"uom":"wmoUnit:degC"`))
	f.dropped(replay.NWS, replay.Rewrite(`"skyCover":{"uom":"wmoUnit:percent"`, `"skyCover":{"uom":"wmoUnit:oktas"`))
	f.dropped(replay.MetNorway, replay.Rewrite(`"cloud_area_fraction":"%"`, `"cloud_area_fraction":"mm"`))
}

func (f *faultRig) absurd() {
	put := func(values map[string]any) forecast.Hour {
		_, hours := f.taken(replay.Feed, func(w http.ResponseWriter, r *http.Request, good http.Handler) { f.member(3, values)(w, r, good) })
		return f.hour(hours, 3)
	}
	for _, v := range []float64{200, (2977 - 32) / 1.8, -999, 9999} {
		require.Nil(f.t, put(map[string]any{"air_temp_c": v}).AirTempC, v)
		require.Nil(f.t, put(map[string]any{"wind_ms": v}).WindMS, v)
	}
	require.Nil(f.t, put(map[string]any{"cloud": -1}).Cloud)
	require.Nil(f.t, put(map[string]any{"rel_humidity": 1.4, "dew_point_c": nil}).RelHumidity)
	require.InDelta(f.t, 1, *put(map[string]any{"rel_humidity": 1.03}).RelHumidity, 0, "clamped, as listed")
	require.Nil(f.t, put(map[string]any{"gust_ms": 1, "wind_ms": 8}).GustMS)
	warm := put(map[string]any{"dew_point_c": 20, "rel_humidity": nil})
	require.Nil(f.t, warm.DewPointC, "above the air")
	_, hours := f.taken(replay.Feed, series(func(rows []any) []any {
		for _, r := range rows {
			r.(map[string]any)["shortwave_wm2"] = 300
		}
		return rows
	}, "hours"))
	for _, h := range hours { // at 88 degrees west
		switch h.At.Hour() {
		case 5, 6:
			require.Zero(f.t, *h.ShortwaveWm2, "midnight")
		case 17, 18:
			require.InDelta(f.t, 300, *h.ShortwaveWm2, 0, "noon")
		}
	}
}

func (f *faultRig) batches() {
	shift := func(all []any) []any {
		for _, p := range all {
			p.(map[string]any)["latitude"] = json.Number("45.5")
		}
		return all
	}
	f.kept(replay.OpenMeteo, points(shift), "was given for")
	// What is wrong with an answer on two points only is found by asking for each.
	ofTwo := func(change func(all []any) []any) replay.Fault {
		return points(func(all []any) []any {
			if len(all) == 1 {
				return all
			}
			return change(all)
		})
	}
	for _, change := range []func(all []any) []any{
		func(all []any) []any { return all[:1] },
		func(all []any) []any { return append(all, all[0]) },
	} {
		asked := f.weather.Answers(replay.OpenMeteo)
		_, hours := f.taken(replay.OpenMeteo, ofTwo(change))
		require.InDelta(f.t, *f.good(3).AirTempC, *f.hour(hours, 3).AirTempC, 0.06)
		require.Greater(f.t, f.weather.Answers(replay.OpenMeteo)-asked, 5, "split and asked again")
	}
	f.kept(replay.OpenMeteo, ofTwo(func(all []any) []any { return []any{all[1], all[0]} }), "location")
	f.kept(replay.OpenMeteo, replay.Edit(func(b []byte) []byte { return append(append([]byte("["), b...), ']') }), "unusable")
}

func (f *faultRig) moved() {
	for name, fault := range map[string]replay.Fault{
		"outline elsewhere": edit(func(body map[string]any) {
			body["geometry"] = map[string]any{"type": "Polygon", "coordinates": [][][2]float64{{{-100, 50}, {-100, 49}, {-99, 49}, {-99, 50}, {-100, 50}}}}
		}),
		"cell gone": fails(404, "NotFound"),
	} {
		before := f.well(replay.NWS)
		f.weather.Fail(replay.NWS, replay.Only("/gridpoints/", fault))
		f.clock.Forward(61 * time.Minute)
		f.newRun()
		f.due(nws.ForecastName)
		require.NoError(f.t, f.s.PullNow(f.t.Context(), nws.ForecastName), name)
		cells, err := f.db.SiteCells(f.t.Context(), f.site.ID)
		require.NoError(f.t, err)
		require.False(f.t, slices.ContainsFunc(cells, func(c db.Cell) bool { return c.Source == nws.ForecastName }), "%s: found anew", name)
		still, err := f.db.Issue(f.t.Context(), *before.LatestIssueID)
		require.NoError(f.t, err, "what it gave is kept")
		require.NotZero(f.t, still.Hours)
		f.weather.Fail(replay.NWS, nil)
		f.clock.Forward(15 * time.Minute)
		require.NoError(f.t, f.s.PullNow(f.t.Context(), nws.ForecastName))
		f.well(replay.NWS)
	}
	// And without any sign, each week.
	f.clock.Forward(8 * 24 * time.Hour)
	points := 0
	f.weather.Fail(replay.NWS, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		if strings.HasPrefix(r.URL.Path, "/points/") {
			points++
		}
		good.ServeHTTP(w, r)
	})
	for range 3 {
		require.NoError(f.t, f.s.PullNow(f.t.Context(), nws.ForecastName))
	}
	f.weather.Fail(replay.NWS, nil)
	require.Equal(f.t, 2, points, "both sites, once")
}

func (f *faultRig) huge() {
	for _, service := range services {
		for what, fault := range map[string]replay.Fault{
			"100 MB":       replay.Edit(func([]byte) []byte { return []byte("[" + strings.Repeat(" ", 100<<20) + "]") }),
			"10^7 numbers": replay.Edit(func([]byte) []byte { return []byte("[" + strings.Repeat("1,", 1e7) + "1]") }),
		} {
			require.Contains(f.t, f.ask(service, fault).LastError, "larger than", "%s %s", service, what)
			f.well(service)
		}
		var sent atomic.Int64
		cell := f.ask(service, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
			replay.Endless(&counting{w, &sent}, r, good)
		})
		require.Contains(f.t, cell.LastError, "larger than", service)
		require.Less(f.t, sent.Load(), int64(48<<20), "%s: two cells within their caps of 4 MB, and what the way holds", service)
		f.well(service)
	}
	f.keptByAll(replay.Say(200, "application/json", strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000)), "unusable")
}

// counting counts what a server could send.
type counting struct {
	http.ResponseWriter
	sent *atomic.Int64
}

func (c *counting) Write(b []byte) (int, error) {
	n, err := c.ResponseWriter.Write(b)
	c.sent.Add(int64(n))
	return n, err
}

func (f *faultRig) drift() {
	for service, pair := range map[string][2]string{
		replay.OpenMeteo: {`"elevation":`, `"added":{"a":[null]},"elevation":`},
		replay.NWS:       {`"hazards":`, `"added":{"a":[null]},"hazards":`},
		replay.MetNorway: {`"wind_from_direction":`, `"added":{"a":[null]},"wind_from_direction":`},
	} {
		_, hours := f.taken(service, replay.Rewrite(pair[0], pair[1]))
		require.NotNil(f.t, f.hour(hours, 3).Cloud, service)
	}
	f.kept(replay.Feed, replay.Rewrite(`"cloud":`, `"clouds":`), "unusable") // a firm's own form is taken by its word
	_, hours := f.taken(replay.MetNorway, replay.Rewrite(`"wind_speed_of_gust":`, `"gust":`))
	require.Nil(f.t, f.hour(hours, 3).GustMS, "renamed is missing")
	quantities := series(func(rows []any) []any {
		for _, r := range rows {
			row := r.(map[string]any)
			row["temperature"] = map[string]any{"unitCode": "wmoUnit:degC", "value": row["temperature"]}
			row["windSpeed"] = map[string]any{"unitCode": "wmoUnit:km_h-1", "value": 18}
			delete(row, "temperatureUnit")
		}
		return rows
	}, "properties", "periods")
	plain := f.hourly(func(w http.ResponseWriter, r *http.Request, good http.Handler) { good.ServeHTTP(w, r) })
	require.InDelta(f.t, *f.good(3).AirTempC, *f.hour(plain, 3).AirTempC, 0.51, "whole degrees")
	asQuantity := f.hourly(quantities)
	require.InDelta(f.t, *f.good(3).AirTempC, *f.hour(asQuantity, 3).AirTempC, 0.51)
	require.InDelta(f.t, 5, *f.hour(asQuantity, 3).WindMS, 1e-9)
}

func (f *faultRig) statuses() {
	told := f.log.count("status 203")
	_, hours := f.taken(replay.MetNorway, replay.Relabel(203, ""))
	require.NotEmpty(f.t, hours)
	require.Greater(f.t, f.log.count("status 203"), told, "good weather, and a word for the operator")
	f.kept(replay.MetNorway, replay.Refuse(422, "X", ""), "422", time.Hour)
	f.keptByAll(replay.Refuse(400, "X", ""), "400", time.Hour)
	f.keptByAll(replay.Refuse(401, "X", ""), "401", time.Hour)
	f.alarmed(replay.OpenMeteo, replay.Refuse(401, "X", ""))
}

func (f *faultRig) warnings() {
	site := f.cell(nws.ForecastName).Key // 0,0: zone 000
	require.Equal(f.t, "FRG/0,0", site)
	at := func(d time.Duration) string { return f.clock.Now().Add(d).UTC().Format(time.RFC3339) }
	message := func(id, kind, event, ends string, references ...string) string {
		var refs []string
		for _, r := range references {
			refs = append(refs, fmt.Sprintf(`{"identifier":%q}`, r))
		}
		return fmt.Sprintf(`{"geometry":null,"properties":{"id":%q,"messageType":%q,"status":"Actual","event":%q,"severity":"Severe","headline":"H","sent":%q,"onset":%q,"expires":%q,"ends":%s,"geocode":{"UGC":["ILZ000"]},"references":[%s]}}`,
			id, kind, event, at(-time.Hour), at(time.Hour), at(30*time.Hour), ends, strings.Join(refs, ","))
	}
	warned := func(messages ...string) []db.Warning {
		f.weather.Fail(replay.NWS, replay.Only("/alerts", replay.Say(200, "application/geo+json", `{"type":"FeatureCollection","features":[`+strings.Join(messages, ",")+`]}`)))
		defer f.weather.Fail(replay.NWS, nil)
		f.clock.Forward(6 * time.Minute)
		require.NoError(f.t, f.s.Warn(f.t.Context()))
		list, err := f.db.Warnings(f.t.Context(), f.clock.Now(), f.site.ID)
		require.NoError(f.t, err)
		return list
	}
	end := `"` + at(20*time.Hour) + `"`
	require.Len(f.t, warned(message("a", "Alert", "Ice Storm Warning", end)), 1)
	require.Len(f.t, warned(message("a", "Alert", "Ice Storm Warning", end), message("b", "Update", "Ice Storm Warning", end, "a")), 1, "an update takes the place of what it updates")
	require.Empty(f.t, warned(message("a", "Alert", "Ice Storm Warning", end), message("c", "Cancel", "Ice Storm Warning", end, "a")), "cancelled")
	require.Len(f.t, warned(message("a", "Alert", "Ice Storm Warning", end), message("a", "Alert", "Ice Storm Warning", `"`+at(22*time.Hour)+`"`)), 1, "one identity, one warning")
	open := warned(message("d", "Alert", "Wind Advisory", "null"))
	require.Len(f.t, open, 1)
	require.NotNil(f.t, open[0].EndsAt, "no end: until it expires")
	var many []string
	for i := range 4000 {
		many = append(many, message(fmt.Sprint("m", i), "Alert", fmt.Sprint("Warning ", i), end))
	}
	require.Greater(f.t, len(strings.Join(many, ",")), 1<<20)
	require.Len(f.t, warned(many...), 4000, "a list of more than 1 MB")
	require.Empty(f.t, warned())
}

func (f *faultRig) observations() {
	good := f.observe(nil)
	require.Empty(f.t, good.LastError)
	near, next, _ := strings.Cut(good.Key, ",")
	next, _, _ = strings.Cut(next, ",")
	model := func(spoil replay.Fault) string {
		cell := f.observe(func(w http.ResponseWriter, r *http.Request, good http.Handler) {
			switch {
			case strings.Contains(r.URL.Path, near):
				spoil(w, r, good)
			case strings.Contains(r.URL.Path, next): // reports what the first would
				r.URL.Path = strings.Replace(r.URL.Path, next, near, 1)
				good.ServeHTTP(w, r)
			default:
				good.ServeHTTP(w, r)
			}
		})
		require.Empty(f.t, cell.LastError)
		issue, err := f.db.Issue(f.t.Context(), *cell.LatestIssueID)
		require.NoError(f.t, err)
		return issue.Model
	}
	require.Equal(f.t, near, model(func(w http.ResponseWriter, r *http.Request, good http.Handler) { good.ServeHTTP(w, r) }))
	reports := func(change func(report map[string]any)) replay.Fault {
		return series(func(rows []any) []any {
			for _, r := range rows {
				change(in(r.(map[string]any), "properties"))
			}
			return rows
		}, "features")
	}
	for what, spoil := range map[string]replay.Fault{
		"all null":       reports(func(r map[string]any) { in(r, "temperature")["value"] = nil }),
		"not controlled": reports(func(r map[string]any) { in(r, "temperature")["qualityControl"] = "Z" }),
		"rejected":       reports(func(r map[string]any) { in(r, "temperature")["qualityControl"] = "X" }),
		"three hours old": reports(func(r map[string]any) {
			at, _ := time.Parse(time.RFC3339, r["timestamp"].(string))
			r["timestamp"] = at.Add(-3 * time.Hour).Format(time.RFC3339)
		}),
		"in the future": reports(func(r map[string]any) {
			at, _ := time.Parse(time.RFC3339, r["timestamp"].(string))
			r["timestamp"] = at.Add(24 * 30 * time.Hour).Format(time.RFC3339)
		}),
		"station gone": fails(404, "NotFound"),
	} {
		require.Equal(f.t, next, model(spoil), what)
	}
}

func (f *faultRig) givenUp() {
	before := f.well(replay.MetNorway)
	hungUp := make(chan bool, 2)
	ctx, cancel := context.WithCancel(f.t.Context())
	defer cancel()
	f.weather.Fail(replay.MetNorway, func(w http.ResponseWriter, r *http.Request, good http.Handler) {
		time.AfterFunc(100*time.Millisecond, cancel)
		replay.StallBody(5000)(w, r, good)
		hungUp <- r.Context().Err() != nil
	})
	f.clock.Forward(61 * time.Minute)
	f.newRun()
	f.due("met-norway")
	require.ErrorIs(f.t, f.s.PullNow(ctx, "met-norway"), context.Canceled)
	f.weather.Fail(replay.MetNorway, nil)
	require.True(f.t, <-hungUp, "the line is let go")
	after := f.cell("met-norway")
	require.Equal(f.t, before.LatestIssueID, after.LatestIssueID)
	require.Zero(f.t, after.Failures, "nobody is to blame")
	f.well(replay.MetNorway)
}

func (f *faultRig) together() {
	f.well(replay.MetNorway)
	f.clock.Forward(61 * time.Minute)
	f.newRun()
	f.due("met-norway")
	asked := f.weather.Answers(replay.MetNorway)
	var pollers sync.WaitGroup
	for range 4 {
		pollers.Go(func() {
			if err := f.s.PullNow(f.t.Context(), "met-norway"); err != nil {
				f.t.Error(err)
			}
		})
	}
	pollers.Wait()
	require.Equal(f.t, asked+2, f.weather.Answers(replay.MetNorway), "two cells, two questions")
	t, ok := f.t.(*testing.T)
	require.True(f.t, ok)
	stormOfAFleet(t)
}

func (f *faultRig) refusedWrite() {
	before := f.well(replay.NWS)
	_, err := f.db.Pool().Exec(f.t.Context(), `alter table forecast_hours add constraint no_more check (air_temp_c > 1000) not valid`)
	require.NoError(f.t, err)
	f.clock.Forward(61 * time.Minute)
	f.newRun()
	f.due(nws.ForecastName)
	require.Error(f.t, f.s.PullNow(f.t.Context(), nws.ForecastName), "the job fails and is tried again")
	require.Equal(f.t, before.LatestIssueID, f.cell(nws.ForecastName).LatestIssueID)
	_, err = f.db.Pool().Exec(f.t.Context(), `alter table forecast_hours drop constraint no_more`)
	require.NoError(f.t, err)
	f.well(replay.NWS)
}

func (f *faultRig) markup() {
	f.kept(replay.NWS, replay.Say(500, "application/problem+json", `{"type":"x","title":"<script>alert(1)</script>\r\nlevel=ERROR msg=forged","detail":"d"}`), "<script>")
	require.Zero(f.t, f.log.count("\nlevel=ERROR msg=forged"), "one line in the log")
	near := place("Mill Road", 42, -88, 0)
	now := f.clock.Now()
	near.Warnings = []forecast.Warning{{ID: "x", Event: "<b>Blizzard</b>", Severity: "Severe", Headline: "a\nb<script>", OnsetAt: now, EndsAt: now.Add(10 * time.Hour), SentAt: now}}
	f.weather.SetPlaces(near, place("Far field", 43, -89, 0))
	f.clock.Forward(6 * time.Minute)
	require.NoError(f.t, f.s.Warn(f.t.Context()))
	list, err := f.db.Warnings(f.t.Context(), f.clock.Now(), f.site.ID)
	require.NoError(f.t, err)
	require.Len(f.t, list, 1)
	require.Equal(f.t, "a b<script>", list[0].Headline, "kept as text on one line; pages escape it")
	body, err := json.Marshal(list[0].Headline)
	require.NoError(f.t, err)
	require.NotContains(f.t, string(body), "<script>", "and so does JSON")
}

func (f *faultRig) allDown() {
	for _, service := range services {
		f.well(service)
		f.weather.Fail(service, replay.Reset)
	}
	state := func(after time.Duration) (rules.Assessment, string) {
		f.clock.Forward(after)
		for _, service := range services {
			f.due(sourceOf[service])
			require.NoError(f.t, f.s.PullNow(f.t.Context(), sourceOf[service]))
		}
		_, err := f.db.Pool().Exec(f.t.Context(), "update pours set starts_at = $1::timestamptz, occupied_until = $1::timestamptz + interval '9 hours' where id = $2", f.clock.Now().Add(24*time.Hour), f.slab.ID)
		require.NoError(f.t, err)
		a := f.verdictNow()
		_, age, err := f.s.WeatherNow(f.t.Context(), f.site.ID, f.clock.Now().Add(24*time.Hour))
		require.NoError(f.t, err)
		return a, age
	}
	a, age := state(24 * time.Hour)
	require.Equal(f.t, "stale", age)
	require.True(f.t, slices.ContainsFunc(a.Findings, func(f rules.Finding) bool { return f.Rule == "weather.stale" }), "its age is said")
	a, age = state(3 * 24 * time.Hour)
	require.Equal(f.t, "dead", age)
	require.Equal(f.t, rules.Unscored, a.Verdict)
	require.Contains(f.t, a.Headline, "the forecast is 4 days old")
	require.NoError(f.t, f.s.Watch(f.t.Context()))
	require.Subset(f.t, f.raised(), []string{openmeteo.Name, nws.ForecastName, "met-norway", "local"})
	f.clock.Forward(7 * time.Hour)
	for _, service := range services {
		f.weather.Fail(service, nil)
		f.well(service)
	}
	require.NoError(f.t, f.s.Watch(f.t.Context()))
	require.Empty(f.t, slices.DeleteFunc(f.raised(), func(s string) bool { return s == nws.AlertsName }))
	a, age = state(0)
	require.Equal(f.t, "fresh", age)
	require.NotEqual(f.t, rules.Unscored, a.Verdict)
}
