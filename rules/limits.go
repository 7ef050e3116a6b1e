package rules

import (
	"slices"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/curing"
	"frostgate/rules/physics/mix"
)

// Standings of a source: how sure we are of a value.
const (
	standingRead       = "read"        // the value was read in a stored page of or about the document
	standingSecondHand = "second-hand" // read where another text repeats the document
	standingMemory     = "memory"      // recalled; to be checked against the document
	standingPractice   = "practice"    // common practice, no source
	standingLocal      = "local"       // entered with the site as a rule of its authority
)

// Stricter says which way a limit gets tighter.
type Stricter string

// The directions.
const (
	Higher Stricter = "higher" // a least value: raising it asks for more
	Lower  Stricter = "lower"  // a most value: lowering it asks for more
)

// A Limit is one row of the limits table: what a rule compares with.
type Limit struct {
	Name     string   `json:"name"`           // such as ground.min_c
	Code     Code     `json:"code,omitempty"` // the one code it belongs to; empty: US practice, and where a code has none of its own
	Rules    []string `json:"rules"`          // ids of the rules that read it
	Title    string   `json:"title"`
	Value    float64  `json:"value"` // used unless the firm changes it
	Unit     string   `json:"unit"`  // degC, K, MPa, mm, m/s, kg/m2/h, %, h, min or 1
	Effect   Effect   `json:"effect"`
	Stricter Stricter `json:"stricter"`
	// Floor is the published value, past which a change is an override. Nil where
	// nothing is published: the firm sets what it has learnt.
	Floor   *float64 `json:"floor"`
	Lowest  float64  `json:"lowest"`  // accepted at all, by override too
	Highest float64  `json:"highest"` // accepted at all, by override too
	Source  Source   `json:"source"`
}

// loosens reports whether v goes past the published floor.
func (l *Limit) loosens(v float64) bool {
	switch {
	case l.Floor == nil:
		return false
	case l.Stricter == Higher:
		return v < *l.Floor
	default:
		return v > *l.Floor
	}
}

// tightens reports whether v is stricter than what the table uses.
func (l *Limit) tightens(v float64) bool {
	if l.Stricter == Higher {
		return v > l.Value
	}
	return v < l.Value
}

// limitTable is every limit there is. A value of physics that is a limit too is
// taken from there, so that each number stands once.
var limitTable = slices.Concat(usLimits, codeLimits())

// usLimits are those of US practice.
var usLimits = slices.Concat(
	groundLimits(), placingLimits(), batchLimits(), slabLimits(), dayLimits(), surfaceLimits(), otherLimits(),
)

// limitOf is the row of a name in a table.
func limitOf(table []Limit, name string) Limit {
	return table[slices.IndexFunc(table, func(l Limit) bool { return l.Name == name })]
}

// limitIndex is the row of each name.
var limitIndex = func() map[string]int {
	index := make(map[string]int, len(limitTable))
	for i := range limitTable {
		index[limitTable[i].Name] = i
	}
	return index
}()

// Limits is the table of limits, for reading.
func Limits() []Limit {
	table := slices.Clone(limitTable)
	for i := range table {
		table[i].Rules = slices.Clone(table[i].Rules)
		if f := table[i].Floor; f != nil {
			floor := *f
			table[i].Floor = &floor
		}
	}
	return table
}

func fromF(f float64) float64    { return (f - 32) / 1.8 }
func fromFDeg(f float64) float64 { return f / 1.8 }

func practice(id, why string) Source {
	return Source{id, "common practice, no source: " + why, standingPractice}
}

