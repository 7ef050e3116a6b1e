package demo

import (
	"math"
	"time"

	"frostgate/api"
	"frostgate/rules"
)

// A Week is all that the invented contractor has in hand, in the forms in which the API takes it. Names are invented;
// quantities are ordinary ones of the trade (common practice, no source).
type Week struct {
	Firm   string
	Sites  []Site
	Plants []api.PlantForm
	Crews  []api.CrewForm
	Mixes  []api.MixForm
	Pours  []Pour
}

// A Site is a job and the weather it has.
type Site struct {
	api.SiteForm

	Course []Day
	Falls  []Fall
	Silent bool // the weather service has no answer for it
}

// Sky is the site's weather, its course counted from anchor.
func (s Site) Sky(anchor time.Time) Sky {
	return Sky{Name: s.Name, Latitude: s.Latitude, Longitude: s.Longitude, Anchor: anchor, Course: s.Course, Falls: s.Falls}
}

// Begin is the midnight from which the week's days count.
func Begin(now time.Time) (time.Time, error) {
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		return time.Time{}, err
	}
	y, m, d := now.In(zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, zone), nil
}

// A Pour is one placement, told by the names of what it refers to, whole days after the anchor's date, and hours on
// the site's clock.
type Pour struct {
	api.PourForm

	Site, Plant, Crew, Mix string
	Day                    int
	Hour                   float64
	CancelHour             float64 // on the day before
	ThawH                  float64 // hours before the start from which heated hoses lie on the base; 0 for none
}

// dated is the pour's form with its times, the week having begun at anchor.
func (p Pour) dated(anchor time.Time, zone *time.Location) api.PourForm {
	y, m, d := anchor.Date()
	clock := func(day int, hour float64) time.Time {
		return time.Date(y, m, d+day, 0, int(60*hour), 0, 0, zone)
	}
	form, cancelBy := p.PourForm, clock(p.Day-1, p.CancelHour)
	form.StartsAt, form.CancelBy = clock(p.Day, p.Hour), &cancelBy
	if p.ThawH > 0 {
		onAt := form.StartsAt.Add(-time.Duration(p.ThawH * float64(time.Hour)))
		form.GroundCover = []rules.GroundCover{{Kind: "heated", RM2KW: 0.7, HeatWM2: 200, OnAt: onAt}}
	}
	return form
}

// Courses of the weather, in days from the anchor.
var (
	// Weeks of frost over bare ground, still cold, then a thaw.
	deepFrost = []Day{
		{At: -12, MeanC: -10, SwingC: 4, Cloud: 0.3, WindMS: 4, DryC: 3},
		{At: 2, MeanC: -9, SwingC: 4, Cloud: 0.3, WindMS: 4, DryC: 3},
		{At: 4, MeanC: -3, SwingC: 3, Cloud: 0.5, WindMS: 4, DryC: 2},
		{At: 5, MeanC: 3, SwingC: 3, Cloud: 0.7, WindMS: 3, DryC: 1},
	}
	// A mild spell; the night after the second day is clear and cold.
	coldSnap = []Day{
		{At: 2.6, MeanC: 7, SwingC: 3, Cloud: 0.4, WindMS: 3, DryC: 1},
		{At: 3.1, MeanC: -4, SwingC: 4, Cloud: 0.05, WindMS: 2, DryC: 3},
		{At: 3.7, MeanC: -5, SwingC: 4, Cloud: 0.05, WindMS: 2, DryC: 3},
		{At: 4.6, MeanC: 6, SwingC: 3, Cloud: 0.5, WindMS: 3, DryC: 1},
	}
	// Raw and grey, well above freezing: concrete sets slowly, nothing freezes.
	rawAndGrey = []Day{{MeanC: 6, SwingC: 1.5, Cloud: 0.95, WindMS: 4, DryC: 1}}
	// A warm wind off the mountains.
	warmWind = []Day{{MeanC: 11, SwingC: 5, Cloud: 0.2, WindMS: 3, DryC: 2}}
	// Mild, then a storm from the west on the third day.
	storm = []Day{
		{At: 2.9, MeanC: 8, SwingC: 4, Cloud: 0.5, WindMS: 4, DryC: 1},
		{At: 3.5, MeanC: 4, SwingC: 3, Cloud: 0.8, WindMS: 12, DryC: 2},
		{At: 4.2, MeanC: 0, SwingC: 3, Cloud: 0.6, WindMS: 12, DryC: 2},
		{At: 5, MeanC: 5, SwingC: 4, Cloud: 0.3, WindMS: 4, DryC: 1},
	}
)

