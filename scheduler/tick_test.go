package scheduler

import (
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// Ticks on a simulated clock, which begins in 2000: each minute has one slot of
// each minute's schedule, also on the days when the machine's own clock changes.
func TestTicksAcrossClockChanges(t *testing.T) {
	for zone, changes := range map[string][]string{
		"UTC":                 {"2000-02-29"},
		"America/Chicago":     {"2000-04-02", "2000-10-29"},
		"Australia/Lord_Howe": {"2000-03-26", "2000-08-27"}, // by half an hour
	} {
		t.Run(zone, func(t *testing.T) {
			local, err := time.LoadLocation(zone)
			require.NoError(t, err)
			before := time.Local
			time.Local = local //nolint:gosmopolitan // what the machine's zone is must not matter
			t.Cleanup(func() { time.Local = before })
			for _, day := range changes {
				synctest.Test(t, func(t *testing.T) { ticksAround(t, day) })
			}
		})
	}
}

func ticksAround(t *testing.T, day string) {
	change, err := time.Parse(time.DateOnly, day)
	require.NoError(t, err)
	time.Sleep(time.Until(change.Add(-24*time.Hour + 10*time.Second)))
	var mu sync.Mutex
	slots := map[string]map[time.Time]int{}
	c, err := newCron(func(name string) {
		mu.Lock()
		defer mu.Unlock()
		if slots[name] == nil {
			slots[name] = map[time.Time]int{}
		}
		slots[name][slotOf(time.Now())]++
	})
	require.NoError(t, err)
	c.Start()
	const days = 3
	time.Sleep(days * 24 * time.Hour)
	<-c.Stop().Done()
	synctest.Wait()
	require.Len(t, slots[tickPull], days*24*60)
	require.Len(t, slots[tickWatch], days*24*60)
	require.Len(t, slots[tickThin], days*24)
	for name := range slots {
		for slot, n := range slots[name] {
			require.Equal(t, 1, n, "%s at %s", name, slot)
		}
	}
}

func TestSchedulesWithAPhaseOfTheirOwnAreRefused(t *testing.T) {
	for _, spec := range []string{"@every 1m", "@hourly", "@reboot", "0 * * * * *", ""} {
		_, err := fiveFields.Parse(spec)
		require.Error(t, err, spec)
	}
	for name, spec := range schedules {
		require.NotContains(t, spec, "TZ", name)
	}
}

// Two replicas whose clocks differ by less than a slot have the same slots but
// for the moment of change.
func TestSlotsOfReplicasCoincide(t *testing.T) {
	at := time.Date(2027, 3, 14, 8, 0, 0, 0, time.UTC) // the hour in which Chicago's clocks go forward
	require.Equal(t, slotOf(at.Add(30*time.Millisecond)), slotOf(at.Add(40*time.Second)))
	require.Equal(t, at, slotOf(at.Add(59*time.Second)))
}

// The moments at which a pour is looked at, in Chicago on the days when clocks
// change (8 March and 1 November 2026). Civil dawn by the sun package's own test
// data is not repeated here: only its order.
func TestHoursOfAPour(t *testing.T) {
	zone, err := time.LoadLocation("America/Chicago")
	require.NoError(t, err)
	for name, start := range map[string]time.Time{
		"winter":         time.Date(2027, 1, 15, 8, 0, 0, 0, zone),
		"spring forward": time.Date(2026, 3, 8, 8, 0, 0, 0, zone),
		"fall back":      time.Date(2026, 11, 1, 8, 0, 0, 0, zone),
		"day after":      time.Date(2026, 3, 9, 8, 0, 0, 0, zone),
	} {
		t.Run(name, func(t *testing.T) {
			p := db.WatchedPour{StartsAt: start.UTC(), CancelBy: new(start.Add(-16 * time.Hour)), Latitude: 42, Longitude: -88, Timezone: "America/Chicago"}
			hours := hoursOfPour(p)
			afternoon := time.Date(start.Year(), start.Month(), start.Day()-1, 13, 0, 0, 0, zone)
			require.True(t, slices.ContainsFunc(hours, afternoon.Equal), "1 p.m. by the clock on the wall the day before")
			require.True(t, slices.ContainsFunc(hours, start.Add(-4*time.Hour).Equal))
			require.True(t, slices.ContainsFunc(hours, start.Add(-20*time.Hour).Equal), "4 h before the order can last be cancelled")
			require.True(t, slices.ContainsFunc(hours, func(h time.Time) bool {
				return h.Before(start) && h.After(start.Add(-3*time.Hour)) && h.In(zone).Day() == start.Day()
			}), "first light")
		})
	}
}

func TestHourHasCome(t *testing.T) {
	start := time.Date(2027, 1, 15, 14, 0, 0, 0, time.UTC)
	p := db.WatchedPour{StartsAt: start, CancelBy: new(start.Add(-16 * time.Hour)), Latitude: 42, Longitude: -88, Timezone: "America/Chicago"}
	seen := func(at time.Time) db.WatchedPour { p.AssessedAt = &at; return p }
	critical := start.Add(-20 * time.Hour)
	require.True(t, hourHasCome(p, start.Add(-100*time.Hour)), "never looked at")
	require.False(t, hourHasCome(seen(critical.Add(-10*time.Minute)), critical.Add(-time.Minute)))
	require.True(t, hourHasCome(seen(critical.Add(-10*time.Minute)), critical))
	require.False(t, hourHasCome(seen(critical), critical.Add(time.Minute)), "once")
	require.True(t, hourHasCome(seen(critical.Add(-10*time.Minute)), critical.Add(40*time.Minute)), "missed, and made up for")
	require.True(t, hourHasCome(seen(critical), critical.Add(time.Hour)), "an hour without a look")
}

// Cells keep their phase and spread over the period: 1500 cells asked hourly come
// to about 25 in a minute, never 60.
func TestCellsAreSpreadOverThePeriod(t *testing.T) {
	now := time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)
	perMinute := map[int]int{}
	for range 1500 {
		id := uuid.Must(uuid.NewV7())
		first := nextDue(seedOf(id), time.Hour, now)
		require.GreaterOrEqual(t, first.Sub(now), 30*time.Minute)
		require.LessOrEqual(t, first.Sub(now), 90*time.Minute)
		next := nextDue(seedOf(id), time.Hour, first.Add(20*time.Second))
		require.Equal(t, time.Hour, next.Sub(first))
		perMinute[first.Minute()]++
	}
	require.Len(t, perMinute, 60)
	for minute, n := range perMinute {
		require.Less(t, n, 60, "minute %d", minute)
	}
}