func groundLimits() []Limit {
	return []Limit{
		{
			Name: "ground.frozen_c", Rules: []string{"ground.frozen"}, Title: "base counts as frozen below",
			Value: -0.5, Unit: "degC", Effect: EffectMove, Stricter: Higher, Floor: new(-0.5), Lowest: -1, Highest: 2,
			Source: Source{"A3-01", "ACI 306R-88, ACI 301-96 and ACI 306.1-90: no concrete on frozen subgrade; half a degree is the dead band of a prediction", standingRead},
		}, {
			Name: "ground.warn_c", Rules: []string{"ground.frozen"}, Title: "base is warned of as frozen below",
			Value: 1, Unit: "degC", Effect: EffectProtect, Stricter: Higher, Floor: new(0.0), Lowest: -0.5, Highest: 5,
			Source: Source{"A3-01", "ACI 306R-88, ACI 301-96 and ACI 306.1-90: no concrete on frozen subgrade; warned early since it is predicted", standingRead},
		}, {
			Name: "ground.min_c", Rules: []string{"ground.cold"}, Title: "least temperature of surfaces that concrete touches",
			Value: fromF(35), Unit: "degC", Effect: Note, Stricter: Higher, Floor: new(fromF(35)), Lowest: 0, Highest: 15,
			Source: Source{"A3-03", "ACI 306R-88 4.1: a few degrees above freezing, about 35 °F (2 °C)", standingSecondHand},
		}, {
			Name: "ground.gap_c", Rules: []string{"ground.cold"}, Title: "concrete over base temperature at placing, at most",
			Value: fromFDeg(20), Unit: "K", Effect: Note, Stricter: Lower, Floor: new(fromFDeg(30)), Lowest: 5, Highest: 25,
			Source: Source{"A3-07", "National Frame Building Association magazine, October 2020: ideally within 20 °F, at most 30 °F", standingRead},
		},
	}
}

// placingLimits are the printed table of ACI 306R, taken from package mix.
func placingLimits() []Limit {
	const table = "ACI 306R-16 Table 5.1 (306R-88 Table 3.1), "
	var rows []Limit
	for i, b := range thicknessBands {
		t := mix.ACI306(b.thicknessMM, 0, mix.US)
		dropStanding := standingMemory
		if i == 0 {
			dropStanding = standingSecondHand
		}
		rows = append(rows, Limit{
			Name: placingMinName(i), Rules: []string{"batch.placing_temp_low", "slab.below_maintain_temp"},
			Title: "least concrete temperature as placed and maintained, " + b.title,
			Value: t.PlaceMinC, Unit: "degC", Effect: EffectProtect, Stricter: Higher, Floor: &t.PlaceMinC, Lowest: 2, Highest: 30,
			Source: Source{"A2-01", table + "line 1", standingSecondHand},
		}, Limit{
			Name: coolDropName(i), Rules: []string{"slab.thermal_shock"},
			Title: "gradual drop of the surface in the first 24 h after protection, at most, " + b.title,
			Value: t.DropC, Unit: "K", Effect: EffectProtect, Stricter: Lower, Floor: &t.DropC, Lowest: 2, Highest: 40,
			Source: Source{"A2-05", table + "line 5", dropStanding},
		})
	}
	for i, a := range airBands {
		t := mix.ACI306(thicknessBands[0].thicknessMM, a.airC, mix.US)
		over := t.MixMinC - t.PlaceMinC
		rows = append(rows, Limit{
			Name: mixOverName(i), Rules: []string{"batch.placing_temp_low", "batch.water_too_hot"},
			Title: "least concrete temperature as mixed over that as placed, " + a.title,
			Value: over, Unit: "K", Effect: Note, Stricter: Higher, Floor: &over, Lowest: 0, Highest: 20,
			Source: Source{a.source, table + "lines 2 to 4 over line 1", standingMemory},
		})
	}
	t := mix.ACI306(thicknessBands[0].thicknessMM, 0, mix.US)
	placeOver, mixOver := t.PlaceMaxC-t.PlaceMinC, t.MixMaxC-t.MixMinC
	return append(rows, Limit{
		Name: "placing.above_min_c", Rules: []string{"batch.placing_temp_high"}, Title: "concrete as placed over its least temperature, at most",
		Value: placeOver, Unit: "K", Effect: Note, Stricter: Lower, Floor: &placeOver, Lowest: 2, Highest: 20,
		Source: Source{"A2-06", "ACI 306R-88 3.1: not over the minimum by more than 20 °F (11 °C)", standingMemory},
	}, Limit{
		Name: "mixing.above_min_c", Rules: []string{"batch.placing_temp_high"}, Title: "concrete as mixed over its least temperature, at most",
		Value: mixOver, Unit: "K", Effect: Note, Stricter: Lower, Floor: &mixOver, Lowest: 2, Highest: 20,
		Source: Source{"A2-07", "ACI 306R-16 5.2 (306R-88 3.2): not over the minimum by more than 15 °F (8 °C)", standingSecondHand},
	})
}

