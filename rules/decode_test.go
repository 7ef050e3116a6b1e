package rules

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// contract is the least that a stateless request may be, every member spelt out.
const contract = `{
  "site": {"latitude": 42.0, "longitude": -88.0, "elevation_m": 220, "timezone": "America/Chicago", "shade": 0.0, "terrain": "open"},
  "pour": {
    "element": "slab_on_ground", "thickness_mm": 125, "area_m2": 70, "starts_at": "2026-01-20T07:00:00-06:00",
    "batched_at": "2026-01-20T06:15:00-06:00", "placed_temp_c": 20.0,
    "base": {"material": "gravel", "depth_mm": 150, "moisture_pct": 4, "temps_c": [{"depth_mm": 0, "temp_c": 0.8}]},
    "foam_mm": 0, "vapour_retarder": false, "reinforced": true, "service_category": 2, "crew": {"day_ends_at": "2026-01-20T17:00:00-06:00"},
    "mix": {"cement_type": "I/II", "cement_kg_m3": 332, "water_kg_m3": 160, "aggregate_kg_m3": 1850, "strength_mpa": 27.6,
            "admixtures": [{"kind": "calcium_chloride", "dose_pct": 2.0}]},
    "protection": [{"r_m2k_w": 0.70, "on_at": "2026-01-20T16:00:00-06:00", "off_at": null}]
  },
  "weather": [
    {"at": "2026-01-20T13:00:00Z", "air_temp_c": -9.4, "dew_point_c": -13, "wind_ms": 3.6, "gust_ms": 6, "cloud": 0.5, "shortwave_wm2": null, "precip_mm": 0, "precip_type": "none", "snow_depth_m": 0},
    {"at": "2026-01-20T14:00:00Z", "air_temp_c": -9.0}
  ]
}`

// least has only what is required.
const least = `{"site": {"latitude": 42, "longitude": -88, "timezone": "America/Chicago"},
  "pour": {"element": "slab_on_ground", "thickness_mm": 125, "starts_at": "2026-01-20T07:00:00-06:00",
    "mix": {"cement_type": "I", "cement_kg_m3": 332, "water_kg_m3": 160, "aggregate_kg_m3": 1850, "strength_mpa": 27.6}},
  "weather": [{"at": "2026-01-20T13:00:00Z", "air_temp_c": -9.4}]}`

func TestDecodeContract(t *testing.T) {
	c, err := Decode([]byte(contract))
	require.NoError(t, err)
	require.Equal(t, 125.0, c.Pour.ThicknessMM)
	require.Equal(t, time.Date(2026, 1, 20, 13, 0, 0, 0, time.UTC), c.Pour.StartsAt.UTC())
	require.Equal(t, 20.0, *c.Pour.PlacedTempC)
	require.Nil(t, c.Pour.Protection[0].OffAt)
	require.Nil(t, c.Weather[0].ShortwaveWm2)
	require.Equal(t, 0.0, *c.Weather[0].PrecipMM)
	require.Nil(t, c.Weather[1].PrecipMM, "not supplied is not zero")
	_, err = Decode([]byte(least))
	require.NoError(t, err)
}

