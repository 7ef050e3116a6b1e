package rules

import "time"

// Verdict is the answer for one pour.
type Verdict string

// The verdicts, from good to bad; Unscored stands apart: nothing trustworthy
// can be said, and that is never good news.
const (
	Place    Verdict = "place"
	Protect  Verdict = "protect"
	Move     Verdict = "move"
	Unscored Verdict = "unscored"
)

// Effect is what one finding asks for.
type Effect string

// The effects, from mild to strong.
const (
	Note          Effect = "note"
	EffectProtect Effect = "protect"
	EffectMove    Effect = "move"
)

// A Finding is the outcome of one rule.
type Finding struct {
	Rule        string     `json:"rule"` // id, such as ground.frozen
	Title       string     `json:"title"`
	Effect      Effect     `json:"effect"`
	Observed    *float64   `json:"observed"`
	Limit       *float64   `json:"limit"`
	Margin      *float64   `json:"margin"`             // limit to observed, positive when it holds
	Unit        string     `json:"unit"`               // SI unit of observed, limit and margin
	FirstAt     *time.Time `json:"first_at,omitempty"` // first hour it is crossed
	LengthH     float64    `json:"length_h,omitempty"`
	Probability *float64   `json:"probability,omitempty"` // 0 to 1; shown as "<1 %" near 0
	Sentence    string     `json:"sentence"`              // plain, in the firm's units and the site's local time
	Remedy      *Remedy    `json:"remedy,omitempty"`
	Source      Source     `json:"source"`
	Local       bool       `json:"local,omitempty"` // from a local rule
}

// A Source says where a limit comes from.
type Source struct {
	ID       string `json:"id"`       // row of the limits table, such as A3-01
	Document string `json:"document"` // published document and clause
	Standing string `json:"standing"` // read, second-hand, memory or practice
}

// A Remedy lifts a finding; it has been re-run through the engine.
type Remedy struct {
	Kind     string     `json:"kind"` // cover_ground, heat_ground, blankets, hotter_water, heat_aggregates, warmer_concrete, cooler_concrete, accelerator, later_start, earlier_start, another_day, windbreak, evaporation_retarder, lights, remove_later, cover_surface, ...
	Sentence string     `json:"sentence"`
	ValueC   *float64   `json:"value_c,omitempty"`  // of what is warmed or cooled, by kind: water, aggregates or concrete
	PlacedC  *float64   `json:"placed_c,omitempty"` // concrete at placing that it gives
	RM2KW    *float64   `json:"r_m2k_w,omitempty"`
	Hours    *float64   `json:"hours,omitempty"`
	DosePct  *float64   `json:"dose_pct,omitempty"` // product of a non-chloride accelerator by mass of cement
	By       *time.Time `json:"by,omitempty"`       // the last moment for it, of several steps for the first
	StartsAt *time.Time `json:"starts_at,omitempty"`
	AtHand   bool       `json:"at_hand"`          // can be done with what is at hand
	Passes   bool       `json:"passes"`           // the re-run passed
	Source   *Source    `json:"source,omitempty"` // of advice that no run of the engine can prove
	// Steps are the parts of a remedy that takes several, each with its own By; only
	// together they pass.
	Steps []Remedy `json:"steps,omitempty"`
}

