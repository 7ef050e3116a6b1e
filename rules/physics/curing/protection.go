package curing

// A Period is how long to keep concrete at its placing minimum, in days.
type Period struct {
	EarlyFreezingD float64 // against damage by early freezing
	StrengthD      float64 // for strength and form removal; 0 when ProveStrength
	ProveStrength  bool    // no fixed days: strength in place is to be proved
}

// periods is by service category of ACI 306R (306R-88 Tables 5.1 and 5.3; 306R-10
// and -16 Table 7.1), read second-hand; category 4 MEM-H. First normal, then
// accelerated.
var periods = [5][2]Period{
	1: {{EarlyFreezingD: 2, StrengthD: 2}, {EarlyFreezingD: 1, StrengthD: 1}},
	2: {{EarlyFreezingD: 3, StrengthD: 3}, {EarlyFreezingD: 2, StrengthD: 2}},
	3: {{EarlyFreezingD: 3, StrengthD: 6}, {EarlyFreezingD: 2, StrengthD: 4}},
	4: {{EarlyFreezingD: 3, ProveStrength: true}, {EarlyFreezingD: 2, ProveStrength: true}},
}

// Protection is the period for a service category: 1 no load, not exposed to
// freezing in service; 2 no load, exposed; 3 partial load, exposed; 4 full load.
// Accelerated means type III cement, an accelerator meeting ASTM C494 or
// [ExtraCementKgM3] more cement. A category outside 1 to 4 counts as 4.
func Protection(category int, accelerated bool) Period {
	if category < 1 || category > 4 {
		category = 4
	}
	if accelerated {
		return periods[category][1]
	}
	return periods[category][0]
}

// ExtraCementKgM3 is the cement beyond the usual that counts as accelerated, 100
// lb/yd3 (ACI 306R).
const ExtraCementKgM3 = 60.0

// A WeatherCover is the pavement cover an Iowa-style rule asks for.
type WeatherCover struct {
	BurlapLayers int
	FilmInstead  bool // one film on one burlap will also do
	Insulate     bool // the burlap lies between films, or insulation is used
}

// Cover is the cover for a forecast low (Iowa specification as printed by a
// producer; the coldest row partly read): from 35 F down one burlap, from 31 F two,
// below 25 F four between films. None above 35 F. Lows are read in whole F.
func Cover(lowC float64) WeatherCover {
	switch f := wholeF(lowC); {
	case f > 35:
		return WeatherCover{}
	case f > 31:
		return WeatherCover{BurlapLayers: 1}
	case f >= 25:
		return WeatherCover{BurlapLayers: 2, FilmInstead: true}
	default:
		return WeatherCover{BurlapLayers: 4, Insulate: true}
	}
}

// Form removal by time at or above 10 C (50 F), not need be continuous: wall forms
// in hours (ACI 347R-94), slab soffits of 10 to 20 ft span with live under dead
// load in days (ACI 347).
const (
	FormTempC   = 10.0
	WallFormsH  = 12.0
	SlabSoffitD = 7.0
)
