package board

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostgate/rules"
)

// fieldKind is how a field is filled in.
type fieldKind int

const (
	asWords     fieldKind = iota // a line of text
	asParagraph                  // text of several lines
	asFigure                     // a number with a measure
	asPick                       // one of the choices
	asTick                       // yes or no
	asSeveral                    // any of the choices
	asMoment                     // a day and time on the clock of the site
	asClock                      // a time of day
	asAddress                    // of the web
	asSequence                   // names in an order, with commas between
)

// An input is one field of a form. Its pointer is that of the API's document (RFC 6901) without the first slash, and
// serves as the name of the input.
type input struct {
	pointer     string
	label, hint string
	kind        fieldKind
	measure     measure // of a figure
	required    bool
	choices     []choice
	raw         bool   // the values of the choices are JSON: numbers, true and false
	elements    string // the elements of a pour that it is for; empty is all
	list        string // of suggestions
	zero        bool   // what the API leaves out is 0
	measureBy   func(sibling func(pointer string) string) measure
}

// A rows is a list in the document, with the fields of one entry. An entry that is left empty is no entry.
type rows struct {
	pointer, label, hint string
	fields               []input
	spare                int // empty entries offered
}

// A group is a part of a form that belongs together.
type group struct {
	title, hint string
	folded      bool
	fields      []input
	lists       []rows
}

// A doc is an object of the API.
type doc map[string]any

// at is the value at a pointer; nil when there is none.
func (d doc) at(pointer string) any {
	var here any = map[string]any(d)
	for part := range strings.SplitSeq(pointer, "/") {
		switch inner := here.(type) {
		case map[string]any:
			here = inner[part]
		case []any:
			i, err := strconv.Atoi(part)
			if err != nil || i < 0 || i >= len(inner) {
				return nil
			}
			here = inner[i]
		default:
			return nil
		}
	}
	return here
}

// set puts a value at a pointer, through objects that it makes on the way.
func (d doc) set(pointer string, value any) {
	outer, inner, nested := strings.Cut(pointer, "/")
	if !nested {
		d[outer] = value
		return
	}
	object, ok := d[outer].(map[string]any)
	if !ok {
		object = map[string]any{}
		d[outer] = object
	}
	doc(object).set(inner, value)
}

func (d doc) text(pointer string) string {
	text, _ := d.at(pointer).(string)
	return text
}

func (d doc) version() string {
	n, _ := d.at("version").(float64)
	return strconv.FormatInt(int64(n), 10)
}

// length is how many entries a list has.
func (d doc) length(pointer string) int {
	list, _ := d.at(pointer).([]any)
	return len(list)
}

// between joins the values of a field that takes several.
const between = ","

// text is what a field shows of a value.
func (f input) text(s voice, value any, sibling func(string) string) string {
	switch value := value.(type) {
	case float64:
		if f.kind != asFigure {
			return strconv.FormatFloat(value, 'f', -1, 64)
		}
		return f.unit(s, sibling).text(value)
	case bool:
		if f.kind == asTick && !value {
			return ""
		}
		if f.kind == asTick {
			return "on"
		}
		return strconv.FormatBool(value)
	case []any:
		texts := make([]string, len(value))
		for i, v := range value {
			texts[i] = input{}.text(s, v, nil)
		}
		if f.kind == asSequence {
			return strings.Join(texts, ", ")
		}
		return strings.Join(texts, between)
	case string:
		if f.kind != asMoment {
			return value
		}
		at, err := time.Parse(time.RFC3339, value)
		if err != nil {
			return ""
		}
		return at.In(s.zone).Format(atFormat)
	}
	return ""
}

func (f input) unit(s voice, sibling func(string) string) unit {
	if f.measureBy != nil {
		return f.measureBy(sibling).unit(s.Units)
	}
	return f.measure.unit(s.Units)
}

// value is what was typed, as the API takes it: nil when nothing was. Wrong says what cannot be read.
func (f input) value(s voice, text string, sibling func(string) string) (value any, wrong string) {
	if f.kind == asTick {
		return text != "", ""
	}
	if text == "" {
		if f.required {
			return nil, "is required"
		}
		return nil, ""
	}
	switch f.kind {
	case asFigure:
		x, wrong := number(text, s.Units)
		if wrong != "" {
			return nil, wrong
		}
		return f.unit(s, sibling).value(x), ""
	case asMoment:
		at, err := time.ParseInLocation(atFormat, text, s.zone)
		if err != nil {
			return nil, "must be a day and a time"
		}
		return at.UTC().Format(time.RFC3339), ""
	case asSeveral:
		list := []any{}
		for one := range strings.SplitSeq(text, between) {
			list = append(list, f.choice(one))
		}
		return list, ""
	case asSequence:
		list := []any{}
		for one := range strings.SplitSeq(text, ",") {
			list = append(list, strings.TrimSpace(one))
		}
		return list, ""
	case asPick:
		return f.choice(text), ""
	}
	return text, ""
}

func (f input) choice(text string) any {
	var value any
	if f.raw && json.Unmarshal([]byte(text), &value) == nil {
		return value
	}
	return text
}

// same tells that what was typed is what was shown. Of a moment it compares the moment itself, which is another one
// where the same hour is meant in another zone.
func (f input) same(s voice, typed, shown string, stored any) bool {
	if f.kind != asMoment || typed == "" {
		return typed == shown
	}
	at, err := time.ParseInLocation(atFormat, typed, s.zone)
	was, _ := stored.(string)
	before, errBefore := time.Parse(time.RFC3339, was)
	return err == nil && errBefore == nil && math.Abs(at.Sub(before).Minutes()) < 1
}

// siblings reads what stands in the same entry of a list.
func siblings(texts map[string]string, pointer string) func(string) string {
	parent := parentOf(pointer)
	return func(name string) string { return texts[strings.TrimPrefix(parent+"/"+name, "/")] }
}

// parentOf is the pointer without its last part; empty at the top.
func parentOf(pointer string) string {
	return pointer[:max(strings.LastIndex(pointer, "/"), 0)]
}

// elementChoices are the kinds of things placed.
func elementChoices() []choice {
	var all []choice
	for _, e := range []rules.Element{rules.SlabOnGround, rules.Footing, rules.Wall} {
		all = append(all, choice{Value: string(e), Text: elementWords[e]})
	}
	return all
}

func chosen(choices []choice, value string) []choice {
	marked := slices.Clone(choices)
	for i := range marked {
		marked[i].Chosen = marked[i].Value == value
	}
	return marked
}
