package board

import (
	"encoding/json"
	"maps"
	"net/url"
	"strconv"
	"strings"
)

// texts are what the fields of a form show or were sent with, by the name of the input.
type texts map[string]string

// A fieldAt is a field in its place: one of a list has the number of its entry in the name.
type fieldAt struct {
	input
	name string
}

// fields are all fields of a form, with as many entries of each list as there are in the document or were sent.
func fieldsOf(groups []group, entries func(rows) int) []fieldAt {
	var all []fieldAt
	for _, g := range groups {
		for _, f := range g.fields {
			all = append(all, fieldAt{f, f.pointer})
		}
		for _, list := range g.lists {
			for i := range entries(list) {
				for _, f := range list.fields {
					all = append(all, fieldAt{f, list.name(i, f)})
				}
			}
		}
	}
	return all
}

func (r rows) name(entry int, f input) string {
	return r.pointer + "/" + strconv.Itoa(entry) + "/" + f.pointer
}

// shownTexts is the form of a stored document.
func shownTexts(groups []group, s voice, d doc) texts {
	shown := texts{}
	for _, f := range fieldsOf(groups, func(r rows) int { return d.length(r.pointer) }) {
		value := d.at(f.name)
		if value == nil && f.zero {
			value = 0.0
		}
		shown[f.name] = f.text(s, value, func(name string) string {
			return d.text(parentOf(f.name) + "/" + name)
		})
	}
	return shown
}

// sentTexts is the form as it was sent. Fields that were not sent are not in it: they stay as they are.
func sentTexts(groups []group, sent url.Values) texts {
	typed := texts{}
	for _, f := range fieldsOf(groups, func(r rows) int { return sentEntries(r, sent) }) {
		values, ok := sent[f.name]
		if !ok {
			continue
		}
		switch f.kind {
		case asSeveral: // the first stands for none
			typed[f.name] = strings.Join(values[1:], between)
		case asTick:
			typed[f.name] = values[len(values)-1]
		default:
			typed[f.name] = strings.TrimSpace(strings.ReplaceAll(values[0], "\r\n", "\n"))
		}
	}
	return typed
}

// mostEntries bounds what a forged form can make us do.
const mostEntries = 100

func sentEntries(r rows, sent url.Values) int {
	n := 0
	for name := range sent {
		rest, ok := strings.CutPrefix(name, r.pointer+"/")
		if !ok {
			continue
		}
		digits, _, _ := strings.Cut(rest, "/")
		if i, err := strconv.Atoi(digits); err == nil && i >= n && i < mostEntries {
			n = i + 1
		}
	}
	return n
}

// An edit is what a form changes in a document.
type edit struct {
	body    doc               // a merge patch; of a new document the document itself
	wrong   map[string]string // by name of the input
	entries map[string][]int  // of each list, which entry of the form each entry of the body comes from
}

// read finds what somebody changed: what is as it was shown stays out, so that what is stored unrounded stays so, and
// what others changed meanwhile too.
func read(groups []group, s voice, typed, shown texts, stored doc) edit {
	e := edit{body: doc{}, wrong: map[string]string{}, entries: map[string][]int{}}
	for _, g := range groups {
		for _, f := range g.fields {
			e.readField(fieldAt{f, f.pointer}, s, typed, shown, stored)
		}
		for _, list := range g.lists {
			e.readList(list, s, typed, shown, stored)
		}
	}
	return e
}

func (e *edit) readField(f fieldAt, s voice, typed, shown texts, stored doc) {
	text, sent := typed[f.name]
	isNew := stored == nil
	if !sent && f.required && isNew {
		e.wrong[f.name] = "is required"
	}
	if !sent || !isNew && f.same(s, text, shown[f.name], stored.at(f.name)) {
		return
	}
	value, wrong := f.value(s, text, siblings(typed, f.name))
	switch {
	case wrong != "":
		e.wrong[f.name] = wrong
	case value != nil || !isNew:
		e.body.set(f.name, value)
	}
}

// readList takes a list as a whole, since a merge patch can do no less; entries and values that nobody touched go back
// as they are stored.
func (e *edit) readList(list rows, s voice, typed, shown texts, stored doc) {
	var entries []any
	touched := false
	for i := range typed.entries(list) {
		entry := doc{}
		kept, _ := stored.at(list.pointer + "/" + strconv.Itoa(i)).(map[string]any)
		maps.Copy(entry, kept)
		empty := true
		for _, f := range list.fields {
			f := fieldAt{f, list.name(i, f)}
			text := typed[f.name]
			empty = empty && text == ""
			if kept != nil && f.same(s, text, shown[f.name], entry.at(f.pointer)) {
				continue
			}
			touched = touched || text != "" || kept != nil
			value, wrong := f.value(s, text, siblings(typed, f.name))
			if wrong != "" {
				e.wrong[f.name] = wrong
			}
			entry.set(f.pointer, value)
			if value == nil {
				delete(entry, f.pointer)
			}
		}
		if empty {
			e.forget(list, i)
			continue
		}
		entries = append(entries, map[string]any(entry))
		e.entries[list.pointer] = append(e.entries[list.pointer], i)
	}
	switch {
	case !touched:
	case len(entries) > 0:
		e.body.set(list.pointer, entries)
	default:
		e.body.set(list.pointer, nil)
	}
}

// forget takes back what is wrong with an entry that turned out to be none.
func (e *edit) forget(list rows, entry int) {
	for _, f := range list.fields {
		delete(e.wrong, list.name(entry, f))
	}
}

func (t texts) entries(list rows) int {
	sent := url.Values{}
	for name := range t {
		sent.Set(name, "")
	}
	return sentEntries(list, sent)
}

// refusedAt puts what the API refuses at the inputs of the form; general has what belongs to none of them.
func refusedAt(groups []group, s voice, typed texts, e edit, fields map[string]string) (wrong map[string]string, general []string) {
	wrong = map[string]string{}
	known := map[string]fieldAt{}
	for _, f := range fieldsOf(groups, typed.entries) {
		known[f.name] = f
	}
	for pointer, said := range fields {
		name := e.nameOf(pointer)
		f, ok := known[name]
		if !ok {
			general = append(general, said)
			continue
		}
		if f.kind == asFigure {
			said = f.unit(s, siblings(typed, name)).inUnit(said)
		}
		wrong[name] = said
	}
	return wrong, general
}

// nameOf is the input that a pointer into the body comes from.
func (e *edit) nameOf(pointer string) string {
	for list, from := range e.entries {
		rest, ok := strings.CutPrefix(pointer, list+"/")
		if !ok {
			continue
		}
		digits, field, _ := strings.Cut(rest, "/")
		if i, err := strconv.Atoi(digits); err == nil && i < len(from) {
			return list + "/" + strconv.Itoa(from[i]) + "/" + field
		}
	}
	return pointer
}

// merged is what a form shows after somebody else saved first: what was touched here as typed, the rest as it is now.
func merged(typed, shown, now texts) (mine texts, theirs map[string]string) {
	mine, theirs = maps.Clone(now), map[string]string{}
	for name, text := range typed {
		if text == shown[name] {
			continue
		}
		mine[name] = text
		if now[name] != shown[name] && now[name] != text {
			theirs[name] = now[name]
		}
	}
	return mine, theirs
}

// packed carries the shown texts through the form, so that its sending tells what was touched.
func packed(t texts) string {
	text, _ := json.Marshal(t) // a map of texts
	return string(text)
}

func unpacked(text string) (t texts, ok bool) {
	ok = json.Unmarshal([]byte(text), &t) == nil && t != nil
	return t, ok
}
