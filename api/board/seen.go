package board

import (
	"fmt"
	"net/http"
	"strconv"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
)

// seenCookie keeps when this browser's user last said to have seen the week; it tells nobody else anything.
const seenCookie = "frostgate-seen"

// News is what has changed since the week was last seen.
type news struct {
	Since string // when that was; empty when it never was
	N     int    // pours with something new
	Only  string // address of the week with these alone
	All   string // address of the whole week
}

func seenAt(c echo.Context) (time.Time, bool) {
	cookie, err := c.Cookie(seenCookie)
	if err != nil {
		return time.Time{}, false
	}
	seconds, err := strconv.ParseInt(cookie.Value, 10, 64)
	if err != nil || seconds <= 0 {
		return time.Time{}, false
	}
	return time.Unix(seconds, 0), true
}

// see marks the week as seen now.
func (b *Board) see(v *visit) error {
	v.SetCookie(&http.Cookie{ //nolint:gosec // Secure wherever the page came over https
		Name: seenCookie, Value: strconv.FormatInt(v.now.Unix(), 10), Path: "/", MaxAge: int((90 * 24 * time.Hour).Seconds()),
		Secure: b.secure(v.Context), HttpOnly: true, SameSite: http.SameSiteLaxMode,
	})
	return v.Redirect(http.StatusSeeOther, ownPath(v.FormValue("back")))
}

// changes says of each pour what is new since a time; those with nothing new are left out.
func (b *Board) changes(v *visit, since time.Time, lines []db.PourLine) (map[uuid.UUID]string, error) {
	ids := make([]uuid.UUID, len(lines))
	for i, l := range lines {
		ids[i] = l.ID
	}
	then, err := b.db.Standings(v.ctx(), v.caller.Scope, since, ids...)
	if err != nil {
		return nil, err
	}
	before := map[uuid.UUID]db.PastStanding{}
	for _, s := range then {
		before[s.PourID] = s
	}
	said := map[uuid.UUID]string{}
	for _, l := range lines {
		old, known := before[l.ID]
		if text := changeOf(newVoice(v.firm.Units, l.Timezone), since, old, known, l); text != "" {
			said[l.ID] = text
		}
	}
	return said, nil
}

func changeOf(s voice, since time.Time, old db.PastStanding, known bool, l db.PourLine) string {
	after := func(t *time.Time) bool { return t != nil && t.After(since) }
	switch {
	case l.CreatedAt.After(since):
		return "New"
	case after(l.CancelledAt):
		return "Cancelled"
	case after(l.ReleasedAt):
		return "Released"
	case after(l.PlacedAt):
		return "Placed"
	case known && old.StartsAt != nil && !old.StartsAt.Equal(l.StartsAt):
		return "Start was " + s.clock(old.StartsAt) + wasVerdict(old.Verdict, standing(l.Pour))
	case known && old.Verdict != standing(l.Pour):
		return fmt.Sprintf("Was %s", old.Verdict)
	case !known && l.Verdict != "":
		return "Assessed"
	}
	return ""
}

func wasVerdict(old, now rules.Verdict) string {
	if old == now {
		return ""
	}
	return ", was " + string(old)
}
