package rules

import (
	"math"
	"slices"
	"strings"
	"time"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/slab"
)

// evaporation is the drying of the bare surface, hour by hour up to final set.
func (j *job) evaporation() []EvaporationRow { return j.run.drying() }

// drying is the drying of a run's bare surface, hour by hour up to final set.
func (c *course) drying() []EvaporationRow {
	var rows []EvaporationRow
	for i := range c.rows {
		r := &c.rows[i]
		if !c.finalSet.IsZero() && r.at.After(c.finalSet) {
			break
		}
		rows = append(rows, EvaporationRow{At: r.at, KgM2H: r.evaporationKgM2H})
	}
	return rows
}

// Bounds on a mix that bleeds little, by its water over cementitious materials.
// CAL; the published words are low-bleed and blended mixes, silica fume, overlays.
const (
	littleBleedWCM = 0.42
	hardlyBleedWCM = 0.36
)

// evaporationLimit is the limit for the mix.
func (m *Mix) evaporationLimit() string {
	cm := m.cementitiousKgM3()
	switch wcm := m.WaterKgM3 / cm; {
	case wcm < hardlyBleedWCM:
		return "surface.evaporation_no_bleed_kg_m2h"
	case wcm < littleBleedWCM || cm > m.CementKgM3:
		return "surface.evaporation_low_bleed_kg_m2h"
	default:
		return "surface.evaporation_kg_m2h"
	}
}

// retarderShare is what an evaporation retarder lets through. CAL; makers claim a
// fifth in wind, and it has to be sprayed again after each pass.
const retarderShare = 0.4

// surfaceEvaporation judges drying of a floor before final set, when its surface
// cracks. Windbreak or retarder lift it; a cold day does not dry enough to move a
// pour for that alone.
func (j *job) surfaceEvaporation() []Finding {
	if j.c.Pour.Element != SlabOnGround {
		return nil
	}
	limitName := j.c.Pour.Mix.evaporationLimit()
	limit := j.limits.value(limitName)
	var first, worst *EvaporationRow
	hours := 0.0
	rows := j.evaporation()
	for i := range rows {
		r := &rows[i]
		if r.KgM2H <= limit {
			continue
		}
		hours++
		if first == nil {
			first = r
		}
		if worst == nil || r.KgM2H > worst.KgM2H {
			worst = r
		}
	}
	if first == nil {
		return nil
	}
	say := j.say()
	f := j.finding("surface.evaporation", EffectProtect, limitName)
	f.measure("kg/m2/h", worst.KgM2H, limit, limit-worst.KgM2H)
	f.FirstAt, f.LengthH = &first.At, hours
	f.Sentence = sentence("The surface dries at up to %s from %s for %s, over %s: it may crack before it sets.",
		say.units.Evaporation(worst.KgM2H), say.clock(first.At), say.hours(hours), say.units.Evaporation(limit))
	f.Remedy = j.againstDrying(worst, limit)
	return []Finding{f}
}

// againstDrying is a windbreak where that is enough, else an evaporation retarder.
func (j *job) againstDrying(worst *EvaporationRow, limit float64) *Remedy {
	wind := j.wx.at(worst.At).windMS * j.c.slabSite().WindFactor
	behind := worst.KgM2H * air.MenzelFromPressure(1, 0, air.ShelteredFactor*wind) / air.MenzelFromPressure(1, 0, wind)
	if !j.c.Pour.WindbreakUp && j.c.Site.Terrain != TerrainSheltered && behind <= limit {
		return j.windbreak(behind)
	}
	return j.retarder(worst.KgM2H, limit)
}

func (j *job) windbreak(behindKgM2H float64) *Remedy {
	return &Remedy{
		Kind: "windbreak", AtHand: true, Passes: true,
		Sentence: sentence("Set up windbreaks: the surface then dries at up to %s.", j.say().units.Evaporation(behindKgM2H)),
	}
}

func (j *job) retarder(worstKgM2H, limit float64) *Remedy {
	left := worstKgM2H * retarderShare
	return &Remedy{
		Kind: "evaporation_retarder", AtHand: true, Passes: left <= limit,
		Sentence: sentence("Spray an evaporation retarder after each pass: the surface then dries at up to about %s.", j.say().units.Evaporation(left)),
	}
}

