package alert_test

import (
	"testing"
	"time"

	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// courseOf is a slab with blankets asked for, its hours counted from the start.
func courseOf(start time.Time, z *time.Location) alert.Course {
	at := func(h float64) *time.Time {
		moment := start.Add(time.Duration(h * float64(time.Hour)))
		return &moment
	}
	freezes := true
	return alert.Course{
		StartsAt: start, CancelBy: at(-17), Zone: z, Latitude: 44.95, Longitude: -93.09,
		Assessment: &rules.Assessment{
			Verdict: rules.Protect, Headline: "Protect: cover with blankets of R-4", FreezesBeforeCritical: &freezes,
			Timeline:   rules.Timeline{StartsAt: start, BlanketsOnBy: at(13.5), SawcutFromAt: at(20), ProtectUntilAt: at(60)},
			Protected:  &rules.Protected{Timeline: rules.Timeline{StartsAt: start, SawcutFromAt: at(12.5), SawcutUntilAt: at(24), ProtectUntilAt: at(60)}},
			Protection: &rules.ProtectionPlan{Layers: 1, RM2KW: 0.7, OnAt: at(9.5), OffAt: at(72), CoolDropC: 27.8, DoubleEdges: true},
			Batch:      &rules.Batch{OrderM3: 9.5, PlacedTempC: 13, AcceleratorKg: 49, Accelerators: []rules.Dose{{Kind: "nonchloride_accelerator", MassKg: 49}}},
			Ground:     &rules.Ground{SurfaceC: 3.2},
		},
	}
}

func TestCalls(t *testing.T) {
	t.Parallel()
	chicago := zone(t, "America/Chicago")
	start := time.Date(2026, 1, 15, 7, 0, 0, 0, chicago)
	type line struct{ Type, At, Until string }
	lines := func(c alert.Course) []line {
		var all []line
		for _, call := range alert.Calls(c) {
			all = append(all, line{call.Type, call.At.In(c.Zone).Format("Mon 15:04"), call.Until.In(c.Zone).Format("Mon 15:04")})
		}
		return all
	}
	protect := courseOf(start, chicago)
	require.Equal(t, []line{
		{alert.CallAfternoon, "Wed 13:00", "Wed 22:00"},
		{alert.CallBase, "Thu 06:00", "Thu 07:00"}, // civil dawn is at 7:19: an hour before the start, by lamp
		{alert.CallCover, "Thu 16:00", "Thu 20:30"},
		{alert.CallSaw, "Thu 19:15", "Fri 07:00"},
		{alert.CallUncover, "Sun 07:00", "Mon 19:00"},
	}, lines(protect))

	move := courseOf(start, chicago)
	move.Assessment.Verdict = rules.Move
	require.Equal(t, []line{
		{alert.CallCancel, "Wed 10:00", "Wed 14:00"},
		{alert.CallAfternoon, "Wed 13:00", "Wed 22:00"},
		{alert.CallBase, "Thu 06:00", "Thu 07:00"},
	}, lines(move), "what would follow the start is not computed for one that moves")
	move.Placed = true
	require.Len(t, lines(move), 3, "placed all the same: what is left to do")

	place := courseOf(start, chicago)
	place.Assessment.Verdict, place.Assessment.Protection, place.Assessment.Protected = rules.Place, nil, nil
	place.Planned = []rules.Protection{{RM2KW: 0.7, OnAt: start.Add(10 * time.Hour)}}
	require.Equal(t, []line{
		{alert.CallAfternoon, "Wed 13:00", "Wed 22:00"},
		{alert.CallBase, "Thu 06:00", "Thu 07:00"},
		{alert.CallCover, "Thu 16:30", "Thu 21:00"},
		{alert.CallSaw, "Fri 02:45", "Fri 07:00"},
		{alert.CallUncover, "Sat 19:00", "Mon 07:00"},
	}, lines(place), "planned blankets stay on for the required period")
	after := func(h int) *time.Time { return new(start.Add(time.Duration(h) * time.Hour)) }
	spare := place
	spare.Assessment = &rules.Assessment{Verdict: rules.Place, Timeline: rules.Timeline{StartsAt: start, UncoverFromAt: after(48)}}
	require.Equal(t, line{alert.CallUncover, "Sat 07:00", "Sun 19:00"}, lines(spare)[3], "planned blankets that nothing asks for come off when it is safe")
	spare.Planned = []rules.Protection{{RM2KW: 0.7, OnAt: start.Add(10 * time.Hour), OffAt: after(54)}}
	require.Equal(t, line{alert.CallUncover, "Sat 13:00", "Mon 01:00"}, lines(spare)[3], "or later, as planned")
	spare.Planned[0].OffAt = after(20)
	require.Equal(t, line{alert.CallUncover, "Sat 07:00", "Sun 19:00"}, lines(spare)[3], "and not sooner")
	spare.Planned = nil
	require.Equal(t, line{alert.CallUncover, "Sat 07:00", "Sun 19:00"}, lines(spare)[2], "blankets seen on site")
	place.Planned = nil
	require.NotContains(t, lines(place), alert.CallUncover, "nothing lies on it")

	unknown := alert.Course{StartsAt: start, CancelBy: move.CancelBy, Zone: chicago, Latitude: 44.95, Longitude: -93.09}
	require.Len(t, lines(unknown), 3)
}

// Civil twilight begins at St. Paul (44.95 N, 93.09 W) on 15 January at 7:17 a.m.: US
// Naval Observatory tables, from memory. That hour itself is checked in package sun.
func TestFirstLight(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		zone      string
		lat, lon  float64
		start     string
		want      string
		around    time.Duration
		reasonWhy string
	}{
		{"America/Chicago", 44.95, -93.09, "2026-01-15 09:30", "07:17", 6 * time.Minute, "civil dawn"},
		{"America/Chicago", 44.95, -93.09, "2026-01-15 07:00", "06:00", 0, "dawn comes after the start"},
		{"America/Chicago", 44.95, -93.09, "2026-01-15 13:00", "10:00", 0, "dawn is long before"},
		{"America/Anchorage", 71.29, -156.79, "2026-12-21 08:00", "07:00", 0, "polar night: dawn comes after the start"},
	} {
		z := zone(t, c.zone)
		start, err := time.ParseInLocation("2006-01-02 15:04", c.start, z)
		require.NoError(t, err)
		want, err := time.ParseInLocation("2006-01-02 15:04", c.start[:11]+c.want, z)
		require.NoError(t, err)
		require.WithinDuration(t, want, alert.FirstLight(start, z, c.lat, c.lon), c.around, c.reasonWhy)
	}
}

