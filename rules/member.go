package rules

import (
	"math"
	"math/rand/v2"
	"time"
)

// A leadSD is the standard deviation of the forecast error at a lead.
type leadSD struct{ h, airC, windMS, cloud float64 }

// errorPrior is the error of hourly forecasts by lead where the source gives no
// spread of its own. Air temperature from 12 to 48 h is measured: root mean
// square error of winter lows north of 38 degrees, 80 US cities, 2021 (National
// Weather Service bulletins). Longer leads, wind and cloud are a prior: general
// levels of verification, CAL. The first hours are CAL: a measured state carried
// forward.
var errorPrior = []leadSD{
	{0, 1.0, 1.0, .20},
	{12, 2.05, 1.6, .28},
	{24, 2.10, 1.6, .28},
	{36, 2.19, 1.7, .29},
	{48, 2.28, 1.8, .30},
	{72, 2.44, 2.0, .33},
	{96, 2.89, 2.2, .35},
	{120, 3.44, 2.4, .37},
	{144, 4.00, 2.6, .38},
	{168, 4.44, 2.7, .39},
}

// measuredLeadH is the lead to which the error of air temperature is measured
// and not a prior.
const measuredLeadH = 48

// decidingH is the part of the members' weather that names its spread: set and
// freezing are mostly decided within the first day and a half. CAL.
const decidingH = 36

// pastErrorC is the error of the air temperature of hours gone by: a station or
// analysis near the site, not on it. CAL.
const pastErrorC = 0.5

// Persistence of the error. CAL: hourly errors follow one another with phi, and
// half of the deviation is one bias of the whole run.
const (
	errorPhi  = 0.96
	biasShare = 0.5
)

// Model error of a member, as log-normal standard deviations or degrees C.
// CAL; published scatter of such models and inputs.
const (
	setTimeSD      = 0.20
	strengthTimeSD = 0.15
	heatTimeSD     = 0.10
	convectionSD   = 0.35
	coverSD        = 0.25
	baseSD         = 0.25
	placedSDC      = 1.7 // 3 F
	groundSDC      = 1.1 // 2 F
)

// forecastSD is the error prior at a lead in hours, linear between its rows and
// flat beyond the last.
func forecastSD(leadH float64) leadSD {
	if leadH < 0 {
		return leadSD{leadH, pastErrorC, 0.5, 0.1}
	}
	for i := 1; i < len(errorPrior); i++ {
		a, b := errorPrior[i-1], errorPrior[i]
		if leadH <= b.h {
			f := (leadH - a.h) / (b.h - a.h)
			return leadSD{leadH, a.airC + f*(b.airC-a.airC), a.windMS + f*(b.windMS-a.windMS), a.cloud + f*(b.cloud-a.cloud)}
		}
	}
	last := errorPrior[len(errorPrior)-1]
	last.h = leadH
	return last
}

// sdAt is the standard deviation of the error of hour i: the source's own spread
// where it gives one, else the prior at its lead from assessedAt.
func (w *weather) sdAt(i int, assessedAt time.Time) leadSD {
	sd := forecastSD(w.timeOf(i).Sub(assessedAt).Hours())
	if h := &w.hours[i]; !math.IsNaN(h.airSDC) {
		sd.airC = h.airSDC
	}
	if h := &w.hours[i]; !math.IsNaN(h.windSDMS) {
		sd.windMS = h.windSDMS
	}
	return sd
}

// decile is the 90 percent quantile of the standard normal distribution, which the
// error of a member at any one hour has.
const decile = 1.2816

// A member is one way the forecast and the model may be wrong.
type member struct {
	airC, windMS, cloud []float64 // added to the weather, by hour of the weather

	setTime, strengthTime, heatTime       float64 // factors
	convection, coverR, groundConductance float64 // factors
	placedC, groundC                      float64 // added
}

// A spreadSource says where the spread of the members comes from.
type spreadSource string

const (
	spreadFromIssue spreadSource = "source"
	spreadMeasured  spreadSource = "measured"
	spreadPriorOnly spreadSource = "prior"
)

// drawMembers draws n members of all of a weather, judged from assessedAt. The
// same seed draws the same members.
func drawMembers(w *weather, assessedAt time.Time, n int, seed uint64) ([]member, spreadSource) {
	hours := len(w.hours)
	airSD, windSD, cloudSD := make([]float64, hours), make([]float64, hours), make([]float64, hours)
	spread := spreadMeasured
	for i := range hours {
		sd := w.sdAt(i, assessedAt)
		if i < decidingH && sd.h > measuredLeadH && spread == spreadMeasured {
			spread = spreadPriorOnly
		}
		if !math.IsNaN(w.hours[i].airSDC) {
			spread = spreadFromIssue
		}
		airSD[i], windSD[i], cloudSD[i] = sd.airC, sd.windMS, sd.cloud
	}
	rng := rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))
	series := make([]float64, 3*n*hours)
	members := make([]member, n)
	for k := range members {
		m := &members[k]
		m.airC, series = persistent(rng, airSD, series)
		m.windMS, series = persistent(rng, windSD, series)
		m.cloud, series = persistent(rng, cloudSD, series)
		m.setTime = logNormal(rng, setTimeSD)
		m.strengthTime = logNormal(rng, strengthTimeSD)
		m.heatTime = logNormal(rng, heatTimeSD)
		m.convection = logNormal(rng, convectionSD)
		m.coverR = logNormal(rng, coverSD)
		m.groundConductance = logNormal(rng, baseSD)
		m.placedC = placedSDC * rng.NormFloat64()
		m.groundC = groundSDC * rng.NormFloat64()
	}
	return members, spread
}

// persistent draws one series of errors with the standard deviations sd: a bias
// of the whole run and an hourly part that follows itself. It takes its room
// from buf and returns the rest.
func persistent(rng *rand.Rand, sd, buf []float64) (e, rest []float64) {
	e, rest = buf[:len(sd):len(sd)], buf[len(sd):]
	bias := biasShare * rng.NormFloat64()
	hourly := math.Sqrt(1 - biasShare*biasShare)
	x := rng.NormFloat64()
	step := math.Sqrt(1 - errorPhi*errorPhi)
	for i := range e {
		if i > 0 {
			x = errorPhi*x + step*rng.NormFloat64()
		}
		e[i] = sd[i] * (bias + hourly*x)
	}
	return e, rest
}

// logNormal draws a factor with median 1.
func logNormal(rng *rand.Rand, sd float64) float64 { return math.Exp(sd * rng.NormFloat64()) }
