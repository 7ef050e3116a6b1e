package board

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A pourPage is all that is known of one pour.
type pourPage struct {
	Pour     db.PourLine
	Card     card
	Day      string
	Mix      string
	Headline string
	Assessed string
	Unscored string

	Findings []findingRow
	Facts    []fact
	Charts   []*chart
	Windows  *windowGrid
	History  []historyRow
	Alerts   []alertRow
	Holding  []suppressionRow // planned suppressions of its alerts
	Cautions []string
	Assumed  []fact
	Changed  []fact // limits that the firm set otherwise
	Engine   string

	Observed []observedRow
	Form     observeForm
	CanEnter bool
	Steps    []step
	Moves    []choice
	CanEdit  bool
	Once     string
}

type fact struct{ Name, Value string }

// A findingRow is a finding in words.
type findingRow struct {
	Effect   rules.Effect
	Word     string
	Title    string
	Sentence string
	Chance   string
	First    string
	Source   string
	Remedies []string
	Fits     bool // the remedy was computed again and passes
}

type historyRow struct {
	At, Cause, Reason, Chance string
	Verdict                   rules.Verdict
	News                      bool
}

type observedRow struct{ At, What, Who, Note string }

// A step is something that a dispatcher can say of a pour.
type step struct{ Name, Word, Ask string }

var steps = map[db.PourState][]step{
	db.Planned: {
		{"place", "Mark as placed", "Concrete is in? From here on the pour is followed until its protection may come off."},
		{"cancel", "Cancel pour", "Cancel this pour? Its alerts clear and calendars show it as cancelled. The ready-mix order has to be cancelled with the plant."},
	},
	db.Placed: {
		{"release", "Mark protection as off", "Is all protection off? Nothing more is watched or said of this pour."},
		{"reopen", "Not placed after all", "Take the last step back?"},
	},
	db.Released:  {{"reopen", "Protection is still on", "Take the last step back?"}},
	db.Cancelled: {{"reopen", "Plan it again", "Take the last step back?"}},
}

// line finds a pour with the names of what it uses.
func (b *Board) line(v *visit) (db.PourLine, error) {
	id, err := idParam(v)
	if err != nil {
		return db.PourLine{}, err
	}
	found, err := b.db.Pours(v.ctx(), v.caller.Scope, db.PourFilter{IDs: []uuid.UUID{id}}, db.Page{Limit: 1})
	if err != nil {
		return db.PourLine{}, err
	}
	if len(found.Items) == 0 {
		return db.PourLine{}, db.ErrNotFound
	}
	return found.Items[0], nil
}

func (b *Board) pour(v *visit) error {
	return b.showPour(v, observeForm{}, nil)
}

func (b *Board) showPour(v *visit, form observeForm, refused *trouble) error {
	l, err := b.line(v)
	if err != nil {
		return err
	}
	s := newVoice(v.firm.Units, l.Timezone)
	page := pourPage{
		Pour: l, Card: newCard(v, l, nil), Day: s.day(&l.StartsAt), Mix: l.MixName, Once: once(),
		CanEnter: v.onSite(), CanEdit: v.dispatcher(), Form: form.ready(s, v.now, refused),
	}
	if v.dispatcher() {
		page.Steps = steps[l.State]
	}
	if err := b.addAssessment(v, s, &page); err != nil {
		return err
	}
	if err := b.addHistory(v, s, &page); err != nil {
		return err
	}
	status := http.StatusOK
	if refused != nil {
		status = refused.Status
	}
	return b.draw(v.Context, v, status, "pour", frame{Title: l.Name, Nav: "week", Live: true, Done: done[v.QueryParam("done")], Page: page})
}

