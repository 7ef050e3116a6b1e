package alert_test

import (
	"encoding/base64"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"frostgate/scheduler/alert"

	webhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"
)

var secret = alert.NewSecret()

func message(url string) alert.Message {
	return alert.Message{
		URL: url, Secrets: []string{secret}, ID: "msg_0190", Attempt: 2, ContentType: "application/json",
		Body: []byte(`{"type":"alert.raised","text":"Größe"}`),
	}
}

func poster(t *testing.T) *alert.Poster {
	t.Helper()
	p := alert.NewPoster(alert.PosterConfig{
		Guard: alert.Guard{Allow: alert.Loopback}, Agent: "frostgate-test",
		Dial: 3 * time.Second, TLS: 3 * time.Second, Header: 3 * time.Second, Whole: 6 * time.Second, Read: time.Second,
	})
	t.Cleanup(p.Close)
	return p
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

// The judge of the signature is the specification's own library.
func TestSignatureVerifies(t *testing.T) {
	old := alert.NewSecret()
	var verified []error
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		for _, s := range []string{secret, old, alert.NewSecret()} {
			hook, err := webhooks.NewWebhook(s)
			if err == nil {
				err = hook.Verify(body, r.Header)
			}
			verified = append(verified, err)
		}
		if r.Header.Get("webhook-id") != "msg_0190" || r.Header.Get("Frostgate-Attempt") != "2" || r.Header.Get("Content-Type") != "application/json" {
			w.WriteHeader(400)
		}
	})
	m := message(url)
	m.Secrets = []string{secret, old}
	a := poster(t).Post(t.Context(), m)
	require.Equal(t, alert.Accepted, a.Outcome, a.Error)
	require.Len(t, verified, 3)
	require.NoError(t, verified[0])
	require.NoError(t, verified[1], "while a secret rotates, both verify")
	require.ErrorIs(t, verified[2], webhooks.ErrNoMatchingSignature)
}

func TestSecrets(t *testing.T) {
	require.NoError(t, alert.CheckSecret(alert.NewSecret()))
	one, other := alert.NewSecret(), alert.NewSecret()
	require.NotEqual(t, one, other)
	for _, bad := range []string{"", "whsec_", "whsec_%%%", "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 23)), "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 65))} {
		require.Error(t, alert.CheckSecret(bad), bad)
	}
	for _, good := range []int{24, 64} {
		require.NoError(t, alert.CheckSecret("whsec_"+base64.StdEncoding.EncodeToString(make([]byte, good))))
	}
	m := message("https://example.com/")
	m.Secrets = nil
	require.Equal(t, alert.Permanent, poster(t).Post(t.Context(), m).Outcome, "nothing is sent unsigned")
}

func raw(w http.ResponseWriter, text string) {
	conn, _, err := http.NewResponseController(w).Hijack()
	if err != nil {
		panic(err)
	}
	_, _ = io.WriteString(conn, text)
	_ = conn.Close()
}

