package board_test

import (
	"html"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

var shownField = regexp.MustCompile(`name="shown" value="([^"]*)"`)

// opened is a form as a browser holds it: the hidden fields that go back with it.
func opened(t *testing.T, body string) url.Values {
	t.Helper()
	version, shown := versionField.FindStringSubmatch(body), shownField.FindStringSubmatch(body)
	require.NotNil(t, version)
	require.NotNil(t, shown)
	return url.Values{"version": {version[1]}, "shown": {html.UnescapeString(shown[1])}}
}

func with(form url.Values, pairs ...string) url.Values {
	for i := 0; i < len(pairs); i += 2 {
		form.Set(pairs[i], pairs[i+1])
	}
	return form
}

// NIST SP 811 (2008), appendix B: 1 lb = 0.45359237 kg, 1 yd3 = 0.764554857984 m3, 1 psi = 6894.757 Pa, 1 in = 25.4 mm,
// 1 ft = 0.3048 m, and 45 F = 7.222 C.
func TestSitesAndMixesAreKeptInTheUnitsOfTheFirm(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	made := b.post("/firm/mixes/new", url.Values{
		"name": {"5000 early"}, "strength_mpa": {"5000"}, "slump_mm": {"4"}, "air_pct": {"6"}, "cement_type": {"III"}, "cement_kg_m3": {"600"},
		"fly_ash_kg_m3": {"100"}, "water_kg_m3": {"270"}, "aggregate_kg_m3": {"3000"}, "admixtures/0/kind": {"nonchloride_accelerator"},
		"admixtures/0/dose_pct": {"1.5"}, "admixtures/1/kind": {""}, "admixtures/1/dose_pct": {""},
	})
	require.Equal(t, 303, made.status, made.body)
	mixes, err := w.db.Mixes(t.Context(), everything, db.Filter{Text: "5000 early"}, db.Page{})
	require.NoError(t, err)
	require.Len(t, mixes.Items, 1)
	mix := mixes.Items[0]
	require.InDelta(t, 355.97, mix.CementKgM3, .01) // 600 lb/yd3
	require.InDelta(t, 34.474, mix.StrengthMPa, .001)
	require.InDelta(t, 101.6, mix.SlumpMM, .001)
	require.Equal(t, []rules.Admixture{{Kind: "nonchloride_accelerator", DosePct: 1.5}}, mix.Admixtures)

	path := "/firm/mixes/" + mix.ID.String()
	form := b.get(path).body
	require.Contains(t, form, `name="cement_kg_m3" value="600"`)
	require.Contains(t, form, `name="strength_mpa" value="5000"`)
	edited := b.post(path, with(opened(t, form), "strength_mpa", "5500", "cement_kg_m3", "600", "admixtures/0/kind", "", "admixtures/0/dose_pct", ""))
	require.Equal(t, 303, edited.status, edited.body)
	after, err := w.db.Mix(t.Context(), everything, mix.ID)
	require.NoError(t, err)
	require.Equal(t, mix.CementKgM3, after.CementKgM3)
	require.Equal(t, mix.WaterKgM3, after.WaterKgM3, "fields that were not sent stay")
	require.InDelta(t, 37.921, after.StrengthMPa, .001)
	require.Empty(t, after.Admixtures, "an emptied entry is taken out")

	site := b.post("/firm/sites/new", url.Values{
		"name": {"Depot"}, "latitude": {"41.5"}, "longitude": {"-88.25"}, "elevation_m": {"700"}, "timezone": {"America/Chicago"}, "terrain": {"built"}, "shade": {"30"},
		"local_rules/0/name": {"City of Depot 12-4"}, "local_rules/0/kind": {"placed_min_c"}, "local_rules/0/value": {"45"}, "local_rules/0/inclusive": {"", "on"},
	})
	require.Equal(t, 303, site.status, site.body)
	sites, err := w.db.Sites(t.Context(), everything, db.Filter{Text: "Depot"}, db.Page{})
	require.NoError(t, err)
	require.Len(t, sites.Items, 1)
	s := sites.Items[0]
	require.InDelta(t, 213.36, s.ElevationM, .001)
	require.InDelta(t, -88.25, s.Longitude, 1e-9)
	require.InDelta(t, .3, s.Shade, 1e-9)
	require.Len(t, s.LocalRules, 1)
	require.InDelta(t, 7.2222, s.LocalRules[0].Value, .0001)
	require.True(t, s.LocalRules[0].Inclusive)
	require.Contains(t, b.get("/firm/sites/"+s.ID.String()).body, `name="local_rules/0/value" value="45"`)
}

func TestWhatTheAPIRefusesStandsAtTheFieldInItsUnit(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	refused := b.post("/firm/mixes/new", url.Values{
		"name": {""}, "strength_mpa": {"100"}, "cement_type": {"III"}, "cement_kg_m3": {"many"}, "water_kg_m3": {"270"}, "aggregate_kg_m3": {"3000"},
	})
	require.Equal(t, 422, refused.status)
	require.Contains(t, refused.body, "must be a number")
	require.Contains(t, refused.body, `value="many"`, "what was typed stays")
	require.Contains(t, refused.body, "is required")
	low := b.post("/firm/mixes/new", url.Values{
		"name": {"Weak"}, "strength_mpa": {"100"}, "cement_type": {"III"}, "cement_kg_m3": {"600"}, "water_kg_m3": {"270"}, "aggregate_kg_m3": {"3000"},
	})
	require.Equal(t, 422, low.status)
	require.Contains(t, low.body, "must be at least 726 psi") // 5 MPa is 725.2 psi
	wet := b.post("/firm/mixes/new", url.Values{
		"name": {"Wet"}, "strength_mpa": {"4000"}, "cement_type": {"I"}, "cement_kg_m3": {"300"}, "water_kg_m3": {"400"}, "aggregate_kg_m3": {"3000"},
	})
	require.Equal(t, 422, wet.status)
	require.Contains(t, wet.body, "0.25 to 0.90 of the cementitious materials")
	rows := b.post("/firm/sites/new", url.Values{
		"name": {"Depot"}, "latitude": {"141.5"}, "longitude": {"-88.2"}, "timezone": {"Chicago"},
		"local_rules/0/name": {""}, "local_rules/0/kind": {""}, "local_rules/0/value": {""},
		"local_rules/1/name": {"Code 5"}, "local_rules/1/kind": {"slump_max_mm"}, "local_rules/1/value": {"90"},
	})
	require.Equal(t, 422, rows.status)
	twice := b.post("/firm/mixes/new", url.Values{
		"name": {"4000 winter"}, "strength_mpa": {"4000"}, "cement_type": {"I"}, "cement_kg_m3": {"560"}, "water_kg_m3": {"270"}, "aggregate_kg_m3": {"3100"},
	})
	require.Contains(t, []int{409, 422}, twice.status)
	require.Contains(t, twice.body, "Nothing was saved")
	require.Contains(t, twice.body, `value="4000 winter"`)
}

func TestAnEditOverAnotherIsSaidPlainlyAndLosesNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	path := "/firm/mixes/" + w.mix.ID.String()
	mine, theirs := opened(t, b.get(path).body), opened(t, b.get(path).body)
	require.Equal(t, 303, b.post(path, with(theirs, "slump_mm", "5", "air_pct", "5", "strength_mpa", "4003", "name", "4000 winter")).status)
	late := b.post(path, with(mine, "slump_mm", "3", "air_pct", "6", "strength_mpa", "4003", "name", "4000 winter"))
	require.Equal(t, 412, late.status)
	require.Contains(t, late.body, "Somebody else saved this mix while you had it open")
	require.Contains(t, late.body, `name="slump_mm" value="3"`, "what I typed stands")
	require.Contains(t, late.body, "Stored meanwhile: <bdi>5</bdi>")
	require.Contains(t, late.body, `name="air_pct" value="5"`, "what I left is as they left it")
	again := b.post(path, with(opened(t, late.body), "slump_mm", "3", "air_pct", "5"))
	require.Equal(t, 303, again.status, again.body)
	mix, err := w.db.Mix(t.Context(), everything, w.mix.ID)
	require.NoError(t, err)
	require.InDelta(t, 76.2, mix.SlumpMM, .001)
	require.InDelta(t, 5, mix.AirPct, 1e-9)
}

