package rules

import "time"

// A Case is everything one assessment rests on: one pour at one site with the
// weather around it. Its JSON form is the stateless request of the API and the
// input of the assess command.
type Case struct {
	Site    Site   `json:"site"`
	Pour    Pour   `json:"pour"`
	Weather []Hour `json:"weather"`

	// AssessedAt is the moment the case is judged from: it sets how far ahead a
	// forecast hour lies. Zero means 24 h before the start, or the first hour of the
	// weather where that is later.
	AssessedAt time.Time `json:"assessed_at,omitzero"`
	// IssuedAt is when the forecast behind the weather was issued; zero means
	// AssessedAt. It decides weather.stale.
	IssuedAt time.Time `json:"issued_at,omitzero"`
	// Warnings are official weather warnings in force for the site.
	Warnings []Warning `json:"warnings,omitempty"`
	// WarningsUnknown says that the service which warns of weather at the site did
	// not answer: that Warnings is empty is then no news.
	WarningsUnknown bool `json:"warnings_unknown,omitempty"`
	// Firm holds the firm's own units, calibration and tightened limits.
	Firm Firm `json:"firm,omitzero"`
}

// A Firm is what one contractor sets for all of its pours.
type Firm struct {
	Units       Units         `json:"units,omitempty"` // for sentences; "us" when empty
	Code        Code          `json:"code,omitempty"`  // published limits: us (when empty), csa, en or din
	Calibration Calibration   `json:"calibration,omitzero"`
	Limits      []LimitChange `json:"limits,omitempty"`
}

// Units names the units of sentences and pages; the engine itself is SI.
type Units string

// The two systems of units.
const (
	UnitsUS Units = "us"
	UnitsSI Units = "si"
)

// Calibration holds the firm's own factors on the engine; zero means the default.
type Calibration struct {
	SetFactor         float64 `json:"set_factor,omitempty"`         // on setting times, 0.5 to 2; default 1.2 (models.md f_set)
	StrengthFactor    float64 `json:"strength_factor,omitempty"`    // on the rate of strength gain, 0.5 to 2; default 1
	BlanketEfficiency float64 `json:"blanket_efficiency,omitempty"` // share of the label's R on site, 0.3 to 1; default 0.75
}

// A LimitChange tightens one limit, or loosens it by an explicit override.
type LimitChange struct {
	Limit    string  `json:"limit"`              // name of the limit in the table
	Value    float64 `json:"value"`              // in the table's unit
	Override bool    `json:"override,omitempty"` // needed to go past the published floor; shown in every assessment
	Reason   string  `json:"reason,omitempty"`   // required with Override
}

// Terrain is how open the site lies to the wind.
type Terrain string

// The terrains.
const (
	TerrainOpen      Terrain = "open"
	TerrainBuilt     Terrain = "built"
	TerrainSheltered Terrain = "sheltered" // behind a windbreak or in an excavation
)

// A Site is where concrete is placed.
type Site struct {
	Latitude   float64 `json:"latitude"`  // degrees north, -66 to 72
	Longitude  float64 `json:"longitude"` // degrees east, -180 to 180
	ElevationM float64 `json:"elevation_m,omitempty"`
	Timezone   string  `json:"timezone"`          // IANA name
	Shade      float64 `json:"shade,omitempty"`   // share of direct sun kept off, 0 to 1
	Terrain    Terrain `json:"terrain,omitempty"` // open when empty
	// Code is the body of published limits at the site; the firm's when empty.
	Code Code `json:"code,omitempty"`
	// LocalRules are limits of the authority at the site; they only tighten.
	LocalRules []LocalRule `json:"local_rules,omitempty"`
}

// A LocalRule is a limit that a city or agency sets on top of the published ones.
type LocalRule struct {
	Name  string  `json:"name"`            // the authority's own citation
	Kind  string  `json:"kind"`            // see LocalRuleKinds
	Value float64 `json:"value,omitempty"` // in the unit of the kind
	// Inclusive bars the value itself too: "at 45 F or lower" and not "under 45 F".
	Inclusive bool    `json:"inclusive,omitempty"`
	WithinH   float64 `json:"within_h,omitempty"` // hours after the start over which it counts, 0 to 336
	// The rule counts only in air at or below, or at or above, these; the lowest
	// and the highest from the start over WithinH.
	WhenAirBelowC *float64 `json:"when_air_below_c,omitempty"`
	WhenAirAboveC *float64 `json:"when_air_above_c,omitempty"`
	Effect        Effect   `json:"effect,omitempty"` // move when empty
}

// Element is the kind of thing placed.
type Element string

// The elements.
const (
	SlabOnGround Element = "slab_on_ground"
	Footing      Element = "footing"
	Wall         Element = "wall"
)

