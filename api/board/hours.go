package board

import (
	"fmt"
	"slices"
	"time"

	"frostgate/rules"
)

// A stage is something of the day with its beginning and end.
type stage struct {
	name, class string
	from, until *time.Time
	point       bool
	optional    bool // says nothing when it has no time: it may not be needed
}

// hoursOf is the day of a pour, in order.
func hoursOf(a *rules.Assessment) []stage {
	run := courseOf(a)
	t := &run.Timeline
	spans := []stage{
		{name: "Placing to discharge", class: "placing", from: &t.StartsAt, until: t.DischargeBy},
		{name: "Bleeding", class: "soft", from: &t.StartsAt, until: t.BleedEndsAt},
		{name: "Initial set, top", class: "set", from: t.InitialSetAt, point: true},
		{name: "Final set, top", class: "set", from: t.FinalSetAt, point: true},
		{name: "Finishing", class: "finish", from: t.FinishingStartsAt, until: t.FinishingEndsAt},
		{name: "Dusk", class: "dusk", from: t.DuskAt, point: true},
		{name: "Blankets on by", class: "blanket", from: a.Timeline.BlanketsOnBy, point: true, optional: true},
		{name: "Saw cut", class: "saw", from: t.SawcutFromAt, until: t.SawcutUntilAt, optional: t.FinalSetAt != nil},
	}
	if c := run.chance; c != nil {
		for i := range spans {
			switch spans[i].name {
			case "Initial set, top":
				spans[i].widen(c.InitialSet)
			case "Final set, top":
				spans[i].widen(c.FinalSet)
			}
		}
	}
	if p := a.Protection; p != nil && p.OnAt != nil {
		spans = append(spans, stage{name: "Blankets", class: "blanket", from: p.OnAt, until: p.OffAt})
	}
	spans = append(spans,
		stage{name: "First strength", class: "strength", from: t.CriticalStrengthAt, point: true},
		stage{name: "Protect at least to", class: "protect", from: t.ProtectUntilAt, point: true, optional: a.Protection == nil || a.Protection.Layers == 0})
	return spans
}

// widen turns a moment into its 10 to 90 percent band.
func (s *stage) widen(b rules.Band) {
	if b.P10 != nil && b.P90 != nil && b.P90.After(*b.P10) {
		s.from, s.until, s.point = b.P10, b.P90, false
		s.name += " (80 of 100)"
	}
}

// dayChart draws the hours of a pour as lanes.
func dayChart(s voice, a *rules.Assessment) *chart {
	spans := slices.DeleteFunc(hoursOf(a), func(p stage) bool { return p.from == nil && p.optional })
	start := a.Timeline.StartsAt
	until := start.Add(30 * time.Hour)
	for _, p := range spans {
		for _, t := range []*time.Time{p.from, p.until} {
			if t != nil && t.Sub(start) < 48*time.Hour && t.Add(2*time.Hour).After(until) {
				until = t.Add(2 * time.Hour)
			}
		}
	}
	const lane = 30.0
	c := newChart("day", "Hours of the day", s, start.Add(-2*time.Hour).Truncate(time.Hour), until, 48+lane*float64(len(spans)))
	c.X0, c.X1, c.Y0 = 190, 940, 8
	c.XTicks = nil
	c.hours()
	c.Head = []string{"What", "From", "Until"}
	c.Desc = "Each bar is one part of the day of the pour; the table below says the same. " + courseOf(a).asked() + ifColder(a)
	c.over("night", "after dusk", orElse(a.Timeline.DuskAt, until), orElse(nextMorning(a.Timeline.DuskAt), until))
	for i, p := range spans {
		y := c.Y0 + lane*float64(i)
		c.YTicks = append(c.YTicks, tick{At: y + lane/2 + 4, Text: p.name})
		row := []string{p.name, s.clock(p.from), ""}
		if !p.point {
			row[2] = s.clock(p.until)
		}
		c.Rows = append(c.Rows, row)
		c.bar(p, y+5, lane-10)
	}
	return c
}

// ifColder says what air colder than forecast does to the hours.
func ifColder(a *rules.Assessment) string {
	if a.IfColder == nil {
		return ""
	}
	return a.IfColder.Sentence
}

// nextMorning ends the shading after dusk: 12 hours on, which is first light within an hour or so in the cold season.
func nextMorning(dusk *time.Time) *time.Time {
	if dusk == nil {
		return nil
	}
	t := dusk.Add(12 * time.Hour)
	return &t
}

func orElse(t *time.Time, other time.Time) time.Time {
	if t == nil {
		return other
	}
	return *t
}

