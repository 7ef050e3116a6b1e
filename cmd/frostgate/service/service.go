// Package service builds the running program out of its parts, in the order in which they need each other, and stops
// them in the reverse order.
package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"
)

// Config says how to run; the zero value of a field that isn't marked means the default named beside it.
type Config struct {
	Database Database
	Log      *slog.Logger // required
}

// A Service is the running program.
type Service struct {
	log    *slog.Logger
	parts  []part
	failed chan error
}

// A part is something started; parts stop last to first.
type part struct {
	name string
	stop func(context.Context) error
}

func newService(c Config) *Service {
	return &Service{log: c.Log, failed: make(chan error, 1)}
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

// Wait returns nil when ctx ends, or the reason when a part ended by itself.
func (s *Service) Wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case err := <-s.failed:
		return err
	}
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
		s.log.Debug("stopped", "part", last.name, "after", time.Since(began).Round(time.Millisecond).String())
	}
	return all
}
