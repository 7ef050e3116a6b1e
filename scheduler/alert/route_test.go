package alert_test

import (
	"slices"
	"testing"
	"time"

	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Who is told of what, when: each row changes one thing about a major alert that is
// raised at noon and told at once.
func TestRoute(t *testing.T) {
	t.Parallel()
	crew, plant := uuid.New(), uuid.New()
	noon := time.Date(2027, 1, 13, 18, 0, 0, 0, time.UTC)
	chicago, err := time.LoadLocation("America/Chicago")
	require.NoError(t, err)
	night := alert.QuietHours{StartsMin: 21 * 60, EndsMin: 6 * 60, Set: true, CriticalExempt: true}
	atNight := time.Date(2027, 1, 14, 4, 30, 0, 0, time.UTC) // 22:30 on the wall
	morning := time.Date(2027, 1, 14, 12, 0, 0, 0, time.UTC) // 06:00 on the wall
	ten := slices.Repeat([]time.Time{noon.Add(-4 * time.Minute)}, 10)
	pause := &alert.Pause{Until: noon.Add(3 * time.Hour), By: "Ann", Reason: "closed"}
	type input struct {
		m     alert.Matter
		to    alert.Listener
		quiet alert.QuietHours
		pace  alert.Pace
		now   time.Time
	}
	for name, c := range map[string]struct {
		change func(*input)
		tell   alert.Tell
		rule   string
		at     time.Time
	}{
		"at once":                          {func(*input) {}, alert.Now, alert.RuleTold, time.Time{}},
		"disabled":                         {func(i *input) { i.to.Stopped = "by hand" }, alert.Never, alert.RuleStopped, time.Time{}},
		"another crew":                     {func(i *input) { i.to.CrewIDs = []uuid.UUID{uuid.New()} }, alert.Never, alert.RuleCrew, time.Time{}},
		"no crew at all":                   {func(i *input) { i.to.CrewIDs = []uuid.UUID{} }, alert.Never, alert.RuleCrew, time.Time{}},
		"its crew":                         {func(i *input) { i.to.CrewIDs = []uuid.UUID{crew} }, alert.Now, alert.RuleTold, time.Time{}},
		"another plant":                    {func(i *input) { i.to.PlantIDs = []uuid.UUID{uuid.New()} }, alert.Never, alert.RulePlant, time.Time{}},
		"too mild":                         {func(i *input) { i.to.MinSeverity = alert.Critical }, alert.Never, alert.RuleSeverity, time.Time{}},
		"milder than it was":               {func(i *input) { i.to.MinSeverity, i.m.Peak = alert.Critical, alert.Critical }, alert.Now, alert.RuleTold, time.Time{}},
		"the end of what it knows":         {func(i *input) { i.m.Ends, i.to.Told = true, true }, alert.Now, alert.RuleTold, time.Time{}},
		"the end of what it does not know": {func(i *input) { i.m.Ends = true }, alert.Never, alert.RuleNotTold, time.Time{}},
		"a later rank":                     {func(i *input) { i.to.Rank = 1 }, alert.Never, alert.RuleLater, time.Time{}},
		"a rank that is reached":           {func(i *input) { i.to.Rank, i.m.Level = 1, 1 }, alert.Now, alert.RuleTold, time.Time{}},
		"the rank before":                  {func(i *input) { i.m.Level, i.m.Event = 1, alert.EventEscalated }, alert.Never, alert.RuleOthers, time.Time{}},
		"shelved":                          {func(i *input) { i.m.Shelved = pause }, alert.Never, alert.RuleShelved, time.Time{}},
		"shelved, though critical":         {func(i *input) { i.m.Shelved, i.m.Severity = pause, alert.Critical }, alert.Never, alert.RuleShelved, time.Time{}},
		"shelved till now":                 {func(i *input) { i.m.Shelved, i.now = pause, pause.Until }, alert.Now, alert.RuleTold, time.Time{}},
		"over while shelved":               {func(i *input) { i.m.Shelved, i.m.Ends, i.to.Told = pause, true, true }, alert.Hold, alert.RuleShelved, pause.Until},
		"planned":                          {func(i *input) { i.m.Planned = pause }, alert.Never, alert.RulePlanned, time.Time{}},
		"planned, but critical":            {func(i *input) { i.m.Planned, i.m.Severity = pause, alert.Critical }, alert.Now, alert.RuleTold, time.Time{}},
		"planned, critical too": {func(i *input) {
			i.m.Planned, i.m.Severity = &alert.Pause{Until: pause.Until, CriticalToo: true}, alert.Critical
		}, alert.Never, alert.RulePlanned, time.Time{}},
		"chattering":              {func(i *input) { i.m.Quiet = true }, alert.Never, alert.RuleChattering, time.Time{}},
		"a repeat on old weather": {func(i *input) { i.m.Inhibited, i.m.Event = "nws", alert.EventReminder }, alert.Never, alert.RuleInhibited, time.Time{}},
		"news on old weather":     {func(i *input) { i.m.Inhibited = "nws" }, alert.Now, alert.RuleTold, time.Time{}},
		"critical now, on old weather": {func(i *input) {
			i.m.Inhibited, i.m.Event, i.m.Severity = "nws", alert.EventChanged, alert.Critical
		}, alert.Now, alert.RuleTold, time.Time{}},
		"quiet hours":           {func(i *input) { i.quiet, i.now = night, atNight }, alert.Hold, alert.RuleQuiet, morning},
		"quiet hours, critical": {func(i *input) { i.quiet, i.now, i.m.Severity = night, atNight, alert.Critical }, alert.Now, alert.RuleTold, time.Time{}},
		"quiet hours, critical not exempt": {func(i *input) {
			i.quiet, i.now, i.m.Severity = night, atNight, alert.Critical
			i.quiet.CriticalExempt = false
		}, alert.Hold, alert.RuleQuiet, morning},
		"by day":                     {func(i *input) { i.quiet = night }, alert.Now, alert.RuleTold, time.Time{}},
		"gathered":                   {func(i *input) { i.pace = alert.UsualPace }, alert.Hold, alert.RuleGroup, noon.Add(10 * time.Second)},
		"gathered, mild":             {func(i *input) { i.pace, i.m.Severity = alert.UsualPace, alert.Minor }, alert.Hold, alert.RuleGroup, noon.Add(30 * time.Second)},
		"gathered, critical":         {func(i *input) { i.pace, i.m.Severity = alert.UsualPace, alert.Critical }, alert.Now, alert.RuleTold, time.Time{}},
		"joins what is gathered":     {func(i *input) { i.pace, i.to.GatherAt = alert.UsualPace, noon.Add(2*time.Second) }, alert.Hold, alert.RuleGroup, noon.Add(2 * time.Second)},
		"a flood":                    {func(i *input) { i.pace, i.to.Recent = alert.UsualPace, ten }, alert.Hold, alert.RuleFlood, noon.Add(6 * time.Minute)},
		"a flood of nine":            {func(i *input) { i.pace, i.to.Recent = alert.Pace{Most: 10}, ten[1:] }, alert.Now, alert.RuleTold, time.Time{}},
		"a flood, critical":          {func(i *input) { i.pace, i.to.Recent, i.m.Severity = alert.UsualPace, ten, alert.Critical }, alert.Now, alert.RuleTold, time.Time{}},
		"behind what waits":          {func(i *input) { i.to.Waiting = noon.Add(time.Hour) }, alert.Hold, alert.RuleOrder, noon.Add(time.Hour)},
		"gathered behind what waits": {func(i *input) { i.pace, i.to.Waiting = alert.UsualPace, noon.Add(time.Hour) }, alert.Hold, alert.RuleGroup, noon.Add(time.Hour)},
	} {
		t.Run(name, func(t *testing.T) {
			i := input{
				m:   alert.Matter{Event: alert.EventRaised, Severity: alert.Major, CrewID: crew, PlantID: plant, Zone: chicago},
				to:  alert.Listener{MinSeverity: alert.Warning},
				now: noon,
			}
			c.change(&i)
			r := alert.Route(i.m, i.to, i.quiet, i.pace, i.now)
			require.Equal(t, c.tell, r.Tell, r.Sentence)
			require.Equal(t, c.rule, r.Rule)
			require.True(t, c.at.Equal(r.At), "%s, not %s", r.At, c.at)
			require.NotEmpty(t, r.Sentence)
		})
	}
}

// Quiet hours over the nights of clock changes. The moments of change are those of
// the IANA zone database: Chicago at 08:00 UTC on 14 March and 07:00 UTC on 7
// November 2027, Lord Howe by half an hour at 15:30 UTC on 2 October 2027, Beirut
// at midnight of 28 March 2027.
func TestQuietHoursOverClockChanges(t *testing.T) {
	t.Parallel()
	utc := func(month time.Month, day, hour, minute int) time.Time {
		return time.Date(2027, month, day, hour, minute, 0, 0, time.UTC)
	}
	for name, c := range map[string]struct {
		zone       string
		from, till int // minutes on the wall
		starts     time.Time
		ends       time.Time
	}{
		"an ordinary night":                   {"America/Chicago", 22 * 60, 6 * 60, utc(1, 14, 4, 0), utc(1, 14, 12, 0)},
		"an hour less":                        {"America/Chicago", 22 * 60, 6 * 60, utc(3, 14, 4, 0), utc(3, 14, 11, 0)},
		"an hour more":                        {"America/Chicago", 22 * 60, 6 * 60, utc(11, 7, 3, 0), utc(11, 7, 12, 0)},
		"ends in the hour left out":           {"America/Chicago", 22 * 60, 2*60 + 30, utc(3, 14, 4, 0), utc(3, 14, 8, 0)},
		"starts in the hour left out":         {"America/Chicago", 2*60 + 30, 6 * 60, utc(3, 14, 8, 0), utc(3, 14, 11, 0)},
		"ends in the hour that comes twice":   {"America/Chicago", 22 * 60, 90, utc(11, 7, 3, 0), utc(11, 7, 6, 30)},
		"starts in the hour that comes twice": {"America/Chicago", 90, 6 * 60, utc(11, 7, 6, 30), utc(11, 7, 12, 0)},
		"half an hour left out":               {"Australia/Lord_Howe", 22 * 60, 2*60 + 15, utc(10, 2, 11, 30), utc(10, 2, 15, 30)},
		"midnight left out":                   {"Asia/Beirut", 0, 6 * 60, utc(3, 27, 22, 0), utc(3, 28, 3, 0)},
		"by day":                              {"America/Chicago", 9 * 60, 15 * 60, utc(3, 14, 14, 0), utc(3, 14, 20, 0)},
	} {
		t.Run(name, func(t *testing.T) {
			zone, err := time.LoadLocation(c.zone)
			require.NoError(t, err)
			q := alert.QuietHours{StartsMin: c.from, EndsMin: c.till, Set: true}
			_, in := q.Over(zone, c.starts.Add(-time.Second))
			require.False(t, in, "a second before")
			for _, at := range []time.Time{c.starts, c.starts.Add(c.ends.Sub(c.starts) / 2), c.ends.Add(-time.Second)} {
				end, in := q.Over(zone, at)
				require.True(t, in, at)
				require.True(t, c.ends.Equal(end), "%s, not %s", end, c.ends)
			}
			_, in = q.Over(zone, c.ends)
			require.False(t, in, "the end is out")
		})
	}
	for _, q := range []alert.QuietHours{{}, {StartsMin: 60, EndsMin: 60, Set: true}} {
		_, in := q.Over(nil, utc(1, 1, 1, 0))
		require.False(t, in)
	}
}

func drawMatter(t *rapid.T) alert.Matter {
	severity := rapid.SampledFrom([]alert.Severity{alert.Indeterminate, alert.Warning, alert.Minor, alert.Major, alert.Critical})
	event := rapid.SampledFrom([]string{
		alert.EventRaised, alert.EventChanged, alert.EventCleared, alert.EventReminder, alert.EventEscalated, alert.EventUnshelved, alert.EventAckExpired,
	}).Draw(t, "event")
	m := alert.Matter{
		Event: event, Severity: severity.Draw(t, "severity"), Peak: severity.Draw(t, "peak"), Ends: event == alert.EventCleared,
		Quiet: rapid.Bool().Draw(t, "quiet"), Level: rapid.IntRange(0, 3).Draw(t, "level"), CrewID: crews.Draw(t, "crew"), PlantID: crews.Draw(t, "plant"),
		Inhibited: rapid.SampledFrom([]string{"", "nws"}).Draw(t, "inhibited"),
	}
	pause := func(name string) *alert.Pause {
		if !rapid.Bool().Draw(t, name) {
			return nil
		}
		return &alert.Pause{Until: moment(t, name+" until"), CriticalToo: rapid.Bool().Draw(t, name+" critical")}
	}
	m.Shelved, m.Planned = pause("shelved"), pause("planned")
	return m
}

var crews = rapid.SampledFrom([]uuid.UUID{uuid.Nil, {1}, {2}})

func moment(t *rapid.T, name string) time.Time {
	return start.Add(time.Duration(rapid.IntRange(-3000, 3000).Draw(t, name)) * time.Minute)
}

func drawListener(t *rapid.T) alert.Listener {
	l := alert.Listener{
		MinSeverity: rapid.SampledFrom([]alert.Severity{alert.Warning, alert.Minor, alert.Major, alert.Critical}).Draw(t, "min"),
		Rank:        rapid.IntRange(0, 3).Draw(t, "rank"), Told: rapid.Bool().Draw(t, "told"),
		Stopped: rapid.SampledFrom([]string{"", "gone"}).Draw(t, "stopped"),
	}
	if rapid.Bool().Draw(t, "scoped") {
		l.CrewIDs = rapid.SliceOfN(crews, 0, 2).Draw(t, "crews")
	}
	for range rapid.IntRange(0, 12).Draw(t, "recent") {
		l.Recent = append(l.Recent, start.Add(-time.Minute))
	}
	if rapid.Bool().Draw(t, "waits") {
		l.Waiting = moment(t, "waiting")
	}
	return l
}

// Whatever the circumstances: each ruling has a rule and a sentence; what is held
// goes later than now; what is critical is never not told but by what people chose
// or by what was said already, and held by nothing but quiet hours without an
// exemption and, when it is over, by a pause.
func TestNothingCriticalIsLostUnsaid(t *testing.T) {
	t.Parallel()
	chosen := []string{
		alert.RuleStopped, alert.RuleCrew, alert.RulePlant, alert.RuleNotTold, alert.RuleLater, alert.RuleOthers, alert.RuleShelved,
	}
	rapid.Check(t, func(t *rapid.T) {
		m, to := drawMatter(t), drawListener(t)
		q := alert.QuietHours{
			StartsMin: rapid.IntRange(0, 1439).Draw(t, "from"), EndsMin: rapid.IntRange(0, 1439).Draw(t, "till"),
			Set: rapid.Bool().Draw(t, "quiet hours"), CriticalExempt: rapid.Bool().Draw(t, "exempt"),
		}
		pace := rapid.SampledFrom([]alert.Pace{{}, alert.UsualPace}).Draw(t, "pace")
		r := alert.Route(m, to, q, pace, start)
		require.NotEmpty(t, r.Rule)
		require.NotEmpty(t, r.Sentence)
		require.Equal(t, r.Tell == alert.Hold, !r.At.IsZero())
		if r.Tell == alert.Hold {
			require.True(t, r.At.After(start), "%s: %s", r.Rule, r.At)
		}
		if m.Severity != alert.Critical {
			return
		}
		switch {
		case r.Tell == alert.Never && r.Rule == alert.RulePlanned:
			require.True(t, m.Planned.CriticalToo)
		case r.Tell == alert.Never && r.Rule == alert.RuleChattering:
			require.True(t, m.Quiet, "which tells what is critical once")
		case r.Tell == alert.Never && r.Rule == alert.RuleInhibited:
			require.Contains(t, []string{alert.EventReminder, alert.EventEscalated}, m.Event)
		case r.Tell == alert.Never:
			require.Contains(t, chosen, r.Rule)
		case r.Tell == alert.Hold && r.Rule == alert.RuleQuiet:
			require.False(t, q.CriticalExempt)
		case r.Tell == alert.Hold:
			require.True(t, m.Ends, r.Rule)
		}
	})
}

// Of what waits each ruling is told, or dropped for a reason, and once; what is
// told of an alert is in order, and its message covers all numbers without a gap.
func TestGatherTellsEachThingOnce(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var waiting []alert.Waiting
		next, knows := map[uuid.UUID]int{}, map[uuid.UUID]bool{}
		for range rapid.IntRange(0, 60).Draw(t, "waiting") {
			id := uuid.UUID{15: byte(rapid.IntRange(0, 8).Draw(t, "alert"))}
			next[id]++
			w := alert.Waiting{ID: uuid.New(), NoticeID: uuid.New(), AlertID: id, Transition: next[id], Severity: alert.Major}
			w.Ends = rapid.Bool().Draw(t, "ends")
			knows[id] = knows[id] || rapid.Bool().Draw(t, "knows")
			waiting = append(waiting, w)
		}
		g := alert.Gather(slices.Clone(waiting), knows, nil, alert.UsualPace, start)
		seen := map[uuid.UUID]int{}
		for _, line := range g.Lines {
			all := append(slices.Clone(line.Before), line.Last)
			for i, w := range all {
				seen[w.ID]++
				if w.AlertID != uuid.Nil {
					require.Equal(t, i+1, w.Transition, "without a gap")
				}
			}
		}
		for _, w := range append(slices.Clone(g.Over), g.Aside...) {
			seen[w.ID]++
		}
		require.Len(t, seen, len(waiting))
		for _, n := range seen {
			require.Equal(t, 1, n)
		}
	})
}

