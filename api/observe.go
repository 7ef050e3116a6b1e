package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strconv"
	"time"

	"frostgate/api/access"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
)

// exchange is what is known of one request while it is answered; its log line is written from it.
type exchange struct {
	id     string
	target string         // path and query as sent, for links
	caller *access.Caller // nil until known
	body   []byte         // whole, for patches and for the fingerprint of a create
	cause  error          // behind a problem; for the log only
}

type exchangeKey struct{}

// exchangeOf finds the exchange of a request; one that never passed observe has an empty one.
func exchangeOf(ctx context.Context) *exchange {
	if x, ok := ctx.Value(exchangeKey{}).(*exchange); ok {
		return x
	}
	return &exchange{}
}

// observe gives each request an id, turns a panic into a problem, and writes the log line and the measures.
func (a *API) observe(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		started := time.Now()
		x := &exchange{id: requestID(c.Request()), target: c.Request().URL.RequestURI()}
		c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), exchangeKey{}, x)))
		header := c.Response().Header()
		header.Set("X-Request-Id", x.id)
		header.Set("X-Content-Type-Options", "nosniff")
		header.Set("Cache-Control", "no-store")
		a.metrics.running.Inc()
		defer a.metrics.running.Dec()
		if err := contained(next, c); err != nil {
			a.answerError(err, c)
		}
		a.record(c, x, time.Since(started))
		return nil
	}
}

// contained runs a handler and returns its panic as an error.
func contained(next echo.HandlerFunc, c echo.Context) (err error) {
	defer func() {
		switch p := recover(); p {
		case nil:
		case http.ErrAbortHandler:
			panic(p)
		default:
			err = fmt.Errorf("panic: %v\n%s", p, debug.Stack())
		}
	}()
	return next(c)
}

// answerError is echo's error handler: what was not answered by a handler of ours.
func (a *API) answerError(err error, c echo.Context) {
	x := exchangeOf(c.Request().Context())
	p := fromError(err)
	x.cause = p.cause
	if c.Response().Committed {
		return
	}
	p.RequestID = x.id
	p.Instance = c.Request().URL.EscapedPath()
	p.tell(c.Response().Header().Set)
	c.Response().Header().Set("Content-Type", p.ContentType(""))
	if err := c.JSON(p.Status, p); err != nil {
		x.cause = errors.Join(x.cause, err)
	}
}

// record writes the log line and counts the request under its route's pattern.
func (a *API) record(c echo.Context, x *exchange, took time.Duration) {
	status := c.Response().Status
	route := c.Path()
	if status == http.StatusNotFound && x.caller == nil {
		route = "unmatched"
	}
	a.metrics.requests.WithLabelValues(method(c.Request().Method), route, strconv.Itoa(status)).Inc()
	a.metrics.seconds.WithLabelValues(method(c.Request().Method), route).Observe(took.Seconds())
	attrs := []slog.Attr{
		slog.String("request_id", x.id), slog.String("method", method(c.Request().Method)), slog.String("route", route),
		slog.Int("status", status), slog.Int64("bytes", c.Response().Size), slog.Duration("took", took), slog.String("from", c.RealIP()),
	}
	if x.caller != nil {
		attrs = append(attrs, slog.String("token_id", x.caller.TokenID.String()), slog.String("role", string(x.caller.Role)))
	}
	if x.cause != nil {
		attrs = append(attrs, slog.Any("error", x.cause))
	}
	a.log.LogAttrs(c.Request().Context(), level(status, route), "request", attrs...)
}

func level(status int, route string) slog.Level {
	switch {
	case status >= http.StatusInternalServerError:
		return slog.LevelError
	case route == "/healthz", route == "/readyz", route == "/metrics":
		return slog.LevelDebug
	}
	return slog.LevelInfo
}

// method keeps invented methods out of labels and logs.
func method(m string) string {
	switch m {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return m
	}
	return "other"
}

// requestID takes the id that a proxy gave, when it looks like one.
func requestID(r *http.Request) string {
	id := r.Header.Get("X-Request-Id")
	if id == "" || len(id) > 64 {
		return newID().String()
	}
	for _, c := range []byte(id) {
		if c != '-' && c != '_' && c != '.' && (c < '0' || c > '9') && (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') {
			return newID().String()
		}
	}
	return id
}

// newID makes a version 7 id; it grows with time, which keeps indexes and logs in order.
func newID() uuid.UUID {
	return uuid.Must(uuid.NewV7())
}

// metrics are the measures of HTTP.
type metrics struct {
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	running  prometheus.Gauge
}

func newMetrics(registry prometheus.Registerer) *metrics {
	m := &metrics{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "frostgate_http_requests_total", Help: "Requests answered, by route pattern.",
		}, []string{"method", "route", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "frostgate_http_request_seconds", Help: "Time to answer, by route pattern.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10},
		}, []string{"method", "route"}),
		running: prometheus.NewGauge(prometheus.GaugeOpts{
			Name: "frostgate_http_requests_running", Help: "Requests being answered.",
		}),
	}
	registry.MustRegister(m.requests, m.seconds, m.running)
	return m
}
