package slab

import (
	"math"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/concrete"
)

// laneRun is one lane of a block while it is computed.
type laneRun struct {
	result       *Result
	startH, endH float64
	startJm2     float64
	perHeatTime  float64
	heatWm2      float64 // from mats under the covers
	set          bool    // the mean has set: the surface has dried
	ended        bool
	nudges       []Nudge // still to come

	sets         [6]mark // initial and final of top, then mean, then bottom
	strengths    []strengthMarks
	strengthTime float64
	hurtShare    float64 // of the cells, by thickness
	topHurtShare float64

	evaporatedKgM2 float64 // in this hour
}

// mark is an age that is waited for.
type mark struct {
	needH float64
	share float64 // of it reached so far
	atH   *float64
}

// see notes the hour at which an age that has grown in h hours until atH passes.
func (k *mark) see(ageH, atH, h float64) { k.pass(ageH/k.needH, atH, h) }

func (k *mark) pass(share, atH, h float64) {
	if share >= 1 && k.share < 1 && math.IsNaN(*k.atH) {
		*k.atH = atH - h*(share-1)/(share-k.share)
	}
	k.share = share
}

// strengthMarks are the marks of one strength: in the weakest cell, by whether it
// was hurt by frost, in the mean and in the top.
type strengthMarks struct {
	mpa                float64
	weakest, mean, top mark
	hurtNeedH          float64
}

// open begins a lane.
func (r *laneRun) open(p *pouring, lane *Lane, res *Result) {
	e, f := &p.run.Element, lane.Factors.withDefaults()
	res.clear(len(e.TargetsMPa))
	*r = laneRun{
		result: res, startH: lane.StartH,
		endH:        math.Min(lane.StartH+orDefault(lane.HoursH, p.run.HoursH), lane.Forcing.EndH()),
		perHeatTime: 1 / f.HeatTime, strengthTime: f.StrengthTime, nudges: lane.Nudges,
		strengths: r.strengths[:0],
	}
	for i, s := range []*SetTimes{&res.Top, &res.Mean, &res.Bottom} {
		r.sets[2*i] = mark{needH: p.model.InitialSetH * f.SetTime, atH: &s.InitialH}
		r.sets[2*i+1] = mark{needH: p.model.FinalSetH * f.SetTime, atH: &s.FinalH}
	}
	r.strengths = append(r.strengths, strengthMarks{
		mpa: concrete.CriticalMPa, weakest: mark{atH: &res.CriticalH}, mean: mark{atH: &res.CriticalMeanH}, top: mark{atH: &res.CriticalTopH},
	})
	for i, mpa := range e.TargetsMPa {
		r.strengths = append(r.strengths, strengthMarks{
			mpa: mpa, weakest: mark{atH: &res.TargetH[i]}, mean: mark{atH: &res.TargetMeanH[i]}, top: mark{atH: &res.TargetTopH[i]},
		})
	}
	r.need(p.model)
}

// clear makes a result empty, keeping its memory.
func (res *Result) clear(targets int) {
	unset := SetTimes{math.NaN(), math.NaN()}
	*res = Result{
		Hourly: res.Hourly[:0], TargetH: nans(res.TargetH, targets), TargetMeanH: nans(res.TargetMeanH, targets), TargetTopH: nans(res.TargetTopH, targets),
		Top: unset, Mean: unset, Bottom: unset, CriticalH: math.NaN(), CriticalMeanH: math.NaN(), CriticalTopH: math.NaN(),
		MinBeforeCriticalC: Forever, GuardH: math.NaN(), MinC: Forever, MaxC: -Forever, PeakTopC: -Forever,
		FrozeH: math.NaN(), FrozeDepthM: math.NaN(), PeakEvaporationH: math.NaN(),
	}
}

func nans(s []float64, n int) []float64 {
	s = resize(s, n)
	for i := range s {
		s[i] = math.NaN()
	}
	return s
}

// left is the share of strength that concrete keeps of which a share was hurt.
func left(hurtShare float64) float64 { return 1 - (1-concrete.EarlyFreezeFactor)*hurtShare }

