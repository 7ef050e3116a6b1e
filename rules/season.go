package rules

import (
	"math"
	"time"
)

// threeDayRun is how many successive cold days make cold weather by the older
// definition: more than three.
const threeDayRun = 4

// warmC is the air, 50 F, that ends the older cold weather when it lasts for more
// than half of any 24 h.
var warmC = fromF(50)

// A dayRange is the highest and lowest air of one day, midnight to midnight.
type dayRange struct{ highC, lowC float64 }

// cold reports whether the mean of the highest and lowest, not that of hourly
// readings, is below 40 F (ACI 306R-88 1.1; ACI 306.1-90).
func (d dayRange) cold(limitC float64) bool { return (d.highC+d.lowC)/2 < limitC }

// coldWeather is the season by both published definitions.
func (j *job) coldWeather() ColdWeather {
	var w ColdWeather
	if below, known := j.airColdInPeriod(); known {
		w.Protection = new(!below.IsZero())
	}
	if cold, known := j.threeDay(); known {
		w.ThreeDay = &cold
	}
	return w
}

// airColdInPeriod is the first hour of cold weather in the protection period, or in
// the first day where that is shorter (CSA A23.1), zero when there is none (ACI
// 306R-10 and -16). It is not known when the
// weather ends before the period and has no such hour. Where the authority counts
// recorded temperatures only, hours still to come are not cold.
func (j *job) airColdInPeriod() (first time.Time, known bool) {
	start := j.c.Pour.StartsAt
	periodH, _ := j.protectionPeriodH()
	end := start.Add(hours(math.Max(24, periodH)))
	if j.recordedOnly() && j.c.AssessedAt.Before(end) {
		end = j.c.AssessedAt
	}
	j.wx.each(start, end, func(at time.Time, h *wxHour) {
		if first.IsZero() && !at.Before(start) && j.limits.cold(h.airC) {
			first = at
		}
	})
	return first, !first.IsZero() || !end.After(j.wx.until())
}

// recordedOnly reports whether a local rule counts past temperatures only.
func (j *job) recordedOnly() bool {
	for i := range j.c.Site.LocalRules {
		if j.c.Site.LocalRules[i].Kind == localRecordedOnly {
			return true
		}
	}
	return false
}

// threeDay is the older definition on the day of the start: more than three
// successive cold days up to it, in the site's time, and since then no 24 h with
// air above 50 F for more than half. Not known when the weather holds too few
// whole days.
func (j *job) threeDay() (cold, known bool) {
	var run, days int
	var since time.Time // the first of the days that count
	until := j.midnight(j.c.Pour.StartsAt, 1)
	if until.After(j.wx.until()) {
		until = j.wx.until()
	}
	for n := 0; ; n++ {
		from, to := j.midnight(j.wx.from, n), j.midnight(j.wx.from, n+1)
		if to.After(until) {
			break
		}
		if from.Before(j.wx.from) {
			continue
		}
		days++
		if run == 0 && !cold {
			since = from
		}
		switch {
		case j.warmHalfDay(since, from, to):
			cold, run = false, 0
		case j.dayRange(from, to).cold(j.limits.value("season.cold_c")):
			run++
			cold = cold || run >= threeDayRun
		default:
			run = 0
		}
	}
	return cold, cold || days >= threeDayRun
}

// midnight begins the day n days after that of t, in the site's time.
func (j *job) midnight(t time.Time, n int) time.Time {
	y, m, d := t.In(j.zone).Date()
	return time.Date(y, m, d+n, 0, 0, 0, 0, j.zone)
}

// dayRange is the highest and lowest air from one midnight to the next; a day of
// 23 or 25 hours is one day.
func (j *job) dayRange(from, to time.Time) dayRange {
	r := dayRange{math.Inf(-1), math.Inf(1)}
	j.wx.each(from, to, func(at time.Time, h *wxHour) {
		if !at.Before(from) && at.Before(to) {
			r.highC, r.lowC = math.Max(r.highC, h.airC), math.Min(r.lowC, h.airC)
		}
	})
	return r
}

// warmHalfDay reports whether air was above 50 F for more than half of a 24 h that
// ends within a day and began no earlier than since.
func (j *job) warmHalfDay(since, from, to time.Time) bool {
	const window = 24
	begin := from.Add(-(window - 1) * time.Hour)
	if begin.Before(since) {
		begin = since
	}
	warm := 0
	first, _ := j.wx.index(begin)
	last, _ := j.wx.index(to)
	for i := first; i < last; i++ {
		if j.wx.hours[i].airC > warmC {
			warm++
		}
		if i-window >= first && j.wx.hours[i-window].airC > warmC {
			warm--
		}
		if warm > window/2 {
			return true
		}
	}
	return false
}

// seasonColdWeather notes that cold-weather rules hold, by which definition.
func (j *job) seasonColdWeather() []Finding {
	limit := j.limits.value("season.cold_c")
	first, _ := j.airColdInPeriod()
	threeDay, _ := j.threeDay()
	threeDay = threeDay && j.limits.code == CodeUS
	if first.IsZero() && !threeDay {
		return nil
	}
	say := j.say()
	f := j.finding("season.cold_weather", Note, "season.cold_c")
	if first.IsZero() {
		f.Source = Source{"A1-02", "ACI 306.1-90 and ACI 306R-88: more than 3 successive days with a mean below 40 °F", standingRead}
		f.Sentence = sentence("Cold weather by the older definition: more than three successive days with a mean below %s, though none colder is expected in the protection period.", say.temp(limit))
		return []Finding{f}
	}
	f.FirstAt = &first
	observed := j.wx.at(first).airC
	f.measure("degC", observed, limit, observed-limit)
	is, below := say.temps(observed, limit)
	f.Sentence = sentence("Cold weather: air of %s on %s, below %s within the protection period", is, say.clock(first), below)
	if threeDay {
		f.Sentence += ", and more than three cold days in a row"
	}
	f.Sentence += "."
	return []Finding{f}
}
