package demo

import (
	"time"

	"frostgate/rules"
)

// A Week is all that the invented contractor has in hand. Names are invented; quantities are ordinary ones of the
// trade (common practice, no source).
type Week struct {
	Firm   string
	Sites  []Site
	Plants []Plant
	Crews  []Crew
	Mixes  []Mix
	Pours  []Pour
}

// A Site is a job and the weather it has.
type Site struct {
	rules.Site

	Name, Address string
	Course        []Day
	Falls         []Fall
	Silent        bool // the weather service has no answer for it
}

// Sky is the site's weather, its course counted from anchor.
func (s Site) Sky(anchor time.Time) Sky {
	return Sky{Name: s.Name, Latitude: s.Latitude, Longitude: s.Longitude, Anchor: anchor, Course: s.Course, Falls: s.Falls}
}

// A Plant supplies concrete.
type Plant struct {
	rules.Plant

	Name string
}

// A Crew works between two minutes of the day.
type Crew struct {
	Name                     string
	DayStartsMin, DayEndsMin int
	Machine                  bool
}

// A Mix is one line of a plant's price list.
type Mix struct {
	rules.Mix

	Name string
}

// A Pour is one placement: whole days after the anchor's date, and the hour on the site's clock.
type Pour struct {
	rules.Pour

	Name, Site, Plant, Crew, Mix string
	Day                          int
	Hour                         float64
	CancelHour                   float64 // on the day before; 0 for none
}

// StartsAt is the pour's start, and CancelBy when the order can last be cancelled, zero for never.
func (p Pour) times(anchor time.Time, zone *time.Location) (startsAt, cancelBy time.Time) {
	y, m, d := anchor.In(zone).Date()
	clock := func(day int, hour float64) time.Time {
		return time.Date(y, m, d+day, 0, int(60*hour), 0, 0, zone)
	}
	if p.CancelHour > 0 {
		cancelBy = clock(p.Day-1, p.CancelHour)
	}
	return clock(p.Day, p.Hour), cancelBy
}

func ptr[T any](v T) *T { return &v }

// Courses of the weather, in days from the anchor.
var (
	// Ten hard days over bare ground, still cold, then a thaw.
	deepFrost = []Day{
		{At: -20, MeanC: -3, SwingC: 3, Cloud: 0.6, WindMS: 4, DryC: 2}, {At: -12, MeanC: -11, SwingC: 4, Cloud: 0.3, WindMS: 4, DryC: 3},
		{At: 1, MeanC: -9, SwingC: 4, Cloud: 0.3, WindMS: 4, DryC: 3}, {At: 3, MeanC: -5, SwingC: 4, Cloud: 0.4, WindMS: 4, DryC: 2},
		{At: 5, MeanC: 2, SwingC: 4, Cloud: 0.6, WindMS: 4, DryC: 1}, {At: 8, MeanC: 3, SwingC: 4, Cloud: 0.6, WindMS: 4, DryC: 1},
	}
	// A mild spell, then a clear, still night well below freezing on the second day.
	coldSnap = []Day{
		{At: -20, MeanC: 5, SwingC: 4, Cloud: 0.5, WindMS: 3, DryC: 1}, {At: 1.8, MeanC: 4, SwingC: 4, Cloud: 0.4, WindMS: 3, DryC: 1},
		{At: 2.7, MeanC: -6, SwingC: 5, Cloud: 0.05, WindMS: 2, DryC: 3}, {At: 3.6, MeanC: -6, SwingC: 5, Cloud: 0.05, WindMS: 2, DryC: 3},
		{At: 5, MeanC: 1, SwingC: 4, Cloud: 0.5, WindMS: 3, DryC: 1},
	}
	// Raw and grey just above freezing: concrete sets slowly, nothing freezes.
	rawAndGrey = []Day{{At: -20, MeanC: 3.5, SwingC: 1.5, Cloud: 0.95, WindMS: 4, DryC: 1}, {At: 8, MeanC: 3.5, SwingC: 1.5, Cloud: 0.95, WindMS: 4, DryC: 1}}
	// A warm wind off the mountains.
	warmWind = []Day{{At: -20, MeanC: 9, SwingC: 5, Cloud: 0.2, WindMS: 3, DryC: 2}, {At: 8, MeanC: 10, SwingC: 5, Cloud: 0.2, WindMS: 3, DryC: 2}}
	// Mild, with a storm on the third day.
	storm = []Day{
		{At: -20, MeanC: 5, SwingC: 5, Cloud: 0.4, WindMS: 3, DryC: 1}, {At: 2.6, MeanC: 5, SwingC: 4, Cloud: 0.7, WindMS: 5, DryC: 1},
		{At: 3.3, MeanC: 3, SwingC: 2, Cloud: 0.9, WindMS: 13, DryC: 2}, {At: 4, MeanC: -2, SwingC: 3, Cloud: 0.6, WindMS: 12, DryC: 2},
		{At: 5, MeanC: 2, SwingC: 4, Cloud: 0.3, WindMS: 4, DryC: 1},
	}
)