// The kinds of receiver, each with the class it has to fall in.
func TestReceiversAreClassified(t *testing.T) {
	status := func(code int) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
	}
	elsewhere := serve(t, func(http.ResponseWriter, *http.Request) { t.Error("a redirect was followed") })
	receivers := map[string]struct {
		answer http.HandlerFunc
		want   alert.Outcome
	}{
		"hangs": {func(_ http.ResponseWriter, r *http.Request) {
			_, _ = io.Copy(io.Discard, r.Body) // else the server does not see its client go
			<-r.Context().Done()
		}, alert.Unknown},
		"reset before headers": {func(w http.ResponseWriter, _ *http.Request) { raw(w, "") }, alert.Unknown},
		"garbage":              {func(w http.ResponseWriter, _ *http.Request) { raw(w, "hello\r\n\r\n") }, alert.Unknown},
		"reset after headers": {func(w http.ResponseWriter, _ *http.Request) {
			raw(w, "HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\nok")
		}, alert.Accepted},
		"one byte a time": {func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(202)
			for r.Context().Err() == nil {
				_, _ = io.WriteString(w, "x")
				_ = http.NewResponseController(w).Flush()
				time.Sleep(20 * time.Millisecond)
			}
		}, alert.Accepted},
		"endless body": {func(w http.ResponseWriter, r *http.Request) {
			for r.Context().Err() == nil {
				if _, err := io.WriteString(w, strings.Repeat("x", 1<<16)); err != nil {
					return
				}
			}
		}, alert.Accepted},
		"huge header": {func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("X", strings.Repeat("x", 1<<20)) }, alert.Unknown},
		"slow headers": {func(w http.ResponseWriter, _ *http.Request) {
			conn, _, err := http.NewResponseController(w).Hijack()
			if err != nil {
				panic(err)
			}
			_, _ = io.WriteString(conn, "HTTP/1.1 200 OK\r\n")
			time.AfterFunc(2*time.Second, func() { _ = conn.Close() })
		}, alert.Unknown},
		"200 with an error inside": {func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `{"error":"no"}`) }, alert.Accepted},
	}
	for _, code := range []int{200, 201, 202, 204, 299} {
		receivers[strconv.Itoa(code)] = struct {
			answer http.HandlerFunc
			want   alert.Outcome
		}{status(code), alert.Accepted}
	}
	for _, code := range []int{300, 301, 302, 303, 304, 307, 308} {
		receivers[strconv.Itoa(code)] = struct {
			answer http.HandlerFunc
			want   alert.Outcome
		}{func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Location", elsewhere)
			w.WriteHeader(code)
		}, alert.Permanent}
	}
	for _, code := range []int{400, 404, 405, 406, 413, 415, 418, 422, 451} {
		receivers[strconv.Itoa(code)] = struct {
			answer http.HandlerFunc
			want   alert.Outcome
		}{status(code), alert.Permanent}
	}
	for _, code := range []int{401, 403, 408, 425, 429, 500, 501, 502, 503, 504, 599} {
		receivers[strconv.Itoa(code)] = struct {
			answer http.HandlerFunc
			want   alert.Outcome
		}{status(code), alert.Retry}
	}
	receivers["410"] = struct {
		answer http.HandlerFunc
		want   alert.Outcome
	}{status(410), alert.Gone}
	require.GreaterOrEqual(t, len(receivers), 30)
	for name, tc := range receivers {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := poster(t).Post(t.Context(), message(serve(t, tc.answer)+"/T00/secret"))
			require.Equal(t, tc.want, a.Outcome, a.Error)
			require.LessOrEqual(t, len(a.Response), 1<<10)
			require.NotContains(t, a.Error, "secret")
		})
	}
}

func TestReceiversThatCannotBeReached(t *testing.T) {
	closed, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, closed.Close())
	mute, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = mute.Close() })
	selfSigned := httptest.NewTLSServer(http.NotFoundHandler())
	t.Cleanup(selfSigned.Close)
	for name, url := range map[string]string{
		"refused":                "http://" + closed.Addr().String() + "/secret",
		"TLS stall":              "https://" + mute.Addr().String() + "/secret",
		"unknown authority":      selfSigned.URL + "/secret",
		"name that is not there": "https://no-such-host.invalid/secret",
	} {
		t.Run(name, func(t *testing.T) {
			a := poster(t).Post(t.Context(), message(url))
			require.Equal(t, alert.Retry, a.Outcome)
			require.NotEmpty(t, a.Error)
			require.NotContains(t, a.Error, "secret")
			require.Zero(t, a.Status)
		})
	}
}

func TestRetryAfter(t *testing.T) {
	now := time.Date(2027, 1, 14, 12, 0, 0, 0, time.UTC)
	for value, want := range map[string]time.Duration{
		"0": 0, "1": time.Second, "60": time.Minute, " 30 ": 30 * time.Second, "3600": time.Hour, "86400": 24 * time.Hour,
		"90000": 24 * time.Hour, "1.5": 1500 * time.Millisecond, "007": 7 * time.Second,
		"Thu, 14 Jan 2027 12:00:30 GMT": 30 * time.Second, "Thu, 14 Jan 2027 13:00:00 GMT": time.Hour,
		"Thursday, 14-Jan-27 12:10:00 GMT": 10 * time.Minute, "Thu Jan 14 12:10:00 2027": 10 * time.Minute, "Sat, 16 Jan 2027 12:00:00 GMT": 24 * time.Hour,
	} {
		got, ok := alert.RetryAfter(value, now)
		require.True(t, ok, value)
		require.Equal(t, want, got, value)
	}
	for _, value := range []string{
		"", "-1", "-0.5", "soon", "1e9", "1000000000", "99999999999999999999999", "NaN", "Inf", "12 s", "2027-01-14T12:00:30Z",
		"Thu, 14 Jan 2027 11:59:00 GMT", "Mon, 01 Jan 2035 00:00:00 GMT", "1,5",
	} {
		_, ok := alert.RetryAfter(value, now)
		require.False(t, ok, value)
	}
}

