package rules

import (
	"testing"
	"time"

	"frostgate/rules/physics/slab"

	"github.com/stretchr/testify/require"
)

// TestLongStepsAndFewCellsCostNothing compares what is saved on, long steps after
// a day and a half and few cells long before the start, with runs that do not.
func TestLongStepsAndFewCellsCostNothing(t *testing.T) {
	t.Run("steps", func(t *testing.T) {
		saved := usual
		defer func() { usual = saved }()
		for _, c := range []Case{demoCase(), with(demoCase(), noAccelerator), with(demoCase(), bare)} {
			usual = saved
			a := Assess(c, Options{})
			usual = slab.Usual
			b := Assess(c, Options{})
			require.InEpsilon(t, hoursAfter(b.Timeline.CriticalStrengthAt), hoursAfter(a.Timeline.CriticalStrengthAt), 0.002)
			for i := range a.Temperatures {
				require.InDelta(t, b.Temperatures[i].TopC, a.Temperatures[i].TopC, 0.25, "hour %d", i)
				require.InDelta(t, b.Temperatures[i].MeanC, a.Temperatures[i].MeanC, 0.15, "hour %d", i)
			}
		}
	})
	t.Run("cells", func(t *testing.T) {
		y := typicalYears[0]
		all := typicalWinter(t, y.file, y.offset)
		for _, day := range []int{45, 80, 110, 150} {
			c := winterPour(y.site, all[24*day].At)
			c.Weather = all[24*(day-40) : 24*(day+5)]
			j, reason := newJob(c, Options{})
			require.Empty(t, reason)
			j.batch = j.order(c.Pour.StartsAt)
			require.NoError(t, j.runGround())
			begin := c.Pour.StartsAt.Add(-40 * 24 * time.Hour)
			start, err := j.base.model.FromProfile(sampled(groundGuess(j.c.year(), &j.wx, begin)))
			require.NoError(t, err)
			var s slab.Solver
			full, err := s.RunGround(slab.GroundRun{
				Ground: j.base.model, Site: j.c.slabSite(), FromH: j.wx.clock(begin), ToH: j.wx.clock(j.wx.until()),
				Lanes: []slab.GroundLane{{Forcing: j.base.forcing, Start: start, SnowUntilH: slab.Forever}},
			})
			require.NoError(t, err)
			for h := range 5 * 24 {
				at := j.wx.clock(c.Pour.StartsAt) + float64(h)
				a, b := j.base.track.At(at), full[0].At(at)
				require.InDelta(t, b.SurfaceC, a.SurfaceC, 0.25, "day %d hour %d", day, h)
				require.Equal(t, j.stateOf(&b) == baseFrozen, j.stateOf(&a) == baseFrozen, "day %d hour %d: %+v %+v", day, h, b, a)
			}
		}
	})
}

// TestGroundGuessFitsKnownPlaces compares the estimate of the yearly mean with
// published annual mean air temperatures (from memory): within 2.5 C.
func TestGroundGuessFitsKnownPlaces(t *testing.T) {
	for name, p := range map[string]struct {
		site  Site
		meanC float64
	}{
		"Chicago":     {Site{Latitude: 41.98, Longitude: -87.9, ElevationM: 201}, 9.8},
		"Minneapolis": {Site{Latitude: 44.9, Longitude: -93.2, ElevationM: 265}, 7.9},
		"Fairbanks":   {Site{Latitude: 64.8, Longitude: -147.9, ElevationM: 138}, -2.3},
		"Boston":      {Site{Latitude: 42.4, Longitude: -71, ElevationM: 6}, 10.9},
		"Denver":      {Site{Latitude: 39.8, Longitude: -104.7, ElevationM: 1655}, 10.3},
		"Oslo":        {Site{Latitude: 59.9, Longitude: 10.7, ElevationM: 94}, 6.3},
		"Moscow":      {Site{Latitude: 55.8, Longitude: 37.6, ElevationM: 156}, 5.8},
		"Warsaw":      {Site{Latitude: 52.2, Longitude: 21, ElevationM: 106}, 8.5},
	} {
		require.InDelta(t, p.meanC, undisturbed(&p.site).MeanC-groundOverAirC, 2.5, name)
	}
}
