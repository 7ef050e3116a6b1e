package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostgate/rules"
)

const pageWidth = 96

// page prints an assessment for the person who acts on it: the verdict, why, what to do in order of time, the hours of
// the day, what to order, and what to beware of.
type page struct {
	io.Writer
	rules.Units

	zone *time.Location
	c    rules.Case
	a    rules.Assessment
}

// printPage writes the page of one assessment in the units and the local time of its case.
func printPage(w io.Writer, c rules.Case, a rules.Assessment) error {
	zone, err := time.LoadLocation(c.Site.Timezone)
	if err != nil {
		return fmt.Errorf("site's timezone: %w", err)
	}
	p := page{Writer: w, Units: c.Firm.Units, zone: zone, c: c, a: a}
	p.head()
	p.why()
	p.toDo()
	p.hours()
	p.order()
	p.chance()
	p.otherStarts()
	p.list("TAKE CARE", a.Cautions)
	p.sources()
	p.assumed()
	return nil
}

func (p page) head() {
	verdict := strings.ToUpper(string(p.a.Verdict))
	headline := p.a.Headline
	if first, rest, ok := strings.Cut(headline, ": "); ok && strings.EqualFold(first, verdict) {
		headline = strings.ToUpper(rest[:1]) + rest[1:]
	}
	for _, line := range wrap(verdict+" "+headline, pageWidth) {
		fmt.Fprintln(p, line)
	}
	fmt.Fprintln(p)
	pour := p.c.Pour
	what := map[rules.Element]string{rules.SlabOnGround: "Slab on ground", rules.Footing: "Footing", rules.Wall: "Wall"}[pour.Element]
	what += ", " + p.Length(pour.ThicknessMM)
	if pour.AreaM2 > 0 {
		what += ", " + p.Area(pour.AreaM2)
	}
	fmt.Fprintf(p, "%s, start %s (%s)\n", what, p.Day(pour.StartsAt.In(p.zone)), p.c.Site.Timezone)
	if p.a.Unscored != "" {
		p.item("", p.a.Unscored)
	}
}

// clock is a weekday and an hour at the site, for times within the week.
func (p page) clock(t time.Time) string { return p.Clock(t.In(p.zone)) }

func (p page) title(text string) { fmt.Fprintf(p, "\n%s\n", text) }

// item prints a label and its text, wrapped beside it.
func (p page) item(label, text string) {
	const indent = 22
	lines := wrap(text, pageWidth-indent)
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(p, "  %-*s%s\n", indent-2, label, lines[0])
	for _, line := range lines[1:] {
		fmt.Fprintf(p, "%*s%s\n", indent, "", line)
	}
}

func (p page) list(title string, texts []string) {
	if len(texts) == 0 {
		return
	}
	p.title(title)
	for _, text := range texts {
		for i, line := range wrap(text, pageWidth-4) {
			fmt.Fprintf(p, "  %s %s\n", map[bool]string{true: "-", false: " "}[i == 0], line)
		}
	}
}

// severity orders findings from the worst.
var severity = map[rules.Effect]int{rules.EffectMove: 0, rules.EffectProtect: 1, rules.Note: 2}

func (p page) why() {
	if len(p.a.Findings) == 0 {
		return
	}
	p.title("WHY")
	findings := slices.Clone(p.a.Findings)
	slices.SortStableFunc(findings, func(x, y rules.Finding) int { return severity[x.Effect] - severity[y.Effect] })
	for _, f := range findings {
		text := f.Sentence
		if f.Probability != nil {
			text += fmt.Sprintf(" Chance %s.", rules.Percent(*f.Probability))
		}
		p.item(effectText(f), text)
		if f.Remedy != nil {
			p.item("", remedyText(*f.Remedy))
		}
	}
}

// effectText says what a finding asks for; one that would move the pour but for what is at hand says so.
func effectText(f rules.Finding) string {
	if f.Effect == rules.EffectMove && f.Remedy != nil && f.Remedy.AtHand && f.Remedy.Passes {
		return "move unless"
	}
	return string(f.Effect)
}

