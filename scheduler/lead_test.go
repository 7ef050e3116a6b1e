package scheduler_test

import (
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/local"
	"frostgate/scheduler/forecast/nws"

	"github.com/stretchr/testify/require"
)

// The 10 and the 90 percent quantile of a normal distribution lie 1.2816 standard
// deviations from its middle.
const decile = 1.2816

// Forecasts that say a spread of 1.2 degrees and are off by 3 in truth: after a
// week of hours measured the pour is judged with 3, and not before.
func TestPastErrorsBecomeTheSpread(t *testing.T) {
	t.Parallel()
	f := newFaultRig(t)
	const off, said = 3.0, 1.2
	run := func() {
		near := place("Mill Road", 42, -88, 0)
		told := near.Hour
		near.Observed = func(at time.Time) forecast.Hour {
			h := told(at)
			sign := float64(1 - 2*(at.Unix()/3600%2))
			h.AirTempC = new(*h.AirTempC + sign*off)
			h.DewPointC = new(*h.DewPointC - off)
			return h
		}
		f.weather.SetPlaces(near, place("Far field", 43, -89, 0))
	}
	band := func() float64 { // of the air a day and a half ahead
		f.calm()
		start := f.clock.Now().Add(30 * time.Hour)
		_, err := f.db.Pool().Exec(t.Context(), "update pours set starts_at = $1::timestamptz, occupied_until = $1::timestamptz + interval '9 hours' where id = $2", start, f.slab.ID)
		require.NoError(t, err)
		a := f.verdictNow()
		require.NotEqual(t, rules.Unscored, a.Verdict)
		row := a.Temperatures[1]
		require.NotNil(t, row.AirP10C)
		return *row.AirP90C - *row.AirP10C
	}
	errorsAt := func(leadH int) forecast.LeadError {
		table, err := f.db.LeadErrorsOf(t.Context(), f.cell(local.Name).ID)
		require.NoError(t, err)
		for _, e := range table {
			if e.Variable == "air_temp_c" && e.LeadH == leadH {
				return forecast.LeadError{N: e.N, Sum: e.Sum, SumSq: e.SumSq}
			}
		}
		return forecast.LeadError{}
	}
	days := func(n int) {
		for range n * 8 {
			f.clock.Forward(3 * time.Hour)
			run()
			for _, source := range []string{local.Name, nws.StationsName} {
				f.due(source)
				require.NoError(t, f.s.PullNow(t.Context(), source))
			}
			require.NoError(t, f.s.Verify(t.Context()))
			_, err := f.db.Pool().Exec(t.Context(), "update pours set starts_at = starts_at + interval '3 hours', occupied_until = occupied_until + interval '3 hours'")
			require.NoError(t, err)
		}
	}
	days(4)
	early := errorsAt(36)
	require.Positive(t, early.N)
	require.Less(t, early.N, int64(168))
	require.InDelta(t, 2*decile*said, band(), 0.2, "the source's own word, for too little was compared")
	days(6)
	late := errorsAt(36)
	require.GreaterOrEqual(t, late.N, int64(168))
	require.InDelta(t, off, late.RMS(), 0.1)
	require.InDelta(t, 0, late.Bias(), 0.1)
	require.InDelta(t, 2*decile*off, band(), 0.4, "what it was off by")
}
