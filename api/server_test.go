package api

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/db/dbtest"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/stretchr/testify/require"
)

// serveOn starts the real server on a port of this machine.
func serveOn(t *testing.T, handler http.Handler, inAll, byAddress int) string {
	t.Helper()
	var config net.ListenConfig
	listener, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := Server(handler, slog.New(slog.DiscardHandler))
	go func() { _ = server.Serve(LimitConnections(listener, inAll, byAddress)) }()
	t.Cleanup(func() { _ = server.Close() })
	return listener.Addr().String()
}

// raw sends bytes as they are and gives the first line of the answer; empty when the connection was closed instead.
func raw(t *testing.T, address, text string) string {
	t.Helper()
	var dialer net.Dialer
	conn, err := dialer.DialContext(t.Context(), "tcp", address)
	require.NoError(t, err)
	defer func() { _ = conn.Close() }()
	require.NoError(t, conn.SetDeadline(time.Now().Add(10*time.Second)))
	_, _ = io.WriteString(conn, text)
	line, _ := bufio.NewReader(conn).ReadString('\n')
	return strings.TrimSpace(line)
}

// RFC 9112, 6.1 and 6.3: framing on which two readers could disagree is refused.
func TestRequestsThatAreFramedWrongly(t *testing.T) {
	t.Parallel()
	b := setup(t)
	address := serveOn(t, b.api, 0, 0)
	head := "POST /v1/plants HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + b.dispatcher + "\r\nContent-Type: application/json\r\n"
	before := b.rows()
	for name, c := range map[string]struct{ text, want string }{
		"two lengths":           {head + "Content-Length: 12\r\nContent-Length: 13\r\n\r\n{\"name\":\"A\"}", "HTTP/1.1 400 Bad Request"},
		"chunk of rubbish":      {head + "Transfer-Encoding: chunked\r\n\r\nzz\r\n{\"name\":\"A\"}\r\n0\r\n\r\n", "HTTP/1.1 400 Bad Request"},
		"chunks that never end": {head + "Transfer-Encoding: chunked\r\n\r\n" + strings.Repeat("400\r\n"+strings.Repeat(" ", 1024)+"\r\n", 70), "HTTP/1.1 413 Request Entity Too Large"},
		"unknown coding":        {head + "Transfer-Encoding: gzip\r\n\r\n", "HTTP/1.1 501 Not Implemented"},
		"header of 20 KB":       {head + "X-Long: " + strings.Repeat("x", 21<<10) + "\r\n\r\n", "HTTP/1.1 431 Request Header Fields Too Large"},
		"no host":               {"GET /v1/plants HTTP/1.1\r\n\r\n", "HTTP/1.1 400 Bad Request: missing required Host header"},
		"space in the path":     {"GET /v1/pl ants HTTP/1.1\r\nHost: x\r\n\r\n", "HTTP/1.1 400 Bad Request"},
	} {
		require.Equal(t, c.want, raw(t, address, c.text), name)
	}
	require.Equal(t, before, b.rows())
	require.Empty(t, b.log.errors())
	var dialer net.Dialer
	conn, err := dialer.DialContext(t.Context(), "tcp", address)
	require.NoError(t, err)
	_, err = io.WriteString(conn, head+"Content-Length: 500\r\n\r\n{\"name\":")
	require.NoError(t, err)
	require.NoError(t, conn.Close()) // in the middle of the body
	require.Eventually(t, func() bool { return strings.Contains(b.log.String(), "unexpected EOF") }, 2*time.Minute, 10*time.Millisecond)
	require.Equal(t, before, b.rows())
}

func TestOneAddressDoesNotTakeAllConnections(t *testing.T) {
	t.Parallel()
	b := setup(t)
	address := serveOn(t, b.api, 0, 3)
	var dialer net.Dialer
	for range 3 {
		conn, err := dialer.DialContext(t.Context(), "tcp", address)
		require.NoError(t, err)
		defer func() { _ = conn.Close() }()
	}
	require.Eventually(t, func() bool { return raw(t, address, "GET /healthz HTTP/1.0\r\n\r\n") == "" }, 2*time.Minute, 10*time.Millisecond,
		"the fourth is hung up on")
}

func TestATokenMayAskSoOftenAndNoMore(t *testing.T) {
	t.Parallel()
	now := time.Now()
	b := setupWith(t, Config{RequestsPerMinute: 30, Clock: func() time.Time { return now }})
	for i := range 30 {
		a := b.do(call{method: "GET", path: "/v1/me"})
		require.Equal(t, 200, a.status)
		// draft-ietf-httpapi-ratelimit-headers-10: quota, window and what is left.
		require.Equal(t, `"token";q=30;w=60`, a.header.Get("RateLimit-Policy"))
		require.True(t, strings.HasPrefix(a.header.Get("RateLimit"), fmt.Sprintf(`"token";r=%d;t=`, 29-i)), a.header.Get("RateLimit"))
	}
	refused := b.do(call{method: "GET", path: "/v1/me"})
	refused.wrong(429, "rate_limited")
	require.Equal(t, "2", refused.header.Get("Retry-After")) // one more every 2 s (RFC 6585, 4)
	b.do(call{method: "GET", path: "/v1/me", token: b.grant(access.Viewer, db.Scope{})}).is(200)
	now = now.Add(2 * time.Second)
	b.do(call{method: "GET", path: "/v1/me"}).is(200)
	b.do(call{method: "GET", path: "/v1/me"}).wrong(429, "rate_limited")
}

