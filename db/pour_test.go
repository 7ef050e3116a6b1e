package db_test

import (
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// One crew is not in two places, in whichever order the edits come.
func TestCrewOverlap(t *testing.T) {
	t.Parallel()
	b := setup(t)
	first := b.pour("first", monday) // until 23:00
	overlapping := b.draft("second", monday.Add(9*time.Hour))
	create := func(p db.Pour) error {
		return b.try(func(tx *db.Tx) error {
			_, err := tx.CreatePour(b.ctx, all, p)
			return err
		})
	}

	require.ErrorIs(t, create(overlapping), db.ErrConflict)
	b.store(b.draft("right after", monday.Add(10*time.Hour))) // the end is open

	other := overlapping
	other.CrewID = b.newCrew("Blue crew").ID
	moved := b.store(other)
	moved.CrewID = b.crew.ID
	err := b.try(func(tx *db.Tx) error {
		_, err := tx.UpdatePour(b.ctx, all, moved)
		return err
	})
	require.ErrorIs(t, err, db.ErrConflict)

	done := overlapping
	done.State, done.CancelledAt = db.Cancelled, &monday
	b.store(done)
	b.tx(func(tx *db.Tx) error {
		first.State, first.CancelledAt = db.Cancelled, new(tx.Now())
		_, err := tx.UpdatePour(b.ctx, all, first)
		return err
	})
	b.store(b.draft("in its place", monday))
}

// Of crews booked twice at the same moment, one booking stands.
func TestCrewOverlapAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	results := make(chan error, 6)
	for n := range cap(results) {
		p := b.draft("x", monday.Add(time.Duration(n)*time.Hour))
		go func() {
			results <- b.try(func(tx *db.Tx) error {
				_, err := tx.CreatePour(b.ctx, all, p)
				return err
			})
		}()
	}
	stored := 0
	for range cap(results) {
		if err := <-results; err == nil {
			stored++
		} else {
			require.ErrorIs(t, err, db.ErrConflict)
		}
	}
	require.Equal(t, 1, stored)
}

func names(l db.List[db.PourLine]) []string {
	var n []string
	for _, p := range l.Items {
		n = append(n, p.Name)
	}
	return n
}

// The day of a pour is the one on its site's calendar: 05:30 UTC is still the
// evening before in Chicago (UTC-6 in winter), in Denver (UTC-7) even at 06:30.
func TestPoursByLocalDay(t *testing.T) {
	t.Parallel()
	b := setup(t)
	denver := b.newSite("Denver", "America/Denver")
	midnight := time.Date(2026, 1, 13, 0, 0, 0, 0, time.UTC)
	for _, p := range []struct {
		name string
		site db.Site
		at   time.Duration
	}{
		{"chicago 12th 23:30", b.site, 5*time.Hour + 30*time.Minute},
		{"chicago 13th 00:30", b.site, 6*time.Hour + 30*time.Minute},
		{"denver 12th 23:30", denver, 6*time.Hour + 30*time.Minute},
		{"denver 13th 00:30", denver, 7*time.Hour + 30*time.Minute},
		{"chicago 13th 23:59", b.site, 29*time.Hour + 59*time.Minute},
		{"chicago 14th 00:00", b.site, 30 * time.Hour},
	} {
		d := b.draft(p.name, midnight.Add(p.at))
		d.SiteID, d.CrewID = p.site.ID, b.newCrew(p.name).ID
		b.store(d)
	}
	list := func(from, until string) []string {
		l, err := b.Pours(b.ctx, all, db.PourFilter{DayFrom: from, DayUntil: until}, db.Page{})
		require.NoError(t, err)
		return names(l)
	}
	require.Equal(t, []string{"chicago 12th 23:30", "denver 12th 23:30"}, list("2026-01-12", "2026-01-12"))
	require.Equal(t, []string{"chicago 13th 00:30", "denver 13th 00:30", "chicago 13th 23:59"}, list("2026-01-13", "2026-01-13"))
	require.Equal(t, []string{"chicago 14th 00:00"}, list("2026-01-14", ""))
	require.Len(t, list("", "2026-01-13"), 5)

	_, err := b.Pours(b.ctx, all, db.PourFilter{DayFrom: "13 Jan"}, db.Page{})
	require.ErrorIs(t, err, db.ErrInvalid)
}

