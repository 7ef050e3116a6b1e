package board_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// What has changed since somebody marked the week as seen stands on the page, without script, and can be shown alone.
func TestWhatChangedSinceTheWeekWasSeen(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	require.NotContains(t, b.get("/").body, "since you marked")
	sent := b.post("/seen", url.Values{"back": {"/?days=1"}})
	require.Equal(t, "/?days=1", sent.header.Get("Location"))
	mark, _, _ := strings.Cut(sent.header.Get("Set-Cookie"), ";")
	require.Regexp(t, `^frostgate-seen=\d+$`, mark)
	get := func(path string) string {
		return b.do(http.MethodGet, path, nil, map[string]string{"Cookie": "frostgate=" + b.secret + "; " + mark}).body
	}
	require.Contains(t, get("/"), "Nothing has changed since you marked the week as seen")
	require.Contains(t, get("/?changed=1"), "No pour matches these filters")
	require.Equal(t, "/", b.post("/seen", url.Values{"back": {"https://elsewhere.example/"}}).header.Get("Location"), "only pages of ours")

	w.tx(func(tx *db.Tx) error {
		current, err := tx.Pour(t.Context(), everything, w.pours["protect"].ID)
		if err != nil {
			return err
		}
		current.State, current.CancelledAt = db.Cancelled, new(now.Add(time.Minute))
		_, err = tx.UpdatePour(t.Context(), everything, current)
		return err
	})
	require.Contains(t, get("/"), "1 pour has changed")
	require.Contains(t, get("/"), `<b class="changed">Cancelled</b>`)
	only, _, _ := texts(t, get("/?changed=1"))
	require.Contains(t, only, w.pours["protect"].Name)
	require.NotContains(t, only, w.pours["place"].Name)
}
