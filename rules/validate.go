package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/mix"
)

// A Violation is one thing that is wrong with a case.
type Violation struct {
	Pointer string `json:"pointer"` // JSON Pointer (RFC 6901) of the member
	Detail  string `json:"detail"`  // reads after the member's name: "must be between 50 and 3000 mm"
}

// An InvalidError is everything that is wrong with a case; never empty.
type InvalidError struct {
	Violations []Violation
}

func (e *InvalidError) Error() string {
	said := make([]string, len(e.Violations))
	for i, v := range e.Violations {
		said[i] = strings.TrimSpace(v.Pointer + " " + v.Detail)
	}
	return "invalid case: " + strings.Join(said, "; ")
}

// Validate checks a case that was built in Go, every part for itself, and returns
// all that is wrong. It does not ask that there is weather: [Assess] answers a
// case without as unscored. [Decode] does.
func Validate(c Case) []Violation { return violations(c.check) }

// Violations returns what is wrong with a site; pointers begin at the site.
func (s Site) Violations() []Violation { return violations(s.check) }

// Violations returns what is wrong with a pour, with its mix, plant and crew;
// pointers begin at the pour.
func (p Pour) Violations() []Violation { return violations(p.check) }

// Violations returns what is wrong with a mix; pointers begin at the mix.
func (m Mix) Violations() []Violation { return violations(m.check) }

// Violations returns what is wrong with a plant; pointers begin at the plant.
func (p Plant) Violations() []Violation { return violations(p.check) }

// Violations returns what is wrong with a crew; pointers begin at the crew.
func (w Crew) Violations() []Violation { return violations(w.check) }

// Violations returns what is wrong with a firm; pointers begin at the firm.
func (f Firm) Violations() []Violation { return violations(f.check) }

func violations(check func(checker)) []Violation {
	var found []Violation
	check(checker{found: &found})
	return found
}

// Most of what a case may hold.
const (
	maxHours        = 2500 // 104 days: a season's history and 16 days to come
	maxListed       = 100  // of any other list
	maxText         = 200  // characters of any text
	maxObservations = 500
)

// The years a case may lie in, for which the sun's position holds.
var (
	firstTime = time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC)
	lastTime  = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

// A checker notes what is wrong below one place of a case.
type checker struct {
	at    string
	found *[]Violation
}

func (k checker) add(name, detail string) {
	if name != "" {
		name = "/" + name
	}
	*k.found = append(*k.found, Violation{k.at + name, detail})
}

// in is the checker of a member; item of an element of a list.
func (k checker) in(name string) checker { return checker{k.at + "/" + name, k.found} }

func (k checker) item(name string, i int) checker {
	return checker{k.at + "/" + name + "/" + strconv.Itoa(i), k.found}
}

// between checks a number that has to be given.
func (k checker) between(name string, v, lowest, highest float64, unit string) {
	if !(v >= lowest && v <= highest) {
		k.add(name, rangeDetail(lowest, highest, unit))
	}
}

// optional checks a number of which 0 means not given.
func (k checker) optional(name string, v, lowest, highest float64, unit string) {
	if v != 0 {
		k.between(name, v, lowest, highest, unit)
	}
}

// given checks a number that may be missing.
func (k checker) given(name string, v *float64, lowest, highest float64, unit string) {
	if v != nil {
		k.between(name, *v, lowest, highest, unit)
	}
}

func rangeDetail(lowest, highest float64, unit string) string {
	return "must be between " + trimmed(lowest, 4) + " and " + trimmed(highest, 4) + unitWords[unit]
}

// unitWords are the units of the table and of the members as a detail says them.
var unitWords = map[string]string{
	"": "", "1": "", "degC": " °C", "K": " K", "%": " %", "h": " h", "min": " min", "mm": " mm", "m": " m", "m2": " m²",
	"m3": " m³", "m/s": " m/s", "MPa": " MPa", "kg/m2/h": " kg/m²/h", "kg/m3": " kg/m³", "m3/h": " m³/h",
	"m2K/W": " m²K/W", "W/m2": " W/m²", "degrees": " degrees",
}

// oneOf checks a word; the empty word is not given and fine.
func oneOf[T ~string](k checker, name string, v T, allowed ...T) {
	if v == "" || slices.Contains(allowed, v) {
		return
	}
	words := make([]string, len(allowed))
	for i, a := range allowed {
		words[i] = string(a)
	}
	k.add(name, "must be "+orList(words))
}

