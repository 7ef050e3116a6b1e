package board

import (
	"cmp"
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"strings"

	"frostgate/db"

	"github.com/labstack/echo/v4"
)

// A column is one of the list of a kind.
type column struct {
	head string
	text func(s voice, d doc) string
}

// firmKinds are what the firm keeps once and uses in many pours.
func firmKinds() []*recordKind {
	return []*recordKind{siteKind(), mixKind(), crewKind(), supplyKind(), endpointKind(), tokenKind()}
}

// registerRecords adds the pages of each kind of record.
func (b *Board) registerRecords(e *echo.Echo) {
	e.GET("/firm", b.page(b.firmPage))
	for _, k := range firmKinds() {
		e.GET(k.at, b.page(b.listPage(k)))
		e.GET(k.at+"/new", b.page(b.newForm(k)))
		e.POST(k.at+"/new", b.page(b.createRecord(k)))
		form := k.at + "/:id"
		if k.page != nil {
			e.GET(form, b.page(k.page(b)))
			form += "/edit"
		}
		e.GET(form, b.page(b.editForm(k)))
		e.POST(form, b.page(b.updateRecord(k)))
	}
	planned := suppressionKind()
	e.GET(planned.at, b.page(b.planned))
	e.GET(planned.at+"/new", b.page(b.newForm(planned)))
	e.POST(planned.at+"/new", b.page(b.createRecord(planned)))
	e.GET(planned.at+"/:id", b.page(b.editForm(planned)))
	e.POST(planned.at+"/:id", b.page(b.updateRecord(planned)))
	settings := settingsKind()
	e.GET(settings.at, b.page(b.editForm(settings)))
	e.POST(settings.at, b.page(b.updateRecord(settings)))
	e.GET("/firm/limits", b.page(b.limits))
	e.GET("/firm/limits/:name", b.page(b.limitForm))
	e.POST("/firm/limits/:name", b.page(b.setLimit))
	e.GET("/firm/weather", b.page(b.weatherPage))
	for _, k := range append(firmKinds(), pourKind(), planned) {
		e.GET(k.at+"/:id/:put", b.page(b.askPut(k)))
		e.POST(k.at+"/:id/:put", b.page(b.put(k)))
	}
}

// firmPage leads to the kinds of records.
func (b *Board) firmPage(v *visit) error {
	return v.Redirect(http.StatusSeeOther, siteKind().at)
}

// A listPage is the records of a kind.
type listPage struct {
	Kinds      []choice // tabs; the value is an address
	Title      string
	One, Many  string
	At         string
	Text       string
	Archived   bool
	Heads      []string
	Rows       []listRow
	Next       string // address of the rest
	Filtered   bool
	CanEdit    bool
	Finds      bool // by name
	A, Lacking string
}

type listRow struct {
	ID, Name, Link string
	Cells          []fact
	Archived       bool
}

func (b *Board) listPage(k *recordKind) func(*visit) error {
	return func(v *visit) error {
		page := listPage{
			Title: capital(k.many), One: k.one, Many: k.many, At: k.at, Text: strings.TrimSpace(v.QueryParam("text")), Archived: v.QueryParam("archived") != "",
			CanEdit: v.dispatcher(), Kinds: firmTabs(v, k.at), Finds: k.archives, A: article(k.one),
			Lacking: cmp.Or(k.lacking, "Add the first; a pour needs a site, a crew, a plant and a mix."),
		}
		page.Text = string([]rune(page.Text)[:min(len([]rune(page.Text)), 100)])
		page.Filtered = page.Text != ""
		query := url.Values{"limit": {"100"}}
		if page.Archived {
			query.Set("archived", "true")
		}
		if page.Text != "" {
			query.Set("text", page.Text)
		}
		if after := v.QueryParam("after"); after != "" {
			query.Set("after", after)
		}
		found, err := b.list(v, k.path+"?"+query.Encode())
		if err != nil {
			return err
		}
		s, err := b.homeZone(v)
		if err != nil {
			return err
		}
		for _, c := range k.columns {
			page.Heads = append(page.Heads, c.head)
		}
		for _, d := range found.items {
			page.Rows = append(page.Rows, k.row(s, d, v.dispatcher()))
		}
		page.Next = nextAddress(k.at, found.next)
		return b.draw(v.Context, v, http.StatusOK, "records", frame{Title: page.Title, Nav: "firm", Done: done[v.QueryParam("done")], Page: page})
	}
}

func (k *recordKind) row(s voice, d doc, edits bool) listRow {
	r := listRow{ID: d.text("id"), Name: d.text("name"), Archived: d.at("archived_at") != nil}
	if edits {
		r.Link = k.at + "/" + r.ID
	}
	for _, c := range k.columns {
		r.Cells = append(r.Cells, fact{c.head, c.text(s, d)})
	}
	return r
}

