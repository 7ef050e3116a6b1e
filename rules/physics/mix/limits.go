package mix

import "math"

// Printed chooses between the two printed columns of a table.
type Printed int

// The columns.
const (
	US Printed = iota // in, F; converted exactly
	SI                // mm, C; rounded by the publisher
)

// TempLimits are the recommended temperatures of ACI 306R for one section and air
// temperature, in C.
type TempLimits struct {
	PlaceMinC float64 // as placed and maintained (line 1)
	PlaceMaxC float64 // should not be exceeded at placing
	MixMinC   float64 // as mixed (lines 2 to 4)
	MixMaxC   float64
	DropC     float64 // largest gradual drop in the 24 h after protection, C deg (line 5)
}

// ACI 306R-88 Table 3.1, same values in 306R-10 and -16; columns by least
// dimension, air bands from warm to cold. Line 1 read second-hand, the rest MEM-H.
var (
	columnsIn = [3]float64{12, 36, 72}
	columnsMM = [3]float64{300, 900, 1800}

	placeF = [4]float64{55, 50, 45, 40}
	mixF   = [3][4]float64{{60, 55, 50, 45}, {65, 60, 55, 50}, {70, 65, 60, 55}}
	dropF  = [4]float64{50, 40, 30, 20}

	placeC = [4]float64{13, 10, 7, 5}
	mixC   = [3][4]float64{{16, 13, 10, 7}, {18, 16, 13, 10}, {21, 18, 16, 13}}
	dropC  = [4]float64{28, 22, 17, 11}
)

// Highest temperatures above the least ones: at placing 20 F (11 C), as mixed 15 F
// (8 C) (ACI 306R-88 3.1 and 3.2; 306R-16 5.2).
const (
	placeOverF, placeOverC = 20.0, 11.0
	mixOverF, mixOverC     = 15.0, 8.0
)

// ACI306 are the recommended temperatures for concrete of a least dimension, mixed
// in air of airC. Where printed bands touch: exactly 12 in counts as 12 to 36 in,
// 36 in as 12 to 36, 72 in as 36 to 72; air of exactly 30 F or 0 F as 0 to 30 F.
func ACI306(thicknessMM, airC float64, p Printed) TempLimits {
	col, band := Column(thicknessMM, p), AirBand(airC, p)
	if p == SI {
		return TempLimits{
			PlaceMinC: placeC[col],
			PlaceMaxC: placeC[col] + placeOverC,
			MixMinC:   mixC[band][col],
			MixMaxC:   mixC[band][col] + mixOverC,
			DropC:     dropC[col],
		}
	}
	return TempLimits{
		PlaceMinC: celsius(placeF[col]),
		PlaceMaxC: celsius(placeF[col] + placeOverF),
		MixMinC:   celsius(mixF[band][col]),
		MixMaxC:   celsius(mixF[band][col] + mixOverF),
		DropC:     dropF[col] * 5 / 9,
	}
}

// Column is the column of the table a least dimension is in, 0 to 3 from thin to
// thick.
func Column(thicknessMM float64, p Printed) int {
	if p == SI {
		return column(thicknessMM, columnsMM)
	}
	return column(tidy(thicknessMM/25.4), columnsIn)
}

// AirBand is the band of the as-mixed lines an air temperature is in, 0 to 2 from
// mild to severe.
func AirBand(airC float64, p Printed) int {
	if p == SI {
		return airBand(airC, -1, -18)
	}
	return airBand(tidy(fahrenheit(airC)), 30, 0)
}

func column(thickness float64, edges [3]float64) int {
	switch {
	case thickness < edges[0]:
		return 0
	case thickness <= edges[1]:
		return 1
	case thickness <= edges[2]:
		return 2
	default:
		return 3
	}
}

func airBand(air, mild, severe float64) int {
	switch {
	case air > mild:
		return 0
	case air >= severe:
		return 1
	default:
		return 2
	}
}

// tidy takes away the dust of a conversion, so that 304.8 mm is 12 in.
func tidy(x float64) float64 { return math.Round(x*1e6) / 1e6 }

func fahrenheit(c float64) float64 { return c*9/5 + 32 }
func celsius(f float64) float64    { return (f - 32) * 5 / 9 }

// CSAPlacingC is the range of placing temperatures of CSA A23.1 for a thickness.
func CSAPlacingC(thicknessMM float64) (minC, maxC float64) {
	switch {
	case thicknessMM < 300:
		return 10, 35
	case thicknessMM <= 1000:
		return 10, 30
	case thicknessMM <= 2000:
		return 5, 25
	default:
		return 5, 20
	}
}

// DINPlacingMinC is the least concrete temperature at placing of DIN EN 13670 with
// DIN 1045-3 in air up to 5 C: 5 C, and 10 C with less than 240 kg/m3 cement, with
// low-heat cement, or in air below -3 C. 0 in warmer air, where it has no rule.
func DINPlacingMinC(airC, cementKgM3 float64, lowHeat bool) float64 {
	switch {
	case airC > 5:
		return 0
	case airC < -3, cementKgM3 < 240, lowHeat:
		return 10
	default:
		return 5
	}
}

// EN206DeliveryMinC is the least temperature of fresh concrete at delivery
// (EN 206 5.2.9; BS 8500).
const EN206DeliveryMinC = 5.0
