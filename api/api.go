package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"frostgate/api/access"
	"frostgate/api/board"
	"frostgate/db"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humaecho"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus"
)

// Config sets up the API.
type Config struct {
	DB *db.DB // required
	// EnqueueAssess has pours assessed anew, in the transaction that changed what their assessments rest on. Required.
	EnqueueAssess func(ctx context.Context, tx *db.Tx, pours ...uuid.UUID) error
	// TryEndpoint makes one call to an endpoint; without it none can be tried.
	TryEndpoint func(ctx context.Context, id uuid.UUID) (alert.Answer, error)
	// EndpointRestored tells of an endpoint that works again, in the transaction that restored it. It may be nil.
	EndpointRestored func(ctx context.Context, tx *db.Tx, e db.Endpoint) error

	// Unshelve takes an alert up again that was shelved, and has what is still raised told. Nil tells nobody.
	Unshelve func(ctx context.Context, tx *db.Tx, a db.Alert) error
	// Handle stores what the actor did to an alert that is locked and changed, and tells those who were told of it. Nil
	// stores it alone.
	Handle func(ctx context.Context, tx *db.Tx, a db.Alert, t db.Transition) error
	// SuppressionChanged has what a planned suppression held decided anew, in the transaction that edited it. It may be nil.
	SuppressionChanged func(ctx context.Context, tx *db.Tx, before db.Suppression) error
	// Coming lists what time alone will do to an alert. Nil knows of nothing.
	Coming func(ctx context.Context, a db.Alert) ([]alert.FollowUp, error)

	Log       *slog.Logger         // nil is silent
	Registry  *prometheus.Registry // of the measures, served at /metrics; nil makes one
	Clock     func() time.Time     // nil is the clock of the system; edits take the database's
	Version   string               // of the program, for the document; default devel
	PublicURL string               // at which clients reach the service, for the document; default /
	Guard     alert.Guard          // which addresses endpoints may have
	Weather   []forecast.About     // the services that weather comes from, for their credits
	// Proxies are the networks whose X-Forwarded-For is believed. Empty believes nobody.
	Proxies []*net.IPNet
	// AckLinks says that messages have links to acknowledge by, so that there has to be a page for them.
	AckLinks bool

	RequestsPerMinute int // by token and process; default 600
	FailuresPerMinute int // unknown tokens by address; default 20
}

// API answers requests over HTTP. It is safe for concurrent use.
type API struct {
	db               *db.DB
	enqueueAssess    func(ctx context.Context, tx *db.Tx, pours ...uuid.UUID) error
	tryEndpoint      func(ctx context.Context, id uuid.UUID) (alert.Answer, error)
	endpointRestored func(ctx context.Context, tx *db.Tx, e db.Endpoint) error
	log              *slog.Logger
	now              func() time.Time
	gate             *access.Gate
	metrics          *metrics
	gatherer         prometheus.Gatherer
	draining         atomic.Bool
	guard            alert.Guard
	unshelve         func(ctx context.Context, tx *db.Tx, a db.Alert) error
	handle           func(ctx context.Context, tx *db.Tx, a db.Alert, t db.Transition) error
	coming           func(ctx context.Context, a db.Alert) ([]alert.FollowUp, error)
	weather          []forecast.About

	suppressionChanged func(ctx context.Context, tx *db.Tx, before db.Suppression) error

	tagged   map[string]bool // method and pattern of the routes whose answers have an ETag
	echo     *echo.Echo
	huma     huma.API
	document []byte // OpenAPI
	events   []byte // the schema of events, as served
}

