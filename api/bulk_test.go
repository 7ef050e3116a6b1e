package api

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func (b *bundle) csv(query, text string) answer {
	b.t.Helper()
	return b.do(call{method: "POST", path: "/v1/pours/bulk" + query, body: text, header: map[string]string{"Content-Type": mediaCSV}})
}

func (b *bundle) exported(query string) string {
	b.t.Helper()
	a := b.do(call{method: "GET", path: "/v1/pours.csv" + query})
	require.Equal(b.t, 200, a.status, a.body)
	require.Equal(b.t, "text/csv; charset=utf-8", a.header.Get("Content-Type"))
	require.Contains(b.t, a.header.Get("Content-Disposition"), "attachment")
	return a.body
}

// counts of a report: created, updated, unchanged, refused.
func counts(report object) []any {
	return []any{report["created"], report["updated"], report["unchanged"], report["refused"]}
}

func n(created, updated, unchanged, refused float64) []any {
	return []any{created, updated, unchanged, refused}
}

const usSheet = "\xef\xbb\xbfName,Site,Plant,Crew,Mix,Starts (site time),Element,Thickness (in),Area (sq ft),Reinforced,Placed temperature (F),Note\r\n" +
	"Bay 1,North yard,River plant,Crew 1,4000 winter,1/15/2026 7:00 AM,Slab on ground,5,\"1,000\",yes,65,\"says \"\"hi\"\", twice\"\r\n" +
	"Bay 2,north YARD,RIVER plant,crew 2,4000 Winter,2026-01-15 07:00,slab_on_ground,5.5,750,,,\r\n"

const siSheet = "name;site_id;plant;crew;mix;starts_at;element;thickness_mm;area_m2;reinforced\n" +
	"Bay 3;North yard;Hill plant;Crew 1;4000 winter;16.01.2026 07:00;slab on ground;127;92,5;x\n"

func TestSheetsInBothUnits(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	b.taken()
	report := b.csv("", usSheet).is(200)
	require.Equal(t, n(2, 0, 0, 0), counts(report))
	require.Len(t, b.taken(), 2)
	require.Equal(t, n(1, 0, 0, 0), counts(b.csv("", siSheet).is(200)))

	pours := b.do(call{method: "GET", path: "/v1/pours"}).is(200).items()
	require.Len(t, pours, 3)
	first := pours[0]
	require.Equal(t, "Bay 1", first["name"])
	require.Equal(t, s.site, first["site_id"])
	require.Equal(t, "2026-01-15T13:00:00Z", first["starts_at"])
	require.InDelta(t, 127.0, first["thickness_mm"], 1e-9)
	require.InDelta(t, 92.90304, first["area_m2"], 1e-9) // NIST SP 811
	require.InDelta(t, 18.333333, first["placed_temp_c"], 1e-6)
	require.Equal(t, true, first["reinforced"])
	require.Equal(t, `says "hi", twice`, first["note"])
	require.InDelta(t, 139.7, pours[1]["thickness_mm"], 1e-9)
	require.Equal(t, "2026-01-16T13:00:00Z", pours[2]["starts_at"])
	require.InDelta(t, 92.5, pours[2]["area_m2"], 1e-9)
}

// furnished is a pour with every field set that a form has.
func (s stock) furnished(name string, starts time.Time) object {
	at := func(hours int) string { return starts.Add(time.Duration(hours) * time.Hour).Format(time.RFC3339) }
	return s.pour(name, starts).with(object{
		"note": "first line\nsecond, with \"quotes\"; and more", "occupied_until": at(9), "cancel_by": at(-13), "element": "wall",
		"thickness_mm": 203.2, "height_mm": 2743.2, "length_mm": 12192, "area_m2": 33.3, "volume_m3": 6.8, "waste_pct": 5,
		"base": object{
			"material": "sand", "depth_mm": 152.4, "moisture_pct": 6, "subgrade": "gravel", "turf": true,
			"temps_c": []object{{"depth_mm": 0, "temp_c": 0.8}, {"depth_mm": 100, "temp_c": 2}},
		},
		"foam_mm": 50.8, "vapour_retarder": true, "reinforced": true, "exposure": "C2", "service_category": 3, "form_r_m2k_w": 0.44,
		"windbreak": true, "lights": true, "placed_temp_c": 17.7, "haul_min": 35,
		"protection":         []object{{"r_m2k_w": 0.7, "on_at": at(6), "off_at": at(80)}},
		"protection_at_hand": []object{{"name": "R-4 blankets, 6 ft", "r_m2k_w": 0.7, "area_m2": 200, "max_layers": 2}},
		"ground_cover":       []object{{"kind": "blanket", "r_m2k_w": 0.7, "on_at": at(-48), "off_at": at(-1)}},
	})
}

