package board_test

import (
	"html"
	"maps"
	"net/url"
	"regexp"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// fieldOf is the part of a page that holds a field, with its errors.
func fieldOf(t *testing.T, body, name string) string {
	t.Helper()
	found := regexp.MustCompile(`(?s)<div class="field[^>]*>\s*(?:<fieldset[^>]*>.*?|<input type="hidden"[^>]*>)?<label.*?</div>`).FindAllString(body, -1)
	for _, f := range found {
		if regexp.MustCompile(`name="` + regexp.QuoteMeta(name) + `"`).MatchString(f) {
			return html.UnescapeString(f)
		}
	}
	t.Fatalf("no field %s", name)
	return ""
}

func TestQuietHoursAreSetByForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	const path = "/firm/settings"
	form := b.get(path).body
	require.Contains(t, fieldOf(t, form, "quiet_critical_exempt"), "checked", "the API's value when nothing is set")
	require.Contains(t, b.get("/firm/endpoints/new").body, "The firm has no quiet hours")
	half := b.post(path, with(opened(t, form), "quiet_starts", "21:00", "quiet_ends", ""))
	require.Equal(t, 422, half.status)
	require.Contains(t, fieldOf(t, half.body, "quiet_ends"), "is required")
	wrong := b.post(path, with(opened(t, form), "quiet_starts", "nine", "quiet_ends", "06:00"))
	require.Equal(t, 422, wrong.status)
	require.Contains(t, fieldOf(t, wrong.body, "quiet_starts"), "a time of day")
	set := b.post(path, with(opened(t, form), "quiet_starts", "21:00", "quiet_ends", "05:30"))
	require.Equal(t, 303, set.status, set.body)
	firm, err := w.db.Firm(t.Context())
	require.NoError(t, err)
	require.Equal(t, 21*60, *firm.QuietStartsMin)
	require.Equal(t, 5*60+30, *firm.QuietEndsMin)
	require.True(t, firm.QuietCriticalExempt)
	require.Contains(t, b.get("/firm/endpoints/new").body, "9:00 p.m. to 5:30 a.m. but for what is critical")
	none := b.post(path, with(opened(t, b.get(path).body), "quiet_starts", "", "quiet_ends", ""))
	require.Equal(t, 303, none.status, none.body)
	firm, err = w.db.Firm(t.Context())
	require.NoError(t, err)
	require.Nil(t, firm.QuietStartsMin)
}