func TestPauseAfterFailures(t *testing.T) {
	retry := &forecast.Error{Retry: true}
	require.Equal(t, time.Minute, pauseAfter(1, retry))
	require.Equal(t, 5*time.Minute, pauseAfter(3, retry))
	require.Equal(t, 6*time.Hour, pauseAfter(8, retry))
	require.Equal(t, 6*time.Hour, pauseAfter(800, retry))
	require.Equal(t, time.Hour, pauseAfter(1, &forecast.Error{}), "the same question gets the same answer")
	require.Equal(t, 20*time.Minute, pauseAfter(1, fmt.Errorf("wrapped: %w", &forecast.Error{Retry: true, After: 20 * time.Minute})))
	require.Equal(t, time.Minute, pauseAfter(1, fmt.Errorf("something else")))
}

// What is asked of the past: two weeks once for the ground, then what is new.
func TestHistoryIsAskedOnce(t *testing.T) {
	now := time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)
	issue := uuid.New()
	known := func(ago time.Duration) db.Cell {
		return db.Cell{LatestIssueID: &issue, SucceededAt: new(now.Add(-ago)), ETag: "v"}
	}
	require.Equal(t, 15*24*time.Hour, now.Sub(askFor(forecast.About{}, db.Cell{ETag: "v"}, now).Since))
	require.Empty(t, askFor(forecast.About{}, db.Cell{ETag: "v"}, now).ETag, "nothing is stored that could be unchanged")
	require.Equal(t, 48*time.Hour, now.Sub(askFor(forecast.About{}, known(time.Hour), now).Since))
	require.Equal(t, "v", askFor(forecast.About{}, known(time.Hour), now).ETag)
	require.Equal(t, 100*time.Hour, now.Sub(askFor(forecast.About{}, known(100*time.Hour), now).Since))
	require.Equal(t, 15*24*time.Hour, now.Sub(askFor(forecast.About{}, known(1000*time.Hour), now).Since))
	stations := forecast.About{Measures: true}
	require.Equal(t, 15*24*time.Hour, now.Sub(askFor(stations, db.Cell{}, now).Since))
	require.Equal(t, time.Hour+reportsWithin, now.Sub(askFor(stations, known(time.Hour), now).Since), "and what was late")
}

