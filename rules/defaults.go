package rules

import (
	"fmt"
	"time"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/soil"
)

// A Default is what stands in for an optional member that is not given.
type Default struct {
	Pointer string `json:"pointer"` // JSON Pointer of the member; * is any item
	Value   string `json:"value"`   // in words where it depends on other members
	Reason  string `json:"reason"`
}

// Defaults is the table of defaults, for reading. Members that are not in it are
// simply absent when they are not given: no foam, no turf, no admixture, nothing
// measured.
func Defaults() []Default {
	table := make([]Default, 0, len(defaultTable)+len(laterDefaults))
	for _, d := range defaultTable {
		table = append(table, d.Default)
	}
	return append(table, laterDefaults...)
}

// Default values; CAL where no source is named.
const (
	defaultServiceCategory = 2
	defaultBaseDepthMM     = 150.0
	defaultPlaceM3H        = 15.0
	defaultDayH            = 10.0
	defaultHaulMin         = 60 * concrete.BatchToPlaceH
	defaultWaterMaxC       = 71.0
	defaultColdWaterC      = 8.0 // unheated, from the main or a well in winter
	defaultCementC         = 10.0
	defaultMoisturePct     = 2.0
	defaultTruckM3         = 7.6
	defaultWastePct        = 7.0
	defaultLayers          = 2
	defaultEfficiency      = 0.75
	defaultFormRM2KW       = 0.165 // plywood of 3/4 in, R-0.94 (ASHRAE; MEM)
	machineFromM2          = 50.0
	footingWidths          = 2.0 // width over thickness
	thawedAggregateC       = 2.0
)

// A standIn is a default with how it gets into a case: fill sets the member when
// it is missing and returns what it set, or nil.
type standIn struct {
	Default
	fill func(*Case) any
}

// set fills an empty word or number.
func set[T comparable](member *T, value T) any {
	var missing T
	if *member != missing {
		return nil
	}
	*member = value
	return value
}

// setNew fills a member that may be nil.
func setNew[T any](member **T, value T) any {
	if *member != nil {
		return nil
	}
	*member = &value
	return value
}

// defaultTable is in the order of filling: later rows may need earlier ones.
var defaultTable = []standIn{
	{
		Default{"/firm/units", "us", "sentences are in US units unless the firm asks for si"},
		func(c *Case) any { return set(&c.Firm.Units, UnitsUS) },
	}, {
		Default{"/firm/calibration/set_factor", "1.2", "ready-mixed concrete with an ordinary water reducer; calibrate on the firm's own jobs"},
		func(c *Case) any { return set(&c.Firm.Calibration.SetFactor, concrete.DefaultSetFactor) },
	}, {
		Default{"/firm/calibration/strength_factor", "1", "no measured strengths of the firm's own"},
		func(c *Case) any { return set(&c.Firm.Calibration.StrengthFactor, 1) },
	}, {
		Default{"/firm/calibration/blanket_efficiency", "0.75", "blankets lie loose, lapped and damp: three quarters of the label"},
		func(c *Case) any { return set(&c.Firm.Calibration.BlanketEfficiency, defaultEfficiency) },
	}, {
		Default{"/site/terrain", "open", "the wind reaches the slab unhindered"},
		func(c *Case) any { return set(&c.Site.Terrain, TerrainOpen) },
	}, {
		Default{"/site/elevation_m", "0", "sea level; only a ground that is spun up depends on it"},
		func(c *Case) any {
			if c.Site.ElevationM != 0 || len(c.Pour.Base.Temps) > 0 {
				return nil
			}
			return 0.0
		},
	}, {
		Default{"/pour/base/material", "gravel", "the usual base"},
		func(c *Case) any { return onGround(c, set(&c.Pour.Base.Material, "gravel")) },
	}, {
		Default{"/pour/base/depth_mm", "150", "6 in of base"},
		func(c *Case) any { return onGround(c, set(&c.Pour.Base.DepthMM, defaultBaseDepthMM)) },
	}, {
		Default{"/pour/base/moisture_pct", "4 gravel, 8 sand, 16 silt or clay", "usual moisture of the material by dry mass"},
		func(c *Case) any { return onGround(c, set(&c.Pour.Base.MoisturePct, usualMoisture(c))) },
	}, {
		Default{"/pour/base/subgrade", "silt_clay", "holds the most water below the base"},
		func(c *Case) any { return onGround(c, set(&c.Pour.Base.Subgrade, "silt_clay")) },
	}, {
		Default{"/pour/service_category", "2", "not loaded early, exposed to freezing in service (ACI 306R)"},
		func(c *Case) any { return set(&c.Pour.ServiceCategory, defaultServiceCategory) },
	}, {
		Default{"/pour/exposure", "C1 when reinforced", "moist in service without chlorides from outside (ACI 318-19)"},
		func(c *Case) any {
			if !c.Pour.Reinforced {
				return nil
			}
			return set(&c.Pour.Exposure, ExposureC1)
		},
	}, {
		Default{"/pour/form_r_m2k_w", "0.165 for a wall", "forms of 3/4 in plywood"},
		func(c *Case) any {
			if c.Pour.Element != Wall {
				return nil
			}
			return setNew(&c.Pour.FormRM2KW, defaultFormRM2KW)
		},
	}, {
		Default{"/pour/width_mm", "twice the thickness for a footing", "a usual footing"},
		func(c *Case) any {
			if c.Pour.Element != Footing {
				return nil
			}
			return set(&c.Pour.WidthMM, footingWidths*c.Pour.ThicknessMM)
		},
	}, {
		Default{"/pour/waste_pct", "7", "NRMCA CIP 8: order 4 to 10 % over the plan"},
		func(c *Case) any { return setNew(&c.Pour.WastePct, defaultWastePct) },
	}, {
		Default{"/pour/plant/haul_min", "45", "usual time from batching to placing"},
		func(c *Case) any {
			if !c.Pour.BatchedAt.IsZero() {
				return nil
			}
			return setNew(&c.Pour.Plant.HaulMin, defaultHaulMin)
		},
	}, {
		Default{"/pour/batched_at", "haul_min before starts_at", "the truck comes straight from the plant"},
		func(c *Case) any {
			haul := time.Duration(value(c.Pour.Plant.HaulMin, defaultHaulMin) * float64(time.Minute))
			return set(&c.Pour.BatchedAt, c.Pour.StartsAt.Add(-haul))
		},
	}, {
		Default{"/pour/plant/aggregate_moisture_pct", "2", "usual free moisture"},
		func(c *Case) any { return setNew(&c.Pour.Plant.AggregateMoisturePct, defaultMoisturePct) },
	}, {
		Default{"/pour/plant/cement_temp_c", "10", "cement from a silo in winter; it is often warmer"},
		func(c *Case) any { return setNew(&c.Pour.Plant.CementTempC, defaultCementC) },
	}, {
		Default{"/pour/plant/water_max_c", "71", "160 °F, hot water as plants have it in winter; common practice, no source"},
		func(c *Case) any { return setNew(&c.Pour.Plant.WaterMaxC, defaultWaterMaxC) },
	}, {
		Default{"/pour/plant/truck", "drum", "a revolving drum loses the most heat of all trucks"},
		func(c *Case) any { return set(&c.Pour.Plant.Truck, "drum") },
	}, {
		Default{"/pour/plant/truck_m3", "7.6", "10 yd³, a usual load"},
		func(c *Case) any { return set(&c.Pour.Plant.TruckM3, defaultTruckM3) },
	}, {
		Default{"/pour/plant/accelerator", "true", "most plants can dose one"},
		func(c *Case) any { return setNew(&c.Pour.Plant.AcceleratorOK, true) },
	}, {
		Default{"/pour/crew/place_m3_h", "15", "placing by chute with a small crew"},
		func(c *Case) any { return set(&c.Pour.Crew.PlaceM3H, defaultPlaceM3H) },
	}, {
		Default{"/pour/crew/day_ends_at", "10 h after starts_at", "a long working day"},
		func(c *Case) any {
			return set(&c.Pour.Crew.DayEndsAt, c.Pour.StartsAt.Add(time.Duration(defaultDayH*float64(time.Hour))))
		},
	}, {
		Default{"/pour/crew/machine", "true for slabs of 50 m² and more", "large floors are finished by machine"},
		func(c *Case) any {
			return setNew(&c.Pour.Crew.Machine, c.Pour.Element == SlabOnGround && c.Pour.AreaM2 >= machineFromM2)
		},
	},
}

