package rules

import (
	"fmt"
	"math"
	"sync"
	"time"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/slab"
)

// A bench is the room of the column solver and of what it answers.
type bench struct {
	slab.Solver
	results []slab.Result
}

// benches keeps benches between assessments; what is read from one is copied
// before it goes back.
var benches = sync.Pool{New: func() any { return new(bench) }}

func takeBench() *bench    { return benches.Get().(*bench) }
func (b *bench) giveBack() { benches.Put(b) }

// The strengths a run is asked for beyond the critical one, by place in
// slab.Element.TargetsMPa.
const (
	targetEarlySaw = iota
	targetSaw
	targetCritical // the firm's own, where it asks for more than the published one
	targetPeriod   // what the service category's period would give
	targets
)

// A pour is the concrete of a job as one run takes it; the central run and
// every trial of a remedy start from a copy of it.
type pour struct {
	start   time.Time
	placedC float64
	batched time.Time
	model   *concrete.Model
	covers  []slab.Cover // over the concrete, on the weather's clock
	factors slab.Factors // of the firm's own measurements on this pour
	nudges  []slab.Nudge // temperatures measured in the concrete
	ground  *slab.State  // at the start; nil as the ground will be
	foamMM  float64
}

// mixModel resolves the mix with extra admixtures and the firm's calibration.
func (c *Case) mixModel(extra ...Admixture) (*concrete.Model, error) {
	m := &c.Pour.Mix
	x := concrete.Mix{
		Cement:     concrete.CementType(m.CementType),
		CementKgM3: m.CementKgM3, FlyAshKgM3: m.FlyAshKgM3, SlagKgM3: m.SlagKgM3,
		WaterKgM3: m.WaterKgM3, AggregateKgM3: m.AggregateKgM3, StrengthMPa: m.StrengthMPa,
		Accelerator:    concrete.NoAccelerator,
		SetFactor:      c.Firm.Calibration.SetFactor,
		StrengthFactor: c.Firm.Calibration.StrengthFactor,
	}
	for _, list := range [][]Admixture{m.Admixtures, extra} {
		for _, a := range list {
			switch a.Kind {
			case "calcium_chloride":
				x.Accelerator = x.Accelerator.And(concrete.CalciumChloride(a.DosePct, concrete.Product(a.Product)))
			case "nonchloride_accelerator":
				x.Accelerator = x.Accelerator.And(concrete.NonChloride(a.DosePct))
			case "water_reducer":
				x.WaterReducerPct += a.DosePct
			}
		}
	}
	model, err := concrete.New(x)
	if err != nil {
		return nil, fmt.Errorf("resolve the mix: %w", err)
	}
	return model, nil
}

// planned is the pour as the case plans it.
func (j *job) planned() (pour, error) {
	model, err := j.c.mixModel()
	if err != nil {
		return pour{}, err
	}
	p := pour{
		start:   j.c.Pour.StartsAt,
		batched: j.c.Pour.BatchedAt,
		placedC: j.placedTempC(),
		model:   model,
		foamMM:  j.c.Pour.FoamMM,
		covers:  j.pourCovers(j.c.Pour.Protection),
		nudges:  j.measuredTemps(),
	}
	return p, nil
}

// placedTempC is the temperature of the concrete at placing: measured, planned
// or what the plant delivers.
func (j *job) placedTempC() float64 {
	var measured *Observation
	for i := range j.c.Pour.Observations {
		o := &j.c.Pour.Observations[i]
		if o.Kind == "concrete_temp" && (measured == nil || o.At.After(measured.At)) {
			measured = o
		}
	}
	switch {
	case measured != nil:
		return measured.Value
	case j.c.Pour.PlacedTempC != nil:
		return *j.c.Pour.PlacedTempC
	default:
		return j.batch.PlacedTempC
	}
}

// pourCovers is protection as covers on the weather's clock, with the windbreak.
func (j *job) pourCovers(list []Protection) []slab.Cover {
	covers := make([]slab.Cover, 0, len(list)+1)
	for _, p := range list {
		c := slab.Cover{Kind: slab.Blanket, FromH: j.wx.clock(p.OnAt), ToH: slab.Forever, RM2KW: p.RM2KW}
		if p.OffAt != nil {
			c.ToH = j.wx.clock(*p.OffAt)
		}
		covers = append(covers, c)
	}
	if j.c.Pour.WindbreakUp {
		covers = append(covers, slab.Cover{Kind: slab.Windbreak, FromH: 0, ToH: slab.Forever})
	}
	return covers
}

