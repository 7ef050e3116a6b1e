package board_test

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

// focused tells of the element that has the focus what WCAG 2.2 asks: that the focus is seen (2.4.7) and the element is
// not off the screen (2.4.11).
const focused = `(() => {
  const e = document.activeElement;
  if (!e || e === document.body) return { name: "" };
  const style = getComputedStyle(e), box = e.getBoundingClientRect();
  const name = e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") + (e.name ? "[name=" + e.name + "]" : "") + " " + (e.textContent || "").trim().slice(0, 30);
  const seen = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
  const inside = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
  return { name, seen, inside, wanted: e.matches(%q) };
})()`

type focus struct {
	Name                 string
	Seen, Inside, Wanted bool
}

func (c *chrome) press(t *testing.T, keys string) {
	t.Helper()
	c.run(t, chromedp.KeyEvent(keys))
}

// tabTo goes on by the tab key alone until the wanted element has the focus.
func (c *chrome) tabTo(t *testing.T, selector string) {
	t.Helper()
	var passed []string
	for range 150 {
		c.press(t, kb.Tab)
		at := ask(t, c, chromedp.Evaluate[focus](fmt.Sprintf(focused, selector)))
		if at.Name == "" {
			passed = append(passed, "(none)")
			continue
		}
		passed = append(passed, at.Name)
		require.True(t, at.Seen, "no focus seen on %s", at.Name)
		require.True(t, at.Inside, "focus out of sight on %s", at.Name)
		if at.Wanted {
			return
		}
	}
	t.Fatalf("%s is not reached by the tab key; passed %s", selector, strings.Join(passed, " | "))
}

// enter presses the key on the wanted element and waits for the page that comes of it.
func (c *chrome) enter(t *testing.T, selector, then string) {
	t.Helper()
	c.tabTo(t, selector)
	c.leave(t, kb.Enter, then)
}

// leave presses what leads to another page, and waits for that.
func (c *chrome) leave(t *testing.T, keys, then string) {
	t.Helper()
	c.run(t, evaluated("window.left = true"))
	c.press(t, keys)
	arrived := fmt.Sprintf("!window.left && document.readyState === 'complete' && !!document.querySelector(%q)", then)
	require.Eventually(t, func() bool {
		ok, err := chromedp.Run(c.ctx, chromedp.Evaluate[bool](arrived))
		return err == nil && ok
	}, 30*time.Second, 50*time.Millisecond, "no page with %s comes", then)
}

// typeIn fills a field.
func (c *chrome) typeIn(t *testing.T, selector, text string) {
	t.Helper()
	c.tabTo(t, selector)
	c.press(t, text)
}

func (c *chrome) address(t *testing.T) *url.URL {
	t.Helper()
	u, err := url.Parse(ask(t, c, chromedp.Location()))
	require.NoError(t, err)
	return u
}