func batchLimits() []Limit {
	rows := []Limit{
		{
			Name: "batch.water_sequence_c", Rules: []string{"batch.water_too_hot"}, Title: "hottest mixing water charged in the usual order",
			Value: mix.WaterSequenceC, Unit: "degC", Effect: Note, Stricter: Lower, Floor: new(mix.WaterSequenceC), Lowest: 30, Highest: 90,
			Source: Source{"A7-01", "ACI 306R-16 5.3: above 140 °F (60 °C) coarse aggregate and water first, cement last", standingSecondHand},
		}, {
			Name: "batch.water_max_c", Rules: []string{"batch.water_too_hot"}, Title: "hottest mixing water",
			Value: mix.WaterCeilingC, Unit: "degC", Effect: EffectProtect, Stricter: Lower, Floor: new(mix.WaterCeilingC), Lowest: 30, Highest: 95,
			Source: Source{"A7-03", "Concrete Construction: at most 180 °F (82 °C), and only onto aggregate and cement together", standingRead},
		}, {
			Name: "batch.concrete_max_c", Rules: []string{"batch.placing_temp_high"}, Title: "hottest concrete from heated materials",
			Value: mix.ConcreteCeilingC, Unit: "degC", Effect: EffectProtect, Stricter: Lower, Floor: new(mix.ConcreteCeilingC), Lowest: 15, Highest: 40,
			Source: Source{"A7-13", "ASTM C94-15a 12.11: 90 °F (32 °C)", standingRead},
		}, {
			Name: "batch.calcium_chloride_pct", Rules: []string{"batch.chloride_limit"}, Title: "calcium chloride, product as dosed, of cement",
			Value: mix.MaxCalciumChloridePct, Unit: "%", Effect: EffectProtect, Stricter: Lower, Floor: new(mix.MaxCalciumChloridePct), Lowest: 0, Highest: 4,
			Source: Source{"A10-01", "ACI, several documents: 2 % by mass of cement", standingRead},
		}, {
			Name: "haul.discharge_min", Rules: []string{"haul.discharge_time"}, Title: "minutes from batching to the end of discharge",
			Value: mix.C94Discharge(2020).Minutes, Unit: "min", Effect: EffectProtect, Stricter: Lower, Floor: new(mix.C94Discharge(2020).Minutes), Lowest: 20, Highest: 240,
			Source: Source{"E-02", "ASTM C94, 2013 to 2020: 90 min; since 2021 the limit is on the ticket, which is an override here", standingRead},
		}, {
			Name: "haul.quick_min", Rules: []string{"haul.discharge_time"}, Title: "minutes from batching to the end of discharge with hot water or an accelerator",
			Value: 75, Unit: "min", Effect: Note, Stricter: Lower, Lowest: 20, Highest: 240,
			Source: practice("P-01", "hot water and accelerators take a quarter of an hour off the time to place"),
		},
	}
	for _, e := range []struct{ class, title, id string }{
		{"C0", "dry in service (C0)", "A10-07"},
		{"C1", "moist, no chlorides from outside (C1)", "A10-08"},
		{"C2", "moist, chlorides from outside (C2)", "A10-09"},
		{"prestressed", "prestressed", "A10-10"},
	} {
		pct, _ := mix.ChlorideLimitPct(e.class)
		rows = append(rows, Limit{
			Name: chlorideName(Exposure(e.class)), Rules: []string{"batch.chloride_limit"}, Title: "water-soluble chloride of cement, " + e.title,
			Value: pct, Unit: "%", Effect: EffectProtect, Stricter: Lower, Floor: &pct, Lowest: 0, Highest: 2,
			Source: Source{e.id, "ACI 318-19 Table 19.3.2.1, counted on cement alone as up to 318-14, the stricter basis", standingRead},
		})
	}
	return rows
}