// New registers every route. It touches the database only when requests come.
func New(c Config) (*API, error) {
	if c.DB == nil || c.EnqueueAssess == nil {
		return nil, errors.New("the api needs a database and a way to have pours assessed")
	}
	c = c.withDefaults()
	useProblems()
	a := &API{
		db: c.DB, enqueueAssess: c.EnqueueAssess, log: c.Log, now: c.Clock, metrics: newMetrics(c.Registry), gatherer: c.Registry,
		gate:        access.NewGate(access.Config{DB: c.DB, Now: c.Clock, PerMinute: c.RequestsPerMinute, FailuresPerMinute: c.FailuresPerMinute}),
		tryEndpoint: c.TryEndpoint, endpointRestored: c.EndpointRestored,
		guard: c.Guard, unshelve: c.Unshelve, handle: c.Handle, suppressionChanged: c.SuppressionChanged, coming: c.Coming, weather: c.Weather, echo: newEcho(c), tagged: map[string]bool{},
	}
	a.echo.HTTPErrorHandler = a.answerError
	a.echo.Use(a.observe, a.compress())
	a.huma = humaecho.New(a.echo, describe(c.Version, c.PublicURL))
	a.huma.UseMiddleware(a.admit, a.takeQuery, a.takeBody)
	a.serveAll()
	tellNulls(a.huma.OpenAPI().Components.Schemas)
	var err error
	if a.document, err = a.OpenAPI(); err != nil {
		return nil, fmt.Errorf("write OpenAPI document: %w", err)
	}
	if a.events, err = EventSchema(); err != nil {
		return nil, err
	}
	acknowledgeBy := a.acknowledgeBy
	if !c.AckLinks {
		acknowledgeBy = nil
	}
	pages, err := board.New(board.Config{
		DB: c.DB, Gate: a.gate, API: a, Spec: a.document, Log: c.Log, Clock: c.Clock, Version: c.Version, PublicURL: c.PublicURL,
		Weather: c.Weather, Known: known, AcknowledgeBy: acknowledgeBy,
	})
	if err != nil {
		return nil, fmt.Errorf("make board: %w", err)
	}
	pages.Register(a.echo)
	return a, nil
}

// known notes for the log who asked for a page.
func known(ctx context.Context, caller *access.Caller) { exchangeOf(ctx).caller = caller }

func (c Config) withDefaults() Config {
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Registry == nil {
		c.Registry = prometheus.NewRegistry()
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	if c.Version == "" {
		c.Version = "devel"
	}
	if c.Handle == nil {
		c.Handle = func(ctx context.Context, tx *db.Tx, a db.Alert, t db.Transition) error {
			_, _, err := tx.Advance(ctx, a, t)
			return err
		}
	}
	return c
}

func newEcho(c Config) *echo.Echo {
	e := echo.New()
	e.HideBanner = true
	e.HidePort = true
	e.IPExtractor = echo.ExtractIPDirect()
	if len(c.Proxies) > 0 {
		trust := []echo.TrustOption{echo.TrustLoopback(false), echo.TrustLinkLocal(false), echo.TrustPrivateNet(false)}
		for _, network := range c.Proxies {
			trust = append(trust, echo.TrustIPRange(network))
		}
		e.IPExtractor = echo.ExtractIPFromXFFHeader(trust...)
	}
	return e
}

func (a *API) serveAll() {
	a.serveHealth()
	a.servePours()
	a.serveBulk()
	a.serveAssess()
	a.serveAssessments()
	a.serveObservations()
	a.serveAlerts()
	a.serveExplanations()
	a.serveSuppressions()
	a.serveEndpoints()
	a.serveDeliveries()
	serveResource(a, sites())
	serveList(a, sites(), (*db.DB).Sites)
	serveResource(a, plants())
	serveList(a, plants(), (*db.DB).Plants)
	serveResource(a, crews())
	serveList(a, crews(), (*db.DB).Crews)
	serveResource(a, mixes())
	serveList(a, mixes(), (*db.DB).Mixes)
	a.serveForecasts()
	a.serveSources()
	a.serveFirm()
	a.serveLimits()
	a.serveTokens()
	a.serveAudit()
}

// ServeHTTP answers one request. HEAD is answered as GET without its body.
func (a *API) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodHead {
		r = r.WithContext(r.Context())
		r.Method = http.MethodGet
	}
	a.echo.ServeHTTP(w, r)
}
