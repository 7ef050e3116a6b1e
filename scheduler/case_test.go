package scheduler

import (
	"encoding/json"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/stretchr/testify/require"
)

func input() db.PourInput {
	start := time.Date(2027, 1, 15, 14, 0, 0, 0, time.UTC) // Friday, 8:00 in Chicago
	return db.PourInput{
		Pour: db.Pour{
			Element: rules.Footing, ThicknessMM: 400, WidthMM: 900, LengthMM: 12000, StartsAt: start, CancelBy: new(start.Add(-16 * time.Hour)),
			Base: rules.Base{Material: "sand", DepthMM: 100}, ServiceCategory: 3, Lights: true, Windbreak: true, HaulMin: new(70.0), VolumeM3: new(5.5),
			Protection: []rules.Protection{{RM2KW: 0.7, OnAt: start.Add(4 * time.Hour)}}, ProtectionAtHand: []rules.Cover{{RM2KW: 0.7}},
			GroundCover: []rules.GroundCover{{Kind: "blanket", RM2KW: 0.7, OnAt: start.Add(-48 * time.Hour)}}, State: db.Planned,
		},
		Site:  db.Site{Name: "Mill Road", Site: rules.Site{Latitude: 42, Longitude: -88, Timezone: "America/Chicago", Terrain: rules.TerrainOpen}},
		Plant: db.Plant{Plant: rules.Plant{HaulMin: new(30.0), WaterMaxC: new(60.0)}},
		Crew:  db.Crew{DayStartsMin: 7 * 60, DayEndsMin: 17*60 + 30, Days: []int16{1, 2, 3, 4, 5}, PlaceM3H: 12},
		Mix:   db.Mix{Mix: rules.Mix{CementType: "I/II", CementKgM3: 332, WaterKgM3: 160, AggregateKgM3: 1850, StrengthMPa: 27.6}},
		Observations: []db.Observation{
			{Kind: "base_temp", At: start.Add(-2 * time.Hour), Value: 3.5, DepthMM: 50},
		},
	}
}

func TestCaseOfRecords(t *testing.T) {
	in := input()
	now := in.Pour.StartsAt.Add(-20 * time.Hour)
	issued := now.Add(-time.Hour)
	c := CaseOf(in, db.Firm{Units: rules.UnitsSI, Calibration: rules.Calibration{SetFactor: 1.1}}, Weather{
		Hours: []rules.Hour{{At: now.Truncate(time.Hour), AirTempC: new(-3.0)}}, IssuedAt: issued,
	}, now)
	require.Equal(t, rules.UnitsSI, c.Firm.Units)
	require.InDelta(t, 1.1, c.Firm.Calibration.SetFactor, 0)
	require.Equal(t, issued, c.IssuedAt)
	require.Equal(t, now, c.AssessedAt)
	require.Equal(t, rules.Footing, c.Pour.Element)
	require.InDelta(t, 900, c.Pour.WidthMM, 0)
	require.Equal(t, new(5.5), c.Pour.VolumeM3)
	require.Equal(t, new(70.0), c.Pour.Plant.HaulMin, "the pour's own haul counts")
	require.Equal(t, new(60.0), c.Pour.Plant.WaterMaxC)
	require.Equal(t, new(30.0), in.Plant.HaulMin, "and the plant keeps its own")
	require.True(t, c.Pour.Crew.Lights)
	require.True(t, c.Pour.WindbreakUp)
	require.Equal(t, "2027-01-15T17:30:00-06:00", c.Pour.Crew.DayEndsAt.Format(time.RFC3339))
	require.Equal(t, in.Pour.StartsAt.Add(-16*time.Hour), c.Pour.CancelBy)
	require.Len(t, c.Pour.Protection, 1)
	require.Len(t, c.Pour.AtHand, 1)
	require.Len(t, c.Pour.GroundCover, 1)
	require.Equal(t, []rules.Observation{{Kind: "base_temp", At: in.Pour.StartsAt.Add(-2 * time.Hour), Value: 3.5, DepthMM: 50}}, c.Pour.Observations)
}

