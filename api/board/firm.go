package board

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"frostgate/rules"
	"frostgate/scheduler/forecast"
)

func siteKind() *recordKind {
	return &recordKind{
		path: "/v1/sites", at: "/firm/sites", nav: "firm", one: "site", many: "sites", archives: true,
		lead:     "Weather, sun and ground are computed for this very place, so the coordinates matter more than the address.",
		deleting: "Only a site that no pour ever used can be deleted; archive it otherwise.",
		fresh:    always(texts{"terrain": string(rules.TerrainOpen)}),
		groups:   func(*Board, *visit, doc) ([]group, error) { return siteGroups(), nil },
		columns: []column{
			{"Address", func(_ voice, d doc) string { return d.text("address") }},
			{"Place", func(s voice, d doc) string {
				return fmt.Sprintf("%.4f, %.4f; %s", amount(d, "latitude"), amount(d, "longitude"), elevation.said(s, amount(d, "elevation_m")))
			}},
			{"Time zone", func(_ voice, d doc) string { return d.text("timezone") }},
			{"Wind and sun", siteOpenness},
			{"Local rules", func(_ voice, d doc) string { return countText(d.length("local_rules")) }},
		},
	}
}

var terrains = []choice{
	{Value: string(rules.TerrainOpen), Text: "Open to the wind"},
	{Value: string(rules.TerrainBuilt), Text: "Between buildings or trees"},
	{Value: string(rules.TerrainSheltered), Text: "Sheltered: behind a windbreak or in a pit"},
}

func siteOpenness(_ voice, d doc) string {
	said := "Open to the wind"
	for _, t := range terrains {
		if t.Value == d.text("terrain") {
			said, _, _ = strings.Cut(t.Text, ":")
		}
	}
	if shade := amount(d, "shade"); shade > 0 {
		said += fmt.Sprintf(", %.0f %% shade", 100*shade)
	}
	return said
}

func siteGroups() []group {
	return []group{
		{title: "Place", fields: []input{
			{pointer: "name", label: "Name", kind: asWords, required: true},
			{pointer: "address", label: "Address", hint: "For the crew; it stands on the pour sheet.", kind: asWords},
			{pointer: "latitude", label: "Latitude", hint: "Degrees north, such as 42.0123.", kind: asFigure, measure: coordinate, required: true},
			{pointer: "longitude", label: "Longitude", hint: "Degrees east; west of Greenwich it is negative, such as -88.0456.", kind: asFigure, measure: coordinate, required: true},
			{pointer: "elevation_m", label: "Elevation", kind: asFigure, measure: elevation},
			{pointer: "code", label: "Published limits", hint: "Empty: the firm's.", kind: asPick, choices: codes},
			{pointer: "timezone", label: "Time zone", hint: "By its IANA name, such as America/Chicago.", kind: asWords, required: true, list: "zones"},
		}},
		{title: "Wind and sun", fields: []input{
			{pointer: "terrain", label: "How it lies to the wind", kind: asPick, choices: terrains},
			{pointer: "shade", label: "Shade", hint: "Share of direct sun kept off by what stands around: 0 is full sun.", kind: asFigure, measure: share},
		}},
		{title: "Local rules", folded: true, hint: "Limits of the city or agency at the site. They come on top of the published ones and can only tighten them.", lists: []rows{localRules}},
		{title: "Weather sources", folded: true, hint: "Which source is taken first for what, by the names on the page Weather, with commas between. Empty: the firm's order, or else the usual one.", fields: sourceOrder()},
	}
}

// codes are the bodies of published limits.
var codes = []choice{
	{Value: "us", Text: "United States: ACI 306R and 318"}, {Value: "csa", Text: "Canada: CSA A23.1"}, {Value: "en", Text: "Europe: EN 206 and 13670"}, {Value: "din", Text: "Germany: DIN 1045-3"},
}

// sourceOrder has a field for each variable of the weather.
func sourceOrder() []input {
	var fields []input
	for _, variable := range forecast.Variables() {
		fields = append(fields, input{pointer: "source_order/" + string(variable), label: capital(strings.ReplaceAll(string(variable), "_", " ")), kind: asSequence})
	}
	return fields
}

