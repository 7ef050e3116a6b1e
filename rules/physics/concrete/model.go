package concrete

import (
	"errors"
	"fmt"
)

// PlainFreezingPointC is the initial freezing point of pore water without
// admixtures; CAL/MEM, published between -0.5 and -3 C.
const PlainFreezingPointC = -1.0

// A Mix is one cubic metre of concrete and the firm's calibration.
type Mix struct {
	Cement        CementType
	CementKgM3    float64
	FlyAshKgM3    float64
	SlagKgM3      float64
	WaterKgM3     float64 // all of it, with free moisture
	AggregateKgM3 float64
	StrengthMPa   float64 // at 28 days

	Accelerator     Accelerator // the zero value means none
	WaterReducerPct float64     // percent of product by mass of cement

	SetFactor      float64 // on setting times; 0 means DefaultSetFactor
	StrengthFactor float64 // on the rate of strength gain; 0 means 1
}

// A Model is a mix resolved: everything that stays constant while it ages. All
// equivalent ages are in hours at 20 C, counted from batching.
type Model struct {
	CementitiousKgM3 float64
	WaterKgM3        float64
	AggregateKgM3    float64

	Hydration        Hydration
	HeatJKg          float64 // of complete hydration, J/kg of cementitious material
	HeatPerDegreeJM3 float64 // heat of complete hydration, J/m3
	HeatQK           float64 // activation parameter of the heat age

	InitialSetH float64 // setting age at initial set
	FinalSetH   float64 // setting age at final set
	SetQK       float64

	UltimateMPa  float64
	StrengthTauH float64
	StrengthBeta float64
	StrengthQK   float64

	FreezingPointC float64

	freshCapacity float64 // J/m3K at degree 0
}

// ErrMix is returned by New for a mix that cannot be resolved.
var ErrMix = errors.New("mix cannot be resolved")

// New resolves a mix. It fails on an unknown cement type and on proportions,
// strength or factors that are not positive.
func New(x Mix) (*Model, error) {
	d, ok := defaults[x.Cement]
	if !ok {
		return nil, fmt.Errorf("%w: cement type %q", ErrMix, x.Cement)
	}
	cm := x.CementKgM3 + x.FlyAshKgM3 + x.SlagKgM3
	// Asked this way round, NaN is refused too.
	proportioned := x.CementKgM3 > 0 && x.FlyAshKgM3 >= 0 && x.SlagKgM3 >= 0 && x.WaterKgM3 > 0 && x.AggregateKgM3 >= 0
	if !proportioned {
		return nil, fmt.Errorf("%w: proportions", ErrMix)
	}
	rated := x.StrengthMPa > 0 && x.SetFactor >= 0 && x.StrengthFactor >= 0
	if !rated {
		return nil, fmt.Errorf("%w: strength or calibration", ErrMix)
	}
	setFactor, strengthFactor := orDefault(x.SetFactor, DefaultSetFactor), orDefault(x.StrengthFactor, 1)
	acc := x.Accelerator
	if acc == (Accelerator{}) {
		acc = NoAccelerator
	}

	wcm := x.WaterKgM3 / cm
	scm := SCM{FlyAsh: x.FlyAshKgM3 / cm, FlyAshCaO: ClassFCaO, Slag: x.SlagKgM3 / cm}
	slow := scm.slowdown()

	h, _ := DefaultHydration(x.Cement, wcm, scm)
	h.TauH /= acc.Heat
	heatJKg := 1000 * scm.HeatJG(typical[x.Cement].HeatJG())

	initialH, finalH := SetTimesH(x.Cement, wcm)
	set := slow * setFactor * reducerBeyondField(x.WaterReducerPct) / acc.Set

	plainTau := d.strengthTauH * slow
	return &Model{
		CementitiousKgM3: cm,
		WaterKgM3:        x.WaterKgM3,
		AggregateKgM3:    x.AggregateKgM3,
		Hydration:        h,
		HeatJKg:          heatJKg,
		HeatPerDegreeJM3: heatJKg * cm,
		HeatQK:           h.ActivationEnergyJMol / GasConstant,
		InitialSetH:      initialH * set,
		FinalSetH:        finalH * set,
		SetQK:            SetQK,
		// Su follows from the plain mix: an accelerator shifts strength in time
		// and is not credited with more of it (E50).
		UltimateMPa:    ultimateMPa(x.StrengthMPa, plainTau, d.strengthBe),
		StrengthTauH:   plainTau / (acc.Strength * strengthFactor),
		StrengthBeta:   d.strengthBe,
		StrengthQK:     StrengthQK,
		FreezingPointC: PlainFreezingPointC + acc.FreezeShiftC,
		freshCapacity:  (cm+x.AggregateKgM3)*solidHeat + x.WaterKgM3*waterHeat,
	}, nil
}

func orDefault(v, def float64) float64 {
	if v == 0 {
		return def
	}
	return v
}
