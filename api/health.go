package api

import (
	"context"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// readiness is the body of /readyz, for people; machines read the status.
type readiness struct {
	Status   string `json:"status"` // ready, draining, or why not
	Database string `json:"database"`
	Schema   string `json:"schema"`
}

// checkPatience bounds a look at the database for /readyz.
const checkPatience = 2 * time.Second

// serveHealth registers what operators and their machines ask. It needs no token and tells nothing of the firm.
func (a *API) serveHealth() {
	a.echo.GET("/healthz", func(c echo.Context) error {
		return c.JSON(http.StatusOK, map[string]string{"status": "alive"})
	})
	a.echo.GET("/readyz", func(c echo.Context) error {
		state, ready := a.readiness(c.Request().Context())
		if !ready {
			return c.JSON(http.StatusServiceUnavailable, state)
		}
		return c.JSON(http.StatusOK, state)
	})
	a.echo.GET("/metrics", echo.WrapHandler(promhttp.HandlerFor(a.gatherer, promhttp.HandlerOpts{})))
	a.echo.GET("/event-schema.json", func(c echo.Context) error {
		return c.Blob(http.StatusOK, "application/schema+json", a.events)
	})
	a.echo.GET("/openapi.json", func(c echo.Context) error {
		return c.Blob(http.StatusOK, "application/openapi+json", a.document)
	})
}

// readiness tells whether requests can be answered: the database is there with the schema that this program knows, and
// the program is not stopping.
func (a *API) readiness(ctx context.Context) (readiness, bool) {
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	state := readiness{Status: "ready", Database: "reachable", Schema: "up to date"}
	have, want, err := a.db.Schema(ctx)
	switch {
	case err != nil:
		state = readiness{Status: "waiting for the database", Database: "out of reach", Schema: "unknown"}
	case have < want:
		state.Status, state.Schema = "waiting for migrations", "behind"
	case a.draining.Load():
		state.Status = "draining"
	}
	return state, state.Status == "ready"
}

// Drain makes /readyz say no, so that a balancer sends its requests elsewhere before the server stops.
func (a *API) Drain() { a.draining.Store(true) }