func slabLimits() []Limit {
	return []Limit{
		{
			Name: "strength.critical_mpa", Rules: []string{"slab.freezes_early"}, Title: "least strength before the first freezing",
			Value: concrete.CriticalMPa, Unit: "MPa", Effect: EffectMove, Stricter: Higher, Floor: new(concrete.CriticalMPa), Lowest: 2, Highest: 20,
			Source: Source{"A9-01", "Powers 1962; PCA Design and Control, ch. 14; ACI 306R: 500 psi (3.5 MPa)", standingRead},
		}, {
			Name: "freeze.guard_c", Rules: []string{"slab.freezes_early"}, Title: "coldest concrete over its freezing point, at least",
			Value: concrete.FreezeGuardC, Unit: "K", Effect: EffectMove, Stricter: Higher, Floor: new(0.0), Lowest: 0, Highest: 5,
			Source: practice("P-02", "a guard for what is predicted and not measured"),
		}, {
			Name: "removal.diff_c", Rules: []string{"slab.thermal_shock"}, Title: "surface over air temperature at which all protection may come off",
			Value: curing.WithinAirC, Unit: "K", Effect: EffectProtect, Stricter: Lower, Floor: new(curing.WithinAirC), Lowest: 2, Highest: 25,
			Source: Source{"A4-07", "ACI 306.1-90 3.2.3: within 20 °F (11 °C)", standingRead},
		}, {
			Name: "forms.warm_c", Rules: []string{"forms.strip"}, Title: "concrete in hours that count for stripping wall forms, at least",
			Value: curing.FormTempC, Unit: "degC", Effect: Note, Stricter: Higher, Floor: new(curing.FormTempC), Lowest: 0, Highest: 30,
			Source: Source{"G-01", "ACI 347R-94: 12 h in all at 50 °F (10 °C) or more", standingRead},
		}, {
			Name: "forms.warm_h", Rules: []string{"forms.strip"}, Title: "such hours before wall forms come off",
			Value: curing.WallFormsH, Unit: "h", Effect: Note, Stricter: Higher, Floor: new(curing.WallFormsH), Lowest: 4, Highest: 240,
			Source: Source{"G-01", "ACI 347R-94: 12 h in all at 50 °F (10 °C) or more", standingRead},
		},
	}
}

func dayLimits() []Limit {
	return []Limit{
		{
			Name: "finish.dusk_h", Rules: []string{"finish.after_dusk"}, Title: "hours of finishing after civil dusk without lights",
			Value: 0, Unit: "h", Effect: EffectMove, Stricter: Lower, Lowest: -2, Highest: 4,
			Source: practice("P-03", "a floor is finished by daylight or under lights"),
		}, {
			Name: "finish.hours_h", Rules: []string{"finish.after_hours"}, Title: "hours of finishing after the crew's day",
			Value: 0, Unit: "h", Effect: EffectProtect, Stricter: Lower, Lowest: -2, Highest: 8,
			Source: practice("P-04", "the crew's own hours"),
		}, {
			Name: "saw.max_after_h", Rules: []string{"saw.next_day"}, Title: "hours from placing until joints are cut",
			Value: 24, Unit: "h", Effect: Note, Stricter: Lower, Lowest: 6, Highest: 72,
			Source: Source{"D4-01", "ACI 302.1R as widely quoted: 4 to 12 h after finishing; Concrete Construction: up to 3 days in the cold; a day is ours", standingSecondHand},
		}, {
			Name: "saw.early_mpa", Rules: []string{"saw.next_day"}, Title: "least strength of the top for an early-entry saw",
			Value: concrete.EarlyEntrySawMPa, Unit: "MPa", Effect: Note, Stricter: Higher, Lowest: 0.3, Highest: 10,
			Source: practice("P-05", "100 to 300 psi by aggregate"),
		}, {
			Name: "saw.conventional_mpa", Rules: []string{"saw.next_day"}, Title: "least strength of the top for an ordinary saw",
			Value: concrete.ConventionalSawMPa, Unit: "MPa", Effect: Note, Stricter: Higher, Lowest: 1, Highest: 20,
			Source: Source{"P-05", "FHWA-RD-91-079: about 310 to 1010 psi by aggregate and cement", standingMemory},
		},
	}
}