// broken documents, each with everything that is wrong in them. %s stands for the
// rest of a good one.
func TestDecodeRefuses(t *testing.T) {
	swap := func(old, new string) string {
		require.Contains(t, contract, old)
		return strings.Replace(contract, old, new, 1)
	}
	for name, x := range map[string]struct {
		doc  string
		want []Violation
	}{
		"unknown member": {
			swap(`"thickness_mm": 125`, `"thickness_mm": 125, "thickness_in": 5, "Area_m2": 3, "a/b~c": 1`),
			[]Violation{{"/pour/thickness_in", "is not a known member"}, {"/pour/Area_m2", "is not a known member"}, {"/pour/a~1b~0c", "is not a known member"}},
		},
		"twice": {
			swap(`"foam_mm": 0`, `"foam_mm": 0, "foam_mm": 50`), []Violation{{"/pour/foam_mm", "is given twice"}},
		},
		"missing": {
			`{"site": {}, "pour": {"mix": {}}, "weather": [{}]}`,
			[]Violation{
				{"/site/latitude", "is required"},
				{"/site/longitude", "is required"},
				{"/site/timezone", "is required"},
				{"/pour/mix/cement_type", "is required"},
				{"/pour/mix/cement_kg_m3", "is required"},
				{"/pour/mix/water_kg_m3", "is required"},
				{"/pour/mix/aggregate_kg_m3", "is required"},
				{"/pour/mix/strength_mpa", "is required"},
				{"/pour/element", "is required"},
				{"/pour/thickness_mm", "is required"},
				{"/pour/starts_at", "is required"},
				{"/weather/0/at", "is required"},
				{"/weather/0/air_temp_c", "is required"},
			},
		},
		"no pour":  {`{"site": {"latitude": 1, "longitude": 1, "timezone": "UTC"}, "weather": []}`, []Violation{{"/pour", "is required"}}},
		"a list":   {`[]`, []Violation{{"", "must be an object, not a list"}}},
		"null":     {`null`, []Violation{{"", "must be an object, not null"}}},
		"a number": {`7`, []Violation{{"", "must be an object, not a number"}}},
		"types": {
			swap(`"latitude": 42.0, "longitude": -88.0`, `"latitude": "42", "longitude": null`),
			[]Violation{{"/site/latitude", "must be a number, not text"}, {"/site/longitude", "must be a number, not null"}},
		},
		"more types": {
			swap(`"reinforced": true, "service_category": 2`, `"reinforced": 1, "service_category": 2.5, "observations": {}, "plant": []`),
			[]Violation{
				{"/pour/reinforced", "must be true or false, not a number"},
				{"/pour/service_category", "must be a whole number"},
				{"/pour/observations", "must be a list, not an object"},
				{"/pour/plant", "must be an object, not a list"},
			},
		},
		"too large a number": {swap(`"area_m2": 70`, `"area_m2": 1e400`), []Violation{{"/pour/area_m2", "is too large a number"}}},
		"times": {
			swap(`"2026-01-20T07:00:00-06:00"`, `"2026-01-20 07:00"`),
			[]Violation{{"/pour/starts_at", "must be a time of RFC 3339, such as 2026-01-20T07:00:00-06:00"}},
		},
		"time as number": {swap(`"2026-01-20T06:15:00-06:00"`, `1768911300`), []Violation{{"/pour/batched_at", "must be a time of RFC 3339, not a number"}}},
		"ranges": {
			swap(`"thickness_mm": 125, "area_m2": 70`, `"thickness_mm": 5, "area_m2": -1, "element_": 0, "waste_pct": 200, "form_r_m2k_w": 11`),
			[]Violation{
				{"/pour/element_", "is not a known member"},
				{"/pour/thickness_mm", "must be between 50 and 3000 mm"},
				{"/pour/area_m2", "must be between 0 and 100000 m²"},
				{"/pour/waste_pct", "must be between 0 and 100 %"},
				{"/pour/form_r_m2k_w", "must be between 0 and 10 m²K/W"},
			},
		},
		"words": {
			swap(`"element": "slab_on_ground"`, `"element": "column", "exposure": "C9"`),
			[]Violation{{"/pour/element", "must be slab_on_ground, footing or wall"}, {"/pour/exposure", "must be C0, C1, C2 or prestressed"}},
		},
		"zone": {
			swap(`"America/Chicago"`, `"America/Gotham"`), []Violation{{"/site/timezone", "must be an IANA time zone, such as America/Chicago"}},
		},
		"zone of the machine": {
			swap(`"America/Chicago"`, `"Local"`), []Violation{{"/site/timezone", "must be an IANA time zone, such as America/Chicago"}},
		},
		"proportions": {
			swap(`"water_kg_m3": 160`, `"water_kg_m3": 320`), []Violation{{"/pour/mix/water_kg_m3", "must be 0.25 to 0.90 of the cementitious materials by mass"}},
		},
		"other units": { // 564, 270 and 3,060 lb/yd3
			swap(`"cement_kg_m3": 332, "water_kg_m3": 160, "aggregate_kg_m3": 1850`, `"cement_kg_m3": 564, "water_kg_m3": 270, "aggregate_kg_m3": 3060`),
			[]Violation{{"/pour/mix/aggregate_kg_m3", "must be between 500 and 2500 kg/m³"}, {"/pour/mix", "must add up to between 1400 and 2800 kg/m³ of concrete"}},
		},
		"hours out of order": {
			swap(`"2026-01-20T14:00:00Z"`, `"2026-01-20T12:00:00Z"`), []Violation{{"/weather/1/at", "must be after the hour before it in the list"}},
		},
		"hour twice": {swap(`"2026-01-20T14:00:00Z"`, `"2026-01-20T07:00:00-06:00"`), []Violation{{"/weather/1/at", "is given twice"}}},
		"half hour":  {swap(`"2026-01-20T14:00:00Z"`, `"2026-01-20T14:30:00Z"`), []Violation{{"/weather/1/at", "must be a full hour (UTC)"}}},
		"weather of another day": {
			swap(`"starts_at": "2026-01-20T07:00:00-06:00"`, `"starts_at": "2026-01-20T09:00:00-06:00"`),
			[]Violation{{"/weather", "must reach from before starts_at to after it, with air temperatures"}},
		},
		"no weather": {
			contract[:strings.Index(contract, `"weather"`)] + `"weather": []}`,
			[]Violation{{"/weather", "must reach from before starts_at to after it, with air temperatures"}},
		},
		"batched after": {swap(`T06:15:00-06:00`, `T07:15:00-06:00`), []Violation{{"/pour/batched_at", "must not be after starts_at"}}},
		"batched long before": {
			swap(`T06:15:00-06:00`, `T02:15:00-06:00`), []Violation{{"/pour/batched_at", "must be at most 4 h before starts_at"}},
		},
		"off before on": {
			swap(`"off_at": null`, `"off_at": "2026-01-20T15:00:00-06:00"`), []Violation{{"/pour/protection/0/off_at", "must be after on_at"}},
		},
		"day ends before": {
			swap(`"2026-01-20T17:00:00-06:00"`, `"2026-01-19T17:00:00-06:00"`),
			[]Violation{{"/pour/crew/day_ends_at", "must be after starts_at and at most 24 h later"}},
		},
		"profile": {
			swap(`{"depth_mm": 0, "temp_c": 0.8}`, `{"depth_mm": 100, "temp_c": 0.8}, {"depth_mm": 100, "temp_c": 99}`),
			[]Violation{{"/pour/base/temps_c/1/temp_c", "must be between -50 and 60 °C"}, {"/pour/base/temps_c/1/depth_mm", "must be deeper than the one before"}},
		},
		"product": {
			swap(`"dose_pct": 2.0`, `"dose_pct": 12, "product": "powder"`),
			[]Violation{{"/pour/mix/admixtures/0/dose_pct", "must be between 0 and 8 %"}, {"/pour/mix/admixtures/0/product", "must be flake, pellet, anhydrous or liquid"}},
		},
		"years": {
			swap(`"off_at": null`, `"off_at": "3026-01-20T15:00:00-06:00"`), []Violation{{"/pour/protection/0/off_at", "must lie between 1950 and 2100"}},
		},
		"control characters": {
			swap(`"site": {`, `"warnings": [{"event": "a\u0000b", "onset_at": "2026-01-20T00:00:00Z", "ends_at": "2026-01-19T00:00:00Z", "severity": "dire"}], "site": {`),
			[]Violation{
				{"/warnings/0/event", "must not hold control characters"},
				{"/warnings/0/severity", "must be extreme, severe, moderate, minor or unknown"},
				{"/warnings/0/ends_at", "must be after onset_at"},
			},
		},
		"observations": {
			swap(`"foam_mm": 0`, `"foam_mm": 0, "observations": [{"kind": "smell", "at": "2026-01-20T00:00:00Z"}, {"kind": "base_frozen", "at": "2026-01-20T00:00:00Z", "value": 2}]`),
			[]Violation{
				{"/pour/observations/0/kind", "must be base_frozen, base_temp, concrete_temp, slump, slab_temp, initial_set, final_set, blanket_on, blanket_off or cylinder_strength"},
				{"/pour/observations/1/value", "must be between 0 and 1"},
			},
		},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Decode([]byte(x.doc))
			var wrong *InvalidError
			require.ErrorAs(t, err, &wrong)
			require.ElementsMatch(t, x.want, wrong.Violations)
		})
	}
}

