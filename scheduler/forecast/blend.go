package forecast

import (
	"cmp"
	"math"
	"slices"
	"time"

	"frostgate/rules/physics/air"
)

// A Place is where the weather is wanted.
type Place struct {
	Latitude, Longitude, ElevationM float64
	Orders                          Orders // that somebody set; the others are the usual ones
}

// An Offer is weather of one source for a place.
type Offer struct {
	ID         string // the caller's own
	Source     string
	IssuedAt   time.Time
	Observed   bool // measured: never taken for hours to come
	Partial    bool // a spread: nothing else is taken from it
	ElevationM float64
	// StaleAfter and DeadAfter are ages from which its hours to come are doubtful,
	// and not used; 0 is never. What has passed does not age.
	StaleAfter, DeadAfter time.Duration
	Hours                 []Hour // rising; none only says that the source is there
}

// A Blend is the weather of a place, each variable of each hour from the best
// source that has it.
type Blend struct {
	Hours   []Hour
	Origins []Origin // by variable and time
	// Reach is the last hour with air temperature, wind and humidity; zero without
	// one. There are no hours after it.
	Reach time.Time
	// IssuedAt is the time of issue of the oldest weather that the air, the wind and
	// the humidity of the coming two days rest on; zero without any.
	IssuedAt time.Time
	Stale    bool // it is doubtful
	Region   Region
}

// An Origin says where a variable comes from over a stretch of hours.
type Origin struct {
	Variable    Variable
	Offer       int // index of the offer
	From, Until time.Time
	Fallback    bool
}

// Correction of air temperature for height: the standard atmosphere's lapse, and
// the difference that is worth it (services correct to the height asked for,
// rounded to 50 m).
const (
	lapseKPerM  = 0.0065
	heightWorth = 50.0
)

// near is how far ahead the age of what an assessment rests on counts.
const near = 48 * time.Hour

// BlendOffers puts together the weather of a place from some hours back to as
// far ahead as it reaches. Offers of one source are used the newest first.
func BlendOffers(p Place, offers []Offer, from, now time.Time) Blend {
	m := newMixer(p, offers, now)
	from, hour := from.Truncate(time.Hour), now.Truncate(time.Hour)
	end := m.end()
	m.Hours = make([]Hour, 0, max(0, int(end.Sub(from)/time.Hour)+1))
	for at := from; !at.After(end); at = at.Add(time.Hour) {
		h := Hour{}
		h.At = at.UTC()
		m.mix(&h, !at.Before(hour))
		if !h.empty() {
			m.Hours = append(m.Hours, h)
		}
	}
	m.finish(hour)
	return m.Blend
}

// A mixer is a blend on its way.
type mixer struct {
	Blend
	place  Place
	offers []Offer
	now    time.Time
	ranks  [][]int // of offers, by choice
	first  []string
	next   []int // first hour of each offer that is not before the present one
	last   []int // offer that each choice took last; -1 for none
	open   []int // origin that each choice goes on with
}

func newMixer(p Place, offers []Offer, now time.Time) *mixer {
	m := &mixer{place: p, offers: offers, now: now, next: make([]int, len(offers))}
	names := make([]string, len(offers))
	for i := range offers {
		names[i] = offers[i].Source
	}
	m.Region = RegionOf(p, names)
	for i := range choices {
		order := p.Orders.of(&choices[i], m.Region)
		m.ranks = append(m.ranks, m.rank(order))
		m.first = append(m.first, firstOf(order, names))
		m.last, m.open = append(m.last, -1), append(m.open, -1)
	}
	return m
}

// firstOf is the first source of an order that is there.
func firstOf(order, there []string) string {
	for _, name := range order {
		if slices.Contains(there, name) {
			return name
		}
	}
	return ""
}