// settingsKind is the firm itself.
func settingsKind() *recordKind {
	return &recordKind{
		path: "/v1/firm", at: "/firm/settings", nav: "firm", one: "firm", single: true,
		lead:   "What holds for all pours. A change of it has every pour assessed anew.",
		saved:  func(*Board, *visit, doc) string { return "/firm/settings?done=kept" },
		groups: func(*Board, *visit, doc) ([]group, error) { return settingsGroups(), nil },
	}
}

func settingsGroups() []group {
	return []group{
		{title: "Firm", fields: []input{
			{pointer: "name", label: "Name", kind: asWords},
			{pointer: "units", label: "Units", kind: asPick, required: true, choices: []choice{{Value: "us", Text: "US: °F, inches, psi"}, {Value: "si", Text: "SI: °C, millimeters, MPa"}}},
			{pointer: "code", label: "Published limits", hint: "Empty: those of the United States. A site may have its own.", kind: asPick, choices: codes},
		}},
		{title: "Quiet hours", hint: "On the clock of each pour's site. What comes in them is told together when they end, and not at all when it is over by then. Empty: none.", fields: []input{
			{pointer: "quiet_starts", label: "Quiet from", kind: asClock},
			{pointer: "quiet_ends", label: "Quiet until", kind: asClock},
			{pointer: "quiet_critical_exempt", label: "What is critical is told all the same", kind: asTick},
		}},
		{title: "Experience", folded: true, hint: "What the firm has measured against the predictions. Empty: the usual value.", fields: []input{
			{pointer: "calibration/set_factor", label: "Setting times, factor", hint: "Empty: 1.2.", kind: asFigure, measure: nothing},
			{pointer: "calibration/strength_factor", label: "Gain of strength, factor", hint: "Empty: 1.", kind: asFigure, measure: nothing},
			{pointer: "calibration/blanket_efficiency", label: "Share of a blanket's label that holds on site", hint: "Empty: 75 %.", kind: asFigure, measure: share},
		}},
		{title: "Weather sources", folded: true, hint: "Which source is taken first for what, by the names on the page Weather, with commas between. Empty: the usual order.", fields: sourceOrder()},
	}
}

var localRules = rows{pointer: "local_rules", label: "Rule", fields: []input{
	{pointer: "name", label: "Name or citation", kind: asWords, required: true},
	{pointer: "kind", label: "What it limits", kind: asPick, required: true, choices: ruleChoices()},
	{pointer: "value", label: "Value", hint: "In the firm's units of what it limits.", kind: asFigure, measureBy: ruleMeasure, zero: true},
	{pointer: "inclusive", label: "The value itself is barred, too", kind: asTick},
	{pointer: "within_h", label: "Hours after the start over which it counts", kind: asFigure, measure: hours},
	{pointer: "when_air_below_c", label: "Only in air at or below", kind: asFigure, measure: degree},
	{pointer: "when_air_above_c", label: "Only in air at or above", kind: asFigure, measure: degree},
	{pointer: "effect", label: "What it does", hint: "Empty: move the pour.", kind: asPick, choices: []choice{
		{Value: string(rules.Note), Text: "Note it"}, {Value: string(rules.EffectProtect), Text: "Ask for protection"}, {Value: string(rules.EffectMove), Text: "Move the pour"},
	}},
}}

func ruleChoices() []choice {
	var all []choice
	for _, k := range rules.LocalRuleKinds() {
		all = append(all, choice{Value: k.Kind, Text: capital(strings.ReplaceAll(k.Title, "within_h", "the hours below"))})
	}
	return all
}

// ruleMeasure is the measure of a local rule's value, by the kind beside it.
func ruleMeasure(sibling func(string) string) measure {
	for _, k := range rules.LocalRuleKinds() {
		if k.Kind == sibling("kind") {
			switch k.Unit {
			case "degC":
				return degree
			case "K":
				return degreeSteps
			case "mm":
				return thickness
			case "%":
				return percentage
			case "min":
				return minutes
			case "h":
				return hours
			}
			return nothing
		}
	}
	return nothing
}