func TestGather(t *testing.T) {
	t.Parallel()
	id := uuid.New()
	raised := alert.Waiting{ID: uuid.New(), AlertID: id, Transition: 1, Severity: alert.Major, Event: alert.EventRaised}
	cleared := alert.Waiting{ID: uuid.New(), AlertID: id, Transition: 2, Severity: alert.Major, Event: alert.EventCleared, Ends: true}
	both := []alert.Waiting{raised, cleared}
	g := alert.Gather(both, nil, nil, alert.Pace{}, start)
	require.Empty(t, g.Lines, "over before it was told")
	require.Equal(t, both, g.Over)
	g = alert.Gather(both, map[uuid.UUID]bool{id: true}, nil, alert.Pace{}, start)
	require.Len(t, g.Lines, 1, "it knew of an earlier episode")
	require.Equal(t, cleared, g.Lines[0].Last)

	full := slices.Repeat([]time.Time{start.Add(-time.Minute)}, 10)
	g = alert.Gather([]alert.Waiting{raised}, nil, full, alert.UsualPace, start)
	require.Equal(t, start.Add(9*time.Minute), g.FloodTo)
	urgent := raised
	urgent.Severity = alert.Critical
	require.Len(t, alert.Gather([]alert.Waiting{urgent}, nil, full, alert.UsualPace, start).Lines, 1)
	shelved := raised
	shelved.Shelved = "the crew knows"
	require.Len(t, alert.Gather([]alert.Waiting{shelved}, nil, nil, alert.Pace{}, start).Aside, 1)
}

