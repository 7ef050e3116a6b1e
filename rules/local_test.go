package rules

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// jobOf readies a job up to its order, without computing ground or concrete.
func jobOf(t testing.TB, c Case) *job {
	t.Helper()
	require.Empty(t, Validate(c))
	j, reason := newJob(c, Options{})
	require.Empty(t, reason)
	j.batch = j.order(j.c.Pour.StartsAt)
	j.run = course{start: j.c.Pour.StartsAt, end: j.wx.until()}
	j.day = j.dayOf(&pour{start: j.c.Pour.StartsAt, batched: j.c.Pour.BatchedAt}, &j.run)
	return j
}

// dryHours is air in degrees F by the hour from the start of the demonstration,
// calm, dry and half covered, with a day of the first value before it.
func dryHours(n int, airF func(h int) float64) []Hour {
	hours := make([]Hour, 0, n+24)
	for h := -24; h < n; h++ {
		airC := celsius(airF(max(0, h)))
		hours = append(hours, Hour{
			At: demoStart.Add(time.Duration(h) * time.Hour), AirTempC: &airC, DewPointC: new(airC - 4),
			WindMS: new(3.0), GustMS: new(5.0), Cloud: new(.5), PrecipMM: new(0.0), PrecipType: "none", SnowDepthM: new(0.0),
		})
	}
	return hours
}

func steady(airF float64) func(int) float64 { return func(int) float64 { return airF } }

// dipTo is steady air with one hour at another temperature.
func dipTo(airF, lowF float64, at int) func(int) float64 {
	return func(h int) float64 {
		if h == at {
			return lowF
		}
		return airF
	}
}

// under puts rules on the demonstration in other air.
func under(airF func(int) float64, rules ...LocalRule) Case {
	return with(demoCase(), func(c *Case) {
		c.Weather = dryHours(200, airF)
		c.Site.LocalRules = rules
	})
}

func broken(t *testing.T, c Case) []Finding {
	t.Helper()
	return jobOf(t, c).localRules()
}

// The rules of ten places, as their codes have it (Northlake IL 7-1A-3-1; Mingo
// Junction OH 909.08; Winnebago MN; Hamilton 12.04.360; New Palestine IN 56.14;
// Highland Hills OH 1361.06; Kirksville MO 6-125; Lawrenceburg IN; Ogden UT, APWA
// 03 30 10; Everett WA, project specification).
func rulesOf(name string) []LocalRule {
	f := func(deg float64) float64 { return celsius(deg) }
	const day = 24.0
	return map[string][]LocalRule{
		"Northlake": {
			{Name: "Northlake 7-1A-3-1", Kind: localAirNow, Value: f(45), Inclusive: true},
			{Name: "Northlake 7-1A-3-1", Kind: localAirForecast, Value: f(40), WithinH: 72},
		},
		"Mingo Junction": {{Name: "Mingo Junction 909.08", Kind: localAirForecast, Value: f(35), WithinH: 24}},
		"Winnebago": {
			{Name: "Winnebago", Kind: localFrostFree},
			{Name: "Winnebago", Kind: localAirForecast, Value: 0, WithinH: 72},
			{Name: "Winnebago", Kind: localProtectMinH, Value: 72},
		},
		"Hamilton":      {{Name: "Hamilton 12.04.360", Kind: localAirDay, Value: f(35)}},
		"New Palestine": {{Name: "New Palestine 56.14", Kind: localAirNow, Value: f(35)}},
		"Highland Hills": {
			{Name: "Highland Hills 1361.06", Kind: localPlacedMin, Value: f(50), WhenAirBelowC: new(f(40)), WithinH: 5 * day, Effect: EffectProtect},
			{Name: "Highland Hills 1361.06", Kind: localPlacedMax, Value: f(70), WhenAirBelowC: new(f(40)), WithinH: 5 * day, Effect: EffectProtect},
			{Name: "Highland Hills 1361.06", Kind: localDischarge, Value: 90},
			{Name: "Highland Hills 1361.06", Kind: localDischarge, Value: 60, WhenAirAboveC: new(f(70))},
		},
		"Kirksville": {
			{Name: "Kirksville 6-125", Kind: localPlacedMin, Value: f(50), WhenAirBelowC: new(f(40)), WithinH: day},
			{Name: "Kirksville 6-125", Kind: localPlacedMax, Value: f(80), WhenAirBelowC: new(f(40)), WithinH: day},
			{Name: "Kirksville 6-125", Kind: localCure, Value: f(50), WithinH: day},
			{Name: "Kirksville 6-125", Kind: localSlump, Value: 4 * inchMM},
			{Name: "Kirksville 6-125", Kind: localChloride, Value: 2},
		},
		"Lawrenceburg": {
			{Name: "Lawrenceburg", Kind: localFrostFree},
			{Name: "Lawrenceburg", Kind: localChloride, Value: 0, Effect: EffectProtect},
		},
		"Ogden": {
			{Name: "Ogden, APWA 03 30 10", Kind: localContact, Value: f(35)},
			{Name: "Ogden, APWA 03 30 10", Kind: localProtectUntil, Value: 90, WhenAirBelowC: new(0.0), WithinH: 14 * day},
			{Name: "Ogden, APWA 03 30 10", Kind: localCool, Value: 20 / 1.8, WithinH: 12},
		},
		"Everett": {
			{Name: "Everett", Kind: localPlacedMin, Value: f(50), WhenAirBelowC: new(f(40)), WithinH: 5 * day},
			{Name: "Everett", Kind: localPlacedMax, Value: f(80), WhenAirBelowC: new(f(40)), WithinH: 5 * day},
			{Name: "Everett", Kind: localCure, Value: f(50), WithinH: 5 * day, WhenAirBelowC: new(f(40))},
		},
	}[name]
}

