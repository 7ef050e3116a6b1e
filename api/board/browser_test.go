package board_test

import (
	"bytes"
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// chrome is a running browser with what it complained of and whom it asked.
type chrome struct {
	ctx context.Context

	mu    sync.Mutex
	wrong []string
	hosts map[string]bool
}

func newChrome(t *testing.T) *chrome {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "headless-shell"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("no browser here; install chromium")
		}
		t.Skip("no browser here; install chromium to run this")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-sync", true), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-dev-shm-usage", true))
	allocator, stop := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, cancel := chromedp.NewContext(allocator)
	t.Cleanup(func() { cancel(); stop() })
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate("about:blank")))
	limited, late := context.WithTimeout(ctx, 30*time.Minute) // no test takes as long: it ends what hangs
	t.Cleanup(late)
	c := &chrome{ctx: limited, hosts: map[string]bool{}}
	require.NoError(t, chromedp.Listen(ctx, c.note))
	call(t, c, network.Enable, network.EnableParams{})
	call(t, c, log.Enable, cdp.Empty{})
	call(t, c, runtime.Enable, cdp.Empty{})
	return c
}

// call sends one command of the DevTools protocol.
func call[P, R any](t *testing.T, c *chrome, command cdp.Command[P, R], params P) R {
	t.Helper()
	result, err := chromedp.Call(c.ctx, command, params)
	require.NoError(t, err)
	return result
}

// ask runs an action that gives something back.
func ask[T any](t *testing.T, c *chrome, action chromedp.Action[T]) T {
	t.Helper()
	result, err := chromedp.Run(c.ctx, action)
	require.NoError(t, err)
	return result
}

// note keeps what should not happen: anything on the console, any request to another host.
func (c *chrome) note(event any) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventConsoleAPICalled:
		c.wrong = append(c.wrong, "console: "+string(e.Type))
	case *runtime.EventExceptionThrown:
		c.wrong = append(c.wrong, "exception: "+e.ExceptionDetails.Text)
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning {
			c.wrong = append(c.wrong, "log: "+e.Entry.Text+" "+e.Entry.URL)
		}
	case *network.EventRequestWillBeSent:
		if u, err := url.Parse(e.Request.URL); err == nil && u.Host != "" {
			c.hosts[u.Host] = true
		}
	}
}

func (c *chrome) run(t *testing.T, actions ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	require.NoError(t, chromedp.Do(c.ctx, actions...))
}

// clean demands that nothing went wrong and that only our own host was asked.
func (c *chrome) clean(t *testing.T, w *world) {
	t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	require.Empty(t, c.wrong)
	require.Equal(t, map[string]bool{strings.TrimPrefix(w.server.URL, "http://"): true}, c.hosts)
}

// signIn types the token as a person does.
func (c *chrome) signIn(t *testing.T, w *world, secret string) {
	t.Helper()
	c.run(t, chromedp.Navigate(w.server.URL+"/"), chromedp.WaitVisible(chromedp.CSS("input[name=token]")), chromedp.SendKeys(chromedp.CSS("input[name=token]"), secret+"\r"),
		chromedp.WaitVisible(chromedp.CSS(".filters")))
}

const screens = "../../.screens"

func (c *chrome) screenshot(t *testing.T, name string) {
	t.Helper()
	picture := ask(t, c, chromedp.FullScreenshot(100))
	require.NoError(t, os.MkdirAll(screens, 0o750))
	require.NoError(t, os.WriteFile(filepath.Join(screens, name+".png"), picture, 0o600))
}

