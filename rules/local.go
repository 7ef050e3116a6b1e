package rules

import (
	"math"
	"strings"
	"time"
)

// Kinds of local rules.
const (
	localAirNow       = "air_now_min_c"
	localAirForecast  = "air_forecast_min_c"
	localAirDay       = "air_day_min_c"
	localContact      = "contact_min_c"
	localFrostFree    = "base_frost_free"
	localPlacedMin    = "placed_min_c"
	localPlacedMax    = "placed_max_c"
	localDischarge    = "discharge_max_min"
	localSlump        = "slump_max_mm"
	localChloride     = "calcium_chloride_max_pct"
	localCure         = "cure_min_c"
	localCool         = "cool_max_c"
	localProtectMinH  = "protect_min_h"
	localProtectUntil = "protect_until_pct"
	localRecordedOnly = "recorded_only"
)

// A LocalRuleKind is a kind of limit that an authority sets.
type LocalRuleKind struct {
	Kind    string  `json:"kind"`
	Title   string  `json:"title"`
	Unit    string  `json:"unit"` // of the value; empty when the kind has none
	Lowest  float64 `json:"lowest"`
	Highest float64 `json:"highest"`
	Within  bool    `json:"within"` // asks for within_h

	judge func(*job, *LocalRule) (Finding, bool)
}

// LocalRuleKinds is the table of kinds, for reading. Every kind adds a finding and
// none takes one away: local rules only tighten.
func LocalRuleKinds() []LocalRuleKind {
	kinds := make([]LocalRuleKind, len(localKinds))
	copy(kinds, localKinds)
	return kinds
}

var localKinds = []LocalRuleKind{
	{Kind: localAirNow, Title: "air at the start, at least", Unit: "degC", Lowest: -30, Highest: 20, judge: (*job).judgeLocalAirNow},
	{Kind: localAirForecast, Title: "air over the hours after the start, at least", Unit: "degC", Lowest: -30, Highest: 20, Within: true, judge: (*job).judgeLocalAirForecast},
	{Kind: localAirDay, Title: "air in every hour of the day of the start, at least", Unit: "degC", Lowest: -30, Highest: 20, judge: (*job).judgeLocalAirDay},
	{Kind: localContact, Title: "surfaces that concrete touches, at least", Unit: "degC", Lowest: -10, Highest: 20, judge: (*job).judgeLocalContact},
	{Kind: localFrostFree, Title: "no frozen base", Unit: "degC", judge: (*job).judgeLocalFrostFree},
	{Kind: localPlacedMin, Title: "concrete at placing, at least", Unit: "degC", Lowest: 0, Highest: 40, judge: (*job).judgeLocalPlaced},
	{Kind: localPlacedMax, Title: "concrete at placing, at most", Unit: "degC", Lowest: 0, Highest: 45, judge: (*job).judgeLocalPlaced},
	{Kind: localDischarge, Title: "minutes from batching to the end of discharge, at most", Unit: "min", Lowest: 10, Highest: 240, judge: (*job).judgeLocalDischarge},
	{Kind: localSlump, Title: "slump, at most", Unit: "mm", Lowest: 0, Highest: 300, judge: (*job).judgeLocalSlump},
	{Kind: localChloride, Title: "calcium chloride of cement, at most", Unit: "%", Lowest: 0, Highest: 4, judge: (*job).judgeLocalChloride},
	{Kind: localCure, Title: "concrete after placing, at least; over within_h, else the protection period", Unit: "degC", Lowest: 0, Highest: 40, judge: (*job).judgeLocalCure},
	{Kind: localCool, Title: "fall of the surface over within_h after protection, at most", Unit: "K", Lowest: 0.5, Highest: 50, Within: true, judge: (*job).judgeLocalCool},
	{Kind: localProtectMinH, Title: "hours of protection, at least", Unit: "h", Lowest: 0, Highest: 672, judge: (*job).judgeLocalProtect},
	{Kind: localProtectUntil, Title: "protection until this share of the specified strength", Unit: "%", Lowest: 1, Highest: 100, judge: (*job).judgeLocalProtect},
	{Kind: localRecordedOnly, Title: "only recorded temperatures make cold weather"},
}

