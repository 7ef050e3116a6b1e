package alert_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

const (
	tick   = 10 * time.Minute
	length = 432 // ticks: three days
)

// noisy are series of evaluations that go to and fro: white noise, slow and fast
// telegraphs, square waves, a drift through the limit with noise on it, and a
// daily wave with noise.
func noisy(kind int, r *rand.Rand) []bool {
	series := make([]bool, length)
	state, period := false, 2+r.IntN(10)
	for i := range series {
		switch kind % 6 {
		case 0:
			series[i] = r.Float64() < 0.5
		case 1:
			state = state != (r.Float64() < 0.15)
			series[i] = state
		case 2:
			state = state != (r.Float64() < 0.4)
			series[i] = state
		case 3:
			series[i] = i/period%2 == 1
		case 4:
			series[i] = float64(i-length/2)/100+r.NormFloat64() > 0
		case 5:
			series[i] = float64((i%144)-72)/100+r.NormFloat64()*0.8 > 0
		}
	}
	return series
}

func naive(series []bool) (messages int) {
	before := false
	for _, bad := range series {
		if bad != before {
			messages++
		}
		before = bad
	}
	return messages
}

// The goals are at most a tenth of the messages of telling every change, over 240
// noisy series, and no condition that stays raised later than the raise delay and
// one evaluation.
func TestNoiseIsDampedAndNothingIsLate(t *testing.T) {
	for _, severity := range []alert.Severity{alert.Minor, alert.Major} {
		t.Run(string(severity), func(t *testing.T) {
			r := rand.New(rand.NewPCG(1, 2)) //nolint:gosec // reproducible
			told, all := 0, 0
			for n := range 240 {
				series := noisy(n, r)
				onset := r.IntN(length)
				stays := n%2 == 0 // from the onset on it is bad for good
				if stays {
					for i := onset; i < length; i++ {
						series[i] = true
					}
				}
				for i := 0; stays && i < 72; i++ {
					series = append(series, true)
				}
				all += naive(series)
				s := alert.State{Condition: alert.Cleared}
				heard := false // the last message said that it is raised, and not that it keeps changing
				for i, is := range series {
					d := alert.ForPours.Decide(s, alert.Judgement{
						At: start.Add(time.Duration(i) * tick), Known: true, Bad: is, Severity: severity, Cause: "a", Start: start,
					})
					s = d.State
					if d.Event != "" && !d.Quiet {
						told++
						heard = s.Condition.InForce() && !s.Chattering
					}
					late := time.Duration(i-onset)*tick > alert.ForPours.Raise.Time+tick
					if stays && late {
						require.True(t, s.Condition.InForce(), "series %d, tick %d: it has been bad since %d", n, i, onset)
						require.True(t, heard, "series %d, tick %d: nobody knows", n, i)
						require.False(t, s.Chattering, "series %d, tick %d: it is steady", n, i)
					}
				}
				if stays {
					require.Equal(t, alert.Raised, s.Condition)
				}
			}
			share := float64(told) / float64(all)
			t.Logf("%d messages of %d: %.1f %%", told, all, 100*share)
			require.LessOrEqual(t, share, 0.1)
		})
	}
}

// What gets critical is told while it chatters, once.
func TestCriticalIsToldWhileItChatters(t *testing.T) {
	var changes []time.Time
	for i := range 4 {
		changes = append(changes, start.Add(time.Duration(i-4)*tick))
	}
	s := alert.State{Condition: alert.Cleared, Chattering: true, Memory: alert.Memory{Peak: alert.Major, Start: start, Changes: changes, Loudest: alert.Major}}
	j := alert.Judgement{At: start, Known: true, Bad: true, Severity: alert.Major, Cause: "a", Start: start}
	d := alert.ForPours.Decide(s, j)
	require.Equal(t, alert.EventRaised, d.Event)
	require.True(t, d.Quiet, "kept, and not told")
	j.At, j.Severity = start.Add(tick), alert.Critical
	d = alert.ForPours.Decide(d.State, j)
	require.Equal(t, alert.EventChanged, d.Event)
	require.False(t, d.Quiet)
	again := d.State
	again.Condition = alert.Cleared
	j.At = start.Add(2 * tick)
	d = alert.ForPours.Decide(again, j)
	require.Equal(t, alert.EventRaised, d.Event)
	require.True(t, d.Quiet, "told already")
}

