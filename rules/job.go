package rules

import "time"

// A job is one assessment in the making. Assess fills it from top to bottom;
// every rule reads it and none changes it.
type job struct {
	c       Case // validated, with its defaults filled in
	opt     Options
	zone    *time.Location
	limits  limitSet
	wx      weather
	assumed []Assumption

	batch  *Batch  // what is ordered; nil never reaches a rule
	ground Ground  // the base at the start
	run    course  // the central run under the protection that is planned
	day    daylong // the hours of the day that follow from run
	chance *Chance // nil when no members were asked for
}

// A course is what one run of the slab under one weather came to. Times that
// were not reached within the weather are zero.
type course struct {
	start time.Time
	end   time.Time // last time the run covers
	rows  []runRow  // hourly from start

	initialSet    time.Time // top 25 mm
	finalSet      time.Time // top 25 mm
	critical      time.Time // coldest cell reaches the critical strength
	specified     time.Time // coldest cell reaches the service category's strength
	freezes       time.Time // first cell below its guarded freezing point before critical; zero: none
	minBeforeC    float64   // lowest cell temperature before critical, or before end when not reached
	freezingC     float64   // of the pore water of this mix
	coveredFrom   time.Time // first blanket on; zero when none
	coveredUntil  time.Time // last blanket off; zero when it stays on or none
	peakTopC      float64   // highest top temperature
	peakTopAt     time.Time
	maxTopMinusAt time.Time // reserved for the hour of the greatest step at removal
}

// A runRow is one hour of a course.
type runRow struct {
	at                          time.Time
	airC                        float64
	topC, meanC, bottomC, baseC float64
	skinC                       float64 // the outer face, of the blanket when covered
	coldestC                    float64 // coldest cell of the concrete
	topMPa, coldestMPa, meanMPa float64
	topSetShare                 float64 // setting age of the top 25 mm over that of final set
	covered                     bool
	coverRM2KW                  float64 // effective, on site
}

// A daylong holds the hours of the crew's day on the central run; zero times
// were not reached.
type daylong struct {
	dischargeBy     time.Time
	bleedEnds       time.Time
	passes          []Pass
	finishingStarts time.Time
	finishingEnds   time.Time
	sunrise         time.Time
	dusk            time.Time // end of civil twilight on the day of the start
	crewEnds        time.Time
	sawFrom         time.Time
	sawUntil        time.Time
	onBy            time.Time // blankets
	protectUntil    time.Time
	trucksEndAt     time.Time // last truck placed
}