// element is the thing placed, as the slab model takes it.
func (j *job) element(p *pour, f fidelity) slab.Element {
	e := slab.Element{
		ThicknessM: j.c.Pour.ThicknessMM / 1000,
		WidthM:     j.c.Pour.WidthMM / 1000,
		FoamM:      p.foamMM / 1000,
		FormRM2KW:  value(j.c.Pour.FormRM2KW, 0),
		Model:      p.model,
		TargetsMPa: make([]float64, targets),
		GuardC:     p.model.FreezingPointC + j.limits.value("freeze.guard_c"),
	}
	switch j.c.Pour.Element {
	case Footing:
		e.Kind = slab.Footing
	case Wall:
		e.Kind = slab.Wall
	default:
		e.Kind = slab.Slab
	}
	e.TargetsMPa[targetEarlySaw] = j.limits.value("saw.early_mpa")
	e.TargetsMPa[targetSaw] = j.limits.value("saw.conventional_mpa")
	e.TargetsMPa[targetCritical] = j.limits.value("strength.critical_mpa")
	if period, _ := j.protectionPeriodH(); f.period && period > 0 {
		e.TargetsMPa[targetPeriod] = j.periodMPa(p.model, period)
	} else {
		e.TargetsMPa = e.TargetsMPa[:targetPeriod]
	}
	return e
}

// periodMPa is the strength that the published period at the published minimum
// temperature gives this mix, what time at a lower temperature has to make up.
func (j *job) periodMPa(m *concrete.Model, hours float64) float64 {
	minC, _ := j.maintainMinC()
	return m.StrengthMPa(hours * concrete.Arr(minC, m.StrengthQK))
}

// A fidelity is how fine a run is and what it keeps.
type fidelity struct {
	coarse bool // few cells and long steps: within 3 % on times and 1 C
	series bool // hourly rows
	whole  bool // goes on when all is known
	period bool // follows the concrete through its protection period
	guard  bool // ends when the concrete came near freezing early: it fails
}

var (
	central   = fidelity{series: true, whole: true, period: true}
	glance    = fidelity{coarse: true, series: true, period: true}
	peek      = fidelity{coarse: true, series: true, period: true, guard: true}
	ofMembers = fidelity{coarse: true}
	hourly    = fidelity{series: true}
	proof     = fidelity{} // whether and when, in the central run's cells
)

// horizonH is how long a run goes on at most.
func (f fidelity) horizonH(j *job) float64 {
	period, _ := j.protectionPeriodH()
	switch {
	case f.whole:
		return math.Max(shortestWholeH, period+coolingH)
	default:
		return math.Max(openH, period)
	}
}

const (
	// shortestWholeH is how long the central run goes on at least, where the weather
	// reaches; coolingH how long it goes on after the published period, which grows
	// in the cold; openH how long a run waits for the critical strength. CAL.
	shortestWholeH = 120
	coolingH       = 72
	openH          = 96
)

// lane is one run of p from a state of the ground.
func (j *job) lane(p *pour, ground slab.State) slab.Lane {
	return slab.Lane{
		Forcing: j.base.forcing, StartH: j.wx.clock(p.start), Ground: ground, Covers: p.covers,
		PlacedTempC: p.placedC, BatchedBeforeH: math.Max(0, p.start.Sub(p.batched).Hours()),
		Factors: p.factors, Nudges: p.nudges,
	}
}

// courses runs lanes of one element side by side and reads the course of each,
// which is that of the pour planned for it.
func (j *job) courses(lanes []slab.Lane, f fidelity, planned func(i int) *pour) ([]course, error) {
	b := takeBench()
	defer b.giveBack()
	results, err := b.RunPour(slab.PourRun{
		Element: j.element(planned(0), f), Ground: f.ground(j), Site: j.c.slabSite(), HoursH: f.horizonH(j),
		StopWhenKnown: !f.whole, StopOnGuard: f.guard && !j.ownCritical(), Series: f.series || j.ownCritical(), TempsOnly: f.coarse && !j.ownCritical(),
		Lanes: lanes, Into: b.results,
	})
	if err != nil {
		return nil, fmt.Errorf("run the concrete: %w", err)
	}
	b.results = results
	all := make([]course, len(results))
	for i := range results {
		all[i] = j.read(planned(i), &results[i])
	}
	return all, nil
}

// usual is the usual detail with longer steps once everything moves slowly. They
// change the hours of the reference pour by less than 0.2 % and temperatures by
// less than 0.25 C.
var usual = func() slab.Detail {
	d := slab.Usual
	d.Steps = []slab.Stride{{UntilH: 12, StepS: 300}, {UntilH: 36, StepS: 900}, {UntilH: slab.Forever, StepS: 1800}}
	return d
}()

// layOut is the ground of the case in a detail.
func (j *job) layOut(d slab.Detail) (*slab.Ground, error) {
	g, err := slab.NewGround(j.c.Pour.Base.layers(), d)
	if err != nil {
		return nil, fmt.Errorf("lay out the ground: %w", err)
	}
	return g, nil
}

// ground is the ground a run of this fidelity stands on.
func (f fidelity) ground(j *job) *slab.Ground {
	if f.coarse {
		return j.base.coarse
	}
	return j.base.model
}