func TestDecodeRefusesWhatIsNotJSON(t *testing.T) {
	for name, x := range map[string]struct{ doc, want string }{
		"nothing":       {"", "must be one JSON document: unexpected end of JSON input at line 1, column 1"},
		"trailing":      {least + " {}", "must be one JSON document: invalid character '{' after top-level value"},
		"cut off":       {contract[:200], "must be one JSON document: unexpected end of JSON input"},
		"NaN":           {strings.Replace(least, "-9.4", "NaN", 1), "must be one JSON document: invalid character 'N'"},
		"Infinity":      {strings.Replace(least, "-9.4", "Infinity", 1), "must be one JSON document: invalid character 'I'"},
		"leading plus":  {strings.Replace(least, "-9.4", "+9.4", 1), "must be one JSON document: invalid character '+'"},
		"comment":       {"// a pour\n" + least, "must be one JSON document: invalid character '/'"},
		"not UTF-8":     {strings.Replace(least, "UTC", "\xff", 1) + "\xff", "must be UTF-8"},
		"too many byte": {strings.Repeat(" ", maxBytes+1), "must be at most 4 MiB"},
		"far too deep":  {strings.Repeat("[", 20000) + strings.Repeat("]", 20000), "must be one JSON document: invalid character '[' exceeded max depth"},
	} {
		_, err := Decode([]byte(x.doc))
		var wrong *InvalidError
		require.ErrorAs(t, err, &wrong, name)
		require.Len(t, wrong.Violations, 1, name)
		require.Empty(t, wrong.Violations[0].Pointer, name)
		require.True(t, strings.HasPrefix(wrong.Violations[0].Detail, x.want), "%s: %s", name, wrong.Violations[0].Detail)
	}
	_, err := Decode([]byte("{\n \"site\": {]\n}"))
	require.ErrorContains(t, err, "at line 2, column 11")
}

