package rules

import "time"

// A job is one assessment in the making. Assess fills it from top to bottom;
// every rule reads it and none changes it.
type job struct {
	c         Case // with its defaults filled in
	opt       Options
	elsewhere bool // at another start than the planned one
	zone      *time.Location
	limits    limitSet
	wx        weather
	light     map[int]twilight // by day, as far as asked
	assumed   []Assumption
	// overrides are the limits that the firm loosened past the published floor.
	overrides []LimitChange

	batch  *Batch       // what is ordered
	base   groundCourse // the ground without concrete, through all of the weather
	ground Ground       // the base at the start
	fit    *fitBase     // the base made fit by what is at hand; nil when not needed or not possible
	hired  *fitBase     // or by what would have to be hired
	plan   pour         // as planned
	run    course       // the central run of plan
	day    daylong      // the hours of the day that follow from run
	shield shield       // what protection it needs
	laid   *course      // with planned blankets only once finishing ends; nil when they are not planned sooner
	chance *Chance      // nil when no members were asked for
	drawn  *ensemble    // what chance was told by
	colder *Colder      // what colder air would do to the hours
	tried  []attempt    // the candidate starts that were asked for
	dose   int          // the least of acceleratorDoses a remedy may propose
	next   *Remedy      // the start to move to, when it has to be moved and one works

	// done is the job with what its remedies change before placing; nil when they
	// change nothing. carried marks that job itself.
	done    *job
	carried bool
}

// A course is what one run of the concrete under one weather came to. Times
// that were not reached within the weather are zero.
type course struct {
	start time.Time
	end   time.Time // last time the run covers
	rows  []runRow  // hourly from start

	initialSet time.Time // top 25 mm
	finalSet   time.Time // top 25 mm
	critical   time.Time // coldest cell reaches the critical strength
	specified  time.Time // coldest cell has what the published period gives
	sawEarly   time.Time // top has the strength for an early-entry saw
	sawUsual   time.Time // top has the strength for an ordinary saw

	minBeforeC  float64   // lowest cell before critical, or before end when not reached
	freezingC   float64   // of the pore water of this mix
	guarded     time.Time // first hour the coldest cell is within the guard of freezing before critical
	frozeEarly  bool
	freezes     time.Time // first time a cell freezes before critical
	frozenShare float64   // most of its freezable water that turns to ice before critical
	frozeMPa    float64   // strength of the cell that freezes first, then
	frozeDepthM float64   // its depth; NaN when not known
	coveredFrom time.Time // first hour under blankets
}

// A runRow is one hour of a course.
type runRow struct {
	at                          time.Time
	airC                        float64
	skinC                       float64 // outer face, of the blanket when covered
	topC, meanC, bottomC, baseC float64
	coldestC                    float64 // coldest cell of the concrete
	topMPa, coldestMPa, meanMPa float64
	evaporationKgM2H            float64 // from the bare surface; 0 when covered
	covered                     bool
	coverRM2KW                  float64 // label's resistance of all blankets on it
}

// A daylong holds the hours of the crew's day on one course; zero times were
// not reached.
type daylong struct {
	placingEnds     time.Time
	dischargeBy     time.Time // by code, ticket or authority
	dischargeBestBy time.Time // by practice with hot water or an accelerator; zero where it does not ask for less
	bleedEnds       time.Time
	passes          []Pass
	finishingStarts time.Time
	finishingEnds   time.Time
	dawn, dusk      time.Time // civil twilight on the day of the start; zero where the sun never sets
	crewEnds        time.Time
	darkFrom        time.Time // dusk and what the firm allows after it; zero without dusk
	overFrom        time.Time // end of the crew's day and what the firm allows after it
	sawFrom         time.Time // early-entry saw
	sawUsual        time.Time // ordinary saw
	sawUntil        time.Time
}
