package rules

import (
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// winterCase draws a pour of a winter from a seed: any element, code, mix, plant and
// plan, drifting air, ten days of weather before it.
func winterCase(seed uint64) Case {
	r := rand.New(rand.NewPCG(seed, 11))
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	one := func(of ...float64) float64 { return of[r.IntN(len(of))] }
	in := func(n int) bool { return r.IntN(n) == 0 }
	start := time.Date(2025, 11, 1+r.IntN(120), 11+r.IntN(9), 15*r.IntN(4), 0, 0, time.UTC)
	c := winterPour(Site{Latitude: between(36, 62), Longitude: -90, Timezone: "America/Chicago"}, start)
	c.Site.Terrain = []Terrain{"", TerrainBuilt, TerrainSheltered}[r.IntN(3)]
	c.Site.Code = []Code{CodeUS, CodeUS, CodeCSA, CodeEN, CodeDIN}[r.IntN(5)]
	c.Firm.Units = []Units{UnitsUS, UnitsSI}[r.IntN(2)]
	c.AssessedAt = start.Add(-hours(between(4, 60)).Truncate(time.Hour))
	p := &c.Pour
	p.Element = []Element{SlabOnGround, SlabOnGround, SlabOnGround, Footing, Wall}[r.IntN(5)]
	p.ThicknessMM, p.WidthMM, p.HeightMM, p.LengthMM = one(75, 100, 127, 200, 300, 600), 600, 2400, 12000
	p.ServiceCategory, p.AtHand, p.Crew.Lights = 1+r.IntN(4), nil, in(2)
	p.Exposure = []Exposure{"", ExposureC0, ExposureC1, ExposureC2}[r.IntN(4)]
	p.Mix.CementType = []string{"I", "I/II", "II", "III"}[r.IntN(4)]
	p.Mix.Admixtures = [][]Admixture{nil, nil, {{Kind: nonchloride, DosePct: between(.5, 2.6)}}, {{Kind: calciumChloride, DosePct: between(.5, 2.5)}}}[r.IntN(4)]
	p.Plant.AcceleratorOK = new(!in(4))
	for range r.IntN(3) {
		p.AtHand = append(p.AtHand, Cover{RM2KW: between(.2, 1.5)})
	}
	if in(2) {
		p.PlacedTempC = new(between(6, 26))
	}
	if in(3) {
		p.Protection = []Protection{{RM2KW: between(.2, 1.5), OnAt: start.Add(hours(between(1, 24)))}}
		if off := p.Protection[0].OnAt.Add(hours(between(6, 100))); in(2) {
			p.Protection[0].OffAt = &off
		}
	}
	mean, swing, drift, wind := between(-8, 12), between(1, 8), between(-.05, .05), between(.5, 9)
	for i := range 240 + 40 + r.IntN(150) {
		at := start.Truncate(time.Hour).Add(hours(float64(i - 240)))
		airC := mean + drift*float64(i-240) + swing*math.Sin(2*math.Pi*float64(at.Hour()-15)/24)
		c.Weather = append(c.Weather, Hour{
			At: at, AirTempC: &airC, DewPointC: new(airC - between(1, 8)), WindMS: &wind, GustMS: new(1.6 * wind), Cloud: new(r.Float64()), PrecipMM: new(0.0), SnowDepthM: new(0.0),
		})
	}
	return c
}

// carriedOut is the case with all that an assessment asks for done at once.
func carriedOut(c Case, a *Assessment) Case {
	c = onOrder(c, a)
	for i := range a.Findings {
		if r := a.Findings[i].Remedy; r != nil && r.AtHand && r.Passes && r.DosePct == nil {
			if slices.Contains([]string{"cover_ground", "heat_ground", "lights", "windbreak"}, r.Kind) {
				c = applied(c, r)
			}
		}
	}
	p := &c.Pour
	p.Protection = slices.Clone(p.Protection)
	on := time.Time{}
	if f := found(a, "finish.blankets_early"); f != nil && f.Remedy != nil {
		on = *f.Remedy.By
		for _, step := range f.Remedy.Steps {
			on = *step.By
		}
	}
	p.Protection, _ = laidFrom(p.Protection, on)
	plan := a.Protection
	if plan == nil {
		return c
	}
	lies := 0.0
	for i := range p.Protection {
		lies += p.Protection[i].RM2KW
		p.Protection[i].OffAt = plan.OffAt
	}
	if more := plan.RM2KW - lies; more > 1e-9 {
		p.Protection = append(p.Protection, Protection{RM2KW: more, OnAt: *plan.OnAt, OffAt: plan.OffAt})
	} else {
		p.Protection[0].OnAt = *plan.OnAt
	}
	return c
}

// clumsy is what no sentence may hold.
var clumsy = regexp.MustCompile(`\.\.|NaN|Inf|-0 |%!|\b1 (hours|minutes|days|layers)\b|\b0 (hours|minutes)|  |0001|nil`)

// TestAllRemediesTogetherPass feeds what is asked for back as input, all at once: a
// pour to be placed or protected stays one, and nothing then asks to move it; the
// temperatures given for it are those it comes to.
func TestAllRemediesTogetherPass(t *testing.T) {
	t.Parallel()
	seen := map[Verdict]int{}
	for seed := range uint64(100) {
		c := winterCase(seed)
		require.Empty(t, Validate(c))
		a := Assess(c, Options{Members: 11, Seed: 1})
		seen[a.Verdict]++
		require.Empty(t, clumsy.FindString(a.Headline), a.Headline)
		for _, f := range a.Findings {
			require.Empty(t, clumsy.FindString(f.Sentence), f.Sentence)
			if f.Remedy != nil {
				require.Empty(t, clumsy.FindString(f.Remedy.Sentence), f.Remedy.Sentence)
			}
		}
		if a.Verdict != Protect {
			continue
		}
		b := Assess(carriedOut(c, &a), Options{})
		require.Contains(t, []Verdict{Place, Protect}, b.Verdict, "seed %d\n%s\n%s", seed, a.Headline, b.Headline)
		for _, f := range b.Findings {
			require.NotEqual(t, EffectMove, f.Effect, "seed %d %s\n%s", seed, f.Sentence, a.Headline)
		}
		sameHours(t, seed, &a, &b)
	}
	require.Positive(t, seen[Place]*seen[Protect]*seen[Move], "%v", seen)
	t.Log(seen)
}

// sameHours checks that the run people act by is what comes of it, until blankets
// come off. Ground covered before the start is run again from further back: half a
// degree.
func sameHours(t *testing.T, seed uint64, a, b *Assessment) {
	t.Helper()
	said := a.Temperatures
	if a.Protected != nil {
		said = a.Protected.Temperatures
	}
	for i := range min(len(said), len(b.Temperatures)) {
		if a.Protection != nil && a.Protection.OffAt != nil && said[i].At.After(*a.Protection.OffAt) {
			return
		}
		require.InDelta(t, said[i].MeanC, b.Temperatures[i].MeanC, 0.5, "seed %d hour %d\n%s", seed, i, a.Headline)
	}
}