// A Timeline is the hours of the day of the central run; nil means not reached
// within the weather given.
type Timeline struct {
	StartsAt           time.Time  `json:"starts_at"`
	DischargeBy        *time.Time `json:"discharge_by"`      // by the code, the ticket or the authority at the site
	DischargeBestBy    *time.Time `json:"discharge_best_by"` // by practice, with hot water or an accelerator; nil when not sooner
	BleedEndsAt        *time.Time `json:"bleed_ends_at"`
	InitialSetAt       *time.Time `json:"initial_set_at"` // top 25 mm
	FinalSetAt         *time.Time `json:"final_set_at"`   // top 25 mm
	FinishingStartsAt  *time.Time `json:"finishing_starts_at"`
	FinishingEndsAt    *time.Time `json:"finishing_ends_at"`
	Passes             []Pass     `json:"passes,omitempty"`
	DuskAt             *time.Time `json:"dusk_at"`
	CriticalStrengthAt *time.Time `json:"critical_strength_at"` // coldest cell reaches Assessment.CriticalMPa
	SawcutFromAt       *time.Time `json:"sawcut_from_at"`
	SawcutUntilAt      *time.Time `json:"sawcut_until_at"`
	BlanketsOnBy       *time.Time `json:"blankets_on_by"`
	ProtectUntilAt     *time.Time `json:"protect_until_at"` // nil too when nothing asks for protection
	// UncoverFromAt is the first working hour at which planned blankets that nothing
	// asks for may come off: the coldest concrete has its strength, in cold weather
	// the period is served, and baring it is gentle. Nil when they are required.
	UncoverFromAt *time.Time `json:"uncover_from_at"`
}

// A Pass is one finishing stage.
type Pass struct {
	Name       string     `json:"name"` // bull float, float, trowel 1, ...
	EarliestAt *time.Time `json:"earliest_at"`
	MachineAt  *time.Time `json:"machine_at,omitempty"`
	EndsAt     *time.Time `json:"ends_at,omitempty"`
}

// TempRow is one hour of the temperature series, with the weather over it.
type TempRow struct {
	At      time.Time `json:"at"`
	AirC    float64   `json:"air_c"`
	AirP10C *float64  `json:"air_p10_c"` // 10 and 90 percent quantile of the air by the forecast's error, see Chance.Spread
	AirP90C *float64  `json:"air_p90_c"`
	TopC    float64   `json:"top_c"`    // mean of the top 25 mm
	MeanC   float64   `json:"mean_c"`   // of the concrete
	BottomC float64   `json:"bottom_c"` // lowest cell of the concrete
	BaseC   float64   `json:"base_c"`   // top 25 mm of the base
	// PrecipMM is rain and snow of the hour as water, SnowMM the part of it that is
	// judged as snow or ice; nil where the weather says nothing.
	PrecipMM *float64 `json:"precip_mm"`
	SnowMM   *float64 `json:"snow_mm"`
}

// WeatherRow is one hour of the weather before placing, as in TempRow.
type WeatherRow struct {
	At       time.Time `json:"at"`
	AirC     float64   `json:"air_c"`
	AirP10C  *float64  `json:"air_p10_c"`
	AirP90C  *float64  `json:"air_p90_c"`
	PrecipMM *float64  `json:"precip_mm"`
	SnowMM   *float64  `json:"snow_mm"`
}

// StrengthRow is one hour of the strength series.
type StrengthRow struct {
	At         time.Time `json:"at"`
	ColdestMPa float64   `json:"coldest_mpa"`
	MeanMPa    float64   `json:"mean_mpa"`
}

// GroundRow is one hour of the ground before placing.
type GroundRow struct {
	At           time.Time `json:"at"`
	SurfaceC     float64   `json:"surface_c"`
	FrostDepthMM float64   `json:"frost_depth_mm"`
}

// Ground is the state of the base at the start.
type Ground struct {
	SurfaceC     float64     `json:"surface_c"` // top 25 mm of the base
	FrostDepthMM float64     `json:"frost_depth_mm"`
	State        string      `json:"state"`      // frozen, near_freezing or thawed
	ThawHours    *float64    `json:"thaw_hours"` // of the blankets at hand before it is fit; nil when none or out of reach
	From         string      `json:"from"`       // profile, observation or spun_up
	Series       []GroundRow `json:"series,omitempty"`
}

// Band is a 10, 50 and 90 percent quantile of a time; nil when not reached.
type Band struct {
	P10 *time.Time `json:"p10"`
	P50 *time.Time `json:"p50"`
	P90 *time.Time `json:"p90"`
}