// WCAG 2.2, 2.1.1 and 2.1.2: all of it by keyboard, and no way without a way back.
func TestADayOfADispatcherByKeyboardAlone(t *testing.T) {
	c := newChrome(t)
	w := newWorld(t, rules.UnitsUS).stock()
	call(t, c, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 1280, Height: 844, DeviceScaleFactor: 1})
	c.run(t, chromedp.Navigate(w.server.URL+"/"), chromedp.WaitVisible(chromedp.CSS("input[name=token]")))
	c.press(t, w.grant(access.Dispatcher, everything)+kb.Enter) // the field has the focus by itself
	c.run(t, chromedp.WaitVisible(chromedp.CSS(".filters")))

	c.tabTo(t, ".skip")
	c.press(t, kb.Enter)
	require.Equal(t, "main", ask(t, c, chromedp.Evaluate[string]("document.activeElement.id")), "the skip link skips")
	c.tabTo(t, "input[name=verdict][value=protect]")
	c.press(t, " ")
	c.enter(t, ".filters button", ".card")
	require.Equal(t, "protect", c.address(t).Query().Get("verdict"))
	c.enter(t, ".card h4 a", ".headline")
	pour := w.pours["protect"]
	require.Equal(t, "/pours/"+pour.ID.String(), c.address(t).Path)

	c.tabTo(t, "select[name=kind]")
	c.press(t, kb.ArrowDown)
	c.typeIn(t, "input[name=value]", "35")
	c.leave(t, kb.Enter, ".done")
	seen, err := w.db.Observations(t.Context(), everything, db.ObservationFilter{PourID: pour.ID}, db.Page{})
	require.NoError(t, err)
	require.Len(t, seen.Items, 1)
	require.Equal(t, "base_temp", seen.Items[0].Kind)

	c.tabTo(t, "select[name=to]")
	c.press(t, kb.ArrowDown)
	c.enter(t, ".actions form button", ".narrow button.main")
	c.enter(t, ".narrow button.main", ".done")
	moved, err := w.db.Pour(t.Context(), everything, pour.ID)
	require.NoError(t, err)
	require.NotEqual(t, pour.StartsAt.UTC(), moved.StartsAt.UTC())

	c.enter(t, "nav a[href='/alerts']", ".alerts")
	c.typeIn(t, "input[name=note]", "Called the plant")
	c.enter(t, ".alerts form button", ".done")
	alert, err := w.db.Alert(t.Context(), everything, w.alert.ID)
	require.NoError(t, err)
	require.Equal(t, "acknowledged", alert.OperatorState)
	require.Equal(t, "Called the plant", alert.AckNote)

	c.enter(t, "nav a[href='/']", ".filters")
	c.enter(t, "a[href='/pours/new']", ".record")
	c.typeIn(t, "input[name=name]", "Garage floor")
	for _, name := range []string{"site_id", "crew_id", "plant_id", "mix_id"} {
		c.tabTo(t, "select[name="+name+"]")
		c.press(t, kb.ArrowDown)
	}
	c.typeIn(t, "input[name=starts_at]", "01202027"+kb.ArrowRight+"0730AM") // by its segments, as en-US has them
	c.typeIn(t, "input[name=thickness_mm]", "5")
	c.typeIn(t, "input[name=area_m2]", "600")
	c.tabTo(t, "details.group summary")
	c.press(t, " ")
	require.True(t, ask(t, c, chromedp.Evaluate[bool]("document.activeElement.parentElement.open")), "what is folded is opened")
	c.enter(t, ".record button.main", ".headline")
	made, err := w.db.Pours(t.Context(), everything, db.PourFilter{Text: "Garage floor"}, db.Page{})
	require.NoError(t, err)
	require.Len(t, made.Items, 1)
	require.Equal(t, time.Date(2027, 1, 20, 13, 30, 0, 0, time.UTC), made.Items[0].StartsAt.UTC())
	require.InDelta(t, 55.74, made.Items[0].AreaM2, .01) // 600 sq ft
	c.clean(t, w)
}

// Going on by tab alone passes every control of a page and comes out at its end.
func TestNoPageHoldsTheKeyboard(t *testing.T) {
	c := newChrome(t)
	w := newWorld(t, rules.UnitsUS).stock()
	c.signIn(t, w, w.grant(access.Dispatcher, everything))
	for title, path := range w.screens() {
		if title == "reference" {
			continue // hundreds of the same summary
		}
		c.run(t, chromedp.Navigate(w.server.URL+path), chromedp.WaitReady(chromedp.CSS("main")))
		c.run(t, chromedp.KeyEvent(kb.Tab))
		const controls = `[...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']")]
			.filter((e) => e.checkVisibility({ visibilityProperty: true }) && !e.closest("details:not([open]) > :not(summary)"))`
		want := ask(t, c, chromedp.Evaluate[int](controls+".length"))
		c.run(t, evaluated("window.passed = new Set()"))
		for i := 0; ; i++ {
			require.Less(t, i, 12*want+40, "%s holds the keyboard", title)
			if !ask(t, c, chromedp.Evaluate[bool](`(() => { const e = document.activeElement; if (!e || e === document.body || e.matches(".skip") && window.passed.size > 1) return false; window.passed.add(e); return true; })()`)) {
				break
			}
			c.press(t, kb.Tab)
		}
		missed := ask(t, c, chromedp.Evaluate[[]string](controls+`.filter((e) => !window.passed.has(e)).map((e) => e.outerHTML.slice(0, 120))`))
		require.Empty(t, missed, title)
	}
	c.clean(t, w)
}

// evaluated runs a script for what it does.
func evaluated(script string) chromedp.Action[chromedp.Void] {
	return chromedp.Evaluate[chromedp.Void]("(() => { " + script + "; })()")
}
