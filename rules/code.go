package rules

import (
	"slices"

	"frostgate/rules/physics/mix"
)

// Code is the body of published limits that a pour is judged by. Codes are never
// mixed in one check: where a code has a limit of its own, that one counts alone;
// where none of its own was found, US practice stands in and the finding cites it.
type Code string

// The codes.
const (
	CodeUS  Code = "us"  // ACI 306R and what it refers to
	CodeCSA Code = "csa" // CSA A23.1
	CodeEN  Code = "en"  // EN 206 and EN 13670
	CodeDIN Code = "din" // DIN EN 13670 with DIN 1045-3
)

var codes = []Code{CodeUS, CodeCSA, CodeEN, CodeDIN}

// code is the code of a case: the site's, else the firm's, else US practice.
func (c *Case) code() Code {
	for _, code := range []Code{c.Site.Code, c.Firm.Code} {
		if code != "" {
			return code
		}
	}
	return CodeUS
}

// own is the name of a code's own row for a limit of US practice, where it has one.
func (c Code) own(name string) string { return string(c) + "." + name }

// codeLimits are the limits of codes other than US practice. A row named for a
// code and a limit of US practice takes its place; the rest are for placing.
func codeLimits() []Limit {
	rows := slices.Concat(csaPlacing(), europeanPlacing())
	add := func(code Code, name string, value float64, src Source) {
		row := limitOf(usLimits, name)
		row.Name, row.Code, row.Value, row.Floor, row.Source = code.own(name), code, value, &value, src
		row.Lowest, row.Highest = min(row.Lowest, value), max(row.Highest, value)
		rows = append(rows, row)
	}
	add(CodeCSA, "strength.critical_mpa", 7, Source{"B1-08", "CSA A23.1-14, note 2 to 7.1.2.4: 7 MPa to resist early frost", standingRead})
	add(CodeEN, "strength.critical_mpa", 5, Source{"B2-03", "EN 13670:2009 8.5; Concrete Society: no freezing before 5 MPa", standingRead})
	add(CodeDIN, "strength.critical_mpa", 5, Source{"B2-03", "DIN EN 13670 8.5: no freezing before 5 MPa", standingMemory})
	add(CodeCSA, "season.cold_c", 5, Source{"B1-01", "CSA A23.1-14 7.1.2.1: air at or below 5 °C, or likely to be", standingRead})
	add(CodeEN, "season.cold_c", 5, Source{"B2-01", "EN 206 5.2.9 has 5 °C for the concrete; the same for the air is common practice, no source", standingPractice})
	add(CodeDIN, "season.cold_c", 5, Source{"B2-05", "DIN EN 13670 with DIN 1045-3: rules for air of +5 °C and below", standingRead})
	add(CodeEN, "ground.min_c", 2, Source{"B2-04", "Concrete Society: surfaces about 2 °C above freezing or more", standingRead})
	add(CodeCSA, "haul.discharge_min", 120, Source{"E-11", "CSA A23.1: discharge within 120 min of batching", standingMemory})
	add(CodeEN, "haul.discharge_min", 120, Source{"E-12", "BS 8500-2, for truck mixers: discharge within 2 h of batching", standingMemory})
	add(CodeDIN, "haul.discharge_min", 90, Source{"E-13", "DIN 1045-2, for truck mixers: empty within 90 min of the first water", standingMemory})
	return rows
}

// csaBands are the columns of CSA A23.1 by least dimension.
var csaBands = []struct {
	name, title, source string
	thicknessMM         float64 // one of the band
}{
	{"under_300mm", "sections under 0.3 m", "B1-02", 100},
	{"300_to_1000mm", "sections of 0.3 to 1 m", "B1-03", 600},
	{"1000_to_2000mm", "sections of 1 to 2 m", "B1-04", 1500},
	{"over_2000mm", "sections over 2 m", "B1-05", 2400},
}

func csaBand(thicknessMM float64) int {
	switch {
	case thicknessMM < 300:
		return 0
	case thicknessMM <= 1000:
		return 1
	case thicknessMM <= 2000:
		return 2
	default:
		return 3
	}
}

