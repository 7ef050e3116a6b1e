package forecast

import (
	"math"
	"time"

	"frostgate/rules"
)

// A LeadError sums forecast minus measured of a variable at a lead: all that was
// issued longer before than the lead below it and no longer than this one.
type LeadError struct {
	Variable   string // air_temp_c or wind_ms
	LeadH      int
	N          int64
	Sum, SumSq float64
}

// Bias is the mean error; it is not taken off a forecast, only shown.
func (e LeadError) Bias() float64 { return e.Sum / float64(e.N) }

// RMS is the root mean square error, with the bias in it.
func (e LeadError) RMS() float64 { return math.Sqrt(max(0, e.SumSq) / float64(e.N)) }

// enoughPairs is how many hours have to be compared at a lead before they count:
// about a week, since neighbouring hours err alike. Common practice, no source.
const enoughPairs = 168

// A LeadTable is the errors of the forecasts of a cell, by variable with rising
// leads.
type LeadTable []LeadError

// rms is the error of a variable at a lead; not ok while too little was compared.
func (t LeadTable) rms(variable string, lead time.Duration) (float64, bool) {
	for _, e := range t {
		if e.Variable == variable && lead <= time.Duration(e.LeadH)*time.Hour {
			return e.RMS(), e.N >= enoughPairs
		}
	}
	return 0, false
}

// Widen raises the spread of the hours to come to what the past errors of their
// forecast were, counted from its issue. A source's own spread stays where it is
// wider.
func (t LeadTable) Widen(hours []rules.Hour, issuedAt, now time.Time) {
	for k := range hours {
		h := &hours[k]
		lead := h.At.Sub(issuedAt)
		if h.At.Before(now) || lead <= 0 {
			continue
		}
		if sd, ok := t.rms("air_temp_c", lead); ok && (h.AirTempSDC == nil || *h.AirTempSDC < sd) {
			h.AirTempSDC = new(sd)
		}
		if sd, ok := t.rms("wind_ms", lead); ok && (h.WindSDMS == nil || *h.WindSDMS < sd) {
			h.WindSDMS = new(sd)
		}
	}
}