// kind is the row of a rule's kind; nil for an unknown one.
func (r *LocalRule) kind() *LocalRuleKind {
	for i := range localKinds {
		if localKinds[i].Kind == r.Kind {
			return &localKinds[i]
		}
	}
	return nil
}

func (r LocalRule) check(k checker) {
	if strings.TrimSpace(r.Name) == "" {
		k.add("name", "is required")
	}
	k.text("name", r.Name)
	names := make([]string, len(localKinds))
	for i := range localKinds {
		names[i] = localKinds[i].Kind
	}
	required(k, "kind", r.Kind, names...)
	k.between("within_h", r.WithinH, 0, 336, "h")
	k.given("when_air_below_c", r.WhenAirBelowC, -50, 50, "degC")
	k.given("when_air_above_c", r.WhenAirAboveC, -50, 50, "degC")
	oneOf(k, "effect", r.Effect, Note, EffectProtect, EffectMove)
	kind := r.kind()
	if kind == nil {
		return
	}
	k.between("value", r.Value, kind.Lowest, kind.Highest, kind.Unit)
	if kind.Within && r.WithinH == 0 {
		k.add("within_h", "is required for this kind")
	}
}

// source is the authority's own citation.
func (r *LocalRule) source() Source { return Source{"local", r.Name, standingLocal} }

// tooLow and tooHigh compare with the rule's value, which may be barred itself.
func (r *LocalRule) tooLow(v float64) bool {
	return v < r.Value-dust || r.Inclusive && v < r.Value+dust
}

func (r *LocalRule) tooHigh(v float64) bool {
	return v > r.Value+dust || r.Inclusive && v > r.Value-dust
}

// dust is what conversion from other units leaves on a value.
const dust = 1e-6

// localRules judges the rules of the authority at the site. What it bars moves the
// pour unless it says otherwise: no measure of ours lifts a prohibition.
func (j *job) localRules() []Finding {
	var found []Finding
	for i := range j.c.Site.LocalRules {
		r := &j.c.Site.LocalRules[i]
		kind := r.kind()
		if kind == nil || kind.judge == nil || !j.counts(r) {
			continue
		}
		if f, broken := kind.judge(j, r); broken {
			f.Unit, f.Sentence = kind.Unit, r.Name+": "+f.Sentence
			found = append(found, f)
		}
	}
	return found
}

// counts reports whether a rule's condition on the air holds.
func (j *job) counts(r *LocalRule) bool {
	start := j.c.Pour.StartsAt
	end := start.Add(hours(r.WithinH))
	if r.WhenAirBelowC != nil && j.wx.minAirC(start, end) > *r.WhenAirBelowC+dust {
		return false
	}
	if r.WhenAirAboveC == nil {
		return true
	}
	high := j.wx.at(start).airC
	j.wx.each(start, end, func(_ time.Time, h *wxHour) { high = math.Max(high, h.airC) })
	return high >= *r.WhenAirAboveC-dust
}

// localFinding begins the finding of a local rule; the unit is that of its kind.
func (j *job) localFinding(r *LocalRule, observed, margin float64) Finding {
	f := Finding{Rule: "local.rule", Effect: r.Effect, Source: r.source(), Local: true}
	if f.Effect == "" {
		f.Effect = EffectMove
	}
	f.measure("", observed, r.Value, margin)
	return f
}

func (j *job) judgeLocalAirNow(r *LocalRule) (Finding, bool) {
	start := j.c.Pour.StartsAt
	airC := j.wx.at(start).airC
	if !r.tooLow(airC) {
		return Finding{}, false
	}
	f := j.localFinding(r, airC, airC-r.Value)
	f.FirstAt = &start
	is, bar := j.say().temps(airC, r.Value)
	f.Sentence = sentence("air is %s at the start; %s %s nothing is placed.", is, r.barredWord(), bar)
	return f, true
}

