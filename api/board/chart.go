package board

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"frostgate/rules"
)

// A chart is a drawing over hours, in the units of its view box. Its template writes it as SVG; its colours, dashes
// and sizes stand in the style sheet, by class.
type chart struct {
	ID, Title, Desc string
	W, H            float64
	X0, X1, Y0, Y1  float64 // the field within the axes
	XTicks          []tick
	YTicks          []tick
	Unit            string // of the vertical axis
	Bands           []band
	Areas           []region
	Curves          []curve
	Marks           []mark
	Head            []string // of the table that says the same
	Rows            [][]string

	from, until time.Time
	low, high   float64
	voice       voice
}

type tick struct {
	At    float64
	Text  string
	Major bool
}

type band struct {
	Class, Text, Title string
	X, Y, W, H         float64
	TextX              float64
	Anchor             string
	Inside             bool // the text stands on the bar
}

// A region lies between two curves.
type region struct {
	Class, Title string
	D            string
}

type curve struct {
	Class, Text string
	D           string
	X, Y        float64 // of the text
}

type mark struct {
	Class, Text string
	X, Y, TextY float64 // Y is where its line begins
	Anchor      string
}

func newChart(id, title string, s voice, from, until time.Time, height float64) *chart {
	c := &chart{ID: id, Title: title, W: 960, H: height, X0: 52, X1: 868, Y0: 34, Y1: height - 40, voice: s, from: from, until: until}
	c.hours()
	return c
}

// x is where a time lies, kept within the field.
func (c *chart) x(t time.Time) float64 {
	share := float64(t.Sub(c.from)) / float64(c.until.Sub(c.from))
	return round(c.X0 + (c.X1-c.X0)*min(1, max(0, share)))
}

func (c *chart) y(value float64) float64 {
	return round(c.Y1 - (c.Y1-c.Y0)*(value-c.low)/(c.high-c.low))
}

func round(x float64) float64 { return math.Round(x*10) / 10 }

// hours draws the horizontal axis: midnights with their day, and between them as many hours as fit.
func (c *chart) hours() {
	span := c.until.Sub(c.from).Hours()
	step := 24
	for _, s := range []int{2, 3, 6, 12} {
		if span/float64(s) <= 14 {
			step = s
			break
		}
	}
	local := c.from.In(c.voice.zone)
	t := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, c.voice.zone)
	for ; !t.After(c.until); t = time.Date(t.Year(), t.Month(), t.Day(), t.Hour()+step, 0, 0, 0, c.voice.zone) {
		if t.Before(c.from) {
			continue
		}
		mark := tick{At: c.x(t), Text: axisHour(c.voice, t)}
		if t.Hour() == 0 {
			mark.Major, mark.Text = true, t.Format("Mon 2")
		}
		c.XTicks = append(c.XTicks, mark)
	}
}

func axisHour(s voice, t time.Time) string {
	if s.Units == rules.UnitsSI {
		return t.Format("15:04")
	}
	return strings.ToLower(t.Format("3 PM"))
}