func TestRecordsAreFoundArchivedAndDeletedAfterAsking(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsSI).stock()
	b := w.as(access.Dispatcher)
	require.Equal(t, "/firm/sites", b.get("/firm").header.Get("Location"))
	require.Contains(t, b.get("/firm/crews?text=north").body, "North crew")
	require.NotContains(t, b.get("/firm/crews?text=north").body, "South crew")
	require.Contains(t, b.get("/firm/crews?text=nobody").body, "No crew has this in its name")
	require.Contains(t, b.get("/firm/mixes").body, "27.6")
	crew := "/firm/crews/" + w.crews[0].ID.String()
	asked := b.get(crew + "/archive")
	require.Contains(t, asked.body, "North crew")
	version := versionField.FindStringSubmatch(asked.body)
	require.Equal(t, 303, b.post(crew+"/archive", url.Values{"version": {version[1]}}).status)
	require.NotContains(t, b.get("/firm/crews").body, "North crew")
	require.Contains(t, b.get("/firm/crews?archived=yes").body, "North crew")
	edit := b.get("/pours/" + w.pours["protect"].ID.String() + "/edit").body
	require.Contains(t, edit, "North crew (archived)", "a pour keeps what it has")
	require.NotContains(t, b.get("/pours/new").body, "North crew")
	require.Equal(t, 412, b.post(crew+"/restore", url.Values{"version": {version[1]}}).status, "the version is old")
	require.Equal(t, 303, b.post(crew+"/restore", url.Values{"version": {"2"}}).status)
	used := b.post(crew+"/delete", url.Values{"version": {"3"}})
	require.Equal(t, 409, used.status, "pours rest on it")
	spare := b.post("/firm/crews/new", url.Values{"name": {"Spare"}, "day_starts": {"06:30"}, "day_ends": {"15:00"}, "days": {"", "1", "3"}, "machine": {"false"}})
	require.Equal(t, 303, spare.status, spare.body)
	found, err := w.db.Crews(t.Context(), everything, db.Filter{Text: "Spare"}, db.Page{})
	require.NoError(t, err)
	require.Equal(t, []int16{1, 3}, found.Items[0].Days)
	require.Equal(t, 390, found.Items[0].DayStartsMin)
	require.False(t, *found.Items[0].Machine)
	gone := "/firm/crews/" + found.Items[0].ID.String()
	require.Equal(t, 303, b.post(gone+"/delete", url.Values{"version": {"1"}}).status)
	require.Equal(t, 404, b.get(gone).status)
	require.Equal(t, 404, b.get(gone+"/delete").status)
	require.Equal(t, 404, b.get(crew+"/explode").status)
	for _, role := range []access.Role{access.Viewer, access.Field} {
		other := w.as(role)
		require.Equal(t, 200, other.get("/firm/crews").status)
		require.Equal(t, 403, other.get(crew).status)
		require.Equal(t, 403, other.get(crew+"/delete").status)
		require.Equal(t, 403, other.post(crew+"/delete", url.Values{"version": {"3"}}).status)
		require.Equal(t, 403, other.post("/firm/crews/new", url.Values{"name": {"x"}}).status)
	}
}