// barredWord is "below", or "at or below" when the value itself is barred.
func (r *LocalRule) barredWord() string {
	if r.Inclusive {
		return "at or below"
	}
	return "below"
}

func (j *job) judgeLocalAirForecast(r *LocalRule) (Finding, bool) {
	start := j.c.Pour.StartsAt
	return j.localAirBetween(r, start, start.Add(hours(r.WithinH)), sentence("within %s of the start", Duration(r.WithinH)))
}

func (j *job) judgeLocalAirDay(r *LocalRule) (Finding, bool) {
	start := j.c.Pour.StartsAt
	return j.localAirBetween(r, j.midnight(start, 0), j.midnight(start, 1), "on the day of the start")
}

func (j *job) localAirBetween(r *LocalRule, from, to time.Time, when string) (Finding, bool) {
	var first time.Time
	lowest, hours := math.Inf(1), 0.0
	j.wx.each(from, to, func(at time.Time, h *wxHour) {
		if at.Before(from) || !r.tooLow(h.airC) {
			return
		}
		if hours++; first.IsZero() {
			first = at
		}
		lowest = math.Min(lowest, h.airC)
	})
	if first.IsZero() {
		return Finding{}, false
	}
	f := j.localFinding(r, lowest, lowest-r.Value)
	f.FirstAt, f.LengthH = &first, hours
	say := j.say()
	is, bar := say.temps(lowest, r.Value)
	f.Sentence = sentence("air falls to %s %s, first on %s; %s %s nothing is placed.", is, when, say.clock(first), r.barredWord(), bar)
	return f, true
}

func (j *job) judgeLocalContact(r *LocalRule) (Finding, bool) {
	if j.c.Pour.Element == Wall || !r.tooLow(j.ground.SurfaceC) {
		return Finding{}, false
	}
	f := j.localFinding(r, j.ground.SurfaceC, j.ground.SurfaceC-r.Value)
	f.FirstAt = &j.c.Pour.StartsAt
	is, should := j.say().temps(j.ground.SurfaceC, r.Value)
	f.Sentence = sentence("the base is %s at the start and has to be %s.", is, should)
	return f, true
}

func (j *job) judgeLocalFrostFree(r *LocalRule) (Finding, bool) {
	if j.c.Pour.Element == Wall || j.ground.State != baseFrozen {
		return Finding{}, false
	}
	f := j.localFinding(r, j.ground.SurfaceC, j.ground.SurfaceC)
	f.FirstAt = &j.c.Pour.StartsAt
	f.Sentence = "the base is frozen at the start."
	return f, true
}

func (j *job) judgeLocalPlaced(r *LocalRule) (Finding, bool) {
	placed := j.placedTempC()
	low := r.Kind == localPlacedMin
	if low && placed >= r.Value-slackC || !low && placed <= r.Value+slackC {
		return Finding{}, false
	}
	margin, word := r.Value-placed, "at most"
	if low {
		margin, word = placed-r.Value, "at least"
	}
	f := j.localFinding(r, placed, margin)
	f.FirstAt = &j.c.Pour.StartsAt
	is, should := j.say().temps(placed, r.Value)
	f.Sentence = sentence("concrete is %s at placing and has to be %s %s.", is, word, should)
	if low && !j.measuredAtPlacing() {
		b := j.batching()
		b.limits.placeMinC = math.Max(b.limits.placeMinC, r.Value)
		f.Remedy = j.warmer(b)
	}
	return f, true
}

func (j *job) judgeLocalDischarge(r *LocalRule) (Finding, bool) {
	haulMin, unloadMin := j.truckMin()
	took := haulMin + unloadMin
	if !r.tooHigh(took) {
		return Finding{}, false
	}
	f := j.localFinding(r, took, r.Value-took)
	f.Sentence = sentence("a truck is empty %.0f minutes after batching and has %.0f.", took, r.Value)
	f.Remedy = j.smallerLoads(haulMin, r.Value)
	return f, true
}