func csaPlacing() []Limit {
	var rows []Limit
	for _, b := range csaBands {
		least, most := mix.CSAPlacingC(b.thicknessMM)
		src := Source{b.source, "CSA A23.1, permissible concrete temperatures at placing, " + b.title, standingRead}
		rows = append(rows, placingLeast(CodeCSA, "csa.placing.min_"+b.name+"_c", b.title, least, src), Limit{
			Name: "csa.placing.max_" + b.name + "_c", Code: CodeCSA, Rules: []string{"batch.placing_temp_high"},
			Title: "concrete as placed, at most, " + b.title,
			Value: most, Unit: "degC", Effect: Note, Stricter: Lower, Floor: &most, Lowest: 15, Highest: 40, Source: src,
		})
	}
	return rows
}

// dinColdC is the air below which DIN asks for warmer concrete, dinColdMinC that
// concrete, and enMostC the warmest fresh concrete.
const (
	dinColdC    = -3.0
	dinColdMinC = 10.0
	enMostC     = 30.0
)

func europeanPlacing() []Limit {
	most := enMostC
	highest := func(code Code) Limit {
		return Limit{
			Name: string(code) + ".placing.max_c", Code: code, Rules: []string{"batch.placing_temp_high"}, Title: "concrete as placed, at most",
			Value: most, Unit: "degC", Effect: Note, Stricter: Lower, Floor: &most, Lowest: 15, Highest: 40,
			Source: Source{"B2-16", "DIN 1045-3: fresh concrete at most 30 °C; the same in EN practice", standingMemory},
		}
	}
	return []Limit{
		placingLeast(CodeEN, "en.placing.min_c", "any section", mix.EN206DeliveryMinC,
			Source{"B2-01", "EN 206 5.2.9; BS 8500: fresh concrete at delivery at least 5 °C, and kept there until 5 MPa (Concrete Society)", standingRead}),
		placingLeast(CodeDIN, "din.placing.min_c", "air down to -3 °C", mix.DINPlacingMinC(0, 300, false),
			Source{"B2-05", "DIN EN 13670 with DIN 1045-3: at least 5 °C in air of +5 to -3 °C", standingRead}),
		placingLeast(CodeDIN, "din.placing.min_cold_c", "air below -3 °C, or cement under 240 kg/m³", dinColdMinC,
			Source{"B2-06", "DIN EN 13670 with DIN 1045-3: at least 10 °C in air below -3 °C, held 3 days, and with less than 240 kg/m³ cement", standingRead}),
		highest(CodeEN), highest(CodeDIN),
	}
}

func placingLeast(code Code, name, title string, least float64, src Source) Limit {
	return Limit{
		Name: name, Code: code, Rules: []string{"batch.placing_temp_low", "slab.below_maintain_temp"},
		Title: "least concrete temperature as placed and maintained, " + title,
		Value: least, Unit: "degC", Effect: EffectProtect, Stricter: Higher, Floor: &least, Lowest: 2, Highest: 30, Source: src,
	}
}

// placingNames are the rows of a code for concrete as placed: the least and, for
// codes other than US practice, the most.
func (s limitSet) placingNames(x section) (least, most string) {
	switch s.code {
	case CodeCSA:
		b := csaBands[csaBand(x.thicknessMM)].name
		return "csa.placing.min_" + b + "_c", "csa.placing.max_" + b + "_c"
	case CodeEN:
		return "en.placing.min_c", "en.placing.max_c"
	case CodeDIN:
		if mix.DINPlacingMinC(x.airC, x.cementKgM3, false) >= dinColdMinC {
			return "din.placing.min_cold_c", "din.placing.max_c"
		}
		return "din.placing.min_c", "din.placing.max_c"
	default:
		return placingMinName(mix.Column(x.thicknessMM, mix.US)), ""
	}
}

// A period is how long concrete is to be kept at its least temperature.
type period struct {
	hours  float64
	source Source
}

// period is that of a code other than US practice. EN counts by strength alone:
// its hours are none, and protection lasts until the critical strength.
func (c Code) period(exposure Exposure, lowestAirC float64) period {
	switch {
	case c == CodeCSA && exposure == ExposureC2:
		return period{7 * 24, Source{"B1-07", "CSA A23.1 practice for flatwork under de-icers: 7 days at 10 °C or more", standingRead}}
	case c == CodeCSA:
		return period{3 * 24, Source{"B1-06", "CSA A23.1 practice: 3 days at 10 °C or more", standingRead}}
	case c == CodeDIN && lowestAirC < dinColdC:
		return period{3 * 24, Source{"B2-06", "DIN EN 13670 with DIN 1045-3: 10 °C held for 3 days in air below -3 °C", standingRead}}
	default:
		return period{0, Source{"B2-02", "EN 13670 8.5; Concrete Society: protected until 5 MPa", standingRead}}
	}
}