func TestPourFilters(t *testing.T) {
	t.Parallel()
	b := setup(t)
	elsewhere := b.draft("far slab", monday.Add(24*time.Hour))
	site, plant, crew, mix := b.newSite("Elm 100%", "UTC"), b.newPlant("p2"), b.newCrew("c2"), b.newMix("m2")
	elsewhere.SiteID, elsewhere.PlantID, elsewhere.CrewID, elsewhere.MixID = site.ID, plant.ID, crew.ID, mix.ID
	far := b.store(elsewhere)
	near := b.pour("near slab", monday)
	b.assess(near, monday.Add(-time.Hour), rules.Move, nil)
	done := b.draft("done slab", monday.Add(-48*time.Hour))
	done.State, done.PlacedAt, done.ReleasedAt = db.Released, &monday, &monday
	b.store(done)

	for _, c := range []struct {
		name   string
		filter db.PourFilter
		want   []string
	}{
		{"none", db.PourFilter{}, []string{"done slab", "near slab", "far slab"}},
		{"from", db.PourFilter{StartsFrom: monday}, []string{"near slab", "far slab"}},
		{"before", db.PourFilter{StartsBefore: monday}, []string{"done slab"}},
		{"ids", db.PourFilter{IDs: []uuid.UUID{far.ID}}, []string{"far slab"}},
		{"site", db.PourFilter{SiteIDs: []uuid.UUID{site.ID}}, []string{"far slab"}},
		{"plant", db.PourFilter{PlantIDs: []uuid.UUID{plant.ID}}, []string{"far slab"}},
		{"crew", db.PourFilter{CrewIDs: []uuid.UUID{b.crew.ID}}, []string{"done slab", "near slab"}},
		{"mix", db.PourFilter{MixIDs: []uuid.UUID{mix.ID}}, []string{"far slab"}},
		{"verdict", db.PourFilter{Verdicts: []rules.Verdict{rules.Move, rules.Protect}}, []string{"near slab"}},
		{"never assessed is unscored", db.PourFilter{Verdicts: []rules.Verdict{rules.Unscored}}, []string{"done slab", "far slab"}},
		{"state", db.PourFilter{States: []db.PourState{db.Released}}, []string{"done slab"}},
		{"text of the site, case aside", db.PourFilter{Text: "eLM 100%"}, []string{"far slab"}},
		{"text of the pour", db.PourFilter{Text: "slab"}, []string{"done slab", "near slab", "far slab"}},
		{"together", db.PourFilter{Text: "slab", CrewIDs: []uuid.UUID{b.crew.ID}, States: []db.PourState{db.Planned}}, []string{"near slab"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := b.Pours(b.ctx, all, c.filter, db.Page{})
			require.NoError(t, err)
			require.Equal(t, c.want, names(l))
		})
	}

	l, err := b.Pours(b.ctx, all, db.PourFilter{IDs: []uuid.UUID{far.ID}}, db.Page{})
	require.NoError(t, err)
	line := l.Items[0]
	require.Equal(t, []string{"Elm 100%", "UTC", "p2", "c2", "m2"}, []string{line.SiteName, line.Timezone, line.PlantName, line.CrewName, line.MixName})
	requireSame(t, far, line.Pour)
}