func mixKind() *recordKind {
	return &recordKind{
		path: "/v1/mixes", at: "/firm/mixes", nav: "firm", one: "mix", many: "mixes", archives: true,
		lead:     "Proportions as the plant delivers them. They decide how fast it sets and how warm it makes itself.",
		deleting: "Only a mix that no pour ever used can be deleted; archive it otherwise.",
		fresh:    always(texts{"cement_type": "I/II"}),
		groups:   func(*Board, *visit, doc) ([]group, error) { return mixGroups(), nil },
		columns: []column{
			{"Strength", func(s voice, d doc) string { return s.Stress(amount(d, "strength_mpa")) }},
			{"Cement", func(s voice, d doc) string {
				return "Type " + d.text("cement_type") + ", " + density.said(s, amount(d, "cement_kg_m3"))
			}},
			{"Ash and slag", func(s voice, d doc) string {
				return density.orNone(s, amount(d, "fly_ash_kg_m3")+amount(d, "slag_kg_m3"))
			}},
			{"w/cm", func(_ voice, d doc) string {
				return fmt.Sprintf("%.2f", amount(d, "water_kg_m3")/(amount(d, "cement_kg_m3")+amount(d, "fly_ash_kg_m3")+amount(d, "slag_kg_m3")))
			}},
			{"Slump", func(s voice, d doc) string { return slumpText(s, amount(d, "slump_mm")) }},
			{"Air", func(s voice, d doc) string { return percentage.orNone(s, amount(d, "air_pct")) }},
			{"Admixtures", mixAdmixtures},
		},
	}
}

var admixtureKinds = []choice{
	{Value: "nonchloride_accelerator", Text: "Accelerator without chloride"}, {Value: "calcium_chloride", Text: "Calcium chloride"}, {Value: "water_reducer", Text: "Water reducer"},
}

func mixAdmixtures(_ voice, d doc) string {
	var said []string
	for i := range d.length("admixtures") {
		at := "admixtures/" + strconv.Itoa(i)
		for _, k := range admixtureKinds {
			if k.Value == d.text(at+"/kind") {
				said = append(said, fmt.Sprintf("%s %g %%", k.Text, amount(d, at+"/dose_pct")))
			}
		}
	}
	return strings.Join(said, "; ")
}

func slumpText(s voice, mm float64) string {
	if mm == 0 {
		return dash
	}
	return s.Length(mm)
}

func mixGroups() []group {
	return []group{
		{title: "Name", fields: []input{
			{pointer: "name", label: "Name", hint: "As the plant calls it.", kind: asWords, required: true},
			{pointer: "note", label: "Note", kind: asParagraph},
		}},
		{title: "What is asked of it", fields: []input{
			{pointer: "strength_mpa", label: "Specified strength at 28 days", kind: asFigure, measure: stress, required: true},
			{pointer: "slump_mm", label: "Slump", kind: asFigure, measure: thickness},
			{pointer: "air_pct", label: "Air", kind: asFigure, measure: percentage},
		}},
		{title: "Proportions", hint: "By mass in a unit of concrete. Water is all of it, with the free moisture of the aggregates; by mass it has to be 0.25 to 0.90 of cement, ash and slag together.", fields: []input{
			{pointer: "cement_type", label: "Cement type", kind: asPick, required: true, choices: []choice{
				{Value: "I", Text: "I"}, {Value: "I/II", Text: "I/II"}, {Value: "II", Text: "II"}, {Value: "III", Text: "III: high early strength"},
			}},
			{pointer: "cement_kg_m3", label: "Cement", kind: asFigure, measure: density, required: true},
			{pointer: "fly_ash_kg_m3", label: "Fly ash", kind: asFigure, measure: density},
			{pointer: "slag_kg_m3", label: "Slag cement", kind: asFigure, measure: density},
			{pointer: "water_kg_m3", label: "Water", kind: asFigure, measure: density, required: true},
			{pointer: "aggregate_kg_m3", label: "Aggregates, fine and coarse", kind: asFigure, measure: density, required: true},
		}},
		{title: "Admixtures", hint: "What is in it on every order. What a cold day needs besides is proposed for each pour.", lists: []rows{{
			pointer: "admixtures", label: "Admixture", fields: []input{
				{pointer: "kind", label: "Kind", kind: asPick, required: true, choices: admixtureKinds},
				{pointer: "dose_pct", label: "Dose, of cement by mass", kind: asFigure, measure: percentage, required: true},
				{pointer: "product", label: "Form of calcium chloride", hint: "Empty: flakes.", kind: asPick, choices: []choice{
					{Value: "flake", Text: "Flakes"}, {Value: "pellet", Text: "Pellets"}, {Value: "anhydrous", Text: "Anhydrous"}, {Value: "liquid", Text: "Solution"},
				}},
			},
		}}},
	}
}

