package rules

import "time"

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
	gustMS, swWm2, precipMM   float64 // of the hour
	precipProb                float64 // of the hour; NaN when not given
	precipType                string
	airSDC, windSDMS          float64 // the source's own spread; NaN when not given
}

// until is the time of the last hour: the weather says nothing after it.
func (w *weather) until() time.Time {
	return w.from.Add(time.Duration(len(w.hours)-1) * time.Hour)
}

// covers reports whether the weather reaches from a to b.
func (w *weather) covers(a, b time.Time) bool {
	return len(w.hours) > 0 && !a.Before(w.from) && !b.After(w.until())
}

// index is the hour that t falls in, clamped to the weather, and the share of
// that hour that has passed.
func (w *weather) index(t time.Time) (int, float64) {
	x := t.Sub(w.from).Hours()
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
	i, _ := w.index(a)
	for ; i < len(w.hours); i++ {
		at := w.from.Add(time.Duration(i) * time.Hour)
		if at.After(b) {
			return
		}
		f(at, &w.hours[i])
	}
}