// addAssessment puts the stored assessment on the page; a pour without one says what it waits for.
func (b *Board) addAssessment(v *visit, s voice, page *pourPage) error {
	stored, err := b.db.LatestAssessment(v.ctx(), v.caller.Scope, page.Pour.ID)
	if errors.Is(err, db.ErrNotFound) {
		page.Headline = page.Card.Reason
		return nil
	}
	if err != nil {
		return err
	}
	a, err := stored.Decode()
	if err != nil {
		return err
	}
	page.Headline, page.Engine = withoutVerdict(a.Verdict, a.Headline), a.Engine
	if !strings.Contains(a.Headline, a.Unscored) {
		page.Unscored = a.Unscored
	}
	if page.Pour.AssessedAt != nil {
		page.Assessed = ago(v.now, *page.Pour.AssessedAt)
	}
	page.Findings = findingRows(s, a.Findings)
	page.Facts, page.Cautions = factsOf(s, &a, page.Pour), a.Cautions
	if a.Unscored == "" {
		for _, c := range []*chart{dayChart(s, &a), temperatureChart(s, &a), strengthChart(s, &a)} {
			if c != nil {
				page.Charts = append(page.Charts, c)
			}
		}
	}
	if page.Pour.State == db.Planned {
		page.Windows = newWindowGrid(s, a.Windows, page.Pour.StartsAt)
	}
	if page.CanEdit && page.Pour.State == db.Planned {
		page.Moves = movesOf(s, a.Windows, page.Pour.StartsAt, v.now)
	}
	for _, x := range a.Assumed {
		page.Assumed = append(page.Assumed, assumedWords(s, x.Pointer, x.Value, x.Reason))
	}
	for _, x := range a.Overrides {
		page.Changed = append(page.Changed, fact{x.Limit, strconv.FormatFloat(x.Value, 'g', 6, 64) + ". " + x.Reason})
	}
	return nil
}

// assumedSuffixes are the units that names of the engine end in.
var assumedSuffixes = []struct {
	suffix string
	say    func(s voice, x float64) string
}{
	{"_m3_h", func(s voice, x float64) string { return s.Volume(x) + " an hour" }},
	{"_m2k_w", func(s voice, x float64) string { return s.RValue(x) }},
	{"_pct", func(_ voice, x float64) string { return strconv.FormatFloat(x, 'g', 4, 64) + " %" }},
	{"_min", func(_ voice, x float64) string { return rules.Duration(x / 60) }},
	{"_mm", func(s voice, x float64) string { return s.Length(x) }},
	{"_m3", func(s voice, x float64) string { return s.Volume(x) }},
	{"_m", func(s voice, x float64) string { return elevation.said(s, x) }},
	{"_c", func(s voice, x float64) string { return s.Temp(x) }},
}

// assumedWords is a default in words: "plant, water max" and "160 °F. Hot water as plants have it".
func assumedWords(s voice, pointer string, value any, reason string) fact {
	path := strings.Split(strings.TrimPrefix(strings.TrimPrefix(pointer, "/"), "pour/"), "/")
	last := &path[len(path)-1]
	said := fmt.Sprint(value)
	switch x := value.(type) {
	case float64:
		for _, u := range assumedSuffixes {
			if name, found := strings.CutSuffix(*last, u.suffix); found {
				*last, said = name, u.say(s, x)
				break
			}
		}
	case bool:
		said = map[bool]string{true: "yes", false: "no"}[x]
	case string:
		said = strings.ReplaceAll(x, "_", " ")
		if at, err := time.Parse(time.RFC3339, x); err == nil {
			said = s.day(&at)
		}
	}
	return fact{capital(strings.ReplaceAll(strings.Join(path, ", "), "_", " ")), stop(said) + " " + capital(reason) + "."}
}

var effectWords = map[rules.Effect]string{rules.Note: "Note", rules.EffectProtect: "Protect", rules.EffectMove: "Move"}

var weight = map[rules.Effect]int{rules.EffectMove: 0, rules.EffectProtect: 1, rules.Note: 2}

