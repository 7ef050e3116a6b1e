package board

import (
	"cmp"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"

	"frostgate/api/access"

	"github.com/google/uuid"
)

// A recordKind is a kind of record that people add and edit by form. The form is made of the API's document of the
// record, and what it changes goes to the API: role, scope, values and versions are decided there.
type recordKind struct {
	path      string // of the API
	at        string // of the board's pages
	nav       string
	one, many string
	lead      string // over the form
	groups    func(b *Board, v *visit, stored doc) ([]group, error)
	voice     func(b *Board, v *visit, typed texts, stored doc) (voice, error)
	fresh     func(*Board, *visit) (texts, error)   // what a new form begins with; nil is nothing
	saved     func(*Board, *visit, doc) (to string) // where a saved record is shown
	columns   []column                              // of the list
	archives  bool
	roles     []access.Role                             // that may see the list; nil is all
	lacking   string                                    // said to dispatchers when there is none yet
	single    bool                                      // there is one of it, without an id
	page      func(*Board) func(*visit) error           // of a record, where that is not its form
	made      func(*Board, *visit, doc) error           // answers for a new record, where that is not where saved leads
	named     func(*Board, *visit, doc) (string, error) // how a record is called that has no name
	more      map[string]put                            // what can be done to a record besides the usual
	removing  string                                    // what a delete is called; empty is Delete
	deleting  string                                    // what a delete takes along
}

// A filledForm is a form with its values, to be shown.
type filledForm struct {
	id, version string
	shown       texts // as stored when the form was opened; nil of a new record
	typed       texts
	wrong       map[string]string // by name of the input
	theirs      map[string]string // what others stored meanwhile
	refused     string
	general     []string
	stored      doc
}

var notAllowed = &trouble{Status: http.StatusForbidden, Text: "Only a dispatcher may add or edit.", Advice: "Ask the dispatcher, or sign in with another token."}

func (b *Board) newForm(k *recordKind) func(*visit) error {
	return func(v *visit) error {
		if !v.dispatcher() {
			return notAllowed
		}
		form := filledForm{}
		if k.fresh != nil {
			var err error
			if form.typed, err = k.fresh(b, v); err != nil {
				return err
			}
		}
		return b.showForm(v, http.StatusOK, k, form)
	}
}

func (b *Board) editForm(k *recordKind) func(*visit) error {
	return func(v *visit) error {
		if !v.dispatcher() {
			return notAllowed
		}
		stored, err := b.stored(v, k)
		if err != nil {
			return err
		}
		groups, s, err := b.formOf(v, k, nil, stored)
		if err != nil {
			return err
		}
		shown := shownTexts(groups, s, stored)
		return b.showForm(v, http.StatusOK, k, filledForm{
			id: v.Param("id"), version: stored.version(), shown: shown, typed: shown, stored: stored,
		})
	}
}

// always begins each new form with the same.
func always(t texts) func(*Board, *visit) (texts, error) {
	return func(*Board, *visit) (texts, error) { return t, nil }
}

// stored reads the record of the address.
func (b *Board) stored(v *visit, k *recordKind) (doc, error) {
	if k.single {
		return b.read(v, k.path)
	}
	id, err := idParam(v)
	if err != nil {
		return nil, err
	}
	return b.read(v, k.path+"/"+id.String())
}

// read asks the API for a document.
func (b *Board) read(v *visit, path string) (doc, error) {
	return b.exchange(v, change{method: http.MethodGet, path: path})
}

// exchange sends a change for the document that answers it.
func (b *Board) exchange(v *visit, ch change) (doc, error) {
	answer, err := b.send(v, ch)
	if err != nil {
		return nil, err
	}
	var d doc
	return d, json.Unmarshal(answer, &d)
}

func (b *Board) formOf(v *visit, k *recordKind, typed texts, stored doc) ([]group, voice, error) {
	groups, err := k.groups(b, v, stored)
	if err != nil {
		return nil, voice{}, err
	}
	s := newVoice(v.firm.Units, "UTC")
	if k.voice != nil {
		s, err = k.voice(b, v, typed, stored)
	}
	return groups, s, err
}

func (b *Board) createRecord(k *recordKind) func(*visit) error {
	return func(v *visit) error {
		form, e, err := b.sentForm(v, k, nil)
		if err != nil {
			return err
		}
		ch := change{method: http.MethodPost, path: k.path, body: e.body, once: v.FormValue("once")}
		return b.carry(v, k, form, e, ch)
	}
}

func (b *Board) updateRecord(k *recordKind) func(*visit) error {
	return func(v *visit) error {
		stored, err := b.stored(v, k)
		if err != nil {
			return err
		}
		form, e, err := b.sentForm(v, k, stored)
		if err != nil {
			return err
		}
		form.id, form.version = v.Param("id"), v.FormValue("version")
		if form.version != stored.version() {
			return b.showConflict(v, k, form)
		}
		ch := change{method: http.MethodPatch, path: k.path, body: e.body, version: form.version}
		if !k.single {
			ch.path += "/" + form.id
		}
		return b.carry(v, k, form, e, ch)
	}
}