// scale draws the vertical axis over the values, with a little room.
func (c *chart) scale(low, high float64, unit string) {
	if high-low < 4 {
		low, high = low-2, high+2
	}
	step := math.Pow(10, math.Floor(math.Log10((high-low)/4)))
	for _, f := range []float64{1, 2, 2.5, 5, 10} {
		if (high-low)/(step*f) <= 7 {
			step *= f
			break
		}
	}
	c.low, c.high, c.Unit = math.Floor(low/step)*step, math.Ceil(high/step)*step, unit
	for v := c.low; v <= c.high+step/2; v += step {
		c.YTicks = append(c.YTicks, tick{At: c.y(v), Text: strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")})
	}
}

// A point is one value of a curve.
type point struct {
	at    time.Time
	value float64
}

// line draws a curve with its name at its end.
func (c *chart) line(class, text string, points []point) {
	var d strings.Builder
	var x, y float64
	for i, p := range points {
		if p.at.Before(c.from) || p.at.After(c.until) {
			continue
		}
		x, y = c.x(p.at), c.y(p.value)
		letter := "L"
		if d.Len() == 0 || i == 0 {
			letter = "M"
		}
		fmt.Fprintf(&d, "%s%g %g", letter, x, y)
	}
	if d.Len() > 0 {
		c.Curves = append(c.Curves, curve{Class: class, Text: text, D: d.String(), X: x + 6, Y: y + 4})
	}
}

// between fills what lies between two curves over the same hours.
func (c *chart) between(class, title string, lower, upper []point) {
	if len(lower) < 2 || len(lower) != len(upper) {
		return
	}
	var d strings.Builder
	letter := "M"
	for _, p := range upper {
		fmt.Fprintf(&d, "%s%g %g", letter, c.x(p.at), c.y(p.value))
		letter = "L"
	}
	for _, p := range slices.Backward(lower) {
		fmt.Fprintf(&d, "L%g %g", c.x(p.at), c.y(p.value))
	}
	c.Areas = append(c.Areas, region{Class: class, Title: title, D: d.String() + "Z"})
}

// What of rain and snow is drawn: less is none, and more than the most fills the bar.
const (
	leastPrecipMM = 0.1
	mostPrecipMM  = 5.0
	precipBar     = 60.0 // height of the most
)

// precip draws rain and snow as bars that stand on the axis, an hour wide.
func (c *chart) precip(s voice, rows []rules.TempRow) {
	for _, r := range rows {
		if r.PrecipMM == nil || *r.PrecipMM < leastPrecipMM || r.At.Before(c.from) || r.At.After(c.until) {
			continue
		}
		class := "rain"
		if r.SnowMM != nil && *r.SnowMM > *r.PrecipMM/2 {
			class = "snow"
		}
		h := round(precipBar * math.Sqrt(min(1, *r.PrecipMM/mostPrecipMM))) // small rain is seen, too
		x := c.x(r.At)
		c.Bands = append(c.Bands, band{
			Class: class, Title: s.clock(&r.At) + ": " + precipWords(s, r), X: x, Y: c.Y1 - h, W: max(1, round(c.x(r.At.Add(time.Hour))-x)), H: h,
		})
	}
}

// tidy keeps the names of curves from lying on each other: they are pushed apart, in their order.
func (c *chart) tidy() {
	const gap = 16.0
	order := make([]*curve, 0, len(c.Curves))
	for i := range c.Curves {
		if c.Curves[i].Text != "" {
			order = append(order, &c.Curves[i])
		}
	}
	sortBy(order, func(a *curve) float64 { return a.Y })
	for i := 1; i < len(order); i++ {
		order[i].Y = max(order[i].Y, order[i-1].Y+gap)
	}
	bottom := c.Y1 + 4
	for i := len(order) - 1; i >= 0 && order[i].Y > bottom; i-- {
		order[i].Y = bottom
		bottom -= gap
	}
	for i := range c.Curves {
		c.Curves[i].Y, c.Curves[i].X = round(c.Curves[i].Y), c.X1+6
	}
}

func sortBy[T any](list []T, key func(T) float64) {
	for i := 1; i < len(list); i++ {
		for k := i; k > 0 && cmp.Less(key(list[k]), key(list[k-1])); k-- {
			list[k], list[k-1] = list[k-1], list[k]
		}
	}
}

// at draws a line down the field at a time, named above it.
func (c *chart) at(class, text string, t *time.Time) {
	if t == nil || t.Before(c.from) || t.After(c.until) {
		return
	}
	m := mark{Class: class, Text: text, X: c.x(*t), TextY: 14, Anchor: "middle"}
	places := []mark{{TextY: 14, Anchor: "middle"}, {TextY: 28, Anchor: "middle"}, {TextY: 14, Anchor: "start"}, {TextY: 28, Anchor: "start"}}
	if m.X > c.X1-40 {
		m.Anchor, places = "end", []mark{{TextY: 14, Anchor: "end"}, {TextY: 28, Anchor: "end"}}
	}
	for _, p := range places {
		free := m
		free.TextY, free.Anchor = p.TextY, p.Anchor
		if !slices.ContainsFunc(c.Marks, free.meets) {
			m = free
			break
		}
	}
	m.Y = m.TextY + 5
	c.Marks = append(c.Marks, m)
}

// meets tells that the names of two marks would lie on each other.
func (m mark) meets(other mark) bool {
	from, until := m.span()
	otherFrom, otherUntil := other.span()
	return m.TextY == other.TextY && from < otherUntil && otherFrom < until
}

// span is where the name of a mark lies, with a little room, in its size of 13.
func (m mark) span() (from, until float64) {
	width := 7.4*float64(utf8.RuneCountInString(m.Text)) + 8
	switch m.Anchor {
	case "start":
		return m.X, m.X + width
	case "end":
		return m.X - width, m.X
	}
	return m.X - width/2, m.X + width/2
}

// over fills the field between two times.
func (c *chart) over(class, title string, from, until time.Time) {
	x0, x1 := c.x(from), c.x(until)
	if x1 > x0 {
		c.Bands = append(c.Bands, band{Class: class, Title: title, X: x0, Y: c.Y0, W: round(x1 - x0), H: c.Y1 - c.Y0})
	}
}
