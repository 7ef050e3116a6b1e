package board_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// names are such as would break a page that isn't made for them; each is at most 200 characters long.
var names = map[string]string{
	"markup": `</title><script>alert(1)</script><img src=//example.invalid/x onerror=alert(1)> '"&amp;{{.}}`,
	"long":   strings.Repeat("Wallstrasse", 17),
	"right":  "\u202e\u2067אתר בנייה \u05d0\u05d1\u05d2 12 \u202b(3)",
	"emoji":  strings.Repeat("👷🏽‍♀️🏗️❄️", 12),
}

// rename gives everything of the firm that has a name a hostile one.
func (w *world) rename(name string) {
	w.t.Helper()
	short := string([]rune(name)[:min(len([]rune(name)), 190)])
	w.tx(func(tx *db.Tx) error {
		for _, table := range []string{"sites", "plants", "crews", "mixes", "pours", "endpoints", "tokens", "firm"} {
			column := map[string]string{"firm": "''", "tokens": "left(id::text, 4)"}[table]
			if column == "" {
				column = "left(md5(id::text), 4)"
			}
			if _, err := tx.PGX().Exec(w.t.Context(), "update "+table+" set name = $1 || "+column, short); err != nil {
				return fmt.Errorf("%s: %w", table, err)
			}
		}
		for _, statement := range []string{
			"update pours set note = $1", "update sites set address = $1", "update mixes set note = $1",
			"update alerts set operator_state = 'shelved', shelved_by = $1, shelve_reason = $1, shelved_until = now() + interval '1 hour'",
			"update alert_transitions set actor = $1, note = $1",
			"insert into suppressions (id, created_at, updated_at, starts_at, ends_at, reason, made_by) select gen_random_uuid(), now(), now(), '2027-01-13T19:00Z', '2027-01-15T12:00Z', $1, left($1, 190)",
			"update firm set limits = jsonb_build_array(jsonb_build_object('limit', 'ground.min_c', 'value', 3, 'reason', $1::text))",
			"insert into observations (id, created_at, updated_at, pour_id, kind, at, value, depth_mm, note, who) select gen_random_uuid(), now(), now(), id, 'final_set', now() - interval '30 years', 0, 0, $1, $1 from pours",
		} {
			if _, err := tx.PGX().Exec(w.t.Context(), statement, name); err != nil {
				return fmt.Errorf("%s: %w", statement, err)
			}
		}
		return nil
	})
}

// leaks finds text whose direction reaches beyond itself: Latin text that a name beside it has turned to run from right
// to left. It also finds what is wider than the window.
const leaks = `(() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const at = (node, i) => { const range = document.createRange(); range.setStart(node, i); range.setEnd(node, i + 1); return range.getBoundingClientRect(); };
  while (walker.nextNode()) {
    const node = walker.currentNode, text = node.textContent, word = /[A-Za-z]{2,}/.exec(text);
    if (!word || /[^\x00-\x7f\u00a0-\u00ff\u2013\u201c\u201d]/.test(text) || node.parentElement.closest("option, textarea, title")) continue;
    const a = at(node, word.index), b = at(node, word.index + 1);
    if (a.width && Math.abs(a.top - b.top) < 2 && b.left < a.left - 1) found.push("turned round: " + text.trim().slice(0, 60));
  }
  if (document.documentElement.scrollWidth > document.documentElement.clientWidth) {
    const wide = [...document.querySelectorAll("main *, header *, footer *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll, svg"));
    found.push("wider than the window: " + document.documentElement.scrollWidth + " by " + wide.slice(0, 4).map((e) => e.outerHTML.slice(0, 70)).join(" | "));
  }
  return found;
})()`

func TestHostileNamesOnEveryPage(t *testing.T) {
	c := newChrome(t)
	call(t, c, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 360, Height: 844, DeviceScaleFactor: 1, Mobile: true})
	faults := map[string]string{}
	for title, name := range names {
		w := newWorld(t, rules.UnitsUS).stock()
		c.hosts = map[string]bool{}
		secret := w.grant(access.Dispatcher, everything)
		w.rename(name)
		c.signIn(t, w, secret)
		for screen, path := range w.screens() {
			c.run(t, chromedp.Navigate(w.server.URL+path), chromedp.WaitReady(chromedp.CSS("main")))
			for _, fault := range ask(t, c, chromedp.Evaluate[[]string](leaks)) {
				faults[screen+", "+title] = fault
			}
			require.Zero(t, ask(t, c, chromedp.Evaluate[int]("document.querySelectorAll('img, script:not([src])').length")), "%s as text on %s", title, screen)
			c.screenshot(t, "hostile-"+title+"-"+screen)
		}
		c.run(t, chromedp.Navigate(w.server.URL+"/pours/"+w.pours["protect"].ID.String()+"/sheet"), chromedp.WaitReady(chromedp.CSS(".sheet")))
		pdf := ask(t, c, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperSize{Width: 8.5, Height: 11}), chromedp.PDFMargin(.43)))
		require.NoError(t, os.WriteFile(filepath.Join(screens, "hostile-"+title+".pdf"), pdf, 0o600))
		if pages := bytes.Count(pdf, []byte("/Type /Page\n")) + bytes.Count(pdf, []byte("/Type /Page ")); pages != 1 {
			faults["print, "+title] = fmt.Sprintf("%d pages", pages)
		}
		c.clean(t, w)
	}
	require.Empty(t, faults)
}
