package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"frostgate/rules/physics/slab"
)

// heatUnderCoverWm2 is what hoses or mats under blankets give to the ground. CAL,
// 100 to 200 for hired ground heaters.
const heatUnderCoverWm2 = 150.0

// usualHeatedRM2KW is the label of the blankets that lie over hoses, R-4. CAL.
const usualHeatedRM2KW = 0.70

// coverHours are the hours of cover before the start that are tried, and all that
// are left.
var coverHours = []float64{6, 12, 18, 24, 36, 48, 72, 96}

// coverFor are the hours of cover that the time left allows for.
func coverFor(leadH float64) []float64 {
	all := make([]float64, 0, len(coverHours))
	for _, h := range coverHours {
		if h < leadH {
			all = append(all, h)
		}
	}
	return append(all, math.Min(leadH, 24*windowDays))
}

// inWorkingHours is the same hours before the start, each lengthened until somebody is
// there to lay the cover; the longest stays.
func (j *job) inWorkingHours(tried []float64) []float64 {
	longest := tried[len(tried)-1]
	for i, h := range tried {
		for h < longest && !j.workingHour(j.c.Pour.StartsAt.Add(-hours(h))) {
			h++
		}
		tried[i] = math.Min(h, longest)
	}
	return slices.Compact(tried)
}

// A fitBase is the base made fit by what lies on it before placing.
type fitBase struct {
	hours   float64 // of cover before the start
	rM2KW   float64
	heated  bool
	atHand  bool
	tooLate bool // it needs more hours than are left
	from    time.Time
	state   slab.State // of the ground at the start
	longest *fitBase   // the same begun as early as possible; nil when that is no longer
}

// makeBaseFit finds the least hours of the blankets at hand, else of heat, that
// make a frozen or doubtful base fit by the start.
func (j *job) makeBaseFit() error {
	if j.c.Pour.Element == Wall || j.ground.State == baseThawed || j.placed() {
		return nil
	}
	kinds := make([]fitBase, 0, 2)
	if best := j.c.Pour.warmest(); best != nil {
		kinds = append(kinds, fitBase{rM2KW: best.rM2KW(), atHand: true})
	}
	heater := slices.ContainsFunc(j.c.Pour.GroundCover, func(g GroundCover) bool { return g.Kind == "heated" })
	kinds = append(kinds, fitBase{rM2KW: usualHeatedRM2KW, heated: true, atHand: heater})
	for _, kind := range kinds {
		fit, err := j.leastCover(kind)
		if err != nil {
			return err
		}
		switch {
		case fit == nil:
			continue
		case fit.atHand:
			j.fit = fit
		default:
			j.hired = fit
		}
		return nil
	}
	var err error
	j.hired, err = j.heatFromNow()
	return err
}

// makesFit reports whether a covered base has become fit: thawed, or out of the
// frozen state where it was in it.
func (j *job) makesFit(s *slab.GroundSample) bool {
	became := j.stateOf(s)
	return became == baseThawed || (became == baseNear && j.ground.State == baseFrozen)
}

// leastCover is the least cover of a kind from now to the start that makes the
// base fit; nil when none does.
func (j *job) leastCover(kind fitBase) (*fitBase, error) {
	lead := j.c.Pour.StartsAt.Sub(j.c.AssessedAt).Hours()
	if lead < coverHours[0] || !j.wx.covers(j.c.AssessedAt, j.c.Pour.StartsAt) {
		return nil, nil
	}
	start := j.wx.clock(j.c.Pour.StartsAt)
	tried := j.inWorkingHours(coverFor(lead))
	lanes := make([]slab.GroundLane, len(tried))
	for i, h := range tried {
		lanes[i] = j.coveredLane(&kind, start-h)
	}
	tracks, err := j.coveredTracks(lanes, j.c.Pour.StartsAt, slab.Forever)
	if err != nil {
		return nil, err
	}
	var least *fitBase
	for i := range tracks {
		sample := tracks[i].At(start)
		if !j.makesFit(&sample) {
			continue
		}
		fit := kind
		fit.hours, fit.state = tried[i], tracks[i].Last()
		fit.from = j.c.Pour.StartsAt.Add(-hours(fit.hours))
		if least == nil {
			least = &fit
		} else {
			least.longest = &fit
		}
	}
	return least, nil
}

// longestHeat is how long the base is heated at most before it is given up.
const longestHeat = 120 * time.Hour

