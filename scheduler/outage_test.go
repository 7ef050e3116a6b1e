package scheduler_test

import (
	"context"
	"net/http"
	"slices"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast/replay"

	"github.com/stretchr/testify/require"
)

// alertOf gives the alert of a kind; nil when there is none.
func (w *world) alertOf(kind alert.Kind) *db.AlertLine {
	w.t.Helper()
	list := w.alerts()
	i := slices.IndexFunc(list, func(a db.AlertLine) bool { return a.Kind == string(kind) })
	if i < 0 {
		return nil
	}
	return &list[i]
}

// now has what time makes necessary done at once, without waiting for the minute.
func (w *world) now(s *scheduler.Scheduler) {
	w.t.Helper()
	require.NoError(w.t, scheduler.Fire(w.t.Context(), s, "pull"))
	require.NoError(w.t, scheduler.Fire(w.t.Context(), s, "watch"))
}

// A source that stops raises one alert, the verdicts that rest on it are
// withdrawn, and no alert is cleared for want of weather; for a day and for a
// week.
func TestOutageClearsNothing(t *testing.T) {
	for name, tc := range map[string]struct {
		outage time.Duration
		step   time.Duration
		fault  replay.Fault // nil: goes on serving the old issue
		left   rules.Verdict
	}{
		"24 h without an answer": {24 * time.Hour, 2 * time.Hour, replay.Refuse(http.StatusServiceUnavailable, "", ""), rules.Move},
		"7 d without an answer":  {7 * 24 * time.Hour, 12 * time.Hour, replay.Reset, rules.Unscored},
		"48 h of the same issue": {48 * time.Hour, 4 * time.Hour, nil, rules.Unscored},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.cold()
			w.endpoint("crew-chat")
			s := w.start(nil)
			p := w.pour(s, "Slab", time.Date(2027, 1, 23, 14, 0, 0, 0, time.UTC))
			w.verdict(p.ID, rules.Move)
			w.until("the notice", 5*time.Second, func() bool { return w.receiver.events() == "raised" })

			if tc.fault != nil {
				w.weather.Fail(replay.OpenMeteo, tc.fault)
			}
			issued := w.clock.Now()
			for gone := time.Duration(0); gone < tc.outage; gone += tc.step {
				w.clock.Forward(tc.step)
				w.weather.SetIssued(issued)
				w.now(s)
				w.idle()
			}
			require.Equal(t, tc.left, w.stored(p.ID).Verdict, w.stored(p.ID).WorstReason)
			move := w.alertOf(alert.PourMove)
			require.Equal(t, string(alert.Raised), move.Condition, "silence clears nothing")
			require.False(t, move.Verified)
			stale := w.alertOf(alert.SourceStale)
			require.NotNil(t, stale)
			require.Equal(t, string(alert.Raised), stale.Condition)
			require.Equal(t, 1, stale.Episode, "one alert for one outage")

			w.weather.Fail(replay.OpenMeteo, nil)
			w.mild()
			w.clock.Forward(7 * time.Hour) // cells that fail are asked six-hourly
			w.now(s)
			w.until("the end of both", 15*time.Second, func() bool {
				w.now(s)
				return w.alertOf(alert.PourMove).Condition == "cleared" && w.alertOf(alert.SourceStale).Condition == "cleared"
			})
			w.idle()
			w.invariants()
			cleared := 0
			for _, d := range w.receiver.accepted() {
				if d.event.Type == alert.EventCleared && d.event.Alert.Kind == alert.PourMove {
					cleared++
				}
			}
			require.Equal(t, 1, cleared)
		})
	}
}

// idle waits until no job is left to do.
func (w *world) idle() {
	w.t.Helper()
	w.until("idle", 30*time.Second, func() bool {
		return w.count("select count(*) from river_job where state in ('available', 'running', 'retryable', 'scheduled', 'pending')") == 0
	})
}

// The alert of a source speaks after its time and not before.
func TestNoWeatherAtAll(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.endpoint("crew-chat")
	w.weather.Fail(replay.OpenMeteo, replay.Refuse(http.StatusInternalServerError, "", ""))
	s := w.start(nil)
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Unscored)
	w.idle()
	require.Nil(t, w.alertOf(alert.SourceStale))
	w.clock.Forward(20 * time.Minute)
	w.now(s)
	w.until("the alert", 10*time.Second, func() bool { return w.receiver.events() == "raised" })
	require.Contains(t, w.receiver.accepted()[0].event.Text, "No weather from open-meteo yet")
	w.invariants()
}