// TestNorthlake: 46 F now and 39 F in 60 h is not allowed; 45 F now is not either,
// 46 F with 41 F to come is.
func TestNorthlake(t *testing.T) {
	f := broken(t, under(dipTo(46, 39, 60), rulesOf("Northlake")...))
	require.Len(t, f, 1)
	require.Equal(t, EffectMove, f[0].Effect)
	require.True(t, f[0].Local)
	require.Equal(t, "Northlake 7-1A-3-1", f[0].Source.Document)
	require.InDelta(t, 39, fahrenheit(*f[0].Observed), 1e-9)
	require.InDelta(t, 40, fahrenheit(*f[0].Limit), 1e-9)
	require.InDelta(t, -1/1.8, *f[0].Margin, 1e-9)
	require.Equal(t, demoStart.Add(60*time.Hour), f[0].FirstAt.UTC())
	require.Equal(t, "Northlake 7-1A-3-1: air falls to 39 °F within 3 days of the start, first on Thu 7:00 p.m.; below 40 °F nothing is placed.", f[0].Sentence)

	require.Empty(t, broken(t, under(dipTo(46, 41, 60), rulesOf("Northlake")...)))
	require.Empty(t, broken(t, under(dipTo(46, 39, 73), rulesOf("Northlake")...)), "73 h are beyond 72")
	now := broken(t, under(steady(45), rulesOf("Northlake")...))
	require.Len(t, now, 1)
	require.Contains(t, now[0].Sentence, "air is 45.0 °F at the start; at or below 45.0 °F nothing is placed.")
}

// TestMingoJunction: 34 F in 20 h is not allowed, in 30 h it is.
func TestMingoJunction(t *testing.T) {
	require.Len(t, broken(t, under(dipTo(45, 34, 20), rulesOf("Mingo Junction")...)), 1)
	require.Empty(t, broken(t, under(dipTo(45, 34, 30), rulesOf("Mingo Junction")...)))
}

// TestHighlandHillsLoads: at 68 F a truck has 90 min, at 75 F 60. The truck is out
// in 80 min: 45 on the road and 35 unloading.
func TestHighlandHillsLoads(t *testing.T) {
	truck := func(c *Case) { c.Pour.Plant.TruckM3, c.Pour.Crew.PlaceM3H = 7, 12 }
	require.Empty(t, broken(t, with(under(steady(68), rulesOf("Highland Hills")...), truck)))
	f := broken(t, with(under(steady(75), rulesOf("Highland Hills")...), truck))
	require.Len(t, f, 1)
	require.InDelta(t, 80, *f[0].Observed, 1e-9)
	require.InDelta(t, 60, *f[0].Limit, 1e-9)
	require.Equal(t, "smaller_loads", f[0].Remedy.Kind)
	require.True(t, f[0].Remedy.Passes)
}

