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

// readyPour is the same pour by a firm set up for winter: accelerated mix,
// delivered warm, lights, more blankets, the base heated under them for three days.
func readyPour(site Site, start time.Time) Case {
	c := winterPour(site, start)
	p := &c.Pour
	p.Mix.Admixtures = []Admixture{{Kind: "nonchloride_accelerator", DosePct: 1.41}}
	p.PlacedTempC, p.Crew.Lights = new(18.0), true
	p.AtHand = append(p.AtHand, Cover{Name: "double blanket", RM2KW: 1.41})
	p.GroundCover = []GroundCover{{Kind: "heated", RM2KW: 1.41, HeatWM2: 150, OnAt: start.AddDate(0, 0, -3)}}
	return c
}

// TestWinterBacktest pours every morning at half past seven from November to
// March on typical years (NREL TMY3, US public domain), for a firm that does
// nothing special and for one set up for winter, and prints the verdicts by month.
// What is expected is common practice, no source: less is placed unprotected in
// midwinter than in the shoulder months, a firm set up for winter moves less, and
// it can pour through most of the winter.
func TestWinterBacktest(t *testing.T) {
	t.Parallel()
	months := []time.Month{11, 12, 1, 2, 3}
	for _, y := range typicalYears {
		t.Run(strings.SplitN(y.file, ".", 2)[0], func(t *testing.T) {
			t.Parallel()
			all := typicalWinter(t, y.file, y.offset)
			plain := pourEveryMorning(t, y.site, y.offset, all, winterPour)
			ready := pourEveryMorning(t, y.site, y.offset, all, readyPour)
			moves, days := 0, 0
			for _, m := range months {
				t.Logf("%-9s plain:  %s", m, plain[m])
				t.Logf("%-9s ready:  %s", m, ready[m])
				require.LessOrEqual(t, ready[m].verdicts[Move], plain[m].verdicts[Move])
				moves, days = moves+ready[m].verdicts[Move], days+ready[m].days
			}
			require.Greater(t, plain[11].verdicts[Place]+plain[3].verdicts[Place], plain[12].verdicts[Place]+plain[1].verdicts[Place]+plain[2].verdicts[Place])
			require.Less(t, float64(moves)/float64(days), 0.5)
		})
	}
}

// A tally is what a month of mornings came to.
type tally struct {
	days     int
	verdicts map[Verdict]int
	rules    map[string]int // findings that ask for more than a note, by rule and effect
}

func (m *tally) String() string {
	return fmt.Sprintf("place %2d protect %2d move %2d of %2d %v", m.verdicts[Place], m.verdicts[Protect], m.verdicts[Move], m.days, m.rules)
}

func pourEveryMorning(t *testing.T, site Site, offset time.Duration, all []Hour, pour func(Site, time.Time) Case) map[time.Month]*tally {
	first := all[0].At
	months := map[time.Month]*tally{}
	for day := time.Date(2025, 11, 1, 7, 30, 0, 0, time.UTC); day.Before(time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)); day = day.AddDate(0, 0, 1) {
		start := day.Add(-offset)
		c := pour(site, start)
		now := int(start.Sub(first).Hours())
		c.Weather = all[max(0, now-30*24):min(len(all), now+7*24)]
		a := Assess(c, Options{Members: 8, Seed: 1})
		require.NotEqual(t, Unscored, a.Verdict, "%s: %s", day, a.Unscored)
		sound(t, &a)
		m := months[day.Month()]
		if m == nil {
			m = &tally{verdicts: map[Verdict]int{}, rules: map[string]int{}}
			months[day.Month()] = m
		}
		m.days++
		m.verdicts[a.Verdict]++
		for i := range a.Findings {
			if f := &a.Findings[i]; f.remaining() != Note {
				m.rules[f.Rule+" "+string(f.remaining())]++
			}
		}
	}
	return months
}

// sound checks what must hold of every assessment.
func sound(t testing.TB, a *Assessment) {
	t.Helper()
	for _, r := range a.Temperatures {
		for _, v := range []float64{r.AirC, r.TopC, r.MeanC, r.BottomC, r.BaseC} {
			require.False(t, math.IsNaN(v) || math.Abs(v) > 100, "%+v", r)
		}
	}
	for _, r := range a.Strength {
		require.False(t, math.IsNaN(r.ColdestMPa+r.MeanMPa))
		require.True(t, r.ColdestMPa >= 0 && r.ColdestMPa <= r.MeanMPa+1e-9, "%+v", r)
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