func weekSites() []Site {
	site := func(name, address, zone string, lat, lon, elevation float64, course []Day, falls ...Fall) Site {
		form := api.SiteForm{Name: name, Address: address, Latitude: lat, Longitude: lon, ElevationM: elevation, Timezone: zone, Terrain: rules.TerrainOpen}
		return Site{SiteForm: form, Course: course, Falls: falls}
	}
	const central, mountain = "America/Chicago", "America/Denver"
	saltShed := site("Salt shed", "County yard", mountain, 44.68, -106.44, 1190, deepFrost)
	saltShed.Silent = true
	return []Site{
		site("Fen Road store", "Fen Road, north gate", central, 45.42, -92.13, 330, deepFrost),
		site("Alder Lane garage", "14 Alder Lane", central, 43.57, -90.64, 270, coldSnap),
		site("Bell Hill gym", "Bell Hill, behind the school", central, 42.88, -89.41, 260, rawAndGrey),
		site("Pump house 3", "Dyke road", central, 44.21, -91.37, 215, coldSnap),
		site("Grain dryer pad", "Section 9 road", central, 43.05, -92.88, 350, rawAndGrey, Fall{From: 4.45, To: 4.7, MMPerH: 1.5}),
		site("Upper bench dairy", "Bench road", mountain, 43.96, -107.72, 1270, warmWind),
		site("Switchyard apron", "Line road, gate 2", mountain, 42.31, -105.18, 1540, storm, Fall{From: 3.8, To: 4.3, MMPerH: 0.8, Snow: true}),
		saltShed,
	}
}

func weekMixes() []api.MixForm {
	mix := func(name, cementType string, cement, water, aggregate, strength float64) api.MixForm {
		return api.MixForm{Name: name, CementType: cementType, CementKgM3: cement, WaterKgM3: water, AggregateKgM3: aggregate, StrengthMPa: strength, SlumpMM: 100}
	}
	winter := mix("Floor 4000 winter", "I/II", 345, 155, 1850, 27.6)
	winter.Admixtures = []rules.Admixture{{Kind: "nonchloride_accelerator", DosePct: 1.5}}
	ash := mix("Wall 3500 ash", "I/II", 260, 160, 1830, 24.1)
	ash.FlyAshKgM3 = 65
	exterior := mix("Exterior 4500 air", "I/II", 340, 150, 1780, 31.0)
	exterior.AirPct = 6
	return []api.MixForm{
		mix("Floor 4000", "I/II", 332, 160, 1850, 27.6), winter, mix("Floor 4000 early", "III", 350, 160, 1830, 27.6),
		mix("Footing 3000", "I", 300, 160, 1880, 20.7), exterior, ash,
	}
}

func weekPlants() []api.PlantForm {
	plant := func(name string, waterMaxC, haulMin float64) api.PlantForm {
		return api.PlantForm{Name: name, WaterMaxC: &waterMaxC, HaulMin: &haulMin, Truck: "drum", TruckM3: 7.6}
	}
	return []api.PlantForm{plant("Tamarack yard", 65, 35), plant("Sagebench plant", 60, 50)}
}

func weekCrews() []api.CrewForm {
	machine := true
	return []api.CrewForm{
		{Name: "Heron crew", DayStarts: "06:00", DayEnds: "16:30", Machine: &machine},
		{Name: "Marten crew", DayStarts: "07:00", DayEnds: "17:00", Machine: &machine},
		{Name: "Lynx crew", DayStarts: "06:00", DayEnds: "16:30", Machine: &machine},
	}
}

// The contractor draws in feet and inches; the API takes SI. Exact by definition (NIST SP 811), and rounded far below
// what anyone measures, so that a table of pours shows 6 in and not 5.99999999999.
func inches(x float64) (mm float64)     { return math.Round(x*25.4e6) / 1e6 }
func feet(x float64) (mm float64)       { return inches(12 * x) }
func squareFeet(x float64) (m2 float64) { return math.Round(x*0.09290304e6) / 1e6 }

func slab(name string, thicknessIn, areaFt2 float64) api.PourForm {
	return api.PourForm{
		Name: name, Element: rules.SlabOnGround, ThicknessMM: inches(thicknessIn), AreaM2: squareFeet(areaFt2), Reinforced: true, ServiceCategory: 2,
		Base: rules.Base{Material: "gravel", DepthMM: 150, MoisturePct: 4, Subgrade: "silt_clay"},
	}
}

