package board_test

import (
	"net/url"
	"testing"

	"frostgate/api/access"
	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// ACI 306R-88 4.1 has surfaces at about 35 °F; ACI 306R-88 and 306.1 let all protection off within 20 °F of the air.
func TestLimitsAreTightenedByFormAndLoosenedOnlyOnPurpose(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	require.Contains(t, b.get("/firm/limits").body, "35\u00a0°F")
	const path = "/firm/limits/ground.min_c"
	form := func() url.Values {
		return url.Values{"version": {versionField.FindStringSubmatch(b.get(path).body)[1]}, "override": {""}, "reason": {""}}
	}
	for value, says := range map[string]string{
		"": "is required", "warm": "must be a number", "33": "is looser than the published 35 °F, which takes override and a reason", "80": "must be between 32 and 59 °F",
	} {
		refused := b.post(path, with(form(), "value", value))
		require.Equal(t, 422, refused.status, value)
		require.Contains(t, fieldOf(t, refused.body, "value"), says)
	}
	bare := form()
	bare["override"] = []string{"", "on"}
	require.Contains(t, fieldOf(t, b.post(path, with(bare, "value", "33")).body, "reason"), "is required with an override")

	limits := func() []rules.LimitChange {
		firm, err := w.db.Firm(t.Context())
		require.NoError(t, err)
		return firm.Limits
	}
	require.Empty(t, limits())
	require.Equal(t, 303, b.post(path, with(form(), "value", "40")).status)
	require.Len(t, limits(), 1)
	require.InDelta(t, 40.0/9, limits()[0].Value, 1e-6) // 40 °F
	require.Contains(t, b.get("/firm/limits").body, "<b>40\u00a0°F</b>")
	stale := with(form(), "value", "41", "version", "1")
	require.Equal(t, 412, b.post(path, stale).status)

	require.Equal(t, 303, b.post("/firm/limits/removal.diff_c", with(form(), "value", "20")).status, "the published value itself is no loosening")
	on := form()
	on["override"] = []string{"", "on"}
	require.Equal(t, 303, b.post(path, with(on, "value", "33", "reason", "Engineer of record")).status)
	require.Len(t, limits(), 2)
	require.True(t, limits()[0].Override)
	require.Contains(t, b.get("/firm/limits").body, "past the published value: <bdi>Engineer of record</bdi>")
	require.Equal(t, 303, b.post(path, with(form(), "usual", "yes")).status)
	require.Len(t, limits(), 1)

	require.Equal(t, 404, b.get("/firm/limits/none.such").status)
	require.Equal(t, 200, w.as(access.Viewer).get("/firm/limits").status)
	require.Equal(t, 403, w.as(access.Viewer).get(path).status)
	require.Equal(t, 403, w.as(access.Field).post(path, form()).status)
}