// audit looks for what WCAG 2.2 asks and a program can tell: text that stands out against what lies behind it by 4.5 to
// 1, or 3 to 1 where it is large (1.4.3), borders of fields that stand out by 3 to 1 (1.4.11), names of fields, links,
// groups and drawings (4.1.2), errors tied to their fields (3.3.1), targets of 24 by 24 pixels outside of sentences
// (2.5.8), ids that are unique, headings that leave no level out (1.3.1), and a page no wider than its window (1.4.10).
const audit = `(() => {
  const found = [];
  const parts = (c) => { const m = c.match(/[\d.]+/g).map(Number); return m.length === 3 ? [...m, 1] : m; };
  const light = ([r, g, b]) => { const f = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; }; return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b); };
  const over = (top, under) => [0, 1, 2].map((i) => top[i] * top[3] + under[i] * (1 - top[3]));
  const behind = (e) => { let stack = []; for (let n = e; n; n = n.parentElement) { const c = parts(getComputedStyle(n).backgroundColor); stack.push(c); if (c[3] === 1) break; }
    let color = [255, 255, 255]; for (const c of stack.reverse()) color = over(c, color); return color; };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const seen = new Set();
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    if (e.matches(".inside")) continue; // on a bar of the drawing, in the colour of the sheet: the bar's own contrast with the sheet
    if (!walker.currentNode.textContent.trim() || seen.has(e) || !e.getClientRects().length) continue;
    seen.add(e);
    const style = getComputedStyle(e);
    let opacity = 1; for (let n = e; n; n = n.parentElement) opacity *= Number(getComputedStyle(n).opacity);
    const ink = parts(e.closest("svg") ? style.fill : style.color), back = behind(e.closest("svg") ? e.closest("svg").parentElement : e);
    const a = light(over([ink[0], ink[1], ink[2], ink[3] * opacity], back)), b = light(back);
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    const size = parseFloat(style.fontSize), large = size >= 24 || size >= 18.66 && Number(style.fontWeight) >= 700;
    if (ratio < (large ? 3 : 4.5)) found.push("contrast " + ratio.toFixed(2) + ": " + e.textContent.trim().slice(0, 40));
  }
  const seenAt = (e) => e.checkVisibility({ visibilityProperty: true }) && !e.closest("details:not([open]) > :not(summary)");
  for (const e of document.querySelectorAll("input:not([type=hidden]):not([type=checkbox]):not([type=file]), select, textarea")) {
    if (!seenAt(e)) continue;
    const a = light(over(parts(getComputedStyle(e).borderTopColor), behind(e.parentElement))), b = light(behind(e.parentElement));
    if ((Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05) < 3) found.push("border of " + e.name);
  }
  for (const e of document.querySelectorAll("button, select, summary, input:not([type=hidden]), a[href]")) {
    if (!seenAt(e) || e.matches(".skip")) continue;
    const target = e.matches("[type=checkbox]") ? e.closest("label") : e, box = target.getBoundingClientRect();
    const inText = e.matches("a") && getComputedStyle(e).display === "inline" && [...e.parentElement.childNodes].some((n) => n !== e && n.textContent.trim());
    const alone = e.matches("a") && getComputedStyle(e).display === "inline";
    if (!inText && !alone && (box.width < 24 || box.height < 24)) found.push("small target " + Math.round(box.width) + "x" + Math.round(box.height) + ": " + e.outerHTML.slice(0, 60));
    if (alone && !inText && box.height < 16) found.push("small link: " + e.outerHTML.slice(0, 60));
  }
  for (const e of document.querySelectorAll("[aria-invalid]")) if (!document.getElementById((e.getAttribute("aria-describedby") || "").split(" ")[0])) found.push("error not tied: " + e.name);
  for (const e of document.querySelectorAll("[aria-describedby], [aria-labelledby]")) for (const id of ((e.getAttribute("aria-describedby") || "") + " " + (e.getAttribute("aria-labelledby") || "")).trim().split(/ +/)) if (!document.getElementById(id)) found.push("no element " + id);
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  if (new Set(ids).size !== ids.length) found.push("ids twice: " + ids.filter((id, i) => ids.indexOf(id) !== i).slice(0, 3));
  let level = 0;
  for (const h of document.querySelectorAll("h1, h2, h3, h4")) { const n = Number(h.tagName[1]); if (n > level + 1) found.push("heading leaves a level out: " + h.textContent.slice(0, 40)); level = n; }
  for (const f of document.querySelectorAll("fieldset")) if (!f.querySelector("legend")?.textContent.trim()) found.push("group without a name");
  for (const s of document.querySelectorAll("svg:not([aria-hidden])")) if (!s.querySelector("title")) found.push("drawing without a name");
  for (const f of document.querySelectorAll("input:not([type=hidden]), select, textarea")) if (!f.labels || !f.labels.length) found.push("no label: " + f.name);
  for (const a of document.querySelectorAll("a, button")) if (!a.textContent.trim()) found.push("no name: " + a.outerHTML.slice(0, 80));
  if (document.documentElement.scrollWidth > document.documentElement.clientWidth) found.push("wider than the window: " + document.documentElement.scrollWidth);
  if (!document.documentElement.lang) found.push("no language");
  return found;
})()`