// proveWindbreak runs the concrete behind a windbreak, where it stays warmer and
// dries more for that: what is then too much is left to a retarder.
func (j *job) proveWindbreak(f *Finding) error {
	if f.Remedy == nil || f.Remedy.Kind != "windbreak" {
		return nil
	}
	p := j.readied()
	p.covers = append(slices.Clone(p.covers), slab.Cover{Kind: slab.Windbreak, FromH: 0, ToH: slab.Forever})
	run, err := j.follow(&p, hourly)
	if err != nil {
		return err
	}
	behind := 0.0
	for _, r := range run.drying() {
		behind = math.Max(behind, r.KgM2H)
	}
	if f.Remedy = j.windbreak(behind); behind > *f.Limit {
		f.Remedy = j.retarder(*f.Observed, *f.Limit)
	}
	return nil
}

// A fall is precipitation on fresh concrete.
type fall struct {
	first     time.Time
	hours     float64
	mostMM    float64 // in an hour
	placingMM float64 // in an hour while placing
	icing     bool    // freezing rain while placing
	prob      float64 // highest chance; NaN when none was given
	likely    bool    // as likely as is acted on, in some hour
}

// snowBelowC is the air at which precipitation of unknown kind counts as snow.
// CAL.
const snowBelowC = 1.0

// frozen reports whether an hour's precipitation is snow or ice.
func (h *wxHour) frozen() bool {
	switch h.precipType {
	case "snow", "sleet", "ice_pellets":
		return true
	case "rain", "freezing_rain", "hail":
		return false
	default:
		return h.airC <= snowBelowC
	}
}

// fallOf gathers rain or snow of at least a trace from the start to final set, on
// concrete that is not covered.
func (j *job) fallOf(frozen bool, traceMM float64) fall {
	f := fall{prob: math.NaN()}
	acted := j.limits.value("surface.precip_prob")
	start, end := j.c.Pour.StartsAt, j.settingEnds()
	j.wx.each(start, end, func(at time.Time, h *wxHour) {
		if h.precipMM < traceMM || h.frozen() != frozen || j.coveredOn(at) {
			return
		}
		f.hours++
		if f.first.IsZero() {
			f.first = at
			if at.Before(start) {
				f.first = start
			}
		}
		f.mostMM = math.Max(f.mostMM, h.precipMM)
		if !math.IsNaN(h.precipProb) && !(f.prob >= h.precipProb) {
			f.prob = h.precipProb
		}
		if h.precipProb < acted {
			return
		}
		f.likely = true
		if at.Before(j.day.placingEnds) {
			f.placingMM = math.Max(f.placingMM, h.precipMM)
			f.icing = f.icing || h.precipType == "freezing_rain"
		}
	})
	return f
}

// longestSettingH stands in for final set where it is not reached.
const longestSettingH = 24

// settingEnds is final set of the surface, the last hour rain or snow harm it.
func (j *job) settingEnds() time.Time {
	if !j.run.finalSet.IsZero() {
		return j.run.finalSet
	}
	return j.c.Pour.StartsAt.Add(longestSettingH * time.Hour)
}

// coveredOn reports whether blankets lie on the concrete at a time.
func (j *job) coveredOn(at time.Time) bool {
	return len(j.run.rows) > 0 && !at.Before(j.run.start) && j.run.rowAt(at).covered
}

// surfaceRain judges rain before final set. Covers on site lift it, as long as it
// does not rain hard while placing, when no cover helps: that moves the pour, as
// does freezing rain.
func (j *job) surfaceRain() []Finding {
	r := j.fallOf(false, j.limits.value("surface.rain_mm"))
	if r.first.IsZero() {
		return nil
	}
	stop := j.limits.value("surface.rain_stop_mm")
	if r.placingMM >= stop || r.icing {
		f := j.fallFinding("surface.rain", EffectMove, "surface.rain_stop_mm", r)
		what := sentence("Rain of up to %s an hour", j.c.Firm.Units.Rain(r.placingMM))
		if r.icing {
			what = "Freezing rain"
		}
		f.Sentence = sentence("%s falls while placing, from %s.", what, j.say().clock(r.first))
		return []Finding{f}
	}
	f := j.fallFinding("surface.rain", EffectProtect, "surface.rain_mm", r)
	f.Sentence = j.fallSentence("Rain", r)
	return []Finding{f}
}