// bar draws one lane: a bar for a span, a diamond's width for a moment, its hours beside it.
func (c *chart) bar(p stage, y, h float64) {
	b := band{Class: p.class, Y: y, H: h}
	switch {
	case p.from == nil:
		b.Class, b.X, b.Text = "none", c.X0, "not within the weather known"
	case p.point || p.until == nil:
		b.X, b.W, b.Text = c.x(*p.from)-3, 6, c.voice.clock(p.from)
		if p.from.After(c.until) {
			b.X, b.Text = c.X1-6, c.voice.clock(p.from)
		}
	default:
		b.X, b.W = c.x(*p.from), max(4, round(c.x(*p.until)-c.x(*p.from)))
		b.Text = c.voice.clock(p.from) + " to " + c.voice.clock(p.until)
	}
	b.Title = p.name + ": " + b.Text
	room := 7.4*float64(len(b.Text)) + 16 // of the text in its size of 13
	b.TextX, b.Anchor = b.X+b.W+8, "start"
	switch {
	case b.TextX+room <= c.X1:
	case b.X-room >= c.X0:
		b.TextX, b.Anchor = b.X-8, "end"
	case b.W >= room:
		b.TextX, b.Inside = b.X+8, true
	}
	c.Bands = append(c.Bands, b)
}

// temperatureChart draws air, ground and concrete from the day before to the release.
func temperatureChart(s voice, a *rules.Assessment) *chart {
	run := courseOf(a)
	if len(run.temperatures) == 0 {
		return nil
	}
	from, until := run.span(a)
	c := newChart("temperatures", "Temperatures", s, from, until, 400)
	var air, low10, high90, top, mean, bottom, base, bare []point
	low, high := s.degrees(0), s.degrees(0)
	take := func(list *[]point, at time.Time, valueC *float64) {
		if valueC == nil || at.Before(from) || at.After(until) {
			return
		}
		value := s.degrees(*valueC)
		low, high = min(low, value), max(high, value)
		*list = append(*list, point{at, value})
	}
	c.Head = []string{"Hour", "Air", "Air, 80 of 100", "Base", "Bottom", "Mean", "Top", "Rain or snow"}
	for _, r := range hoursBefore(a, from) {
		take(&air, r.at, r.air())
		take(&low10, r.at, r.weather.AirP10C)
		take(&high90, r.at, r.weather.AirP90C)
		take(&base, r.at, r.base)
		c.Rows = append(c.Rows, r.words(s))
	}
	for _, r := range run.temperatures { // from the start on
		take(&air, r.At, &r.AirC)
		take(&low10, r.At, r.AirP10C)
		take(&high90, r.At, r.AirP90C)
		take(&top, r.At, &r.TopC)
		take(&mean, r.At, &r.MeanC)
		take(&bottom, r.At, &r.BottomC)
		take(&base, r.At, &r.BaseC)
		if !r.At.After(until) {
			c.Rows = append(c.Rows, []string{
				s.Clock(r.At.In(s.zone)), s.Temp(r.AirC), spreadWords(s, r), s.Temp(r.BaseC), s.Temp(r.BottomC), s.Temp(r.MeanC), s.Temp(r.TopC),
				precipWords(s, r),
			})
		}
	}
	for _, r := range run.bare {
		take(&bare, r.At, &r.TopC)
	}
	c.scale(low, high, s.degreeUnit())
	if p := a.Protection; p != nil && p.OnAt != nil {
		c.over("covered", "blankets on", *p.OnAt, orElse(p.OffAt, until))
	}
	c.precip(s, weatherOf(a.WeatherBefore, run.temperatures))
	c.between("spread", "Air, 80 of 100 courses of the weather", low10, high90)
	c.line("freezing", "Freezing", []point{{from, s.degrees(0)}, {until, s.degrees(0)}})
	c.line("air", "Air", air)
	c.line("base", "Base", base)
	c.line("bottom", "Bottom", bottom)
	c.line("mean", "Mean", mean)
	c.line("bare", "Top, bare", bare)
	c.line("top", "Top", top)
	c.tidy()
	c.at("start", "Placing", &run.StartsAt)
	c.at("dusk", "Dusk", run.DuskAt)
	c.at("strength", s.Stress(run.firstMPa), run.CriticalStrengthAt)
	c.at("protect", "Release", run.release(a))
	c.Desc = fmt.Sprintf("Hourly temperatures of the air, the base and the concrete; bars below are rain and snow. %s%s", run.asked(), coldest(s, run))
	return c
}

// An hourBefore is an hour before placing: its weather, and the bare base under it; what is not known of it is nil.
type hourBefore struct {
	at      time.Time
	weather rules.WeatherRow
	known   bool // the weather
	base    *float64
}

