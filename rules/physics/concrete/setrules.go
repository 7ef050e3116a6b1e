package concrete

import "math"

// The trade rules below know setting by concrete temperature alone, for plain
// mixes; slag and fly ash run later, accelerators earlier. They stand beside the
// model as a check and as a band.

// tenFBelow is how many steps of 10 F tempC lies below baseC.
func tenFBelow(baseC, tempC float64) float64 { return (baseC - tempC) * 9 / 5 / 10 }

// OneThirdRuleH is setting a third longer per 10 F drop, published down to 40 F,
// from the hours at a base temperature.
func OneThirdRuleH(baseH, baseC, tempC float64) float64 {
	return baseH * math.Pow(4.0/3, tenFBelow(baseC, tempC))
}

// DoublingRuleH is setting twice as long per 20 F drop (NRMCA CIP 27).
func DoublingRuleH(baseH, baseC, tempC float64) float64 {
	return baseH * math.Pow(2, tenFBelow(baseC, tempC)/2)
}

// SurveyWaitH is the wait until a power float may start by a survey of contractors
// (ASCC Position Statement 15: 1.75, 2.75 and 4.25 h at 90, 70 and 50 F), geometric
// between and beyond.
func SurveyWaitH(tempC float64) float64 {
	const at90, at70, at50, c70 = 1.75, 2.75, 4.25, (70.0 - 32) * 5 / 9
	steps := tenFBelow(c70, tempC) / 2
	if steps < 0 {
		return at70 * math.Pow(at90/at70, -steps)
	}
	return at70 * math.Pow(at50/at70, steps)
}

// NorwegianRule is open time relative to 20 C: half as long again per 10 C down to
// 10 C, 2.5 times from there to 0 C (Vollset): 4 h at 20 C are 6 h at 10 C and 10 h at
// 0 C, which is 10/6 for the last step.
func NorwegianRule(tempC float64) float64 {
	at10 := 1.5
	if tempC >= 10 {
		return math.Pow(at10, (RefTempC-tempC)/10)
	}
	return at10 * math.Pow(10.0/6, (10-tempC)/10)
}

// A SetBand is setting as published rules have it, in hours: no rule is more than a
// band.
type SetBand struct{ LowH, CentreH, HighH float64 }

// surveyPer10F is the growth per 10 F in the survey between 70 and 50 F.
var surveyPer10F = math.Sqrt(4.25 / 2.75)

// warmTable is the set-time table above 70 F in h, for a mix that sets in 6 h at
// 70 F; it falls faster than the one-third rule.
var warmTable = []struct{ f, h float64 }{{70, 6}, {80, 4}, {90, 8.0 / 3}, {100, 5.0 / 3}}

// SetBandAt is the band at tempC for a mix that sets in h70 hours at 70 F: survey,
// one-third and doubling rule below 70 F; above, the table as the centre. There is
// no set below -4 C (25 F), where fresh concrete freezes: all +Inf.
func SetBandAt(h70, tempC float64) SetBand {
	const c70, freezesC = (70.0 - 32) * 5 / 9, -4.0
	if tempC < freezesC {
		return SetBand{math.Inf(1), math.Inf(1), math.Inf(1)}
	}
	survey := h70 * math.Pow(surveyPer10F, tenFBelow(c70, tempC))
	doubling := DoublingRuleH(h70, c70, tempC)
	if tempC <= c70 {
		return SetBand{survey, OneThirdRuleH(h70, c70, tempC), doubling}
	}
	centre := h70 / 6 * warmTableH(tempC*9/5+32)
	return SetBand{math.Min(centre, doubling), centre, math.Max(centre, survey)}
}

// warmTableH is geometric between the rows of the table and beyond its end.
func warmTableH(f float64) float64 {
	i := 1
	for i < len(warmTable)-1 && f > warmTable[i].f {
		i++
	}
	lo, hi := warmTable[i-1], warmTable[i]
	return lo.h * math.Pow(hi.h/lo.h, (f-lo.f)/(hi.f-lo.f))
}
