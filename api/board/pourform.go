package board

import (
	"errors"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// Elements that a size is for.
const (
	slabs         = "slab_on_ground"
	slabsAndWalls = "slab_on_ground wall"
	walls         = "wall"
	footings      = "footing"
	formed        = "footing wall"
)

var soils = []choice{{Value: "gravel", Text: "Gravel"}, {Value: "sand", Text: "Sand"}, {Value: "silt_clay", Text: "Silt or clay"}}

// pourKind is the form of a pour.
func pourKind() *recordKind {
	return &recordKind{
		path: "/v1/pours", at: "/pours", nav: "week", one: "pour", many: "pours",
		fresh:  always(texts{"element": string(rules.SlabOnGround), "base/material": "gravel", "reinforced": "on"}),
		groups: (*Board).pourGroups, voice: (*Board).pourVoice,
		saved:    func(_ *Board, _ *visit, d doc) string { return "/pours/" + newID(d) + "?done=saved" },
		deleting: "Its assessments and readings go with it. A pour that ever had an alert cannot be deleted; cancel it.",
	}
}

// pourVoice speaks the time of the site that was chosen.
func (b *Board) pourVoice(v *visit, typed texts, stored doc) (voice, error) {
	zone := "UTC"
	id, err := uuid.Parse(typed["site_id"])
	if err != nil {
		id, err = uuid.Parse(stored.text("site_id"))
	}
	if err == nil {
		site, err := b.db.Site(v.ctx(), v.caller.Scope, id)
		if err != nil && !errors.Is(err, db.ErrNotFound) {
			return voice{}, err
		}
		if err == nil {
			zone = site.Timezone
		}
	}
	return newVoice(v.firm.Units, zone), nil
}

func (b *Board) pourGroups(v *visit, stored doc) ([]group, error) {
	who, err := b.pourParties(v, stored)
	if err != nil {
		return nil, err
	}
	return []group{
		{title: "What and who", fields: who},
		{title: "When", hint: "On the clock of the site. When you move the start, the other times that you leave as they are, blankets too, move along by as much.", fields: []input{
			{pointer: "starts_at", label: "Placing starts", kind: asMoment, required: true},
			{pointer: "cancel_by", label: "Order can be cancelled until", kind: asMoment},
			{pointer: "occupied_until", label: "Crew is busy until", hint: "Empty: to the end of the crew's day.", kind: asMoment},
		}},
		{title: "Element and size", fields: []input{
			{pointer: "element", label: "Element", kind: asPick, choices: elementChoices(), required: true},
			{pointer: "thickness_mm", label: "Thickness", hint: "The least dimension: of a slab or wall its thickness, of a footing its depth.", kind: asFigure, measure: thickness, required: true},
			{pointer: "area_m2", label: "Area", hint: "Of the slab, or of one face of the wall.", kind: asFigure, measure: area, elements: slabsAndWalls},
			{pointer: "length_mm", label: "Length", kind: asFigure, measure: extent, elements: formed},
			{pointer: "width_mm", label: "Width of the footing", kind: asFigure, measure: thickness, elements: footings},
			{pointer: "height_mm", label: "Height of the wall", kind: asFigure, measure: extent, elements: walls},
			{pointer: "reinforced", label: "Reinforced", kind: asTick},
			{pointer: "volume_m3", label: "Volume as drawn", hint: "Empty: from the dimensions.", kind: asFigure, measure: volume},
			{pointer: "waste_pct", label: "Waste over the drawn volume", hint: "Empty: 7 %.", kind: asFigure, measure: percentage},
		}},
		{title: "Ground and forms", fields: []input{
			{pointer: "base/material", label: "Base under it", kind: asPick, choices: soils},
			{pointer: "base/depth_mm", label: "Depth of the base", kind: asFigure, measure: thickness},
			{pointer: "foam_mm", label: "Foam under or against it", kind: asFigure, measure: thickness},
			{pointer: "vapour_retarder", label: "Vapor retarder under the slab", kind: asTick, elements: slabs},
			{pointer: "form_r_m2k_w", label: "Forms, insulation", hint: "Empty: plywood.", kind: asFigure, measure: resistance, elements: formed},
		}},
		{title: "Protection", fields: []input{
			{pointer: "windbreak", label: "Windbreak up", kind: asTick},
			{pointer: "lights", label: "The site is lit after dusk", kind: asTick},
		}, lists: []rows{atHand, planned}},
		{title: "Ground before placing", hint: "Covers and heat on the base until the concrete comes, and what was measured in it.", folded: true, fields: []input{
			{pointer: "base/moisture_pct", label: "Moisture of the base, by dry mass", kind: asFigure, measure: percentage},
			{pointer: "base/subgrade", label: "Subgrade below the base", kind: asPick, choices: soils},
			{pointer: "base/turf", label: "Grass or thatch on it until placing", kind: asTick},
		}, lists: []rows{groundCover, profile}},
		{title: "Concrete and codes", folded: true, fields: []input{
			{pointer: "placed_temp_c", label: "Concrete as placed", hint: "Empty: what the plant can deliver.", kind: asFigure, measure: degree},
			{pointer: "haul_min", label: "Haul to this site", hint: "Empty: the plant's usual haul.", kind: asFigure, measure: minutes},
			{pointer: "service_category", label: "Service category (ACI 306R)", hint: "Empty: 2.", kind: asPick, raw: true, choices: []choice{
				{Value: "1", Text: "1: no load, no exposure"}, {Value: "2", Text: "2: no load, exposed"}, {Value: "3", Text: "3: partial load, exposed"}, {Value: "4", Text: "4: full load"},
			}},
			{pointer: "exposure", label: "Chloride exposure (ACI 318-19)", hint: "Empty: C1 when reinforced.", kind: asPick, choices: []choice{
				{Value: "C0", Text: "C0: dry"}, {Value: "C1", Text: "C1: moist"}, {Value: "C2", Text: "C2: chlorides from outside"}, {Value: "prestressed", Text: "Prestressed"},
			}},
		}},
	}, nil
}

var atHand = rows{pointer: "protection_at_hand", label: "Blankets at hand", hint: "What could be laid if it is needed. The R-value of one layer stands on the label.", fields: []input{
	{pointer: "name", label: "Name", kind: asWords},
	{pointer: "r_m2k_w", label: "Insulation", kind: asFigure, measure: resistance, required: true},
	{pointer: "area_m2", label: "Area, all layers", hint: "Empty: enough.", kind: asFigure, measure: area},
	{pointer: "max_layers", label: "Most layers", hint: "Empty: 2.", kind: asFigure, measure: howMany},
}}

var planned = rows{pointer: "protection", label: "Blankets planned", hint: "What will lie on the concrete in any case.", fields: []input{
	{pointer: "r_m2k_w", label: "Insulation", kind: asFigure, measure: resistance, required: true},
	{pointer: "on_at", label: "On at", kind: asMoment, required: true},
	{pointer: "off_at", label: "Off at", hint: "Empty: stays on.", kind: asMoment},
}}

var groundCover = rows{pointer: "ground_cover", label: "Cover on the base", fields: []input{
	{pointer: "kind", label: "Kind", kind: asPick, required: true, choices: []choice{
		{Value: "blanket", Text: "Blankets"}, {Value: "heated", Text: "Heated mats or hoses"}, {Value: "straw", Text: "Straw"},
	}},
	{pointer: "r_m2k_w", label: "Insulation", kind: asFigure, measure: resistance},
	{pointer: "heat_w_m2", label: "Heat", kind: asFigure, measure: heatFlow},
	{pointer: "on_at", label: "On at", kind: asMoment, required: true},
	{pointer: "off_at", label: "Off at", hint: "Empty: until placing.", kind: asMoment},
}}

var profile = rows{pointer: "base/temps_c", label: "Temperature in the ground", hint: "Measured, the shallowest first. Empty: computed from the weather.", fields: []input{
	{pointer: "depth_mm", label: "Depth", kind: asFigure, measure: thickness, required: true},
	{pointer: "temp_c", label: "Temperature", kind: asFigure, measure: degree, required: true},
}}

// pourParties are the fields of what a pour refers to. What is archived is offered only where it is chosen already.
func (b *Board) pourParties(v *visit, stored doc) ([]input, error) {
	fields := []input{{pointer: "name", label: "Name", kind: asWords, required: true}}
	for _, of := range []struct{ pointer, label, path string }{
		{"site_id", "Site", "/v1/sites"}, {"crew_id", "Crew", "/v1/crews"}, {"plant_id", "Plant", "/v1/plants"}, {"mix_id", "Mix", "/v1/mixes"},
	} {
		choices, err := b.records(v, of.path, stored.text(of.pointer))
		if err != nil {
			return nil, err
		}
		fields = append(fields, input{pointer: of.pointer, label: of.label, kind: asPick, required: true, choices: choices})
	}
	return append(fields, input{pointer: "note", label: "Note", kind: asParagraph}), nil
}

// scopeChoices are the crews and plants that something can be narrowed to.
func (b *Board) scopeChoices(v *visit) (crews, plants []choice, err error) {
	if crews, err = b.records(v, "/v1/crews", ""); err != nil {
		return nil, nil, err
	}
	plants, err = b.records(v, "/v1/plants", "")
	return crews, plants, err
}

// records are the choices among the records of a kind.
func (b *Board) records(v *visit, path, kept string) ([]choice, error) {
	var all []choice
	for next := path + "?limit=200"; next != ""; {
		page, err := b.list(v, next)
		if err != nil {
			return nil, err
		}
		for _, d := range page.items {
			all = append(all, choice{Value: d.text("id"), Text: d.text("name")})
		}
		next = page.next
	}
	if kept == "" || hasChoice(all, kept) {
		return all, nil
	}
	d, err := b.read(v, path+"/"+kept)
	if err != nil {
		return nil, err
	}
	return append(all, choice{Value: kept, Text: d.text("name") + " (archived)"}), nil
}

func hasChoice(choices []choice, value string) bool {
	for _, c := range choices {
		if c.Value == value {
			return true
		}
	}
	return false
}
