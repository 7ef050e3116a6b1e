package slab

import (
	"fmt"
	"math"

	"frostgate/rules/physics/concrete"
)

// Kind is what is placed.
type Kind int

// The kinds.
const (
	Slab    Kind = iota
	Footing      // a slab that also loses heat through its sides
	Wall         // formed on both faces; one half is computed, from the face to the middle
)

// An Element is what is placed, the same in every lane.
type Element struct {
	Kind       Kind
	ThicknessM float64 // least dimension for a wall, depth otherwise
	WidthM     float64 // of a footing
	FormRM2KW  float64 // of a wall's face or a footing's sides, as long as the run lasts
	FoamM      float64 // under the concrete
	Model      *concrete.Model
	// TargetsMPa are strengths whose hour is asked for besides the critical one.
	TargetsMPa []float64
	// GuardC is the temperature whose first crossing is noted: a guard above
	// freezing.
	GuardC float64
}

// foamWmK is the conductivity of extruded polystyrene, R-5 per inch (MEM, ASHRAE;
// expanded 0.035 to 0.036).
const foamWmK = 0.029

// footingSideWm2K is what a footing's side passes beside its form: film and
// radiation of a sheltered face. CAL, 6 to 20.
const footingSideWm2K = 10.0

// A Lane is one run of the element.
type Lane struct {
	Forcing        *Forcing
	StartH         float64 // placing
	HoursH         float64 // length; 0 means that of the PourRun
	Ground         State   // at StartH; not used by a wall
	Covers         []Cover
	PlacedTempC    float64
	BatchedBeforeH float64 // from batching to StartH, spent at PlacedTempC
	Factors        Factors
	Nudges         []Nudge // in order of time
}

// A Nudge is a temperature measured in the concrete: at that hour all of it is
// shifted so that the depth, or the mean when DepthM is NaN, agrees.
type Nudge struct {
	AtH, MeasuredC, DepthM float64
}

// A PourRun is an element in many lanes.
type PourRun struct {
	Element Element
	Ground  *Ground // cells and steps; a wall uses its detail only
	Site    Site
	HoursH  float64 // most hours after placing; a lane also ends with its weather
	// StopWhenKnown ends a lane once all sets, the critical strength and the targets
	// are reached; one that froze early once all sets are.
	StopWhenKnown bool
	// StopOnGuard ends a lane also once a cell has fallen below Element.GuardC and
	// the top has set: what then freezes, and how far, stays open.
	StopOnGuard bool
	Series      bool // fill Result.Hourly
	TempsOnly   bool // without strengths, ages and hydration in it
	Lanes       []Lane
	Into        []Result // memory to use, may be nil
}

// SetTimes are the hours of initial and final set; NaN when not reached.
type SetTimes struct{ InitialH, FinalH float64 }

// A Sample is one hour of the series.
type Sample struct {
	AtH     float64
	AirC    float64
	SkinC   float64 // outer face of concrete or cover
	TopC    float64 // mean of the top (outer, of a wall) 25 mm
	MeanC   float64
	BottomC float64 // lowest cell; of a wall the middle
	BaseC   float64 // top 25 mm of the ground; of a wall the middle
	// ColdestC is the temperature of the coldest cell of concrete.
	ColdestC   float64
	ColdestMPa float64 // of the weakest cell
	MeanMPa    float64
	TopMPa     float64 // mean of the top 25 mm
	// EvaporationKgM2H is the mean of the hour that begins here.
	EvaporationKgM2H float64
	// Degree is the mean degree of hydration; SetAgeH and StrengthAgeH the mean
	// equivalent ages at 20 C, WeakestAgeH the least strength age of any cell.
	Degree, SetAgeH, StrengthAgeH, WeakestAgeH float64
}

// A Result is what happened in one lane. Hours are on the clock of the weather;
// NaN means not reached.
type Result struct {
	Hourly []Sample

	Top, Mean, Bottom SetTimes // mean of the top 25 mm, of all, lowest cell

	CriticalH     float64 // weakest cell reaches 3.5 MPa
	CriticalMeanH float64
	CriticalTopH  float64
	// By Element.TargetsMPa: weakest cell, mean and top 25 mm.
	TargetH, TargetMeanH, TargetTopH []float64

	// The coldest a cell was before CriticalH, or to the end when not reached.
	MinBeforeCriticalC, MinBeforeCriticalH, MinBeforeCriticalDepthM float64
	GuardH                                                          float64 // first time a cell falls below Element.GuardC before CriticalH
	MinC, MaxC                                                      float64 // of any cell
	PeakTopC                                                        float64

	// FrozeEarly says that a cell froze before it had 3.5 MPa: when first, where,
	// its strength then, and the largest share of its water that turned to ice
	// before CriticalH.
	FrozeEarly       bool
	FrozeH           float64
	FrozeDepthM      float64
	FrozeStrengthMPa float64
	FrozenShare      float64

	PeakEvaporationKgM2H float64 // bare, before final set of the top
	PeakEvaporationH     float64

	Balance Balance
	EndH    float64 // the run went to here
}

func (run *PourRun) check() error {
	e := &run.Element
	if e.Model == nil || run.Ground == nil || !(run.HoursH > 0) {
		return fmt.Errorf("%w: pour lacks a mix, a ground or hours", ErrInput)
	}
	if !(e.ThicknessM >= minThicknessM && e.ThicknessM <= maxThicknessM) || e.FoamM < 0 || e.FormRM2KW < 0 || (e.Kind == Footing && !(e.WidthM > 0)) {
		return fmt.Errorf("%w: element %+v", ErrInput, *e)
	}
	for i := range run.Lanes {
		l := &run.Lanes[i]
		if l.Forcing == nil || (e.Kind != Wall && l.Ground.ground == nil) || math.IsNaN(l.StartH) || l.HoursH < 0 ||
			!(math.Abs(l.PlacedTempC) < 90) || l.BatchedBeforeH < 0 {
			return fmt.Errorf("%w: pour lane %d", ErrInput, i)
		}
	}
	return nil
}

const minThicknessM, maxThicknessM = 0.02, 5.0

// RunPour computes an element in every lane. It fails when the run is not
// possible; ground states are taken over to its Ground where they stem from
// another.
func (s *Solver) RunPour(run PourRun) ([]Result, error) {
	if err := run.check(); err != nil {
		return nil, err
	}
	run.Site = run.Site.withDefaults()
	results := resize(run.Into, len(run.Lanes))
	return results, blocks(len(run.Lanes), func(from, to int) error {
		return s.pourBlock(&run, run.Lanes[from:to], results[from:to])
	})
}