// required checks a word that has to be given.
func required[T ~string](k checker, name string, v T, allowed ...T) {
	if v == "" {
		k.add(name, "is required")
		return
	}
	oneOf(k, name, v, allowed...)
}

// orList is "a", "a or b" or "a, b or c".
func orList(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}

// text checks words that people write.
func (k checker) text(name, v string) {
	switch {
	case len([]rune(v)) > maxText:
		k.add(name, fmt.Sprintf("must have at most %d characters", maxText))
	case strings.ContainsFunc(v, func(r rune) bool { return r < ' ' || r == 0x7f }):
		k.add(name, "must not hold control characters")
	}
}

// moment checks a time that may be missing.
func (k checker) moment(name string, t time.Time) {
	if !t.IsZero() && (t.Before(firstTime) || !t.Before(lastTime)) {
		k.add(name, "must lie between 1950 and 2100")
	}
}

// moments checks an interval whose end may be missing.
func (k checker) moments(fromName string, from time.Time, toName string, to *time.Time) {
	k.start(fromName, from)
	if to == nil {
		return
	}
	k.start(toName, *to)
	if !to.After(from) && !from.IsZero() {
		k.add(toName, "must be after "+fromName)
	}
}

// start checks a time that has to be given.
func (k checker) start(name string, t time.Time) {
	if t.IsZero() {
		k.add(name, "is required")
	}
	k.moment(name, t)
}

// length checks how many a list holds.
func (k checker) length(name string, n, most int) {
	if n > most {
		k.add(name, fmt.Sprintf("must have at most %d items", most))
	}
}

func (c Case) check(k checker) {
	c.Site.check(k.in("site"))
	c.Pour.check(k.in("pour"))
	checkWeather(k, c.Weather)
	k.moment("assessed_at", c.AssessedAt)
	k.moment("issued_at", c.IssuedAt)
	k.length("warnings", len(c.Warnings), maxListed)
	for i := range c.Warnings {
		c.Warnings[i].check(k.item("warnings", i))
	}
	c.Firm.check(k.in("firm"))
}

func (s Site) check(k checker) {
	k.between("latitude", s.Latitude, -66, 72, "degrees")
	k.between("longitude", s.Longitude, -180, 180, "degrees")
	k.between("elevation_m", s.ElevationM, -430, 6200, "m")
	if s.Timezone == "" {
		k.add("timezone", "is required")
	} else if _, err := zoneOf(s.Timezone); err != nil {
		k.add("timezone", "must be an IANA time zone, such as America/Chicago")
	}
	k.between("shade", s.Shade, 0, 1, "")
	oneOf(k, "terrain", s.Terrain, TerrainOpen, TerrainBuilt, TerrainSheltered)
	oneOf(k, "code", s.Code, codes...)
	k.length("local_rules", len(s.LocalRules), maxListed)
	for i := range s.LocalRules {
		s.LocalRules[i].check(k.item("local_rules", i))
	}
}

func (p Pour) check(k checker) {
	required(k, "element", p.Element, SlabOnGround, Footing, Wall)
	k.between("thickness_mm", p.ThicknessMM, 50, 3000, "mm")
	k.optional("width_mm", p.WidthMM, 50, 20000, "mm")
	k.optional("height_mm", p.HeightMM, 50, 20000, "mm")
	k.optional("length_mm", p.LengthMM, 50, 1e6, "mm")
	k.between("area_m2", p.AreaM2, 0, 1e5, "m2")
	k.given("volume_m3", p.VolumeM3, 0, 1e4, "m3")
	k.given("waste_pct", p.WastePct, 0, 100, "%")
	k.start("starts_at", p.StartsAt)
	p.checkBatchedAt(k)
	k.given("placed_temp_c", p.PlacedTempC, 0, 45, "degC")
	p.Base.check(k.in("base"))
	k.between("foam_mm", p.FoamMM, 0, 500, "mm")
	oneOf(k, "exposure", p.Exposure, ExposureC0, ExposureC1, ExposureC2, ExposurePrestressed)
	k.optional("service_category", float64(p.ServiceCategory), 1, 4, "")
	k.given("form_r_m2k_w", p.FormRM2KW, 0, 10, "m2K/W")
	p.Crew.check(k.in("crew"))
	p.checkDay(k)
	p.Mix.check(k.in("mix"))
	p.Plant.check(k.in("plant"))
	p.checkCovers(k)
	k.length("observations", len(p.Observations), maxObservations)
	for i := range p.Observations {
		p.Observations[i].check(k.item("observations", i))
	}
}