func weekSites() []Site {
	central := func(lat, lon, elevation float64) rules.Site {
		return rules.Site{Latitude: lat, Longitude: lon, ElevationM: elevation, Timezone: "America/Chicago", Terrain: rules.TerrainOpen}
	}
	mountain := func(lat, lon, elevation float64) rules.Site {
		return rules.Site{Latitude: lat, Longitude: lon, ElevationM: elevation, Timezone: "America/Denver", Terrain: rules.TerrainOpen}
	}
	return []Site{
		{Name: "Fen Road store", Address: "Fen Road, north gate", Site: central(45.42, -92.13, 330), Course: deepFrost},
		{Name: "Alder Lane garage", Address: "14 Alder Lane", Site: central(43.57, -90.64, 270), Course: coldSnap},
		{Name: "Bell Hill gym", Address: "Bell Hill, behind the school", Site: central(42.88, -89.41, 260), Course: rawAndGrey},
		{Name: "Pump house 3", Address: "Dyke road, km 3", Site: central(44.21, -91.37, 215), Course: coldSnap},
		{Name: "Grain dryer pad", Address: "Section 9 road", Site: central(43.05, -92.88, 350), Course: rawAndGrey,
			Falls: []Fall{{From: 5.55, To: 6.1, MMPerH: 1.5}}},
		{Name: "Upper bench dairy", Address: "Bench road", Site: mountain(43.96, -107.72, 1270), Course: warmWind},
		{Name: "Switchyard apron", Address: "Line road, gate 2", Site: mountain(42.31, -105.18, 1540), Course: storm,
			Falls: []Fall{{From: 3.9, To: 4.4, MMPerH: 0.8, Snow: true}}},
		{Name: "Salt shed", Address: "County yard", Site: mountain(44.68, -106.44, 1190), Course: deepFrost, Silent: true},
	}
}

func weekMixes() []Mix {
	mix := func(cementType string, cement, water, aggregate, strength float64, admixtures ...rules.Admixture) rules.Mix {
		return rules.Mix{CementType: cementType, CementKgM3: cement, WaterKgM3: water, AggregateKgM3: aggregate, StrengthMPa: strength, SlumpMM: 100, Admixtures: admixtures}
	}
	flyAsh := mix("I/II", 260, 160, 1830, 24.1)
	flyAsh.FlyAshKgM3 = 65
	exterior := mix("I/II", 340, 150, 1780, 31.0)
	exterior.AirPct = 6
	return []Mix{
		{Name: "Floor 4000", Mix: mix("I/II", 332, 160, 1850, 27.6)},
		{Name: "Floor 4000 winter", Mix: mix("I/II", 345, 155, 1850, 27.6, rules.Admixture{Kind: "nonchloride_accelerator", DosePct: 1.5})},
		{Name: "Floor 4000 early", Mix: mix("III", 350, 160, 1830, 27.6)},
		{Name: "Footing 3000", Mix: mix("I", 300, 160, 1880, 20.7)},
		{Name: "Exterior 4500 air", Mix: exterior},
		{Name: "Wall 3500 ash", Mix: flyAsh},
	}
}

func slab(thicknessMM, areaM2 float64) rules.Pour {
	return rules.Pour{Element: rules.SlabOnGround, ThicknessMM: thicknessMM, AreaM2: areaM2, Reinforced: true, ServiceCategory: 2,
		Base: rules.Base{Material: "gravel", DepthMM: 150, MoisturePct: 4, Subgrade: "silt_clay"}}
}

func with(p rules.Pour, change func(*rules.Pour)) rules.Pour {
	change(&p)
	return p
}

func blankets(areaM2 float64) func(*rules.Pour) {
	return func(p *rules.Pour) {
		p.AtHand = []rules.Cover{{Name: "insulated blanket", RM2KW: 0.7, AreaM2: areaM2, MaxLayers: 2}}
	}
}

func footing(widthMM, lengthMM, thicknessMM float64) rules.Pour {
	return rules.Pour{Element: rules.Footing, ThicknessMM: thicknessMM, WidthMM: widthMM, LengthMM: lengthMM, Reinforced: true, ServiceCategory: 2,
		Base: rules.Base{Material: "silt_clay", DepthMM: 300, Subgrade: "silt_clay"}}
}

