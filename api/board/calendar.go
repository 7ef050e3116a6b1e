package board

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"slices"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
)

type calendarsPage struct {
	Crews, Plants []feedLink
}

type feedLink struct{ Name, Address string }

// calendars lists the secret addresses of the caller. Each is made of the token behind it, so it shows no more than the
// token does, and revoking the token ends it.
func (b *Board) calendars(v *visit) error {
	crews, plants, err := b.crewsAndPlants(v)
	if err != nil {
		return err
	}
	token, err := b.db.Token(v.ctx(), v.caller.TokenID)
	if err != nil {
		return err
	}
	links := func(kind string, all []named) []feedLink {
		list := make([]feedLink, len(all))
		for i, n := range all {
			list[i] = feedLink{n.name, b.outside(v) + "/calendar/" + kind + "/" + n.id.String() + "/" + feedKey(token, kind, n.id) + ".ics"}
		}
		return list
	}
	return b.show(v, "calendars", "calendar", "Calendars", calendarsPage{links("crew", crews), links("plant", plants)})
}

// feedKey is the secret part of a feed's address: which token it belongs to, and a proof that somebody with that token
// got it from us. The token's hash is the key of the proof; it never leaves the database.
func feedKey(t db.Token, kind string, id uuid.UUID) string {
	proof := hmac.New(sha256.New, t.Hash)
	proof.Write([]byte("calendar\n" + kind + "\n" + id.String()))
	return shortID(t.ID) + "-" + hex.EncodeToString(proof.Sum(nil)[:20])
}

const (
	feedBack  = 14 * 24 * time.Hour
	feedAhead = 60 * 24 * time.Hour
)

// feed answers a calendar client, which has no session.
func (b *Board) feed(c echo.Context) error {
	ctx, kind := c.Request().Context(), c.Param("kind")
	id, scope, err := b.feedOf(c)
	if err != nil {
		return err
	}
	firm, err := b.db.Firm(ctx)
	if err != nil {
		return err
	}
	now := b.now()
	filter := db.PourFilter{StartsFrom: now.Add(-feedBack), StartsBefore: now.Add(feedAhead)}
	name := ""
	if kind == "crew" {
		filter.CrewIDs = []uuid.UUID{id}
		crew, err := b.db.Crew(ctx, scope, id)
		if err != nil {
			return err
		}
		name = crew.Name
	} else {
		filter.PlantIDs = []uuid.UUID{id}
		plant, err := b.db.Plant(ctx, scope, id)
		if err != nil {
			return err
		}
		name = plant.Name
	}
	found, err := b.db.Pours(ctx, scope, filter, db.Page{Limit: mostPours})
	if err != nil {
		return err
	}
	base := b.publicURL
	if base == "" {
		base = c.Scheme() + "://" + c.Request().Host
	}
	text := writeCalendar("Pours of "+oneLine(name), base, firm.Units, found.Items)
	sum := sha256.Sum256([]byte(text))
	tag := `"` + hex.EncodeToString(sum[:12]) + `"`
	c.Response().Header().Set("ETag", "W/"+tag) // weak: the same for the compressed form
	c.Response().Header().Set("Cache-Control", "private, max-age=300")
	if strings.Contains(c.Request().Header.Get("If-None-Match"), tag) {
		return c.NoContent(http.StatusNotModified)
	}
	return c.Blob(http.StatusOK, "text/calendar; charset=utf-8", []byte(text))
}

// feedOf checks the secret address: its token must still be valid and see the crew or plant. Whatever is wrong, there
// is nothing here.
func (b *Board) feedOf(c echo.Context) (uuid.UUID, db.Scope, error) {
	kind := c.Param("kind")
	id, err := uuid.Parse(c.Param("id"))
	if err != nil || kind != "crew" && kind != "plant" {
		return id, db.Scope{}, db.ErrNotFound
	}
	key, isICS := strings.CutSuffix(c.Param("key"), ".ics")
	short, _, _ := strings.Cut(key, "-")
	raw, err := shortIDs.DecodeString(short)
	if err != nil || len(raw) != 16 || !isICS {
		return id, db.Scope{}, db.ErrNotFound
	}
	token, err := b.db.Token(c.Request().Context(), uuid.UUID(raw))
	if err != nil {
		return id, db.Scope{}, err
	}
	if !hmac.Equal([]byte(feedKey(token, kind, id)), []byte(key)) || !token.ValidAt(b.now()) {
		return id, db.Scope{}, db.ErrNotFound
	}
	return id, token.Scope(), nil
}

