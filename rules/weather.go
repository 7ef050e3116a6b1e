package rules

import (
	"fmt"
	"math"
	"slices"
	"time"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/sun"
)

// longestGapH is the longest gap in a series that is bridged by a straight
// line, in hours: public forecasts thin out to six-hourly values late in their
// range. A longer gap ends the weather.
const longestGapH = 6

// What stands in for members of the weather that were not supplied. The
// humidity, wind and cloud are those of the worked demonstration of the slab
// model; the gust factor is common practice, no source.
const (
	fillRelHumidity = 0.75
	fillWindMS      = 3.6
	fillCloud       = 0.5
	fillGustFactor  = 1.5
)

// weather is the case's hours made dense: one per hour without a gap, every
// member filled, from the first hour given to the last that has an air
// temperature.
type weather struct {
	from  time.Time // a full hour
	hours []wxHour
}

// A wxHour is one hour of dense weather: states at its beginning, sums, means
// and maxima over the hour that begins there.
type wxHour struct {
	airC, dewC, windMS, cloud float64 // states
	snowM                     float64 // state
	gustMS, swWm2, precipMM   float64 // of the hour; sunlight after the site's shade
	precipKnown               bool    // precipMM was given
	precipProb                float64 // of the hour; NaN when not given
	precipType                string
	airSDC, windSDMS          float64 // the source's own spread; NaN when not given
}

// until is the time of the last hour: the weather says nothing after it.
func (w *weather) until() time.Time { return w.timeOf(len(w.hours) - 1) }

// timeOf is the beginning of hour i.
func (w *weather) timeOf(i int) time.Time { return w.from.Add(time.Duration(i) * time.Hour) }

// clock is t in hours since the weather began, the clock of the slab model.
func (w *weather) clock(t time.Time) float64 { return t.Sub(w.from).Hours() }

// time is the inverse of clock, to the second; zero for NaN and Inf.
func (w *weather) time(h float64) time.Time {
	if math.IsNaN(h) || math.IsInf(h, 0) {
		return time.Time{}
	}
	return w.from.Add(time.Duration(math.Round(h*3600)) * time.Second)
}

// covers reports whether the weather reaches from a to b.
func (w *weather) covers(a, b time.Time) bool {
	return len(w.hours) > 0 && !a.Before(w.from) && !b.After(w.until())
}

// index is the hour that t falls in, clamped to the weather, and the share of
// that hour that has passed.
func (w *weather) index(t time.Time) (int, float64) {
	x := w.clock(t)
	if x <= 0 {
		return 0, 0
	}
	i := int(x)
	if i >= len(w.hours)-1 {
		return len(w.hours) - 1, 0
	}
	return i, x - float64(i)
}

// at is the weather at t: states linear between the hours, the rest of the hour
// t falls in.
func (w *weather) at(t time.Time) wxHour {
	i, f := w.index(t)
	h := w.hours[i]
	if f == 0 {
		return h
	}
	n := &w.hours[i+1]
	h.airC += f * (n.airC - h.airC)
	h.dewC += f * (n.dewC - h.dewC)
	h.windMS += f * (n.windMS - h.windMS)
	h.cloud += f * (n.cloud - h.cloud)
	h.snowM += f * (n.snowM - h.snowM)
	return h
}

// each calls f for every hour from a to b with the hour's beginning.
func (w *weather) each(a, b time.Time, f func(at time.Time, h *wxHour)) {
	for i, _ := w.index(a); i < len(w.hours); i++ {
		at := w.timeOf(i)
		if at.After(b) {
			return
		}
		f(at, &w.hours[i])
	}
}

// meanAirC is the mean air temperature from a to b, as far as the weather
// reaches.
func (w *weather) meanAirC(a, b time.Time) float64 {
	var sum, n float64
	w.each(a, b, func(_ time.Time, h *wxHour) { sum += h.airC; n++ })
	if n == 0 {
		return w.at(a).airC
	}
	return sum / n
}