func TestGuessingTokensIsSlowedByAddress(t *testing.T) {
	t.Parallel()
	now := time.Now()
	b := setupWith(t, Config{FailuresPerMinute: 5, Clock: func() time.Time { return now }})
	b.do(call{method: "GET", path: "/v1/me"}).is(200)
	for range 5 {
		guess, _ := access.Mint()
		b.do(call{method: "GET", path: "/v1/me", token: guess}).wrong(401, "unauthenticated")
	}
	guess, _ := access.Mint()
	refused := b.do(call{method: "GET", path: "/v1/me", token: guess})
	refused.wrong(429, "rate_limited")
	require.Equal(t, "12", refused.header.Get("Retry-After"))
	b.do(call{method: "GET", path: "/v1/me"}).is(200) // a known token at the same address goes on working
	now = now.Add(12 * time.Second)
	b.do(call{method: "GET", path: "/v1/me", token: guess}).wrong(401, "unauthenticated")
}

// A handler that panics is answered with a problem, the log has the stack, and the next request is served.
func TestAPanicStaysInsideItsRequest(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	var calls atomic.Int32
	b.api.enqueueAssess = func(context.Context, *db.Tx, ...uuid.UUID) error {
		if calls.Add(1) == 1 {
			panic("secret inner text")
		}
		return nil
	}
	a := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)})
	a.wrong(500, "internal")
	require.NotContains(t, a.body, "secret")
	require.Contains(t, b.log.errors(), "secret inner text")
	b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201)
}

func TestWithoutTheDatabaseTheAnswerIs503(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.do(call{method: "GET", path: "/readyz", token: "none"}).is(200)
	b.db.Close()
	require.Equal(t, 503, b.do(call{method: "GET", path: "/readyz", token: "none"}).status)
	b.do(call{method: "GET", path: "/healthz", token: "none"}).is(200)
}

func TestEveryFaultHasItsStatus(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		err    error
		status int
		code   string
	}{
		{fmt.Errorf("load pour: %w", db.ErrNotFound), 404, "not_found"},
		{fmt.Errorf("update pour: %w", db.ErrStale), 412, "stale"},
		{fmt.Errorf("claim key: %w", db.ErrRunning), 409, "running"},
		{fmt.Errorf("create site: %w", db.ErrNotAllowed), 403, "forbidden"},
		{fmt.Errorf("list: %w", db.ErrUnavailable), 503, "unavailable"},
		{fmt.Errorf("list: %w", context.DeadlineExceeded), 503, "unavailable"},
		{errors.New("dial tcp 10.1.2.3:5432: password"), 500, "internal"},
		{echo.ErrNotFound, 404, "not_found"},
		{echo.ErrMethodNotAllowed, 405, "method_not_allowed"},
	} {
		p := fromError(c.err)
		require.Equal(t, c.status, p.Status, c.err)
		require.Equal(t, c.code, p.Code, c.err)
		require.NotContains(t, p.Detail, "10.1.2.3")
	}
}

func TestWhatOperatorsAsk(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.stock()
	b.do(call{method: "GET", path: "/v1/nothing"}).wrong(404, "not_found")
	measures := b.do(call{method: "GET", path: "/metrics", token: "none"})
	require.Equal(t, 200, measures.status)
	require.Contains(t, measures.body, `frostgate_http_requests_total{method="POST",route="/v1/plants",status="201"} 2`)
	require.Contains(t, measures.body, `route="unmatched",status="404"`)
	require.Contains(t, b.log.String(), "route=/v1/plants")
	require.NotContains(t, b.log.String(), b.dispatcher)

	given := b.do(call{method: "GET", path: "/v1/me", header: map[string]string{"X-Request-Id": "from-proxy.1"}})
	require.Equal(t, "from-proxy.1", given.header.Get("X-Request-Id"))
	bad := b.do(call{method: "GET", path: "/v1/me", header: map[string]string{"X-Request-Id": "evil id\""}})
	require.NoError(t, uuid.Validate(bad.header.Get("X-Request-Id")))
	require.Equal(t, "nosniff", bad.header.Get("X-Content-Type-Options"))
	require.Equal(t, "no-store", bad.header.Get("Cache-Control"))

	b.api.Drain()
	drained := b.do(call{method: "GET", path: "/readyz", token: "none"})
	require.Equal(t, 503, drained.status)
	require.Equal(t, "draining", drained.is(503)["status"])
}

func TestAnEmptyDatabaseIsNotReady(t *testing.T) {
	t.Parallel()
	empty := dbtest.Open(t, db.Config{Conn: dbtest.NewEmpty(t)})
	a, err := New(Config{DB: empty, EnqueueAssess: func(context.Context, *db.Tx, ...uuid.UUID) error { return nil }})
	require.NoError(t, err)
	b := &bundle{t: t, api: a, db: empty}
	require.Equal(t, 503, b.do(call{method: "GET", path: "/readyz", token: "none"}).status)
}
