package demo

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"frostgate/api"
	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

// caseOf puts one pour of the week together with its weather, as the service does from its records.
func (w Week) caseOf(t *testing.T, p Pour, now time.Time, pastDays int) rules.Case {
	t.Helper()
	site := w.Sites[slices.IndexFunc(w.Sites, func(s Site) bool { return s.Name == p.Site })]
	plant := w.Plants[slices.IndexFunc(w.Plants, func(f api.PlantForm) bool { return f.Name == p.Plant })]
	crew := w.Crews[slices.IndexFunc(w.Crews, func(f api.CrewForm) bool { return f.Name == p.Crew })]
	mix := w.Mixes[slices.IndexFunc(w.Mixes, func(f api.MixForm) bool { return f.Name == p.Mix })]
	zone, err := time.LoadLocation(site.Timezone)
	require.NoError(t, err)
	anchor, err := Begin(now)
	require.NoError(t, err)
	form := p.dated(anchor, zone)
	clock := strings.Split(string(crew.DayEnds), ":")
	hour, err1 := strconv.Atoi(clock[0])
	minute, err2 := strconv.Atoi(clock[1])
	require.NoError(t, err1)
	require.NoError(t, err2)
	y, m, d := form.StartsAt.Date()
	c := rules.Case{
		Site: rules.Site{Latitude: site.Latitude, Longitude: site.Longitude, ElevationM: site.ElevationM, Timezone: site.Timezone, Terrain: site.Terrain},
		Pour: rules.Pour{
			Element: p.Element, ThicknessMM: p.ThicknessMM, WidthMM: p.WidthMM, HeightMM: p.HeightMM, LengthMM: p.LengthMM, AreaM2: p.AreaM2,
			StartsAt: form.StartsAt, CancelBy: *form.CancelBy, Base: p.Base, Reinforced: p.Reinforced, ServiceCategory: p.ServiceCategory, FormRM2KW: p.FormRM2KW,
			AtHand: p.ProtectionAtHand, GroundCover: form.GroundCover,
			Crew:  rules.Crew{DayEndsAt: time.Date(y, m, d, hour, minute, 0, 0, zone), Machine: crew.Machine, Lights: p.Lights},
			Plant: rules.Plant{WaterMaxC: plant.WaterMaxC, HaulMin: plant.HaulMin, Truck: plant.Truck, TruckM3: plant.TruckM3},
			Mix: rules.Mix{
				CementType: mix.CementType, CementKgM3: mix.CementKgM3, WaterKgM3: mix.WaterKgM3, AggregateKgM3: mix.AggregateKgM3,
				FlyAshKgM3: mix.FlyAshKgM3, StrengthMPa: mix.StrengthMPa, SlumpMM: mix.SlumpMM, AirPct: mix.AirPct, Admixtures: mix.Admixtures,
			},
		},
		AssessedAt: now, IssuedAt: now,
	}
	sky := site.Sky(anchor)
	for h := -pastDays * 24; h < 16*24; h++ {
		at := now.Truncate(24 * time.Hour).Add(time.Duration(h) * time.Hour)
		c.Weather = append(c.Weather, sky.Hour(at).Hour)
	}
	return c
}

// What the week is there to show, whatever the date, the hour and the past that the weather is asked for: each pour's
// verdict, and the rule that it was laid out for.
func TestWeekShowsEachVerdictOnAnyDate(t *testing.T) {
	t.Parallel()
	week := WinterWeek()
	want := map[string]struct {
		verdicts []rules.Verdict
		rules    []string // one of them speaks
	}{
		"Fen Road floor, bay 1": {[]rules.Verdict{rules.Move}, []string{"ground.frozen"}},
		"Alder Lane slab":       {[]rules.Verdict{rules.Protect}, []string{"slab.freezes_early"}},
		"Dryer pad":             {[]rules.Verdict{rules.Protect}, []string{"surface.rain"}},
		"Gym floor, east half":  {[]rules.Verdict{rules.Protect, rules.Move}, []string{"finish.after_dusk", "finish.after_hours"}},
		"Gym floor, west half":  {[]rules.Verdict{rules.Place}, nil},
		"Dairy footings":        {[]rules.Verdict{rules.Place}, nil},
		"Dairy floor":           {[]rules.Verdict{rules.Place}, nil},
	}
	for _, date := range []string{"2026-01-20 18:00", "2026-03-08 05:30", "2026-04-14 03:00", "2026-07-14 23:59", "2026-10-31 13:00", "2026-12-24 06:10"} {
		now, err := time.Parse("2006-01-02 15:04", date)
		require.NoError(t, err)
		for _, pastDays := range []int{5, 31} {
			for _, p := range week.Pours {
				w, told := want[p.Name]
				if !told {
					continue
				}
				a := rules.Assess(week.caseOf(t, p, now, pastDays), rules.Options{Members: 11, Seed: 1})
				require.Contains(t, w.verdicts, a.Verdict, "%s on %s after %d days: %s", p.Name, date, pastDays, a.Headline)
				if w.rules == nil {
					continue
				}
				spoke := slices.ContainsFunc(a.Findings, func(f rules.Finding) bool { return f.Effect != rules.Note && slices.Contains(w.rules, f.Rule) })
				require.True(t, spoke, "%s on %s: none of %v", p.Name, date, w.rules)
			}
		}
	}
}

func TestWeekFitsItsCrewsAndPlaces(t *testing.T) {
	t.Parallel()
	week := WinterWeek()
	require.Len(t, week.Crews, 3)
	require.Len(t, week.Plants, 2)
	require.Len(t, week.Mixes, 6)
	require.Len(t, week.Pours, 12)
	require.Len(t, week.Sites, 8)
	zones, days := map[string]bool{}, map[string]bool{}
	for _, site := range week.Sites {
		zones[site.Timezone] = true
	}
	require.Len(t, zones, 2)
	for _, p := range week.Pours {
		key := p.Crew + strconv.Itoa(p.Day)
		require.False(t, days[key], "%s is in two places on day %d", p.Crew, p.Day)
		days[key] = true
		require.Condition(t, func() bool { return p.Day >= 1 && p.Day <= 6 })
	}
}

func TestSkyIsTheSameForTheSameHourAndPossible(t *testing.T) {
	t.Parallel()
	anchor, err := Begin(time.Date(2026, 7, 14, 17, 20, 0, 0, time.UTC)) // high summer: the demo's winter must not notice
	require.NoError(t, err)
	for _, site := range weekSites() {
		sky := site.Sky(anchor)
		for h := -20 * 24; h < 8*24; h++ {
			at := anchor.Add(time.Duration(h) * time.Hour)
			hour := sky.Hour(at)
			require.Equal(t, hour, sky.Hour(at))
			require.LessOrEqual(t, *hour.DewPointC, *hour.AirTempC)
			require.GreaterOrEqual(t, *hour.GustMS, *hour.WindMS)
			require.Condition(t, func() bool {
				return *hour.Cloud >= 0 && *hour.Cloud <= 1 && *hour.ShortwaveWm2 >= 0 && *hour.ShortwaveWm2 < 700
			})
		}
		require.Zero(t, *sky.Hour(anchor.Add(time.Hour)).ShortwaveWm2, "the hour after midnight")
	}
}