// writeCalendar writes RFC 5545. Times are in UTC, which every client shows in its own zone; the sequence is the version
// of the pour, which each edit raises.
func writeCalendar(name, base string, units rules.Units, pours []db.PourLine) string {
	cal := ics.NewCalendarFor("frostgate")
	cal.SetMethod(ics.MethodPublish)
	cal.SetName(name)
	cal.SetXWRCalName(name)
	cal.SetRefreshInterval("PT15M", ics.WithValue("DURATION"))
	cal.SetXPublishedTTL("PT15M")
	for _, p := range pours {
		addEvent(cal, base, units, p)
	}
	return cal.Serialize(ics.WithNewLineWindows)
}

func addEvent(cal *ics.Calendar, base string, units rules.Units, p db.PourLine) {
	s := newVoice(units, p.Timezone)
	e := cal.AddEvent(p.ID.String() + "@frostgate")
	changed := p.UpdatedAt
	if p.AssessedAt != nil && p.AssessedAt.After(changed) {
		changed = *p.AssessedAt
	}
	e.SetDtStampTime(changed)
	e.SetModifiedAt(changed)
	e.SetCreatedTime(p.CreatedAt)
	e.SetSequence(int(p.Version))
	e.SetStartAt(p.StartsAt)
	e.SetEndAt(p.OccupiedUntil)
	e.SetLocation(oneLine(p.SiteName))
	e.SetURL(base + "/pours/" + p.ID.String())
	e.SetSummary(eventSummary(p))
	e.SetDescription(eventText(s, base, p))
	e.SetStatus(eventStatus(p))
}

func eventStatus(p db.PourLine) ics.ObjectStatus {
	switch {
	case p.State == db.Cancelled:
		return ics.ObjectStatusCancelled
	case p.State == db.Planned && (standing(p.Pour) == rules.Move || standing(p.Pour) == rules.Unscored):
		return ics.ObjectStatusTentative
	}
	return ics.ObjectStatusConfirmed
}

func eventSummary(p db.PourLine) string {
	name := oneLine(p.Name)
	switch p.State {
	case db.Cancelled:
		return "Cancelled: " + name
	case db.Placed:
		return "Placed: " + name
	case db.Released:
		return "Done: " + name
	}
	return verdictWord(standing(p.Pour)) + ": " + name
}

func eventText(s voice, base string, p db.PourLine) string {
	lines := []string{p.WorstReason, size(s, p.Pour) + ". Crew " + apart(p.CrewName) + ", plant " + apart(p.PlantName) + ", mix " + apart(p.MixName) + "."}
	if p.State == db.Planned && p.CancelBy != nil {
		lines = append(lines, "The order can be cancelled until "+s.clock(p.CancelBy)+".")
	}
	if p.State == db.Planned && p.NextWindowAt != nil && standing(p.Pour) == rules.Move {
		lines = append(lines, "Next good start: "+s.clock(p.NextWindowAt)+".")
	}
	lines = append(lines, "Sheet: "+base+"/pours/"+p.ID.String()+"/sheet")
	lines = slices.DeleteFunc(lines, func(l string) bool { return l == "" })
	for i := range lines {
		lines[i] = oneLine(lines[i])
	}
	return strings.Join(lines, "\n")
}

// oneLine keeps control characters, which RFC 5545 bars, and the line ends of Unicode out of a text, and its direction
// to itself.
func oneLine(text string) string {
	return closed(strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r <= 0x9f || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, text))
}
