package forecast_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"testing"
	"time"

	"frostgate/scheduler/forecast"

	"github.com/stretchr/testify/require"
)

const capBytes = 1 << 20

// quick is a client with limits as short as a busy machine allows its servers.
func quick(t *testing.T) *forecast.Client {
	t.Helper()
	c := forecast.NewClient(forecast.ClientConfig{
		Agent: "frostgate-test (test@example.org)", PlainHTTP: true,
		Dial: 3 * time.Second, TLS: 3 * time.Second, Header: 3 * time.Second, Idle: 2 * time.Second,
	})
	t.Cleanup(c.Close)
	return c
}

func serve(t *testing.T, h http.HandlerFunc) string {
	t.Helper()
	srv := httptest.NewServer(h)
	t.Cleanup(func() {
		srv.CloseClientConnections()
		srv.Close()
	})
	return srv.URL
}

func jsonHeader(w http.ResponseWriter) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
}

// stall keeps a handler until its client has gone.
func stall(r *http.Request) { <-r.Context().Done() }

func packed(data []byte) []byte {
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	_, _ = w.Write(data)
	_ = w.Close()
	return b.Bytes()
}

// raw answers on the bare connection.
func raw(w http.ResponseWriter, text string) {
	conn, _, err := http.NewResponseController(w).Hijack()
	if err != nil {
		panic(err)
	}
	_, _ = io.WriteString(conn, text)
	_ = conn.Close()
}

