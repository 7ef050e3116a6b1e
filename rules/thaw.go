package rules

import (
	"fmt"
	"slices"
	"time"

	"frostgate/rules/physics/slab"
)

// heatUnderCoverWm2 is what hoses or mats under blankets give to the ground. CAL,
// 100 to 200 for hired ground heaters.
const heatUnderCoverWm2 = 150.0

// usualHeatedRM2KW is the label of the blankets that lie over hoses, R-4. CAL.
const usualHeatedRM2KW = 0.70

// coverHours are the hours of cover before the start that are tried.
var coverHours = []float64{6, 12, 18, 24, 36, 48, 72, 96}

// A fitBase is the base made fit by what lies on it before placing.
type fitBase struct {
	hours  float64 // of cover before the start
	rM2KW  float64
	heated bool
	atHand bool
	from   time.Time
	state  slab.State // of the ground at the start
}

// makeBaseFit finds the least hours of the blankets at hand, else of heat, that
// make a frozen or doubtful base fit.
func (j *job) makeBaseFit() error {
	lead := j.c.Pour.StartsAt.Sub(j.c.AssessedAt).Hours()
	if j.c.Pour.Element == Wall || j.ground.State == baseThawed || lead < coverHours[0] || !j.wx.covers(j.c.AssessedAt, j.c.Pour.StartsAt) {
		return nil
	}
	if best := j.c.Pour.warmest(); best != nil {
		fit, err := j.leastCover(lead, fitBase{rM2KW: best.rM2KW(), atHand: true})
		if fit != nil || err != nil {
			j.fit = fit
			return err
		}
	}
	heater := slices.ContainsFunc(j.c.Pour.GroundCover, func(g GroundCover) bool { return g.Kind == "heated" })
	fit, err := j.leastCover(lead, fitBase{rM2KW: usualHeatedRM2KW, heated: true, atHand: heater})
	if fit != nil && !fit.atHand {
		fit, j.hired = nil, fit
	}
	j.fit = fit
	return err
}

// leastCover is the least cover of a kind within the lead that makes the base
// fit: thawed, or out of the frozen state where it was in it. Nil when none does.
func (j *job) leastCover(leadH float64, kind fitBase) (*fitBase, error) {
	now, start := j.wx.clock(j.c.AssessedAt), j.wx.clock(j.c.Pour.StartsAt)
	state := j.base.track.StateAt(now)
	var lanes []slab.GroundLane
	for _, h := range coverHours {
		if h > leadH {
			break
		}
		lanes = append(lanes, slab.GroundLane{
			Forcing: j.base.forcing, Start: state, Covers: append(j.groundCovers(), kind.cover(start-h)), SnowUntilH: start - h,
		})
	}
	s := borrowSolver()
	defer returnSolver(s)
	tracks, err := s.RunGround(slab.GroundRun{Ground: j.base.model, Site: j.c.slabSite(), FromH: now, ToH: start, KeepFromH: slab.Forever, Lanes: lanes})
	if err != nil {
		return nil, fmt.Errorf("run the covered ground: %w", err)
	}
	for i := range tracks {
		sample := tracks[i].At(start)
		became := j.stateOf(&sample)
		if became == baseThawed || (became == baseNear && j.ground.State == baseFrozen) {
			kind.hours, kind.state = coverHours[i], tracks[i].Last()
			kind.from = j.c.Pour.StartsAt.Add(-hours(kind.hours))
			return &kind, nil
		}
	}
	return nil, nil
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
// that: what other remedies are tried on.
func (j *job) readied() pour {
	p := j.plan
	if j.fit != nil {
		p.ground = &j.fit.state
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
	r := &Remedy{Kind: "cover_ground", Hours: &fit.hours, By: &fit.from, RM2KW: &fit.rM2KW, AtHand: fit.atHand, Passes: true}
	does := "Cover the base with"
	if fit.heated {
		r.Kind, does = "heat_ground", "Heat the base under"
	}
	r.Sentence = fmt.Sprintf("%s %s blankets from %s on, %s before placing, and check it by hand at first light.",
		does, say.rvalue(fit.rM2KW), say.clock(fit.from), say.hours(fit.hours))
	return r
}

// thawHours is the hours of the blankets at hand before the base is fit; nil when
// there are none or they do not do it.
func (j *job) thawHours() *float64 {
	if j.fit == nil || j.fit.heated {
		return nil
	}
	return &j.fit.hours
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
