package board

import (
	"testing"

	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// The comma parts thousands in numbers of the United States (GPO Style Manual 2016, 12.14) and marks the decimals in much
// of the rest of the world, where either mark may stand (SI Brochure, 9th edition, 5.4.4).
func TestNumbersAreReadAsTheirReadersWriteThem(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text   string
		us, si float64
	}{
		{"5", 5, 5},
		{" 4.5 ", 4.5, 4.5},
		{".5", .5, .5},
		{"5.", 5, 5},
		{"-88.25", -88.25, -88.25},
		{"1250", 1250, 1250},
		{"1.250", 1.25, 1.25},
	} {
		for units, want := range map[rules.Units]float64{rules.UnitsUS: c.us, rules.UnitsSI: c.si} {
			got, wrong := number(c.text, units)
			require.Empty(t, wrong, "%q in %s", c.text, units)
			require.InDelta(t, want, got, 1e-12, "%q in %s", c.text, units)
		}
	}
	for text, want := range map[string]float64{"1,250": 1250, "1,250.5": 1250.5, "12,000,000": 12e6, "-1,250": -1250} {
		got, wrong := number(text, rules.UnitsUS)
		require.Empty(t, wrong, text)
		require.InDelta(t, want, got, 1e-9, text)
	}
	for text, want := range map[string]float64{"4,5": 4.5, "0,250": .25, "12,55": 12.55, "-88,2512": -88.2512, ",5": .5, "1234,567": 1234.567} {
		got, wrong := number(text, rules.UnitsSI)
		require.Empty(t, wrong, text)
		require.InDelta(t, want, got, 1e-9, text)
	}
	for _, text := range []string{"1,250", "12,000,000", "-1,250"} {
		_, wrong := number(text, rules.UnitsSI)
		require.Contains(t, wrong, "may mean a fraction or thousands", text)
	}
	for _, text := range []string{"12,5", "1,25", "1,2500", ",5", "1,250,5"} {
		_, wrong := number(text, rules.UnitsUS)
		require.Equal(t, "must be a number", wrong, text)
	}
	for _, units := range []rules.Units{rules.UnitsUS, rules.UnitsSI} {
		for _, text := range []string{"", "many", "1e3", "NaN", "Inf", "0x10", "1_000", "1 250", "1,250.5,5", "--1", "."} {
			_, wrong := number(text, units)
			require.Equal(t, "must be a number", wrong, "%q in %s", text, units)
		}
	}
}