// surfaceSnow judges snow before final set like rain, and snow that lies on the
// base at the start, which has to be cleared.
func (j *job) surfaceSnow() []Finding {
	var found []Finding
	if f, lies := j.snowOnBase(); lies {
		found = append(found, f)
	}
	s := j.fallOf(true, j.limits.value("surface.snow_mm"))
	if s.first.IsZero() {
		return found
	}
	if s.placingMM >= j.limits.value("surface.snow_stop_mm") {
		f := j.fallFinding("surface.snow", EffectMove, "surface.snow_stop_mm", s)
		f.Sentence = sentence("Snow of up to %s of water an hour falls while placing, from %s.",
			j.c.Firm.Units.Rain(s.placingMM), j.say().clock(s.first))
		return append(found, f)
	}
	f := j.fallFinding("surface.snow", EffectProtect, "surface.snow_mm", s)
	f.Sentence = j.fallSentence("Snow", s)
	return append(found, f)
}

// fallFinding is the finding of a fall; one that is not likely is only noted.
func (j *job) fallFinding(id string, effect Effect, limit string, r fall) Finding {
	observed := r.mostMM
	if effect == EffectMove {
		observed = r.placingMM
	}
	if !r.likely {
		effect = Note
	}
	f := j.finding(id, effect, limit)
	f.measure("mm", observed, j.limits.value(limit), j.limits.value(limit)-observed)
	f.FirstAt, f.LengthH = &r.first, r.hours
	if !math.IsNaN(r.prob) {
		f.Probability = &r.prob
	}
	if effect == EffectMove {
		return f
	}
	f.Remedy = &Remedy{
		Kind: "cover_surface", By: &r.first, AtHand: true, Passes: true,
		Sentence: sentence("Have covers on site before starting and over the concrete by %s; uncover only the strip being worked.", j.say().clock(r.first)),
	}
	return f
}

func (j *job) fallSentence(what string, r fall) string {
	say := j.say()
	set := "before the surface has set"
	if !j.run.finalSet.IsZero() {
		set = "before the surface sets on " + say.clock(j.run.finalSet)
	}
	if !r.likely {
		return sentence("%s is possible from %s (%s), %s.", what, say.clock(r.first), say.percent(r.prob), set)
	}
	return sentence("%s from %s for %s, %s.", what, say.clock(r.first), say.hours(r.hours), set)
}

func (j *job) snowOnBase() (Finding, bool) {
	lies := 1000 * j.wx.at(j.c.Pour.StartsAt).snowM
	limit := j.limits.value("surface.snow_on_base_mm")
	if lies < limit || j.placed() {
		return Finding{}, false
	}
	f := j.finding("surface.snow", EffectProtect, "surface.snow_on_base_mm")
	f.measure("mm", lies, limit, limit-lies)
	f.FirstAt = &j.c.Pour.StartsAt
	f.Sentence = sentence("About %s of snow lies at the start.", j.c.Firm.Units.SnowDepth(lies))
	f.Remedy = &Remedy{
		Kind: "clear_snow", By: &j.c.Pour.StartsAt, AtHand: true, Passes: true,
		Sentence: "Clear base, forms and reinforcement of snow and ice before the first truck.",
	}
	return f, true
}

// windBlankets judges gusts against blankets, planned or chosen. In ordinary
// winter wind they are weighed down as a matter of course, which is a note; in a
// storm they leave unless battened, and the pour depends on them.
func (j *job) windBlankets() []Finding {
	run := j.toCome()
	weigh, batten := j.limits.value("wind.gust_note_ms"), j.limits.value("wind.gust_protect_ms")
	var first time.Time
	var hours, most float64
	for i := range run.rows {
		r := &run.rows[i]
		gust := j.wx.at(r.at).gustMS
		if !r.covered || gust < weigh {
			continue
		}
		if hours++; first.IsZero() {
			first = r.at
		}
		most = math.Max(most, gust)
	}
	if first.IsZero() {
		return nil
	}
	effect, limitName, limit, how := Note, "wind.gust_note_ms", weigh, "Weigh edges and laps of the blankets down."
	if most >= batten {
		effect, limitName, limit, how = EffectProtect, "wind.gust_protect_ms", batten, "Batten the blankets down under lumber or nets, edges and laps too."
	}
	say := j.say()
	f := j.finding("wind.blankets", effect, limitName)
	f.measure("m/s", most, limit, limit-most)
	f.FirstAt, f.LengthH = &first, hours
	f.Sentence = sentence("Gusts of up to %s reach the blankets from %s for %s.", say.speed(most), say.clock(first), say.hours(hours))
	f.Remedy = &Remedy{Kind: "weigh_blankets", By: &first, AtHand: true, Passes: true, Sentence: how}
	return []Finding{f}
}

