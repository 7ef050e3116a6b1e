package rules

import (
	"fmt"
	"math"
	"time"
)

// Engine names the version of the engine in every assessment; it changes when
// the same case may come out differently.
const Engine = "1.5"

// A rule judges one thing about a job.
type rule struct {
	id, title string
	judge     func(*job) []Finding
	here      bool // only of the planned start: notes that do not tell starts apart
}

// ruleTable holds every rule in the order the answer lists them.
var ruleTable = []rule{
	{"weather.stale", "Forecast too old", (*job).weatherStale, true},
	{"weather.warning", "Official warning", (*job).weatherWarning, false},
	{"season.cold_weather", "Cold weather", (*job).seasonColdWeather, true},
	{"local.rule", "Local rule", (*job).localRules, false},
	{"ground.frozen", "Frozen base", (*job).groundFrozen, false},
	{"ground.cold", "Cold base", (*job).groundCold, false},
	{"batch.water_too_hot", "Mixing water too hot", (*job).batchWaterTooHot, false},
	{"batch.placing_temp_low", "Concrete too cold at placing", (*job).batchPlacingTempLow, false},
	{"batch.placing_temp_high", "Concrete too warm at placing", (*job).batchPlacingTempHigh, false},
	{"batch.chloride_limit", "Too much chloride", (*job).batchChlorideLimit, true},
	{"haul.discharge_time", "Discharge too late", (*job).haulDischargeTime, true},
	{"slab.freezes_early", "Freezes too early", (*job).freezesEarly, false},
	{"slab.below_maintain_temp", "Colder than it should be kept", (*job).belowMaintain, false},
	{"slab.thermal_shock", "Cools too fast", (*job).thermalShock, true},
	{"protection.not_required", "Protection not required", (*job).protectionNotRequired, true},
	{"forms.strip", "Forms off", (*job).formsStrip, true},
	{"finish.after_dusk", "Finishing after dusk", (*job).afterDusk, false},
	{"finish.after_hours", "Finishing after hours", (*job).afterHours, false},
	{"finish.blankets_early", "Blankets before finishing ends", (*job).blanketsEarly, true},
	{"surface.evaporation", "Surface dries too fast", (*job).surfaceEvaporation, false},
	{"surface.rain", "Rain on fresh concrete", (*job).surfaceRain, false},
	{"surface.snow", "Snow on fresh concrete", (*job).surfaceSnow, false},
	{"wind.blankets", "Wind under the blankets", (*job).windBlankets, false},
	{"saw.next_day", "Sawing after hours", (*job).sawNextDay, true},
	{"crew.cold_stress", "Cold stress", (*job).crewColdStress, false},
}

// Title is the name of a rule as people read it; the id itself for one that is not known.
func Title(id string) string {
	for i := range ruleTable {
		if ruleTable[i].id == id {
			return ruleTable[i].title
		}
	}
	return id
}

// Assess computes what the ground and the concrete of a case will do and judges
// it. It is pure and never fails: a case that cannot be computed, or weather that
// does not reach far enough, gives the verdict Unscored with its reason.
func Assess(c Case, opt Options) Assessment {
	j, reason := newJob(c, opt)
	if reason != "" {
		return j.unscored(reason)
	}
	if err := j.compute(); err != nil {
		return j.unscored(err.Error())
	}
	findings, err := j.remedy(j.judge())
	if err != nil {
		return j.unscored(err.Error())
	}
	return j.answer(findings)
}

// newJob readies a case for computing. The reason is not empty when it cannot be.
func newJob(c Case, opt Options) (*job, string) {
	j := &job{opt: opt, light: map[int]twilight{}}
	j.c, j.assumed = c.withDefaults()
	j.limits, j.overrides = j.c.limits()
	zone, err := zoneOf(j.c.Site.Timezone)
	if err != nil {
		return j, fmt.Sprintf("the time zone %q is not known", j.c.Site.Timezone)
	}
	j.zone = zone
	wx, filled, reason := denseWeather(&j.c)
	j.wx = wx
	j.placeInTime()
	if reason != "" {
		if age, old := j.tooStale(); old {
			reason = j.oldForecast(age)
		}
		if len(wx.hours) > 0 {
			reason += fmt.Sprintf(": it covers %s to %s", j.say().day(wx.from), j.say().day(wx.until()))
		}
		return j, reason
	}
	j.assumed = append(j.assumed, filled...)
	j.takeBlanketsSeen()
	return j, ""
}