func remedyText(r rules.Remedy) string {
	switch {
	case r.Passes && r.AtHand:
		return "Remedy: " + r.Sentence
	case r.Passes:
		return "Would help, but is not at hand: " + r.Sentence
	}
	return "Not enough by itself: " + r.Sentence
}

// A step is something to do by a time.
type step struct {
	at   time.Time
	text string
}

func (p page) toDo() {
	if p.a.Verdict == rules.Move {
		p.moving()
		p.title("IF IT WERE PLACED ALL THE SAME")
	} else {
		p.title("WHAT TO DO, IN ORDER")
	}
	var steps []step
	add := func(at *time.Time, text string) {
		known := slices.ContainsFunc(steps, func(s step) bool { return s.text == text })
		if at != nil && !at.IsZero() && !known {
			steps = append(steps, step{*at, text})
		}
	}
	if p.a.Verdict == rules.Protect {
		add(&p.c.Pour.CancelBy, "last hour to cancel the order")
	}
	ordered := false
	for _, f := range p.a.Findings {
		for _, r := range parts(f.Remedy) {
			laid := r.Kind == "blankets" && p.a.Protection != nil // the protection below says it
			again := r.DosePct != nil && ordered                  // all of them order the same accelerator
			if r.Passes && r.AtHand && r.StartsAt == nil && !laid && !again {
				add(r.By, r.Sentence)
				ordered = ordered || r.DosePct != nil
			}
		}
	}
	t := p.timeline()
	start := "start; check the base by hand first"
	if p.c.Pour.Element == rules.Wall {
		start = "start; forms and steel free of ice and snow"
	}
	add(&t.StartsAt, start)
	add(t.DischargeBestBy, "the first truck is best empty by now: hot water or an accelerator hurries the set")
	add(t.DischargeBy, "the first truck has to be empty by now")
	if plan := p.a.Protection; plan != nil {
		text := fmt.Sprintf("blankets on: %s, total %s", layers(plan.Layers), p.RValue(plan.RM2KW))
		if plan.DoubleEdges {
			text += ", edges and corners doubled"
		}
		add(plan.OnAt, text)
		add(plan.OffAt, fmt.Sprintf("blankets off, gradually: at most %s colder in the first 24 h", p.TempChange(plan.CoolDropC)))
	} else {
		add(t.ProtectUntilAt, "protection may end")
	}
	add(t.UncoverFromAt, "the planned blankets, which nothing requires, may come off")
	slices.SortStableFunc(steps, func(x, y step) int { return x.at.Compare(y.at) })
	for _, s := range steps {
		p.item(p.clock(s.at), s.text)
	}
}

// parts are the steps of a remedy that takes several, or the remedy itself.
func parts(r *rules.Remedy) []rules.Remedy {
	if r == nil {
		return nil
	}
	if len(r.Steps) == 0 {
		return []rules.Remedy{*r}
	}
	steps := slices.Clone(r.Steps)
	for i := range steps {
		steps[i].Passes = r.Passes // only together they pass
	}
	return steps
}

// moving says how to move the pour and to when.
func (p page) moving() {
	p.title("WHAT TO DO: MOVE IT")
	if by := p.c.Pour.CancelBy; !by.IsZero() {
		p.item(p.clock(by), "last hour to cancel the order")
	}
	if len(p.goodStarts()) == 0 {
		p.item("next good start", "none within the weather given")
		return
	}
	next := slices.MinFunc(p.goodStarts(), func(x, y rules.Window) int { return x.StartsAt.Compare(y.StartsAt) })
	p.item("next good start", p.clock(next.StartsAt)+": "+string(next.Verdict))
}

func layers(n int) string {
	if n == 1 {
		return "1 layer"
	}
	return fmt.Sprintf("%d layers", n)
}

// timeline is the hours that people act by: with all that is asked for.
func (p page) timeline() rules.Timeline {
	if p.a.Protected != nil {
		return p.a.Protected.Timeline
	}
	return p.a.Timeline
}