func crewKind() *recordKind {
	return &recordKind{
		path: "/v1/crews", at: "/firm/crews", nav: "firm", one: "crew", many: "crews", archives: true,
		deleting: "Only a crew that never had a pour can be deleted; archive it otherwise.",
		fresh:    always(texts{"day_starts": "07:00", "day_ends": "17:00", "days": "1,2,3,4,5"}),
		groups:   func(_ *Board, v *visit, _ doc) ([]group, error) { return crewGroups(v.units()), nil },
		columns: []column{
			{"Day", func(s voice, d doc) string {
				return s.timeOfDay(d.text("day_starts")) + " to " + s.timeOfDay(d.text("day_ends"))
			}},
			{"Days", func(_ voice, d doc) string { return daysText(d) }},
			{"Finishing", func(_ voice, d doc) string {
				machine, given := d.at("machine").(bool)
				switch {
				case !given:
					return "by the size of the slab"
				case machine:
					return "by machine"
				}
				return "by hand"
			}},
			{"Places", func(s voice, d doc) string { return volumeHour.orNone(s, amount(d, "place_m3_h")) }},
		},
	}
}

var weekdays = []choice{
	{Value: "1", Text: "Mon"}, {Value: "2", Text: "Tue"}, {Value: "3", Text: "Wed"}, {Value: "4", Text: "Thu"}, {Value: "5", Text: "Fri"}, {Value: "6", Text: "Sat"}, {Value: "7", Text: "Sun"},
}

func daysText(d doc) string {
	if d.length("days") == 0 {
		return "every day"
	}
	var said []string
	for _, day := range ticked(weekdays, input{}.text(voice{}, d.at("days"), nil)) {
		if day.Chosen {
			said = append(said, day.Text)
		}
	}
	return strings.Join(said, ", ")
}

func crewGroups(s voice) []group {
	return []group{
		{title: "Crew", fields: []input{{pointer: "name", label: "Name", kind: asWords, required: true}}},
		{title: "Working hours", hint: "On the clock of the site where the crew is.", fields: []input{
			{pointer: "day_starts", label: "Day starts", kind: asClock, required: true},
			{pointer: "day_ends", label: "Day ends", kind: asClock, required: true},
			{pointer: "days", label: "Days of work", hint: "Nothing ticked is every day.", kind: asSeveral, raw: true, choices: weekdays},
		}},
		{title: "Pace", fields: []input{
			{pointer: "machine", label: "Finishes slabs", hint: "Empty: by machine from " + s.Area(50) + ".", kind: asPick, raw: true, choices: []choice{{Value: "true", Text: "By machine"}, {Value: "false", Text: "By hand"}}},
			{pointer: "place_m3_h", label: "Places", hint: "Empty: " + s.Volume(usual("/pour/crew/place_m3_h")) + ".", kind: asFigure, measure: volumeHour},
			{pointer: "stagger_min", label: "Between trucks", hint: "Empty: from the rate of placing.", kind: asFigure, measure: minutes},
		}},
	}
}

func supplyKind() *recordKind {
	return &recordKind{
		path: "/v1/plants", at: "/firm/plants", nav: "firm", one: "plant", many: "plants", archives: true,
		lead:     "What the plant has and can do in winter. What is left empty stands at a usual value, and each assessment says so.",
		deleting: "Only a plant that no pour ever used can be deleted; archive it otherwise.",
		groups:   func(_ *Board, v *visit, _ doc) ([]group, error) { return supplyGroups(v.units()), nil },
		columns: []column{
			{"Hottest water", func(s voice, d doc) string { return degree.given(s, d, "water_max_c") }},
			{"Haul", func(s voice, d doc) string { return minutes.given(s, d, "haul_min") }},
			{"Accelerator", func(_ voice, d doc) string {
				if doses, given := d.at("accelerator").(bool); given && !doses {
					return "none"
				}
				return "doses one"
			}},
			{"In a day", func(s voice, d doc) string { return volume.given(s, d, "daily_m3") }},
		},
	}
}

