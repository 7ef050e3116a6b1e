package board

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"
)

// quantity is what the value of a kind of observation measures.
type quantity int

const (
	event quantity = iota
	yesNo
	temperature
	slump
	strength
)

// A kind is something that can be measured or seen on site.
type kind struct {
	Value, Text string
	quantity    quantity
}

var kinds = []kind{
	{"base_frozen", "Base frozen? (1 yes, 0 no)", yesNo},
	{"base_temp", "Temperature of the base", temperature},
	{"concrete_temp", "Temperature of the concrete at discharge", temperature},
	{"slump", "Slump at discharge", slump},
	{"slab_temp", "Temperature in the concrete", temperature},
	{"initial_set", "Initial set reached", event},
	{"final_set", "Final set reached", event},
	{"blanket_on", "Blankets on", event},
	{"blanket_off", "Blankets off", event},
	{"cylinder_strength", "Strength of a cylinder", strength},
}

func kindOf(value string) kind {
	for _, k := range kinds {
		if k.Value == value {
			return k
		}
	}
	return kind{Value: value, Text: value}
}

// An observeForm is the form for one observation, as sent or empty.
type observeForm struct {
	Kind, At, Value, Note string
	Kinds                 []choice
	Units                 string
	Zone                  string
	Wrong                 string
	WrongFields           map[string]string
	Once                  string
}

// atFormat is what a datetime-local field holds: the site's local time.
const atFormat = "2006-01-02T15:04"

func (f observeForm) ready(s voice, now time.Time, refused *trouble) observeForm {
	if f.At == "" {
		f.At = now.In(s.zone).Format(atFormat)
	}
	for _, k := range kinds {
		f.Kinds = append(f.Kinds, choice{k.Value, k.Text, k.Value == f.Kind})
	}
	f.Once, f.Zone, f.Units = once(), s.zone.String(), "Temperatures in °F, slump in inches, strength in psi."
	if s.Units == rules.UnitsSI {
		f.Units = "Temperatures in °C, slump in mm, strength in MPa."
	}
	if refused != nil {
		f.Wrong, f.WrongFields = refused.Text, refused.Fields
	}
	return f
}

func (b *Board) observe(v *visit) error {
	l, err := b.line(v)
	if err != nil {
		return err
	}
	s := newVoice(v.firm.Units, l.Timezone)
	form := observeForm{Kind: v.FormValue("kind"), At: v.FormValue("at"), Value: strings.TrimSpace(v.FormValue("value")), Note: v.FormValue("note")}
	body, refused := form.body(s)
	if refused == nil {
		_, err = b.send(v, change{method: http.MethodPost, path: "/v1/pours/" + l.ID.String() + "/observations", body: body, once: v.FormValue("once")})
		if !errors.As(err, &refused) && err != nil {
			return err
		}
	}
	if refused != nil {
		return b.showPour(v, form, refused)
	}
	return v.Redirect(http.StatusSeeOther, "/pours/"+l.ID.String()+"?done=observed#observations")
}

// body is the form in the units of the API.
func (f observeForm) body(s voice) (map[string]any, *trouble) {
	wrong := func(field, text string) *trouble {
		return &trouble{Status: http.StatusUnprocessableEntity, Text: text, Fields: map[string]string{field: text}}
	}
	at, err := time.ParseInLocation(atFormat, f.At, s.zone)
	if err != nil {
		return nil, wrong("at", "Say the day and the time.")
	}
	body := map[string]any{"kind": f.Kind, "at": at.UTC().Format(time.RFC3339)}
	if note := strings.TrimSpace(f.Note); note != "" {
		body["note"] = note
	}
	k := kindOf(f.Kind)
	if k.quantity == event {
		return body, nil
	}
	if f.Value == "" {
		return nil, wrong("value", "Say the value as a number.")
	}
	value, said := number(f.Value, s.Units)
	if said != "" {
		return nil, wrong("value", "The value "+said+".")
	}
	body["value"] = k.si(s, value)
	return body, nil
}

// Exact by definition of the inch and the pound.
const (
	mmPerInch = 25.4
	mpaPerPSI = 0.006894757293168
)

// si turns a value in the firm's units into SI.
func (k kind) si(s voice, value float64) float64 {
	if s.Units == rules.UnitsSI {
		return value
	}
	switch k.quantity {
	case temperature:
		return (value - 32) / 1.8
	case slump:
		return value * mmPerInch
	case strength:
		return value * mpaPerPSI
	}
	return value
}

func observationWords(s voice, o db.Observation) string {
	k := kindOf(o.Kind)
	switch k.quantity {
	case yesNo:
		if o.Value >= 0.5 {
			return "Base is frozen"
		}
		return "Base is not frozen"
	case temperature:
		return k.Text + ": " + s.Temp(o.Value)
	case slump:
		return k.Text + ": " + s.Length(o.Value)
	case strength:
		return k.Text + ": " + s.Stress(o.Value)
	}
	return k.Text
}
