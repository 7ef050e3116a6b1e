package board

import (
	"errors"
	"strconv"

	"frostgate/db"
)

// An explanation is why an alert stands as it does, and why each endpoint was told of it or not.
type explanation struct {
	Summary  string
	Why      []reason
	Messages []messageLine
	Coming   []reason
}

type reason struct{ At, Sentence string }

type messageLine struct {
	At, What, Text string
	Rulings        []rulingLine
}

// A rulingLine is what was decided of one message for one endpoint.
type rulingLine struct {
	Endpoint, Ruling, Sentence, At, Link string
}

// explanation asks the API; nil where the caller may not see it or there is none.
func (b *Board) explanation(v *visit, s voice, id string) (*explanation, error) {
	d, err := b.read(v, "/v1/alerts/"+id+"/explanation")
	var refused *trouble
	switch {
	case errors.Is(err, db.ErrNotFound), errors.As(err, &refused):
		return nil, nil //nolint:nilnil // the page goes without
	case err != nil:
		return nil, err
	}
	return explained(s, d), nil
}

func explained(s voice, d doc) *explanation {
	e := &explanation{Summary: d.text("summary"), Why: reasons(s, d, "why"), Coming: reasons(s, d, "coming")}
	for i := range d.length("messages") {
		at := "messages/" + strconv.Itoa(i) + "/"
		m := messageLine{At: s.moment(d.text(at + "at")), What: eventWords(d.text(at + "type")), Text: d.text(at + "text")}
		for k := range d.length(at + "rulings") {
			m.Rulings = append(m.Rulings, ruled(s, d, at+"rulings/"+strconv.Itoa(k)+"/"))
		}
		e.Messages = append(e.Messages, m)
	}
	return e
}

func reasons(s voice, d doc, list string) []reason {
	var all []reason
	for i := range d.length(list) {
		at := list + "/" + strconv.Itoa(i) + "/"
		all = append(all, reason{At: s.moment(d.text(at + "at")), Sentence: d.text(at + "sentence")})
	}
	return all
}

var rulingWords = map[string]string{"now": "Told", "hold": "Held back", "never": "Not told"}

func ruled(s voice, d doc, at string) rulingLine {
	r := rulingLine{Endpoint: d.text(at + "endpoint"), Ruling: textOr(rulingWords, d.text(at+"ruling")), Sentence: d.text(at + "sentence")}
	told, due := d.text(at+"told_at"), d.text(at+"due_at")
	switch {
	case told != "":
		r.At = s.moment(told)
		r.Ruling = rulingWords["now"]
	case due != "":
		r.At = "due " + s.moment(due)
	}
	if state := d.text(at + "delivery_state"); state != "" {
		r.At += ", " + textOr(deliveryWords, state)
	}
	if id := d.text(at + "delivery_id"); id != "" {
		r.Link = "/deliveries/" + id
	}
	return r
}