func TestTurnsAndDigestsOfAnEndpointAreSetByForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsSI).stock()
	b := w.as(access.Dispatcher)
	require.Contains(t, b.get("/firm/endpoints/new").body, `name="digest/timezone" value="America/Chicago"`, "that of the first site")
	path := "/firm/endpoints/" + w.endpoint.ID.String()
	form := b.get(path + "/edit").body
	for name, c := range map[string]struct {
		change []string
		field  string
		says   string
	}{
		"a delay of days":    {[]string{"delay_min", "2000"}, "delay_min", "must be at most 1440 minutes"},
		"a delay in words":   {[]string{"delay_min", "soon"}, "delay_min", "must be a number"},
		"no zone":            {[]string{"digest/morning", "05:30"}, "digest/timezone", "is required"},
		"a zone of fantasy":  {[]string{"digest/morning", "05:30", "digest/timezone", "America/Nowhere"}, "digest/timezone", "is not a known time zone"},
		"no time of day":     {[]string{"digest/afternoon", "14h"}, "digest/afternoon", "a time of day, such as 14:00"},
		"a turn after tenth": {[]string{"rank", "12"}, "rank", "must be at most 9"},
	} {
		refused := b.post(path+"/edit", with(opened(t, form), c.change...))
		require.Equal(t, 422, refused.status, name)
		require.Contains(t, fieldOf(t, refused.body, c.field), c.says, name)
	}
	set := b.post(path+"/edit", with(opened(t, form), "rank", "1", "delay_min", "45", "digest/morning", "05:30", "digest/afternoon", "14:00", "digest/timezone", "America/Chicago", "digest/empty", "on"))
	require.Equal(t, 303, set.status, set.body)
	e, err := w.db.Endpoint(t.Context(), w.endpoint.ID)
	require.NoError(t, err)
	require.Equal(t, 1, e.Rank)
	require.Equal(t, 45, e.DelayMin)
	require.JSONEq(t, `{"digest": {"morning": "05:30", "afternoon": "14:00", "timezone": "America/Chicago", "empty": true}}`, string(e.Settings))
	page := b.get(path).body
	require.Contains(t, page, "second, when nobody acknowledges for 45 minutes")
	require.Contains(t, page, "05:30 of the day and 14:00 the day before, America/Chicago")
	gone := b.post(path+"/edit", with(opened(t, b.get(path+"/edit").body), "rank", "", "delay_min", "", "digest/morning", "", "digest/afternoon", ""))
	require.Equal(t, 303, gone.status, gone.body)
	e, err = w.db.Endpoint(t.Context(), w.endpoint.ID)
	require.NoError(t, err)
	require.Zero(t, e.Rank)
	require.JSONEq(t, `{}`, string(e.Settings))
	require.Equal(t, 303, b.post(path+"/edit", with(opened(t, b.get(path+"/edit").body), "acknowledgements", "false")).status)
	e, err = w.db.Endpoint(t.Context(), w.endpoint.ID)
	require.NoError(t, err)
	require.JSONEq(t, `{"acknowledgements": false}`, string(e.Settings))
	require.Equal(t, 403, w.as(access.Viewer).post(path+"/edit", url.Values{"rank": {"1"}}).status)
}

func TestAnAcknowledgementHoldsAsLongAsSaidAndIsTakenBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Field)
	path := "/alerts/" + w.alert.ID.String()
	require.Contains(t, b.get(path).body, `<option value="">4 hours</option>`, "of what is major")
	require.Equal(t, 303, b.post(path+"/acknowledge", url.Values{"note": {"On it"}, "hours": {"12"}, "back": {path}}).status)
	a, err := w.db.Alert(t.Context(), everything, w.alert.ID)
	require.NoError(t, err)
	require.Equal(t, 12*time.Hour, a.AcknowledgedUntil.Sub(*a.AcknowledgedAt))
	require.Contains(t, b.get(path).body, "Acknowledged by Test field until Thu 2:10 a.m.")
	require.Contains(t, b.get(path+"/unacknowledge").body, "Reminders go on")
	require.Equal(t, 403, w.as(access.Viewer).get(path+"/unacknowledge").status)
	require.Equal(t, 403, w.as(access.Viewer).post(path+"/unacknowledge", url.Values{}).status)
	require.Equal(t, 303, b.post(path+"/unacknowledge", url.Values{}).status)
	require.Contains(t, b.get(path).body, "Nobody is on it any more", "in its history")
	require.Equal(t, 409, b.post(path+"/unacknowledge", url.Values{}).status)
	a, err = w.db.Alert(t.Context(), everything, w.alert.ID)
	require.NoError(t, err)
	require.Equal(t, "none", a.OperatorState)
}