func TestDelays(t *testing.T) {
	decide := func(s alert.State, after time.Duration, bad bool, severity alert.Severity, p *float64) alert.Decision {
		return alert.ForPours.Decide(s, alert.Judgement{At: start.Add(after), Known: true, Bad: bad, Severity: severity, Cause: "a", Start: start, Probability: p})
	}
	calm := alert.State{Condition: alert.Cleared}

	// Raising again what is not urgent takes two evaluations and ten minutes, both.
	require.Equal(t, alert.EventRaised, decide(calm, 0, true, alert.Minor, nil).Event, "the first time it is at once")
	before := alert.State{Condition: alert.Cleared, Memory: alert.Memory{Changes: []time.Time{start.Add(-time.Hour), start.Add(-30 * time.Minute)}}}
	d := decide(before, 0, true, alert.Minor, nil)
	require.Equal(t, alert.Arming, d.State.Condition)
	require.Empty(t, d.Event)
	require.Equal(t, start.Add(10*time.Minute), d.WakeAt)
	require.Empty(t, decide(d.State, 9*time.Minute, true, alert.Minor, nil).Event)
	require.Equal(t, alert.EventRaised, decide(d.State, 10*time.Minute, true, alert.Minor, nil).Event)
	require.Equal(t, alert.EventRaised, decide(d.State, time.Minute, true, alert.Critical, nil).Event, "urgent meanwhile")
	over := decide(d.State, time.Minute, false, alert.Minor, nil)
	require.Equal(t, alert.Cleared, over.State.Condition)
	require.Empty(t, over.Event, "nobody was told that it began")
	require.Equal(t, alert.EventRaised, decide(calm, 0, true, alert.Major, nil).Event)

	// Separate limits: raised from 10 % on, held down to 5 %.
	require.Empty(t, decide(calm, 0, true, alert.Major, new(0.09)).Event)
	require.Equal(t, alert.Cleared, decide(calm, 0, true, alert.Major, new(0.09)).State.Condition)
	up := decide(calm, 0, true, alert.Major, new(0.1))
	require.Equal(t, alert.EventRaised, up.Event)
	require.Empty(t, decide(up.State, time.Hour, true, alert.Major, new(0.06)).Event)
	require.Equal(t, alert.EventCleared, decide(up.State, time.Hour, true, alert.Major, new(0.04)).Event)
	require.Equal(t, alert.EventRaised, decide(calm, 0, true, alert.Critical, new(0.01)).Event)

	// The second clear takes three evaluations and two hours.
	s := decide(up.State, time.Hour, false, alert.Major, nil).State
	s = decide(s, 70*time.Minute, true, alert.Major, nil).State
	for _, after := range []time.Duration{80, 90, 100, 190} {
		d = decide(s, after*time.Minute, false, alert.Major, nil)
		s = d.State
		require.Empty(t, d.Event)
		require.Equal(t, alert.Clearing, s.Condition)
	}
	require.Equal(t, start.Add(200*time.Minute), d.WakeAt)
	require.Equal(t, alert.Raised, decide(s, 195*time.Minute, true, alert.Major, nil).State.Condition, "back before it was over: no message")
	over = decide(s, 200*time.Minute, false, alert.Major, nil)
	require.Equal(t, alert.Cleared, over.State.Condition)
	require.Equal(t, alert.EventChattering, over.Event, "the fourth change within six hours")
	moved := alert.ForPours.Decide(s, alert.Judgement{At: start.Add(191 * time.Minute), Known: true, Start: start.Add(24 * time.Hour)})
	require.Equal(t, alert.EventCleared, moved.Event, "moved to a good day")
	gone := alert.ForPours.Decide(s, alert.Judgement{At: start.Add(191 * time.Minute), Gone: "cancelled"})
	require.Equal(t, alert.EventCleared, gone.Event)
}
