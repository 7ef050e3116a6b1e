package board_test

import (
	"testing"

	"frostgate/api/access"
	"frostgate/db"
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

// What an assessment asks for of the order stands in the demand of the plant, in place of what was planned.
func TestThePlantsDemandIsThatOfTheOrderAskedFor(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsSI).stock()
	b := w.as(access.Viewer)
	require.NotContains(t, b.get("/plants").body, "987 kg")
	w.tx(func(tx *db.Tx) error {
		_, err := tx.PGX().Exec(t.Context(), `update assessments set document = jsonb_set(jsonb_set(document, '{protected}', coalesce(nullif(document->'protected', 'null'), '{}')),
			'{protected,batch}', jsonb_set(document->'batch', '{accelerator_kg}', '987')) where pour_id = $1`, w.pours["protect"].ID)
		return err
	})
	require.Contains(t, b.get("/plants").body, "987 kg")
}
