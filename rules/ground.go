package rules

import (
	"fmt"
	"math"
	"time"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/slab"
	"frostgate/rules/physics/soil"
)

// States of the base.
const (
	baseFrozen = "frozen"
	baseNear   = "near_freezing"
	baseThawed = "thawed"
)

// Where the state of the base comes from.
const (
	fromProfile  = "profile"
	fromObserved = "observation"
	fromSpunUp   = "spun_up"
)

const (
	// frostCheckM is how far below the base frost still counts: thaw settlement
	// under the slab. CAL.
	frostCheckM = 0.15
	// iceThatCountsM is the thickness of wholly frozen ground from which frost below
	// the surface counts; less is the dead band around 0 C. CAL.
	iceThatCountsM = 0.02
	// observedHoldsH is how long before the start a look at the base by hand still
	// decides. CAL: one night.
	observedHoldsH = 14
	// observedFadeM is the depth over which a correction to a measured base
	// temperature fades, and the error of a member's ground. CAL, the depth of a few
	// days' wave.
	observedFadeM = 0.3
	groundSeriesH = 72
	// detailedSpinUp is how long before the hours that are kept the ground is run in
	// full detail.
	detailedSpinUp = 4 * 24 * time.Hour
)

// knows reports whether the ground is known at an hour of the weather.
func (g *groundCourse) knows(atH float64) bool {
	return len(g.track.Samples) > 0 && atH >= g.track.Samples[0].AtH
}

// A groundCourse is the ground without concrete through all of the weather.
type groundCourse struct {
	model   *slab.Ground // in the usual detail
	coarse  *slab.Ground // for members and windows
	forcing *slab.Forcing
	track   slab.Track
	from    string
}

// layers is the ground under the concrete, top down.
func (b *Base) layers() []slab.Layer {
	base, _ := soil.MaterialOf(b.Material)
	sub, _ := soil.MaterialOf(b.Subgrade)
	moisture := b.MoisturePct
	if moisture == 0 {
		moisture = base.DefaultMoisturePct
	}
	return []slab.Layer{
		{Material: slab.Soil(base.At(moisture)), ThicknessM: b.DepthMM / 1000},
		{Material: slab.Soil(sub.At(sub.DefaultMoisturePct))},
	}
}

// slabSite is how the site meets wind and sun, and how well its blankets work.
func (c *Case) slabSite() slab.Site {
	roughness := air.RoughnessOpenM
	if c.Site.Terrain == TerrainBuilt {
		roughness = air.RoughnessBuiltM
	}
	wind := air.WindAtHeight(1, air.SurfaceWindHeightM, roughness)
	if c.Site.Terrain == TerrainSheltered {
		wind *= air.ShelteredFactor
	}
	return slab.Site{WindFactor: wind, BlanketEfficiency: c.Firm.Calibration.BlanketEfficiency}
}

// forcing is the weather as the slab model takes it.
func (w *weather) forcing() (*slab.Forcing, error) {
	hours := make([]slab.Hour, len(w.hours))
	for i := range w.hours {
		h := &w.hours[i]
		hours[i] = slab.Hour{
			AirTempC: h.airC, DewPointC: h.dewC, WindMS: h.windMS,
			Cloud: h.cloud, ShortwaveWm2: h.swWm2, SnowDepthM: h.snowM,
		}
	}
	return slab.NewForcing(hours)
}

// runGround computes the ground through all of the weather: from the profile
// given, or spun up from the weather before the start, corrected by what was
// measured on the base.
func (j *job) runGround() error {
	forcing, err := j.wx.forcing()
	if err != nil {
		return fmt.Errorf("prepare weather: %w", err)
	}
	begin, guess := j.wx.from, fromSpunUp
	if earliest := j.c.Pour.StartsAt.Add(-longestSpinUp); begin.Before(earliest) {
		begin = earliest
	}
	year := j.c.year()
	start := groundGuess(year, &j.wx, begin)
	model, err := j.layOut(usual)
	if err != nil {
		return err
	}
	coarse, err := j.layOut(slab.Coarse)
	if err != nil {
		return err
	}
	if len(j.c.Pour.Base.Temps) > 0 {
		begin, guess = j.c.Pour.StartsAt, fromProfile
		start = profileOver(j.c.Pour.Base.Temps, year, begin)
	} else {
		j.assumeSpinUp(j.c.Pour.StartsAt.Sub(begin))
	}
	j.base = groundCourse{model: model, coarse: coarse, forcing: forcing, from: guess}
	state, err := model.FromProfile(sampled(start))
	if err != nil {
		return fmt.Errorf("begin the ground: %w", err)
	}
	j.base.track, err = j.groundTrack(state, begin, j.groundCovers(), slab.Factors{})
	if err != nil {
		return err
	}
	return j.correctGround()
}

