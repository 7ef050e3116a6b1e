package db_test

import (
	"testing"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

func suppressionOf(p db.Pour) db.Suppression {
	return db.Suppression{PourID: &p.ID, StartsAt: monday, EndsAt: monday.Add(8 * time.Hour), Reason: "site closed"}
}

// A planned suppression holds from its start to its end, of what it is of, and is
// closed once.
func TestSuppressions(t *testing.T) {
	t.Parallel()
	b := setup(t)
	p, q := b.pour("p", monday), b.pour("q", monday.Add(24*time.Hour))
	raised, other := b.raise(p, "k"), b.raise(q, "k")
	stored := map[string]db.Suppression{}
	b.tx(func(tx *db.Tx) error {
		for name, w := range map[string]db.Suppression{
			"pour": suppressionOf(p),
			"firm": {StartsAt: monday, EndsAt: monday.Add(time.Hour), Reason: "holidays", CriticalToo: true},
			"site": {SiteID: &b.site.ID, StartsAt: monday, EndsAt: monday.Add(2 * time.Hour), Reason: "closed"},
			"crew": {CrewID: &b.crew.ID, StartsAt: monday.Add(time.Hour), EndsAt: monday.Add(2 * time.Hour), Reason: "trained"},
		} {
			made, err := tx.CreateSuppression(b.ctx, all, w)
			require.NoError(t, err, name)
			require.Equal(t, "tester", made.MadeBy)
			stored[name] = made
		}
		return nil
	})
	active := func(at time.Time) (reasons []string) {
		list, err := b.ActiveSuppressions(b.ctx, at)
		require.NoError(t, err)
		for _, w := range list {
			reasons = append(reasons, w.Reason)
		}
		return reasons
	}
	require.Empty(t, active(monday.Add(-time.Second)))
	require.Equal(t, []string{"site closed", "closed", "holidays"}, active(monday), "the longest first")
	require.ElementsMatch(t, []string{"site closed", "closed", "trained"}, active(monday.Add(time.Hour)), "the end is out")

	for name, want := range map[string][]uuid.UUID{
		"pour": {raised.ID}, "firm": {raised.ID, other.ID}, "site": {raised.ID, other.ID}, "crew": {raised.ID, other.ID},
	} {
		under, err := b.AlertsUnder(b.ctx, stored[name])
		require.NoError(t, err)
		require.ElementsMatch(t, want, under, name)
	}

	// All of it is long over by the test's own clock.
	b.tx(func(tx *db.Tx) error {
		closed, err := tx.CloseSuppressions(b.ctx, 10)
		require.NoError(t, err)
		require.Len(t, closed, 4)
		closed, err = tx.CloseSuppressions(b.ctx, 10)
		require.NoError(t, err)
		require.Empty(t, closed, "once")
		w := stored["pour"]
		w.EndsAt = tx.Now().Add(time.Hour)
		w.StartsAt = tx.Now()
		w, err = tx.UpdateSuppression(b.ctx, all, w)
		require.NoError(t, err)
		require.Nil(t, w.ClosedAt, "open again")
		_, err = tx.UpdateSuppression(b.ctx, all, stored["pour"])
		require.ErrorIs(t, err, db.ErrStale)
		return tx.DeleteSuppression(b.ctx, all, w.ID, w.Version)
	})
	for name, w := range map[string]db.Suppression{
		"ends_at": {StartsAt: monday, EndsAt: monday, Reason: "x"},
		"subject": {SiteID: &b.site.ID, CrewID: &b.crew.ID, StartsAt: monday, EndsAt: monday.Add(time.Hour), Reason: "x"},
		"pour_id": {PourID: new(uuid.New()), StartsAt: monday, EndsAt: monday.Add(time.Hour), Reason: "x"},
		"reason":  {StartsAt: monday, EndsAt: monday.Add(time.Hour)},
	} {
		err := b.try(func(tx *db.Tx) error {
			_, err := tx.CreateSuppression(b.ctx, all, w)
			return err
		})
		var refused *db.FieldError
		require.ErrorAs(t, err, &refused, name)
		require.Equal(t, name, refused.Field)
	}

	// Who has a scope sees what is of the firm and the site, and changes what is of
	// its crew.
	mine := db.Scope{Crews: []uuid.UUID{b.crew.ID}}
	for name, allowed := range map[string]bool{"firm": false, "site": false, "crew": true} {
		_, err := b.Suppression(b.ctx, mine, stored[name].ID)
		require.NoError(t, err, name)
		err = b.try(func(tx *db.Tx) error {
			_, err := tx.UpdateSuppression(b.ctx, mine, stored[name])
			return err
		})
		if allowed {
			require.NoError(t, err, name)
		} else {
			require.ErrorIs(t, err, db.ErrNotAllowed, name)
		}
	}
}