func TestPourInputs(t *testing.T) {
	t.Parallel()
	b := setup(t)
	late, early := b.pour("late", monday.Add(24*time.Hour)), b.pour("early", monday)
	a := b.assess(late, monday, rules.Protect, nil)
	b.tx(func(tx *db.Tx) error {
		for _, at := range []time.Duration{3 * time.Hour, time.Hour} {
			_, err := tx.CreateObservation(b.ctx, all, db.Observation{PourID: early.ID, Kind: "base_temp", At: monday.Add(at), Value: 2})
			require.NoError(t, err)
		}
		return nil
	})
	inputs, err := b.PourInputs(b.ctx, []uuid.UUID{late.ID, uuid.New(), early.ID})
	require.NoError(t, err)
	require.Len(t, inputs, 2)
	requireSame(t, early, inputs[0].Pour)
	require.Len(t, inputs[0].Observations, 2)
	require.True(t, inputs[0].Observations[0].At.Before(inputs[0].Observations[1].At))
	require.Nil(t, inputs[0].InputsHash)
	require.Equal(t, a.InputsHash, inputs[1].InputsHash)
	for _, in := range inputs {
		requireSame(t, b.site, in.Site)
		requireSame(t, b.plant, in.Plant)
		requireSame(t, b.crew, in.Crew)
		requireSame(t, b.mix, in.Mix)
	}
}

func TestWatchedPours(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("p", monday)
	done := b.draft("done", monday.Add(time.Hour))
	done.State, done.CancelledAt = db.Cancelled, &monday
	b.store(done)
	b.pour("later", monday.Add(24*time.Hour))
	watched, err := b.WatchedPours(b.ctx, monday, monday.Add(24*time.Hour))
	require.NoError(t, err)
	require.Len(t, watched, 1)
	requireSame(t, db.WatchedPour{
		ID: p.ID, State: db.Planned, StartsAt: monday, Latitude: 42, Longitude: -88, Timezone: "America/Chicago",
	}, watched[0])
}

// Who locks a pour decides about it alone; edits and other pours go on.
func TestLockPours(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p, q := b.pour("p", monday), b.pour("q", monday.Add(24*time.Hour))
	waited := make(chan error, 1)
	var order []string
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.LockPours(b.ctx, p.ID, q.ID))
		go func() {
			waited <- b.try(func(other *db.Tx) error {
				if err := other.LockPours(b.ctx, q.ID, p.ID); err != nil {
					return err
				}
				order = append(order, "second")
				return nil
			})
		}()
		b.tx(func(other *db.Tx) error {
			_, err := other.UpdatePour(b.ctx, all, p)
			require.NoError(t, err)
			return other.LockPours(b.ctx, uuid.New())
		})
		time.Sleep(100 * time.Millisecond)
		require.Empty(t, waited)
		order = append(order, "first")
		return nil
	})
	require.NoError(t, <-waited)
	require.Equal(t, []string{"first", "second"}, order)
}

func TestObservations(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p, q := b.pour("p", monday), b.pour("q", monday.Add(24*time.Hour))
	var first db.Observation
	b.tx(func(tx *db.Tx) error {
		for n, o := range []db.Observation{
			{PourID: p.ID, Kind: "base_frozen", At: monday, Value: 1},
			{PourID: p.ID, Kind: "concrete_temp", At: monday.Add(time.Hour), Value: 17, Who: "foreman"},
			{PourID: q.ID, Kind: "slump", At: monday.Add(-time.Hour), Value: 100},
		} {
			stored, err := tx.CreateObservation(b.ctx, all, o)
			require.NoError(t, err)
			if n == 0 {
				first = stored
			}
		}
		_, err := tx.CreateObservation(b.ctx, all, db.Observation{PourID: uuid.New(), Kind: "slump", At: monday})
		require.ErrorIs(t, err, db.ErrNotFound)
		return nil
	})
	kinds := func(f db.ObservationFilter) (k []string) {
		l, err := b.Observations(b.ctx, all, f, db.Page{})
		require.NoError(t, err)
		for _, o := range l.Items {
			k = append(k, o.Kind)
		}
		return k
	}
	require.Equal(t, []string{"slump", "base_frozen", "concrete_temp"}, kinds(db.ObservationFilter{}))
	require.Equal(t, []string{"base_frozen", "concrete_temp"}, kinds(db.ObservationFilter{PourID: p.ID}))
	require.Equal(t, []string{"slump"}, kinds(db.ObservationFilter{Kinds: []string{"slump", "x"}}))
	require.Equal(t, []string{"base_frozen"}, kinds(db.ObservationFilter{From: monday, Before: monday.Add(time.Hour)}))

	b.tx(func(tx *db.Tx) error {
		wrong := first
		wrong.Value, wrong.PourID, wrong.Who = 0, q.ID, "somebody"
		stored, err := tx.UpdateObservation(b.ctx, all, wrong)
		require.NoError(t, err)
		require.Zero(t, stored.Value)
		require.Equal(t, p.ID, stored.PourID) // it stays where it was made
		require.Equal(t, tester.Name, stored.Who)
		return tx.DeleteObservation(b.ctx, all, first.ID, 2)
	})
	_, err := b.Observation(b.ctx, all, first.ID)
	require.ErrorIs(t, err, db.ErrNotFound)
}