func TestPagesInABrowser(t *testing.T) {
	c := newChrome(t)
	faults := map[string]string{} // where each was last seen
	for _, units := range []rules.Units{rules.UnitsUS, rules.UnitsSI} {
		w := newWorld(t, units).stock()
		c.hosts = map[string]bool{}
		c.run(t, chromedp.Navigate(w.server.URL+"/"), chromedp.WaitReady(chromedp.CSS("main")))
		c.auditHere(t, faults, string(units)+" sign-in")
		c.signIn(t, w, w.grant(access.Dispatcher, everything))
		for _, light := range []string{"light", "dark"} {
			for name, width := range map[string]int64{"desktop": 1280, "phone": 360} {
				call(t, c, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: light}}})
				call(t, c, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 844, DeviceScaleFactor: 1, Mobile: name == "phone"})
				for title, path := range w.screens() {
					c.run(t, chromedp.Navigate(w.server.URL+path), chromedp.WaitReady(chromedp.CSS("main")))
					c.auditHere(t, faults, fmt.Sprintf("%s %s %s %s", units, light, name, path))
					c.screenshot(t, fmt.Sprintf("%s-%s-%s-%s", title, units, light, name))
				}
			}
		}
		c.run(t, chromedp.Navigate(w.server.URL+"/firm/mixes/new"), chromedp.WaitReady(chromedp.CSS("main")),
			chromedp.Click(chromedp.CSS(".record button.main")), chromedp.WaitVisible(chromedp.CSS("div.wrong")))
		c.auditHere(t, faults, string(units)+" refused")
		c.screenshot(t, "refused-"+string(units))
		c.run(t, chromedp.Navigate(w.server.URL+"/pours/nothing"), chromedp.WaitReady(chromedp.CSS("main")))
		c.auditHere(t, faults, string(units)+" not found")
		c.forgive("status of 422")
		c.forgive("status of 404")
		c.clean(t, w)
	}
	require.Empty(t, faults)
}