func TestDecodeCaps(t *testing.T) {
	deep := strings.Replace(least, `"latitude": 42`, `"latitude": `+strings.Repeat("[", 30)+strings.Repeat("]", 30), 1)
	_, err := Decode([]byte(deep))
	var wrong *InvalidError
	require.ErrorAs(t, err, &wrong)
	require.Equal(t, []Violation{{"/site/latitude", "must be a number, not a list"}}, wrong.Violations)

	many := strings.Replace(least, `"weather": [`, `"weather": [`+strings.Repeat(`{},`, maxHours), 1)
	_, err = Decode([]byte(many))
	require.ErrorAs(t, err, &wrong)
	require.Equal(t, []Violation{{"/weather", "must have at most 2500 items"}}, wrong.Violations)

	_, err = Decode([]byte(strings.Replace(least, `"weather": [`, `"weather": [`+strings.Repeat(`{},`, 500), 1)))
	require.ErrorAs(t, err, &wrong)
	require.Len(t, wrong.Violations, maxViolations)

	name := strings.Repeat("x", 5000)
	_, err = Decode([]byte(strings.Replace(least, `"site"`, `"`+name+`": 1, "site"`, 1)))
	require.ErrorAs(t, err, &wrong)
	require.Less(t, len(wrong.Violations[0].Pointer), 300)
}

// TestNullIsNotGiven: null stands for a member that may be left out.
func TestNullIsNotGiven(t *testing.T) {
	doc := strings.Replace(least, `"thickness_mm"`, `"foam_mm": null, "observations": null, "plant": null, "batched_at": null, "exposure": null, "thickness_mm"`, 1)
	got, err := Decode([]byte(doc))
	require.NoError(t, err)
	want, err := Decode([]byte(least))
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(want, got))
	_, err = Decode([]byte(strings.Replace(least, `"air_temp_c": -9.4`, `"air_temp_c": null`, 1)))
	require.ErrorContains(t, err, "with air temperatures")
}