func TestRetryAfterIsTakenFromAnswers(t *testing.T) {
	url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "120")
		w.WriteHeader(429)
	})
	a := poster(t).Post(t.Context(), message(url))
	require.Equal(t, new(2*time.Minute), a.RetryAfter)
}

func TestScheduleSpansThreeDays(t *testing.T) {
	require.Equal(t, 15, alert.MostAttempts)
	var early, even, late time.Duration
	for n := 1; n < alert.MostAttempts; n++ {
		for chance, sum := range map[float64]*time.Duration{0: &early, 0.5: &even, 1: &late} {
			wait, ok := alert.NextAttempt(n, chance, 0)
			require.True(t, ok)
			*sum += wait
		}
	}
	require.InDelta(t, (75*time.Hour + 53*time.Minute + 5*time.Second).Seconds(), even.Seconds(), 1)
	require.InDelta(t, 0.8*even.Seconds(), early.Seconds(), 1)
	require.InDelta(t, 1.2*even.Seconds(), late.Seconds(), 1)
	_, ok := alert.NextAttempt(alert.MostAttempts, 0.5, time.Hour)
	require.False(t, ok, "the last attempt is the last, whatever the receiver wishes")
	wait, _ := alert.NextAttempt(1, 0.5, time.Hour)
	require.Equal(t, time.Hour, wait)
	wait, _ = alert.NextAttempt(13, 0.5, time.Minute)
	require.Equal(t, 24*time.Hour, wait, "a wish shortens nothing")
}

func FuzzRetryAfter(f *testing.F) {
	for _, s := range []string{"5", "-1", "Thu, 14 Jan 2027 12:00:30 GMT", "1e309", "\x00"} {
		f.Add(s)
	}
	now := time.Date(2027, 1, 14, 12, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, value string) {
		wait, _ := alert.RetryAfter(value, now)
		require.True(t, wait >= 0 && wait <= 24*time.Hour)
	})
}

func FuzzCheckURL(f *testing.F) {
	for _, s := range []string{"https://example.com/", "https://[::1]/", "https://0x7f.1/", "http://a@b/"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, raw string) {
		u, err := alert.Guard{}.CheckURL(raw)
		if err != nil {
			return
		}
		require.Equal(t, "https", u.Scheme)
		require.Nil(t, u.User)
		if ip := net.ParseIP(u.Hostname()); ip != nil {
			require.True(t, ip.IsGlobalUnicast() && !ip.IsPrivate() && !ip.IsLoopback())
		}
	})
}

// Two forms of receiver say ok for what they took, and give 200 to what they
// didn't, too; one tells of a failed message only when asked to wait.
func TestAnswersOfChatSystems(t *testing.T) {
	said, query := "ok", ""
	url := serve(t, func(w http.ResponseWriter, r *http.Request) {
		query = r.URL.RawQuery
		fmt.Fprint(w, said)
	})
	for _, tc := range []struct {
		form, says string
		want       alert.Outcome
	}{
		{alert.FormEntities, "ok", alert.Accepted},
		{alert.FormEntities, "ok\n", alert.Accepted},
		{alert.FormEntities, "no_text", alert.Retry},
		{alert.FormEntities, "", alert.Retry},
		{alert.FormMarkdown, "ok", alert.Accepted},
		{alert.FormMarkdown, "<html>sign in</html>", alert.Retry},
		{alert.FormCard, "", alert.Accepted},
		{alert.FormStandard, "whatever", alert.Accepted},
	} {
		said = tc.says
		m := message(url)
		m.Form = tc.form
		require.Equal(t, tc.want, poster(t).Post(t.Context(), m).Outcome, "%s %q", tc.form, tc.says)
	}
	for address, want := range map[string]string{"/": "wait=true", "/?thread_id=7": "thread_id=7&wait=true", "/?wait=true": "wait=true"} {
		m := message(url + address)
		m.Form = alert.FormContent
		require.Equal(t, alert.Accepted, poster(t).Post(t.Context(), m).Outcome)
		require.Equal(t, want, query)
	}
}
