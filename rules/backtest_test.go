package rules

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// openData is the optional folder of open data beside the project.
const openData = "../../shared/data"

// readOpen opens a gzipped file of the optional data folder, or skips the test.
func readOpen(t testing.TB, name string) *bufio.Scanner {
	t.Helper()
	f, err := os.Open(filepath.Join(openData, name))
	if err != nil {
		t.Skip("open data not present:", err)
	}
	t.Cleanup(func() { _ = f.Close() })
	z, err := gzip.NewReader(f)
	require.NoError(t, err)
	s := bufio.NewScanner(z)
	s.Buffer(nil, 1<<20)
	return s
}

// typicalWinter reads October to April of a typical year (NREL TMY3 in EPW form)
// as one winter 2025 to 2026 in standard time of the zone offset.
func typicalWinter(t testing.TB, name string, offset time.Duration) []Hour {
	t.Helper()
	s := readOpen(t, name)
	byHour := map[time.Time]Hour{}
	for n := 0; s.Scan(); n++ {
		if n < 8 {
			continue
		}
		cell := strings.Split(s.Text(), ",")
		num := func(i int) float64 {
			v, err := strconv.ParseFloat(cell[i], 64)
			require.NoError(t, err)
			return v
		}
		month, day, hour := int(num(1)), int(num(2)), int(num(3))
		if month > 4 && month < 10 {
			continue
		}
		year := 2026
		if month >= 10 {
			year = 2025
		}
		// The row of hour h holds the states at h o'clock and the sums of the hour before.
		at := time.Date(year, time.Month(month), day, hour, 0, 0, 0, time.UTC).Add(-offset)
		h := byHour[at]
		h.At = at
		h.AirTempC, h.DewPointC, h.WindMS, h.Cloud = new(num(6)), new(num(7)), new(num(21)), new(num(22)/10)
		if snow := num(30); snow < 900 {
			h.SnowDepthM = new(snow / 100)
		}
		byHour[at] = h
		before := byHour[at.Add(-time.Hour)]
		before.ShortwaveWm2 = new(num(13))
		if rain := num(33); rain < 900 {
			before.PrecipMM = &rain
		}
		byHour[at.Add(-time.Hour)] = before
	}
	require.NoError(t, s.Err())
	var hours []Hour
	for at := time.Date(2025, 10, 1, 1, 0, 0, 0, time.UTC).Add(-offset); at.Before(time.Date(2026, 4, 20, 0, 0, 0, 0, time.UTC)); at = at.Add(time.Hour) {
		h, ok := byHour[at]
		require.True(t, ok, at)
		hours = append(hours, h)
	}
	return hours
}

// winterPour is a common pour: a 5 in garage floor on 6 in of gravel, R-4
// blankets for two layers at hand, an accelerator at the plant, crew until 17:30.
func winterPour(site Site, start time.Time) Case {
	return Case{
		Site: site, AssessedAt: start.Add(-18 * time.Hour),
		Pour: Pour{
			Element: SlabOnGround, ThicknessMM: 127, AreaM2: 70, StartsAt: start, Reinforced: true, Exposure: ExposureC0,
			Crew:   Crew{DayEndsAt: start.Add(10 * time.Hour)},
			Mix:    Mix{CementType: "I/II", CementKgM3: 332, WaterKgM3: 160, AggregateKgM3: 1850, StrengthMPa: 27.6},
			AtHand: []Cover{{Name: "curing blanket", RM2KW: 0.70}},
		},
	}
}

var typicalYears = []struct {
	file   string
	site   Site
	offset time.Duration
}{
	{"USA_IL_Chicago-OHare.Intl.AP.725300_TMY3.epw.gz", Site{Latitude: 41.98, Longitude: -87.92, ElevationM: 201, Timezone: "America/Chicago"}, -6 * time.Hour},
	{"USA_CO_Golden-NREL.724666_TMY3.epw.gz", Site{Latitude: 39.74, Longitude: -105.18, ElevationM: 1829, Timezone: "America/Denver"}, -7 * time.Hour},
}

// TestWinterBacktest pours every morning at half past seven from November to
// March on typical years (NREL TMY3, US public domain) and prints the verdicts by
// month.
func TestWinterBacktest(t *testing.T) {
	for _, y := range typicalYears {
		t.Run(strings.SplitN(y.file, ".", 2)[0], func(t *testing.T) {
			all := typicalWinter(t, y.file, y.offset)
			first := all[0].At
			count := map[time.Month]map[string]int{}
			for day := time.Date(2025, 11, 1, 7, 30, 0, 0, time.UTC); day.Before(time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)); day = day.AddDate(0, 0, 1) {
				start := day.Add(-y.offset)
				c := winterPour(y.site, start)
				now := int(start.Sub(first).Hours())
				c.Weather = all[max(0, now-30*24):min(len(all), now+7*24)]
				a := Assess(c, Options{Members: 8, Seed: 1})
				require.NotEqual(t, Unscored, a.Verdict, "%s: %s", day, a.Unscored)
				sound(t, &a)
				m := count[day.Month()]
				if m == nil {
					m = map[string]int{}
					count[day.Month()] = m
				}
				m["days"]++
				m[string(a.Verdict)]++
				for i := range a.Findings {
					if f := &a.Findings[i]; f.remaining() != Note {
						m[f.Rule+" "+string(f.remaining())]++
					}
				}
			}
			for _, month := range []time.Month{11, 12, 1, 2, 3} {
				m := count[month]
				t.Logf("%-9s place %2d protect %2d move %2d of %d | %v", month, m["place"], m["protect"], m["move"], m["days"], m)
			}
		})
	}
}

// sound checks what must hold of every assessment.
func sound(t testing.TB, a *Assessment) {
	t.Helper()
	for _, r := range a.Temperatures {
		for _, v := range []float64{r.AirC, r.TopC, r.MeanC, r.BottomC, r.BaseC} {
			require.False(t, math.IsNaN(v) || math.Abs(v) > 100, "%+v", r)
		}
	}
	for i, r := range a.Strength {
		require.False(t, math.IsNaN(r.ColdestMPa+r.MeanMPa))
		require.True(t, r.ColdestMPa >= 0 && r.ColdestMPa <= r.MeanMPa+1e-9, "%+v", r)
		_ = i
	}
	for _, f := range a.Findings {
		require.NotEmpty(t, f.Sentence, f.Rule)
		require.NotEmpty(t, f.Title, f.Rule)
		require.NotEmpty(t, f.Source.Document, f.Rule)
		require.NotContains(t, f.Sentence, "NaN")
		require.NotContains(t, fmt.Sprint(f.Sentence), "..")
		if f.Probability != nil {
			require.True(t, *f.Probability >= 0 && *f.Probability <= 1)
		}
	}
}