// placeInTime settles from when the case is judged: a day before the start, or
// the first hour of the weather when that is later, where it is not given.
func (j *job) placeInTime() {
	if j.c.AssessedAt.IsZero() {
		j.c.AssessedAt = j.c.Pour.StartsAt.Add(-24 * time.Hour)
		if j.c.AssessedAt.Before(j.wx.from) {
			j.c.AssessedAt = j.wx.from
		}
	}
	if j.c.IssuedAt.IsZero() {
		j.c.IssuedAt = j.c.AssessedAt
	}
}

// compute runs everything the rules judge.
func (j *job) compute() error {
	j.batch = j.order(j.c.Pour.StartsAt)
	j.assumeBatch()
	if err := j.runGround(); err != nil {
		return err
	}
	j.ground = j.baseAtStart()
	if err := j.makeBaseFit(); err != nil {
		return err
	}
	j.ground.ThawHours = j.thawHours()
	var err error
	if j.plan, err = j.planned(); err != nil {
		return err
	}
	if err := j.fitObserved(); err != nil {
		return err
	}
	if err := j.followPlan(); err != nil {
		return err
	}
	return j.lookAround()
}

// followPlan runs the plan and what hangs on its run.
func (j *job) followPlan() (err error) {
	if j.run, err = j.follow(&j.plan, central); err != nil {
		return err
	}
	j.day = j.dayOf(&j.plan, &j.run)
	if err := j.planProtection(); err != nil {
		return err
	}
	if err := j.rollChance(); err != nil {
		return err
	}
	j.colder, err = j.ifColder()
	return err
}

// order is what the plant has to deliver for a start.
func (j *job) order(start time.Time) *Batch {
	haul := j.c.Pour.StartsAt.Sub(j.c.Pour.BatchedAt)
	b := j.c.orderBatch(j.limits, j.wx.at(start.Add(-haul)).airC, j.wx.meanAirC(start.Add(-24*time.Hour), start))
	return &b
}

// judge applies every rule. What is placed can no longer be moved, only
// protected.
func (j *job) judge() []Finding {
	findings := make([]Finding, 0, 8)
	for i := range ruleTable {
		if j.elsewhere && ruleTable[i].here {
			continue
		}
		for _, f := range ruleTable[i].judge(j) {
			if f.Rule == "" {
				f.Rule = ruleTable[i].id
			}
			if f.Title == "" {
				f.Title = ruleTable[i].title
			}
			if f.Effect == EffectMove && j.placed() {
				f.Effect = EffectProtect
			}
			f.Sentence = oneStop(f.Sentence)
			findings = append(findings, f)
		}
	}
	return findings
}

// finding begins a finding of a rule on a limit of the table.
func (j *job) finding(id string, effect Effect, limit string) Finding {
	f := Finding{Rule: id, Effect: effect}
	if limit != "" {
		f.Source = j.limits.source(limit)
	}
	return f
}

// tidy puts the times of a finding and its remedy as answers give them.
func (f *Finding) tidy() {
	f.FirstAt = tidied(f.FirstAt)
	if f.Remedy != nil {
		f.Remedy.tidy()
	}
}

func (r *Remedy) tidy() {
	r.Sentence = oneStop(r.Sentence)
	r.By, r.StartsAt = tidied(r.By), tidied(r.StartsAt)
	for i := range r.Steps {
		r.Steps[i].tidy()
	}
}

func tidied(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	return timeOrNil(*t)
}

// measure sets what was observed against the limit; margin is positive when the
// limit holds.
func (f *Finding) measure(unit string, observed, limit, margin float64) {
	f.Unit, f.Observed, f.Limit, f.Margin = unit, &observed, &limit, &margin
}

// answer puts the assessment together.
func (j *job) answer(findings []Finding) Assessment {
	a := j.blank()
	for i := range findings {
		findings[i].tidy()
	}
	a.Findings = findings
	a.Verdict, a.Unscored = j.verdict(findings)
	a.Headline = oneStop(j.headline(a.Verdict, a.Unscored, findings))
	a.Timeline = j.timeline(&j.day, &j.run)
	if j.c.Pour.Element != Wall {
		a.Ground = new(j.ground)
	}
	a.Batch = j.batch
	last := j.last()
	a.Protection, a.Protected = last.protectionPlan(), j.protected()
	a.WeatherBefore = j.weatherBefore()
	a.Temperatures, a.Strength = j.temperatures(&j.run), j.run.strengths()
	a.Evaporation = j.evaporation()
	if len(j.run.rows) > 0 {
		a.MinTempBeforeCriticalC = new(j.run.minBeforeC)
		if j.run.decided() {
			a.FreezesBeforeCritical = new(j.run.frozeEarly)
		}
	}
	a.Chance, a.IfColder = j.chance, last.colder
	a.Windows = j.windows()
	a.ColdWeather = j.coldWeather()
	a.Cautions = j.cautions()
	return a
}

