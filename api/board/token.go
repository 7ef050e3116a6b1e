package board

import (
	"net/http"
	"strings"

	"frostgate/api/access"
)

// tokenKind is what somebody signs in with, or a program calls with.
func tokenKind() *recordKind {
	return &recordKind{
		path: "/v1/tokens", at: "/firm/tokens", nav: "firm", one: "token", many: "tokens", roles: []access.Role{access.Dispatcher},
		lead:     "One for each person or program, so that each can be revoked alone and the log says who did what. The token is shown once, after saving.",
		removing: "Revoke", deleting: "Whoever holds it is signed out within seconds, and calendars subscribed with it end. It cannot be taken back; a new token can be made.",
		fresh:  always(texts{"role": string(access.Field)}),
		groups: (*Board).tokenGroups,
		voice:  func(b *Board, v *visit, _ texts, _ doc) (voice, error) { return b.homeZone(v) },
		made:   (*Board).showToken,
		columns: []column{
			{"May", func(_ voice, d doc) string { return textOf(roleChoices, d.text("role")) }},
			{"Sees", func(_ voice, d doc) string { return seesText(d) }},
			{"Last used", func(s voice, d doc) string { return s.moment(d.text("last_used_at")) }},
			{"Until", tokenEnd},
		},
	}
}

var roleChoices = []choice{
	{Value: string(access.Dispatcher), Text: "Everything"},
	{Value: string(access.Viewer), Text: "Read"},
	{Value: string(access.Field), Text: "Read, enter readings, acknowledge"},
}

func seesText(d doc) string {
	var parts []string
	for _, of := range []struct{ pointer, one string }{{"crew_ids", "crew"}, {"plant_ids", "plant"}} {
		if n := d.length(of.pointer); n > 0 {
			parts = append(parts, plural(n, of.one))
		}
	}
	if len(parts) == 0 {
		return "all pours"
	}
	return strings.Join(parts, " and ")
}

func tokenEnd(s voice, d doc) string {
	if at := d.text("revoked_at"); at != "" {
		return "revoked " + s.moment(at)
	}
	if at := d.text("expires_at"); at != "" {
		return s.moment(at)
	}
	return "it is revoked"
}

func (b *Board) tokenGroups(v *visit, _ doc) ([]group, error) {
	crews, plants, err := b.scopeChoices(v)
	if err != nil {
		return nil, err
	}
	return []group{
		{title: "Whose", fields: []input{
			{pointer: "name", label: "Name of the person or program", kind: asWords, required: true},
			{pointer: "role", label: "May", kind: asPick, choices: roleChoices, required: true},
			{pointer: "expires_at", label: "Valid until", hint: "Empty: until it is revoked.", kind: asMoment},
		}},
		{title: "What it sees", hint: "Nothing ticked is all of them.", fields: []input{
			{pointer: "crew_ids", label: "Crews", kind: asSeveral, choices: crews},
			{pointer: "plant_ids", label: "Plants", kind: asSeveral, choices: plants},
		}},
	}, nil
}

// showToken shows a new token, this once.
func (b *Board) showToken(v *visit, d doc) error {
	return b.draw(v.Context, v, http.StatusCreated, "secret", frame{Title: "Token", Nav: "firm", Page: secretPage{
		Name: d.text("name"), Says: "can sign in from now on.", Label: "Token", Secret: d.text("secret"), Link: "/firm/tokens",
		About: "Copy it now and hand it over on a safe way; it is not shown again. A person pastes it where the board asks to sign in; a program sends it as Authorization: Bearer.",
	}})
}