func (p page) hours() {
	t, coldest, rolled, title := p.timeline(), p.a.MinTempBeforeCriticalC, p.a.Chance, "THE HOURS"
	if protected := p.a.Protected; protected != nil {
		coldest, rolled, title = protected.MinTempBeforeCriticalC, protected.Chance, "THE HOURS, WITH ALL THAT IS ASKED FOR ABOVE"
	}
	var chance rules.Chance
	if rolled != nil {
		chance = *rolled
	}
	p.title(title)
	for _, row := range []struct {
		label string
		at    *time.Time
		band  rules.Band
	}{
		{"bleeding ends", t.BleedEndsAt, rules.Band{}},
		{"initial set", t.InitialSetAt, chance.InitialSet},
		{"finishing starts", t.FinishingStartsAt, rules.Band{}},
		{"final set", t.FinalSetAt, chance.FinalSet},
		{"finishing ends", t.FinishingEndsAt, chance.FinishingEnds},
		{"dusk", t.DuskAt, rules.Band{}},
		{"saw cut from", t.SawcutFromAt, chance.Sawcut},
		{"saw cut until", laterThan(t.SawcutUntilAt, t.SawcutFromAt), rules.Band{}},
		{p.Stress(p.a.CriticalMPa) + " reached", t.CriticalStrengthAt, chance.CriticalStrength},
		{"keep at least to", t.ProtectUntilAt, rules.Band{}},
	} {
		if row.at == nil {
			continue
		}
		text := p.clock(*row.at)
		if row.band.P10 != nil && row.band.P90 != nil && !row.band.P10.Equal(*row.band.P90) {
			text += fmt.Sprintf("   (8 times in 10 between %s and %s)", p.clock(*row.band.P10), p.clock(*row.band.P90))
		}
		p.item(row.label, text)
	}
	if coldest != nil {
		p.item("coldest before", p.Temp(*coldest)+" in the concrete, before it has that strength")
	}
	if g := p.a.Ground; g != nil {
		text := fmt.Sprintf("%s at the start, %s", p.Temp(g.SurfaceC), strings.ReplaceAll(g.State, "_", " "))
		if g.FrostDepthMM > 0 {
			text += fmt.Sprintf(", frost %s deep", p.Length(g.FrostDepthMM))
		}
		if g.ThawHours != nil && *g.ThawHours > 0 {
			text += fmt.Sprintf("; %.0f h under the blankets at hand make it fit", *g.ThawHours)
		}
		p.item("base", text)
	}
}

// laterThan leaves out an end that comes with or before its beginning.
func laterThan(end, beginning *time.Time) *time.Time {
	if end == nil || beginning == nil || !end.After(*beginning) {
		return nil
	}
	return end
}

func (p page) order() {
	b, title := p.a.Batch, "THE ORDER"
	if protected := p.a.Protected; protected != nil && protected.Batch != nil {
		b, title = protected.Batch, "THE ORDER, WITH ALL THAT IS ASKED FOR ABOVE"
	}
	if b == nil {
		return
	}
	p.title(title)
	text := fmt.Sprintf("%s (%s as drawn) in %s", p.Volume(b.OrderM3), p.Volume(b.VolumeM3), plural(b.Trucks, "truck"))
	if b.Trucks > 1 {
		text += fmt.Sprintf(", %.0f min apart", b.TruckSpacingMin)
	}
	p.item("concrete", text)
	p.item("as placed", fmt.Sprintf("%s expected; %s to %s wanted", p.Temp(b.PlacedTempC), p.Temp(b.PlacingMinC), p.Temp(b.PlacingMaxC)))
	if b.WaterTempC != nil {
		text := "heated to " + p.Temp(*b.WaterTempC)
		if b.WaterCapped {
			text += ", which is as hot as it may be and not enough"
		}
		p.item("mixing water", text)
	}
	for _, dose := range b.Accelerators {
		text := fmt.Sprintf("%.2g %% of cement: %s", dose.DosePct, p.Mass(dose.MassKg))
		if dose.Bags != nil {
			text += ", " + plural(*dose.Bags, "bag") + " of " + p.Mass(22.7)
		}
		if dose.Litres != nil {
			text += ", " + p.Liquid(*dose.Litres) + " of solution"
		}
		p.item(doseNames[dose.Kind], text)
	}
}

var doseNames = map[string]string{"calcium_chloride": "calcium chloride", "nonchloride_accelerator": "accelerator", "water_reducer": "water reducer"}