// TestDecodeEncoded: what is written is read back, and says the same.
func TestDecodeEncoded(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := anyCase(rt)
		data, err := json.Marshal(c)
		require.NoError(rt, err)
		back, err := Decode(data)
		require.NoError(rt, err)
		require.Empty(rt, cmp.Diff(c, back))
	})
}

// TestEveryMemberIsSeen: each optional member of a case, left out of the encoding
// when empty, is one that Decode knows.
func TestEveryMemberIsSeen(t *testing.T) {
	var walk func(reflect.Type)
	seen := map[reflect.Type]bool{}
	walk = func(ty reflect.Type) {
		for ty.Kind() == reflect.Pointer || ty.Kind() == reflect.Slice {
			ty = ty.Elem()
		}
		if ty.Kind() != reflect.Struct || ty == timeType || seen[ty] {
			return
		}
		seen[ty] = true
		for f := range ty.Fields() {
			require.NotEmpty(t, f.Tag.Get("json"), "%s.%s", ty, f.Name)
			require.True(t, f.IsExported(), "%s.%s", ty, f.Name)
			walk(f.Type)
		}
	}
	walk(reflect.TypeFor[Case]())
	require.Greater(t, len(seen), 15)
}

// TestValidateFindsWhatCannotBeWritten: a case built in Go may hold what JSON
// cannot.
func TestValidateFindsWhatCannotBeWritten(t *testing.T) {
	c := demoCase()
	require.Empty(t, Validate(c))
	c.Pour.ThicknessMM, c.Pour.Plant.HaulMin, c.Site.Latitude = math.NaN(), new(math.Inf(1)), math.Inf(-1)
	c.Pour.Base.DepthMM, c.Weather = math.NaN(), nil
	require.Equal(t, []Violation{
		{"/site/latitude", "must be between -66 and 72 degrees"},
		{"/pour/thickness_mm", "must be between 50 and 3000 mm"},
		{"/pour/base/depth_mm", "must be between 20 and 2000 mm"},
		{"/pour/plant/haul_min", "must be between 0 and 240 min"},
	}, Validate(c))
}

// TestPartsAreChecked: a part alone says what it says inside a case.
func TestPartsAreChecked(t *testing.T) {
	require.Equal(t, []Violation{{"/truck", "must be drum, covered_dump or open_dump"}}, Plant{Truck: "barrow"}.Violations())
	require.Equal(t, []Violation{{"/place_m3_h", "must be between 0.5 and 200 m³/h"}}, Crew{PlaceM3H: 999}.Violations())
	require.Equal(t, []Violation{{"/units", "must be us or si"}, {"/calibration/set_factor", "must be between 0.5 and 2"}},
		Firm{Units: "uk", Calibration: Calibration{SetFactor: 9}}.Violations())
	require.Empty(t, demoCase().Pour.Mix.Violations())
	require.Empty(t, demoCase().Pour.Violations())
	require.Empty(t, demoCase().Site.Violations())
	mix := demoCase().Pour.Mix
	mix.CementType = "IV"
	mix.Admixtures = []Admixture{{Kind: waterReducer, DosePct: .2, Product: "flake"}}
	require.Equal(t, []Violation{
		{"/cement_type", "must be I, I/II, II or III"}, {"/admixtures/0/product", "is for calcium_chloride only"},
	}, mix.Violations())
}

func TestInvalidErrorSaysAll(t *testing.T) {
	_, err := Decode([]byte(`{"site": {"latitude": 99, "longitude": 0, "timezone": "UTC"}, "weather": []}`))
	require.EqualError(t, err, "invalid case: /pour is required; /site/latitude must be between -66 and 72 degrees")
}

