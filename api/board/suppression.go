package board

import (
	"errors"
	"net/http"
	"slices"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// suppressionKind is a time in which alerts are kept and told to nobody.
func suppressionKind() *recordKind {
	return &recordKind{
		path: "/v1/suppressions", at: "/alerts/planned", nav: "alerts", one: "planned suppression", many: "planned suppressions",
		lead: "For a time in which you know better: a yard that is shut, a storm that everybody is on already. Alerts are judged and kept all along, " +
			"and each says that it was not told for this. What is still in force at the end is told then.",
		fresh: (*Board).freshSuppression, groups: (*Board).suppressionGroups, voice: (*Board).suppressionVoice, named: (*Board).suppressed,
		saved:    func(*Board, *visit, doc) string { return "/alerts/planned?done=planned" },
		deleting: "It has not begun, so nothing was kept back by it.",
		more: map[string]put{"end": {
			word: "End", ask: "Alerts are told again from now on, and what is still in force is told once.", done: "ended",
			change: func(path string) change { return change{method: http.MethodPost, path: path + "/end"} },
		}},
	}
}

// A subject is what a suppression is of: at most one of the three is named, none is the whole firm.
type subject struct{ site, crew, pour *uuid.UUID }

func subjectOf(at func(pointer string) string) subject {
	id := func(pointer string) *uuid.UUID {
		if id, err := uuid.Parse(at(pointer)); err == nil {
			return &id
		}
		return nil
	}
	return subject{id("site_id"), id("crew_id"), id("pour_id")}
}

// called is the subject by its name, and the zone of its place. What the caller may not see has no name.
func (b *Board) called(v *visit, of subject) (name string, zone string, err error) {
	switch {
	case of.pour != nil:
		found, err := b.db.Pours(v.ctx(), v.caller.Scope, db.PourFilter{IDs: []uuid.UUID{*of.pour}}, db.Page{Limit: 1})
		if err != nil || len(found.Items) == 0 {
			return "A pour", "", err
		}
		return "Pour " + apart(found.Items[0].Name), found.Items[0].Timezone, nil
	case of.site != nil:
		site, err := b.db.Site(v.ctx(), v.caller.Scope, *of.site)
		if errors.Is(err, db.ErrNotFound) {
			return "A site", "", nil
		}
		return "Site " + apart(site.Name), site.Timezone, err
	case of.crew != nil:
		crew, err := b.db.Crew(v.ctx(), v.caller.Scope, *of.crew)
		if errors.Is(err, db.ErrNotFound) {
			return "A crew", "", nil
		}
		return "Crew " + apart(crew.Name), "", err
	}
	return "The whole firm", "", nil
}

// voiceAt speaks the time of the subject's place, or of the firm's first site.
func (b *Board) voiceAt(v *visit, of subject) (voice, error) {
	_, zone, err := b.called(v, of)
	if err != nil || zone == "" {
		home, homeErr := b.homeZone(v)
		return home, errors.Join(err, homeErr)
	}
	return newVoice(v.firm.Units, zone), nil
}

func (b *Board) suppressionVoice(v *visit, typed texts, stored doc) (voice, error) {
	if stored != nil {
		return b.voiceAt(v, subjectOf(stored.text))
	}
	return b.voiceAt(v, subjectOf(func(pointer string) string { return typed[pointer] }))
}

func (b *Board) suppressed(v *visit, d doc) (string, error) {
	name, _, err := b.called(v, subjectOf(d.text))
	return name, err
}

// freshSuppression is from now until tomorrow at six, of what the address names.
func (b *Board) freshSuppression(v *visit) (texts, error) {
	fresh := texts{"pour_id": v.QueryParam("pour"), "site_id": v.QueryParam("site"), "crew_id": v.QueryParam("crew")}
	s, err := b.suppressionVoice(v, fresh, nil)
	local := v.now.In(s.zone)
	fresh["starts_at"] = local.Format(atFormat)
	fresh["ends_at"] = time.Date(local.Year(), local.Month(), local.Day()+1, 6, 0, 0, 0, s.zone).Format(atFormat)
	return fresh, err
}

func (b *Board) suppressionGroups(v *visit, stored doc) ([]group, error) {
	var groups []group
	if stored == nil {
		of, err := b.subjects(v)
		if err != nil {
			return nil, err
		}
		groups = append(groups, group{title: "Whose alerts", hint: "Choose one of the three. Nothing chosen is the whole firm, its weather sources too.", fields: of})
	}
	s, err := b.suppressionVoice(v, nil, stored)
	if err != nil {
		return nil, err
	}
	zone := "On the clock of the site or pour that is chosen, else of " + s.zone.String() + "."
	if stored != nil {
		zone = "On the clock of " + s.zone.String() + "."
	}
	return append(groups,
		group{title: "When", hint: zone + " 92 days at most.", fields: []input{
			{pointer: "starts_at", label: "From", kind: asMoment, required: true},
			{pointer: "ends_at", label: "Until", kind: asMoment, required: true},
		}},
		group{title: "Why", fields: []input{
			{pointer: "reason", label: "Reason", hint: "Everybody on the board sees it.", kind: asParagraph, required: true},
			{pointer: "critical_too", label: "Hold back what is critical, too", kind: asTick},
		}}), nil
}

// subjects are the fields of what a suppression can be of.
func (b *Board) subjects(v *visit) ([]input, error) {
	sites, err := b.records(v, "/v1/sites", "")
	if err != nil {
		return nil, err
	}
	crews, err := b.records(v, "/v1/crews", "")
	if err != nil {
		return nil, err
	}
	found, err := b.db.Pours(v.ctx(), v.caller.Scope, db.PourFilter{States: []db.PourState{db.Planned, db.Placed}}, db.Page{Limit: mostPours})
	if err != nil {
		return nil, err
	}
	pours := make([]choice, len(found.Items))
	for i, l := range found.Items {
		s := newVoice(v.firm.Units, l.Timezone)
		pours[i] = choice{Value: l.ID.String(), Text: apart(l.Name) + ", " + s.day(&l.StartsAt)}
	}
	return []input{
		{pointer: "site_id", label: "Of the pours of a site", hint: "Empty: none.", kind: asPick, choices: sites},
		{pointer: "crew_id", label: "Of the pours of a crew", hint: "Empty: none.", kind: asPick, choices: crews},
		{pointer: "pour_id", label: "Of one pour", hint: "Empty: none.", kind: asPick, choices: pours},
	}, nil
}

// A suppressionRow is a planned suppression in words.
type suppressionRow struct {
	ID                        uuid.UUID
	What, From, Until, Reason string
	By                        string
	Critical, Active, Begun   bool
}

// A plannedPage is the planned suppressions: those that hold or are to come, and those that are over.
type plannedPage struct {
	Tabs    []choice
	Ahead   []suppressionRow
	Over    []suppressionRow
	CanEdit bool
}

func (b *Board) planned(v *visit) error {
	found, err := b.db.Suppressions(v.ctx(), v.caller.Scope, db.SuppressionFilter{}, db.Page{Limit: 200})
	if err != nil {
		return err
	}
	page := plannedPage{Tabs: alertTabs("/alerts/planned"), CanEdit: v.dispatcher()}
	for _, w := range found.Items {
		row, err := b.suppressionRow(v, w)
		if err != nil {
			return err
		}
		if w.EndsAt.After(v.now) {
			page.Ahead = append(page.Ahead, row)
		} else {
			page.Over = append(page.Over, row)
		}
	}
	slices.Reverse(page.Ahead) // the next first
	return b.show(v, "planned", "alerts", "Planned suppressions", page)
}

func (b *Board) suppressionRow(v *visit, w db.Suppression) (suppressionRow, error) {
	of := subject{w.SiteID, w.CrewID, w.PourID}
	name, _, err := b.called(v, of)
	if err != nil {
		return suppressionRow{}, err
	}
	s, err := b.voiceAt(v, of)
	begun := !w.StartsAt.After(v.now)
	return suppressionRow{
		ID: w.ID, What: name, From: s.day(&w.StartsAt), Until: s.day(&w.EndsAt), Reason: w.Reason, By: w.MadeBy,
		Critical: w.CriticalToo, Begun: begun, Active: begun && w.EndsAt.After(v.now),
	}, err
}

// holding are the planned suppressions that hold now; of a pour only those that are of it.
func (b *Board) holding(v *visit, l *db.PourLine) ([]suppressionRow, error) {
	found, err := b.db.Suppressions(v.ctx(), v.caller.Scope, db.SuppressionFilter{EndsAfter: v.now, StartsBefore: v.now}, db.Page{Limit: 50})
	if err != nil {
		return nil, err
	}
	var rows []suppressionRow
	for _, w := range found.Items {
		if l != nil && !covers(w, *l) {
			continue
		}
		row, err := b.suppressionRow(v, w)
		if err != nil {
			return nil, err
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// covers tells that a suppression is of a pour.
func covers(w db.Suppression, l db.PourLine) bool {
	switch {
	case w.PourID != nil:
		return *w.PourID == l.ID
	case w.SiteID != nil:
		return *w.SiteID == l.SiteID
	case w.CrewID != nil:
		return *w.CrewID == l.CrewID
	}
	return true
}

// alertTabs are the pages of alerts.
func alertTabs(here string) []choice {
	return []choice{
		{Value: "/alerts", Text: "In force", Chosen: here == "/alerts"},
		{Value: "/alerts/planned", Text: "Planned suppressions", Chosen: here == "/alerts/planned"},
	}
}