// A host that asks for a pause is left alone by all replicas.
func TestHostIsLeftAlone(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.weather.Fail(replay.OpenMeteo, replay.Refuse(http.StatusTooManyRequests, "Retry-After", "600"))
	a, b := w.start(nil), w.start(nil)
	w.pour(a, "Slab", wednesday.Add(42*time.Hour))
	w.until("a refusal", 20*time.Second, func() bool { return w.count("select count(*) from cells where failures > 0") == 1 })
	w.idle()
	asked := w.weather.Answers(replay.OpenMeteo)
	w.weather.Fail(replay.OpenMeteo, nil)
	for range 3 {
		w.clock.Forward(time.Minute)
		w.refresh(a)
		w.refresh(b)
		w.idle()
	}
	require.Equal(t, asked, w.weather.Answers(replay.OpenMeteo), "not one call in the pause")
	w.clock.Forward(10 * time.Minute)
	w.refresh(b)
	w.until("weather", 10*time.Second, func() bool { return w.count("select count(*) from issues") == 1 })
}

// Each step is one transaction: when it fails half-way nothing of it stays, and
// when it is done again nothing comes twice.
func TestFaultsInTheMiddleOfATransaction(t *testing.T) {
	for _, table := range []string{"issues", "forecast_hours", "assessments", "alerts", "alert_transitions", "notices", "deliveries", "attempts"} {
		t.Run(table, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.cold()
			w.endpoint("crew-chat")
			w.exec(`create function break_off() returns trigger language plpgsql as $$ begin raise exception 'broken off'; end $$`)
			w.exec(`create trigger break_off after insert on ` + table + ` for each row execute function break_off()`)
			s := w.newScheduler(func(c *scheduler.Config) { c.Log = nil })
			require.NoError(t, s.Start(t.Context()))
			t.Cleanup(func() { _ = s.Stop(context.Background()) })
			w.pour(s, "Slab", wednesday.Add(42*time.Hour))
			w.until("a failure", 20*time.Second, func() bool {
				return w.count("select count(*) from river_job where cardinality(errors) > 0") > 0
			})
			require.Zero(t, w.count("select count(*) from "+table))
			if table != "attempts" {
				require.Zero(t, w.count("select count(*) from deliveries"))
				require.Zero(t, w.count("select count(*) from river_job where kind = 'deliver'"))
			}
			w.exec(`drop trigger break_off on ` + table)
			w.until("the notice is recorded", 40*time.Second, func() bool {
				if table == "issues" || table == "forecast_hours" {
					w.refresh(s)
				}
				if table == "attempts" {
					w.clock.Forward(time.Minute) // the lease of the attempt that was not recorded
				}
				return w.count("select count(*) from deliveries where state = 'accepted'") == 1
			})
			w.idle()
			ids := map[string]bool{}
			for _, d := range w.receiver.accepted() {
				ids[d.id] = true
			}
			require.Len(t, ids, 1)
			require.Equal(t, 1, w.count("select count(*) from alert_transitions"))
			w.invariants()
		})
	}
}

func (w *world) exec(sql string) {
	w.t.Helper()
	_, err := w.db.Pool().Exec(w.t.Context(), sql)
	require.NoError(w.t, err)
}

// The same weather again is no news, and an assessment of the same inputs is not
// made twice.
func TestSameAgainDoesNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	s := w.start(nil)
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Move)
	w.idle()
	made := w.count("select count(*) from assessments")
	before := w.stored(p.ID)
	for range 3 {
		w.clock.Forward(11 * time.Second)
		w.refresh(s)
		w.tx(func(tx *db.Tx) error { return s.EnqueueAssess(t.Context(), tx, p.ID) })
		w.idle()
	}
	require.Equal(t, 1, w.count("select count(*) from issues"))
	require.Equal(t, made, w.count("select count(*) from assessments"))
	require.True(t, w.stored(p.ID).AssessedAt.After(*before.AssessedAt), "it is looked at all the same")
	require.Equal(t, before.AssessmentID, w.stored(p.ID).AssessmentID)
	require.Equal(t, "raised", w.receiver.events())
}

// The same verdict is more urgent when little time is left, and that is told
// though nothing else has changed.
func TestUrgencyRisesWithTheClock(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	s := w.start(nil)
	var p db.Pour
	w.tx(func(tx *db.Tx) (err error) {
		draft := w.draft("Slab", wednesday.Add(42*time.Hour))
		draft.CancelBy = new(wednesday.Add(24 * time.Hour))
		if p, err = tx.CreatePour(t.Context(), everything, draft); err != nil {
			return err
		}
		return s.EnqueueAssess(t.Context(), tx, p.ID)
	})
	w.until("the notice", 20*time.Second, func() bool { return w.receiver.events() == "raised" })
	require.Equal(t, alert.Major, w.receiver.accepted()[0].event.Alert.Severity)
	w.clock.Forward(21 * time.Hour) // 3 h are left to cancel the order
	w.cold()
	require.NoError(t, scheduler.Fire(t.Context(), s, "pull"))
	w.idle()
	w.now(s)
	w.until("the second notice", 10*time.Second, func() bool { return w.receiver.events() == "raised changed" })
	e := w.receiver.accepted()[1].event
	require.Equal(t, alert.Critical, e.Alert.Severity)
	require.Equal(t, alert.ReasonSeverity, e.Reason)
	require.Contains(t, e.Text, "More urgent now.")
	require.Contains(t, e.Text, "The order can be cancelled until")
	w.invariants()
}