// Exposure is the chloride class of ACI 318-19 Table 19.3.2.1.
type Exposure string

// The exposure classes.
const (
	ExposureC0          Exposure = "C0"
	ExposureC1          Exposure = "C1"
	ExposureC2          Exposure = "C2"
	ExposurePrestressed Exposure = "prestressed"
)

// A Pour is one placement.
type Pour struct {
	Element         Element   `json:"element"`
	ThicknessMM     float64   `json:"thickness_mm"`        // least dimension, 50 to 3000
	WidthMM         float64   `json:"width_mm,omitempty"`  // of a footing
	HeightMM        float64   `json:"height_mm,omitempty"` // of a wall
	LengthMM        float64   `json:"length_mm,omitempty"` // of a footing or wall
	AreaM2          float64   `json:"area_m2,omitempty"`   // of a slab, or of one face of a wall
	VolumeM3        *float64  `json:"volume_m3,omitempty"` // as drawn; default from the dimensions
	StartsAt        time.Time `json:"starts_at"`
	BatchedAt       time.Time `json:"batched_at,omitzero"`     // default: haul time before StartsAt
	PlacedTempC     *float64  `json:"placed_temp_c,omitempty"` // default: what the plant can deliver
	Base            Base      `json:"base,omitzero"`
	FoamMM          float64   `json:"foam_mm,omitempty"`
	VapourRetarder  bool      `json:"vapour_retarder,omitempty"`
	Reinforced      bool      `json:"reinforced,omitempty"`
	Exposure        Exposure  `json:"exposure,omitempty"`         // default C1 when reinforced, else no chloride class
	ServiceCategory int       `json:"service_category,omitempty"` // 1 to 4 (ACI 306R); default 2
	FormRM2KW       *float64  `json:"form_r_m2k_w,omitempty"`     // of wall or footing forms
	WindbreakUp     bool      `json:"windbreak,omitempty"`
	Crew            Crew      `json:"crew,omitzero"`
	Mix             Mix       `json:"mix"`
	Plant           Plant     `json:"plant,omitzero"`
	// Protection is what is planned to lie on the concrete and when.
	Protection []Protection `json:"protection,omitempty"`
	// AtHand is what could be used beyond what is planned.
	AtHand []Cover `json:"protection_at_hand,omitempty"`
	// GroundCover lies on the base before placing.
	GroundCover []GroundCover `json:"ground_cover,omitempty"`
	// Observations made on site so far; they take the place of predictions.
	Observations []Observation `json:"observations,omitempty"`
	// CancelBy is when the ready-mix order can last be cancelled.
	CancelBy time.Time `json:"cancel_by,omitzero"`
	WastePct *float64  `json:"waste_pct,omitempty"` // over the plan volume; default 7
}

// A Base is the ground under the concrete.
type Base struct {
	Material    string      `json:"material,omitempty"`     // gravel, sand or silt_clay; default gravel
	DepthMM     float64     `json:"depth_mm,omitempty"`     // default 150
	MoisturePct float64     `json:"moisture_pct,omitempty"` // by dry mass; default 4 for gravel
	Subgrade    string      `json:"subgrade,omitempty"`     // gravel, sand or silt_clay below; default silt_clay
	Turf        bool        `json:"turf,omitempty"`         // grass or thatch until placing
	Temps       []DepthTemp `json:"temps_c,omitempty"`      // profile at StartsAt; without it the ground is spun up
}

// A DepthTemp is one point of a ground temperature profile.
type DepthTemp struct {
	DepthMM float64 `json:"depth_mm"`
	TempC   float64 `json:"temp_c"`
}

// A Crew is who places and finishes.
type Crew struct {
	DayEndsAt time.Time `json:"day_ends_at,omitzero"` // default 10 h after StartsAt
	Machine   *bool     `json:"machine,omitempty"`    // finishes by machine; default true for slabs of 50 m2 and more
	PlaceM3H  float64   `json:"place_m3_h,omitempty"` // default 15
	Lights    bool      `json:"lights,omitempty"`     // lit site: finishing after dusk only notes
}

// Mix is the proportions and admixtures of the concrete.
type Mix struct {
	CementType    string      `json:"cement_type"` // I, I/II, II or III
	CementKgM3    float64     `json:"cement_kg_m3"`
	WaterKgM3     float64     `json:"water_kg_m3"` // total, with the aggregates' free moisture
	AggregateKgM3 float64     `json:"aggregate_kg_m3"`
	FlyAshKgM3    float64     `json:"fly_ash_kg_m3,omitempty"`
	SlagKgM3      float64     `json:"slag_kg_m3,omitempty"`
	StrengthMPa   float64     `json:"strength_mpa"` // specified at 28 days
	SlumpMM       float64     `json:"slump_mm,omitempty"`
	AirPct        float64     `json:"air_pct,omitempty"`
	Admixtures    []Admixture `json:"admixtures,omitempty"`
}

