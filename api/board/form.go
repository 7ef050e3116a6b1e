package board

import (
	"encoding/json"
	"errors"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A pourForm is the form by which a pour is added or edited. Its values are texts as typed, in the firm's units.
type pourForm struct {
	ID      string // empty for a new pour
	Version string
	Once    string
	Zone    string
	Value   map[string]string
	Wrong   map[string]string // by field of the form
	Refused string

	Sites, Plants, Crews, Mixes []choice
	Elements, Bases             []choice
	Sizes                       []sizeField
}

// A sizeField is a number with its unit; which unit the firm's setting says.
type sizeField struct {
	Name, Label, Unit, Pointer string
	perUnit                    float64 // of the API's unit
	Value, Wrong               string
}

// Exact conversions; that of volume is of the cubic yard.
const (
	mmPerFoot = 304.8
	m2PerFt2  = 0.09290304
	m3PerYd3  = 0.764554857984
	m2KWPerR  = 0.1761102 // NIST SP 811 (2008)
)

func sizeFields(units rules.Units) []sizeField {
	us := units != rules.UnitsSI
	pick := func(usUnit, siUnit string, perUnit float64) (string, float64) {
		if us {
			return usUnit, perUnit
		}
		return siUnit, 1
	}
	fields := []sizeField{
		{Name: "thickness", Label: "Thickness (least dimension)", Pointer: "thickness_mm"},
		{Name: "area", Label: "Area of a slab, or of one face of a wall", Pointer: "area_m2"},
		{Name: "length", Label: "Length of a footing or wall", Pointer: "length_mm"},
		{Name: "width", Label: "Width of a footing", Pointer: "width_mm"},
		{Name: "height", Label: "Height of a wall", Pointer: "height_mm"},
		{Name: "volume", Label: "Volume, when not by the dimensions", Pointer: "volume_m3"},
		{Name: "base_depth", Label: "Depth of the base layer", Pointer: "base/depth_mm"},
	}
	for i := range fields {
		f := &fields[i]
		switch f.Name {
		case "area":
			f.Unit, f.perUnit = pick("sq ft", "m²", m2PerFt2)
		case "volume":
			f.Unit, f.perUnit = pick("yd³", "m³", m3PerYd3)
		case "length", "width", "height":
			f.Unit, f.perUnit = pick("ft", "mm", mmPerFoot)
		default:
			f.Unit, f.perUnit = pick("in", "mm", mmPerInch)
		}
	}
	return fields
}

// plainFields are those whose text goes to the API as it is.
var plainFields = []string{"name", "note", "site_id", "plant_id", "crew_id", "mix_id", "element"}

func (b *Board) newPour(v *visit) error {
	if !v.dispatcher() {
		return notAllowed
	}
	value := map[string]string{"element": string(rules.SlabOnGround), "base_material": "gravel", "reinforced": "on"}
	return b.showForm(v, http.StatusOK, pourForm{Value: value}, nil)
}

var notAllowed = &trouble{Status: http.StatusForbidden, Text: "Only a dispatcher may add or edit pours.", Advice: "Ask the dispatcher, or sign in with another token."}

func (b *Board) editPour(v *visit) error {
	if !v.dispatcher() {
		return notAllowed
	}
	l, err := b.line(v)
	if err != nil {
		return err
	}
	return b.showForm(v, http.StatusOK, formOf(newVoice(v.firm.Units, l.Timezone), l), nil)
}

// formOf fills the form with a stored pour.
func formOf(s voice, l db.PourLine) pourForm {
	f := pourForm{ID: l.ID.String(), Version: strconv.FormatInt(l.Version, 10), Value: map[string]string{
		"name": l.Name, "note": l.Note, "site_id": l.SiteID.String(), "plant_id": l.PlantID.String(), "crew_id": l.CrewID.String(),
		"mix_id": l.MixID.String(), "element": string(l.Element), "base_material": l.Base.Material,
		"starts_at": l.StartsAt.In(s.zone).Format(atFormat),
	}}
	if l.CancelBy != nil {
		f.Value["cancel_by"] = l.CancelBy.In(s.zone).Format(atFormat)
	}
	if l.Reinforced {
		f.Value["reinforced"] = "on"
	}
	sizes := map[string]float64{
		"thickness": l.ThicknessMM, "area": l.AreaM2, "length": l.LengthMM, "width": l.WidthMM, "height": l.HeightMM, "base_depth": l.Base.DepthMM,
	}
	if l.VolumeM3 != nil {
		sizes["volume"] = *l.VolumeM3
	}
	for _, size := range sizeFields(s.Units) {
		if si := sizes[size.Name]; si != 0 {
			f.Value[size.Name] = strconv.FormatFloat(math.Round(si/size.perUnit*1000)/1000, 'f', -1, 64)
		}
	}
	if len(l.ProtectionAtHand) > 0 {
		f.Value["blanket_r"] = blanketText(s, l.ProtectionAtHand[0].RM2KW)
	}
	return f
}

func blanketText(s voice, r float64) string {
	if s.Units != rules.UnitsSI {
		r /= m2KWPerR
	}
	return strconv.FormatFloat(math.Round(r*100)/100, 'f', -1, 64)
}

func (b *Board) showForm(v *visit, status int, f pourForm, refused *trouble) error {
	if err := b.addChoices(v, &f); err != nil {
		return err
	}
	f.Wrong = map[string]string{}
	if refused != nil {
		f.Refused = refused.Text
		for pointer, text := range refused.Fields {
			f.Wrong[formField(pointer)] = text
		}
	}
	f.Sizes = sizeFields(v.firm.Units)
	for i := range f.Sizes {
		size := &f.Sizes[i]
		size.Value, size.Wrong = f.Value[size.Name], f.Wrong[size.Pointer]+f.Wrong[size.Name]
	}
	f.Once = once()
	title := "Add a pour"
	if f.ID != "" {
		title = "Edit pour"
	}
	return b.draw(v.Context, v, status, "form", frame{Title: title, Nav: "week", Page: f})
}

// formField is the field of the form that an API pointer is about, where the names differ.
func formField(pointer string) string {
	if strings.HasPrefix(pointer, "protection_at_hand") {
		return "blanket_r"
	}
	if pointer == "base/material" {
		return "base_material"
	}
	return pointer
}

func (b *Board) addChoices(v *visit, f *pourForm) error {
	crews, plants, err := b.crewsAndPlants(v)
	if err != nil {
		return err
	}
	sites, err := b.db.Sites(v.ctx(), v.caller.Scope, db.Filter{}, db.Page{Limit: mostPours})
	if err != nil {
		return err
	}
	mixes, err := b.db.Mixes(v.ctx(), v.caller.Scope, db.Filter{}, db.Page{Limit: mostPours})
	if err != nil {
		return err
	}
	f.Crews, f.Plants = choices(crews, f.Value["crew_id"]), choices(plants, f.Value["plant_id"])
	for _, s := range sites.Items {
		f.Sites = append(f.Sites, choice{s.ID.String(), s.Name, s.ID.String() == f.Value["site_id"]})
	}
	for _, m := range mixes.Items {
		f.Mixes = append(f.Mixes, choice{m.ID.String(), m.Name, m.ID.String() == f.Value["mix_id"]})
	}
	for _, e := range []rules.Element{rules.SlabOnGround, rules.Footing, rules.Wall} {
		f.Elements = append(f.Elements, choice{string(e), elementWords[e], string(e) == f.Value["element"]})
	}
	for _, m := range [][2]string{{"gravel", "Gravel"}, {"sand", "Sand"}, {"silt_clay", "Silt or clay"}} {
		f.Bases = append(f.Bases, choice{m[0], m[1], m[0] == f.Value["base_material"]})
	}
	return nil
}

func (b *Board) createPour(v *visit) error {
	form, body, refused, err := b.sentForm(v)
	if err != nil {
		return err
	}
	var answer []byte
	if refused == nil {
		answer, err = b.send(v, change{method: http.MethodPost, path: "/v1/pours", body: body, once: v.FormValue("once")})
		if err != nil && !errors.As(err, &refused) {
			return err
		}
	}
	if refused != nil {
		return b.showForm(v, refused.Status, form, refused)
	}
	var made struct{ ID uuid.UUID }
	if err := json.Unmarshal(answer, &made); err != nil {
		return err
	}
	return v.Redirect(http.StatusSeeOther, "/pours/"+made.ID.String()+"?done=saved")
}

func (b *Board) updatePour(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	form, body, refused, err := b.sentForm(v)
	if err != nil {
		return err
	}
	form.ID, form.Version = id.String(), v.FormValue("version")
	if refused == nil {
		if err := b.keepUntouched(v, form, body); err != nil {
			return err
		}
		_, err = b.send(v, change{method: http.MethodPatch, path: "/v1/pours/" + id.String(), body: body, version: form.Version})
		if err != nil && !errors.As(err, &refused) {
			return err
		}
	}
	if refused != nil {
		return b.showForm(v, refused.Status, form, refused)
	}
	return v.Redirect(http.StatusSeeOther, "/pours/"+id.String()+"?done=saved")
}

// keepUntouched takes out of a change what the form shows rounded or in part, where nobody touched it.
func (b *Board) keepUntouched(v *visit, sent pourForm, body map[string]any) error {
	l, err := b.line(v)
	if err != nil {
		return err
	}
	shown := formOf(newVoice(v.firm.Units, l.Timezone), l).Value
	for _, size := range sizeFields(v.firm.Units) {
		if sent.Value[size.Name] == shown[size.Name] {
			delete(body, size.Pointer)
		}
	}
	if base, ok := body["base"].(map[string]any); ok && sent.Value["base_depth"] == shown["base_depth"] {
		delete(base, "depth_mm")
	}
	if sent.Value["blanket_r"] == shown["blanket_r"] {
		delete(body, "protection_at_hand")
	}
	return nil
}

// sentForm reads the form and turns it into the body of the API: an empty field is null, so that an edit can empty it.
func (b *Board) sentForm(v *visit) (pourForm, map[string]any, *trouble, error) {
	if !v.dispatcher() {
		return pourForm{}, nil, nil, notAllowed
	}
	sent, err := v.FormParams()
	if err != nil {
		return pourForm{}, nil, nil, &trouble{Status: http.StatusBadRequest, Text: "The form did not arrive whole.", Advice: "Send it again."}
	}
	zone := "UTC"
	if id, err := uuid.Parse(sent.Get("site_id")); err == nil {
		site, err := b.db.Site(v.ctx(), v.caller.Scope, id)
		if err != nil && !errors.Is(err, db.ErrNotFound) {
			return pourForm{}, nil, nil, err
		}
		if err == nil {
			zone = site.Timezone
		}
	}
	form := pourForm{Value: map[string]string{}}
	for name := range sent {
		form.Value[name] = strings.TrimSpace(sent.Get(name))
	}
	body, wrong := bodyOf(newVoice(v.firm.Units, zone), sent)
	if len(wrong) > 0 {
		return form, nil, &trouble{Status: http.StatusUnprocessableEntity, Text: "Some fields are not filled in rightly. Nothing was saved.", Fields: wrong}, nil
	}
	return form, body, nil, nil
}

func bodyOf(s voice, sent url.Values) (body map[string]any, wrong map[string]string) {
	body, wrong = map[string]any{"reinforced": sent.Get("reinforced") != ""}, map[string]string{}
	for _, name := range plainFields {
		if text := strings.TrimSpace(sent.Get(name)); text != "" || name == "note" {
			body[name] = text
		} else {
			wrong[name] = "is required"
		}
	}
	for _, name := range []string{"starts_at", "cancel_by"} {
		text := sent.Get(name)
		at, err := time.ParseInLocation(atFormat, text, s.zone)
		switch {
		case err == nil:
			body[name] = at.UTC().Format(time.RFC3339)
		case name == "starts_at" || text != "":
			wrong[name] = "must be a day and a time"
		default:
			body[name] = nil
		}
	}
	base := map[string]any{}
	if m := sent.Get("base_material"); m != "" {
		base["material"] = m
	}
	for _, size := range sizeFields(s.Units) {
		value, ok := number(sent.Get(size.Name))
		switch {
		case !ok:
			wrong[size.Pointer] = "must be a number"
		case size.Name == "base_depth":
			base["depth_mm"] = scaled(value, size.perUnit)
		default:
			body[size.Pointer] = scaled(value, size.perUnit)
		}
	}
	body["base"] = base
	addBlankets(s, sent.Get("blanket_r"), body, wrong)
	return body, wrong
}

func addBlankets(s voice, text string, body map[string]any, wrong map[string]string) {
	r, ok := number(text)
	switch {
	case !ok:
		wrong["blanket_r"] = "must be a number"
	case r == nil:
		body["protection_at_hand"] = nil
	default:
		perUnit := m2KWPerR
		if s.Units == rules.UnitsSI {
			perUnit = 1
		}
		body["protection_at_hand"] = []map[string]any{{"r_m2k_w": scaled(r, perUnit)}}
	}
}

// number reads a number as people write it; nil when the text is empty.
func number(text string) (value *float64, ok bool) {
	text = strings.ReplaceAll(strings.TrimSpace(text), ",", ".")
	if text == "" {
		return nil, true
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return nil, false
	}
	return &x, true
}

// scaled is a number in the API's unit, or null.
func scaled(value *float64, perUnit float64) any {
	if value == nil {
		return nil
	}
	return math.Round(*value*perUnit*1e6) / 1e6
}