// minAirC is the lowest air temperature from a to b, as far as the weather
// reaches.
func (w *weather) minAirC(a, b time.Time) float64 {
	low := math.Min(w.at(a).airC, w.at(b).airC)
	w.each(a, b, func(at time.Time, h *wxHour) {
		if !at.Before(a) {
			low = math.Min(low, h.airC)
		}
	})
	return low
}

// denseWeather makes the case's weather dense around the start. What had to be
// filled comes back as assumptions. The reason is not empty when no weather
// covers the start.
func denseWeather(c *Case) (w weather, filled []Assumption, reason string) {
	hours := tidy(c.Weather)
	if len(hours) == 0 {
		return w, nil, "there is no weather with an air temperature"
	}
	hours = unbroken(hours, c.Pour.StartsAt)
	w.from = hours[0].At
	n := int(hours[len(hours)-1].At.Sub(w.from)/time.Hour) + 1
	slot := make([]*Hour, n)
	for i := range hours {
		slot[int(hours[i].At.Sub(w.from)/time.Hour)] = &hours[i]
	}
	w.hours = make([]wxHour, n)
	f := filler{site: &c.Site, slot: slot, w: &w}
	f.fill()
	if !w.covers(c.Pour.StartsAt, c.Pour.StartsAt) {
		return w, f.filled, "the weather given does not reach the start"
	}
	return w, f.filled, ""
}

// tidy keeps the hours that have an air temperature, in order, one per hour; of
// two for the same hour the later in the list counts.
func tidy(given []Hour) []Hour {
	hours := make([]Hour, 0, len(given))
	ordered := true
	for _, h := range given {
		if h.AirTempC == nil || math.IsNaN(*h.AirTempC) {
			continue
		}
		h.At = h.At.UTC().Truncate(time.Hour)
		if n := len(hours); n > 0 && !h.At.After(hours[n-1].At) {
			ordered = false
		}
		hours = append(hours, h)
	}
	if ordered {
		return hours
	}
	slices.SortStableFunc(hours, func(a, b Hour) int { return a.At.Compare(b.At) })
	kept := hours[:0]
	for i, h := range hours {
		if i+1 < len(hours) && hours[i+1].At.Equal(h.At) {
			continue
		}
		kept = append(kept, h)
	}
	return kept
}

// unbroken is the stretch of hours around start without a gap that is too long
// to bridge: the last stretch that begins at or before start, else the first.
func unbroken(hours []Hour, start time.Time) []Hour {
	from := 0
	for i := 1; i < len(hours); i++ {
		if hours[i].At.Sub(hours[i-1].At) <= longestGapH*time.Hour {
			continue
		}
		if hours[i].At.After(start) {
			return hours[from:i]
		}
		from = i
	}
	return hours[from:]
}

// A filler writes dense weather from hours with gaps.
type filler struct {
	site   *Site
	slot   []*Hour // by hour of the weather; nil where none was given
	w      *weather
	filled []Assumption
}

func (f *filler) fill() {
	hours := f.w.hours
	f.state(func(h *Hour) *float64 { return h.AirTempC }, func(d *wxHour, v float64) { d.airC = v })
	dry := f.state(func(h *Hour) *float64 { return h.DewPointC }, func(d *wxHour, v float64) { d.dewC = math.Min(v, d.airC) })
	for _, i := range dry {
		hours[i].dewC = air.DewPointC(hours[i].airC, fillRelHumidity)
	}
	f.note("dew_point_c", len(dry), fillRelHumidity, "relative humidity")

	calm := f.state(func(h *Hour) *float64 { return h.WindMS }, func(d *wxHour, v float64) { d.windMS = math.Max(0, v) })
	for _, i := range calm {
		hours[i].windMS = fillWindMS
	}
	f.note("wind_ms", len(calm), fillWindMS, "wind in m/s")

	grey := f.state(func(h *Hour) *float64 { return h.Cloud }, func(d *wxHour, v float64) { d.cloud = min(1, max(0, v)) })
	for _, i := range grey {
		hours[i].cloud = fillCloud
	}
	f.note("cloud", len(grey), fillCloud, "cloud cover")

	f.sums()
	f.sunlight()
}