// Each fault ends in an error that says whether to try again; none hangs, and
// none passes for weather.
func TestFaultsOfAServer(t *testing.T) {
	other := serve(t, func(w http.ResponseWriter, _ *http.Request) { jsonHeader(w); fmt.Fprint(w, "{}") })
	big := strings.Repeat("1,", capBytes)
	for name, tc := range map[string]struct {
		answer http.HandlerFunc
		retry  bool
		says   string
	}{
		"header stall": {func(_ http.ResponseWriter, r *http.Request) { stall(r) }, true, "no answer"},
		"body stall": {func(w http.ResponseWriter, r *http.Request) {
			jsonHeader(w)
			fmt.Fprint(w, "["+strings.Repeat("1,", 5<<10))
			_ = http.NewResponseController(w).Flush()
			stall(r)
		}, true, "stalled"},
		"reset before headers": {func(w http.ResponseWriter, _ *http.Request) { raw(w, "") }, true, "no answer"},
		"garbage":              {func(w http.ResponseWriter, _ *http.Request) { raw(w, "\x16\x03\x01 hello\r\n\r\n") }, true, "no answer"},
		"cut with length": {func(w http.ResponseWriter, _ *http.Request) {
			raw(w, "HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{\"a\":")
		}, true, "broken answer"},
		"chunk cut": {func(w http.ResponseWriter, _ *http.Request) {
			raw(w, "HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n5\r\n{\"a\":")
		}, true, "broken answer"},
		"html with 200": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/html")
			fmt.Fprint(w, "<html>")
		}, true, "no JSON"},
		"html labelled json": {func(w http.ResponseWriter, _ *http.Request) { jsonHeader(w); fmt.Fprint(w, "<html>") }, true, "no JSON"},
		"json labelled text": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/plain")
			fmt.Fprint(w, "{}")
		}, true, "no JSON"},
		"html with 403":   {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(403); fmt.Fprint(w, "<html>") }, false, "403"},
		"html with 502":   {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(502); fmt.Fprint(w, "<html>") }, true, "502"},
		"empty 200":       {func(w http.ResponseWriter, _ *http.Request) { jsonHeader(w) }, true, "empty"},
		"empty 204":       {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(204) }, true, "204"},
		"byte order mark": {func(w http.ResponseWriter, _ *http.Request) { jsonHeader(w); fmt.Fprint(w, "\ufeff{}") }, true, "no JSON"},
		"400":             {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(400) }, false, "400"},
		"401":             {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(401) }, false, "401"},
		"404":             {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(404) }, false, "404"},
		"422":             {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(422) }, false, "422"},
		"500":             {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(500) }, true, "500"},
		"304 unasked":     {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(304) }, true, "nothing was stored"},
		"redirect loop": {func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, r.URL.Path+"x", http.StatusMovedPermanently)
		}, false, "redirect refused"},
		"redirect to a host": {func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, other, http.StatusFound) }, false, "another host"},
		"redirect to ftp": {func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "ftp://127.0.0.1/", http.StatusFound)
		}, false, "redirect refused"},
		"too large": {func(w http.ResponseWriter, _ *http.Request) { jsonHeader(w); fmt.Fprint(w, "["+big) }, true, "larger than"},
		"endless": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			for {
				if _, err := fmt.Fprint(w, "[1,", big[:4096]); err != nil {
					return
				}
			}
		}, true, "larger than"},
		"gzip bomb": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("Content-Encoding", "gzip")
			_, _ = w.Write(packed(bytes.Repeat([]byte(" "), capBytes-1)))
		}, true, "expands"},
		"nested gzip": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("Content-Encoding", "gzip")
			_, _ = w.Write(packed(packed([]byte("{}"))))
		}, true, "no JSON"},
		"gzip in name only": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("Content-Encoding", "gzip")
			fmt.Fprint(w, "{}           ")
		}, true, "unpack"},
		"gzip tail corrupt": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("Content-Encoding", "gzip")
			p := packed([]byte(`{"a":1}`))
			p[len(p)-5] ^= 0xff
			_, _ = w.Write(p)
		}, true, "checksum"},
		"brotli unasked": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("Content-Encoding", "br")
			fmt.Fprint(w, "xx")
		}, true, "not asked for"},
		"1 MB header": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("X-Long", strings.Repeat("a", 1<<20))
			fmt.Fprint(w, "{}")
		}, true, "no answer"},
		"a day ahead": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("Date", time.Now().Add(24*time.Hour).UTC().Format(http.TimeFormat))
			fmt.Fprint(w, "{}")
		}, true, "clocks disagree"},
		"an hour behind": {func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.Header().Set("Date", time.Now().Add(-time.Hour).UTC().Format(http.TimeFormat))
			fmt.Fprint(w, "{}")
		}, true, "clocks disagree"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			resp, err := quick(t).Get(t.Context(), forecast.Request{URL: serve(t, tc.answer) + "/x", CapBytes: capBytes, Deadline: 20 * time.Second})
			require.Nil(t, resp)
			var fault *forecast.Error
			require.ErrorAs(t, err, &fault)
			require.Equal(t, tc.retry, fault.Retry)
			require.ErrorContains(t, err, tc.says)
		})
	}
}

func TestSlowDripMeetsTheDeadline(t *testing.T) {
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		jsonHeader(w)
		for r.Context().Err() == nil {
			fmt.Fprint(w, " ")
			_ = http.NewResponseController(w).Flush()
			time.Sleep(20 * time.Millisecond)
		}
	})
	_, err := quick(t).Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes, Deadline: 400 * time.Millisecond})
	require.ErrorContains(t, err, "broken answer")
}

func TestConnectionAndCertificateFaults(t *testing.T) {
	c := quick(t)
	refused, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := refused.Addr().String()
	require.NoError(t, refused.Close())

	mute, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = mute.Close() })

	secure := httptest.NewTLSServer(http.NotFoundHandler())
	t.Cleanup(secure.Close)
	secure.Config.ErrorLog = nil

	for name, url := range map[string]string{
		"refused":                "http://" + address,
		"TLS stall":              "https://" + mute.Addr().String(),
		"unknown authority":      secure.URL,
		"name that is not there": "http://no-such-host.invalid/",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := c.Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes, Deadline: 3 * time.Second})
			var fault *forecast.Error
			require.ErrorAs(t, err, &fault)
			require.True(t, fault.Retry)
			require.Zero(t, fault.Status)
		})
	}
}