// The states that a page can be in besides the usual: old verdicts, steps taken, forms refused.
func TestStatesInABrowser(t *testing.T) {
	c := newChrome(t)
	faults := map[string]string{}
	for _, units := range []rules.Units{rules.UnitsUS, rules.UnitsSI} {
		look := func(w *world, title, path string, then ...chromedp.Action[chromedp.Void]) {
			for name, width := range map[string]int64{"desktop": 1280, "phone": 360} {
				call(t, c, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 844, DeviceScaleFactor: 1, Mobile: name == "phone"})
				c.run(t, chromedp.Navigate(w.server.URL+path), chromedp.WaitReady(chromedp.CSS("main")))
				c.run(t, then...)
				c.auditHere(t, faults, fmt.Sprintf("%s %s %s", units, name, title))
				c.screenshot(t, fmt.Sprintf("state-%s-%s-%s", title, units, name))
			}
		}
		w := newWorld(t, units).stock()
		c.hosts = map[string]bool{}
		c.signIn(t, w, w.grant(access.Dispatcher, everything))
		press := func(selector string) []chromedp.Action[chromedp.Void] {
			return []chromedp.Action[chromedp.Void]{chromedp.Click(chromedp.CSS(selector)), chromedp.WaitVisible(chromedp.CSS(".wrong"))}
		}
		look(w, "refused-suppression", "/alerts/planned/new", press(".record button.main")...)
		look(w, "refused-token", "/firm/tokens/new", press(".record button.main")...)
		look(w, "refused-pour", "/pours/new", press(".record button.main")...)
		look(w, "refused-limit", "/firm/limits/ground.min_c", append([]chromedp.Action[chromedp.Void]{chromedp.SetValue(chromedp.CSS("[name=value]"), "-3")}, press(".stack button.main")...)...)
		w.tx(func(tx *db.Tx) error {
			_, err := tx.CreateSuppression(t.Context(), everything, db.Suppression{StartsAt: now.Add(-time.Hour), EndsAt: now.Add(30 * time.Hour), Reason: "Yard is shut"})
			if err == nil {
				_, err = tx.PGX().Exec(t.Context(), "update pours set assessed_at = assessed_at - interval '5 hours'")
			}
			return err
		})
		look(w, "stale", "/")
		look(w, "held-back", "/pours/"+w.pours["protect"].ID.String())
		look(w, "planned", "/alerts/planned")
		b := w.as(access.Dispatcher)
		for key, taken := range map[string][]string{"protect": {"place"}, "place": {"place", "release"}, "new": {"cancel"}} {
			for version, step := range taken {
				require.Equal(t, 303, b.post("/pours/"+w.pours[key].ID.String()+"/step/"+step, url.Values{"version": {fmt.Sprint(version + 1)}}).status, "%s %s", key, step)
			}
			look(w, taken[len(taken)-1], "/pours/"+w.pours[key].ID.String())
		}
		look(w, "steps", "/")
		c.forgive("status of 422")
		c.clean(t, w)
	}
	require.Empty(t, faults)
}

// A board of which nothing is set up yet says on each page what to do.
func TestAnEmptyBoardInABrowser(t *testing.T) {
	c := newChrome(t)
	faults := map[string]string{}
	call(t, c, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 360, Height: 844, DeviceScaleFactor: 1, Mobile: true})
	empty := newWorld(t, rules.UnitsUS)
	c.signIn(t, empty, empty.grant(access.Dispatcher, everything))
	for title, path := range map[string]string{
		"no-pours": "/", "no-plants": "/plants", "no-alerts": "/alerts", "no-sites": "/firm/sites", "no-endpoints": "/firm/endpoints", "no-calendars": "/calendar",
		"no-weather": "/firm/weather", "none-planned": "/alerts/planned",
	} {
		c.run(t, chromedp.Navigate(empty.server.URL+path), chromedp.WaitReady(chromedp.CSS("main")))
		c.auditHere(t, faults, title)
		c.screenshot(t, "state-"+title)
	}
	c.clean(t, empty)
	require.Empty(t, faults)
}

// auditHere adds the faults of the page that is shown.
func (c *chrome) auditHere(t *testing.T, faults map[string]string, where string) {
	t.Helper()
	for _, fault := range ask(t, c, chromedp.Evaluate[[]string](audit)) {
		faults[fault] = where
	}
}

// screens are the pages to be looked at, by a name for the picture.
func (w *world) screens() map[string]string {
	id, move := w.pours["protect"].ID.String(), w.pours["move"].ID.String()
	return map[string]string{
		"week": "/", "plants": "/plants", "alerts": "/alerts", "calendar": "/calendar", "pour": "/pours/" + id, "pour-move": "/pours/" + move,
		"pour-new": "/pours/" + w.pours["new"].ID.String(), "sheet": "/pours/" + id + "/sheet", "form": "/pours/" + id + "/edit",
		"pour-add": "/pours/new", "alert": "/alerts/" + w.alert.ID.String(), "shelve": "/alerts/" + w.alert.ID.String() + "/shelve",
		"sites": "/firm/sites", "mixes": "/firm/mixes", "crews": "/firm/crews", "plant-records": "/firm/plants", "endpoints": "/firm/endpoints",
		"site": "/firm/sites/" + w.site.ID.String(), "site-add": "/firm/sites/new", "mix": "/firm/mixes/" + w.mix.ID.String(),
		"crew": "/firm/crews/" + w.crews[0].ID.String(), "plant-record": "/firm/plants/" + w.plant.ID.String(), "archive": "/firm/sites/" + w.site.ID.String() + "/archive",
		"endpoint": "/firm/endpoints/" + w.endpoint.ID.String(), "endpoint-edit": "/firm/endpoints/" + w.endpoint.ID.String() + "/edit",
		"weather": "/firm/weather", "settings": "/firm/settings", "limits": "/firm/limits", "limit": "/firm/limits/ground.min_c",
		"tokens": "/firm/tokens", "token-add": "/firm/tokens/new", "planned": "/alerts/planned", "planned-add": "/alerts/planned/new", "endpoint-add": "/firm/endpoints/new",
		"confirm": "/pours/" + id + "/step/cancel", "reference": "/reference", "table": "/pours/table",
	}
}