// TestHighlandHillsConcrete: at or under 40 F now or in the five days of curing
// the concrete comes at 50 to 70 F.
func TestHighlandHillsConcrete(t *testing.T) {
	at := func(placedF float64) func(*Case) {
		return func(c *Case) { c.Pour.PlacedTempC = new(celsius(placedF)) }
	}
	cold := under(dipTo(50, 40, 100), rulesOf("Highland Hills")...)
	require.Empty(t, broken(t, with(cold, at(60))))
	low := broken(t, with(cold, at(48)))
	require.Len(t, low, 1)
	require.Equal(t, EffectProtect, low[0].Effect)
	require.Equal(t, "hotter_water", low[0].Remedy.Kind)
	require.Len(t, broken(t, with(cold, at(72))), 1)
	require.Empty(t, broken(t, with(under(dipTo(50, 41, 100), rulesOf("Highland Hills")...), at(48))))
}

// TestHamilton: any hour of the day or night under 35 F, midnight to midnight at
// the site: the day of the start runs from 7 h before it to 17 h after.
func TestHamilton(t *testing.T) {
	require.Len(t, broken(t, under(dipTo(50, 34, 16), rulesOf("Hamilton")...)), 1)
	require.Empty(t, broken(t, under(dipTo(50, 34, 18), rulesOf("Hamilton")...)))
	require.Empty(t, broken(t, under(dipTo(50, 35, 16), rulesOf("Hamilton")...)))
	early := under(steady(50), rulesOf("Hamilton")...)
	early.Weather[24-7].AirTempC = new(celsius(30)) // midnight before the start
	require.Len(t, broken(t, early), 1)
	early.Weather[24-7].AirTempC = new(celsius(50))
	early.Weather[24-8].AirTempC = new(celsius(30)) // an hour before that
	require.Empty(t, broken(t, early))
}

func TestWinnebago(t *testing.T) {
	c := with(under(steady(50), rulesOf("Winnebago")...), noAccelerator)
	j := jobOf(t, c)
	j.ground = Ground{State: baseFrozen, SurfaceC: -2}
	require.Len(t, j.localRules(), 1)
	j.ground = Ground{State: baseThawed, SurfaceC: 8}
	require.Empty(t, j.localRules())
	require.Len(t, broken(t, with(under(dipTo(50, 31, 70), rulesOf("Winnebago")...), noAccelerator)), 1)

	// 72 h are the three days of category 2 anyway; accelerated concrete has two.
	fast := with(c, func(c *Case) { c.Pour.Mix.CementType = "III" })
	hours, src := fast.periodH(0)
	require.Equal(t, 72.0, hours)
	require.Equal(t, "Winnebago", src.Document)
	notes := broken(t, fast)
	require.Len(t, notes, 1)
	require.Equal(t, Note, notes[0].Effect)
}

func TestNewPalestine(t *testing.T) {
	require.Empty(t, broken(t, under(steady(35), rulesOf("New Palestine")...)))
	require.Len(t, broken(t, under(steady(34.9), rulesOf("New Palestine")...)), 1)
}

func TestKirksville(t *testing.T) {
	c := under(steady(38), rulesOf("Kirksville")...)
	c.Pour.Mix.SlumpMM = 5 * inchMM
	c.Pour.Mix.Admixtures = []Admixture{{Kind: calciumChloride, DosePct: 2.5}}
	c.Pour.PlacedTempC = new(celsius(49))
	var kinds []string
	for _, f := range broken(t, c) {
		kinds = append(kinds, f.Unit)
	}
	require.Equal(t, []string{"degC", "mm", "%"}, kinds)
}

func TestLawrenceburgBarsCalciumChloride(t *testing.T) {
	f := broken(t, under(steady(45), rulesOf("Lawrenceburg")...))
	require.Len(t, f, 1)
	require.Equal(t, "nonchloride_accelerator", f[0].Remedy.Kind)
	require.Equal(t, "Order a non-chloride accelerator (2.64 % of product by mass of cement) instead.", f[0].Remedy.Sentence)
}