// What is exported says the same when it comes back, in either system of units, here and in another firm's database.
func TestAnExportImportsAgainUnchanged(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	for i, form := range []object{
		s.furnished("Core wall", firstStart), s.pour("=1+1", firstStart.Add(48*time.Hour)).with(object{"note": "+SUM(A1)\n@x"}),
		s.pour("'quoted", firstStart.Add(96*time.Hour)).with(object{"note": "'=x"}), s.pour("plain, with comma; and \t tab", firstStart.Add(144*time.Hour)),
		s.pour("odd measures", firstStart.Add(240*time.Hour)).with(object{"thickness_mm": 100.0 / 3, "area_m2": math.Pi}).with(object{"thickness_mm": 1000.0 / 7}),
		// An hour that happens twice: 1:30 on 2026-11-01 in Chicago, both times, with seconds and without.
		s.pour("first 1:30", time.Date(2026, 11, 1, 6, 30, 0, 0, time.UTC)), s.pour("second 1:30", time.Date(2026, 11, 1, 7, 30, 0, 0, time.UTC)).with(object{"crew_id": s.otherCrew}),
		s.pour("with seconds", time.Date(2026, 12, 1, 7, 30, 17, 0, time.UTC)), s.pour("to the microsecond", firstStart.Add(480*time.Hour)).with(object{"starts_at": "2026-02-04T13:00:00.123456Z"}),
	} {
		b.do(call{method: "POST", path: "/v1/pours", body: form}).is(201)
		_ = i
	}
	before := b.do(call{method: "GET", path: "/v1/pours"}).is(200)
	audit := b.rows()["audit"]
	for _, units := range []string{"us", "si"} {
		sheet := b.exported("?units=" + units)
		for _, way := range []string{sheet, "\xef\xbb\xbf" + strings.ReplaceAll(sheet, "\n", "\r\n")} {
			report := b.csv("?units="+map[string]string{"us": "si", "si": "us"}[units], way).is(200)
			require.Equal(t, n(0, 0, 9, 0), counts(report), report)
		}
		require.Equal(t, before, b.do(call{method: "GET", path: "/v1/pours"}).is(200))
	}
	require.Equal(t, audit, b.rows()["audit"])

	// Elsewhere the same sheet, less its ids, makes the same pours.
	other := setup(t)
	o := other.stock()
	for _, units := range []string{"us", "si"} {
		report := other.csv("", withoutColumns(t, b.exported("?units="+units), "ID", "Version")).is(200)
		require.Equal(t, n(9, 0, 0, 0), counts(report), report)
		made := other.do(call{method: "GET", path: "/v1/pours"}).is(200).items()
		for i, pour := range before.items() {
			same := pour.with(object{"site_id": o.site, "plant_id": o.plant, "mix_id": o.mix, "crew_id": made[i]["crew_id"]})
			for _, field := range []string{"id", "created_at", "updated_at"} {
				same[field] = made[i][field]
			}
			if pour["name"] == "odd measures" { // a value that no decimal number of the other unit is
				require.InDelta(t, pour["thickness_mm"], made[i]["thickness_mm"], 1e-9)
				require.InDelta(t, pour["area_m2"], made[i]["area_m2"], 1e-9)
				same["thickness_mm"], same["area_m2"] = made[i]["thickness_mm"], made[i]["area_m2"]
			}
			require.Equal(t, same, made[i])
			other.do(call{method: "DELETE", path: "/v1/pours/" + made[i].str("id"), header: map[string]string{"If-Match": "*"}}).is(204)
		}
	}
}