func plural(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func (p page) chance() {
	c := p.a.Chance
	if c == nil || c.Members == 0 {
		return
	}
	p.title(fmt.Sprintf("CHANCE, by %d courses of the weather", c.Members))
	var then *rules.Chance
	if p.a.Protected != nil {
		then = p.a.Protected.Chance
	}
	for _, row := range []struct {
		label string
		share func(*rules.Chance) float64
	}{
		{"base frozen", func(c *rules.Chance) float64 { return c.BaseFrozen }},
		{"freezes early", func(c *rules.Chance) float64 { return c.FreezesEarly }},
		{"finish after dusk", func(c *rules.Chance) float64 { return c.FinishAfterDusk }},
		{"after crew hours", func(c *rules.Chance) float64 { return c.FinishAfterHours }},
	} {
		text := rules.Percent(row.share(c))
		if then != nil && rules.Percent(row.share(then)) != text {
			text += " as planned, " + rules.Percent(row.share(then)) + " with all that is asked for"
		}
		p.item(row.label, text)
	}
}

// goodStarts are the windows in which the pour need not move, the best first and of equals the earliest.
func (p page) goodStarts() []rules.Window {
	windows := slices.DeleteFunc(slices.Clone(p.a.Windows), func(w rules.Window) bool {
		return w.Verdict != rules.Place && w.Verdict != rules.Protect || w.StartsAt.Equal(p.c.Pour.StartsAt)
	})
	slices.SortStableFunc(windows, func(x, y rules.Window) int {
		return cmp.Or(cmp.Compare(x.Cost, y.Cost), x.StartsAt.Compare(y.StartsAt))
	})
	return windows
}

func (p page) otherStarts() {
	windows := p.goodStarts()
	if len(windows) == 0 {
		return
	}
	p.title("NEXT GOOD STARTS, best first")
	for _, w := range windows[:min(5, len(windows))] {
		text := string(w.Verdict)
		if w.Worst != "" {
			text += " (" + strings.ToLower(rules.Title(w.Worst)) + ")"
		}
		p.item(p.clock(w.StartsAt), text)
	}
}

// sources name where each limit that spoke comes from.
func (p page) sources() {
	var texts []string
	for _, f := range p.a.Findings {
		if f.Source.Document != "" {
			texts = append(texts, f.Rule+": "+f.Source.Document)
		}
	}
	p.list("THE LIMITS COME FROM", texts)
}

// assumed folds the defaults into one paragraph; --json has the reason for each.
func (p page) assumed() {
	var texts []string
	for _, a := range p.a.Assumed {
		value := fmt.Sprint(a.Value)
		switch v := a.Value.(type) {
		case time.Time:
			value = p.clock(v)
		case float64:
			value = strconv.FormatFloat(v, 'g', 4, 64)
		}
		texts = append(texts, strings.TrimPrefix(a.Pointer, "/")+" "+value)
	}
	if len(texts) > 0 {
		p.list("ASSUMED, because it was not given", []string{strings.Join(texts, "; ") + "."})
	}
	if p.a.WeatherUntil != nil {
		fmt.Fprintf(p, "\nThe weather is known until %s Engine %s.\n", stop(p.Day(p.a.WeatherUntil.In(p.zone))), p.a.Engine)
	}
}

// stop ends a sentence that may end with an abbreviation.
func stop(text string) string { return strings.TrimSuffix(text, ".") + "." }

func isUnit(word string) bool {
	return slices.Contains([]string{"%", "°F", "°C", "a.m", "p.m", "psi", "MPa", "mm"}, word)
}

// wrap breaks text between words into lines of at most width characters, and leaves units with their numbers.
func wrap(text string, width int) []string {
	var words []string
	for word := range strings.FieldsSeq(text) {
		if last := len(words) - 1; last >= 0 && isUnit(strings.TrimRight(word, ".,;")) {
			words[last] += " " + word
			continue
		}
		words = append(words, word)
	}
	var lines []string
	for _, word := range words {
		last := len(lines) - 1
		if last >= 0 && len([]rune(lines[last]))+1+len([]rune(word)) <= width {
			lines[last] += " " + word
			continue
		}
		lines = append(lines, word)
	}
	return lines
}
