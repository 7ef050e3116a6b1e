package forecast

import "frostgate/rules"

// An Hour is the normalised weather of one hour: what the rules read, and what
// the record keeps besides. States are values at At, sums, means and maxima
// cover the hour that begins there. A nil member was not supplied. Its JSON is
// the form in which a firm's own feed gives hours.
type Hour struct {
	rules.Hour
	RelHumidity       *float64   `json:"rel_humidity,omitempty"`         // 0 to 1, over water
	WindFromDeg       *float64   `json:"wind_from_deg,omitempty"`        // 0 to 360
	PrecipProbWindowH int        `json:"precip_prob_window_h,omitempty"` // hours that PrecipProb stands for: 1, 6 or 12; 0 without one
	SnowfallSWEMM     *float64   `json:"snowfall_mm_swe,omitempty"`      // liquid equivalent of the hour's snow
	SnowfallDepthM    *float64   `json:"snowfall_depth_m,omitempty"`     // new snow of the hour
	IceAccumMM        *float64   `json:"ice_accum_mm,omitempty"`         // of the hour
	SoilTemps         []SoilTemp `json:"soil_temps,omitempty"`           // from the top down
	SkinTempC         *float64   `json:"skin_temp_c,omitempty"`
	PressurePa        *float64   `json:"pressure_pa,omitempty"` // at the station, not reduced to sea level
	Flags             Flags      `json:"-"`
}

// A SoilTemp is the temperature of a layer of the ground, or of one depth when
// top and bottom are equal.
type SoilTemp struct {
	TopM    float64 `json:"top_m"`
	BottomM float64 `json:"bottom_m"`
	TempC   float64 `json:"temp_c"`
}

// A Flag says how the values of one group of members came about.
type Flag uint

// The flags.
const (
	Native       Flag = iota // given for this very hour
	Spread                   // an even share of a total over several hours
	Interpolated             // between two hours given
	Held                     // the value of a segment of several hours
	Derived                  // computed from other members
	Clamped                  // moved to the end of its range
	Dropped                  // given, but no weather: null now
	Stale                    // of an issue past its source's age limit
	Fallback                 // from another than the first source
	Seam                     // a step that looks like two models joined
	flagCount
)

// A Group is the members that share flags.
type Group uint

// The groups.
const (
	Temperature   Group = iota // air, dew point, humidity, skin
	Wind                       // speed, gust, direction
	Sky                        // cloud, shortwave
	Precipitation              // amount, kind, probability, snowfall, ice
	Ground                     // snow depth, soil
	Pressure
	groupCount
)

// Flags is the set of flags of one hour by group. It fits a signed 64-bit
// column.
type Flags uint64

// Set adds a flag to a group.
func (f *Flags) Set(g Group, flag Flag) { *f |= 1 << (uint(g)*uint(flagCount) + uint(flag)) }

// Has reports whether a group carries a flag.
func (f Flags) Has(g Group, flag Flag) bool {
	return f&(1<<(uint(g)*uint(flagCount)+uint(flag))) != 0
}

// SetAll adds a flag to every group.
func (f *Flags) SetAll(flag Flag) {
	for g := range groupCount {
		f.Set(g, flag)
	}
}
