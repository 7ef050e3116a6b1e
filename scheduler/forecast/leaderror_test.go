package forecast_test

import (
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/forecast"

	"github.com/stretchr/testify/require"
)

// Four errors of +2, -2, +2, -2 have no bias and a root mean square of 2; the
// same about +1 have that bias and sqrt(5).
func TestLeadErrorsAreSummed(t *testing.T) {
	even := forecast.LeadError{N: 4, Sum: 0, SumSq: 16}
	require.Zero(t, even.Bias())
	require.InDelta(t, 2, even.RMS(), 1e-12)
	warm := forecast.LeadError{N: 4, Sum: 4, SumSq: 20}
	require.InDelta(t, 1, warm.Bias(), 1e-12)
	require.InDelta(t, 2.2360679775, warm.RMS(), 1e-9)
}

func TestMeasuredErrorsWidenTheSpread(t *testing.T) {
	table := forecast.LeadTable{
		{Variable: "air_temp_c", LeadH: 12, N: 200, SumSq: 200 * 2.05 * 2.05},
		{Variable: "air_temp_c", LeadH: 24, N: 200, SumSq: 200 * 2.10 * 2.10},
		{Variable: "air_temp_c", LeadH: 48, N: 20, SumSq: 20 * 9},
	}
	issued := hour.Add(-2 * time.Hour)
	hours := make([]rules.Hour, 60)
	for k := range hours {
		hours[k] = rules.Hour{At: hour.Add(time.Duration(k-1) * time.Hour), AirTempSDC: new(1.0)}
	}
	hours[20].AirTempSDC, hours[21].AirTempSDC = new(3.5), nil
	table.Widen(hours, issued, hour)
	require.Equal(t, new(1.0), hours[0].AirTempSDC, "has passed")
	require.InDelta(t, 2.05, *hours[5].AirTempSDC, 1e-12, "6 h after the issue")
	require.InDelta(t, 2.10, *hours[15].AirTempSDC, 1e-12, "16 h after it")
	require.Equal(t, new(3.5), hours[20].AirTempSDC, "the source's own is wider")
	require.InDelta(t, 2.10, *hours[21].AirTempSDC, 1e-12)
	require.Equal(t, new(1.0), hours[40].AirTempSDC, "too little was compared so far ahead")
	require.Nil(t, hours[5].WindSDMS)
}
