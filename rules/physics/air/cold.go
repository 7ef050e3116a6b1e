package air

import "math"

// WindChillC is the wind chill of Environment Canada and the US National Weather
// Service (2001) from the air temperature and the wind at 10 m. It is the air
// temperature itself above 10 C and at winds up to 4.8 km/h, where it is not
// defined.
func WindChillC(airC, wind10MS float64) float64 {
	v := wind10MS / MSPerKMH
	if airC > 10 || v <= 4.8 {
		return airC
	}
	p := math.Pow(v, 0.16)
	return math.Min(airC, 13.12+0.6215*airC-11.37*p+0.3965*airC*p)
}

// FrostbiteMinutes is the shortest time in which bare skin freezes at a wind
// chill (Environment Canada bands, from memory: 10 to 30 min from -28, 5 to 10
// from -40, 2 to 5 from -48, under 2 from -55); +Inf where the risk is low.
func FrostbiteMinutes(windChillC float64) float64 {
	switch c := math.Round(windChillC); {
	case c > -28:
		return math.Inf(1)
	case c > -40:
		return 10
	case c > -48:
		return 5
	case c > -55:
		return 2
	default:
		return 1
	}
}

// A WorkSchedule is what one four-hour shift of cold work allows.
type WorkSchedule struct {
	MaxWorkMin float64 // longest spell between warm-up breaks; 120 is the normal one
	Breaks     int     // warm-up breaks of 10 min in the shift
	Cease      bool    // only emergency work
}

// schedules run from normal work to its end.
var schedules = []WorkSchedule{
	{MaxWorkMin: 120, Breaks: 1},
	{MaxWorkMin: 75, Breaks: 2},
	{MaxWorkMin: 55, Breaks: 3},
	{MaxWorkMin: 40, Breaks: 4},
	{MaxWorkMin: 30, Breaks: 5},
	{Cease: true},
}

// Work is the cold work and warm-up schedule for moderate to heavy work in dry
// clothing (ACGIH threshold limit values for cold stress, after Saskatchewan
// Labour; from memory). The published table begins at -26 C (-15 F) and steps
// down by about 3 C (5 F) a row and by 8 km/h (5 mph) a column of wind at body
// height; both are read to the colder, windier side, and the columns go on
// beyond the printed 32 km/h.
func Work(airC, windMS float64) WorkSchedule {
	const firstRowF, rowF, columnKMH, calmKMH = -15.0, 5.0, 8.0, 3.0
	f := math.Round(airC*9/5 + 32)
	if f > firstRowF {
		return schedules[0]
	}
	row := math.Floor((firstRowF - f) / rowF)
	column := 0.0
	if v := windMS / MSPerKMH; v > calmKMH {
		column = math.Ceil(math.Round(v) / columnKMH)
	}
	// Each row and each column is one step, after a first one that is free.
	step := min(row+column-1, float64(len(schedules)-1))
	return schedules[int(max(0, step))]
}