func TestOgden(t *testing.T) {
	j := jobOf(t, under(dipTo(45, 31, 100), rulesOf("Ogden")...))
	j.ground = Ground{State: baseNear, SurfaceC: celsius(34)}
	f := j.localRules()
	require.Len(t, f, 2)
	require.Equal(t, "Ogden, APWA 03 30 10: the base is 34 °F at the start and has to be 35 °F.", f[0].Sentence)
	require.Equal(t, "Ogden, APWA 03 30 10: protect until the concrete has 90 % of its specified strength, 3,600 psi.", f[1].Sentence)

	// 20 F in any 12 h once it is bare.
	for fallF, want := range map[float64]int{19: 0, 21: 1} {
		j.ground, j.c.Site.LocalRules = Ground{SurfaceC: 5}, rulesOf("Ogden")[2:]
		j.run.rows = nil
		for h := range 40 {
			top := 50.0
			if h > 20 {
				top = 50 - fallF/12*float64(min(12, h-20))
			}
			j.run.rows = append(j.run.rows, runRow{at: demoStart.Add(hours(float64(h))), topC: celsius(top), covered: h <= 20})
		}
		require.Len(t, j.localRules(), want)
	}
}

func TestEverett(t *testing.T) {
	j := jobOf(t, under(steady(39), rulesOf("Everett")...))
	for h := range 100 {
		j.run.rows = append(j.run.rows, runRow{at: demoStart.Add(hours(float64(h))), topC: celsius(55 - float64(h)/10)})
	}
	f := j.localRules()
	require.Len(t, f, 1)
	require.Contains(t, f[0].Sentence, "it has to be kept at 50 °F for 5 days.")
	require.Equal(t, demoStart.Add(51*time.Hour), f[0].FirstAt.UTC())
}

// TestOverlandPark counts recorded temperatures only (Overland Park KS): what is
// still to come does not make cold weather.
func TestOverlandPark(t *testing.T) {
	c := under(dipTo(50, 30, 20))
	c.AssessedAt = demoStart.Add(-10 * time.Hour)
	require.True(t, *jobOf(t, c).coldWeather().Protection)
	c.Site.LocalRules = []LocalRule{{Name: "Overland Park", Kind: localRecordedOnly}}
	require.False(t, *jobOf(t, c).coldWeather().Protection)
	c.AssessedAt = demoStart.Add(30 * time.Hour)
	require.True(t, *jobOf(t, c).coldWeather().Protection)
}

// TestLocalRulesOnlyAdd: with any rules of any place the other findings stay.
func TestLocalRulesOnlyAdd(t *testing.T) {
	without := Assess(demoCase(), Options{})
	for _, name := range []string{"Northlake", "Winnebago", "Highland Hills", "Kirksville", "Lawrenceburg", "Ogden", "Everett"} {
		c := demoCase()
		c.Site.LocalRules = rulesOf(name)
		a := Assess(c, Options{})
		var others []Finding
		for _, f := range a.Findings {
			if !f.Local {
				others = append(others, f)
			}
		}
		require.GreaterOrEqual(t, len(others), len(without.Findings), name)
		require.GreaterOrEqual(t, severity(a.Verdict), severity(without.Verdict), name)
	}
}

func severity(v Verdict) int { return map[Verdict]int{Place: 0, Protect: 1, Move: 2, Unscored: 3}[v] }

func TestLocalRulesAreChecked(t *testing.T) {
	s := Site{Latitude: 42, Longitude: -88, Timezone: "America/Chicago", LocalRules: []LocalRule{
		{Kind: "other"},
		{Name: "x", Kind: localAirForecast, Value: 90},
		{Name: "x", Kind: localFrostFree},
		{Name: "x", Kind: localAirNow, Value: 4, WithinH: -1, WhenAirBelowC: new(99.0), Effect: "stop"},
	}}
	require.Equal(t, []Violation{
		{"/local_rules/0/name", "is required"},
		{"/local_rules/0/kind", "must be air_now_min_c, air_forecast_min_c, air_day_min_c, contact_min_c, base_frost_free, placed_min_c, placed_max_c, discharge_max_min, slump_max_mm, calcium_chloride_max_pct, cure_min_c, cool_max_c, protect_min_h, protect_until_pct or recorded_only"},
		{"/local_rules/1/value", "must be between -30 and 20 °C"},
		{"/local_rules/1/within_h", "is required for this kind"},
		{"/local_rules/3/within_h", "must be between 0 and 336 h"},
		{"/local_rules/3/when_air_below_c", "must be between -50 and 50 °C"},
		{"/local_rules/3/effect", "must be note, protect or move"},
	}, s.Violations())
	require.Len(t, LocalRuleKinds(), 15)
}