// WinterWeek is the week the demo shows: each kind of verdict stands in it for a reason of its own.
func WinterWeek() Week {
	none := func(*rules.Pour) {}
	wall := rules.Pour{Element: rules.Wall, ThicknessMM: 250, HeightMM: 2700, LengthMM: 12000, AreaM2: 32.4, Reinforced: true, ServiceCategory: 2, FormRM2KW: ptr(0.17)}
	return Week{
		Firm: "Brindlecote Concrete",
		Plants: []Plant{
			{Name: "Tamarack yard", Plant: rules.Plant{WaterMaxC: ptr(65.0), HaulMin: ptr(35.0), Truck: "drum", TruckM3: 7.6}},
			{Name: "Sagebench plant", Plant: rules.Plant{WaterMaxC: ptr(60.0), HaulMin: ptr(50.0), Truck: "drum", TruckM3: 7.6}},
		},
		Crews: []Crew{
			{Name: "Heron crew", DayStartsMin: 6 * 60, DayEndsMin: 16*60 + 30, Machine: true},
			{Name: "Marten crew", DayStartsMin: 7 * 60, DayEndsMin: 17 * 60, Machine: true},
			{Name: "Lynx crew", DayStartsMin: 6 * 60, DayEndsMin: 16*60 + 30, Machine: true},
		},
		Sites: weekSites(),
		Mixes: weekMixes(),
		Pours: []Pour{
			// Nothing at hand thaws a foot of frost by tomorrow.
			{Name: "Fen Road floor, bay 1", Site: "Fen Road store", Plant: "Tamarack yard", Crew: "Heron crew", Mix: "Floor 4000 winter", Day: 1, Hour: 8, CancelHour: 14, Pour: with(slab(150, 180), none)},
			{Name: "Alder Lane slab", Site: "Alder Lane garage", Plant: "Tamarack yard", Crew: "Heron crew", Mix: "Floor 4000 winter", Day: 2, Hour: 8, CancelHour: 14, Pour: with(slab(100, 55), blankets(160))},
			{Name: "Fen Road floor, bay 2", Site: "Fen Road store", Plant: "Tamarack yard", Crew: "Heron crew", Mix: "Floor 4000 winter", Day: 4, Hour: 9, CancelHour: 14, Pour: with(slab(150, 180), blankets(400))},
			{Name: "Dryer pad", Site: "Grain dryer pad", Plant: "Tamarack yard", Crew: "Heron crew", Mix: "Exterior 4500 air", Day: 5, Hour: 8, CancelHour: 15, Pour: with(slab(200, 90), blankets(200))},
			// A floor started late in raw air sets after the crew's day.
			{Name: "Gym floor, east half", Site: "Bell Hill gym", Plant: "Tamarack yard", Crew: "Marten crew", Mix: "Floor 4000", Day: 1, Hour: 10, CancelHour: 15, Pour: with(slab(125, 140), blankets(300))},
			{Name: "Pump house wall", Site: "Pump house 3", Plant: "Tamarack yard", Crew: "Marten crew", Mix: "Wall 3500 ash", Day: 2, Hour: 9, CancelHour: 14, Pour: with(wall, blankets(80))},
			{Name: "Gym floor, west half", Site: "Bell Hill gym", Plant: "Tamarack yard", Crew: "Marten crew", Mix: "Floor 4000 early", Day: 4, Hour: 7.5, CancelHour: 15, Pour: with(slab(125, 140), blankets(300))},
			{Name: "Pump house apron", Site: "Pump house 3", Plant: "Tamarack yard", Crew: "Marten crew", Mix: "Exterior 4500 air", Day: 5, Hour: 8, CancelHour: 14, Pour: with(slab(150, 40), blankets(120))},
			{Name: "Dairy footings", Site: "Upper bench dairy", Plant: "Sagebench plant", Crew: "Lynx crew", Mix: "Footing 3000", Day: 1, Hour: 9, CancelHour: 15, Pour: with(footing(600, 24000, 300), blankets(60))},
			// The weather service has no answer for this place.
			{Name: "Salt shed slab", Site: "Salt shed", Plant: "Sagebench plant", Crew: "Lynx crew", Mix: "Exterior 4500 air", Day: 2, Hour: 9, CancelHour: 14, Pour: with(slab(200, 120), blankets(300))},
			{Name: "Switchyard apron", Site: "Switchyard apron", Plant: "Sagebench plant", Crew: "Lynx crew", Mix: "Exterior 4500 air", Day: 3, Hour: 8, CancelHour: 14, Pour: with(slab(150, 75), blankets(180))},
			{Name: "Dairy floor", Site: "Upper bench dairy", Plant: "Sagebench plant", Crew: "Lynx crew", Mix: "Floor 4000", Day: 5, Hour: 8, CancelHour: 15, Pour: with(slab(125, 60), blankets(140))},
		},
	}
}