func TestAPageFollowsTheStream(t *testing.T) {
	c := newChrome(t)
	w := newWorld(t, rules.UnitsUS).stock()
	c.signIn(t, w, w.grant(access.Viewer, everything))
	c.run(t, chromedp.WaitVisible(chromedp.CSS("#stream")))
	fresh := w.pours["new"]
	time.Sleep(500 * time.Millisecond) // the listener connects beside the stream
	w.judge(fresh.ID, 12)
	w.tx(func(tx *db.Tx) error {
		return tx.Notify(t.Context(), scheduler.EventsChannel, `{"kind":"pour"}`)
	})
	c.run(t, chromedp.WaitReady(chromedp.CSS("html[data-refreshed]")))
	require.NotContains(t, ask(t, c, chromedp.Text(chromedp.CSS("main"))), "Not assessed yet")
	c.clean(t, w)
}

func TestTheBoardWorksWithoutScriptAndByKeyboard(t *testing.T) {
	c := newChrome(t)
	w := newWorld(t, rules.UnitsUS).stock()
	call(t, c, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	c.signIn(t, w, w.grant(access.Field, everything))
	c.run(t, chromedp.Navigate(w.server.URL+"/pours/"+w.pours["protect"].ID.String()),
		chromedp.SendKeys(chromedp.CSS("select[name=kind]"), "Temperature of the b"),
		chromedp.SendKeys(chromedp.CSS("input[name=value]"), "35\r"), chromedp.WaitVisible(chromedp.CSS(".done")))
	seen, err := w.db.Observations(t.Context(), everything, db.ObservationFilter{PourID: w.pours["protect"].ID}, db.Page{})
	require.NoError(t, err)
	require.Len(t, seen.Items, 1)
	require.Equal(t, "base_temp", seen.Items[0].Kind)
	c.clean(t, w)
}

// A page object of PDF is a dictionary whose type is Page (ISO 32000-1, 7.7.3.3).
func TestTheSheetPrintsOnOnePage(t *testing.T) {
	c := newChrome(t)
	require.NoError(t, os.MkdirAll(screens, 0o750))
	for _, units := range []rules.Units{rules.UnitsUS, rules.UnitsSI} {
		w := newWorld(t, units).stock()
		c.signIn(t, w, w.grant(access.Viewer, everything))
		for _, key := range []string{"protect", "move", "place"} {
			c.run(t, chromedp.Navigate(w.server.URL+"/pours/"+w.pours[key].ID.String()+"/sheet"), chromedp.WaitReady(chromedp.CSS(".sheet")))
			for paper, inches := range map[string][2]float64{"A4": {8.27, 11.69}, "Letter": {8.5, 11}} {
				pdf := ask(t, c, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperSize{Width: inches[0], Height: inches[1]}), chromedp.PDFMargin(.43)))
				require.NoError(t, os.WriteFile(filepath.Join(screens, fmt.Sprintf("sheet-%s-%s-%s.pdf", key, units, paper)), pdf, 0o600))
				pages := bytes.Count(pdf, []byte("/Type /Page\n")) + bytes.Count(pdf, []byte("/Type /Page "))
				require.Equal(t, 1, pages, "%s %s %s", key, units, paper)
			}
		}
	}
}