// state fills one state by straight lines over gaps of up to longestGapH and
// returns the hours it could not fill.
func (f *filler) state(get func(*Hour) *float64, set func(*wxHour, float64)) []int {
	var open []int
	last := -1
	var before float64
	for i, h := range f.slot {
		if h == nil {
			continue
		}
		v := get(h)
		if v == nil || math.IsNaN(*v) {
			continue
		}
		bridged := last >= 0 && i-last <= longestGapH
		for g := last + 1; g < i; g++ {
			if bridged {
				set(&f.w.hours[g], before+(*v-before)*float64(g-last)/float64(i-last))
			} else {
				open = append(open, g)
			}
		}
		set(&f.w.hours[i], *v)
		last, before = i, *v
	}
	for g := last + 1; g < len(f.slot); g++ {
		open = append(open, g)
	}
	return open
}

// sums fills what belongs to the hour and the members nobody interpolates.
func (f *filler) sums() {
	var gustless int
	snow := 0.0
	for i, h := range f.slot {
		d := &f.w.hours[i]
		d.gustMS, d.precipProb, d.airSDC, d.windSDMS = math.NaN(), math.NaN(), math.NaN(), math.NaN()
		d.precipType = "none"
		if h != nil {
			d.gustMS = value(h.GustMS, d.gustMS)
			d.precipMM, d.precipKnown = math.Max(0, value(h.PrecipMM, 0)), h.PrecipMM != nil && !math.IsNaN(*h.PrecipMM)
			d.precipProb = value(h.PrecipProb, d.precipProb)
			d.airSDC = value(h.AirTempSDC, d.airSDC)
			d.windSDMS = value(h.WindSDMS, d.windSDMS)
			if h.PrecipType != "" {
				d.precipType = h.PrecipType
			} else if d.precipMM > 0 {
				d.precipType = "unknown"
			}
			snow = math.Max(0, value(h.SnowDepthM, snow))
		}
		d.snowM = snow
		if math.IsNaN(d.gustMS) {
			d.gustMS = fillGustFactor * d.windMS
			gustless++
		}
	}
	f.note("gust_ms", gustless, fillGustFactor, "times the wind")
}

// sunlight takes the sun of the forecast, else of a clear sky through the
// cloud, and lets the site's shade keep off what comes straight from the sun.
func (f *filler) sunlight() {
	var missing int
	for i := range f.w.hours {
		d := &f.w.hours[i]
		given := math.NaN()
		if h := f.slot[i]; h != nil {
			given = value(h.ShortwaveWm2, given)
		}
		if given <= 0 {
			continue
		}
		if !math.IsNaN(given) && f.site.Shade == 0 {
			d.swWm2 = given
			continue
		}
		mid := f.w.timeOf(i).Add(30 * time.Minute)
		cosZ := sun.At(mid, f.site.Latitude, f.site.Longitude).CosZenith()
		if math.IsNaN(given) {
			missing++
			given = sun.CloudyWm2(sun.ClearSkyWm2(cosZ), d.cloud)
		}
		diffuse := sun.DiffuseShare(given, cosZ, mid.YearDay())
		d.swWm2 = given * (1 - f.site.Shade*(1-diffuse))
	}
	f.note("shortwave_wm2", missing, "clear sky and cloud", "sunlight from")
}

// note records that a member was missing in n hours and what stood in for it.
func (f *filler) note(member string, n int, stand any, what string) {
	if n == 0 {
		return
	}
	f.filled = append(f.filled, Assumption{
		Pointer: "/weather/*/" + member,
		Value:   stand,
		Reason:  fmt.Sprintf("missing in %d of %d hours: %s %v", n, len(f.slot), what, stand),
	})
}

// value is what p points at, or the stand-in when nothing was supplied.
func value(p *float64, standIn float64) float64 {
	if p == nil || math.IsNaN(*p) {
		return standIn
	}
	return *p
}