// Chance is what the members of the forecast's own spread, or of the error
// prior, say of the failing events.
type Chance struct {
	Members          int     `json:"members"`
	Spread           string  `json:"spread"` // source, measured or prior
	BaseFrozen       float64 `json:"base_frozen"`
	FreezesEarly     float64 `json:"freezes_early"`
	FinishAfterDusk  float64 `json:"finish_after_dusk"`
	FinishAfterHours float64 `json:"finish_after_hours"`
	InitialSet       Band    `json:"initial_set_at"`
	FinalSet         Band    `json:"final_set_at"`
	FinishingEnds    Band    `json:"finishing_ends_at"`
	CriticalStrength Band    `json:"critical_strength_at"`
	Sawcut           Band    `json:"sawcut_from_at"`
}

// A Batch is what to order and how warm.
type Batch struct {
	VolumeM3         float64  `json:"volume_m3"` // as drawn
	OrderM3          float64  `json:"order_m3"`  // with waste, rounded up to the plant's step
	Trucks           int      `json:"trucks"`
	TruckSpacingMin  float64  `json:"truck_spacing_min"`
	PlacingMinC      float64  `json:"placing_min_c"`
	PlacingMaxC      float64  `json:"placing_max_c"`
	MixedMinC        float64  `json:"mixed_min_c"`
	MixedMaxC        float64  `json:"mixed_max_c"`
	HaulDropC        float64  `json:"haul_drop_c"`
	Governs          string   `json:"governs"`        // haul or table
	WaterTempC       *float64 `json:"water_temp_c"`   // needed; nil when no heating is needed
	WaterCapped      bool     `json:"water_capped"`   // needed more than the plant or the limit allows
	HotWaterL        *float64 `json:"hot_water_l"`    // heated water of the whole order; nil when no heating is needed
	WaterHeatMJ      *float64 `json:"water_heat_mj"`  // to heat it from the plant's cold water
	AcceleratorKg    float64  `json:"accelerator_kg"` // product of all accelerators of the order
	MixedTempC       float64  `json:"mixed_temp_c"`   // achieved
	PlacedTempC      float64  `json:"placed_temp_c"`  // achieved after haul
	Accelerators     []Dose   `json:"accelerators,omitempty"`
	ChlorideIonPct   float64  `json:"chloride_ion_pct"` // of cement, from admixtures
	ChlorideLimitPct *float64 `json:"chloride_limit_pct"`
}

// A Dose is what one admixture comes to for the order.
type Dose struct {
	Kind    string   `json:"kind"`
	DosePct float64  `json:"dose_pct"`
	MassKg  float64  `json:"mass_kg"`
	Bags    *int     `json:"bags,omitempty"`   // of 22.7 kg (50 lb)
	Litres  *float64 `json:"litres,omitempty"` // of solution
}

// A ProtectionPlan is the least protection that passes.
type ProtectionPlan struct {
	Layers int        `json:"layers"`
	RM2KW  float64    `json:"r_m2k_w"` // label's total
	OnAt   *time.Time `json:"on_at"`
	OffAt  *time.Time `json:"off_at"` // first working hour after the three ends that follow; nil beyond the weather
	// The period is served, grown by hours that were too cold; the coldest concrete
	// has the critical strength and what the authority asks for; baring it is gentle.
	PeriodUntil   *time.Time `json:"period_until"`
	StrengthUntil *time.Time `json:"strength_until"`
	GentleFrom    *time.Time `json:"gentle_from"`
	DoubleEdges   bool       `json:"double_edges"`
	PeriodH       float64    `json:"period_h"`             // required by the service category
	Governs       string     `json:"governs"`              // period, strength or temperature
	CoolDropC     float64    `json:"cool_drop_c"`          // most allowed in the first 24 h after
	IfLate2H      string     `json:"if_late_2h,omitempty"` // what happens when blankets go on two hours late
}

// A Protected is the central run with what the assessment asks for beyond the plan:
// blankets, a base made fit, an accelerator, warmer concrete, windbreaks. These are
// the hours that people act by.
type Protected struct {
	Timeline               Timeline      `json:"timeline"`
	Batch                  *Batch        `json:"batch"`  // the order then; nil when it is as planned
	Chance                 *Chance       `json:"chance"` // nil when no members were asked for
	MinTempBeforeCriticalC *float64      `json:"min_temp_before_critical_c"`
	FreezesBeforeCritical  *bool         `json:"freezes_before_critical"`
	Temperatures           []TempRow     `json:"temperatures"`
	Strength               []StrengthRow `json:"strength"`
}

