package board

import (
	"testing"
	"time"

	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// 1 Btu is 1,055.06 J and 1 sq ft is 0.09290304 m2 (NIST SP 811, 2008, appendix B).
func TestLargeNumbersHaveTheirThousandsApart(t *testing.T) {
	t.Parallel()
	us, si := newVoice(rules.UnitsUS, "UTC"), newVoice(rules.UnitsSI, "UTC")
	require.Equal(t, "1,212,000 Btu", us.heat(1212*1.05506))
	require.Equal(t, "31,000 Btu", us.heat(31*1.05506))
	require.Equal(t, "1279 MJ", si.heat(1279))
	require.Equal(t, "750 sq ft", us.area(750*.09290304))
	require.Equal(t, "1,950 sq ft", us.area(1950*.09290304))
	require.Equal(t, "181 m²", si.area(181))
}

func TestDefaultsAreSaidInTheUnitsOfTheFirm(t *testing.T) {
	t.Parallel()
	us, si := newVoice(rules.UnitsUS, "America/Chicago"), newVoice(rules.UnitsSI, "America/Chicago")
	require.Equal(t, fact{"Plant, water max", "160 °F. Hot water."}, assumedWords(us, "/pour/plant/water_max_c", 71.0, "hot water"))
	require.Equal(t, fact{"Plant, water max", "71 °C. Hot water."}, assumedWords(si, "/pour/plant/water_max_c", 71.0, "hot water"))
	require.Equal(t, fact{"Base, depth", "6 in. Usual."}, assumedWords(us, "/pour/base/depth_mm", 150.0, "usual"))
	require.Equal(t, fact{"Plant, haul", "45 minutes. Usual."}, assumedWords(us, "/pour/plant/haul_min", 45.0, "usual"))
	require.Equal(t, fact{"Batched at", "Thu Jan 14, 6:15 a.m. Straight."}, assumedWords(us, "/pour/batched_at", "2027-01-14T12:15:00Z", "straight"))
	require.Equal(t, fact{"Plant, accelerator", "yes. Most can."}, assumedWords(us, "/pour/plant/accelerator", true, "most can"))
	require.Equal(t, fact{"Base, subgrade", "silt clay. Wettest."}, assumedWords(si, "/pour/base/subgrade", "silt_clay", "wettest"))
}

// Names of marks that are close to each other keep apart, whatever their order.
func TestNamesOfMarksKeepApart(t *testing.T) {
	t.Parallel()
	start := time.Date(2027, 1, 14, 13, 0, 0, 0, time.UTC)
	for minutes := 0; minutes <= 600; minutes += 30 {
		c := newChart("t", "T", newVoice(rules.UnitsSI, "UTC"), start, start.Add(48*time.Hour), 300)
		for i, name := range []string{"Placing", "Dusk", "3.5 MPa", "Release"} {
			c.at("x", name, new(start.Add(2*time.Hour+time.Duration(i*minutes)*time.Minute)))
		}
		require.Len(t, c.Marks, 4)
		if minutes < 120 {
			continue // closer than a name is wide, two lines have no room for four
		}
		for i, m := range c.Marks {
			for _, other := range c.Marks[:i] {
				require.False(t, m.meets(other), "%s on %s at %d minutes", m.Text, other.Text, minutes)
			}
		}
	}
}
