package rules

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"
)

// Most that a JSON document may be.
const (
	maxBytes      = 4 << 20
	maxDepth      = 16
	maxViolations = 100
)

// Decode reads a case from JSON, strictly: no member it does not know, none
// twice, nothing after the case, numbers that are numbers, times of RFC 3339, and
// weather that reaches the start. Everything that is wrong comes back at once in
// an [*InvalidError].
//
// A member is optional when it may be left out; then null says the same. Defaults
// are not filled in: see [Defaults].
func Decode(data []byte) (Case, error) {
	var c Case
	root, err := parse(data)
	if err != nil {
		return c, err
	}
	d := &decoder{}
	d.fill(reflect.ValueOf(&c).Elem(), root, nil)
	for _, v := range Validate(c) {
		d.addUnlessSaid(v)
	}
	if start := c.Pour.StartsAt; !start.IsZero() && !covers(c.Weather, start) {
		d.addUnlessSaid(Violation{"/weather", "must reach from before starts_at to after it, with air temperatures"})
	}
	if len(d.found) > 0 {
		return Case{}, &InvalidError{d.found}
	}
	return c, nil
}

// A node is one value of a document.
type node struct {
	kind    json.Token // json.Delim, string, json.Number, bool or nil, by its type
	members []namedNode
	items   []*node
	deep    bool // nested deeper than is taken; its inside was not read
}

type namedNode struct {
	name string
	node *node
}

