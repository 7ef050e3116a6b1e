package board_test

import (
	"testing"

	"frostgate/api/access"
	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// The plants' page tells what the assessments order: the concrete truck by truck, the heated water and the accelerators.
func TestPlantsTellTheDemand(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsSI).stock()
	stored, err := w.db.LatestAssessment(t.Context(), everything, w.pours["protect"].ID)
	require.NoError(t, err)
	a, err := stored.Decode()
	require.NoError(t, err)
	require.Greater(t, a.Batch.Trucks, 1)
	require.NotNil(t, a.Batch.HotWaterL)
	text, _, _ := texts(t, w.as(access.Viewer).get("/plants").body)
	require.Less(t, a.Batch.TruckSpacingMin*float64(a.Batch.Trucks-1), 60.0, "all in one hour")
	require.Contains(t, text, rules.UnitsSI.Liquid(*a.Batch.HotWaterL)+rules.UnitsSI.Mass(a.Batch.AcceleratorKg))
	require.Contains(t, text, "hot water ")
	require.Contains(t, text, " MJ)")
}