// What the API takes for a stateless case, the engine is asked of records too.
func TestCaseOfRecordsIsValid(t *testing.T) {
	in := input()
	now := in.Pour.StartsAt.Add(-20 * time.Hour)
	var hours []rules.Hour
	for k := -48; k < 72; k++ {
		hours = append(hours, rules.Hour{At: now.Truncate(time.Hour).Add(time.Duration(k) * time.Hour), AirTempC: new(-3.0)})
	}
	text, err := json.Marshal(CaseOf(in, db.Firm{}, Weather{Hours: hours, IssuedAt: now}, now))
	require.NoError(t, err)
	_, err = rules.Decode(text)
	require.NoError(t, err)
}

func TestPlacedPourStartsWhenItWasPlaced(t *testing.T) {
	in := input()
	placed := in.Pour.StartsAt.Add(95 * time.Minute)
	in.Pour.State, in.Pour.PlacedAt = db.Placed, &placed
	c := CaseOf(in, db.Firm{}, Weather{}, placed.Add(time.Hour))
	require.Equal(t, placed, c.Pour.StartsAt)
	require.Nil(t, startsFor(in, c), "there is nothing to move any more")
}

// The crew's day ends by the clock on the wall, on days of clock changes too.
func TestCrewsDayOnClockChanges(t *testing.T) {
	for start, want := range map[string]string{
		"2026-03-08T14:00:00Z": "2026-03-08T17:30:00-05:00",
		"2026-11-01T14:00:00Z": "2026-11-01T17:30:00-06:00",
	} {
		in := input()
		at, err := time.Parse(time.RFC3339, start)
		require.NoError(t, err)
		in.Pour.StartsAt = at
		require.Equal(t, want, CaseOf(in, db.Firm{}, Weather{}, at).Pour.Crew.DayEndsAt.Format(time.RFC3339))
	}
}

func TestStartsTheCrewCanKeep(t *testing.T) {
	in := input()
	now := time.Date(2027, 1, 13, 20, 0, 0, 0, time.UTC)
	var hours []rules.Hour
	for k := -24 * 10; k < 24*10; k++ {
		hours = append(hours, rules.Hour{At: now.Add(time.Duration(k) * time.Hour), AirTempC: new(4.0)})
	}
	starts := startsFor(in, CaseOf(in, db.Firm{}, Weather{Hours: hours, IssuedAt: now}, now))
	require.NotEmpty(t, starts)
	zone, err := time.LoadLocation("America/Chicago")
	require.NoError(t, err)
	days := map[time.Weekday]bool{}
	for _, s := range starts {
		local := s.In(zone)
		days[local.Weekday()] = true
		require.GreaterOrEqual(t, local.Hour(), 7)
		require.Less(t, local.Hour(), 17)
		require.False(t, s.Before(now.Add(4*time.Hour)), "time to order")
	}
	require.Equal(t, map[time.Weekday]bool{time.Monday: true, time.Tuesday: true, time.Wednesday: true, time.Thursday: true, time.Friday: true}, days)
}

// The hash tells inputs apart, and nothing else.
func TestInputsHash(t *testing.T) {
	now := time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)
	hash := func(in db.PourInput, w Weather, at time.Time) string {
		h, err := inputsHash(CaseOf(in, db.Firm{}, w, at), w, at)
		require.NoError(t, err)
		require.Len(t, h, 32)
		return string(h)
	}
	same := hash(input(), Weather{Age: fresh}, now)
	require.Equal(t, same, hash(input(), Weather{Age: fresh}, now.Add(20*time.Minute)))
	require.NotEqual(t, same, hash(input(), Weather{Age: fresh}, now.Add(3*time.Hour)))
	require.NotEqual(t, same, hash(input(), Weather{Age: stale}, now))
	in := input()
	in.Observations[0].Value = 3.6
	require.NotEqual(t, same, hash(in, Weather{Age: fresh}, now))
	in = input()
	in.Pour.Note = "call first"
	require.Equal(t, same, hash(in, Weather{Age: fresh}, now), "a note is no input")
}
