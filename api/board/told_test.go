package board_test

import (
	"html"
	"net/url"
	"regexp"
	"testing"

	"frostgate/api/access"
	"frostgate/rules"

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
	require.Equal(t, 403, w.as(access.Viewer).post(path+"/edit", url.Values{"rank": {"1"}}).status)
}