// article goes before the name of a kind.
func article(one string) string {
	if strings.ContainsAny(one[:1], "aeiou") {
		return "an"
	}
	return "a"
}

// firmTabs are the pages of what the firm keeps.
func firmTabs(v *visit, here string) []choice {
	var tabs []choice
	for _, k := range firmKinds() {
		if k.roles == nil || v.may(k.roles...) {
			tabs = append(tabs, choice{Value: k.at, Text: capital(k.many), Chosen: k.at == here})
		}
	}
	tabs = append(tabs, choice{Value: "/firm/weather", Text: "Weather", Chosen: here == "/firm/weather"},
		choice{Value: "/firm/limits", Text: "Limits", Chosen: here == "/firm/limits"})
	if v.dispatcher() {
		tabs = append(tabs, choice{Value: "/firm/settings", Text: "Settings", Chosen: here == "/firm/settings"})
	}
	return tabs
}

// A found list is a page of one of the API's lists.
type foundList struct {
	items []doc
	next  string // path and query of the rest; empty when there is none
}

func (b *Board) list(v *visit, path string) (foundList, error) {
	answer, err := b.ask(v, change{method: http.MethodGet, path: path})
	if err != nil {
		return foundList{}, err
	}
	var body struct{ Items []doc }
	if err := json.Unmarshal(answer.body.Bytes(), &body); err != nil {
		return foundList{}, err
	}
	return foundList{items: body.Items, next: nextLink(answer.header.Get("Link"))}, nil
}

// nextLink finds the link of rel next (RFC 8288) among those that the API writes.
func nextLink(header string) string {
	for link := range strings.SplitSeq(header, ", ") {
		if target, ok := strings.CutSuffix(link, `>; rel="next"`); ok {
			return strings.TrimPrefix(target, "<")
		}
	}
	return ""
}

// nextAddress is the page of the board that shows the rest of a list.
func nextAddress(at, next string) string {
	u, err := url.Parse(next)
	if next == "" || err != nil {
		return ""
	}
	query := u.Query()
	query.Del("limit")
	return at + "?" + query.Encode()
}

// A put is what can be done to a record besides editing it, after it was asked for.
type put struct {
	word, ask, done string
	change          func(path string) change
}

func (k *recordKind) puts() map[string]put {
	all := map[string]put{"delete": {
		word: "Delete", ask: "It is taken out for good. " + k.deleting, done: "deleted",
		change: func(path string) change { return change{method: http.MethodDelete, path: path} },
	}}
	if k.archives {
		all["archive"] = put{
			word: "Archive", done: "archived", ask: "It is no longer offered in forms. Pours that use it stay as they are, and it can be brought back.",
			change: func(path string) change {
				return change{method: http.MethodPatch, path: path, body: doc{"archived": true}}
			},
		}
		all["restore"] = put{
			word: "Bring back", done: "restored", ask: "It is offered in forms again.",
			change: func(path string) change {
				return change{method: http.MethodPatch, path: path, body: doc{"archived": false}}
			},
		}
	}
	if k.removing != "" {
		all["delete"] = put{word: k.removing, ask: k.deleting, done: "revoked", change: all["delete"].change}
	}
	maps.Copy(all, k.more)
	return all
}

// A putPage asks before something is done.
type putPage struct {
	Word, Name, Ask, Version, Back string
}

func (b *Board) askPut(k *recordKind) func(*visit) error {
	return func(v *visit) error {
		if !v.dispatcher() {
			return notAllowed
		}
		stored, err := b.stored(v, k)
		if err != nil {
			return err
		}
		p, ok := k.puts()[v.Param("put")]
		if !ok {
			return db.ErrNotFound
		}
		page := putPage{Word: p.word + " " + k.one, Name: stored.text("name"), Ask: p.ask, Version: stored.version(), Back: k.at + "/" + v.Param("id")}
		if k.named != nil {
			page.Back = k.at
			if page.Name, err = k.named(b, v, stored); err != nil {
				return err
			}
		}
		return b.draw(v.Context, v, http.StatusOK, "put", frame{Title: page.Word, Nav: k.nav, Page: page})
	}
}

func (b *Board) put(k *recordKind) func(*visit) error {
	return func(v *visit) error {
		id, err := idParam(v)
		if err != nil {
			return err
		}
		p, ok := k.puts()[v.Param("put")]
		if !ok {
			return db.ErrNotFound
		}
		ch := p.change(k.path + "/" + id.String())
		ch.version = v.FormValue("version")
		if _, err := b.send(v, ch); err != nil {
			return err
		}
		if k.nav == "week" {
			return v.Redirect(http.StatusSeeOther, "/?done="+p.done)
		}
		return v.Redirect(http.StatusSeeOther, k.at+"?done="+p.done)
	}
}