// forecastAge is how old the forecast is at the time of judging.
func (j *job) forecastAge() time.Duration { return j.c.AssessedAt.Sub(j.c.IssuedAt) }

// tooStale reports whether the forecast is too old to rest a verdict on.
func (j *job) tooStale() (age time.Duration, yes bool) {
	age = j.forecastAge()
	return age, age.Hours() >= j.limits.value("weather.useless_h")
}

// oldForecast is the reason for which nothing rests on an old forecast.
func (j *job) oldForecast(age time.Duration) string {
	return "the forecast is " + Duration(age.Hours()) + " old"
}

// weatherStale notes an old forecast.
func (j *job) weatherStale() []Finding {
	age, limit := j.forecastAge().Hours(), j.limits.value("weather.stale_h")
	if age < limit {
		return nil
	}
	f := j.finding("weather.stale", Note, "weather.stale_h")
	f.measure("h", age, limit, limit-age)
	f.Sentence = sentence("The forecast is %s old; a newer one may say something else.", Duration(age))
	return []Finding{f}
}

// warnedBeforeH is how long before the start a warning already matters: trucks are
// on the road. CAL.
const warnedBeforeH = 2

// weatherWarning judges official warnings. One of the two gravest classes while
// concrete is placed and finished moves the pour: roads, power and people are
// beyond what the engine computes. Warnings of cold alone only note, unless
// extreme, since ground, concrete and crew are judged by the hour; so do the
// milder classes, and warnings that fall into the protection period.
func (j *job) weatherWarning() []Finding {
	start := j.c.Pour.StartsAt
	from := start.Add(-warnedBeforeH * time.Hour)
	workEnds := j.workEnds()
	periodH, _ := j.protectionPeriodH()
	periodEnds := start.Add(hours(periodH))
	var found []Finding
	if j.c.WarningsUnknown && !j.elsewhere {
		found = append(found, Finding{
			Rule: "weather.warning", Effect: Note, Source: practice("P-13", "what was not heard of is not known to be absent"),
			Sentence: "Official warnings are not known: the service that issues them does not answer. Listen to the local forecast.",
		})
	}
	for i := range j.c.Warnings {
		w := &j.c.Warnings[i]
		ends := w.EndsAt
		if ends.IsZero() {
			ends = periodEnds
		}
		if w.OnsetAt.After(periodEnds) || !ends.After(from) {
			continue
		}
		f := Finding{Rule: "weather.warning", Effect: Note, FirstAt: &w.OnsetAt, LengthH: ends.Sub(w.OnsetAt).Hours()}
		if w.moves() && w.OnsetAt.Before(workEnds) {
			f.Effect = EffectMove
		}
		issuer := w.Source
		if issuer == "" {
			issuer = "the weather service"
		}
		f.Source = Source{"warning", "official warning of " + issuer, standingRead}
		f.Sentence = j.warningSentence(w)
		found = append(found, f)
	}
	return found
}

// moves reports whether a warning is grave enough to move a pour.
func (w *Warning) moves() bool {
	event := strings.ToLower(w.Event)
	coldOnly := strings.Contains(event, "freeze") || strings.Contains(event, "frost") || strings.Contains(event, "cold") ||
		strings.Contains(event, "chill")
	switch strings.ToLower(w.Severity) {
	case "extreme":
		return true
	case "severe":
		return !coldOnly
	default:
		return false
	}
}

func (j *job) warningSentence(w *Warning) string {
	say := j.say()
	if w.EndsAt.IsZero() {
		return sentence("Official warning: %s, from %s.", w.Event, say.day(w.OnsetAt))
	}
	return sentence("Official warning: %s, from %s to %s.", w.Event, say.day(w.OnsetAt), say.day(w.EndsAt))
}

