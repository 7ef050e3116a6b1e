package scheduler_test

import (
	"testing"
	"time"

	"frostgate/db"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// suppress plans that the crew's alerts are not told for a time from the beginning.
func (w *world) suppress(after, until time.Duration) (s db.Suppression) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) (err error) {
		s, err = tx.CreateSuppression(w.t.Context(), everything, db.Suppression{
			CrewID: &w.crew.ID, StartsAt: wednesday.Add(after), EndsAt: wednesday.Add(until), Reason: "all know",
		})
		return err
	})
	return s
}

// change edits a planned suppression as the API does.
func (w *world) change(s *scheduler.Scheduler, before db.Suppression, edit func(*db.Suppression, time.Time)) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) error {
		after := before
		edit(&after, tx.Now())
		if _, err := tx.UpdateSuppression(w.t.Context(), everything, after); err != nil {
			return err
		}
		return s.SuppressionChanged(w.t.Context(), tx, before)
	})
	require.NoError(w.t, s.GatherNow(w.t.Context()))
}

func endNow(p *db.Suppression, now time.Time) { p.EndsAt = now }

// What a planned suppression held is decided anew when it is changed, and neither
// lost nor kept until the old end.
func TestPlannedSuppressionThatIsChanged(t *testing.T) {
	t.Parallel()
	const raised, cleared, over = alert.EventRaised, alert.EventCleared, alert.EventUnsuppressed
	for name, tc := range map[string]struct {
		after  time.Duration // it begins; the alert is raised at 0
		warmer float64       // after an hour
		edit   func(*db.Suppression, time.Time)
		then   []string // said at once, when it is changed after two hours
		later  []string // all that was said by the old end, at five hours
	}{
		"ended, over meanwhile":         {time.Minute, good, endNow, []string{raised, cleared}, []string{raised, cleared}},
		"ended, over, never told":       {-time.Minute, good, endNow, nil, nil},
		"ended, raised meanwhile":       {-time.Minute, bad, endNow, []string{over}, []string{over}},
		"ended, raised and told before": {time.Minute, bad, endNow, []string{raised, over}, []string{raised, over}},
		"begins later": {
			-time.Minute, bad, func(p *db.Suppression, now time.Time) { p.StartsAt = now.Add(time.Hour) },
			[]string{over},
			[]string{over, over},
		},
		"shortened": {
			time.Minute, good, func(p *db.Suppression, now time.Time) { p.EndsAt = now.Add(time.Hour) },
			[]string{raised},
			[]string{raised, cleared},
		},
		"longer": {
			time.Minute, good, func(p *db.Suppression, now time.Time) { p.EndsAt = now.Add(4 * time.Hour) },
			[]string{raised},
			[]string{raised},
		},
		"only its reason": {
			time.Minute, good, func(p *db.Suppression, _ time.Time) { p.Reason = "all know it" },
			[]string{raised},
			[]string{raised, cleared},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w, s := slabAndChat(t)
			p := w.suppress(tc.after, 5*time.Hour)
			w.at(s, wednesday, bad)
			w.at(s, wednesday.Add(time.Hour), tc.warmer)
			w.at(s, wednesday.Add(2*time.Hour), tc.warmer)
			if tc.warmer == good {
				require.Equal(t, "cleared", w.alerts()[0].Condition)
			}
			w.change(s, p, tc.edit)
			require.Equal(t, tc.then, w.messages("chat"))
			w.at(s, wednesday.Add(5*time.Hour+time.Minute), tc.warmer)
			require.Equal(t, tc.later, w.messages("chat"))
			w.invariants()
		})
	}
}

// What another planned suppression still holds goes on waiting, until that one ends.
func TestPlannedSuppressionsThatOverlap(t *testing.T) {
	t.Parallel()
	for name, warmer := range map[string]float64{alert.EventCleared: good, alert.EventUnsuppressed: bad} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w, s := slabAndChat(t)
			long, short := w.suppress(time.Minute, 5*time.Hour), w.suppress(time.Minute, 3*time.Hour)
			w.at(s, wednesday, bad)
			w.at(s, wednesday.Add(2*time.Hour), warmer)
			w.change(s, long, endNow)
			require.Equal(t, []string{alert.EventRaised}, w.messages("chat"))
			w.change(s, short, endNow)
			require.Equal(t, []string{alert.EventRaised, name}, w.messages("chat"))
			w.at(s, wednesday.Add(5*time.Hour+time.Minute), warmer)
			require.Len(t, w.messages("chat"), 2)
		})
	}
}

// What is critical and was held is told when it is to be told all the same.
func TestPlannedSuppressionThatLetsThroughWhatIsCritical(t *testing.T) {
	t.Parallel()
	w, s := slabAndChat(t)
	p := w.suppress(-time.Minute, 60*time.Hour)
	all := func(p *db.Suppression, _ time.Time) { p.CriticalToo = true }
	w.change(s, p, all)
	w.at(s, wednesday, bad)
	w.at(s, wednesday.Add(38*time.Hour+time.Minute), bad)
	require.Equal(t, "critical", w.alerts()[0].Severity)
	require.Empty(t, w.messages("chat"))
	all(&p, wednesday)
	p.Version++
	w.change(s, p, func(p *db.Suppression, _ time.Time) { p.CriticalToo = false })
	require.Equal(t, []string{alert.EventUnsuppressed}, w.messages("chat"))
	require.Equal(t, "critical", w.severityOf(alert.EventUnsuppressed))
	w.at(s, wednesday.Add(38*time.Hour+2*time.Minute), bad)
	require.Len(t, w.messages("chat"), 1)
}