// The afternoon before is at one by the clock on the wall: on the days around a
// clock change, and in zones off the full hour.
func TestAfternoonOverClockChanges(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ zone, start, want string }{
		{"America/Chicago", "2026-03-09T07:00:00-05:00", "2026-03-08T13:00:00-05:00"}, // clocks went forward that morning
		{"America/Chicago", "2026-03-08T07:00:00-05:00", "2026-03-07T13:00:00-06:00"},
		{"America/Chicago", "2026-11-02T07:00:00-06:00", "2026-11-01T13:00:00-06:00"},
		{"America/Chicago", "2026-11-01T07:00:00-06:00", "2026-10-31T13:00:00-05:00"},
		{"America/St_Johns", "2026-01-15T07:00:00-03:30", "2026-01-14T13:00:00-03:30"},
		{"Asia/Kathmandu", "2026-01-15T07:00:00+05:45", "2026-01-14T13:00:00+05:45"},
		{"Pacific/Apia", "2011-12-31T07:00:00+14:00", "2011-12-29T13:00:00-10:00"}, // there was no 30 December there
	} {
		start, err := time.Parse(time.RFC3339, c.start)
		require.NoError(t, err)
		want, err := time.Parse(time.RFC3339, c.want)
		require.NoError(t, err)
		require.WithinDuration(t, want, alert.Afternoon(start, zone(t, c.zone)), 24*time.Hour, c.zone)
		if c.zone != "Pacific/Apia" {
			require.True(t, want.Equal(alert.Afternoon(start, zone(t, c.zone))), "%s %s", c.zone, c.start)
		}
	}
}