func TestAssessments(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p := b.pour("p", monday)
	_, err := b.LatestAssessment(b.ctx, all, p.ID)
	require.ErrorIs(t, err, db.ErrNotFound)

	window := monday.Add(26 * time.Hour)
	first := b.assess(p, monday.Add(-3*time.Hour), rules.Move, func(a *db.Assessment) {
		a.NextWindowAt, a.WorstProbability, a.PBaseFrozen, a.IssueIDs = &window, new(0.8), new(0.8), []uuid.UUID{uuid.New()}
		a.Document = []byte(`{"verdict": "move", "windows": [{"starts_at": "2026-01-13T15:00:00Z", "verdict": "place", "cost": 1.5}]}`)
	})
	got, err := b.Assessment(b.ctx, all, first.ID)
	require.NoError(t, err)
	requireSame(t, first.AssessmentLine, got.AssessmentLine)
	document, err := got.Decode()
	require.NoError(t, err)
	require.Equal(t, rules.Move, document.Verdict)

	standing, err := b.Pour(b.ctx, all, p.ID)
	require.NoError(t, err)
	require.Equal(t, p.Version, standing.Version) // no edit of the pour
	requireSame(t, db.Standing{
		Verdict: rules.Move, WorstRule: "ground.frozen", WorstReason: "The base is frozen.", WorstProbability: new(0.8),
		Severity: "major", AssessedAt: &first.At, AssessmentID: &first.ID, NextWindowAt: &window,
	}, standing.Standing)

	windows, err := b.Windows(b.ctx, all, []uuid.UUID{p.ID, b.pour("never assessed", monday.Add(48*time.Hour)).ID})
	require.NoError(t, err)
	require.Len(t, windows, 1)
	require.Equal(t, []rules.Window{{StartsAt: time.Date(2026, 1, 13, 15, 0, 0, 0, time.UTC), Verdict: rules.Place, Cost: 1.5}}, windows[0].Windows)

	second := b.assess(p, monday.Add(-2*time.Hour), rules.Place, nil)
	b.assess(p, monday.Add(-5*time.Hour), rules.Unscored, nil) // a late writer does not turn the clock back
	latest, err := b.LatestAssessment(b.ctx, all, p.ID)
	require.NoError(t, err)
	require.Equal(t, second.ID, latest.ID)
	windows, err = b.Windows(b.ctx, all, []uuid.UUID{p.ID})
	require.NoError(t, err)
	require.Empty(t, windows[0].Windows)

	b.tx(func(tx *db.Tx) error { return tx.TouchAssessed(b.ctx, monday, p.ID) })
	standing, err = b.Pour(b.ctx, all, p.ID)
	require.NoError(t, err)
	require.True(t, standing.AssessedAt.Equal(monday))
	require.Equal(t, second.ID, *standing.AssessmentID)

	l, err := b.Assessments(b.ctx, all, p.ID, db.Page{})
	require.NoError(t, err)
	var verdicts []rules.Verdict
	for _, a := range l.Items {
		verdicts = append(verdicts, a.Verdict)
	}
	require.Equal(t, []rules.Verdict{rules.Place, rules.Move, rules.Unscored}, verdicts)

	bad := first
	bad.ID, bad.Document = uuid.Nil, []byte(`{"cut`)
	err = b.try(func(tx *db.Tx) error { return tx.StoreAssessments(b.ctx, second, bad) })
	require.Error(t, err)
}