func (j *job) judgeLocalSlump(r *LocalRule) (Finding, bool) {
	slump := j.c.Pour.Mix.SlumpMM
	if !r.tooHigh(slump) {
		return Finding{}, false
	}
	f := j.localFinding(r, slump, r.Value-slump)
	say := j.say()
	f.Sentence = sentence("slump is %s and may be %s.", say.length(slump), say.length(r.Value))
	return f, true
}

func (j *job) judgeLocalChloride(r *LocalRule) (Finding, bool) {
	pct := j.c.calciumChloridePct()
	if !r.tooHigh(pct) {
		return Finding{}, false
	}
	f := j.localFinding(r, pct, r.Value-pct)
	f.Sentence = sentence("calcium chloride is %s of cement and may be %s.", percentOf(pct), percentOf(r.Value))
	f.Remedy = j.lessChloride(r.Value)
	return f, true
}

// judgeLocalCure judges the surface after final set, under the protection that is
// planned or chosen.
func (j *job) judgeLocalCure(r *LocalRule) (Finding, bool) {
	run := j.toCome()
	within := r.WithinH
	if within == 0 {
		within, _ = j.protectionPeriodH()
	}
	end := j.c.Pour.StartsAt.Add(hours(within))
	var first time.Time
	lowest, length := math.Inf(1), 0.0
	for i := range run.rows {
		row := &run.rows[i]
		if row.at.After(end) {
			break
		}
		if !r.tooLow(row.topC) {
			continue
		}
		if length++; first.IsZero() {
			first = row.at
		}
		lowest = math.Min(lowest, row.topC)
	}
	if first.IsZero() {
		return Finding{}, false
	}
	f := j.localFinding(r, lowest, lowest-r.Value)
	f.FirstAt, f.LengthH = &first, length
	say := j.say()
	is, should := say.temps(lowest, r.Value)
	f.Sentence = sentence("the surface falls to %s, first too cold on %s; it has to be kept at %s for %s.", is, say.clock(first), should, say.hours(within))
	return f, true
}

// judgeLocalCool judges how fast the surface cools once it is bare again (UFGS
// 03300N: 5 F in an hour; Ogden UT: 20 F in 12 h).
func (j *job) judgeLocalCool(r *LocalRule) (Finding, bool) {
	run := &j.run
	step := int(math.Max(1, math.Round(r.WithinH)))
	bared := false
	for i := 0; i+step < len(run.rows); i++ {
		bared = bared || run.rows[i].covered && !run.rows[i+1].covered
		if !bared {
			continue
		}
		fall := run.rows[i].topC - run.rows[i+step].topC
		if !r.tooHigh(fall) {
			continue
		}
		f := j.localFinding(r, fall, r.Value-fall)
		f.FirstAt = &run.rows[i].at
		say := j.say()
		is, may := say.tempDiffs(fall, r.Value)
		f.Sentence = sentence("the bared surface cools by %s within %s from %s; %s is allowed.", is, say.hours(float64(step)), say.clock(run.rows[i].at), may)
		return f, true
	}
	return Finding{}, false
}

// judgeLocalProtect says until when the authority wants protection, where that is
// beyond what the rest of the assessment asks.
func (j *job) judgeLocalProtect(r *LocalRule) (Finding, bool) {
	say := j.say()
	if r.Kind == localProtectMinH {
		period, source := j.protectionPeriodH()
		if source != r.source() {
			return Finding{}, false
		}
		f := j.localFinding(r, period, 0)
		f.Effect = Note
		f.Sentence = sentence("protect for %s.", say.hours(period))
		return f, true
	}
	mpa := r.Value / 100 * j.c.Pour.Mix.StrengthMPa
	f := j.localFinding(r, r.Value, 0)
	f.Effect = Note
	f.Sentence = sentence("protect until the concrete has %.0f %% of its specified strength, %s.", r.Value, say.strength(mpa))
	return f, true
}