func findingRows(s voice, findings []rules.Finding) []findingRow {
	rows := make([]findingRow, 0, len(findings))
	for _, f := range findings {
		row := findingRow{
			Effect: f.Effect, Word: effectWords[f.Effect], Title: f.Title, Sentence: f.Sentence, Chance: percent(f.Probability), Source: sourceWords(f.Source),
		}
		if f.FirstAt != nil {
			row.First = s.clock(f.FirstAt)
		}
		if r := f.Remedy; r != nil {
			row.Fits = r.Passes
			row.Remedies = remedyWords(s, r)
			if f.Effect == rules.EffectMove && r.AtHand && r.Passes {
				row.Word = "Move unless"
			}
		}
		rows = append(rows, row)
	}
	slices.SortStableFunc(rows, func(a, b findingRow) int { return weight[a.Effect] - weight[b.Effect] })
	return rows
}

func remedyWords(s voice, r *rules.Remedy) []string {
	parts := r.Steps
	if len(parts) == 0 {
		parts = []rules.Remedy{*r}
	}
	words := make([]string, len(parts))
	for i, p := range parts {
		words[i] = p.Sentence
		if p.By != nil && !strings.Contains(p.Sentence, s.clock(p.By)) {
			words[i] = "By " + s.clock(p.By) + ": " + p.Sentence
		}
	}
	return words
}

func sourceWords(s rules.Source) string {
	words := map[string]string{"second-hand": "second-hand", "memory": "from memory", "practice": "common practice"}
	if w := words[s.Standing]; w != "" && s.Document != "" && !strings.HasPrefix(s.Document, w) {
		return s.Document + " (" + w + ")"
	}
	return s.Document
}

// factsOf are the numbers that people order and act by.
func factsOf(s voice, a *rules.Assessment, l db.PourLine) []fact {
	var facts []fact
	add := func(name, value string) {
		if value != "" && value != dash {
			facts = append(facts, fact{name, value})
		}
	}
	if l.CancelBy != nil && l.State == db.Planned {
		add("Order can be cancelled until", s.clock(l.CancelBy))
	}
	t := courseOf(a)
	if b := t.batch; b != nil {
		add("Order", s.Volume(b.OrderM3)+trucks(b))
		add("Concrete as placed", s.Temp(b.PlacedTempC)+" (at least "+s.Temp(b.PlacingMinC)+")")
		add("Mix water", waterWords(s, b))
		for _, d := range b.Accelerators {
			add(admixtureWord(d.Kind), doseWords(s, d))
		}
	}
	if g := a.Ground; g != nil {
		add("Base at the start", s.Temp(g.SurfaceC)+", "+strings.ReplaceAll(g.State, "_", " "))
		if g.FrostDepthMM > 0 {
			add("Frost in the base", s.Length(g.FrostDepthMM))
		}
	}
	add("Finishing", rangeWords(s, t.FinishingStartsAt, t.FinishingEndsAt))
	add("Dusk", s.clock(t.DuskAt))
	if p := a.Protection; p != nil && p.Layers > 0 {
		add("Blankets", protectionWords(s, p))
	}
	add(s.Stress(t.firstMPa)+" everywhere", s.clock(t.CriticalStrengthAt))
	add("Saw cut", rangeWords(s, t.SawcutFromAt, t.SawcutUntilAt))
	add("Protect at least to", s.clock(t.ProtectUntilAt))
	if c := a.Chance; c != nil {
		add("Chance that it freezes early", rules.Percent(c.FreezesEarly))
		add("Chance of a frozen base", rules.Percent(c.BaseFrozen))
		add("Chance of finishing after dusk", rules.Percent(c.FinishAfterDusk))
	}
	if c := t.chance; c != nil && t.bare != nil {
		add("Freezes early, with what is asked for", rules.Percent(c.FreezesEarly))
		add("After dusk, with what is asked for", rules.Percent(c.FinishAfterDusk))
	}
	return facts
}

func trucks(b *rules.Batch) string {
	if b.Trucks < 2 {
		return ""
	}
	return fmt.Sprintf(" in %d trucks, one each %.0f minutes", b.Trucks, b.TruckSpacingMin)
}

