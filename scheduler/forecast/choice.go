package forecast

import (
	"slices"
	"time"
)

// Names of the sources that the order of choice knows. One that it does not know
// comes last.
const (
	sourceFirm     = "local"
	sourceNWS      = "nws"
	sourceStations = "nws-stations"
	sourceColumns  = "open-meteo"
	sourceEnsemble = "open-meteo-ensemble"
	sourceNorway   = "met-norway"
)

// A Region is a part of the world with its own order of sources.
type Region string

// The regions.
const (
	UnitedStates Region = "us"     // the National Weather Service answers
	Nordic       Region = "nordic" // MET Norway runs its own fine model
	Elsewhere    Region = "else"
)

// The rectangle of MET Norway's own model, cut to where it is well inside; from
// memory.
const (
	nordicSouth, nordicNorth = 54.5, 71.5
	nordicWest, nordicEast   = 3.0, 32.0
)

// RegionOf tells the region of a place from where it lies and from the sources
// that were found for it.
func RegionOf(p Place, sources []string) Region {
	if slices.Contains(sources, sourceNWS) {
		return UnitedStates
	}
	if p.Latitude > nordicSouth && p.Latitude < nordicNorth && p.Longitude > nordicWest && p.Longitude < nordicEast {
		return Nordic
	}
	return Elsewhere
}

// A Variable is what is chosen together from one source.
type Variable string

// The variables.
const (
	AirAndHumidity   Variable = "air_and_humidity"
	WindSpeed        Variable = "wind"
	Gusts            Variable = "gust"
	CloudCover       Variable = "cloud"
	Sunlight         Variable = "shortwave"
	Precip           Variable = "precipitation"
	SnowOnGround     Variable = "snow_depth"
	SoilTemperatures Variable = "soil"
	StationPressure  Variable = "pressure"
	AirSpread        Variable = "air_temp_sd"
	WindSpread       Variable = "wind_sd"
)

// edited is the usual order: what the firm puts in goes before what forecasters
// edit, and that before models.
var edited = map[Region][]string{
	UnitedStates: {sourceFirm, sourceNWS, sourceColumns, sourceNorway},
	Nordic:       {sourceFirm, sourceNorway, sourceColumns},
	Elsewhere:    {sourceFirm, sourceColumns, sourceNorway},
}

// everywhere is one order for all regions.
func everywhere(order ...string) map[Region][]string {
	return map[Region][]string{UnitedStates: order, Nordic: order, Elsewhere: order}
}

// A choice is a variable with the order of its sources.
type choice struct {
	variable Variable
	group    Group
	measured bool // stations report it
	order    map[Region][]string
	// whole and part report whether an hour has all, or the main member, of it.
	whole, part func(*Hour) bool
	take        func(to, from *Hour)
}

// choices is the table of which source a variable is taken from. Only one
// service has sunlight of its own; the others' is derived from cloud. A spread
// comes from an ensemble.
var choices = []choice{
	{
		variable: AirAndHumidity, group: Temperature, measured: true, order: edited,
		whole: func(h *Hour) bool { return h.AirTempC != nil && (h.DewPointC != nil || h.RelHumidity != nil) },
		part:  func(h *Hour) bool { return h.AirTempC != nil },
		take: func(to, from *Hour) {
			to.AirTempC, to.DewPointC, to.RelHumidity = from.AirTempC, from.DewPointC, from.RelHumidity
		},
	},
	one(WindSpeed, Wind, true, edited, func(h *Hour) **float64 { return &h.WindMS }),
	one(Gusts, Wind, true, edited, func(h *Hour) **float64 { return &h.GustMS }),
	one(CloudCover, Sky, true, edited, func(h *Hour) **float64 { return &h.Cloud }),
	one(Sunlight, Sky, false, everywhere(sourceFirm, sourceColumns, sourceNWS, sourceNorway), func(h *Hour) **float64 { return &h.ShortwaveWm2 }),
	{
		variable: Precip, group: Precipitation, measured: true, order: edited,
		whole: func(h *Hour) bool { return h.PrecipMM != nil && h.PrecipType != "" },
		part:  func(h *Hour) bool { return h.PrecipMM != nil || h.PrecipType != "" || h.PrecipProb != nil },
		take: func(to, from *Hour) {
			to.PrecipMM, to.PrecipType, to.PrecipProb, to.PrecipProbWindowH = from.PrecipMM, from.PrecipType, from.PrecipProb, from.PrecipProbWindowH
			to.SnowfallSWEMM, to.SnowfallDepthM, to.IceAccumMM = from.SnowfallSWEMM, from.SnowfallDepthM, from.IceAccumMM
		},
	},
	one(SnowOnGround, Ground, false, everywhere(sourceFirm, sourceColumns), func(h *Hour) **float64 { return &h.SnowDepthM }),
	{
		variable: SoilTemperatures, group: Ground, order: everywhere(sourceFirm, sourceColumns),
		whole: func(h *Hour) bool { return len(h.SoilTemps) > 0 },
		part:  func(h *Hour) bool { return h.SkinTempC != nil },
		take:  func(to, from *Hour) { to.SoilTemps, to.SkinTempC = from.SoilTemps, from.SkinTempC },
	},
	one(StationPressure, Pressure, true, edited, func(h *Hour) **float64 { return &h.PressurePa }),
	one(AirSpread, Temperature, false, everywhere(sourceFirm, sourceEnsemble, sourceNorway), func(h *Hour) **float64 { return &h.AirTempSDC }),
	one(WindSpread, Wind, false, everywhere(sourceFirm, sourceEnsemble, sourceNorway), func(h *Hour) **float64 { return &h.WindSDMS }),
}

// one is the choice of a single member.
func one(v Variable, g Group, measured bool, order map[Region][]string, of func(*Hour) **float64) choice {
	known := func(h *Hour) bool { return *of(h) != nil }
	return choice{
		variable: v, group: g, measured: measured, order: order, whole: known, part: known,
		take: func(to, from *Hour) {
			*of(to) = *of(from)
			if v == WindSpeed {
				to.WindFromDeg = from.WindFromDeg
			}
		},
	}
}

// Order gives the sources of a variable in a region, the preferred first.
func Order(v Variable, r Region) []string { return Orders(nil).Of(v, r) }

// Variables are all that there are, as the table has them.
func Variables() []Variable {
	all := make([]Variable, len(choices))
	for i := range choices {
		all[i] = choices[i].variable
	}
	return all
}

// Reaches tells of each variable the last of some hours that has it; without one
// it is left out.
func Reaches(hours []Hour) map[Variable]time.Time {
	last := map[Variable]time.Time{}
	for i := range choices {
		for k := len(hours) - 1; k >= 0; k-- {
			if choices[i].whole(&hours[k]) {
				last[choices[i].variable] = hours[k].At
				break
			}
		}
	}
	return last
}