// heatFromNow is the heat the base would need from now on, when there is not
// enough time before the start; nil when it does not do within the weather.
func (j *job) heatFromNow() (*fitBase, error) {
	now := j.c.AssessedAt
	if !j.wx.covers(now, now) {
		return nil, nil
	}
	until := earlier(now.Add(longestHeat), j.wx.until())
	kind := fitBase{rM2KW: usualHeatedRM2KW, heated: true, tooLate: true, from: now}
	tracks, err := j.coveredTracks([]slab.GroundLane{j.coveredLane(&kind, j.wx.clock(now))}, until, 0)
	if err != nil {
		return nil, err
	}
	for i := range tracks[0].Samples {
		s := &tracks[0].Samples[i]
		if j.makesFit(s) {
			kind.hours = math.Max(1, math.Ceil(s.AtH-j.wx.clock(now)))
			if lead := j.c.Pour.StartsAt.Sub(now).Hours(); kind.hours <= lead {
				kind.hours, kind.tooLate = lead, false // there is time: it is heated until the start
			}
			return &kind, nil
		}
	}
	return nil, nil
}

// coveredLane is the ground from now on, under a cover from an hour on.
func (j *job) coveredLane(kind *fitBase, fromH float64) slab.GroundLane {
	return slab.GroundLane{
		Forcing: j.base.forcing, Start: j.base.track.StateAt(j.wx.clock(j.c.AssessedAt)),
		Covers: append(j.groundCovers(), kind.cover(fromH)), SnowUntilH: fromH,
	}
}

func (j *job) coveredTracks(lanes []slab.GroundLane, until time.Time, keepFromH float64) ([]slab.Track, error) {
	b := takeBench()
	defer b.giveBack()
	tracks, err := b.RunGround(slab.GroundRun{
		Ground: j.base.model, Site: j.c.slabSite(),
		FromH: j.wx.clock(j.c.AssessedAt), ToH: j.wx.clock(until), KeepFromH: keepFromH, Lanes: lanes,
	})
	if err != nil {
		return nil, fmt.Errorf("run the covered ground: %w", err)
	}
	return tracks, nil
}

// cover is what lies on the base from an hour on.
func (f *fitBase) cover(fromH float64) slab.Cover {
	c := slab.Cover{Kind: slab.Blanket, FromH: fromH, ToH: slab.Forever, RM2KW: f.rM2KW}
	if f.heated {
		c.HeatWm2 = heatUnderCoverWm2
	}
	return c
}

// readied is the planned pour on the base made fit, where what is at hand does
// that, and under planned blankets no sooner than they can lie: what other remedies
// are tried on.
func (j *job) readied() pour {
	p := j.plan
	if j.fit != nil {
		p.ground = &j.fit.state
	}
	if j.laid != nil {
		p.covers = j.pourCovers(j.shield.planned)
	}
	return p
}

// fitRemedy words how the base becomes fit; nil when it does not.
func (j *job) fitRemedy() *Remedy {
	say, fit := j.say(), j.fit
	if fit == nil {
		fit = j.hired
	}
	if fit == nil {
		return nil
	}
	r := &Remedy{Kind: "cover_ground", Hours: new(fit.hours), By: &fit.from, RM2KW: new(fit.rM2KW), AtHand: fit.atHand, Passes: !fit.tooLate}
	does := "Cover the base with blankets of " + say.rvalue(fit.rM2KW)
	if fit.heated {
		r.Kind = "heat_ground"
		does = fmt.Sprintf("Heat the base with %s under blankets of %s", say.units.HeatFlow(heatUnderCoverWm2), say.rvalue(fit.rM2KW))
	}
	if fit.tooLate {
		r.Sentence = fmt.Sprintf("%s: it takes about %s, more than is left before this start.", does, say.hours(fit.hours))
		return r
	}
	r.Sentence = fmt.Sprintf("%s from %s on, %s before placing, and check it by hand at first light.", does, say.clock(fit.from), say.hours(fit.hours))
	return r
}

// thawHours is the hours of the blankets at hand before the base is fit; nil when
// there are none or they do not do it.
func (j *job) thawHours() *float64 {
	if j.fit == nil || j.fit.heated {
		return nil
	}
	return new(j.fit.hours)
}

// coveredGround is the ground as it would be under the best blankets at hand from
// now on; nil when there are none.
func (j *job) coveredGround() (*groundCourse, error) {
	best := j.c.Pour.warmest()
	if best == nil || j.placed() || !j.wx.covers(j.c.AssessedAt, j.c.AssessedAt) {
		return nil, nil
	}
	now := j.wx.clock(j.c.AssessedAt)
	g := j.base
	covers := append(j.groundCovers(), slab.Cover{Kind: slab.Blanket, FromH: now, ToH: slab.Forever, RM2KW: best.rM2KW()})
	var err error
	g.track, err = j.groundTrack(j.base.track.StateAt(now), j.c.AssessedAt, covers, slab.Factors{})
	return &g, err
}