// follow runs one pour and reads its course.
func (j *job) follow(p *pour, f fidelity) (course, error) {
	courses, err := j.followAll([]pour{*p}, f)
	if err != nil {
		return course{}, err
	}
	return courses[0], nil
}

// followAll runs pours of one mix side by side and reads their courses.
func (j *job) followAll(pours []pour, f fidelity) ([]course, error) {
	lanes := make([]slab.Lane, len(pours))
	for i := range pours {
		if g := pours[i].ground; g != nil {
			lanes[i] = j.lane(&pours[i], *g)
		} else {
			lanes[i] = j.lane(&pours[i], j.base.track.StateAt(j.wx.clock(pours[i].start)))
		}
	}
	return j.courses(lanes, f, func(i int) *pour { return &pours[i] })
}

// read is a result as a course, on the calendar.
func (j *job) read(p *pour, r *slab.Result) course {
	c := course{
		start: p.start, end: j.wx.time(r.EndH),
		initialSet: j.wx.time(r.Top.InitialH), finalSet: j.wx.time(r.Top.FinalH),
		critical: j.wx.time(r.CriticalH),
		sawEarly: j.wx.time(r.TargetTopH[targetEarlySaw]), sawUsual: j.wx.time(r.TargetTopH[targetSaw]),
		guarded:    j.wx.time(r.GuardH),
		minBeforeC: r.MinBeforeCriticalC, freezingC: p.model.FreezingPointC,
		frozeEarly: r.FrozeEarly, freezes: j.wx.time(r.FrozeH), frozenShare: r.FrozenShare,
		frozeMPa: r.FrozeStrengthMPa, frozeDepthM: r.FrozeDepthM,
	}
	if len(r.TargetH) > targetPeriod {
		c.specified = j.wx.time(r.TargetH[targetPeriod])
	}
	c.rows = make([]runRow, len(r.Hourly))
	for i := range r.Hourly {
		s := &r.Hourly[i]
		row := &c.rows[i]
		*row = runRow{
			at: j.wx.time(s.AtH), airC: s.AirC, skinC: s.SkinC, topC: s.TopC, meanC: s.MeanC, bottomC: s.BottomC,
			baseC: s.BaseC, coldestC: s.ColdestC, topMPa: s.TopMPa, coldestMPa: s.ColdestMPa, meanMPa: s.MeanMPa,
			evaporationKgM2H: s.EvaporationKgM2H,
		}
		row.covered, row.coverRM2KW = coveredAt(p.covers, s.AtH)
		if row.covered && c.coveredFrom.IsZero() {
			c.coveredFrom = row.at
		}
	}
	if j.ownCritical() {
		c.judgeAt(j.wx.time(r.TargetH[targetCritical]), j.guard())
	}
	return c
}

// ownCritical reports whether the code or the firm wants another than the usual
// published strength before the first freezing.
func (j *job) ownCritical() bool {
	return j.limits.value("strength.critical_mpa") != concrete.CriticalMPa
}

// judgeAt judges freezing before a critical strength of its own, by the hour.
func (c *course) judgeAt(critical time.Time, guardC float64) {
	c.critical = critical
	c.minBeforeC, c.frozeEarly, c.freezes, c.guarded = math.Inf(1), false, time.Time{}, time.Time{}
	c.frozenShare, c.frozeDepthM = 0, math.NaN()
	for i := range c.rows {
		r := &c.rows[i]
		if !critical.IsZero() && !r.at.Before(critical) {
			break
		}
		c.minBeforeC = math.Min(c.minBeforeC, r.coldestC)
		if c.guarded.IsZero() && r.coldestC < c.freezingC+guardC {
			c.guarded = r.at
		}
		if !c.frozeEarly && r.coldestC < c.freezingC {
			c.frozeEarly, c.freezes, c.frozeMPa = true, r.at, r.coldestMPa
		}
	}
}

// coveredAt says whether blankets lie at an hour and their label's resistance.
func coveredAt(covers []slab.Cover, atH float64) (bool, float64) {
	var r float64
	on := false
	for _, c := range covers {
		if c.Kind == slab.Blanket && atH >= c.FromH && atH < c.ToH {
			on = true
			r += c.RM2KW
		}
	}
	return on, r
}

// failsFreezing reports whether the concrete comes within the guard of its
// freezing point before it has the critical strength.
func (c *course) failsFreezing(guardC float64) bool {
	return c.frozeEarly || c.minBeforeC < c.freezingC+guardC
}

// decided reports whether the course covers the freezing decision: the critical
// strength is reached within the weather, or the concrete froze before.
func (c *course) decided() bool { return !c.critical.IsZero() || c.frozeEarly }

// rowAt is the row of the hour that t falls in.
func (c *course) rowAt(t time.Time) *runRow {
	i := int(t.Sub(c.start).Hours())
	return &c.rows[min(len(c.rows)-1, max(0, i))]
}
