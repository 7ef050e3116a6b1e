package board_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/rules"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// Every form of the board, filled in and sent by a browser that runs no script.
func TestEveryFormWorksWithoutScript(t *testing.T) {
	c := newChrome(t)
	w := newWorld(t, rules.UnitsUS).stock()
	call(t, c, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	c.signIn(t, w, w.grant(access.Dispatcher, everything))
	pour, alert := "/pours/"+w.pours["protect"].ID.String(), "/alerts/"+w.alert.ID.String()
	const save, confirm = ".record button.main", ".narrow button.main"
	for _, f := range []struct {
		name, path string
		fields     [][2]string // selector and value
		send, then string      // what is pressed, and what the next page shows
	}{
		{"week filter", "/", [][2]string{{"input[name=text]", "Bay 4"}}, ".filters button", "Bay 4 slab"},
		{"observation", pour, [][2]string{{"select[name=kind]", "base_temp"}, {"input[name=value]", "36"}}, ".observe button", "Entered."},
		{"pour", "/pours/new", [][2]string{
			{"input[name=name]", "Curb"},
			{"[name=site_id]", w.site.ID.String()},
			{"[name=crew_id]", w.crews[2].ID.String()},
			{"[name=plant_id]", w.plant.ID.String()},
			{"[name=mix_id]", w.mix.ID.String()},
			{"[name=starts_at]", "2027-01-19T07:00"},
			{"[name=thickness_mm]", "6"},
			{"[name=area_m2]", "200"},
		}, save, "Saved. The pour"},
		{"pour refused", "/pours/new", [][2]string{{"input[name=name]", "Curb"}, {"[name=thickness_mm]", "thick"}}, save, "must be a number"},
		{"pour edited", pour + "/edit", [][2]string{{"[name=thickness_mm]", "6"}}, save, "Saved. The pour"},
		{"pour moved", pour, nil, ".actions form button", "Leave as it is"},
		{"pour cancelled", pour + "/step/cancel", nil, confirm, "Cancelled."},
		{"acknowledge", "/alerts", [][2]string{{"input[name=note]", "On it"}}, ".alerts form button", "Acknowledged by Test dispatcher"},
		{"shelve", alert + "/shelve", [][2]string{{"[name=reason]", "Waiting for the plant"}}, confirm, "Shelved. What happens"},
		{"unshelve", alert + "/unshelve", nil, confirm, "Taken up again."},
		{"site", "/firm/sites/new", [][2]string{
			{"[name=name]", "Yard"}, {"[name=latitude]", "42.1"}, {"[name=longitude]", "-88.1"}, {"[name=timezone]", "America/Chicago"},
		}, save, "Yard"},
		{"mix", "/firm/mixes/new", [][2]string{
			{"[name=name]", "3000 plain"}, {"[name=strength_mpa]", "3000"}, {"[name=cement_kg_m3]", "500"}, {"[name=water_kg_m3]", "280"}, {"[name=aggregate_kg_m3]", "3100"},
		}, save, "3000 plain"},
		{"crew", "/firm/crews/new", [][2]string{{"[name=name]", "Night crew"}}, save, "Night crew"},
		{"plant", "/firm/plants/new", [][2]string{{"[name=name]", "Lake plant"}, {"[name=water_max_c]", "150"}}, save, "Lake plant"},
		{"mix edited", "/firm/mixes/" + w.mix.ID.String(), [][2]string{{"[name=slump_mm]", "5"}}, save, "5 in"},
		{"search", "/firm/crews", [][2]string{{"input[name=text]", "night"}}, ".filters button", "Night crew"},
		{"archive", "/firm/crews/" + w.crews[1].ID.String() + "/archive", nil, confirm, "Archived."},
		{"endpoint", "/firm/endpoints/new", [][2]string{{"[name=name]", "Phone chat"}, {"[name=url]", "https://hooks.example.com/x"}}, save, "Signing secret"},
		{"endpoint edited", "/firm/endpoints/" + w.endpoint.ID.String() + "/edit", [][2]string{{"[name=enabled]", "false"}}, save, "Saved."},
		{"endpoint restored", "/firm/endpoints/" + w.endpoint.ID.String() + "/restore", nil, confirm, "Restored. What waited"},
		{"endpoint tested", "/firm/endpoints/" + w.endpoint.ID.String() + "/test", nil, confirm, "The test message was taken."},
		{"secret rotated", "/firm/endpoints/" + w.endpoint.ID.String() + "/rotate", nil, confirm, "Signing secret"},
		{"turn and digest", "/firm/endpoints/" + w.endpoint.ID.String() + "/edit", [][2]string{{"[name=rank]", "1"}, {"[name=delay_min]", "30"}, {"[name='digest/morning']", "05:30"}, {"[name='digest/timezone']", "America/Chicago"}}, save, "when nobody acknowledges for 30 minutes"},
		{"token", "/firm/tokens/new", [][2]string{{"[name=name]", "Yard tablet"}}, save, "can sign in from now on"},
		{"suppression", "/alerts/planned/new", [][2]string{{"[name=reason]", "Yard is shut"}}, save, "What it holds back is kept"},
		{"suppression refused", "/alerts/planned/new", [][2]string{{"[name=ends_at]", "2027-01-01T07:00"}, {"[name=reason]", "Yard is shut"}}, save, "must be after the start"},
		{"limit", "/firm/limits/ground.min_c", [][2]string{{"[name=value]", "40"}}, ".stack button.main", "instead of 35"},
		{"quiet hours", "/firm/settings", [][2]string{{"[name=quiet_starts]", "21:00"}, {"[name=quiet_ends]", "05:30"}}, save, "Saved."},
		{"settings", "/firm/settings", [][2]string{{"[name=name]", "Lakeside Flats"}}, save, "Lakeside Flats"},
		{"table", "/pours/table", [][2]string{{".stack textarea", "Name,Site,Plant,Crew,Mix,Starts (site time),Element,Thickness (in),Area (ft2)\nA,Mill Road hall,Quarry plant,Walls,4000 winter,2027-01-20 07:00,slab on ground,5,750\n"}}, ".stack button", "Nothing is written yet"},
		{"sign out", "/", nil, ".who button", "Paste the token"},
	} {
		c.run(t, chromedp.Navigate(w.server.URL+f.path), chromedp.WaitReady(chromedp.CSS("main")))
		for _, field := range f.fields {
			c.run(t, chromedp.SetValue(chromedp.CSS(field[0]), field[1]))
		}
		c.run(t, evaluated("window.left = true"), chromedp.Click(chromedp.CSS(f.send)))
		text := ""
		require.Eventually(t, func() bool {
			var err error
			text, err = chromedp.Run(c.ctx, chromedp.Evaluate[string]("!window.left && document.readyState === 'complete' ? document.body.innerText : ''"))
			return err == nil && strings.Contains(strings.ReplaceAll(text, "\u00a0", " "), f.then)
		}, 30*time.Second, 50*time.Millisecond, "%s: no %q", f.name, f.then)
	}
	c.forgive("status of 422") // of the form that is refused on purpose
	c.clean(t, w)
}

// forgive takes out what a browser logs of a status that was meant.
func (c *chrome) forgive(part string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wrong = slices.DeleteFunc(c.wrong, func(line string) bool { return strings.Contains(line, part) })
}