// An Admixture is one dose by mass of cement.
type Admixture struct {
	Kind    string  `json:"kind"`              // calcium_chloride, nonchloride_accelerator or water_reducer
	DosePct float64 `json:"dose_pct"`          // percent of cement by mass
	Product string  `json:"product,omitempty"` // calcium_chloride: flake (default), pellet, anhydrous or liquid
}

// A Plant is what the ready-mix plant has and can do.
type Plant struct {
	AggregateTempC       *float64 `json:"aggregate_temp_c,omitempty"`       // default: mean air of the day before
	AggregateMoisturePct *float64 `json:"aggregate_moisture_pct,omitempty"` // free moisture; default 2
	CementTempC          *float64 `json:"cement_temp_c,omitempty"`          // default 10
	WaterMaxC            *float64 `json:"water_max_c,omitempty"`            // hottest water it can batch; default 71
	HaulMin              *float64 `json:"haul_min,omitempty"`               // default 45
	Truck                string   `json:"truck,omitempty"`                  // drum (default), covered_dump or open_dump
	TruckM3              float64  `json:"truck_m3,omitempty"`               // default 7.6
	AcceleratorOK        *bool    `json:"accelerator,omitempty"`            // can dose one; default true
}

// A Cover is a kind of blanket at hand.
type Cover struct {
	Name      string  `json:"name,omitempty"`
	RM2KW     float64 `json:"r_m2k_w"`              // label's resistance of one layer
	AreaM2    float64 `json:"area_m2,omitempty"`    // at hand, all layers; 0 means enough
	MaxLayers int     `json:"max_layers,omitempty"` // default 2
}

// A Protection is one layer of blankets over an interval.
type Protection struct {
	RM2KW float64    `json:"r_m2k_w"` // label's resistance
	OnAt  time.Time  `json:"on_at"`
	OffAt *time.Time `json:"off_at,omitempty"` // nil: stays on
}

// A GroundCover lies on the base before placing.
type GroundCover struct {
	Kind    string     `json:"kind"` // blanket, heated or straw
	RM2KW   float64    `json:"r_m2k_w,omitempty"`
	HeatWM2 float64    `json:"heat_w_m2,omitempty"` // of heating mats or hoses under the cover
	OnAt    time.Time  `json:"on_at"`
	OffAt   *time.Time `json:"off_at,omitempty"` // nil: until placing
}

// An Observation is something measured or seen on site.
type Observation struct {
	Kind    string    `json:"kind"` // base_frozen, base_temp, concrete_temp, slump, slab_temp, initial_set, final_set, blanket_on, blanket_off, cylinder_strength
	At      time.Time `json:"at"`
	Value   float64   `json:"value,omitempty"` // deg C, mm or MPa by kind; base_frozen: 1 frozen, 0 not
	DepthMM float64   `json:"depth_mm,omitempty"`
}

// A Warning is an official weather warning.
type Warning struct {
	Event    string    `json:"event"`
	Severity string    `json:"severity,omitempty"`
	OnsetAt  time.Time `json:"onset_at"`
	EndsAt   time.Time `json:"ends_at,omitzero"`
	Source   string    `json:"source,omitempty"`
}

// An Hour is the normalised weather of one hour: states are values at At,
// sums, means and maxima cover the hour that begins there. A nil member was not
// supplied, which is never the same as zero.
type Hour struct {
	At           time.Time `json:"at"` // full hour, UTC
	AirTempC     *float64  `json:"air_temp_c"`
	DewPointC    *float64  `json:"dew_point_c,omitempty"`
	WindMS       *float64  `json:"wind_ms,omitempty"`       // at 10 m
	GustMS       *float64  `json:"gust_ms,omitempty"`       // maximum of the hour
	Cloud        *float64  `json:"cloud,omitempty"`         // 0 to 1
	ShortwaveWm2 *float64  `json:"shortwave_wm2,omitempty"` // mean of the hour, horizontal
	PrecipMM     *float64  `json:"precip_mm,omitempty"`     // liquid, sum of the hour
	PrecipType   string    `json:"precip_type,omitempty"`   // none, rain, snow, sleet, freezing_rain, ice_pellets, hail or unknown
	PrecipProb   *float64  `json:"precip_prob,omitempty"`   // 0 to 1
	SnowDepthM   *float64  `json:"snow_depth_m,omitempty"`
	AirTempSDC   *float64  `json:"air_temp_sd_c,omitempty"` // the source's own spread
	WindSDMS     *float64  `json:"wind_sd_ms,omitempty"`
}