// workEnds is the end of finishing, or of the crew's day where that is not
// reached.
func (j *job) workEnds() time.Time {
	if !j.day.finishingEnds.IsZero() {
		return j.day.finishingEnds
	}
	return j.day.crewEnds
}

// bodyM is the height at which the crew meets the wind.
const bodyM = 1.5

// crewColdStress judges the work of the crew by the published schedule of spells
// and warm-up breaks, and warns of frostbite by wind chill. Only spells too short
// to finish concrete in move the pour.
func (j *job) crewColdStress() []Finding {
	var worst air.WorkSchedule
	worst.MaxWorkMin = math.Inf(1)
	chill := math.Inf(1)
	var worstAt, chillAt, first time.Time
	hours := 0.0
	limit := j.limits.value("crew.windchill_c")
	j.wx.each(j.c.Pour.StartsAt, j.workEnds(), func(at time.Time, h *wxHour) {
		work := air.Work(h.airC, j.c.windAtBody(h.windMS))
		if work.Cease {
			work.MaxWorkMin = 0
		}
		if work.MaxWorkMin < worst.MaxWorkMin {
			worst, worstAt = work, at
		}
		c := air.WindChillC(h.airC, h.windMS)
		if c < chill {
			chill, chillAt = c, at
		}
		if c < limit+0.5 || work.Breaks > 1 || work.Cease {
			if hours++; first.IsZero() {
				first = at
			}
		}
	})
	if first.IsZero() {
		return nil
	}
	say := j.say()
	if least := j.limits.value("crew.work_min"); worst.MaxWorkMin < least {
		f := j.finding("crew.cold_stress", EffectMove, "crew.work_min")
		f.measure("min", worst.MaxWorkMin, least, worst.MaxWorkMin-least)
		f.FirstAt, f.LengthH = &first, hours
		f.Sentence = sentence("Too cold to work: air of %s with wind of %s on %s leaves spells of %.0f minutes between warm-up breaks.",
			say.temp(j.wx.at(worstAt).airC), say.speed(j.wx.at(worstAt).windMS), say.clock(worstAt), worst.MaxWorkMin)
		if worst.Cease {
			f.Sentence = sentence("Too cold to work: in air of %s with wind of %s on %s outdoor work should cease.",
				say.temp(j.wx.at(worstAt).airC), say.speed(j.wx.at(worstAt).windMS), say.clock(worstAt))
		}
		return []Finding{f}
	}
	f := j.finding("crew.cold_stress", Note, "crew.windchill_c")
	f.measure("degC", chill, limit, chill-limit)
	f.FirstAt, f.LengthH = &first, hours
	f.Sentence = sentence("Wind chill falls to %s on %s%s.", say.temp(chill), say.clock(chillAt), frostbite(chill))
	f.Remedy = &Remedy{Kind: "warm_up_breaks", AtHand: true, Passes: true, Sentence: "Plan a warm shelter and dry clothes."}
	if worst.Breaks > 1 {
		f.Remedy.Sentence = sentence("Plan a warm shelter, dry clothes and spells of work of at most %.0f minutes.", worst.MaxWorkMin)
	}
	return []Finding{f}
}

// frostbite is how soon bare skin freezes, for a sentence.
func frostbite(chillC float64) string {
	switch air.FrostbiteMinutes(chillC) {
	case 10:
		return ": bare skin freezes in 10 to 30 minutes"
	case 5:
		return ": bare skin freezes in 5 to 10 minutes"
	case 2, 1:
		return ": bare skin freezes in less than 5 minutes"
	default:
		return ""
	}
}

// windAtBody is the wind the crew feels, from that at 10 m.
func (c *Case) windAtBody(windMS float64) float64 {
	switch c.Site.Terrain {
	case TerrainBuilt:
		return air.WindAtHeight(windMS, bodyM, air.RoughnessBuiltM)
	case TerrainSheltered:
		return air.ShelteredFactor * air.WindAtHeight(windMS, bodyM, air.RoughnessOpenM)
	default:
		return air.WindAtHeight(windMS, bodyM, air.RoughnessOpenM)
	}
}
