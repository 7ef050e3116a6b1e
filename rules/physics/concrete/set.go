package concrete

// SetQK is the activation parameter of setting, in K (E42): the trade rule that
// setting grows by a third per 10 F down to 40 F gives 4075 to 4400. CAL.
const SetQK = 4200.0

// DefaultSetFactor is the field factor on setting times (f_set): 1.0 fits the
// laboratory with straight cement, 1.2 ready-mixed concrete with an ordinary
// water reducer, 1.35 hand finishing by 7 to 8 h. CAL, +-25 %: calibrate on the
// firm's own jobs, equivalent age at the observed event over the predicted one.
const DefaultSetFactor = 1.2

// BatchToPlaceH is the usual time from batching to placing, in hours, counted at
// the placing temperature. CAL.
const BatchToPlaceH = 0.75

// Degrees of hydration at initial and final set as a share of the
// water-cementitious ratio (E43; Schindler 2004; MEM, 0.15 also quoted for
// initial). Used only to scale set times with the ratio.
const (
	initialSetDegree = 0.14
	finalSetDegree   = 0.26
)

// setRefWCM is the water-cementitious ratio the tabulated set times hold for.
const setRefWCM = 0.48

// wcmScale is the time to reach degree share*w/cm on a curve of hydration of shape
// beta, relative to that at w/cm 0.48.
func wcmScale(wcm, share, beta float64) float64 {
	age := func(r float64) float64 { return expCurveInverse(1, beta, share*r/mills(r)) }
	return age(wcm) / age(setRefWCM)
}

// SetTimesH is the equivalent age at 20 C from batching to initial and final set
// (E41; ASTM C403: 500 and 4000 psi penetration) of a cement type without
// admixtures, in hours; 0 for an unknown type.
func SetTimesH(t CementType, wcm float64) (initialH, finalH float64) {
	d := defaults[t]
	return d.initialH * wcmScale(wcm, initialSetDegree, d.beta), d.finalH * wcmScale(wcm, finalSetDegree, d.beta)
}