func withoutColumns(t *testing.T, sheet string, names ...string) string {
	rows, err := csv.NewReader(strings.NewReader(sheet)).ReadAll()
	require.NoError(t, err)
	var out strings.Builder
	w := csv.NewWriter(&out)
	for _, row := range rows {
		var kept []string
		for i, cell := range row {
			drop := false
			for _, name := range names {
				drop = drop || rows[0][i] == name
			}
			if !drop {
				kept = append(kept, cell)
			}
		}
		require.NoError(t, w.Write(kept))
	}
	w.Flush()
	return out.String()
}

// OWASP, CSV Injection: no exported cell of text begins as a formula does.
func TestNoExportedCellIsAFormula(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	for i, text := range []string{"=1+1", "+1", "-1", "@x", "\t=1", "＝1"} {
		start := firstStart.Add(time.Duration(i) * 48 * time.Hour)
		b.do(call{method: "POST", path: "/v1/pours", body: s.pour(text, start).with(object{"note": text})}).is(201)
	}
	rows, err := csv.NewReader(strings.NewReader(b.exported(""))).ReadAll()
	require.NoError(t, err)
	for _, row := range rows {
		for _, cell := range row {
			require.False(t, startsFormula(cell), "%q", cell)
		}
	}
}

func TestASheetEditsWhatItNamesAndLeavesTheRest(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	made := b.do(call{method: "POST", path: "/v1/pours", body: s.furnished("Core wall", firstStart)}).is(201)
	report := b.csv("", "ID,Version,Thickness (in),Note\n"+made.str("id")+",1,10,\n").is(200)
	require.Equal(t, n(0, 1, 0, 0), counts(report))
	after := b.do(call{method: "GET", path: "/v1/pours/" + made.str("id")}).is(200)
	require.Equal(t, 254.0, after["thickness_mm"])
	require.Equal(t, made.without("version", "updated_at", "thickness_mm", "note"), after.without("version", "updated_at", "thickness_mm", "note"))
	require.NotContains(t, after, "note")

	b.csv("", "ID,Version,Thickness (in)\n"+made.str("id")+",1,12\n").wrong(422, "invalid", "2: stale")
	b.csv("", "ID,Thickness (in)\n"+made.str("id")+",12\n").wrong(422, "invalid", "2:Version required")
	b.csv("", "ID,Version,Thickness (in)\n"+someID+",1,12\n").wrong(422, "invalid", "2: not_found")
}

// Columns may stand in any order: times are read when the site is known.
func TestColumnsInAnyOrder(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.stock()
	rapid.Check(t, func(rt *rapid.T) {
		columns := rapid.Permutation([][2]string{
			{"Name", "Bay"},
			{"Site", "North yard"},
			{"Plant", "River plant"},
			{"Crew", "Crew 1"},
			{"Mix", "4000 winter"},
			{"Starts", "2026-01-15 07:00"},
			{"Element", "slab on ground"},
			{"Thickness (mm)", "125"},
			{"Area (m2)", "70"},
		}).Draw(rt, "columns")
		var header, row []string
		for _, c := range columns {
			header, row = append(header, c[0]), append(row, c[1])
		}
		report := b.csv("?dry_run=true", strings.Join(header, ",")+"\n"+strings.Join(row, ",")+"\n").is(200)
		require.Equal(rt, n(1, 0, 0, 0), counts(report))
	})
	require.Empty(t, b.do(call{method: "GET", path: "/v1/pours"}).is(200).items())
}