func waterWords(s voice, b *rules.Batch) string {
	switch {
	case b.WaterTempC == nil:
		return "no heating needed"
	case b.WaterCapped:
		return s.Temp(*b.WaterTempC) + " needed, more than can be had"
	}
	return s.Temp(*b.WaterTempC)
}

func admixtureWord(kind string) string {
	text := strings.ReplaceAll(kind, "_", " ")
	if text == "nonchloride accelerator" {
		text = "non-chloride accelerator"
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func doseWords(s voice, d rules.Dose) string {
	text := strconv.FormatFloat(d.DosePct, 'g', 3, 64) + " % of cement, " + s.Mass(d.MassKg)
	if d.Bags != nil {
		text += fmt.Sprintf(", %d bags of 50 lb (22.7 kg)", *d.Bags)
	}
	if d.Litres != nil {
		text += ", " + s.Liquid(*d.Litres)
	}
	return text
}

func protectionWords(s voice, p *rules.ProtectionPlan) string {
	text := s.RValue(p.RM2KW)
	if p.Layers > 1 {
		text += fmt.Sprintf(" in %d layers", p.Layers)
	}
	if p.OnAt != nil {
		text += ", on " + s.clock(p.OnAt)
	}
	if p.OffAt != nil {
		text += ", off " + s.clock(p.OffAt)
	}
	if p.DoubleEdges {
		text += ", edges doubled"
	}
	return text
}

func rangeWords(s voice, from, until *time.Time) string {
	if from == nil {
		return ""
	}
	if until == nil {
		return "from " + s.clock(from)
	}
	first, last := s.clock(from), s.clock(until)
	if first == last {
		return first
	}
	return first + " to " + last
}

// A windowGrid is the starts of the coming week: a row for each day, a column for each hour.
type windowGrid struct {
	Hours []string
	Days  []windowDay
}

type windowDay struct {
	Name  string
	Cells []windowCell
}

type windowCell struct {
	Verdict rules.Verdict // empty: no start there
	Title   string
	Here    bool // the start that is planned
}

func newWindowGrid(s voice, windows []rules.Window, planned time.Time) *windowGrid {
	if len(windows) == 0 {
		return nil
	}
	first, last := 23, 0
	for _, w := range windows {
		h := w.StartsAt.In(s.zone).Hour()
		first, last = min(first, h), max(last, h)
	}
	g := &windowGrid{}
	for h := first; h <= last; h++ {
		g.Hours = append(g.Hours, axisHour(s, time.Date(2026, 1, 5, h, 0, 0, 0, s.zone)))
	}
	for _, w := range windows {
		local := w.StartsAt.In(s.zone)
		name := local.Format("Mon 2")
		i := slices.IndexFunc(g.Days, func(d windowDay) bool { return d.Name == name })
		if i < 0 {
			i = len(g.Days)
			g.Days = append(g.Days, windowDay{Name: name, Cells: make([]windowCell, last-first+1)})
		}
		g.Days[i].Cells[local.Hour()-first] = windowCell{
			Verdict: w.Verdict, Title: s.clock(&w.StartsAt) + ": " + verdictWord(w.Verdict), Here: w.StartsAt.Equal(planned.Truncate(time.Hour)),
		}
	}
	return g
}

// movesOf are the starts to which a pour can sensibly move, the best first.
func movesOf(s voice, windows []rules.Window, present, now time.Time) []choice {
	fit := slices.DeleteFunc(slices.Clone(windows), func(w rules.Window) bool {
		return !w.StartsAt.After(now) || w.StartsAt.Equal(present) || w.Verdict != rules.Place && w.Verdict != rules.Protect
	})
	var moves []choice
	for _, w := range fit {
		moves = append(moves, choice{Value: w.StartsAt.UTC().Format(time.RFC3339), Text: s.day(&w.StartsAt) + ": " + strings.ToLower(verdictWord(w.Verdict))})
	}
	return moves
}

var causeWords = map[string]string{"weather": "New weather", "edit": "Edited", "observation": "Seen on site", "clock": "Time of day"}

func (b *Board) addHistory(v *visit, s voice, page *pourPage) error {
	history, err := b.db.Assessments(v.ctx(), v.caller.Scope, page.Pour.ID, db.Page{Limit: 30})
	if err != nil {
		return err
	}
	for _, a := range history.Items {
		cause := causeWords[a.Cause]
		if cause == "" {
			cause = a.Cause
		}
		page.History = append(page.History, historyRow{
			At: s.day(&a.At), Cause: cause, Verdict: a.Verdict, Reason: a.WorstReason, Chance: percent(a.WorstProbability), News: a.News,
		})
	}
	alerts, err := b.db.Alerts(v.ctx(), v.caller.Scope, db.AlertFilter{PourIDs: []uuid.UUID{page.Pour.ID}, Conditions: inForce}, db.Page{Limit: 50})
	if err != nil {
		return err
	}
	if page.Pour.State == db.Planned || page.Pour.State == db.Placed {
		if page.Holding, err = b.holding(v, &page.Pour); err != nil {
			return err
		}
	}
	page.Alerts = alertRows(v, alerts.Items, s, "/pours/"+page.Pour.ID.String())
	for i := range page.Alerts {
		page.Alerts[i].PourID, page.Alerts[i].About = nil, "" // the page says it
	}
	seen, err := b.db.Observations(v.ctx(), v.caller.Scope, db.ObservationFilter{PourID: page.Pour.ID}, db.Page{Limit: 200})
	if err != nil {
		return err
	}
	for _, o := range seen.Items {
		page.Observed = append(page.Observed, observedRow{At: s.clock(&o.At), What: observationWords(s, o), Who: o.Who, Note: o.Note})
	}
	return nil
}

// confirm asks before a step is taken, so that no slip of a thumb cancels a pour.
func (b *Board) confirm(v *visit) error {
	l, err := b.line(v)
	if err != nil {
		return err
	}
	page, err := confirmation(v, l)
	if err != nil {
		return err
	}
	return b.show(v, "confirm", "week", page.Word, page)
}

type confirmPage struct {
	Pour      db.PourLine
	Word, Ask string
	To        string // of a move
	Once      string
}

func confirmation(v *visit, l db.PourLine) (confirmPage, error) {
	page := confirmPage{Pour: l, Once: once()}
	if v.Param("step") == "move" {
		to, err := time.Parse(time.RFC3339, v.QueryParam("to"))
		if err != nil {
			return page, &trouble{Status: http.StatusBadRequest, Text: "No new start was chosen.", Advice: "Go back and choose one."}
		}
		s := newVoice(v.firm.Units, l.Timezone)
		page.Word, page.To = "Move pour", to.UTC().Format(time.RFC3339)
		page.Ask = fmt.Sprintf("Move it from %s to %s? Crew time, cancel-by and blankets move along. The order has to be changed with the plant.", s.day(&l.StartsAt), s.day(&to))
		return page, nil
	}
	for _, s := range steps[l.State] {
		if s.Name == v.Param("step") {
			page.Word, page.Ask = s.Word, s.Ask
			return page, nil
		}
	}
	return page, db.ErrNotFound
}

// take takes a step that was confirmed.
func (b *Board) take(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	name, path := v.Param("step"), "/v1/pours/"+id.String()
	ch := change{method: http.MethodPost, path: path + "/" + name, body: struct{}{}, version: v.FormValue("version"), once: v.FormValue("once")}
	result := name
	switch name {
	case "move":
		ch, result = change{method: http.MethodPatch, path: path, body: map[string]string{"starts_at": v.FormValue("to")}, version: v.FormValue("version")}, "moved"
	case "place", "release", "cancel", "reopen":
	default:
		return db.ErrNotFound
	}
	if _, err := b.send(v, ch); err != nil {
		return err
	}
	return v.Redirect(http.StatusSeeOther, "/pours/"+id.String()+"?done="+result)
}