// maxHaulH is the longest time from batching to placing that is taken.
const maxHaulH = 4

func (p *Pour) checkBatchedAt(k checker) {
	if p.BatchedAt.IsZero() || p.StartsAt.IsZero() {
		return
	}
	switch before := p.StartsAt.Sub(p.BatchedAt); {
	case before < 0:
		k.add("batched_at", "must not be after starts_at")
	case before > maxHaulH*time.Hour:
		k.add("batched_at", fmt.Sprintf("must be at most %d h before starts_at", maxHaulH))
	}
}

// checkDay checks the hours around the start.
func (p *Pour) checkDay(k checker) {
	k.moment("cancel_by", p.CancelBy)
	if p.StartsAt.IsZero() {
		return
	}
	if p.CancelBy.After(p.StartsAt) {
		k.add("cancel_by", "must not be after starts_at")
	}
	ends := p.Crew.DayEndsAt
	if !ends.IsZero() && (!ends.After(p.StartsAt) || ends.Sub(p.StartsAt) > 24*time.Hour) {
		k.in("crew").add("day_ends_at", "must be after starts_at and at most 24 h later")
	}
}

func (p *Pour) checkCovers(k checker) {
	k.length("protection", len(p.Protection), maxListed)
	for i, x := range p.Protection {
		at := k.item("protection", i)
		at.between("r_m2k_w", x.RM2KW, 0.01, 10, "m2K/W")
		at.moments("on_at", x.OnAt, "off_at", x.OffAt)
	}
	k.length("protection_at_hand", len(p.AtHand), maxListed)
	for i, x := range p.AtHand {
		at := k.item("protection_at_hand", i)
		at.text("name", x.Name)
		at.between("r_m2k_w", x.RM2KW, 0.01, 10, "m2K/W")
		at.between("area_m2", x.AreaM2, 0, 1e5, "m2")
		at.optional("max_layers", float64(x.MaxLayers), 1, 6, "")
	}
	k.length("ground_cover", len(p.GroundCover), maxListed)
	for i, x := range p.GroundCover {
		at := k.item("ground_cover", i)
		required(at, "kind", x.Kind, "blanket", "heated", "straw")
		at.between("r_m2k_w", x.RM2KW, 0, 10, "m2K/W")
		at.between("heat_w_m2", x.HeatWM2, 0, 1000, "W/m2")
		at.moments("on_at", x.OnAt, "off_at", x.OffAt)
	}
}

func (b Base) check(k checker) {
	oneOf(k, "material", b.Material, soilMaterials...)
	oneOf(k, "subgrade", b.Subgrade, soilMaterials...)
	k.optional("depth_mm", b.DepthMM, 20, 2000, "mm")
	k.between("moisture_pct", b.MoisturePct, 0, 60, "%")
	k.length("temps_c", len(b.Temps), maxListed)
	for i, t := range b.Temps {
		at := k.item("temps_c", i)
		at.between("depth_mm", t.DepthMM, 0, 10000, "mm")
		at.between("temp_c", t.TempC, -50, 60, "degC")
		if i > 0 && t.DepthMM <= b.Temps[i-1].DepthMM {
			at.add("depth_mm", "must be deeper than the one before")
		}
	}
}

// soilMaterials are the names of package soil.
var soilMaterials = []string{"gravel", "sand", "silt_clay"}

func (w Crew) check(k checker) {
	k.moment("day_ends_at", w.DayEndsAt)
	k.optional("place_m3_h", w.PlaceM3H, 0.5, 200, "m3/h")
}