// hoursBefore joins weather and base by the hour, from a time to the start.
func hoursBefore(a *rules.Assessment, from time.Time) []hourBefore {
	var all []hourBefore
	place := map[time.Time]int{}
	hour := func(at time.Time) *hourBefore {
		i, ok := place[at.UTC()]
		if !ok {
			i = len(all)
			place[at.UTC()] = i
			all = append(all, hourBefore{at: at})
		}
		return &all[i]
	}
	within := func(at time.Time) bool { return !at.Before(from) && at.Before(a.Timeline.StartsAt) }
	for _, r := range a.WeatherBefore {
		if within(r.At) {
			h := hour(r.At)
			h.weather, h.known = r, true
		}
	}
	if a.Ground != nil {
		for _, r := range a.Ground.Series {
			if within(r.At) {
				hour(r.At).base = &r.SurfaceC
			}
		}
	}
	slices.SortFunc(all, func(a, b hourBefore) int { return a.at.Compare(b.at) })
	return all
}

func (h hourBefore) air() *float64 {
	if !h.known {
		return nil
	}
	return &h.weather.AirC
}

// words is the row of the table.
func (h hourBefore) words(s voice) []string {
	row := []string{s.Clock(h.at.In(s.zone)), "", "", "", "", "", "", ""}
	if h.known {
		w := asTempRow(h.weather)
		row[1], row[2], row[7] = s.Temp(w.AirC), spreadWords(s, w), precipWords(s, w)
	}
	if h.base != nil {
		row[3] = s.Temp(*h.base)
	}
	return row
}

func asTempRow(r rules.WeatherRow) rules.TempRow {
	return rules.TempRow{At: r.At, AirC: r.AirC, AirP10C: r.AirP10C, AirP90C: r.AirP90C, PrecipMM: r.PrecipMM, SnowMM: r.SnowMM}
}

// weatherOf is the weather before placing and after it.
func weatherOf(before []rules.WeatherRow, after []rules.TempRow) []rules.TempRow {
	all := make([]rules.TempRow, 0, len(before)+len(after))
	for _, r := range before {
		all = append(all, asTempRow(r))
	}
	return append(all, after...)
}

func spreadWords(s voice, r rules.TempRow) string {
	if r.AirP10C == nil || r.AirP90C == nil {
		return ""
	}
	return s.Temp(*r.AirP10C) + " to " + s.Temp(*r.AirP90C)
}

func precipWords(s voice, r rules.TempRow) string {
	switch {
	case r.PrecipMM == nil:
		return "not known"
	case *r.PrecipMM < leastPrecipMM:
		return ""
	case r.SnowMM != nil && *r.SnowMM > *r.PrecipMM/2:
		return s.Rain(*r.PrecipMM) + " as snow"
	}
	return s.Rain(*r.PrecipMM) + " of rain"
}

func coldest(s voice, run course) string {
	if run.coldestC == nil {
		return ""
	}
	return "Coldest concrete before " + s.Stress(run.firstMPa) + ": " + s.Temp(*run.coldestC) + "."
}

// strengthChart draws the coldest cell and the mean against the first strength.
func strengthChart(s voice, a *rules.Assessment) *chart {
	run := courseOf(a)
	if len(run.strength) < 2 || len(run.temperatures) == 0 {
		return nil
	}
	_, until := run.span(a)
	c := newChart("strength", "Strength", s, run.StartsAt, until, 280)
	scale, unit := 1.0, "MPa"
	if s.Units != rules.UnitsSI {
		scale, unit = 1/0.006894757293168, "psi"
	}
	var coldest, mean []point
	high := run.firstMPa * scale * 1.4
	c.Head = []string{"Hour", "Coldest place", "Mean"}
	for _, r := range run.strength {
		if r.At.After(until) {
			break
		}
		coldest, mean = append(coldest, point{r.At, r.ColdestMPa * scale}), append(mean, point{r.At, r.MeanMPa * scale})
		high = max(high, r.MeanMPa*scale, r.ColdestMPa*scale)
		c.Rows = append(c.Rows, []string{s.Clock(r.At.In(s.zone)), s.Stress(r.ColdestMPa), s.Stress(r.MeanMPa)})
	}
	first := s.Stress(run.firstMPa)
	c.scale(0, high, unit)
	c.line("freezing", first, []point{{c.from, run.firstMPa * scale}, {until, run.firstMPa * scale}})
	c.line("mean", "Mean", mean)
	c.line("bottom", "Coldest", coldest)
	c.tidy()
	c.at("strength", first+" everywhere", run.CriticalStrengthAt)
	c.Desc = "Strength of the coldest place and of the whole by hour. " + run.asked() + first + " everywhere: not within the weather known."
	if t := run.CriticalStrengthAt; t != nil {
		c.Desc = "Strength of the coldest place and of the whole by hour. " + run.asked() + first + " everywhere: " + stop(s.clock(t))
	}
	return c
}
