package board

import (
	"fmt"
	"time"
)

// A weatherPage is the services that the weather comes from, and how they do.
type weatherPage struct {
	Kinds   []choice
	Sources []sourceLine
}

type sourceLine struct {
	Name, Gives, Cells, State, Issued, Tried, Error, Credit, Link string
	Bad                                                           bool
}

var (
	givesWords = map[string]string{"forecast": "forecast", "spread": "spread of the forecast", "observations": "measured weather", "warnings": "official warnings"}
	freshWords = map[string]string{"fresh": "fresh", "stale": "old", "dead": "too old to use", "none": "nothing yet", "unused": "no pour rests on it"}
)

func (b *Board) weatherPage(v *visit) error {
	found, err := b.list(v, "/v1/sources")
	if err != nil {
		return err
	}
	s, err := b.homeZone(v)
	if err != nil {
		return err
	}
	page := weatherPage{Kinds: firmTabs(v, "/firm/weather")}
	for _, d := range found.items {
		state := d.text("state")
		line := sourceLine{
			Name: d.text("name"), Gives: textOr(givesWords, d.text("gives")), Cells: fmt.Sprintf("%.0f", amount(d, "cells")), State: textOr(freshWords, state),
			Issued: dash, Tried: s.moment(d.text("tried_at")), Error: d.text("last_error"), Credit: d.text("credit"), Link: d.text("credit_link"),
			Bad: state == "stale" || state == "dead" || state == "none",
		}
		if at, err := time.Parse(time.RFC3339, d.text("issued_at")); err == nil {
			line.Issued = s.day(&at) + ", " + ago(v.now, at)
		}
		if d.text("host/breaker") == "open" {
			line.State += "; failed too often, left alone until " + s.moment(d.text("host/closed_until"))
		}
		page.Sources = append(page.Sources, line)
	}
	return b.show(v, "weather", "firm", "Weather", page)
}