// sentForm reads the form and what it changes.
func (b *Board) sentForm(v *visit, k *recordKind, stored doc) (filledForm, edit, error) {
	form := filledForm{stored: stored}
	if !v.dispatcher() {
		return form, edit{}, notAllowed
	}
	sent, err := v.FormParams()
	if err != nil {
		return form, edit{}, &trouble{Status: http.StatusBadRequest, Text: "The form did not arrive whole.", Advice: "Send it again."}
	}
	groups, err := k.groups(b, v, stored)
	if err != nil {
		return form, edit{}, err
	}
	form.typed = sentTexts(groups, sent)
	s := newVoice(v.firm.Units, "UTC")
	if k.voice != nil {
		if s, err = k.voice(b, v, form.typed, stored); err != nil {
			return form, edit{}, err
		}
	}
	if stored != nil {
		var ok bool
		if form.shown, ok = unpacked(sent.Get("shown")); !ok {
			form.shown = shownTexts(groups, s, stored)
		}
	}
	e := read(groups, s, form.typed, form.shown, stored)
	form.wrong = e.wrong
	return form, e, nil
}

// carry sends what is well formed to the API, and shows what it refuses at the fields.
func (b *Board) carry(v *visit, k *recordKind, form filledForm, e edit, ch change) error {
	if len(form.wrong) > 0 {
		form.refused = notSaved
		return b.showForm(v, http.StatusUnprocessableEntity, k, form)
	}
	saved, err := b.exchange(v, ch)
	var refused *trouble
	switch {
	case errors.As(err, &refused) && refused.Status == http.StatusPreconditionFailed:
		return b.showConflict(v, k, form)
	case errors.As(err, &refused) && (len(refused.Fields) > 0 || refused.Status == http.StatusConflict):
		return b.showRefusal(v, k, form, e, refused)
	case err != nil:
		return err
	}
	if k.made != nil && form.stored == nil {
		return k.made(b, v, saved)
	}
	if k.saved != nil {
		return v.Redirect(http.StatusSeeOther, k.saved(b, v, saved))
	}
	return v.Redirect(http.StatusSeeOther, k.at+"?done=kept")
}

func (b *Board) showRefusal(v *visit, k *recordKind, form filledForm, e edit, refused *trouble) error {
	groups, s, err := b.formOf(v, k, form.typed, form.stored)
	if err != nil {
		return err
	}
	form.wrong, form.general = refusedAt(groups, s, form.typed, e, refused.Fields)
	slices.Sort(form.general)
	form.refused = notSaved
	if len(form.wrong) == 0 {
		form.refused = "Nothing was saved. " + refused.Text
	}
	return b.showForm(v, refused.Status, k, form)
}

// showConflict shows the form anew over what somebody else has stored meanwhile.
func (b *Board) showConflict(v *visit, k *recordKind, form filledForm) error {
	stored, err := b.stored(v, k)
	if err != nil {
		return err
	}
	groups, s, err := b.formOf(v, k, form.typed, stored)
	if err != nil {
		return err
	}
	now := shownTexts(groups, s, stored)
	form.typed, form.theirs = merged(form.typed, form.shown, now)
	form.shown, form.version, form.stored, form.wrong = now, stored.version(), stored, nil
	form.refused = "Somebody else saved this " + k.one + " while you had it open. Nothing of yours is saved yet. " +
		"What you changed still stands below, the rest is as they left it; look it over and save again."
	return b.showForm(v, http.StatusPreconditionFailed, k, form)
}

// A formPage is a form to be drawn.
type formPage struct {
	Title, Lead                   string
	Removing                      string
	Of                            string // of a record without a name, what it is
	IsNew                         bool
	Version, Shown                string
	Once                          string
	Groups                        []shownGroup
	Refused                       string
	General                       []string
	Back                          string
	Archives, Archived, CanRemove bool
	At                            string
	Tabs                          []choice
	Zones                         []string
}

// zones are suggestions; any IANA name is taken.
var zones = []string{
	"America/New_York", "America/Detroit", "America/Chicago", "America/Winnipeg", "America/Denver", "America/Edmonton", "America/Phoenix",
	"America/Los_Angeles", "America/Vancouver", "America/Anchorage", "America/Toronto", "America/Halifax", "America/St_Johns",
	"Europe/Dublin", "Europe/London", "Europe/Berlin", "Europe/Warsaw", "Europe/Oslo", "Europe/Stockholm", "Europe/Helsinki", "Europe/Tallinn",
	"Asia/Tokyo", "Asia/Seoul",
}

type shownGroup struct {
	Title, Hint  string
	Folded, Open bool
	Fields       []shownField
	Lists        []shownRows
}

type shownRows struct {
	Label, Hint string
	Entries     []shownEntry
}

type shownEntry struct {
	Label  string
	Fields []shownField
}

type shownField struct {
	Name, Label, Unit, Hint string
	Kind                    string
	Value, Wrong, Theirs    string
	Required, On            bool
	Options                 []choice
	For, List               string
	Blank                   string // what the empty choice stands for
}

