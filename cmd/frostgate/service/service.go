// Package service builds the running program out of its parts, in the order in which they need each other, and stops
// them in the reverse order.
package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"time"

	"frostgate/api"
	"frostgate/api/access"
	"frostgate/db"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// Config says how to run.
type Config struct {
	Database  Database
	Weather   Weather
	Listen    string         // address of the HTTP server; port 0 takes any free one
	PublicURL string         // at which people reach it, for links; default the address it listens on
	Webhooks  []netip.Prefix // ranges that are not public but that endpoints may lie in
	Pace      alert.Pace     // of messages to one endpoint; the zero tells each thing by itself
	Mail      alert.MailServer
	Proxies   []*net.IPNet // whose word on a client's address is believed
	Version   string
	Log       *slog.Logger // required
}

// A Service is the running program.
type Service struct {
	URL        string // of the HTTP server on this machine
	FirstToken string // a dispatcher's, when this start made the first one; it is kept nowhere else
	DB         *db.DB

	log       *slog.Logger
	metrics   *prometheus.Registry
	scheduler *scheduler.Scheduler
	parts     []part
	failed    chan error
}

// A part is something started; parts stop last to first.
type part struct {
	name string
	stop func(context.Context) error
}

func newService(c Config) *Service {
	s := &Service{log: c.Log, failed: make(chan error, 1), metrics: prometheus.NewRegistry()}
	s.metrics.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return s
}

// Start starts everything and returns when requests are answered. What was started before a failure is stopped.
func Start(ctx context.Context, c Config) (*Service, error) {
	s := newService(c)
	for _, step := range []func(context.Context, Config) error{s.startDatabase, s.makeFirstToken, s.startScheduler, s.startHTTP} {
		if err := step(ctx, c); err != nil {
			return nil, errors.Join(err, s.Stop())
		}
	}
	return s, nil
}

func (s *Service) startDatabase(ctx context.Context, c Config) (err error) {
	s.DB, err = s.openDatabase(ctx, c.Database)
	return err
}

// makeFirstToken lets the first user in: without it nobody could make any token.
func (s *Service) makeFirstToken(ctx context.Context, _ Config) error {
	secret, token := mint(db.Token{Name: "first dispatcher", Role: "dispatcher"})
	return s.DB.Tx(ctx, commandLine, func(tx *db.Tx) error {
		made, err := tx.CreateFirstToken(ctx, token)
		if made {
			s.FirstToken = secret
		}
		return err
	})
}

// commandLine is who makes tokens here, in the audit.
var commandLine = db.Actor{Name: "command line"}

func mint(token db.Token) (secret string, minted db.Token) {
	secret, digest := access.Mint()
	token.Hash, token.Prefix = digest[:], secret[:8]
	return secret, token
}

// NewToken makes a token and gives its secret, which is stored nowhere.
func NewToken(ctx context.Context, d *db.DB, token db.Token) (secret string, err error) {
	secret, token = mint(token)
	return secret, d.Tx(ctx, commandLine, func(tx *db.Tx) error {
		for _, id := range token.CrewIDs {
			if _, err := tx.Crew(ctx, db.Scope{}, id); err != nil {
				return fmt.Errorf("crew %s: %w", id, err)
			}
		}
		for _, id := range token.PlantIDs {
			if _, err := tx.Plant(ctx, db.Scope{}, id); err != nil {
				return fmt.Errorf("plant %s: %w", id, err)
			}
		}
		_, err := tx.CreateToken(ctx, token)
		return err
	})
}