func TestEachRowSaysWhatIsWrongWithIt(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.stock()
	header := "Name,Site,Plant,Crew,Mix,Starts (site time),Element,Thickness (in),Area (ft2),Exposure class,Protection (JSON, SI)\n"
	header = strings.Replace(header, "Protection (JSON, SI)", `"Protection (JSON, SI)"`, 1)
	row := func(change ...string) string {
		cells := []string{"Bay", "North yard", "River plant", "Crew 1", "4000 winter", "2026-01-15 07:00", "slab on ground", "5", "750", "", ""}
		for i := 0; i < len(change); i += 2 {
			for j, name := range []string{"name", "site", "plant", "crew", "mix", "starts", "element", "thickness", "area", "exposure", "protection"} {
				if name == change[i] {
					cells[j] = change[i+1]
				}
			}
		}
		return `"` + strings.Join(cells, `","`) + "\"\n"
	}
	for name, c := range map[string]struct {
		row   string
		wrong []string
	}{
		"no name":              {row("name", ""), []string{"2:Name length"}},
		"no such site":         {row("site", "Nowhere"), []string{"2:Site invalid"}},
		"no crew":              {row("crew", ""), []string{"2:Crew invalid"}},
		"no such mix":          {row("mix", "soup"), []string{"2:Mix invalid"}},
		"no time":              {row("starts", ""), []string{"2:Starts (site time) required"}},
		"rubbish time":         {row("starts", "soon"), []string{"2:Starts (site time) invalid"}},
		"hour that is skipped": {row("starts", "2026-03-08 02:30"), []string{"2:Starts (site time) invalid"}},
		"hour that repeats":    {row("starts", "2026-11-01 01:30"), []string{"2:Starts (site time) invalid"}},
		"no element":           {row("element", ""), []string{"2:Element choice"}},
		"odd element":          {row("element", "dome"), []string{"2:Element choice"}},
		"no thickness":         {row("thickness", ""), []string{"2:Thickness (in) out_of_range"}},
		"thickness in words":   {row("thickness", "five"), []string{"2:Thickness (in) invalid"}},
		"too thin":             {row("thickness", "1"), []string{"2:Thickness (in) out_of_range"}},
		"too thick":            {row("thickness", "500"), []string{"2:Thickness (in) out_of_range"}},
		"negative area":        {row("area", "-5"), []string{"2:Area (ft2) out_of_range"}},
		"odd exposure":         {row("exposure", "C9"), []string{"2:Exposure class choice"}},
		"protection in words":  {row("protection", "two blankets"), []string{"2:Protection (JSON, SI) invalid"}},
		"two faults":           {row("thickness", "x", "area", "y"), []string{"2:Thickness (in) invalid", "2:Area (ft2) invalid"}},
	} {
		a := b.csv("", header+c.row)
		require.Equal(t, 422, a.status, name+a.body)
		a.wrong(422, "invalid", c.wrong...)
	}
	too := b.csv("", header+row("thickness", "1")).is(422)
	require.Contains(t, too["detail"], "must be at least 50 mm", "the limit has its unit, since the column has another")
	require.Empty(t, b.do(call{method: "GET", path: "/v1/pours"}).is(200).items())
}

func TestHeadersThatCannotBeUnderstood(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.stock()
	for header, wrong := range map[string]string{
		"Name,Colour":                      "1:Colour unknown",
		"Name,Thickness (furlongs)":        "1:Thickness (furlongs) unit",
		"Name,Name":                        "1:Name repeated",
		"Thickness (in),thickness_mm":      "1:thickness_mm repeated",
		"Name,":                            "1:column 2 required",
		"Placed temperature (K),Name":      "1:Placed temperature (K) unit",
		"Name,Thickness (in) or so":        "1:Thickness (in) or so unknown",
		"Name,state,verdict,Reason,Statee": "1:Statee unknown",
	} {
		b.csv("", header+"\nA,B\n").wrong(422, "invalid", wrong)
	}
}