// What a dispatcher knows of a pour, each value by the definitions of its unit.
func TestTheWholeOfAPourIsFilledIn(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	made := b.post("/pours/new", url.Values{
		"name": {"North wall"}, "site_id": {w.site.ID.String()}, "crew_id": {w.crews[2].ID.String()}, "plant_id": {w.plant.ID.String()}, "mix_id": {w.mix.ID.String()},
		"starts_at": {"2027-01-18T07:00"}, "cancel_by": {"2027-01-17T16:00"}, "occupied_until": {"2027-01-18T15:00"}, "element": {"wall"}, "thickness_mm": {"8"},
		"area_m2": {"400"}, "length_mm": {"40"}, "height_mm": {"10"}, "foam_mm": {"2"}, "vapour_retarder": {"", "on"}, "reinforced": {""}, "form_r_m2k_w": {"1"},
		"service_category": {"3"}, "exposure": {"C2"}, "windbreak": {"", "on"}, "lights": {""}, "placed_temp_c": {"32"}, "haul_min": {"30"}, "waste_pct": {"0"},
		"base/material": {"sand"}, "base/turf": {"", "on"}, "base/subgrade": {"gravel"}, "base/temps_c/0/depth_mm": {"0"}, "base/temps_c/0/temp_c": {"32"},
		"protection/0/r_m2k_w": {"6"}, "protection/0/on_at": {"2027-01-18T12:00"}, "protection/0/off_at": {""},
		"ground_cover/0/kind": {"heated"}, "ground_cover/0/heat_w_m2": {"20"}, "ground_cover/0/on_at": {"2027-01-16T07:00"},
	})
	require.Equal(t, 303, made.status, made.body)
	id := uuid.MustParse(strings.TrimSuffix(strings.TrimPrefix(made.header.Get("Location"), "/pours/"), "?done=saved"))
	p, err := w.db.Pour(t.Context(), everything, id)
	require.NoError(t, err)
	require.Equal(t, rules.Wall, p.Element)
	require.InDelta(t, 203.2, p.ThicknessMM, .001)
	require.InDelta(t, 12192, p.LengthMM, .001)
	require.InDelta(t, 3048, p.HeightMM, .001)
	require.InDelta(t, 50.8, p.FoamMM, .001)
	require.True(t, p.VapourRetarder)
	require.False(t, p.Reinforced)
	require.True(t, p.Windbreak)
	require.Equal(t, 3, p.ServiceCategory)
	require.Equal(t, rules.ExposureC2, p.Exposure)
	require.Zero(t, *p.PlacedTempC)
	require.Zero(t, *p.WastePct)
	require.Equal(t, []rules.DepthTemp{{}}, p.Base.Temps)
	require.True(t, p.Base.Turf)
	require.InDelta(t, 1.0567, p.Protection[0].RM2KW, .0001)
	require.Equal(t, time.Date(2027, 1, 18, 18, 0, 0, 0, time.UTC), p.Protection[0].OnAt.UTC())
	require.InDelta(t, 63.09, p.GroundCover[0].HeatWM2, .01) // 20 Btu/(h ft2)

	path := "/pours/" + id.String() + "/edit"
	form := b.get(path).body
	require.Contains(t, form, `name="placed_temp_c" value="32"`)
	require.Contains(t, form, `name="protection/0/on_at" value="2027-01-18T12:00"`)
	moved := b.post(path, with(opened(t, form), "starts_at", "2027-01-19T07:00", "cancel_by", "2027-01-17T16:00", "protection/0/r_m2k_w", "6", "protection/0/on_at", "2027-01-18T12:00"))
	require.Equal(t, 303, moved.status, moved.body)
	after, err := w.db.Pour(t.Context(), everything, id)
	require.NoError(t, err)
	require.Equal(t, 24*time.Hour, after.CancelBy.Sub(*p.CancelBy), "what was left as it was moves along")
	require.Equal(t, 24*time.Hour, after.Protection[0].OnAt.Sub(p.Protection[0].OnAt))
	require.Equal(t, p.Protection[0].RM2KW, after.Protection[0].RM2KW)
	require.Equal(t, p.GroundCover[0].HeatWM2, after.GroundCover[0].HeatWM2)
	require.Equal(t, 303, b.post("/pours/"+id.String()+"/delete", url.Values{"version": {"2"}}).status)
	require.Equal(t, 404, b.get("/pours/"+id.String()).status)
}