func (s *Service) startScheduler(ctx context.Context, c Config) error {
	agent := "frostgate/" + c.Version
	if c.Weather.Contact != "" {
		agent += " (" + c.Weather.Contact + ")"
	}
	budget := scheduler.NewBudget(s.DB)
	client := forecast.NewClient(forecast.ClientConfig{Agent: agent, PlainHTTP: c.Weather.PlainHTTP, Turn: budget.Turn, Observe: budget.Observe})
	s.started("weather client", func(context.Context) error { client.Close(); return nil })
	sources, warners, err := c.Weather.sources(client)
	if err != nil {
		return err
	}
	s.scheduler, err = scheduler.New(scheduler.Config{
		DB: s.DB, Log: s.log, Registerer: s.metrics, Sources: sources, Warners: warners, Budget: budget,
		Guard: alert.Guard{Allow: c.Webhooks}, Agent: agent, PublicURL: c.PublicURL, Pace: c.Pace, Mail: c.Mail,
	})
	if err != nil {
		return err
	}
	if err := s.scheduler.Start(ctx); err != nil {
		return err
	}
	s.started("scheduler", s.scheduler.Stop)
	return nil
}

func (s *Service) startHTTP(ctx context.Context, c Config) error {
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", c.Listen)
	if err != nil {
		return err
	}
	s.URL = "http://" + reachable(listener.Addr())
	handler, err := api.New(api.Config{
		DB: s.DB, EnqueueAssess: s.scheduler.EnqueueAssess, Unshelve: s.scheduler.Unshelve, Handle: s.scheduler.Handle, SuppressionChanged: s.scheduler.SuppressionChanged, Coming: s.scheduler.Coming,
		TryEndpoint: s.scheduler.TryEndpoint, EndpointRestored: s.scheduler.EndpointRestored, Log: s.log, Registry: s.metrics, Version: c.Version,
		PublicURL: cmp.Or(c.PublicURL, s.URL), Guard: alert.Guard{Allow: c.Webhooks}, Proxies: c.Proxies,
		Weather: s.scheduler.Weather(), AckLinks: s.scheduler.AckLinks(),
	})
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	server := api.Server(handler, s.log)
	base, cut := context.WithCancel(context.WithoutCancel(ctx))
	server.BaseContext = func(net.Listener) context.Context { return base }
	server.RegisterOnShutdown(cut) // streams never end by themselves
	go func() {
		if err := server.Serve(api.LimitConnections(listener, 0, 0)); !errors.Is(err, http.ErrServerClosed) {
			s.fail(fmt.Errorf("serve HTTP: %w", err))
		}
	}()
	s.started("HTTP server", func(ctx context.Context) error {
		handler.Drain()
		return server.Shutdown(ctx)
	})
	return nil
}

// reachable is an address of a listener that a client on this machine can use.
func reachable(address net.Addr) string {
	tcp, ok := address.(*net.TCPAddr)
	if !ok || !tcp.IP.IsUnspecified() {
		return address.String()
	}
	return fmt.Sprintf("localhost:%d", tcp.Port)
}

func (s *Service) started(name string, stop func(context.Context) error) {
	s.parts = append(s.parts, part{name, stop})
}

// fail reports that a part ended by itself.
func (s *Service) fail(err error) {
	select {
	case s.failed <- err:
	default: // the first is the one to tell
	}
}

// Failed gives the reason when a part ended by itself.
func (s *Service) Failed() <-chan error { return s.failed }

// Refresh has the weather of all sites asked for anew.
func (s *Service) Refresh(ctx context.Context) error {
	return s.DB.Tx(ctx, commandLine, func(tx *db.Tx) error { return s.scheduler.Refresh(ctx, tx) })
}

// stopPatience is how long the parts together may take to end their work.
const stopPatience = 25 * time.Second

// Stop ends the parts, the last started first. It may be called after a failure, and again.
func (s *Service) Stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), stopPatience)
	defer cancel()
	var all error
	for len(s.parts) > 0 {
		last := s.parts[len(s.parts)-1]
		s.parts = s.parts[:len(s.parts)-1]
		began := time.Now()
		if err := last.stop(ctx); err != nil {
			all = errors.Join(all, fmt.Errorf("stop %s: %w", last.name, err))
		}
		s.log.Debug("stopped", "part", last.name, "after", time.Since(began))
	}
	return all
}