// Cells that ask the same station first are due together.
func TestCellsOfOneStationAreDueTogether(t *testing.T) {
	stations := forecast.About{Measures: true}
	cell := func(key string) db.Cell { return db.Cell{ID: uuid.New(), Key: key} }
	require.Equal(t, phaseOf(stations, cell("KARR,KDPA")), phaseOf(stations, cell("KARR,KORD,KDPA")))
	require.NotEqual(t, phaseOf(stations, cell("KARR,KDPA")), phaseOf(stations, cell("KDPA,KARR")))
	require.NotEqual(t, phaseOf(forecast.About{}, cell("LOT/65,76")), phaseOf(forecast.About{}, cell("LOT/65,77")))
}

func TestSettle(t *testing.T) {
	now := time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)
	d := db.Delivery{}
	d.Attempts = 1
	require.Equal(t, "accepted", settle(d, alert.Answer{Outcome: alert.Accepted}, now).State)
	require.Equal(t, "dead", settle(d, alert.Answer{Outcome: alert.Permanent, Status: 404}, now).State)
	for _, o := range []alert.Outcome{alert.Retry, alert.Unknown, alert.Gone} {
		s := settle(d, alert.Answer{Outcome: o}, now)
		require.Equal(t, "pending", s.State, o)
		require.InDelta(t, 5, s.NextAttemptAt.Sub(now).Seconds(), 1.01)
	}
	s := settle(d, alert.Answer{Outcome: alert.Retry, Status: 429, RetryAfter: new(time.Hour)}, now)
	require.Equal(t, now.Add(time.Hour), *s.NextAttemptAt)
	d.Attempts = alert.MostAttempts
	s = settle(d, alert.Answer{Outcome: alert.Retry, Status: 503}, now)
	require.Equal(t, "dead", s.State)
	require.Equal(t, "given up after 15 attempts: the receiver answered 503", s.Reason)
}

func TestSourceIsJudgedFairly(t *testing.T) {
	now := time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)
	about := forecast.About{StaleAfter: 18 * time.Hour, DeadAfter: 36 * time.Hour}
	ago := func(d time.Duration) *time.Time { return new(now.Add(-d)) }
	for name, tc := range map[string]struct {
		h     db.SourceHealth
		up    time.Duration
		bad   bool
		known bool
		gone  bool
	}{
		"fresh":                         {db.SourceHealth{Cells: 1, IssuedAt: ago(time.Hour), TriedAt: ago(time.Minute)}, time.Hour, false, true, false},
		"old, and tried since":          {db.SourceHealth{Cells: 1, IssuedAt: ago(19 * time.Hour), TriedAt: ago(time.Minute)}, time.Minute, true, true, false},
		"old, for this program was off": {db.SourceHealth{Cells: 1, IssuedAt: ago(19 * time.Hour), TriedAt: ago(18 * time.Hour)}, time.Minute, false, false, false},
		"old, and nobody tries":         {db.SourceHealth{Cells: 1, IssuedAt: ago(19 * time.Hour), TriedAt: ago(18 * time.Hour)}, time.Hour, true, true, false},
		"nothing yet":                   {db.SourceHealth{Cells: 1, WaitingFrom: ago(time.Minute)}, time.Minute, false, true, false},
		"nothing for long":              {db.SourceHealth{Cells: 1, WaitingFrom: ago(time.Hour)}, time.Hour, true, true, false},
		"no pour needs it":              {db.SourceHealth{}, time.Hour, false, true, true},
	} {
		t.Run(name, func(t *testing.T) {
			s := &Scheduler{startedAt: now.Add(-tc.up)}
			j := s.judgementOfSource(about, tc.h, now)
			require.Equal(t, tc.bad, j.Bad)
			require.Equal(t, tc.known, j.Known)
			require.Equal(t, tc.gone, j.Gone != "")
		})
	}
}

// An endpoint is sent to by one job of a replica at a time, and a wish that comes
// meanwhile is not lost.
func TestDrains(t *testing.T) {
	var d drains
	id := uuid.New()
	require.True(t, d.enter(id))
	require.False(t, d.enter(id), "somebody is at it")
	require.True(t, d.leave(id, false), "and looks once more")
	require.False(t, d.leave(id, false))
	require.True(t, d.enter(id))
	require.False(t, d.enter(id))
	require.False(t, d.leave(id, true), "gives up all the same")
	require.True(t, d.enter(id))
	require.True(t, d.enter(uuid.New()))
}