func (j *job) assumeSpinUp(history time.Duration) {
	if history >= enoughSpinUp {
		return
	}
	before := "with no weather before the start"
	if history > 0 {
		before = fmt.Sprintf("with only %s of weather before the start", Duration(history.Hours()))
	}
	j.assumed = append(j.assumed, Assumption{
		Pointer: "/pour/base/temps_c",
		Value:   tenth(undisturbed(&j.c.Site).MeanC),
		Reason:  "ground began from the yearly mean of the place and the air of these days, " + before,
	})
}

// sampled is a profile at the depths where it bends.
func sampled(temp func(depthM float64) float64) slab.Profile {
	depths := []float64{0, .05, .1, .15, .2, .3, .4, .5, .65, .8, 1, 1.25, 1.5, 1.75, 2, 2.5, 3, 4, 5}
	p := make(slab.Profile, len(depths))
	for i, d := range depths {
		p[i] = slab.DepthTemp{DepthM: d, TempC: temp(d)}
	}
	return p
}

// profileOver is a given profile, and below its last point a run to the
// undisturbed ground over one more metre.
func profileOver(points []DepthTemp, year soil.Year, at time.Time) func(float64) float64 {
	day := float64(at.YearDay())
	return func(z float64) float64 {
		mm := z * 1000
		prev := points[0]
		if mm <= prev.DepthMM {
			return prev.TempC
		}
		for _, p := range points[1:] {
			if mm <= p.DepthMM {
				return prev.TempC + (p.TempC-prev.TempC)*(mm-prev.DepthMM)/(p.DepthMM-prev.DepthMM)
			}
			prev = p
		}
		share := math.Min(1, z-prev.DepthMM/1000)
		return prev.TempC + share*(year.TempC(z, day)-prev.TempC)
	}
}

// groundTrack runs the bare ground from begin to the end of the weather: what
// lies longer back than detailedSpinUp in few cells, which its frost no longer
// shows.
func (j *job) groundTrack(state slab.State, begin time.Time, covers []slab.Cover, f slab.Factors) (slab.Track, error) {
	b := takeBench()
	defer b.giveBack()
	run := slab.GroundRun{
		Ground: j.base.model, Site: j.c.slabSite(), FromH: j.wx.clock(begin), ToH: j.wx.clock(j.wx.until()),
		KeepFromH: j.wx.clock(j.firstCandidate().Add(-groundSeriesH * time.Hour)),
		Lanes:     []slab.GroundLane{{Forcing: j.base.forcing, Start: state, Covers: covers, SnowUntilH: slab.Forever, Factors: f}},
	}
	if detailed := math.Floor(run.KeepFromH - detailedSpinUp.Hours()); detailed > run.FromH {
		early := run
		early.Ground, early.ToH, early.KeepFromH = j.base.coarse, detailed, slab.Forever
		tracks, err := b.RunGround(early)
		if err != nil {
			return slab.Track{}, fmt.Errorf("run the ground: %w", err)
		}
		run.FromH, run.Lanes[0].Start = detailed, tracks[0].Last()
	}
	tracks, err := b.RunGround(run)
	if err != nil {
		return slab.Track{}, fmt.Errorf("run the ground: %w", err)
	}
	return tracks[0], nil
}