// parse reads a whole document. Depth is found again when the node is used, so
// that it is reported with the place.
func parse(data []byte) (*node, error) {
	if len(data) > maxBytes {
		return nil, refused(fmt.Sprintf("must be at most %d MiB", maxBytes>>20))
	}
	if !utf8.Valid(data) {
		return nil, refused("must be UTF-8")
	}
	var whole json.RawMessage
	if err := json.Unmarshal(data, &whole); err != nil {
		return nil, refused("must be one JSON document: " + syntaxAt(data, err))
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	n, err := readNode(dec, 0)
	if err != nil {
		return nil, refused("must be one JSON document: " + err.Error())
	}
	return n, nil
}

// refused is what is wrong with a document as a whole.
func refused(detail string) error {
	return &InvalidError{[]Violation{{"", detail}}}
}

// syntaxAt says where a document stops being JSON.
func syntaxAt(data []byte, err error) string {
	var syntax *json.SyntaxError
	if !errors.As(err, &syntax) {
		return err.Error()
	}
	before := data[:min(int(syntax.Offset), len(data))]
	line := 1 + bytes.Count(before, []byte("\n"))
	column := len(before) - 1 - bytes.LastIndexByte(before, '\n')
	return fmt.Sprintf("%s at line %d, column %d", syntax.Error(), line, max(1, column))
}

func readNode(dec *json.Decoder, depth int) (*node, error) {
	token, err := dec.Token()
	if err != nil {
		return nil, err
	}
	n := &node{kind: token, deep: depth > maxDepth}
	open, nested := token.(json.Delim)
	if !nested {
		return n, nil
	}
	for dec.More() {
		name := ""
		if open == '{' {
			token, err := dec.Token()
			if err != nil {
				return nil, err
			}
			name = token.(string)
		}
		child, err := readNode(dec, depth+1)
		switch {
		case err != nil:
			return nil, err
		case n.deep:
		case open == '{':
			n.members = append(n.members, namedNode{name, child})
		default:
			n.items = append(n.items, child)
		}
	}
	_, err = dec.Token() // the closing bracket
	return n, err
}

// what a node is, for people.
func (n *node) what() string {
	switch k := n.kind.(type) {
	case nil:
		return "null"
	case string:
		return "text"
	case json.Number:
		return "a number"
	case bool:
		return "true or false"
	case json.Delim:
		if k == '[' {
			return "a list"
		}
	}
	return "an object"
}

// A place is where a node stands in the document.
type place struct {
	up   *place
	name string
}

// pointer is the JSON Pointer of a place.
func (p *place) pointer() string {
	if p == nil {
		return ""
	}
	name := p.name
	if len(name) > maxText {
		name = strings.ToValidUTF8(name[:maxText], "") + "..."
	}
	return p.up.pointer() + "/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(name)
}

// A decoder fills Go values from nodes and notes what does not fit.
type decoder struct {
	found []Violation
}

func (d *decoder) add(at *place, detail string) {
	if len(d.found) < maxViolations {
		d.found = append(d.found, Violation{at.pointer(), detail})
	}
}

// addUnlessSaid adds what is wrong with a value, unless the value could not even
// be read, at its place or around it.
func (d *decoder) addUnlessSaid(v Violation) {
	for _, said := range d.found {
		if said.Pointer == v.Pointer || strings.HasPrefix(v.Pointer, said.Pointer+"/") {
			return
		}
	}
	if len(d.found) < maxViolations {
		d.found = append(d.found, v)
	}
}

var timeType = reflect.TypeFor[time.Time]()

// fill sets v from n.
func (d *decoder) fill(v reflect.Value, n *node, at *place) {
	switch {
	case n.deep:
		d.add(at, fmt.Sprintf("must not be nested deeper than %d", maxDepth))
	case v.Type() == timeType:
		d.fillTime(v, n, at)
	default:
		d.fillKind(v, n, at)
	}
}

func (d *decoder) fillKind(v reflect.Value, n *node, at *place) {
	switch v.Kind() {
	case reflect.Pointer:
		if n.kind == nil {
			return
		}
		target := reflect.New(v.Type().Elem())
		d.fill(target.Elem(), n, at)
		v.Set(target)
	case reflect.Struct:
		d.fillStruct(v, n, at)
	case reflect.Slice:
		d.fillList(v, n, at)
	case reflect.String:
		if s, ok := n.kind.(string); !ok {
			d.add(at, "must be text, not "+n.what())
		} else {
			v.SetString(s)
		}
	case reflect.Bool:
		if b, ok := n.kind.(bool); !ok {
			d.add(at, "must be true or false, not "+n.what())
		} else {
			v.SetBool(b)
		}
	default:
		d.fillNumber(v, n, at)
	}
}

func (d *decoder) fillNumber(v reflect.Value, n *node, at *place) {
	text, ok := n.kind.(json.Number)
	if !ok {
		d.add(at, "must be a number, not "+n.what())
		return
	}
	x, err := strconv.ParseFloat(text.String(), 64)
	switch {
	case err != nil || math.IsInf(x, 0):
		d.add(at, "is too large a number")
	case v.Kind() == reflect.Float64:
		v.SetFloat(x)
	case x != math.Trunc(x) || math.Abs(x) > 1e9:
		d.add(at, "must be a whole number")
	default:
		v.SetInt(int64(x))
	}
}

func (d *decoder) fillTime(v reflect.Value, n *node, at *place) {
	text, ok := n.kind.(string)
	if !ok {
		d.add(at, "must be a time of RFC 3339, not "+n.what())
		return
	}
	var t time.Time
	if err := t.UnmarshalText([]byte(text)); err != nil {
		d.add(at, "must be a time of RFC 3339, such as 2026-01-20T07:00:00-06:00")
		return
	}
	v.Set(reflect.ValueOf(t))
}

func (d *decoder) fillList(v reflect.Value, n *node, at *place) {
	if n.kind != json.Delim('[') {
		d.add(at, "must be a list, not "+n.what())
		return
	}
	if len(n.items) > maxHours {
		d.add(at, fmt.Sprintf("must have at most %d items", maxHours))
		return
	}
	list := reflect.MakeSlice(v.Type(), len(n.items), len(n.items))
	for i, item := range n.items {
		d.fill(list.Index(i), item, &place{at, strconv.Itoa(i)})
	}
	v.Set(list)
}

func (d *decoder) fillStruct(v reflect.Value, n *node, at *place) {
	if n.kind != json.Delim('{') {
		d.add(at, "must be an object, not "+n.what())
		return
	}
	shape := shapeOf(v.Type())
	given := make(map[string]bool, len(n.members))
	for _, m := range n.members {
		here := &place{at, m.name}
		f, known := shape.fields[m.name]
		switch {
		case !known:
			d.add(here, "is not a known member")
		case given[m.name]:
			d.add(here, "is given twice")
		case m.node.kind == nil && (f.optional || v.Field(f.index).Kind() == reflect.Pointer):
		default:
			d.fill(v.Field(f.index), m.node, here)
		}
		given[m.name] = true
	}
	for _, name := range shape.required {
		if !given[name] {
			d.add(&place{at, name}, "is required")
		}
	}
}

// A shape is the members of a struct by their JSON names. Those that encoding
// leaves out when empty are optional.
type shape struct {
	fields   map[string]field
	required []string
}

type field struct {
	index    int
	optional bool
}

var shapes sync.Map // reflect.Type to *shape

func shapeOf(t reflect.Type) *shape {
	if known, ok := shapes.Load(t); ok {
		return known.(*shape)
	}
	s := &shape{fields: make(map[string]field, t.NumField())}
	for i := range t.NumField() {
		name, options, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		f := field{index: i, optional: strings.Contains(options, "omit")}
		s.fields[name] = f
		if !f.optional {
			s.required = append(s.required, name)
		}
	}
	shapes.Store(t, s)
	return s
}