func TestWordsOfCalls(t *testing.T) {
	t.Parallel()
	c := courseOf(time.Date(2026, 1, 15, 7, 0, 0, 0, zone(t, "America/Chicago")), zone(t, "America/Chicago"))
	require.Equal(t, []string{
		"Protect: cover with blankets of R-4.",
		"To order: 12.5 yd³ of concrete, 108 lb of accelerator without chloride; it comes to 55 °F when placed.",
		"To have at hand: blankets of R-4, double at edges and corners.", "The order can be cancelled until Wed 2:00 p.m.",
	}, c.Words(alert.CallAfternoon, rules.UnitsUS))
	require.Equal(t, []string{"The order can be cancelled until Wed 14:00.", "Protect: cover with blankets of R-4."},
		c.Words(alert.CallCancel, rules.UnitsSI))
	require.Equal(t, []string{
		"Check the base by hand before the first truck: no frost, ice or snow in or on it.", "Computed for the start: surface at 3 °C.",
		"Enter what you find; the verdict follows it at once.",
	}, c.Words(alert.CallBase, rules.UnitsSI))
	require.Equal(t, []string{"Cover from Thu 4:30 p.m. on: blankets of R-4, double at edges and corners.", "At the latest by Thu 8:30 p.m."},
		c.Words(alert.CallCover, rules.UnitsUS))
	require.Equal(t, []string{
		"Joints can be cut from about Thu 7:30 p.m. and should be cut by Fri 7:00 a.m.", "Let a trial cut decide: where it ravels it is too early.",
	}, c.Words(alert.CallSaw, rules.UnitsUS))
	require.Equal(t, []string{
		"As computed from the weather, the required period and strength are reached.",
		"Take the cover off gradually: the concrete may cool by 28 °C in the first 24 hours, no more.",
		"Where strength matters, prove it in place before loads or forms come off.",
	}, c.Words(alert.CallUncover, rules.UnitsSI))
}

func TestDigestTimes(t *testing.T) {
	t.Parallel()
	chicago := zone(t, "America/Chicago")
	morning, afternoon, late := 5*60+30, 14*60, 23*60+30
	d := alert.Digest{MorningMin: &morning, AfternoonMin: &afternoon, Zone: chicago}
	for now, want := range map[string]string{
		"2026-01-15 05:29": "",
		"2026-01-15 05:30": "05:30 for 2026-01-15",
		"2026-01-15 07:29": "05:30 for 2026-01-15",
		"2026-01-15 07:30": "",
		"2026-01-15 14:00": "14:00 for 2026-01-16",
		"2026-03-08 05:30": "05:30 for 2026-03-08",
		"2026-10-31 14:10": "14:00 for 2026-11-01",
	} {
		moment, err := time.ParseInLocation("2006-01-02 15:04", now, chicago)
		require.NoError(t, err)
		at, day, due := d.Due(moment)
		require.Equal(t, want != "", due, now)
		if due {
			require.Equal(t, want, at.In(chicago).Format("15:04")+" for "+day.Format(time.DateOnly), now)
		}
	}
	night := alert.Digest{AfternoonMin: &late, Zone: chicago}
	at, day, due := night.Due(time.Date(2026, 1, 16, 0, 20, 0, 0, chicago))
	require.True(t, due)
	require.Equal(t, "2026-01-15 23:30 for 2026-01-16", at.In(chicago).Format("2006-01-02 15:04")+" for "+day.Format(time.DateOnly))
}

func TestDigestText(t *testing.T) {
	t.Parallel()
	day := time.Date(2026, 1, 15, 0, 0, 0, 0, zone(t, "America/Chicago"))
	pour := func(local, name string, v rules.Verdict, reason string) alert.EventDigestPour {
		return alert.EventDigestPour{
			EventPour: alert.EventPour{Name: name, Site: "Mill Road", Crew: "North", Starts: alert.EventMoment{Local: local}}, Verdict: v, Reason: reason,
		}
	}
	e := &alert.Event{Type: alert.EventDigestType, Digest: alert.NewDigest(day, rules.UnitsUS, []alert.EventDigestPour{
		pour("7:00 a.m.", "Dock slab", rules.Move, "The base is frozen at the start"), pour("9:00 a.m.", "Steps", rules.Place, "Place as planned"), pour("1:00 p.m.", "Wall", "", ""),
	})}
	e.Compose()
	require.Equal(t, "Thu Jan 15: 3 pours. 7:00 a.m., Dock slab at Mill Road, crew North: move. The base is frozen at the start."+
		" 9:00 a.m., Steps at Mill Road, crew North: place. 1:00 p.m., Wall at Mill Road, crew North: not assessed yet.", e.Text)
	e = &alert.Event{Type: alert.EventDigestType, Digest: alert.NewDigest(day, rules.UnitsUS, nil)}
	e.Compose()
	require.Equal(t, "Thu Jan 15: no pours.", e.Text)
	e.Digest = alert.NewDigest(day, rules.UnitsUS, make([]alert.EventDigestPour, alert.MostItems+3))
	e.Compose()
	require.Contains(t, e.Text, "23 pours")
	require.Contains(t, e.Text, "And 3 more.")
}