func TestSuppressionsArePlannedChangedAndEndedByForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	pour := w.pours["move"]
	require.Contains(t, b.get("/alerts/planned").body, "None is planned")
	form := b.get("/alerts/planned/new?pour=" + pour.ID.String()).body
	require.Contains(t, form, `name="starts_at" value="2027-01-13T14:10"`, "now at the site")
	require.Contains(t, form, `name="ends_at" value="2027-01-14T06:00"`)
	require.Regexp(t, `<option value="`+pour.ID.String()+`" dir="auto" selected>`, form)

	none := url.Values{"starts_at": {"2027-01-13T14:00"}, "ends_at": {""}, "reason": {""}, "critical_too": {""}, "pour_id": {pour.ID.String()}, "site_id": {""}, "crew_id": {""}}
	refused := b.post("/alerts/planned/new", none)
	require.Equal(t, 422, refused.status)
	require.Contains(t, fieldOf(t, refused.body, "reason"), "is required")
	require.Contains(t, fieldOf(t, refused.body, "ends_at"), "is required")
	back := with(maps.Clone(none), "reason", "Yard is shut", "ends_at", "2027-01-13T13:00")
	require.Contains(t, fieldOf(t, b.post("/alerts/planned/new", back).body, "ends_at"), "must be after the start, by 92 days at most")
	two := with(maps.Clone(none), "reason", "Yard is shut", "ends_at", "2027-01-14T06:00", "crew_id", w.crews[0].ID.String())
	require.Contains(t, fieldOf(t, b.post("/alerts/planned/new", two).body, "pour_id"), "at most one of site, crew and pour")

	good := with(maps.Clone(none), "reason", "Yard is shut", "ends_at", "2027-01-14T06:00", "once", uuid.NewString())
	for range 2 { // sent twice
		made := b.post("/alerts/planned/new", good)
		require.Equal(t, 303, made.status, made.body)
	}
	found, err := w.db.Suppressions(t.Context(), everything, db.SuppressionFilter{}, db.Page{})
	require.NoError(t, err)
	require.Len(t, found.Items, 1)
	made := found.Items[0]
	require.Equal(t, pour.ID, *made.PourID)
	require.Equal(t, time.Date(2027, 1, 14, 12, 0, 0, 0, time.UTC), made.EndsAt.UTC(), "6:00 a.m. at the site")
	require.False(t, made.CriticalToo)
	for _, path := range []string{"/alerts", "/pours/" + pour.ID.String()} {
		require.Contains(t, b.get(path).body, "Yard is shut", path)
	}
	require.NotContains(t, b.get("/pours/"+w.pours["protect"].ID.String()).body, "Yard is shut", "it is of another pour")

	path := "/alerts/planned/" + made.ID.String()
	changed := b.post(path, with(opened(t, b.get(path).body), "ends_at", "2027-01-15T06:00", "critical_too", "on"))
	require.Equal(t, 303, changed.status, changed.body)
	after, err := w.db.Suppression(t.Context(), everything, made.ID)
	require.NoError(t, err)
	require.Equal(t, 24*time.Hour, after.EndsAt.Sub(made.EndsAt))
	require.True(t, after.CriticalToo)
	require.Equal(t, made.StartsAt, after.StartsAt)

	require.Equal(t, 409, b.post(path+"/delete", url.Values{"version": {"2"}}).status, "it has begun")
	ended := b.post(path+"/end", url.Values{"version": {versionField.FindStringSubmatch(b.get(path + "/end").body)[1]}})
	require.Equal(t, 303, ended.status, ended.body)
	list := b.get("/alerts/planned").body
	require.Contains(t, list, "None is planned")
	require.Contains(t, list, "Over")
	require.NotContains(t, b.get("/alerts").body, "Yard is shut")

	later := with(maps.Clone(none), "reason", "Holidays", "pour_id", "", "starts_at", "2027-01-20T07:00", "ends_at", "2027-01-27T07:00")
	require.Equal(t, 303, b.post("/alerts/planned/new", later).status)
	require.Contains(t, b.get("/alerts/planned").body, "Take back")
	for _, role := range []access.Role{access.Viewer, access.Field} {
		other := w.as(role)
		require.Contains(t, other.get("/alerts/planned").body, "Holidays")
		require.NotContains(t, other.get("/alerts/planned").body, "Take back")
		require.Equal(t, 403, other.get("/alerts/planned/new").status)
		require.Equal(t, 403, other.post("/alerts/planned/new", good).status)
		require.Equal(t, 403, other.post(path+"/end", url.Values{"version": {"3"}}).status)
	}
}