func (m Mix) check(k checker) {
	required(k, "cement_type", m.CementType, cementTypes...)
	k.between("cement_kg_m3", m.CementKgM3, 50, 800, "kg/m3")
	k.between("water_kg_m3", m.WaterKgM3, 50, 400, "kg/m3")
	k.between("aggregate_kg_m3", m.AggregateKgM3, 500, 2500, "kg/m3")
	k.between("fly_ash_kg_m3", m.FlyAshKgM3, 0, 500, "kg/m3")
	k.between("slag_kg_m3", m.SlagKgM3, 0, 700, "kg/m3")
	k.between("strength_mpa", m.StrengthMPa, 5, 120, "MPa")
	k.between("slump_mm", m.SlumpMM, 0, 300, "mm")
	k.between("air_pct", m.AirPct, 0, 15, "%")
	m.checkProportions(k)
	k.length("admixtures", len(m.Admixtures), maxListed)
	for i := range m.Admixtures {
		m.Admixtures[i].check(k.item("admixtures", i))
	}
}

var cementTypes = []string{"I", "I/II", "II", "III"}

// Plausible proportions: water over cementitious materials, and what a cubic
// metre comes to. They catch values in other units.
const (
	minWCM, maxWCM         = 0.25, 0.90
	minDensity, maxDensity = 1400.0, 2800.0
)

func (m *Mix) cementitiousKgM3() float64 { return m.CementKgM3 + m.FlyAshKgM3 + m.SlagKgM3 }

func (m *Mix) checkProportions(k checker) {
	cm := m.cementitiousKgM3()
	if !(cm > 0 && m.WaterKgM3 > 0 && m.AggregateKgM3 > 0) {
		return
	}
	if wcm := m.WaterKgM3 / cm; wcm < minWCM || wcm > maxWCM {
		k.add("water_kg_m3", fmt.Sprintf("must be %.2f to %.2f of the cementitious materials by mass", minWCM, maxWCM))
	}
	if total := cm + m.WaterKgM3 + m.AggregateKgM3; total < minDensity || total > maxDensity {
		k.add("", fmt.Sprintf("must add up to between %.0f and %.0f kg/m³ of concrete", minDensity, maxDensity))
	}
}

// Admixture kinds and the products of calcium chloride.
const (
	calciumChloride = "calcium_chloride"
	nonchloride     = "nonchloride_accelerator"
	waterReducer    = "water_reducer"
)

func (a Admixture) check(k checker) {
	required(k, "kind", a.Kind, calciumChloride, nonchloride, waterReducer)
	k.between("dose_pct", a.DosePct, 0, 8, "%")
	if a.Product == "" {
		return
	}
	if a.Kind != calciumChloride {
		k.add("product", "is for calcium_chloride only")
		return
	}
	oneOf(k, "product", concrete.Product(a.Product), concrete.Flake, concrete.Pellet, concrete.Anhydrous, concrete.Liquid)
}

func (p Plant) check(k checker) {
	k.given("aggregate_temp_c", p.AggregateTempC, -50, 60, "degC")
	k.given("aggregate_moisture_pct", p.AggregateMoisturePct, 0, 20, "%")
	k.given("cement_temp_c", p.CementTempC, -40, 90, "degC")
	k.given("water_max_c", p.WaterMaxC, 0, 100, "degC")
	k.given("haul_min", p.HaulMin, 0, 60*maxHaulH, "min")
	oneOf(k, "truck", mix.Truck(p.Truck), mix.Drum, mix.CoveredDump, mix.OpenDump)
	k.optional("truck_m3", p.TruckM3, 0.5, 20, "m3")
}

// observationRanges are the kinds of observations with the range of their value.
var observationRanges = []struct {
	kind            string
	lowest, highest float64
	unit            string
}{
	{"base_frozen", 0, 1, ""},
	{"base_temp", -50, 60, "degC"},
	{"concrete_temp", -10, 90, "degC"},
	{"slump", 0, 300, "mm"},
	{"slab_temp", -50, 100, "degC"},
	{"initial_set", 0, 1, ""},
	{"final_set", 0, 1, ""},
	{"blanket_on", 0, 10, "m2K/W"},
	{"blanket_off", 0, 10, "m2K/W"},
	{"cylinder_strength", 0, 150, "MPa"},
}

func (o Observation) check(k checker) {
	k.start("at", o.At)
	k.between("depth_mm", o.DepthMM, 0, 10000, "mm")
	kinds := make([]string, len(observationRanges))
	for i, r := range observationRanges {
		kinds[i] = r.kind
		if r.kind == o.Kind {
			k.between("value", o.Value, r.lowest, r.highest, r.unit)
		}
	}
	required(k, "kind", o.Kind, kinds...)
}