// blank is what every assessment says, scored or not.
func (j *job) blank() Assessment {
	a := Assessment{
		Findings: []Finding{}, Temperatures: []TempRow{}, Strength: []StrengthRow{}, Cautions: []string{},
		Assumed: j.assumed, Overrides: j.overrides, Code: j.c.code(), CriticalMPa: j.limits.value("strength.critical_mpa"), Engine: Engine,
		Timeline: Timeline{StartsAt: whole(j.c.Pour.StartsAt)},
	}
	if a.Assumed == nil {
		a.Assumed = []Assumption{}
	}
	if len(j.wx.hours) > 0 {
		until := j.wx.until()
		a.WeatherUntil = &until
	}
	return a
}

// unscored is the answer of a case about which nothing can be said.
func (j *job) unscored(reason string) Assessment {
	a := j.blank()
	a.Verdict, a.Unscored = Unscored, reason
	a.Headline = oneStop("Not scored: " + reason + ".")
	return a
}

// timeline is the hours of a day on its run for the answer.
func (j *job) timeline(d *daylong, run *course) Timeline {
	s := &j.shield
	return Timeline{
		StartsAt:           whole(run.start),
		DischargeBy:        timeOrNil(d.dischargeBy),
		DischargeBestBy:    timeOrNil(d.dischargeBestBy),
		BleedEndsAt:        timeOrNil(d.bleedEnds),
		InitialSetAt:       timeOrNil(run.initialSet),
		FinalSetAt:         timeOrNil(run.finalSet),
		FinishingStartsAt:  timeOrNil(d.finishingStarts),
		FinishingEndsAt:    timeOrNil(d.finishingEnds),
		Passes:             d.passes,
		DuskAt:             timeOrNil(d.dusk),
		CriticalStrengthAt: timeOrNil(run.critical),
		SawcutFromAt:       timeOrNil(d.sawFrom),
		SawcutUntilAt:      timeOrNil(d.sawUntil),
		BlanketsOnBy:       timeOrNil(s.onBy),
		ProtectUntilAt:     timeOrNil(s.ends),
		UncoverFromAt:      timeOrNil(s.spare.off),
	}
}

// temperatures is a run by the hour, with the weather over it.
func (j *job) temperatures(run *course) []TempRow {
	rows := make([]TempRow, len(run.rows))
	for i := range run.rows {
		r := &run.rows[i]
		rows[i] = TempRow{
			At: r.at, AirC: milli(r.airC), TopC: milli(r.topC), MeanC: milli(r.meanC), BottomC: milli(r.bottomC), BaseC: milli(r.baseC),
		}
		k, _ := j.wx.index(r.at)
		rows[i].AirP10C, rows[i].AirP90C = j.airBand(k, r.airC)
		rows[i].PrecipMM, rows[i].SnowMM = j.wx.hours[k].fallen()
	}
	return rows
}

// weatherBefore is the weather of the day before placing, by the hour.
func (j *job) weatherBefore() []WeatherRow {
	start := j.c.Pour.StartsAt
	k, _ := j.wx.index(start.Add(-24 * time.Hour))
	var rows []WeatherRow
	for ; k < len(j.wx.hours) && j.wx.timeOf(k).Before(start); k++ {
		air := j.wx.hours[k].airC
		r := WeatherRow{At: j.wx.timeOf(k), AirC: milli(air)}
		r.AirP10C, r.AirP90C = j.airBand(k, air)
		r.PrecipMM, r.SnowMM = j.wx.hours[k].fallen()
		rows = append(rows, r)
	}
	return rows
}

// airBand is the 10 and 90 percent quantile of the air of hour k.
func (j *job) airBand(k int, airC float64) (p10, p90 *float64) {
	by := decile * j.wx.sdAt(k, j.c.AssessedAt).airC
	return new(milli(airC - by)), new(milli(airC + by))
}

// milli is a number of a row to three decimals, far below what the model knows:
// documents are kept by the thousand.
func milli(x float64) float64 {
	if x = math.Round(x * 1000); x == 0 {
		return 0 // and not -0
	}
	return x / 1000
}

// fallen is the precipitation of an hour and the part that is snow or ice, as
// water; nil where none was given.
func (h *wxHour) fallen() (precipMM, snowMM *float64) {
	if !h.precipKnown {
		return nil, nil
	}
	snow := 0.0
	if h.frozen() {
		snow = h.precipMM
	}
	return new(h.precipMM), &snow
}

func (c *course) strengths() []StrengthRow {
	rows := make([]StrengthRow, len(c.rows))
	for i := range c.rows {
		r := &c.rows[i]
		rows[i] = StrengthRow{At: r.at, ColdestMPa: milli(r.coldestMPa), MeanMPa: milli(r.meanMPa)}
	}
	return rows
}