func TestAnAlertIsShelvedWithAReasonAndTakenUpAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	path := "/alerts/" + w.alert.ID.String()
	require.Contains(t, b.get(path+"/shelve").body, `name="until" value="2027-01-14T06:00"`, "tomorrow morning at the site")
	early := b.post(path+"/shelve", url.Values{"reason": {""}, "until": {"2027-01-13T14:11"}})
	require.Equal(t, 422, early.status)
	require.Contains(t, early.body, "is required")
	require.Contains(t, early.body, "at least 15 minutes ahead")
	require.Equal(t, 303, b.post(path+"/shelve", url.Values{"reason": {"Order is cancelled"}, "until": {"2027-01-14T06:10"}}).status)
	a, err := w.db.Alert(t.Context(), everything, w.alert.ID)
	require.NoError(t, err)
	require.Equal(t, "shelved", a.OperatorState)
	require.Equal(t, 16*time.Hour, a.ShelvedUntil.Sub(a.ChangedAt), "from 2:10 p.m. to 6:10 a.m.")
	page := b.get(path).body
	require.Contains(t, page, "Order is cancelled")
	require.Contains(t, page, "Take up again")
	require.Equal(t, 303, b.post(path+"/unshelve", url.Values{}).status)
	a, err = w.db.Alert(t.Context(), everything, w.alert.ID)
	require.NoError(t, err)
	require.Equal(t, "none", a.OperatorState)
	require.Equal(t, 403, w.as(access.Field).get(path+"/shelve").status)
	require.Equal(t, 403, w.as(access.Viewer).post(path+"/shelve", url.Values{"reason": {"x"}, "until": {"2027-01-14T06:10"}}).status)
}

func TestEndpointsAreKeptByForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	form := url.Values{
		"name": {"Yard display"}, "url": {"https://hooks.example.com/yard"}, "kind": {"standard"}, "enabled": {"true"}, "min_severity": {"major"},
		"crew_ids": {"", w.crews[0].ID.String(), w.crews[2].ID.String()}, "plant_ids": {""},
	}
	made := b.post("/firm/endpoints/new", form)
	require.Equal(t, 201, made.status, made.body)
	require.Contains(t, made.body, `value="whsec_`)
	id := regexp.MustCompile(`/firm/endpoints/[0-9a-f-]{36}`).FindString(made.body)
	page := b.get(id).body
	require.Contains(t, page, "hooks.example.com")
	require.Contains(t, page, "2 chosen")
	require.NotContains(t, page, "/yard", "the address is a secret")
	edit := b.get(id + "/edit").body
	require.NotContains(t, edit, "/yard")
	off := b.post(id+"/edit", with(opened(t, edit), "url", "", "enabled", "false"))
	require.Equal(t, 303, off.status, off.body)
	stored, err := w.db.Endpoint(t.Context(), uuid.MustParse(id[len("/firm/endpoints/"):]))
	require.NoError(t, err)
	require.Equal(t, "disabled", stored.State)
	require.Equal(t, []uuid.UUID{w.crews[0].ID, w.crews[2].ID}, stored.CrewIDs)
	require.Equal(t, "hooks.example.com", stored.Host)
	bad := b.post("/firm/endpoints/new", with(form, "url", "http://10.0.0.1/x", "name", "Inside"))
	require.Equal(t, 422, bad.status)
	require.Contains(t, bad.body, "is not allowed")
	require.Equal(t, 303, b.post(id+"/delete", url.Values{"version": {"2"}}).status)
	require.Equal(t, 403, w.as(access.Viewer).get("/firm/endpoints").status)

	told := b.get("/firm/endpoints/" + w.endpoint.ID.String()).body
	delivery := regexp.MustCompile(`/deliveries/[0-9a-f-]{36}`).FindString(told)
	require.Contains(t, b.get(delivery).body, "Move: the base is frozen.", "as it was sent")
}

func TestTheFirmSetsItsUnits(t *testing.T) {
	t.Parallel()
	w := newWorld(t, rules.UnitsUS).stock()
	b := w.as(access.Dispatcher)
	form := b.get("/firm/settings").body
	require.Equal(t, 303, b.post("/firm/settings", with(opened(t, form), "units", "si", "code", "csa", "calibration/set_factor", "1.1")).status)
	firm, err := w.db.Firm(t.Context())
	require.NoError(t, err)
	require.Equal(t, rules.UnitsSI, firm.Units)
	require.Equal(t, rules.CodeCSA, firm.Code)
	require.InDelta(t, 1.1, firm.Calibration.SetFactor, 1e-9)
	require.Contains(t, b.get("/firm/mixes").body, "kg/m³")
	require.Equal(t, 422, b.post("/firm/settings", with(opened(t, b.get("/firm/settings").body), "calibration/set_factor", "9")).status)
	require.Equal(t, 403, w.as(access.Field).get("/firm/settings").status)
}