func supplyGroups(s voice) []group {
	return []group{
		{title: "Plant", fields: []input{
			{pointer: "name", label: "Name", kind: asWords, required: true},
			{pointer: "latitude", label: "Latitude", hint: "Degrees north; with the longitude or not at all.", kind: asFigure, measure: coordinate},
			{pointer: "longitude", label: "Longitude", hint: "Degrees east; west of Greenwich it is negative.", kind: asFigure, measure: coordinate},
		}},
		{title: "Heat", fields: []input{
			{pointer: "water_max_c", label: "Hottest water it can batch", hint: "Empty: " + s.Temp(usual("/pour/plant/water_max_c")) + ".", kind: asFigure, measure: degree},
			{pointer: "aggregate_temp_c", label: "Aggregates", hint: "Empty: the mean air of the day before.", kind: asFigure, measure: degree},
			{pointer: "aggregate_moisture_pct", label: "Free moisture of the aggregates", hint: "Empty: 2 %.", kind: asFigure, measure: percentage},
			{pointer: "cement_temp_c", label: "Cement", hint: "Empty: " + s.Temp(usual("/pour/plant/cement_temp_c")) + ".", kind: asFigure, measure: degree},
			{pointer: "accelerator", label: "Accelerator", hint: "Empty: it can dose one.", kind: asPick, raw: true, choices: []choice{{Value: "true", Text: "Can dose one"}, {Value: "false", Text: "Has none"}}},
		}},
		{title: "Trucks", fields: []input{
			{pointer: "haul_min", label: "Usual haul", hint: "Empty: 45 minutes.", kind: asFigure, measure: minutes},
			{pointer: "truck", label: "Kind of truck", hint: "Empty: drum.", kind: asPick, choices: []choice{
				{Value: "drum", Text: "Drum"}, {Value: "covered_dump", Text: "Covered dump"}, {Value: "open_dump", Text: "Open dump"},
			}},
			{pointer: "truck_m3", label: "Load of a truck", hint: "Empty: " + s.load(usual("/pour/plant/truck_m3")) + ".", kind: asFigure, measure: volume},
			{pointer: "daily_m3", label: "Concrete it can give in a day", kind: asFigure, measure: volume},
		}},
	}
}

// usual is the number that the engine takes for a value that is not given.
func usual(pointer string) float64 {
	for _, d := range rules.Defaults() {
		if x, err := strconv.ParseFloat(d.Value, 64); d.Pointer == pointer && err == nil {
			return x
		}
	}
	return math.NaN() // shows in the form that the engine has no such default
}

// amount is a number of a document; 0 when it has none.
func amount(d doc, pointer string) float64 {
	x, _ := d.at(pointer).(float64)
	return x
}

// said is a value with its unit.
func (m measure) said(s voice, value float64) string {
	u := m.unit(s.Units)
	return strings.TrimSpace(u.text(value) + " " + u.name)
}

func (m measure) orNone(s voice, value float64) string {
	if value == 0 {
		return dash
	}
	return m.said(s, value)
}

// given is a value that may be left out.
func (m measure) given(s voice, d doc, pointer string) string {
	x, ok := d.at(pointer).(float64)
	if !ok {
		return dash
	}
	return m.said(s, x)
}

func countText(n int) string {
	if n == 0 {
		return dash
	}
	return strconv.Itoa(n)
}

func capital(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + text[size:]
}

// ticked marks those of the choices that a field of several has.
func ticked(choices []choice, value string) []choice {
	marked := chosen(choices, "")
	for i := range marked {
		marked[i].Chosen = strings.Contains(between+value+between, between+marked[i].Value+between)
	}
	return marked
}

func howManyth(i int) string { return strconv.Itoa(i + 1) }