var kindNames = map[fieldKind]string{
	asWords: "words", asParagraph: "paragraph", asFigure: "figure", asPick: "pick", asTick: "tick", asSeveral: "several", asMoment: "moment",
	asClock: "clock", asAddress: "address", asSequence: "words",
}

func (b *Board) showForm(v *visit, status int, k *recordKind, form filledForm) error {
	groups, s, err := b.formOf(v, k, form.typed, form.stored)
	if err != nil {
		return err
	}
	page := formPage{
		Title: "Add " + article(k.one) + " " + k.one, Lead: k.lead, IsNew: form.stored == nil, Version: form.version, Once: once(),
		Refused: form.refused, General: form.general, Back: k.at, Zones: zones,
	}
	if !page.IsNew {
		page.Title, page.Shown, page.At = "Edit "+k.one, packed(form.shown), k.at+"/"+form.id
		if k.named != nil {
			if page.Of, err = k.named(b, v, form.stored); err != nil {
				return err
			}
		}
		page.Archived, page.CanRemove = form.stored.at("archived_at") != nil, !k.single && k.named == nil
		if k.nav == "week" || k.page != nil {
			page.Back = page.At
		}
	}
	for _, g := range groups {
		page.Groups = append(page.Groups, form.group(g, s))
	}
	page.Archives, page.Removing = k.archives, cmp.Or(k.removing, "Delete")
	if k.single {
		page.Tabs = firmTabs(v, k.at)
	}
	return b.draw(v.Context, v, status, "form", frame{Title: page.Title, Nav: k.nav, Done: done[v.QueryParam("done")], Page: page})
}

func (form filledForm) group(g group, s voice) shownGroup {
	shown := shownGroup{Title: g.title, Hint: g.hint, Folded: g.folded}
	for _, f := range g.fields {
		shown.Fields = append(shown.Fields, form.field(fieldAt{f, f.pointer}, s))
	}
	for _, list := range g.lists {
		shown.Lists = append(shown.Lists, form.list(list, s))
	}
	for _, f := range shown.all() {
		shown.Open = shown.Open || f.Wrong != "" || f.Theirs != "" || f.Value != "" && f.Kind != "tick" || f.On
	}
	return shown
}

func (g shownGroup) all() []shownField {
	all := slices.Clone(g.Fields)
	for _, list := range g.Lists {
		for _, entry := range list.Entries {
			all = append(all, entry.Fields...)
		}
	}
	return all
}

func (form filledForm) list(list rows, s voice) shownRows {
	shown := shownRows{Label: list.label, Hint: list.hint}
	n := 0
	for i := range form.typed.entries(list) { // an entry that is left empty is taken out
		if !form.emptyEntry(list, i) || form.version != "" && i < form.stored.length(list.pointer) {
			n = i + 1
		}
	}
	for i := range n + max(list.spare, 1) {
		entry := shownEntry{Label: list.label + " " + howManyth(i)}
		for _, f := range list.fields {
			shown := form.field(fieldAt{f, list.name(i, f)}, s)
			shown.Required = false // an entry may be left empty
			entry.Fields = append(entry.Fields, shown)
		}
		shown.Entries = append(shown.Entries, entry)
	}
	return shown
}

func (form filledForm) emptyEntry(list rows, i int) bool {
	return !slices.ContainsFunc(list.fields, func(f input) bool { return form.typed[list.name(i, f)] != "" })
}

func (form filledForm) field(f fieldAt, s voice) shownField {
	value := form.typed[f.name]
	shown := shownField{
		Name: f.name, Label: f.label, Hint: f.hint, Kind: kindNames[f.kind], Value: value, Wrong: form.wrong[f.name], Required: f.required,
		Options: chosen(f.choices, value), For: f.elements, List: f.list, On: f.kind == asTick && value != "",
	}
	if f.kind == asFigure && f.measureBy == nil {
		shown.Unit = f.measure.unit(s.Units).name
	}
	if theirs, ok := form.theirs[f.name]; ok {
		shown.Theirs = f.said(theirs)
	}
	if blank, rest, ok := emptyChoice(f.hint); ok && f.kind == asPick {
		shown.Blank, shown.Hint = blank, rest
	}
	if f.kind == asSeveral {
		shown.Options = ticked(f.choices, value)
	}
	return shown
}

// emptyChoice takes out of a hint what the field stands at when it is left empty, for lists that can show that.
func emptyChoice(hint string) (blank, rest string, ok bool) {
	blank, ok = strings.CutPrefix(hint, "Empty: ")
	if !ok {
		return "", hint, false
	}
	blank, rest, _ = strings.Cut(blank, ". ")
	return capital(strings.TrimSuffix(blank, ".")), rest, true
}

// said is a value as it reads in a sentence.
func (f input) said(text string) string {
	for _, c := range f.choices {
		if c.Value == text {
			return c.Text
		}
	}
	if text == "" || f.kind == asTick {
		return map[bool]string{true: "yes", false: "nothing"}[text != ""]
	}
	return text
}

// newID reads the id of what was saved.
func newID(d doc) string {
	id, err := uuid.Parse(d.text("id"))
	if err != nil {
		return ""
	}
	return id.String()
}