// TestDefaultsAreToldAndLeaveTheCase: everything that is filled in is told, the
// case itself stays as it was, and nothing is filled twice.
func TestDefaultsAreToldAndLeaveTheCase(t *testing.T) {
	c, err := Decode([]byte(least))
	require.NoError(t, err)
	before, err := json.Marshal(c)
	require.NoError(t, err)
	full, assumed := c.withDefaults()
	after, err := json.Marshal(c)
	require.NoError(t, err)
	require.Equal(t, string(before), string(after))
	told := map[string]any{}
	for _, a := range assumed {
		require.NotContains(t, told, a.Pointer)
		require.NotEmpty(t, a.Reason)
		told[a.Pointer] = a.Value
	}
	for pointer, want := range map[string]any{
		"/site/terrain": TerrainOpen, "/pour/base/material": "gravel", "/pour/base/moisture_pct": 4.0, "/pour/service_category": 2,
		"/pour/plant/haul_min": 45.0, "/pour/plant/water_max_c": 71.0, "/pour/waste_pct": 7.0, "/firm/units": UnitsUS,
		"/firm/calibration/set_factor": 1.2, "/firm/calibration/blanket_efficiency": 0.75,
		"/pour/crew/day_ends_at": c.Pour.StartsAt.Add(10 * time.Hour), "/pour/batched_at": c.Pour.StartsAt.Add(-45 * time.Minute),
	} {
		require.Equal(t, want, told[pointer], pointer)
	}
	require.NotContains(t, told, "/pour/exposure", "not reinforced")
	again, assumed := full.withDefaults()
	require.Equal(t, full, again)
	for _, a := range assumed {
		require.Equal(t, "/site/elevation_m", a.Pointer, "filled in and still missing")
	}
	require.Empty(t, Validate(full))
	listed := map[string]bool{}
	for _, d := range Defaults() {
		require.False(t, listed[d.Pointer], d.Pointer)
		listed[d.Pointer] = true
		require.NotEmpty(t, d.Value)
		require.NotEmpty(t, d.Reason)
	}
	for pointer := range told {
		require.True(t, listed[pointer], pointer)
	}
}

func TestZones(t *testing.T) {
	for _, name := range []string{"", "Local", "Mars/Olympus", "../etc/passwd", "America"} {
		_, err := zoneOf(name)
		require.Error(t, err, name)
	}
	for _, name := range []string{"UTC", "America/Chicago", "Asia/Kolkata"} {
		zone, err := zoneOf(name)
		require.NoError(t, err)
		require.Equal(t, name, zone.String())
	}
}

// FuzzDecode: whatever the bytes, Decode answers with a case that is valid and can
// be assessed, or with what is wrong; it never panics.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		contract, least, "", "null", "[]", `{"site":{}}`, least + "x", contract[:300],
		strings.Replace(least, "-9.4", "1e400", 1), strings.Replace(least, "-9.4", "-0", 1),
		strings.Replace(contract, `"none"`, `"snow"`, 1), strings.Replace(contract, `"slab_on_ground"`, `"wall"`, 1),
		strings.Replace(contract, `"slab_on_ground"`, `"footing"`, 1), strings.Replace(contract, "American", "UTC", 1),
		`{"site":{"latitude":1,"latitude":2},"pour":{"mix":[[[[]]]]}}`, strings.Repeat(`{"a":`, 40) + "1" + strings.Repeat("}", 40),
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Decode(data)
		if err != nil {
			var wrong *InvalidError
			if !errors.As(err, &wrong) || len(wrong.Violations) == 0 {
				t.Fatalf("not an InvalidError with violations: %v", err)
			}
			for _, v := range wrong.Violations {
				if v.Detail == "" || v.Pointer != "" && v.Pointer[0] != '/' {
					t.Fatalf("bad violation %+v", v)
				}
			}
			return
		}
		if bad := Validate(c); len(bad) > 0 {
			t.Fatalf("accepted and not valid: %v", bad)
		}
		encoded, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Decode(encoded)
		if err != nil {
			t.Fatalf("what was accepted is refused when written again: %v", err)
		}
		if again, err := json.Marshal(back); err != nil || string(again) != string(encoded) {
			t.Fatalf("round trip: %v\n%s\n%s", err, encoded, again)
		}
		if _, err := json.Marshal(Assess(c, Options{})); err != nil {
			t.Fatalf("assessment is not JSON: %v", err)
		}
		_ = fmt.Sprint(c)
	})
}
