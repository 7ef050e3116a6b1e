package alert

import (
	"slices"
	"time"

	"frostgate/rules"
	"frostgate/rules/physics/sun"
)

// Calls are what the clock has to say of a pour, whatever its alerts: each once
// for each day that it is to start on.
const (
	CallAfternoon = "call.afternoon_before" // what to order and have ready for tomorrow
	CallCancel    = "call.cancel_by"        // the order can be cancelled only a little longer
	CallBase      = "call.first_light"      // check the base by hand
	CallCover     = "call.blankets_on"
	CallSaw       = "call.saw_window"
	CallUncover   = "call.protection_end" // required period and strength are reached: blankets off
)

// ReasonClock is why a call or a digest is said.
const ReasonClock = "hour_has_come"

// A Call is something to say at its time.
type Call struct {
	Type     string
	At       time.Time
	Until    time.Time // when it is of no more use
	Severity Severity
}

// When calls come: common practice, no source.
const (
	afternoonHour  = 13               // the plant still takes calls
	afternoonLasts = 9 * time.Hour    // until ten at night
	cancelNotice   = CriticalWithin   // as the verdict turns urgent
	leastLight     = time.Hour        // before the start, also where first light is later
	mostLight      = 3 * time.Hour    // before the start, where first light is long before
	coverNotice    = 30 * time.Minute // to fetch the blankets
	lateUse        = 4 * time.Hour    // of a call to cover or saw
	uncoverUse     = 36 * time.Hour   // of a call to uncover: it does no harm late
	sawNotice      = 15 * time.Minute // to get the saw out
)

// A Course is what the calls of a pour come from.
type Course struct {
	Placed     bool // else it is planned
	StartsAt   time.Time
	CancelBy   *time.Time
	Zone       *time.Location // of the site, like its place
	Latitude   float64
	Longitude  float64
	Planned    []rules.Protection // blankets of the plan
	Assessment *rules.Assessment  // the latest; nil when there is none
}

// Afternoon is when what starts on some later day is gone through: on the day
// before, while the plant still takes calls.
func Afternoon(start time.Time, zone *time.Location) time.Time {
	day := start.In(zone)
	return onWall(day, -1, afternoonHour*60)
}

// FirstLight is when the base of a pour can be checked by hand: civil dawn on the
// day of the start, but one to three hours before it.
func FirstLight(start time.Time, zone *time.Location, latitude, longitude float64) time.Time {
	last, first := start.Add(-leastLight), start.Add(-mostLight)
	dawn, kind := sun.CivilDawn(start.In(zone), latitude, longitude)
	switch {
	case kind != sun.Crosses || dawn.After(last):
		return last
	case dawn.Before(first):
		return first
	}
	return dawn
}

// Calls gives the calls of a pour in the order of their times.
func Calls(c Course) []Call {
	calls := append(c.callsBefore(), c.callsAfter()...)
	slices.SortStableFunc(calls, func(a, b Call) int { return a.At.Compare(b.At) })
	return slices.DeleteFunc(calls, func(c Call) bool { return !c.Until.After(c.At) })
}

// callsBefore are those before the start.
func (c Course) callsBefore() []Call {
	if c.Placed {
		return nil
	}
	afternoon, light := Afternoon(c.StartsAt, c.Zone), FirstLight(c.StartsAt, c.Zone, c.Latitude, c.Longitude)
	calls := []Call{
		{CallAfternoon, afternoon, earlier(afternoon.Add(afternoonLasts), c.StartsAt), Warning},
		{CallBase, light, c.StartsAt, Warning},
	}
	if c.CancelBy != nil && !c.stands() {
		calls = append(calls, Call{CallCancel, c.CancelBy.Add(-cancelNotice), *c.CancelBy, Major})
	}
	return calls
}

// stands reports whether the pour goes on as assessed, as far as is known.
func (c Course) stands() bool {
	return c.Assessment != nil && (c.Placed || c.Assessment.Verdict == rules.Place || c.Assessment.Verdict == rules.Protect)
}

// callsAfter are those from the start on.
func (c Course) callsAfter() []Call {
	if !c.stands() {
		return nil // nothing of it happens as computed
	}
	var calls []Call
	on, off := c.cover()
	if on != nil {
		urgency := Minor
		if freezes := c.Assessment.FreezesBeforeCritical; freezes != nil && *freezes {
			urgency = Critical
		}
		calls = append(calls, Call{CallCover, later(on.Add(-coverNotice), c.StartsAt), on.Add(lateUse), urgency})
	}
	if t := c.hours(); t.SawcutFromAt != nil {
		until := t.SawcutFromAt.Add(lateUse)
		if t.SawcutUntilAt != nil {
			until = *t.SawcutUntilAt
		}
		calls = append(calls, Call{CallSaw, t.SawcutFromAt.Add(-sawNotice), until, Warning})
	}
	if off != nil {
		calls = append(calls, Call{CallUncover, *off, off.Add(uncoverUse), Warning})
	}
	return calls
}

// hours are those of the run that will happen: under the protection asked for,
// when there is any.
func (c Course) hours() rules.Timeline {
	if c.Assessment == nil {
		return rules.Timeline{}
	}
	if p := c.Assessment.Protected; p != nil {
		return p.Timeline
	}
	return c.Assessment.Timeline
}

// cover is when the blankets go on and come off: as the assessment asks, else as
// planned, and not off before the required end, or the hour that is safe where
// nothing requires them.
func (c Course) cover() (on, off *time.Time) {
	if c.Assessment == nil {
		return nil, nil
	}
	if p := c.Assessment.Protection; p != nil {
		return p.OnAt, p.OffAt
	}
	for _, p := range c.Planned {
		if on == nil || p.OnAt.Before(*on) {
			on = &p.OnAt
		}
		if p.OffAt != nil && (off == nil || off.Before(*p.OffAt)) {
			off = p.OffAt
		}
	}
	t := c.hours()
	if t.UncoverFromAt != nil { // blankets that nothing asks for, planned or seen
		return on, latest(off, t.UncoverFromAt)
	}
	if on != nil {
		off = latest(off, t.ProtectUntilAt)
	}
	return on, off
}

// latest is the later of two times that may not be known.
func latest(a, b *time.Time) *time.Time {
	if a == nil || b != nil && a.Before(*b) {
		return b
	}
	return a
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
