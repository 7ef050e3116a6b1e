package alert_test

import (
	"testing"
	"time"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// A message tells what the one before it said otherwise, and leaves out what is
// about the same.
func TestCompare(t *testing.T) {
	t.Parallel()
	told := func(change func(*alert.Event)) *alert.Event {
		e := alert.Sample()
		p := 0.55
		first := alert.EventMoment{At: e.Pour.Starts.At.Add(10 * time.Hour), Local: "Fri 11:00 p.m."}
		e.Finding.Probability, e.Finding.First = &p, &first
		if change != nil {
			change(e)
		}
		return e
	}
	before := alert.ToldBy(told(nil))
	require.Nil(t, alert.Compare(alert.Told{}, told(nil)), "nothing was said before")
	require.Nil(t, alert.Compare(before, told(nil)))
	require.Nil(t, alert.Compare(before, told(func(e *alert.Event) {
		*e.Finding.Probability = 0.6
		e.Finding.First.At = e.Finding.First.At.Add(time.Hour)
	})), "about the same")

	require.Equal(t, []string{"The probability was 55 %", "Before, it was to begin on Fri 11:00 p.m."}, alert.Compare(before, told(func(e *alert.Event) {
		*e.Finding.Probability = 0.9
		e.Finding.First.At = e.Finding.First.At.Add(-3 * time.Hour)
	})).Said)
	other := alert.Compare(before, told(func(e *alert.Event) { e.Finding.Rule, *e.Finding.Probability = "finish.after_dusk", 0.9 }))
	require.Equal(t, []string{"The reason before: Frozen base"}, other.Said)
	require.Equal(t, "ground.frozen", other.Rule)
	require.Nil(t, other.Probability, "numbers of another rule compare with nothing")
	require.Equal(t, []string{"The verdict was move", "The start was Fri Jan 15, 13:00"}, alert.Compare(before, told(func(e *alert.Event) {
		e.Verdict = "protect"
		e.Pour.Starts.At = e.Pour.Starts.At.Add(24 * time.Hour)
	})).Said)

	e := told(func(e *alert.Event) { *e.Finding.Probability = 0.9 })
	e.Type, e.Reason, e.Since = alert.EventChanged, alert.ReasonSeverity, "Thu Jan 14, 5:00 p.m."
	e.Before = alert.Compare(before, e)
	e.Compose()
	require.Contains(t, e.Text, "More urgent now. It has been so since Thu Jan 14, 5:00 p.m. The probability was 55 %. The base will be frozen at the start. Probability of that: 90 %.")
}