// groundCovers is what lies on the base before placing.
func (j *job) groundCovers() []slab.Cover {
	var covers []slab.Cover
	if j.c.Pour.Base.Turf {
		covers = append(covers, slab.Cover{Kind: slab.Turf, FromH: 0, ToH: slab.Forever, RM2KW: soil.TurfM2KW})
	}
	for _, g := range j.c.Pour.GroundCover {
		cover := slab.Cover{Kind: slab.Blanket, FromH: j.wx.clock(g.OnAt), ToH: slab.Forever, RM2KW: g.RM2KW, HeatWm2: g.HeatWM2}
		if g.Kind == "straw" {
			cover.Kind = slab.Straw
		}
		if g.OffAt != nil {
			cover.ToH = j.wx.clock(*g.OffAt)
		}
		covers = append(covers, cover)
	}
	return covers
}

// correctGround takes what was measured on the base into the ground: each
// measurement shifts the column at its hour and the run goes on from there.
func (j *job) correctGround() error {
	for _, o := range j.c.Pour.Observations {
		if o.At.After(j.c.Pour.StartsAt) || !j.wx.covers(o.At, o.At) || j.base.from == fromProfile {
			continue
		}
		h := j.wx.clock(o.At)
		predicted := j.base.track.At(h).SurfaceC
		var shift float64
		switch o.Kind {
		case "base_temp":
			shift = o.Value - predicted
		case "base_frozen":
			shift = shiftToSeen(predicted, o.Value != 0, j.limits.value("ground.frozen_c"))
		}
		if shift == 0 {
			continue
		}
		state := j.base.track.StateAt(h).Shift(shift, observedFadeM)
		track, err := j.groundTrack(state, o.At, j.groundCovers(), slab.Factors{})
		if err != nil {
			return err
		}
		j.base.track = track
	}
	return nil
}

// shiftToSeen is what takes a predicted surface to the side of the dead band
// that was seen by hand; 0 when it is there.
func shiftToSeen(predictedC float64, frozen bool, frozenC float64) float64 {
	switch {
	case frozen && predictedC > frozenC:
		return frozenC - predictedC
	case !frozen && predictedC < 0:
		return -predictedC
	default:
		return 0
	}
}

// groundAt judges the base at a start on a track.
func (j *job) groundAt(track *slab.Track, start time.Time, from string) Ground {
	s := track.At(j.wx.clock(start))
	return Ground{SurfaceC: s.SurfaceC, FrostDepthMM: s.BottomM * 1000, From: from, State: j.stateOf(&s)}
}

// stateOf names the state of the base: frozen below the dead band or with ice
// not far under it, near freezing in the band or with a trace of ice.
func (j *job) stateOf(s *slab.GroundSample) string {
	ice := s.BottomM > 0 && s.TopM < j.c.Pour.Base.DepthMM/1000+frostCheckM
	switch {
	case s.SurfaceC < j.limits.value("ground.frozen_c"), ice && s.IceM >= iceThatCountsM:
		return baseFrozen
	case s.SurfaceC < j.limits.value("ground.warn_c"), ice:
		return baseNear
	default:
		return baseThawed
	}
}

// baseAtStart is the base at the start, with its series and what was seen by
// hand last.
func (j *job) baseAtStart() Ground {
	start := j.c.Pour.StartsAt
	g := j.groundAt(&j.base.track, start, j.base.from)
	from := j.wx.clock(start) - groundSeriesH
	for _, s := range j.base.track.Samples {
		if s.AtH < from || s.AtH > j.wx.clock(start) {
			continue
		}
		g.Series = append(g.Series, GroundRow{At: j.wx.time(s.AtH), SurfaceC: s.SurfaceC, FrostDepthMM: s.BottomM * 1000})
	}
	if seen, ok := j.seenBase(); ok {
		g.From = fromObserved
		if seen.Kind == "base_frozen" {
			g.State = baseThawed
			if seen.Value != 0 {
				g.State = baseFrozen
			}
		}
	}
	return g
}

// seenBase is the last look at the base that still decides.
func (j *job) seenBase() (last Observation, ok bool) {
	start := j.c.Pour.StartsAt
	for _, o := range j.c.Pour.Observations {
		if o.Kind != "base_frozen" && o.Kind != "base_temp" {
			continue
		}
		age := start.Sub(o.At)
		if age < 0 || age > observedHoldsH*time.Hour || o.At.Before(last.At) {
			continue
		}
		if ok && o.At.Equal(last.At) && last.Kind == "base_frozen" && last.Value != 0 {
			continue // of two that contradict each other, frozen counts
		}
		last, ok = o, true
	}
	return last, ok
}
