package forecast

import (
	"math"
	"time"

	"frostgate/rules/physics/sun"
)

// A member is one number of an hour with the range that weather can have.
type member struct {
	name      string
	group     Group
	of        func(*Hour) **float64
	low, high float64
	clampTo   float64 // values up to high are kept but lowered to this; 0: none
}

// members is the range table: a value outside its range becomes null, with the
// flag Dropped on its group. The ranges are wider than any record on land.
var members = []member{
	{name: "air_temp_c", group: Temperature, of: func(h *Hour) **float64 { return &h.AirTempC }, low: -75, high: 60},
	{name: "dew_point_c", group: Temperature, of: func(h *Hour) **float64 { return &h.DewPointC }, low: -90, high: 40},
	{name: "rel_humidity", group: Temperature, of: func(h *Hour) **float64 { return &h.RelHumidity }, low: 0, high: 1.05, clampTo: 1},
	{name: "skin_temp_c", group: Temperature, of: func(h *Hour) **float64 { return &h.SkinTempC }, low: -75, high: 85},
	{name: "wind_ms", group: Wind, of: func(h *Hour) **float64 { return &h.WindMS }, low: 0, high: 90},
	{name: "gust_ms", group: Wind, of: func(h *Hour) **float64 { return &h.GustMS }, low: 0, high: 120},
	{name: "wind_from_deg", group: Wind, of: func(h *Hour) **float64 { return &h.WindFromDeg }, low: 0, high: 360},
	{name: "cloud", group: Sky, of: func(h *Hour) **float64 { return &h.Cloud }, low: 0, high: 1},
	{name: "shortwave_wm2", group: Sky, of: func(h *Hour) **float64 { return &h.ShortwaveWm2 }, low: 0, high: 1400},
	{name: "precip_mm", group: Precipitation, of: func(h *Hour) **float64 { return &h.PrecipMM }, low: 0, high: 150},
	{name: "precip_prob", group: Precipitation, of: func(h *Hour) **float64 { return &h.PrecipProb }, low: 0, high: 1},
	{name: "snowfall_mm_swe", group: Precipitation, of: func(h *Hour) **float64 { return &h.SnowfallSWEMM }, low: 0, high: 50},
	{name: "snowfall_depth_m", group: Precipitation, of: func(h *Hour) **float64 { return &h.SnowfallDepthM }, low: 0, high: 0.3},
	{name: "ice_accum_mm", group: Precipitation, of: func(h *Hour) **float64 { return &h.IceAccumMM }, low: 0, high: 30},
	{name: "snow_depth_m", group: Ground, of: func(h *Hour) **float64 { return &h.SnowDepthM }, low: 0, high: 15},
	{name: "pressure_pa", group: Pressure, of: func(h *Hour) **float64 { return &h.PressurePa }, low: 45_000, high: 109_000},
	{name: "air_temp_sd_c", group: Temperature, of: func(h *Hour) **float64 { return &h.AirTempSDC }, low: 0, high: 30},
	{name: "wind_sd_ms", group: Wind, of: func(h *Hour) **float64 { return &h.WindSDMS }, low: 0, high: 40},
}

// Ranges between members of one hour.
const (
	dewOverAirC   = 0.5  // a dew point may lie this far above the air, by rounding
	gustUnderWind = 1.0  // a gust may lie this far below the mean wind, m/s
	nightSunDeg   = -1.0 // below this there is no sunlight to measure
)

var precipTypes = map[string]bool{
	"": true, "none": true, "rain": true, "snow": true, "sleet": true, "freezing_rain": true,
	"ice_pellets": true, "hail": true, "unknown": true,
}

// check drops and clamps the values of one hour.
func (h *Hour) check() {
	for k := range members {
		m := &members[k]
		p := m.of(h)
		if *p == nil {
			continue
		}
		switch v := **p; {
		case math.IsNaN(v) || v < m.low || v > m.high:
			h.drop(p, m.group)
		case m.clampTo != 0 && v > m.clampTo:
			*p = new(m.clampTo)
			h.Flags.Set(m.group, Clamped)
		}
	}
	h.checkSoil()
	if h.DewPointC != nil && h.AirTempC != nil && *h.DewPointC > *h.AirTempC+dewOverAirC {
		h.drop(&h.DewPointC, Temperature)
	}
	if h.GustMS != nil && h.WindMS != nil && *h.GustMS < *h.WindMS-gustUnderWind {
		h.drop(&h.GustMS, Wind)
	}
	if !precipTypes[h.PrecipType] {
		h.PrecipType = "unknown"
		h.Flags.Set(Precipitation, Dropped)
	}
	if h.PrecipProb == nil {
		h.PrecipProbWindowH = 0
	}
}

func (h *Hour) drop(p **float64, g Group) {
	*p = nil
	h.Flags.Set(g, Dropped)
}

func (h *Hour) checkSoil() {
	kept := h.SoilTemps[:0]
	for _, s := range h.SoilTemps {
		if s.TempC >= -50 && s.TempC <= 65 && s.TopM >= 0 && s.BottomM >= s.TopM && s.BottomM <= 20 {
			kept = append(kept, s)
		} else {
			h.Flags.Set(Ground, Dropped)
		}
	}
	if len(kept) == 0 {
		kept = nil
	}
	h.SoilTemps = kept
}

// checkNight takes away sunlight in an hour through which the sun stays down.
func (h *Hour) checkNight(latitude, longitude float64) {
	if h.ShortwaveWm2 == nil || *h.ShortwaveWm2 == 0 {
		return
	}
	for _, after := range []time.Duration{0, 30 * time.Minute, time.Hour} {
		if sun.At(h.At.Add(after), latitude, longitude).ElevationDeg >= nightSunDeg {
			return
		}
	}
	h.ShortwaveWm2 = new(0.0)
	h.Flags.Set(Sky, Clamped)
}

// checkSeam flags a step in air temperature that looks like two models joined.
func (h *Hour) checkSeam(before *Hour) {
	if h.AirTempC == nil || before.AirTempC == nil || h.At.Sub(before.At) > time.Hour {
		return
	}
	if math.Abs(*h.AirTempC-*before.AirTempC) > seamStepC {
		h.Flags.Set(Temperature, Seam)
	}
}