func TestPlainHTTPOnlyWhenAllowed(t *testing.T) {
	c := forecast.NewClient(forecast.ClientConfig{Agent: "frostgate-test"})
	_, err := c.Get(t.Context(), forecast.Request{URL: "http://127.0.0.1:1/", CapBytes: capBytes})
	require.ErrorContains(t, err, "not https")
}

func TestRelativeRedirectIsFollowed(t *testing.T) {
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/old" {
			w.Header().Set("Location", "/new")
			w.WriteHeader(http.StatusMovedPermanently)
			return
		}
		jsonHeader(w)
		fmt.Fprintf(w, `{"agent":%q}`, r.UserAgent())
	})
	resp, err := quick(t).Get(t.Context(), forecast.Request{URL: url + "/old", CapBytes: capBytes})
	require.NoError(t, err)
	require.Equal(t, url+"/new", resp.URL)
	require.Contains(t, string(resp.Body), "test@example.org")
}

func TestGoodAnswers(t *testing.T) {
	for name, answer := range map[string]http.HandlerFunc{
		"plain": func(w http.ResponseWriter, _ *http.Request) { jsonHeader(w); fmt.Fprint(w, ` {"a":1}`) },
		"packed": func(w http.ResponseWriter, r *http.Request) {
			if r.Header.Get("Accept-Encoding") != "gzip" {
				w.WriteHeader(406)
				return
			}
			w.Header().Set("Content-Type", "application/geo+json")
			w.Header().Set("Content-Encoding", "gzip")
			_, _ = w.Write(packed([]byte(` {"a":1}`)))
		},
		"203": func(w http.ResponseWriter, _ *http.Request) {
			jsonHeader(w)
			w.WriteHeader(203)
			fmt.Fprint(w, ` {"a":1}`)
		},
	} {
		t.Run(name, func(t *testing.T) {
			resp, err := quick(t).Get(t.Context(), forecast.Request{URL: serve(t, answer), CapBytes: capBytes})
			require.NoError(t, err)
			require.Equal(t, ` {"a":1}`, string(resp.Body))
		})
	}
}

func TestConditionalQuestions(t *testing.T) {
	const modified = "Thu, 01 Jan 2099 00:00:00 GMT" // in the future, echoed all the same
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("If-None-Match") == `"v1"` && r.Header.Get("If-Modified-Since") == modified {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		jsonHeader(w)
		w.Header().Set("ETag", `"v1"`)
		w.Header().Set("Last-Modified", modified)
		fmt.Fprint(w, "{}")
	})
	first, err := quick(t).Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes})
	require.NoError(t, err)
	again, err := quick(t).Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes, ETag: first.ETag, LastModified: first.LastModified})
	require.NoError(t, err)
	require.True(t, again.NotModified)

	injected, err := quick(t).Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes, ETag: "\"v1\"\r\nX-Evil: 1"})
	require.NoError(t, err, "a validator that can't stand in a header is left out")
	require.False(t, injected.NotModified)
}

func TestFreshnessIsClamped(t *testing.T) {
	for name, tc := range map[string]struct {
		header, value string
		want          time.Duration
	}{
		"nothing":          {"X-None", "", 0},
		"max-age 0":        {"Cache-Control", "public, max-age=0", 5 * time.Minute},
		"max-age 20 min":   {"Cache-Control", "public, max-age=1200, s-maxage=3600", 20 * time.Minute},
		"max-age 10 years": {"Cache-Control", "max-age=315360000", 2 * time.Hour},
		"past":             {"Expires", time.Now().Add(-time.Hour).UTC().Format(http.TimeFormat), 5 * time.Minute},
		"2038":             {"Expires", "Tue, 19 Jan 2038 03:14:07 GMT", 2 * time.Hour},
		"malformed":        {"Expires", "soon", 0},
	} {
		t.Run(name, func(t *testing.T) {
			url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
				jsonHeader(w)
				w.Header().Set(tc.header, tc.value)
				fmt.Fprint(w, "{}")
			})
			resp, err := quick(t).Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes})
			require.NoError(t, err)
			if tc.want == 0 {
				require.Zero(t, resp.FreshUntil)
				return
			}
			require.WithinDuration(t, time.Now().Add(tc.want), resp.FreshUntil, 5*time.Second)
		})
	}
}

