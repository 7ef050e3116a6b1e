package rules

import (
	"math"
	"sync"
	"testing"
	"time"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/sun"

	"github.com/stretchr/testify/require"
)

// The demonstration pour of the reference model (its section 12): 5 in slab on
// 6 in gravel at 33.5 F, placed at 68 F at 07:00, air 15 F to 30 F at 14:00, 10 F
// at 06:00, then between 28 F at 15:00 and 10 F at 06:00; latitude 42, day 20, half
// cloud, humidity 0.75, 3.6 m/s; type I/II, 2 % calcium chloride, R-4 at 16:00.
const (
	usR    = 0.17611 // m2K/W
	inchMM = 25.4
)

func celsius(f float64) float64    { return (f - 32) / 1.8 }
func fahrenheit(c float64) float64 { return c*1.8 + 32 }
func psiOf(mpa float64) float64    { return mpa * 145.0377 }

var demoStart = time.Date(2026, 1, 20, 13, 0, 0, 0, time.UTC) // 07:00 at 90 W

func demoAirF(h float64) float64 {
	switch {
	case h <= 7:
		return 15 + 15*h/7
	case h <= 23:
		return 30 - 20*(h-7)/16
	}
	d := math.Mod(h-23, 24)
	if d <= 9 {
		return 10 + 2*d
	}
	return 28 - 1.2*(d-9)
}

// demoSunlight is the sun's mean over each hour of the day of the demonstration,
// from 07:00 on.
var demoSunlight = sync.OnceValue(func() (mean [24]float64) {
	for i := range mean {
		for k := range 60 {
			cosZ := sun.SimpleCosZenith(42, 20, math.Mod(7+float64(i)+(float64(k)+.5)/60, 24))
			mean[i] += sun.CloudyWm2(sun.ClearSkyWm2(cosZ), .5) / 60
		}
	}
	return mean
})

// demoHours is the demonstration's weather, with addF on its air.
func demoHours(n int, addF float64) []Hour {
	hours := make([]Hour, n)
	for i := range hours {
		airC := celsius(demoAirF(float64(i)) + addF)
		sunlight := demoSunlight()[i%24]
		hours[i] = Hour{
			At: demoStart.Add(time.Duration(i) * time.Hour), AirTempC: &airC, DewPointC: new(air.DewPointC(airC, .75)),
			WindMS: new(3.6), Cloud: new(.5), ShortwaveWm2: &sunlight, PrecipMM: new(0.0), SnowDepthM: new(0.0),
		}
	}
	return hours
}

func demoCase() Case {
	return Case{
		Site: Site{Latitude: 42, Longitude: -90, ElevationM: 220, Timezone: "America/Chicago"},
		Pour: Pour{
			Element: SlabOnGround, ThicknessMM: 5 * inchMM, AreaM2: 70, StartsAt: demoStart,
			BatchedAt: demoStart.Add(-45 * time.Minute), PlacedTempC: new(20.0), Reinforced: true, Exposure: ExposureC0,
			Base: Base{Material: "gravel", DepthMM: 6 * inchMM, MoisturePct: 4, Subgrade: "silt_clay", Temps: []DepthTemp{
				{0, celsius(33.5)}, {6 * inchMM, celsius(34)}, {36 * inchMM, celsius(40)}, {120 * inchMM, celsius(48)},
			}},
			Crew: Crew{DayEndsAt: demoStart.Add(10 * time.Hour)},
			Mix: Mix{
				CementType: "I/II", CementKgM3: 332.2, WaterKgM3: 332.2 * .48, AggregateKgM3: 2340 - 332.2*1.48, StrengthMPa: 4000 / 145.0377,
				Admixtures: []Admixture{{Kind: "calcium_chloride", DosePct: 2}},
			},
			Protection: []Protection{{RM2KW: 4 * usR, OnAt: demoStart.Add(9 * time.Hour)}},
		},
		Weather: demoHours(150, 0),
		// The reference runs take blankets at their label and set at laboratory times.
		Firm: Firm{Calibration: Calibration{SetFactor: 1, BlanketEfficiency: 1}},
	}
}

// courseOf is the central run of a case as planned, without what an assessment
// looks for besides.
func courseOf(t testing.TB, c Case) course {
	t.Helper()
	j, reason := newJob(c, Options{})
	require.Empty(t, reason)
	j.batch = j.order(j.c.Pour.StartsAt)
	require.NoError(t, j.runGround())
	p, err := j.planned()
	require.NoError(t, err)
	run, err := j.follow(&p, central)
	require.NoError(t, err)
	return run
}

func with(c Case, change func(*Case)) Case {
	change(&c)
	return c
}

func bare(c *Case)          { c.Pour.Protection = nil }
func noAccelerator(c *Case) { c.Pour.Mix.Admixtures = nil }
func colderBy10F(c *Case)   { c.Weather = demoHours(150, -10) }
func hoursAfter(t *time.Time) float64 {
	if t == nil {
		return math.NaN()
	}
	return t.Sub(demoStart).Hours()
}
