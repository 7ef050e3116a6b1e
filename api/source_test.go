package api

import (
	"testing"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// weatherServices are what a program with three services tells the API of them.
var weatherServices = []forecast.About{
	{Name: "nws", Host: "api.weather.example", Attribution: "Weather data by A", Link: "https://a.example/", StaleAfter: 18 * time.Hour, DeadAfter: 36 * time.Hour},
	{Name: "open-meteo", Host: "om.example", Attribution: "Weather data by B (CC BY 4.0)", Link: "https://b.example/", StaleAfter: 18 * time.Hour, DeadAfter: 36 * time.Hour},
	{Name: "nws-alerts", Host: "api.weather.example", Attribution: "Weather data by A", StaleAfter: time.Hour, DeadAfter: 36 * time.Hour, Warns: true},
}

// cell links the site to a cell of a source that was last asked some time ago.
func (b *bundle) cell(site, source string, failed bool) db.Cell {
	b.t.Helper()
	var cell db.Cell
	require.NoError(b.t, b.db.Tx(b.t.Context(), db.Actor{Name: "scheduler"}, func(tx *db.Tx) (err error) {
		if cell, err = tx.EnsureCell(b.t.Context(), db.Cell{Source: source, Key: "k", Latitude: 42, Longitude: -88}); err != nil {
			return err
		}
		if err = tx.LinkSite(b.t.Context(), uuid.MustParse(site), source, cell.ID); err != nil {
			return err
		}
		f := db.Fetch{CellID: cell.ID, Succeeded: !failed, NextDueAt: tx.Now().Add(time.Hour)}
		if failed {
			f.Error = "unexpected answer (status 503)"
		}
		return tx.SaveFetch(b.t.Context(), f)
	}))
	return cell
}

// Each source with its credit, its age and how its host stands.
func TestSourcesAndTheirCredits(t *testing.T) {
	t.Parallel()
	b := setupWith(t, Config{Weather: weatherServices})
	s := b.stock()
	start := time.Now().Add(24 * time.Hour).UTC().Truncate(time.Hour)
	b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", start)}).is(201)
	b.cell(s.site, "nws", true)
	_, _, err := b.db.TellHost(t.Context(), "api.weather.example", db.Told{SkewS: new(150.0)})
	require.NoError(t, err)
	require.NoError(t, b.db.CloseHost(t.Context(), "om.example", time.Now().Add(time.Hour)))
	items := b.do(call{method: "GET", path: "/v1/sources"}).is(200).items()
	require.Len(t, items, 3)
	nws, columns, alerts := items[0], items[1], items[2]
	require.Equal(t, "Weather data by B (CC BY 4.0)", columns["credit"])
	require.Equal(t, "https://b.example/", columns["credit_link"])
	require.Equal(t, "none", nws["state"])
	require.Equal(t, 1.0, nws["cells"])
	require.Contains(t, nws["last_error"], "503")
	require.Equal(t, object{"name": "api.weather.example", "breaker": "shut", "closed_until": nil, "skew_s": 150.0}, object(nws["host"].(map[string]any)))
	require.Equal(t, "unused", columns["state"])
	require.NotNil(t, columns["host"].(map[string]any)["closed_until"])
	require.Equal(t, "warnings", alerts["gives"])
}

// No warning is an all-clear only when somebody who warns there answered of late.
func TestWarningsAreNeverNoneWhenUnknown(t *testing.T) {
	t.Parallel()
	clock := time.Now()
	b := setupWith(t, Config{Weather: weatherServices, Clock: func() time.Time { return clock }})
	s := b.stock()
	warnings := func() answer { return b.do(call{method: "GET", path: "/v1/sites/" + s.site + "/warnings"}) }
	require.Equal(t, object{"items": []any{}, "known": false, "as_of": nil}, object(warnings().is(200)), "nobody warns there")
	b.cell(s.site, "nws-alerts", true)
	require.Equal(t, false, warnings().is(200)["known"], "it never answered")
	b.cell(s.site, "nws-alerts", false)
	require.Equal(t, true, warnings().is(200)["known"])
	clock = clock.Add(2 * time.Hour)
	require.Equal(t, false, warnings().is(200)["known"], "not for two hours")
	require.NotNil(t, warnings().is(200)["as_of"])
}

// The order of sources is a table with a usual value that the firm sets, and a
// site for itself.
func TestOrderOfSources(t *testing.T) {
	t.Parallel()
	b := setupWith(t, Config{Weather: weatherServices})
	s := b.stock()
	b.cell(s.site, "nws", false)
	row := func(variable string) object {
		for _, item := range b.do(call{method: "GET", path: "/v1/sites/" + s.site + "/source-order"}).is(200).items() {
			if item["variable"] == variable {
				return object(item)
			}
		}
		require.Fail(t, "no such variable")
		return nil
	}
	patch := func(path string, order any) answer {
		return b.do(call{method: "PATCH", path: path, body: object{"source_order": order}, header: map[string]string{"If-Match": "*"}})
	}
	usual := []any{"local", "open-meteo", "met-norway"} // no issue of the national service yet
	require.Equal(t, object{"variable": "wind", "sources": usual, "set_by": "usual", "usual": usual}, row("wind"))
	patch("/v1/firm", object{"wind": []string{"met-norway"}, "cloud": []string{"met-norway"}}).is(200)
	require.Equal(t, []any{"met-norway", "local", "open-meteo"}, row("wind")["sources"])
	require.Equal(t, "firm", row("wind")["set_by"])
	site := "/v1/sites/" + s.site
	patch(site, object{"wind": []string{"open-meteo", "met-norway"}}).is(200)
	require.Equal(t, []any{"open-meteo", "met-norway", "local"}, row("wind")["sources"])
	require.Equal(t, "site", row("wind")["set_by"])
	require.Equal(t, "firm", row("cloud")["set_by"])

	for _, path := range []string{"/v1/firm", site} {
		patch(path, object{"weather": []string{"nws"}}).wrong(422, "invalid", "#/source_order/weather invalid")
		patch(path, object{"wind": []string{"windy"}}).wrong(422, "invalid", "#/source_order/wind invalid")
		patch(path, object{"wind": []string{"nws", "nws"}}).wrong(422, "invalid", "#/source_order/wind invalid")
		patch(path, object{"wind": []string{}}).wrong(422, "invalid", "#/source_order/wind invalid")
		require.Equal(t, 422, patch(path, object{"a/b": []string{"nws"}}).status)
		require.Equal(t, 422, patch(path, "nws").status)
	}
	require.Equal(t, []any{"open-meteo", "met-norway", "local"}, row("wind")["sources"], "nothing was changed")
}
