package nws

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"frostgate/scheduler/forecast"
)

// A segment is a value over an interval.
type segment struct {
	from, to time.Time
	value    json.RawMessage
}

// A layer is one variable of the raw grid.
type layer struct {
	unit     string
	segments []segment // rising, without overlap
}

// readLayer reads a layer. One that is absent or empty has no segments, which is
// not zero. An interval that can't be read, or intervals that overlap, spoil the
// whole layer.
func readLayer(text json.RawMessage) (layer, error) {
	var given struct {
		UOM    string `json:"uom"`
		Values []struct {
			ValidTime string          `json:"validTime"`
			Value     json.RawMessage `json:"value"`
		} `json:"values"`
	}
	if len(text) == 0 {
		return layer{}, nil
	}
	if err := json.Unmarshal(text, &given); err != nil {
		return layer{}, err
	}
	l := layer{unit: unitName(given.UOM), segments: make([]segment, 0, len(given.Values))}
	for _, v := range given.Values {
		from, to, err := parseInterval(v.ValidTime)
		if err != nil {
			return layer{}, fmt.Errorf("%.60q: %w", v.ValidTime, err)
		}
		l.segments = append(l.segments, segment{from: from, to: to, value: v.Value})
	}
	return l, l.order()
}

// order sorts the segments and drops those given twice alike.
func (l *layer) order() error {
	slices.SortStableFunc(l.segments, func(a, b segment) int { return a.from.Compare(b.from) })
	l.segments = slices.CompactFunc(l.segments, func(a, b segment) bool {
		return a.from.Equal(b.from) && a.to.Equal(b.to) && string(a.value) == string(b.value)
	})
	for i := 1; i < len(l.segments); i++ {
		if l.segments[i].from.Before(l.segments[i-1].to) {
			return errors.New("intervals overlap")
		}
	}
	return nil
}

// A table is the hours that are being filled, one after the other without a gap.
type table struct {
	start time.Time
	hours []forecast.Hour
}

// The hours of a table, around its fetching.
const (
	tablePast  = 72 * time.Hour
	tableAhead = 17 * 24 * time.Hour
)

func newTable(now time.Time) *table {
	t := &table{start: now.UTC().Truncate(time.Hour).Add(-tablePast)}
	t.hours = make([]forecast.Hour, (tablePast+tableAhead)/time.Hour)
	for i := range t.hours {
		t.hours[i].At = t.start.Add(time.Duration(i) * time.Hour)
	}
	return t
}

// begin is the first hour of the table that does not begin before a time.
func (t *table) begin(at time.Time) int {
	i := int(at.Sub(t.start).Truncate(time.Hour) / time.Hour)
	if t.start.Add(time.Duration(i) * time.Hour).Before(at) {
		i++
	}
	return min(max(0, i), len(t.hours))
}

// state visits the hours that begin inside a segment.
func (t *table) state(s segment, visit func(*forecast.Hour)) {
	for i := t.begin(s.from); i < t.begin(s.to); i++ {
		visit(&t.hours[i])
	}
}

// share visits the hours that a segment touches, each with its part of the whole.
func (t *table) share(s segment, visit func(h *forecast.Hour, part float64)) {
	whole := s.to.Sub(s.from)
	for i := t.begin(s.from.Add(-time.Hour + time.Nanosecond)); i < t.begin(s.to); i++ {
		h := &t.hours[i]
		from, to := h.At, h.At.Add(time.Hour)
		if s.from.After(from) {
			from = s.from
		}
		if s.to.Before(to) {
			to = s.to
		}
		if part := to.Sub(from); part > 0 {
			visit(h, float64(part)/float64(whole))
		}
	}
}

// flag marks all hours, for a layer that could not be read.
func (t *table) flag(g forecast.Group, f forecast.Flag) {
	for i := range t.hours {
		t.hours[i].Flags.Set(g, f)
	}
}