// need finds the ages that the strengths need, for the shares hurt by now.
func (r *laneRun) need(m *concrete.Model) {
	for i := range r.strengths {
		k := &r.strengths[i]
		k.weakest.needH = r.strengthTime * m.StrengthAgeH(k.mpa)
		k.hurtNeedH = r.strengthTime * m.StrengthAgeH(k.mpa/left(1))
		k.mean.needH = r.strengthTime * m.StrengthAgeH(k.mpa/left(r.hurtShare))
		k.top.needH = r.strengthTime * m.StrengthAgeH(k.mpa/left(r.topHurtShare))
	}
}

// weakestMPa, meanMPa and topMPa are strengths at a moment. That of the mean is
// the strength at the mean age.
func (r *laneRun) weakestMPa(p *pouring, l int) float64 {
	sound, hurt := Forever, Forever
	if age := p.now.weakAge[l]; age < Forever {
		sound = p.model.StrengthMPa(age / r.strengthTime)
	}
	if age := p.now.hurtAge[l]; age < Forever {
		hurt = left(1) * p.model.StrengthMPa(age/r.strengthTime)
	}
	return math.Min(sound, hurt)
}

func (r *laneRun) meanMPa(p *pouring, l int) float64 {
	return left(r.hurtShare) * p.model.StrengthMPa(p.now.meanAge[l]/r.strengthTime)
}

func (r *laneRun) topMPa(p *pouring, l int) float64 {
	return left(r.topHurtShare) * p.model.StrengthMPa(p.now.topAge[l]/r.strengthTime)
}

// freeze notes that cell i of lane l holds ice.
func (r *laneRun) freeze(p *pouring, i, l int, iceShare float64) {
	res := r.result
	if r.ended || !math.IsNaN(res.CriticalH) {
		return
	}
	age := p.strengthAge[i][l]
	if !p.hurt[i][l] {
		if age >= r.strengths[0].weakest.needH {
			return
		}
		p.hurt[i][l] = true
		r.hurtShare += p.part[i]
		r.topHurtShare += p.topPart[i]
		r.need(p.model)
	}
	if !res.FrozeEarly {
		res.FrozeEarly, res.FrozeDepthM = true, p.midM[i]
		res.FrozeStrengthMPa = p.model.StrengthMPa(age / r.strengthTime)
	}
	res.FrozenShare = math.Max(res.FrozenShare, iceShare)
}

// observe records what a step of h hours brought the lane, afterH hours after
// placing.
func (r *laneRun) observe(p *pouring, l int, afterH, h float64) {
	at, m, was, res := r.startH+afterH, &p.now, &p.before, r.result
	for i, age := range [3]float64{m.topSet[l], m.meanSet[l], m.bottomSet[l]} {
		r.sets[2*i].see(age, at, h)
		r.sets[2*i+1].see(age, at, h)
	}
	r.set = !math.IsNaN(res.Mean.FinalH)

	coldest := m.coldestC[l]
	if math.IsNaN(res.CriticalH) {
		if coldest < res.MinBeforeCriticalC {
			res.MinBeforeCriticalC, res.MinBeforeCriticalH, res.MinBeforeCriticalDepthM = coldest, at, p.midM[m.coldestCell[l]]
		}
		if coldest < p.run.Element.GuardC && math.IsNaN(res.GuardH) {
			res.GuardH = at - fallenFor(h, was.coldestC[l], p.run.Element.GuardC, coldest)
		}
		if res.FrozeEarly && math.IsNaN(res.FrozeH) {
			res.FrozeH = at - fallenFor(h, was.coldestC[l], p.model.FreezingPointC, coldest)
		}
	}
	for i := range r.strengths {
		k := &r.strengths[i]
		k.weakest.pass(math.Min(m.weakAge[l]/k.weakest.needH, m.hurtAge[l]/k.hurtNeedH), at, h)
		k.mean.see(m.meanAge[l], at, h)
		k.top.see(m.topAge[l], at, h)
	}
	res.MinC, res.MaxC = math.Min(res.MinC, coldest), math.Max(res.MaxC, m.warmestC[l])
	res.PeakTopC = math.Max(res.PeakTopC, m.topTempC[l])
}

// fallenFor is how long of h hours a temperature that fell from was to is has
// been below a limit.
func fallenFor(h, was, limit, is float64) float64 {
	if was <= limit {
		return h
	}
	return h * (limit - is) / (was - is)
}