func surfaceLimits() []Limit {
	const wet = "ACI 301-16 5.3.2.1(a): no placing in rain, sleet or snow unless protected; what counts as a trace is ours"
	return []Limit{
		{
			Name: "surface.evaporation_kg_m2h", Rules: []string{"surface.evaporation"}, Title: "evaporation before final set",
			Value: 1.0, Unit: "kg/m2/h", Effect: EffectProtect, Stricter: Lower, Floor: new(1.0), Lowest: 0.1, Highest: 2,
			Source: Source{"C2-01", "ACI 305R; NRMCA CIP 5; UFGS 03300N: 0.2 lb/ft2/h (1.0 kg/m2/h)", standingRead},
		}, {
			Name: "surface.evaporation_low_bleed_kg_m2h", Rules: []string{"surface.evaporation"}, Title: "evaporation before final set, mix that bleeds little",
			Value: 0.5, Unit: "kg/m2/h", Effect: EffectProtect, Stricter: Lower, Floor: new(0.5), Lowest: 0.1, Highest: 2,
			Source: Source{"C2-02", "ACI 305R and 308R practice: 0.1 lb/ft2/h (0.5 kg/m2/h) for low-bleed or blended mixes", standingSecondHand},
		}, {
			Name: "surface.evaporation_no_bleed_kg_m2h", Rules: []string{"surface.evaporation"}, Title: "evaporation before final set, mix that hardly bleeds",
			Value: 0.25, Unit: "kg/m2/h", Effect: EffectProtect, Stricter: Lower, Floor: new(0.25), Lowest: 0.1, Highest: 2,
			Source: Source{"C2-03", "agency specifications: 0.05 lb/ft2/h (0.25 kg/m2/h) for silica fume, overlays and some bridge decks", standingMemory},
		}, {
			Name: "surface.rain_mm", Rules: []string{"surface.rain"}, Title: "rain in an hour that counts before final set",
			Value: 0.1, Unit: "mm", Effect: EffectProtect, Stricter: Lower, Lowest: 0.05, Highest: 5,
			Source: Source{"F-01", wet, standingSecondHand},
		}, {
			Name: "surface.rain_stop_mm", Rules: []string{"surface.rain"}, Title: "rain in an hour that stops placing",
			Value: 2.5, Unit: "mm", Effect: EffectMove, Stricter: Lower, Floor: new(2.5), Lowest: 0.1, Highest: 10,
			Source: Source{"F-02", "UFGS 03701: stop at 0.1 in (2.5 mm) an hour", standingRead},
		}, {
			Name: "surface.snow_mm", Rules: []string{"surface.snow"}, Title: "snow in an hour, as water, that counts before final set",
			Value: 0.1, Unit: "mm", Effect: EffectProtect, Stricter: Lower, Lowest: 0.05, Highest: 5,
			Source: Source{"F-01", wet, standingSecondHand},
		}, {
			Name: "surface.snow_stop_mm", Rules: []string{"surface.snow"}, Title: "snow in an hour, as water, that stops placing",
			Value: 1, Unit: "mm", Effect: EffectMove, Stricter: Lower, Lowest: 0.1, Highest: 10,
			Source: Source{"P-06", "World Meteorological Organization, Guide to Instruments: light snow ends at 1 mm an hour", standingMemory},
		}, {
			Name: "surface.snow_on_base_mm", Rules: []string{"surface.snow"}, Title: "snow on the base at the start",
			Value: 5, Unit: "mm", Effect: EffectProtect, Stricter: Lower, Lowest: 1, Highest: 50,
			Source: Source{"A3-09", "TM 5-852-4; EN and UK practice; city specifications: forms and reinforcement free of ice, snow and frost; what counts as a trace is ours", standingRead},
		}, {
			Name: "surface.precip_prob", Rules: []string{"surface.rain", "surface.snow"}, Title: "chance of rain or snow from which it is acted on",
			Value: 0.3, Unit: "1", Effect: EffectProtect, Stricter: Lower, Lowest: 0.05, Highest: 0.9,
			Source: practice("P-07", "below it, keep the covers on site and watch"),
		}, {
			Name: "wind.gust_note_ms", Rules: []string{"wind.blankets"}, Title: "gust from which blankets are weighed down",
			Value: 30 * msPerMPH, Unit: "m/s", Effect: Note, Stricter: Lower, Lowest: 5, Highest: 40,
			Source: practice("P-08", "30 mph; no published limit was found"),
		}, {
			Name: "wind.gust_protect_ms", Rules: []string{"wind.blankets"}, Title: "gust in which blankets lie only under battens or nets",
			Value: 45 * msPerMPH, Unit: "m/s", Effect: EffectProtect, Stricter: Lower, Lowest: 8, Highest: 50,
			Source: practice("P-08", "45 mph; no published limit was found"),
		},
	}
}