// A Colder is what air colder than forecast, from now on or from the start, does to
// the hours of the day, in hours later; nil where one is not reached.
type Colder struct {
	ByC               float64  `json:"by_c"`
	InitialSetH       *float64 `json:"initial_set_h"`
	FinalSetH         *float64 `json:"final_set_h"` // the end of finishing is as much later
	CriticalStrengthH *float64 `json:"critical_strength_h"`
	SawcutH           *float64 `json:"sawcut_h"`
	Sentence          string   `json:"sentence"`
}

// A Window is one start in the coming days with its verdict.
type Window struct {
	StartsAt time.Time `json:"starts_at"`
	Verdict  Verdict   `json:"verdict"`
	Cost     float64   `json:"cost"`            // dimensionless, lower is better; 0 is clean, now
	Worst    string    `json:"worst,omitempty"` // rule id that decides
}

// An Assumption is a default that stood in for a missing value.
type Assumption struct {
	Pointer string `json:"pointer"` // JSON Pointer of the missing value
	Value   any    `json:"value"`
	Reason  string `json:"reason"`
}

// EvaporationRow is one hour of drying before final set.
type EvaporationRow struct {
	At    time.Time `json:"at"`
	KgM2H float64   `json:"kg_m2_h"`
}

// An Assessment is what the engine says of a pour at one time.
type Assessment struct {
	Verdict                Verdict          `json:"verdict"`
	Headline               string           `json:"headline"`           // one plain sentence: the verdict and its worst reason
	Unscored               string           `json:"unscored,omitempty"` // why nothing can be said
	Findings               []Finding        `json:"findings"`
	Timeline               Timeline         `json:"timeline"`
	Ground                 *Ground          `json:"ground"`
	Batch                  *Batch           `json:"batch"`
	Protection             *ProtectionPlan  `json:"protection"`
	Protected              *Protected       `json:"protected"`                // nil when the plan needs nothing more, or nothing at hand helps
	WeatherBefore          []WeatherRow     `json:"weather_before,omitempty"` // of the day before placing, from what was used
	Temperatures           []TempRow        `json:"temperatures"`
	Strength               []StrengthRow    `json:"strength"`
	Evaporation            []EvaporationRow `json:"evaporation,omitempty"`
	CriticalMPa            float64          `json:"critical_mpa"` // least strength before the first freezing: 500 psi (3.5 MPa), or what code or firm ask for
	MinTempBeforeCriticalC *float64         `json:"min_temp_before_critical_c"`
	FreezesBeforeCritical  *bool            `json:"freezes_before_critical"`
	Chance                 *Chance          `json:"chance"`
	IfColder               *Colder          `json:"if_colder"` // nil once the top has set, and when it does not set
	Windows                []Window         `json:"windows,omitempty"`
	ColdWeather            ColdWeather      `json:"cold_weather"`
	Cautions               []string         `json:"cautions"`
	Assumed                []Assumption     `json:"assumed"`
	Overrides              []LimitChange    `json:"overrides,omitempty"`
	WeatherUntil           *time.Time       `json:"weather_until"` // last hour the assessment could rest on
	Code                   Code             `json:"code"`          // the body of published limits it is judged by
	Engine                 string           `json:"engine"`
}

// ColdWeather is the season by both published definitions.
type ColdWeather struct {
	ThreeDay   *bool `json:"three_day"`  // ACI 306.1-90; nil when too few days are known
	Protection *bool `json:"protection"` // ACI 306R-16: below 40 F expected in the protection period
}

// Options say how much of an assessment to compute.
type Options struct {
	Members int         // of the chance; 0 leaves it out, 51 is usual
	Seed    uint64      // of the members; the same seed gives the same chance
	Starts  []time.Time // candidate starts for Windows
}