func (w Warning) check(k checker) {
	if w.Event == "" {
		k.add("event", "is required")
	}
	k.text("event", w.Event)
	k.text("source", w.Source)
	oneOf(k, "severity", strings.ToLower(w.Severity), "extreme", "severe", "moderate", "minor", "unknown")
	k.start("onset_at", w.OnsetAt)
	k.moment("ends_at", w.EndsAt)
	if !w.EndsAt.IsZero() && !w.EndsAt.After(w.OnsetAt) {
		k.add("ends_at", "must be after onset_at")
	}
}

func (f Firm) check(k checker) {
	oneOf(k, "units", f.Units, UnitsUS, UnitsSI)
	oneOf(k, "code", f.Code, codes...)
	c := k.in("calibration")
	c.optional("set_factor", f.Calibration.SetFactor, 0.5, 2, "")
	c.optional("strength_factor", f.Calibration.StrengthFactor, 0.5, 2, "")
	c.optional("blanket_efficiency", f.Calibration.BlanketEfficiency, 0.3, 1, "")
	k.length("limits", len(f.Limits), len(limitTable))
	seen := map[string]bool{}
	for i, change := range f.Limits {
		at := k.item("limits", i)
		if seen[change.Limit] {
			at.add("limit", "is changed twice")
		}
		seen[change.Limit] = true
		change.check(at)
	}
}

func (x LimitChange) check(k checker) {
	k.text("reason", x.Reason)
	row, known := limitIndex[x.Limit]
	if !known {
		k.add("limit", "must be a name of the limits table")
		return
	}
	l := &limitTable[row]
	if !(x.Value >= l.Lowest && x.Value <= l.Highest) {
		k.add("value", rangeDetail(l.Lowest, l.Highest, l.Unit))
		return
	}
	if !l.loosens(x.Value) {
		return
	}
	if !x.Override {
		k.add("value", "is looser than the published "+trimmed(*l.Floor, 2)+unitWords[l.Unit]+", which takes override and a reason")
	} else if strings.TrimSpace(x.Reason) == "" {
		k.add("reason", "is required with an override")
	}
}

// checkWeather checks hours: each for itself, on the full hour, in order.
func checkWeather(k checker, weather []Hour) {
	k.length("weather", len(weather), maxHours)
	for i := range weather[:min(len(weather), maxHours)] {
		h, at := &weather[i], k.item("weather", i)
		at.start("at", h.At)
		if !h.At.Equal(h.At.Truncate(time.Hour)) {
			at.add("at", "must be a full hour (UTC)")
		}
		if i > 0 && !h.At.IsZero() {
			switch before := weather[i-1].At; {
			case h.At.Equal(before):
				at.add("at", "is given twice")
			case h.At.Before(before):
				at.add("at", "must be after the hour before it in the list")
			}
		}
		h.check(at)
	}
}

var precipTypes = []string{"none", "rain", "snow", "sleet", "freezing_rain", "ice_pellets", "hail", "unknown"}

func (h *Hour) check(k checker) {
	k.given("air_temp_c", h.AirTempC, -75, 60, "degC") // as package forecast takes it
	k.given("dew_point_c", h.DewPointC, -90, 45, "degC")
	k.given("wind_ms", h.WindMS, 0, 100, "m/s")
	k.given("gust_ms", h.GustMS, 0, 150, "m/s")
	k.given("cloud", h.Cloud, 0, 1, "")
	k.given("shortwave_wm2", h.ShortwaveWm2, -20, 1600, "W/m2")
	k.given("precip_mm", h.PrecipMM, 0, 400, "mm")
	oneOf(k, "precip_type", h.PrecipType, precipTypes...)
	k.given("precip_prob", h.PrecipProb, 0, 1, "")
	k.given("snow_depth_m", h.SnowDepthM, 0, 15, "m")
	k.given("air_temp_sd_c", h.AirTempSDC, 0, 20, "K")
	k.given("wind_sd_ms", h.WindSDMS, 0, 30, "m/s")
}

// covers reports whether the hours with an air temperature reach from before t to
// after it.
func covers(weather []Hour, t time.Time) bool {
	before, after := false, false
	for _, h := range weather {
		if h.AirTempC != nil && !math.IsNaN(*h.AirTempC) {
			before = before || !h.At.After(t)
			after = after || !h.At.Before(t)
		}
	}
	return before && after
}