func otherLimits() []Limit {
	return []Limit{
		{
			Name: "weather.stale_h", Rules: []string{"weather.stale"}, Title: "age at which a forecast is called old",
			Value: 12, Unit: "h", Effect: Note, Stricter: Lower, Lowest: 1, Highest: 48,
			Source: practice("P-09", "public forecasts are renewed at least every 6 h"),
		}, {
			Name: "weather.useless_h", Rules: []string{"weather.stale"}, Title: "age at which no verdict rests on a forecast",
			Value: 36, Unit: "h", Effect: EffectMove, Stricter: Lower, Lowest: 6, Highest: 96,
			Source: practice("P-09", "after a day and a half another forecast has taken its place"),
		}, {
			Name: "crew.windchill_c", Rules: []string{"crew.cold_stress"}, Title: "wind chill from which the crew is warned",
			Value: -27, Unit: "degC", Effect: Note, Stricter: Higher, Lowest: -50, Highest: 0,
			Source: Source{"P-10", "Environment Canada and US National Weather Service: bare skin freezes within 30 min from a wind chill of -28 °C", standingMemory},
		}, {
			Name: "crew.work_min", Rules: []string{"crew.cold_stress"}, Title: "shortest spell of work between warm-up breaks in which concrete can be finished",
			Value: 40, Unit: "min", Effect: EffectMove, Stricter: Higher, Lowest: 0, Highest: 120,
			Source: Source{"P-11", "ACGIH threshold limit values for cold stress, work and warm-up schedule; 40 min is ours", standingMemory},
		}, {
			Name: "chance.act", Rules: []string{"ground.frozen", "slab.freezes_early"}, Title: "probability from which a chance alone asks for protection",
			Value: 0.1, Unit: "1", Effect: EffectProtect, Stricter: Lower, Lowest: 0.01, Highest: 0.5,
			Source: practice("P-12", "one night in ten"),
		}, {
			Name: "season.cold_c", Rules: []string{"season.cold_weather"}, Title: "cold weather is below",
			Value: fromF(40), Unit: "degC", Effect: Note, Stricter: Higher, Floor: new(fromF(40)), Lowest: 0, Highest: 15,
			Source: Source{"A1-04", "ACI 306R-16: air below 40 °F expected in the protection period", standingRead},
		},
	}
}