// rank orders the offers: what was measured, then by source, then the newest
// first; doubtful ones behind all others.
func (m *mixer) rank(order []string) []int {
	place := func(o *Offer) int {
		switch at := slices.Index(order, o.Source); {
		case o.Observed:
			return -1
		case at < 0:
			return len(order)
		default:
			return at
		}
	}
	at := make([]int, len(m.offers))
	for i := range at {
		at[i] = i
	}
	slices.SortStableFunc(at, func(i, k int) int {
		a, b := &m.offers[i], &m.offers[k]
		return cmp.Or(
			cmp.Compare(btoi(m.stale(a)), btoi(m.stale(b))),
			cmp.Compare(place(a), place(b)),
			b.IssuedAt.Compare(a.IssuedAt),
		)
	})
	return at
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (m *mixer) stale(o *Offer) bool {
	return !o.Observed && o.StaleAfter > 0 && m.now.Sub(o.IssuedAt) > o.StaleAfter
}

func (m *mixer) dead(o *Offer) bool {
	return o.Observed || o.DeadAfter > 0 && m.now.Sub(o.IssuedAt) > o.DeadAfter
}

// end is the last hour that anybody offers.
func (m *mixer) end() time.Time {
	var end time.Time
	for i := range m.offers {
		if n := len(m.offers[i].Hours); n > 0 && m.offers[i].Hours[n-1].At.After(end) {
			end = m.offers[i].Hours[n-1].At
		}
	}
	return end
}

// mix fills one hour.
func (m *mixer) mix(h *Hour, ahead bool) {
	for k := range choices {
		c := &choices[k]
		i, from := m.choose(k, h.At, ahead)
		if from == nil {
			m.last[k] = -1
			continue
		}
		o := &m.offers[i]
		c.take(h, from)
		if c.variable == AirAndHumidity {
			m.correctHeight(h, o)
		}
		fallback := !o.Observed && o.Source != m.first[k]
		m.flag(h, from, k, i, ahead, fallback)
		m.trace(k, i, h.At, fallback)
	}
	if h.GustMS != nil && h.WindMS != nil && *h.GustMS < *h.WindMS-gustUnderWind {
		h.GustMS = nil // of another source than the wind
	}
}

// choose finds the best offer for a choice at a time: one that has all of it,
// else one that has a part.
func (m *mixer) choose(k int, at time.Time, ahead bool) (int, *Hour) {
	c := &choices[k]
	isSpread := c.variable == AirSpread || c.variable == WindSpread
	for _, enough := range []func(*Hour) bool{c.whole, c.part} {
		for _, i := range m.ranks[k] {
			o := &m.offers[i]
			switch {
			case o.Partial && !isSpread, o.Observed && !c.measured, ahead && m.dead(o):
				continue
			}
			if h := m.hour(i, at); h != nil && enough(h) {
				return i, h
			}
		}
	}
	return 0, nil
}

// hour finds the hour of an offer. Times only rise.
func (m *mixer) hour(i int, at time.Time) *Hour {
	hours := m.offers[i].Hours
	for m.next[i] < len(hours) && hours[m.next[i]].At.Before(at) {
		m.next[i]++
	}
	if n := m.next[i]; n < len(hours) && hours[n].At.Equal(at) {
		return &hours[n]
	}
	return nil
}

// correctHeight brings air from the height of an offer to that of the place, at
// the same relative humidity.
func (m *mixer) correctHeight(h *Hour, o *Offer) {
	higher := m.place.ElevationM - o.ElevationM
	if math.Abs(higher) <= heightWorth || h.AirTempC == nil {
		return
	}
	dC := -lapseKPerM * higher
	h.AirTempC = new(*h.AirTempC + dC)
	switch {
	case h.RelHumidity != nil && h.DewPointC != nil:
		h.DewPointC = new(air.DewPointC(*h.AirTempC, *h.RelHumidity))
	case h.DewPointC != nil:
		h.DewPointC = new(*h.DewPointC + dC)
	}
	h.Flags.Set(Temperature, Derived)
}

// flag carries over what the source says of a group, and adds what the choice
// does.
func (m *mixer) flag(h, from *Hour, k, i int, ahead, fallback bool) {
	g, o := choices[k].group, &m.offers[i]
	for f := range flagCount {
		if from.Flags.Has(g, f) {
			h.Flags.Set(g, f)
		}
	}
	if fallback {
		h.Flags.Set(g, Fallback)
	}
	if ahead && m.stale(o) {
		h.Flags.Set(g, Stale)
	}
	if last := m.last[k]; last >= 0 && m.offers[last].Source != o.Source {
		h.Flags.Set(g, Seam)
	}
	m.last[k] = i
}

// trace records where a variable comes from.
func (m *mixer) trace(k, i int, at time.Time, fallback bool) {
	if open := m.open[k]; open >= 0 {
		o := &m.Origins[open]
		if o.Offer == i && at.Sub(o.Until) == time.Hour {
			o.Until = at
			return
		}
	}
	m.open[k] = len(m.Origins)
	m.Origins = append(m.Origins, Origin{Variable: choices[k].variable, Offer: i, From: at, Until: at, Fallback: fallback})
}

// finish cuts the hours where they stop being complete, and finds how old they
// are.
func (m *mixer) finish(hour time.Time) {
	m.Reach = reachOf(m.Hours, m.now)
	if m.Reach.Before(hour) {
		m.Reach = time.Time{}
	}
	until := m.Reach
	if until.IsZero() {
		until = hour.Add(-time.Hour) // what has passed may still tell of the ground
	}
	m.Hours = m.Hours[:upTo(m.Hours, until)]
	for _, o := range m.Origins {
		lead := o.Variable == AirAndHumidity || o.Variable == WindSpeed
		if !lead || m.Reach.IsZero() || o.Until.Before(hour) || o.From.After(hour.Add(near)) {
			continue
		}
		offer := &m.offers[o.Offer]
		if m.IssuedAt.IsZero() || offer.IssuedAt.Before(m.IssuedAt) {
			m.IssuedAt = offer.IssuedAt
		}
		m.Stale = m.Stale || m.stale(offer)
	}
}

// upTo is how many hours do not lie after a time.
func upTo(hours []Hour, until time.Time) int {
	n, _ := slices.BinarySearchFunc(hours, until.Add(time.Second), func(h Hour, t time.Time) int { return h.At.Compare(t) })
	return n
}