// nudge shifts the concrete to what was measured by now.
func (p *pouring) nudge(afterH float64) {
	for l := range p.lanes {
		r := &p.lanes[l]
		for len(r.nudges) > 0 && r.nudges[0].AtH <= r.startH+afterH+1e-9 {
			n := r.nudges[0]
			r.nudges = r.nudges[1:]
			shift := n.MeasuredC - p.tempAt(n.DepthM, l)
			for i := range p.cells {
				p.column.SetTemp(i, l, p.column.Temp(i)[l]+shift)
			}
		}
	}
}

// tempAt is the temperature of the concrete of lane l at a depth, or its mean for
// NaN.
func (p *pouring) tempAt(depthM float64, l int) float64 {
	if math.IsNaN(depthM) {
		sum := 0.0
		for i, part := range p.part {
			sum += part * p.column.Temp(i)[l]
		}
		return sum
	}
	for i, z := range p.midM {
		if depthM > z {
			continue
		}
		if i == 0 {
			return p.column.Temp(0)[l]
		}
		a, b := p.column.Temp(i - 1)[l], p.column.Temp(i)[l]
		return a + (b-a)*(depthM-p.midM[i-1])/(z-p.midM[i-1])
	}
	return p.column.Temp(len(p.midM) - 1)[l]
}

// known says whether all that is asked for has come.
func (r *laneRun) known() bool {
	for i := range r.sets {
		if r.sets[i].share < 1 {
			return false
		}
	}
	for i := range r.strengths {
		k := &r.strengths[i]
		if !r.result.FrozeEarly && (k.weakest.share < 1 || k.mean.share < 1 || k.top.share < 1) {
			return false
		}
	}
	return true
}

// guarded says whether the guard was crossed and the top has set.
func (r *laneRun) guarded() bool { return !math.IsNaN(r.result.GuardH) && r.sets[1].share >= 1 }

// close ends a lane.
func (r *laneRun) close(p *pouring, l int, afterH float64) {
	r.ended = true
	r.result.EndH = r.startH + afterH
	r.result.Balance = balance(p.column, l, r.startJm2)
}

// evaporate books the water that left lane l in a step of h hours.
func (s *Solver) evaporate(l int, afterH, h float64) {
	r := &s.pouring.lanes[l]
	rate := s.surface.LatentWm2[l] / air.LatentHeatJKg * secondsPerHour
	r.evaporatedKgM2 += rate * h
	if !r.set && rate > r.result.PeakEvaporationKgM2H {
		r.result.PeakEvaporationKgM2H, r.result.PeakEvaporationH = rate, r.startH+afterH
	}
}

// rows adds a row of the series for each lane.
func (s *Solver) rows(afterH float64) {
	p := &s.pouring
	if !p.run.Series {
		return
	}
	n := len(p.cells)
	for l := range p.lanes {
		r := &p.lanes[l]
		if r.ended {
			continue
		}
		rows := r.result.Hourly
		if len(rows) > 0 {
			rows[len(rows)-1].EvaporationKgM2H = r.evaporatedKgM2
		}
		r.evaporatedKgM2 = 0
		row := Sample{
			AtH: r.startH + afterH, AirC: s.exposed[l].forcing.AirC(r.startH + afterH), SkinC: s.surface.SkinC[l],
			TopC: p.now.topTempC[l], MeanC: p.tempAt(math.NaN(), l), BottomC: p.column.Temp(n - 1)[l], BaseC: p.column.Temp(n - 1)[l],
			ColdestC: p.now.coldestC[l],
		}
		if p.run.Element.Kind != Wall {
			row.BaseC = 0
			for i, part := range p.basePt {
				row.BaseC += part * p.column.Temp(n + i)[l]
			}
		}
		if !p.run.TempsOnly {
			r.strengthen(p, l, &row)
		}
		r.result.Hourly = append(rows, row)
	}
}

// strengthen fills the strengths, ages and hydration of a row.
func (r *laneRun) strengthen(p *pouring, l int, row *Sample) {
	row.ColdestMPa, row.MeanMPa, row.TopMPa = r.weakestMPa(p, l), r.meanMPa(p, l), r.topMPa(p, l)
	row.SetAgeH, row.StrengthAgeH = p.now.meanSet[l], p.now.meanAge[l]
	row.WeakestAgeH = math.Min(p.now.weakAge[l], p.now.hurtAge[l])
	for i, part := range p.part {
		row.Degree += part * p.degree[i][l]
	}
}