func footing(name string, widthIn, lengthFt, thicknessIn float64) api.PourForm {
	return api.PourForm{
		Name: name, Element: rules.Footing, ThicknessMM: inches(thicknessIn), WidthMM: inches(widthIn), LengthMM: feet(lengthFt), Reinforced: true, ServiceCategory: 2,
		Base: rules.Base{Material: "silt_clay", DepthMM: 300, Subgrade: "silt_clay"},
	}
}

func wall(name string, thicknessIn, lengthFt, heightFt float64) api.PourForm {
	plywood := 0.17 // m2K/W with its studs, from memory
	return api.PourForm{
		Name: name, Element: rules.Wall, ThicknessMM: inches(thicknessIn), HeightMM: feet(heightFt), LengthMM: feet(lengthFt), AreaM2: squareFeet(heightFt * lengthFt),
		Reinforced: true, ServiceCategory: 2, FormRM2KW: &plywood,
	}
}

// blankets are at hand for a pour: R-4 ones, up to two layers.
func blankets(p api.PourForm, areaFt2 float64) api.PourForm {
	p.ProtectionAtHand = []rules.Cover{{Name: "insulated blanket", RM2KW: 0.7, AreaM2: squareFeet(areaFt2), MaxLayers: 2}}
	return p
}

// lit has lights: finishing may go on after dusk.
func lit(p api.PourForm) api.PourForm {
	p.Lights = true
	return p
}

// thawed has had heated hoses under blankets on its base for four days.
func thawed(p Pour) Pour {
	p.ThawH = 96
	return p
}

// WinterWeek is the week the demo shows: each kind of verdict stands in it for a reason of its own.
func WinterWeek() Week {
	pour := func(crew string, day int, hour float64, site, mix string, form api.PourForm) Pour {
		plant := "Tamarack yard"
		if crew == "Lynx crew" {
			plant = "Sagebench plant"
		}
		return Pour{PourForm: form, Site: site, Plant: plant, Crew: crew, Mix: mix, Day: day, Hour: hour, CancelHour: 14}
	}
	return Week{
		Firm: "Brindlecote Concrete", Sites: weekSites(), Plants: weekPlants(), Crews: weekCrews(), Mixes: weekMixes(),
		Pours: []Pour{
			// Nothing at hand thaws frost that deep by tomorrow.
			pour("Heron crew", 1, 8, "Fen Road store", "Floor 4000 winter", lit(slab("Fen Road floor, bay 1", 6, 1950))),
			// The night after is clear and cold; blankets save it.
			pour("Heron crew", 2, 7, "Alder Lane garage", "Floor 4000 winter", lit(blankets(slab("Alder Lane slab", 4, 600), 1700))),
			// Rain comes before the surface has set.
			pour("Heron crew", 4, 7, "Grain dryer pad", "Floor 4000 winter", lit(blankets(slab("Dryer pad", 6, 970), 2200))),
			thawed(pour("Heron crew", 5, 8, "Fen Road store", "Floor 4000 winter", lit(blankets(slab("Fen Road floor, bay 2", 6, 1950), 4300)))),
			// Started late in raw air, it sets after the crew's day.
			pour("Marten crew", 1, 11, "Bell Hill gym", "Floor 4000", blankets(slab("Gym floor, east half", 5, 1500), 3200)),
			pour("Marten crew", 2, 9, "Pump house 3", "Wall 3500 ash", blankets(wall("Pump house wall", 10, 40, 9), 860)),
			// The other half starts early, with a mix that sets early.
			pour("Marten crew", 4, 7, "Bell Hill gym", "Floor 4000 early", lit(blankets(slab("Gym floor, west half", 5, 1500), 3200))),
			pour("Marten crew", 5, 8, "Pump house 3", "Footing 3000", blankets(footing("Pump house footing", 20, 30, 12), 320)),
			// A warm wind: nothing to do.
			pour("Lynx crew", 1, 9, "Upper bench dairy", "Footing 3000", blankets(footing("Dairy footings", 24, 80, 12), 650)),
			// The weather service has no answer for this place.
			pour("Lynx crew", 2, 9, "Salt shed", "Exterior 4500 air", blankets(slab("Salt shed slab", 8, 1300), 3200)),
			// Snow and gusts from the afternoon on.
			pour("Lynx crew", 3, 7, "Switchyard apron", "Floor 4000 early", lit(blankets(slab("Switchyard apron", 6, 800), 1900))),
			pour("Lynx crew", 5, 7, "Upper bench dairy", "Floor 4000 early", lit(blankets(slab("Dairy floor", 5, 650), 1500))),
		},
	}
}