func TestNothingOrWhatPasses(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	rows := []object{s.pour("good", firstStart), s.pour("bad", firstStart.Add(48*time.Hour)).with(object{"thickness_mm": 5}), s.pour("good too", firstStart.Add(96*time.Hour))}
	before := b.rows()
	b.do(call{method: "POST", path: "/v1/pours/bulk", body: rows}).wrong(422, "invalid", "#/1/thickness_mm out_of_range")
	require.Equal(t, before, b.rows())

	dry := b.do(call{method: "POST", path: "/v1/pours/bulk?dry_run=true", body: rows}).is(200)
	require.Equal(t, n(2, 0, 0, 1), counts(dry))
	require.Equal(t, before, b.rows())

	report := b.do(call{method: "POST", path: "/v1/pours/bulk?partial=true", body: rows}).is(200)
	require.Equal(t, n(2, 0, 0, 1), counts(report))
	var outcomes []string
	for _, row := range report["rows"].([]any) {
		outcomes = append(outcomes, row.(map[string]any)["outcome"].(string))
	}
	require.Equal(t, []string{"created", "refused", "created"}, outcomes)
	require.Len(t, report["errors"], 1)
	require.Len(t, b.do(call{method: "GET", path: "/v1/pours"}).is(200).items(), 2)
}

func TestBulkInJSON(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	made := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201)
	update := s.pour("A", firstStart).with(object{"id": made["id"], "version": 1, "occupied_until": made["occupied_until"]})
	report := b.do(call{method: "POST", path: "/v1/pours/bulk", body: []object{
		update, s.pour("B", firstStart.Add(48*time.Hour)),
	}}).is(200)
	require.Equal(t, n(1, 0, 1, 0), counts(report))
	report = b.do(call{method: "POST", path: "/v1/pours/bulk", body: []object{update.with(object{"note": "new"})}}).is(200)
	require.Equal(t, n(0, 1, 0, 0), counts(report))
	post := func(body any) answer { return b.do(call{method: "POST", path: "/v1/pours/bulk", body: body}) }
	post([]object{update}).wrong(422, "invalid", "#/0 stale")
	post([]object{update.without("version")}).wrong(422, "invalid", "#/0/version required")
	post([]object{update.with(object{"id": someID})}).wrong(422, "invalid", "#/0 not_found")
	post([]object{s.pour("C", firstStart.Add(2*time.Hour))}).wrong(422, "invalid", "#/0/crew_id conflict")
	post([]object{s.pour("C", firstStart.Add(96*time.Hour)), s.pour("D", firstStart.Add(97*time.Hour))}).wrong(422, "invalid", "#/1/crew_id conflict")
	post([]any{5}).wrong(422, "invalid", "#/0 type")
	post([]any{}).wrong(422, "invalid", "# length")
	post(object{}).wrong(422, "invalid", "# type")
	post("").wrong(400, "malformed")
	post([]object{update.with(object{"colour": "red"})}).wrong(422, "invalid", "#/0/colour unknown")
	many := make([]int, mostRows+1)
	post(many).wrong(422, "invalid", "# length")
}

// One row may make room for another: the order of a sheet says nothing of the order in time.
func TestRowsThatMakeRoomForEachOther(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	first := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("A", firstStart)}).is(201)
	second := b.do(call{method: "POST", path: "/v1/pours", body: s.pour("B", firstStart.Add(24*time.Hour))}).is(201)
	sheet := "id,version,starts_at,occupied_until\n" +
		first.str("id") + ",1,2026-01-16 07:00,2026-01-16 17:00\n" + // where B is until the next row moves it
		second.str("id") + ",1,2026-01-17 07:00,2026-01-17 17:00\n"
	require.Equal(t, n(0, 2, 0, 0), counts(b.csv("", sheet).is(200)))
}

func TestAThousandRows(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	rows := make([]object, mostRows)
	for i := range rows {
		rows[i] = s.pour(fmt.Sprintf("Bay %d", i), firstStart.Add(time.Duration(i)*24*time.Hour))
	}
	body, err := json.Marshal(rows)
	require.NoError(t, err)
	require.Less(t, len(body), bulkBytes)
	began := time.Now()
	require.Equal(t, n(mostRows, 0, 0, 0), counts(b.do(call{method: "POST", path: "/v1/pours/bulk", body: string(body)}).is(200)))
	t.Logf("%d rows in %s", mostRows, time.Since(began).Round(time.Millisecond))
	require.Equal(t, n(0, 0, mostRows, 0), counts(b.csv("", b.exported("")).is(200)))
}