// Twenty lines, then a count.
func TestGroupedAtItsLimit(t *testing.T) {
	t.Parallel()
	for n, want := range map[int][2]int{19: {19, 0}, 20: {20, 0}, 21: {20, 1}} {
		var events []*alert.Event
		for range n {
			events = append(events, alert.Sample())
		}
		e := alert.Grouped(uuid.New(), start, events, make([]alert.EventCover, n), "https://frostgate.example/alerts")
		require.Equal(t, want, [2]int{len(e.Group.Items), e.Group.More})
		require.Len(t, e.Covers, n)
		if n > 20 {
			require.Contains(t, e.Text, "And 1 more.")
		}
		for _, form := range alert.Forms() {
			_, body, err := alert.Write(e, form, "")
			require.NoError(t, err, form)
			require.NotEmpty(t, body)
		}
	}
}

// What time does to an alert, counted from what it hangs on.
func TestComing(t *testing.T) {
	t.Parallel()
	base := alert.Following{
		InForce: true, Severity: alert.Critical, LevelAt: start, Accepted: start.Add(time.Minute),
		Steps: []alert.Step{{Rank: 0}, {Rank: 2, Delay: 10 * time.Minute}, {Rank: 1, Delay: 30 * time.Minute}, {Rank: 1, Delay: 15 * time.Minute}},
	}
	events := func(change func(*alert.Following)) (names []string, at []time.Duration) {
		f := base
		change(&f)
		for _, c := range f.Coming() {
			names, at = append(names, c.Event), append(at, c.At.Sub(start))
		}
		return names, at
	}
	names, at := events(func(*alert.Following) {})
	require.Equal(t, []string{alert.EventEscalated, alert.EventReminder}, names)
	require.Equal(t, []time.Duration{15 * time.Minute, 61 * time.Minute}, at, "the shortest of its rank; an hour after the last accepted")
	_, at = events(func(f *alert.Following) { f.Level, f.LevelAt = 1, start.Add(15*time.Minute) })
	require.Equal(t, 25*time.Minute, at[0], "one step a delay")
	names, _ = events(func(f *alert.Following) { f.Level = 2 })
	require.Equal(t, []string{alert.EventReminder}, names, "nobody is left")
	_, at = events(func(f *alert.Following) { f.Level, f.Severity = 2, alert.Major })
	require.Equal(t, []time.Duration{241 * time.Minute}, at)
	names, _ = events(func(f *alert.Following) { f.Level, f.Severity = 2, alert.Minor })
	require.Empty(t, names, "of what is milder nobody is reminded")
	_, at = events(func(f *alert.Following) { f.Level, f.Reminded = 2, start.Add(61*time.Minute) })
	require.Equal(t, []time.Duration{121 * time.Minute}, at)
	names, _ = events(func(f *alert.Following) { f.Level, f.Accepted = 2, time.Time{} })
	require.Empty(t, names, "nothing was accepted yet")
	names, at = events(func(f *alert.Following) { f.AcknowledgedUntil = start.Add(time.Hour) })
	require.Equal(t, []string{alert.EventAckExpired}, names)
	require.Equal(t, []time.Duration{time.Hour}, at)
	names, _ = events(func(f *alert.Following) { f.ShelvedUntil, f.AcknowledgedUntil = start.Add(time.Hour), start })
	require.Equal(t, []string{alert.EventUnshelved}, names)
	names, _ = events(func(f *alert.Following) { f.InForce = false })
	require.Empty(t, names)
	_, at = events(func(f *alert.Following) { f.PlannedUntil = start.Add(5 * time.Hour) })
	require.Equal(t, []time.Duration{5 * time.Hour, 5 * time.Hour}, at)
	names, _ = events(func(f *alert.Following) { f.Inhibited = "nws" })
	require.Equal(t, []string{alert.EventEscalated}, names)
	require.Equal(t, 30*time.Minute, alert.AckLasts(alert.Critical))
	require.Equal(t, 4*time.Hour, alert.AckLasts(alert.Major))
}

// The same verdict is more urgent when the order can still be cancelled for two
// hours than when it can for a day.
func TestUrgencyGrowsTowardsTheCancelByHour(t *testing.T) {
	t.Parallel()
	pour := start.Add(40 * time.Hour)
	require.Equal(t, alert.Critical, alert.SeverityOf("move", nil, start, start.Add(2*time.Hour), pour, false))
	require.Equal(t, alert.Major, alert.SeverityOf("move", nil, start, start.Add(24*time.Hour), pour, false))
	require.Equal(t, alert.Major, alert.SeverityOf("move", nil, start, start.Add(-time.Hour), pour, false), "it can't be any more: until the start")
}