// laterDefaults need the weather or are used where they are read.
var laterDefaults = []Default{
	{"/assessed_at", "24 h before starts_at, or the first hour of the weather when that is later", "the decision is taken the day before"},
	{"/issued_at", "assessed_at", "the forecast is fresh"},
	{"/pour/plant/aggregate_temp_c", "mean air of the day before, not below 2 °C", "stockpiles follow the air; frozen lumps may not be batched (UFGS; city specifications)"},
	{"/pour/placed_temp_c", "what the plant delivers", "the published minimum, or what its water can reach"},
	{"/pour/base/temps_c", "spun up from the weather before the start", "no measured ground"},
	{"/pour/mix/admixtures/*/product", "flake", "the usual calcium chloride, 77 %"},
	{"/pour/protection_at_hand/*/max_layers", "2", "more than two layers are seldom laid"},
	{"/site/local_rules/*/effect", "move", "what an authority bars is not placed"},
	{"/weather/*/dew_point_c", "relative humidity 75 %", "a winter day"},
	{"/weather/*/wind_ms", "3.6", "a moderate wind"},
	{"/weather/*/gust_ms", "1.5 times the wind", "common practice, no source"},
	{"/weather/*/cloud", "0.5", "half covered"},
	{"/weather/*/shortwave_wm2", "clear sky and cloud", "Haurwitz 1945; Kasten and Czeplak 1980"},
	{"/weather/*/precip_type", "none, or unknown with precipitation", "taken as snow at or below 1 °C, else as rain"},
}

// onGround names what was filled only where concrete lies on the ground.
func onGround(c *Case, filled any) any {
	if c.Pour.Element == Wall {
		return nil
	}
	return filled
}

func usualMoisture(c *Case) float64 {
	m, _ := soil.MaterialOf(c.Pour.Base.Material)
	return m.DefaultMoisturePct
}

// withDefaults is the case with its missing members filled in, and what was
// filled. The case itself is left as it was.
func (c Case) withDefaults() (Case, []Assumption) {
	var assumed []Assumption
	for i := range defaultTable {
		d := &defaultTable[i]
		if v := d.fill(&c); v != nil {
			assumed = append(assumed, Assumption{Pointer: d.Pointer, Value: v, Reason: d.Reason})
		}
	}
	for i, a := range c.Pour.Mix.Admixtures {
		if a.Kind == calciumChloride && a.Product == "" {
			assumed = append(assumed, Assumption{
				Pointer: fmt.Sprintf("/pour/mix/admixtures/%d/product", i), Value: string(concrete.Flake), Reason: "the usual calcium chloride, 77 %",
			})
		}
	}
	return c, assumed
}