func TestRetryAfter(t *testing.T) {
	now := time.Date(2027, 1, 14, 12, 0, 0, 0, time.UTC)
	for value, want := range map[string]time.Duration{
		"5": 5 * time.Second, " 7 ": 7 * time.Second, "0": 0, "-1": 0, "100000": time.Hour, "9223372036854775807": time.Hour,
		"Thu, 14 Jan 2027 12:10:00 GMT": 10 * time.Minute, "Thu, 14 Jan 2027 11:00:00 GMT": 0,
		"Thursday, 14-Jan-27 12:10:00 GMT": 10 * time.Minute, "Thu Jan 14 12:10:00 2027": 10 * time.Minute,
	} {
		got, ok := forecast.RetryAfter(value, now)
		require.True(t, ok, value)
		require.Equal(t, want, got, value)
	}
	for _, value := range []string{"", "soon", "1.5", "99999999999999999999", "2027-01-14"} {
		_, ok := forecast.RetryAfter(value, now)
		require.False(t, ok, value)
	}
}

func TestThrottlingPausesTheHost(t *testing.T) {
	for name, tc := range map[string]struct {
		status int
		after  string
		host   bool
		want   time.Duration
	}{
		"503 with seconds":     {503, "5", true, 5 * time.Second},
		"503 with a long time": {503, "100000", true, time.Hour},
		"503 with garbage":     {503, "soon", false, 0},
		"429 bare":             {429, "", true, 0},
	} {
		t.Run(name, func(t *testing.T) {
			url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
				w.Header().Set("Retry-After", tc.after)
				w.WriteHeader(tc.status)
			})
			_, err := quick(t).Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes})
			var fault *forecast.Error
			require.ErrorAs(t, err, &fault)
			require.True(t, fault.Retry)
			require.Equal(t, tc.host, fault.Host)
			require.Equal(t, tc.want, fault.After)
		})
	}
}

func TestCallerGoneLeavesNothingBehind(t *testing.T) {
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		jsonHeader(w)
		fmt.Fprint(w, "[1,")
		_ = http.NewResponseController(w).Flush()
		stall(r)
	})
	c := forecast.NewClient(forecast.ClientConfig{Agent: "frostgate-test", PlainHTTP: true})
	before := runtime.NumGoroutine()
	ctx, cancel := context.WithCancel(t.Context())
	time.AfterFunc(50*time.Millisecond, cancel)
	_, err := c.Get(ctx, forecast.Request{URL: url, CapBytes: capBytes})
	require.ErrorIs(t, err, context.Canceled)
	var fault *forecast.Error
	require.NotErrorAs(t, err, &fault, "the service is not to blame")
	c.Close()
	require.Eventually(t, func() bool { return runtime.NumGoroutine() <= before+2 }, time.Minute, 10*time.Millisecond)
}

// A refusal's text goes into logs and pages: one line, no more than a sentence.
func TestRefusalIsOneShortLine(t *testing.T) {
	url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(500)
		fmt.Fprint(w, "bad\r\nlevel=ERROR msg=forged "+strings.Repeat("x", 1000))
	})
	_, err := quick(t).Get(t.Context(), forecast.Request{URL: url, CapBytes: capBytes})
	require.Less(t, len(err.Error()), 300)
	lines := bufio.NewScanner(strings.NewReader(err.Error()))
	n := 0
	for lines.Scan() {
		n++
	}
	require.Equal(t, 1, n)
}
