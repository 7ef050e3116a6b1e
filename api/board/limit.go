package board

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"frostgate/db"
	"frostgate/rules"
)

// A limitsPage is what the rules compare with: the table that holds for the firm's code, and the rest.
type limitsPage struct {
	Tabs   []choice
	Rows   []limitRow
	Others []limitRow // of other codes; a site may be under one of them
}

type limitRow struct {
	Name, Title, Used, Usual, Effect, Source, Reason, Link string
	Changed, Override                                      bool
}

func (b *Board) limits(v *visit) error {
	page := limitsPage{Tabs: firmTabs(v, "/firm/limits")}
	s := v.units()
	for _, l := range rules.Limits() {
		row := newLimitRow(s, l, v.firm)
		if v.dispatcher() {
			row.Link = "/firm/limits/" + l.Name
		}
		if l.Code == "" || l.Code == v.firm.Code {
			page.Rows = append(page.Rows, row)
		} else {
			page.Others = append(page.Others, row)
		}
	}
	return b.show(v, "limits", "firm", "Limits", page)
}

func newLimitRow(s voice, l rules.Limit, f db.Firm) limitRow {
	m := measureOf(l.Unit)
	row := limitRow{
		Name: l.Name, Title: capital(l.Title), Used: m.said(s, l.Value), Usual: m.said(s, l.Value), Effect: effectWords[l.Effect], Source: sourceWords(l.Source),
	}
	if c, changed := limitChange(f, l.Name); changed {
		row.Used, row.Reason, row.Changed, row.Override = m.said(s, c.Value), c.Reason, true, c.Override
	}
	if l.Code != "" {
		row.Title += " (" + strings.ToUpper(string(l.Code)) + ")"
	}
	return row
}

func limitChange(f db.Firm, name string) (rules.LimitChange, bool) {
	i := slices.IndexFunc(f.Limits, func(c rules.LimitChange) bool { return c.Limit == name })
	if i < 0 {
		return rules.LimitChange{}, false
	}
	return f.Limits[i], true
}

// A limitPage is the form of one limit.
type limitPage struct {
	Row      limitRow
	Stricter string
	Version  string
	Fields   []shownField
	Refused  string
}

// limitOf is the limit of the address.
func limitOf(v *visit) (rules.Limit, error) {
	all := rules.Limits()
	i := slices.IndexFunc(all, func(l rules.Limit) bool { return l.Name == v.Param("name") })
	if i < 0 {
		return rules.Limit{}, db.ErrNotFound
	}
	if !v.dispatcher() {
		return rules.Limit{}, notAllowed
	}
	return all[i], nil
}

func (b *Board) limitForm(v *visit) error {
	l, err := limitOf(v)
	if err != nil {
		return err
	}
	typed := texts{"value": measureOf(l.Unit).unit(v.firm.Units).text(l.Value)}
	if c, changed := limitChange(v.firm, l.Name); changed {
		typed["value"], typed["reason"] = measureOf(l.Unit).unit(v.firm.Units).text(c.Value), c.Reason
		if c.Override {
			typed["override"] = "on"
		}
	}
	return b.showLimit(v, http.StatusOK, l, typed, nil, "")
}

func (b *Board) showLimit(v *visit, status int, l rules.Limit, typed texts, wrong map[string]string, refused string) error {
	s := v.units()
	form := filledForm{typed: typed, wrong: wrong}
	page := limitPage{Row: newLimitRow(s, l, v.firm), Version: fmt.Sprint(v.firm.Version), Refused: refused, Stricter: "A higher value is stricter."}
	if l.Stricter == rules.Lower {
		page.Stricter = "A lower value is stricter."
	}
	if l.Floor != nil {
		page.Stricter += " The published value is " + measureOf(l.Unit).said(s, *l.Floor) + "; to go past it takes the tick and a reason, and each assessment says so."
	}
	for _, f := range limitFields(l) {
		page.Fields = append(page.Fields, form.field(fieldAt{f, f.pointer}, s))
	}
	return b.draw(v.Context, v, status, "limit", frame{Title: "Limit", Nav: "firm", Page: page})
}

func limitFields(l rules.Limit) []input {
	return []input{
		{pointer: "value", label: "Value", kind: asFigure, measure: measureOf(l.Unit), required: true},
		{pointer: "override", label: "Go past the published value", kind: asTick},
		{pointer: "reason", label: "Reason", kind: asParagraph},
	}
}

// setLimit changes one limit of the firm, or takes the firm's change back.
func (b *Board) setLimit(v *visit) error {
	l, err := limitOf(v)
	if err != nil {
		return err
	}
	s := v.units()
	typed := texts{"value": strings.TrimSpace(v.FormValue("value")), "reason": strings.TrimSpace(v.FormValue("reason"))}
	if sent, err := v.FormParams(); err == nil && slices.Contains(sent["override"], "on") {
		typed["override"] = "on"
	}
	changes := slices.Clone(v.firm.Limits)
	at := slices.IndexFunc(changes, func(c rules.LimitChange) bool { return c.Limit == l.Name })
	if v.FormValue("usual") != "" {
		changes = slices.DeleteFunc(changes, func(c rules.LimitChange) bool { return c.Limit == l.Name })
	} else {
		value, wrong := limitValue(s, l, typed["value"])
		if wrong != "" {
			return b.showLimit(v, http.StatusUnprocessableEntity, l, typed, map[string]string{"value": wrong}, notSaved)
		}
		if at < 0 {
			at, changes = len(changes), append(changes, rules.LimitChange{})
		}
		changes[at] = rules.LimitChange{Limit: l.Name, Value: value, Override: typed["override"] != "", Reason: typed["reason"]}
	}
	_, err = b.send(v, change{method: http.MethodPatch, path: "/v1/firm", body: map[string]any{"limits": changes}, version: v.FormValue("version")})
	var refused *trouble
	if !errors.As(err, &refused) || len(refused.Fields) == 0 {
		if err != nil {
			return err
		}
		return v.Redirect(http.StatusSeeOther, "/firm/limits?done=kept")
	}
	wrong := map[string]string{}
	for name, said := range refused.Fields {
		_, field, _ := strings.Cut(strings.TrimPrefix(name, "limits/"), "/")
		wrong[field] = measureOf(l.Unit).unit(s.Units).inUnit(said)
	}
	return b.showLimit(v, refused.Status, l, typed, wrong, notSaved)
}

const notSaved = "Some fields are not filled in rightly. Nothing was saved."

// limitValue reads a value; what reads as the published or the usual one is that, to the last digit.
func limitValue(s voice, l rules.Limit, text string) (value float64, wrong string) {
	if text == "" {
		return 0, "is required"
	}
	x, wrong := number(text, s.Units)
	if wrong != "" {
		return 0, wrong
	}
	u := measureOf(l.Unit).unit(s.Units)
	value = u.value(x)
	for _, known := range []*float64{l.Floor, &l.Value} {
		if known != nil && u.text(*known) == u.text(value) {
			return *known, ""
		}
	}
	return value, ""
}

// measureOf is the measure of a unit of the engine.
func measureOf(unit string) measure {
	measures := map[string]measure{
		"degC": degree, "K": degreeSteps, "MPa": stress, "mm": depth, "m/s": wind, "kg/m2/h": evaporation, "%": percentage, "h": hours, "min": minutes, "1": share,
	}
	if m, known := measures[unit]; known {
		return m
	}
	return nothing
}
