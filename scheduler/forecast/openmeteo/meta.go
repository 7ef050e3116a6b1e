package openmeteo

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"time"

	"frostgate/scheduler/forecast"
)

// runMeta is when the latest run of the model became available, and when that
// was asked.
type runMeta struct {
	run     time.Time
	askedAt time.Time
}

// latestRun tells when the model's latest run became available. A host that
// does not know the file gives zero. When the host fails to answer, the last
// run known stands in, which ages as it should.
func (s *Source) latestRun(ctx context.Context) (time.Time, error) {
	s.mu.Lock()
	known := s.meta
	s.mu.Unlock()
	now := s.cfg.Now()
	if !known.askedAt.IsZero() && now.Sub(known.askedAt).Abs() < s.metaLasts() {
		return known.run, nil
	}
	run, err := s.askRun(ctx, now)
	if err != nil {
		if !known.run.IsZero() && ctx.Err() == nil {
			return known.run, nil
		}
		return time.Time{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if run.Before(s.meta.run) {
		run = s.meta.run // an older copy from a cache on the way
	}
	s.meta = runMeta{run: run, askedAt: now}
	return run, nil
}

// metaLasts is how long the word on the latest run is good for.
func (s *Source) metaLasts() time.Duration {
	if s.cfg.BaseURL == s.publicHost || s.cfg.BaseURL == s.clientHost {
		return metaLasts
	}
	return metaLastsOwn
}

func (s *Source) askRun(ctx context.Context, now time.Time) (time.Time, error) {
	answer, err := s.get(ctx, s.cfg.BaseURL+"/data/"+url.PathEscape(s.cfg.IssueModel)+"/static/meta.json", 64<<10)
	var fault *forecast.Error
	if errors.As(err, &fault) && fault.Status == http.StatusNotFound {
		return time.Time{}, nil
	}
	if err != nil {
		return time.Time{}, err
	}
	return readRun(answer.Body, now)
}

// readRun reads when the latest run became available; a time to come is none.
func readRun(body []byte, now time.Time) (time.Time, error) {
	var meta struct {
		Available int64 `json:"last_run_availability_time"`
	}
	if err := json.Unmarshal(body, &meta); err != nil {
		return time.Time{}, &forecast.Error{Retry: true, Reason: "unusable answer on the model run", Err: err}
	}
	run := time.Unix(meta.Available, 0).UTC()
	if meta.Available <= 0 || run.After(now.Add(10*time.Minute)) {
		return time.Time{}, &forecast.Error{Retry: true, Reason: "unusable answer on the model run", Err: errors.New("run time is " + run.Format(time.RFC3339))}
	}
	return run, nil
}

// explain puts the service's own reason into a refusal, and when to ask again:
// its limits count by UTC minute, hour and day, and it sends no Retry-After.
func explain(fault *forecast.Error, now time.Time) {
	var refused *forecast.Refusal
	if !errors.As(fault.Err, &refused) {
		return
	}
	var body struct {
		Error  bool   `json:"error"`
		Reason string `json:"reason"`
	}
	if json.Unmarshal(refused.Body, &body) != nil || body.Reason == "" {
		return
	}
	fault.Err = &forecast.Refusal{Body: []byte(body.Reason)}
	if fault.Status == http.StatusTooManyRequests && fault.After == 0 {
		fault.After = untilLimitEnds(body.Reason, now)
	}
}
