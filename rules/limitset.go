package rules

import (
	"slices"
	"strings"

	"frostgate/rules/physics/mix"
)

// The columns of ACI 306R by least dimension; see [mix.Column].
var thicknessBands = []struct {
	name, title string
	thicknessMM float64 // one of the band
}{
	{"under_12in", "sections under 12 in (300 mm)", 100},
	{"12_to_36in", "sections of 12 to 36 in (300 to 900 mm)", 600},
	{"36_to_72in", "sections of 36 to 72 in (900 to 1800 mm)", 1200},
	{"over_72in", "sections over 72 in (1800 mm)", 2400},
}

// The air bands of the as-mixed lines of ACI 306R; see [mix.AirBand].
var airBands = []struct {
	name, title, source string
	airC                float64 // one of the band
}{
	{"mild", "air above 30 °F (-1 °C)", "A2-02", 5},
	{"cold", "air of 0 to 30 °F (-18 to -1 °C)", "A2-03", -5},
	{"severe", "air below 0 °F (-18 °C)", "A2-04", -25},
}

func placingMinName(column int) string { return placingMinNames[column] }
func coolDropName(column int) string   { return coolDropNames[column] }
func mixOverName(band int) string      { return "mixing.over_placing_" + airBands[band].name + "_c" }
func chlorideName(e Exposure) string   { return "chloride." + strings.ToLower(string(e)) + "_pct" }

var placingMinNames, coolDropNames = bandNames("placing.min_"), bandNames("cooling.drop_")

func bandNames(what string) []string {
	names := make([]string, len(thicknessBands))
	for i, b := range thicknessBands {
		names[i] = what + b.name + "_c"
	}
	return names
}

// A limitSet is the limits as one case uses them.
type limitSet struct {
	code    Code
	values  []float64
	sources map[string]Source // of limits the firm has changed
}

var tableValues = func() []float64 {
	values := make([]float64, len(limitTable))
	for i := range limitTable {
		values[i] = limitTable[i].Value
	}
	return values
}()

// limits resolves the case's limits: the table with what the firm has changed.
// A change that is not acceptable (see [Validate]) does not count. The changes
// past a published floor come back, to be shown.
func (c Case) limits() (limitSet, []LimitChange) {
	s := limitSet{code: c.code(), values: tableValues}
	var overrides []LimitChange
	for _, change := range c.Firm.Limits {
		i, known := limitIndex[change.Limit]
		if !known || !change.acceptable(&limitTable[i]) {
			continue
		}
		if s.sources == nil {
			s.values, s.sources = slices.Clone(tableValues), map[string]Source{}
		}
		row := &limitTable[i]
		s.values[i] = change.Value
		src := row.Source
		switch {
		case row.loosens(change.Value):
			src.Document += "; loosened by the firm: " + change.Reason
			overrides = append(overrides, change)
		case row.tightens(change.Value):
			src.Document += "; tightened by the firm"
		case change.Value != row.Value:
			src.Document += "; set by the firm"
		}
		s.sources[change.Limit] = src
		s.carry(change)
	}
	return s, overrides
}

// carry lets what a firm tightened count against the code's own row too, where it
// is stricter than that: no choice of a code loosens what the firm asks for.
func (s *limitSet) carry(change LimitChange) {
	i, has := limitIndex[s.code.own(change.Limit)]
	if !has {
		return
	}
	if row := &limitTable[i]; row.tightens(change.Value) && change.acceptable(row) {
		src := row.Source
		src.Document += "; tightened by the firm"
		s.values[i], s.sources[row.Name] = change.Value, src
	}
}

// value is a limit by its name: the code's own where it has one. An unknown name
// is a mistake in this package.
func (s limitSet) value(name string) float64 { return s.values[s.row(name)] }

// source is where a limit comes from, with the firm's part in it.
func (s limitSet) source(name string) Source {
	row := &limitTable[s.row(name)]
	if src, changed := s.sources[row.Name]; changed {
		return src
	}
	return row.Source
}

// row is the row that a name stands for.
func (s limitSet) row(name string) int {
	if s.code != CodeUS && s.code != "" {
		if i, has := limitIndex[s.code.own(name)]; has {
			return i
		}
	}
	i, known := limitIndex[name]
	if !known {
		panic("rules: no limit " + name)
	}
	return i
}

// A section is what a code's temperatures of concrete hang on.
type section struct{ thicknessMM, airC, cementKgM3 float64 }

// maintainMinC is the least temperature of concrete as placed and maintained.
func (s limitSet) maintainMinC(x section) (float64, Source) {
	name, _ := s.placingNames(x)
	return s.value(name), s.source(name)
}

// coolDropC is the largest gradual drop in the first 24 h after protection by
// least dimension (ACI 306R, line 5).
func (s limitSet) coolDropC(thicknessMM float64) (float64, Source) {
	name := coolDropName(mix.Column(thicknessMM, mix.US))
	return s.value(name), s.source(name)
}

// A placing is the range of temperatures concrete is placed and mixed at.
type placing struct {
	placeMinC, placeMaxC, mixMinC, mixMaxC float64
	maxName                                string // of the limit behind placeMaxC
}

// placing is the range for a section in the air at mixing. Only US practice has
// temperatures as mixed; elsewhere the road alone asks for more than at placing.
func (s limitSet) placing(x section) placing {
	leastName, mostName := s.placingNames(x)
	least := s.value(leastName)
	if mostName != "" {
		return placing{
			placeMinC: least, placeMaxC: s.value(mostName), mixMinC: least, mixMaxC: s.value("batch.concrete_max_c"), maxName: mostName,
		}
	}
	mixed := least + s.value(mixOverName(mix.AirBand(x.airC, mix.US)))
	return placing{
		placeMinC: least, placeMaxC: least + s.value("placing.above_min_c"),
		mixMinC: mixed, mixMaxC: mixed + s.value("mixing.above_min_c"), maxName: "placing.above_min_c",
	}
}

// cold reports whether air is cold weather: below the limit, or at it in codes that
// say so.
func (s limitSet) cold(airC float64) bool {
	limit := s.value("season.cold_c")
	return airC < limit || s.code != CodeUS && airC <= limit
}

// acceptable reports whether a change of a limit counts: within what the table
// takes, and past the published floor only as an override with its reason.
func (x *LimitChange) acceptable(l *Limit) bool {
	inside := x.Value >= l.Lowest && x.Value <= l.Highest
	return inside && (!l.loosens(x.Value) || x.Override && x.Reason != "")
}
