package db_test

import (
	"fmt"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// A notice is stored once per transition and type, its deliveries with it.
func TestNoticeOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e, quiet := b.endpoint("chat"), b.endpoint("quiet")
	a := b.raise(b.pour("p", monday), "k")
	notice := db.Notice{AlertID: &a.ID, Transition: &a.Transition, Type: "alarm.raised", Reason: "first", Payload: []byte(`{"x": 1}`)}
	deliveries := []db.Delivery{
		{DeliveryState: db.DeliveryState{EndpointID: e.ID}, ContentType: "application/json", Body: []byte("bytes")},
		{DeliveryState: db.DeliveryState{EndpointID: quiet.ID, State: "suppressed", Reason: "quiet hours"}, Body: []byte("bytes")},
	}
	var made []db.Delivery
	b.tx(func(tx *db.Tx) error {
		var isNew bool
		var err error
		made, isNew, err = tx.CreateNotice(b.ctx, notice, deliveries)
		require.NoError(t, err)
		require.True(t, isNew)
		_, isNew, err = tx.CreateNotice(b.ctx, notice, deliveries)
		require.NoError(t, err)
		require.False(t, isNew)
		return nil
	})
	l, err := b.Deliveries(b.ctx, all, db.DeliveryFilter{}, db.Page{})
	require.NoError(t, err)
	require.Len(t, l.Items, 2)
	for _, d := range made {
		stored, err := b.Delivery(b.ctx, all, d.ID)
		require.NoError(t, err)
		requireSame(t, d, stored)
	}
	require.Equal(t, []string{"pending", "suppressed"}, []string{made[0].State, made[1].State})
	require.NotEqual(t, made[0].WebhookID, made[1].WebhookID)
	stored, err := b.Notice(b.ctx, made[0].NoticeID)
	require.NoError(t, err)
	require.Equal(t, notice.Payload, stored.Payload)

	due, err := b.DueEndpoints(b.ctx, time.Now().Add(time.Minute))
	require.NoError(t, err)
	require.Equal(t, []uuid.UUID{e.ID}, due)

	err = b.try(func(tx *db.Tx) error { // a notice of a transition that never was
		_, _, err := tx.CreateNotice(b.ctx, db.Notice{AlertID: &a.ID, Transition: new(99), Type: "x", Payload: []byte{}}, nil)
		return err
	})
	require.ErrorIs(t, err, db.ErrInvalid)
}

func TestDeliveryFilters(t *testing.T) {
	t.Parallel()
	b := setup(t)
	one, two := b.endpoint("one"), b.endpoint("two")
	p, q := b.pour("p", monday), b.pour("q", monday.Add(24*time.Hour))
	pa, qa := b.raise(p, "k"), b.raise(q, "k")
	d1, d2 := b.deliver(pa, one), b.deliver(qa, two)
	for _, c := range []struct {
		filter db.DeliveryFilter
		want   []uuid.UUID
	}{
		{db.DeliveryFilter{}, []uuid.UUID{d2.ID, d1.ID}},
		{db.DeliveryFilter{EndpointID: one.ID}, []uuid.UUID{d1.ID}},
		{db.DeliveryFilter{AlertID: qa.ID}, []uuid.UUID{d2.ID}},
		{db.DeliveryFilter{PourID: p.ID}, []uuid.UUID{d1.ID}},
		{db.DeliveryFilter{States: []string{"dead"}}, nil},
		{db.DeliveryFilter{From: d2.CreatedAt}, []uuid.UUID{d2.ID}},
		{db.DeliveryFilter{Before: d2.CreatedAt}, []uuid.UUID{d1.ID}},
	} {
		l, err := b.Deliveries(b.ctx, all, c.filter, db.Page{})
		require.NoError(t, err)
		var ids []uuid.UUID
		for _, d := range l.Items {
			ids = append(ids, d.ID)
			require.Equal(t, "alarm.raised", d.NoticeType)
			require.Equal(t, "hooks.example.net", d.EndpointHost)
		}
		require.Equal(t, c.want, ids)
	}
}

// claimAs claims what is due at the endpoint of a delivery, and wants it to be
// that delivery alone or, when it isn't claimable, nothing.
func (b *bundle) claimAs(of db.Delivery, replica string, lease time.Duration) (d db.Delivery, claimed bool) {
	b.t.Helper()
	var list []db.Delivery
	b.tx(func(tx *db.Tx) (err error) {
		list, err = tx.ClaimDeliveries(b.ctx, of.EndpointID, replica, 10, lease)
		return err
	})
	if len(list) == 0 {
		return db.Delivery{}, false
	}
	require.Len(b.t, list, 1)
	require.Equal(b.t, of.ID, list[0].ID)
	return list[0], true
}

func (b *bundle) record(d db.Delivery, outcome string, s db.Settle) error {
	return b.try(func(tx *db.Tx) error {
		return tx.RecordAttempt(b.ctx, db.Attempt{
			DeliveryID: d.ID, Number: d.Attempts, At: tx.Now(), DurationMS: 12, Outcome: outcome, Status: new(503),
			Error: "no luck", Response: "busy", RetryAfterS: new(1.5), Replica: d.ClaimedBy,
		}, s)
	})
}

// One delivery from the first failed attempt to the last: claimed by one replica
// at a time, the same id and bytes each time.
func TestDeliveryAttempts(t *testing.T) {
	t.Parallel()
	b := setup(t)
	made := b.deliver(b.raise(b.pour("p", monday), "k"), b.endpoint("e"))

	first, claimed := b.claimAs(made, "a", time.Minute)
	require.True(t, claimed)
	require.Equal(t, 1, first.Attempts)
	_, claimed = b.claimAs(made, "b", time.Minute)
	require.False(t, claimed) // leased
	require.NoError(t, b.record(first, "retry", db.Settle{State: "pending", Reason: "503", NextAttemptAt: new(time.Now().Add(time.Hour))}))
	_, claimed = b.claimAs(made, "b", time.Minute)
	require.False(t, claimed) // not due

	_, err := b.Pool().Exec(b.ctx, "update deliveries set next_attempt_at = now()")
	require.NoError(t, err)
	second, claimed := b.claimAs(made, "b", 0) // a lease that runs out at once
	require.True(t, claimed)
	third, claimed := b.claimAs(made, "c", time.Minute)
	require.True(t, claimed)
	require.Equal(t, 3, third.Attempts)
	require.ErrorIs(t, b.record(second, "accepted", db.Settle{State: "accepted"}), db.ErrStale) // fenced
	require.NoError(t, b.record(third, "accepted", db.Settle{State: "accepted", Reason: "200"}))
	require.ErrorIs(t, b.record(third, "retry", db.Settle{State: "pending", NextAttemptAt: &monday}), db.ErrStale) // settled
	_, claimed = b.claimAs(made, "a", time.Minute)
	require.False(t, claimed)
	for _, d := range []db.Delivery{first, second, third} {
		require.Equal(t, made.WebhookID, d.WebhookID)
		require.Equal(t, made.Body, d.Body)
	}

	stored, err := b.Delivery(b.ctx, all, made.ID)
	require.NoError(t, err)
	require.Equal(t, "accepted", stored.State)
	require.NotNil(t, stored.SettledAt)
	require.Nil(t, stored.NextAttemptAt)
	attempts, err := b.Attempts(b.ctx, all, made.ID)
	require.NoError(t, err)
	require.Len(t, attempts, 2) // the second died without a word
	require.Equal(t, []int{1, 3}, []int{attempts[0].Number, attempts[1].Number})
	require.Equal(t, []string{"a", "c"}, []string{attempts[0].Replica, attempts[1].Replica})
	require.Equal(t, 503, *attempts[0].Status)
}

// Many replicas compete for a row of deliveries: each goes to one of them.
func TestClaimOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("e")
	p := b.pour("p", monday)
	want := map[uuid.UUID]bool{}
	for n := range 20 {
		want[b.deliver(b.raise(p, fmt.Sprint("kind ", n)), e).ID] = true
	}
	claims := make(chan []db.Delivery, 8)
	for range cap(claims) {
		go func() {
			var mine []db.Delivery
			for {
				var some []db.Delivery
				err := b.try(func(tx *db.Tx) (err error) {
					some, err = tx.ClaimDeliveries(b.ctx, e.ID, "r", 3, time.Minute)
					return err
				})
				if err != nil {
					t.Error(err)
				}
				if len(some) == 0 {
					break
				}
				mine = append(mine, some...)
			}
			claims <- mine
		}()
	}
	got := map[uuid.UUID]bool{}
	for range cap(claims) {
		for _, d := range <-claims {
			require.False(t, got[d.ID], "claimed twice")
			got[d.ID] = true
			require.Equal(t, 1, d.Attempts)
		}
	}
	require.Equal(t, want, got)
}

// What was claimed and not begun counts as no attempt, and only who claimed it
// can give it back.
func TestUnclaim(t *testing.T) {
	t.Parallel()
	b := setup(t)
	made := b.deliver(b.raise(b.pour("p", monday), "k"), b.endpoint("e"))
	_, ok := b.claimAs(made, "a", time.Minute)
	require.True(t, ok)
	b.tx(func(tx *db.Tx) error { return tx.Unclaim(b.ctx, "b", made.ID) })
	_, ok = b.claimAs(made, "b", time.Minute)
	require.False(t, ok, "a still has it")
	b.tx(func(tx *db.Tx) error { return tx.Unclaim(b.ctx, "a", made.ID) })
	again, ok := b.claimAs(made, "b", time.Minute)
	require.True(t, ok)
	require.Equal(t, 1, again.Attempts)
}

// A replica that lost its claims claims anew; attempts go on counting, and of
// several recorded together only those count that still hold.
func TestDropClaims(t *testing.T) {
	t.Parallel()
	b := setup(t)
	made := b.deliver(b.raise(b.pour("p", monday), "k"), b.endpoint("e"))
	first, ok := b.claimAs(made, "a", time.Hour)
	require.True(t, ok)
	b.tx(func(tx *db.Tx) error { return tx.DropClaims(b.ctx, made.EndpointID, "b") })
	_, ok = b.claimAs(made, "a", time.Hour)
	require.False(t, ok)
	b.tx(func(tx *db.Tx) error { return tx.DropClaims(b.ctx, made.EndpointID, "a") })
	second, ok := b.claimAs(made, "a", time.Hour)
	require.True(t, ok)
	require.Equal(t, 2, second.Attempts)
	b.tx(func(tx *db.Tx) error {
		attempt := func(d db.Delivery) db.Recorded {
			return db.Recorded{
				Attempt: db.Attempt{DeliveryID: d.ID, Number: d.Attempts, At: tx.Now(), Outcome: "accepted", Status: new(204)},
				Settle:  db.Settle{State: "accepted"},
			}
		}
		counted, err := tx.RecordAttempts(b.ctx, []db.Recorded{attempt(first)})
		require.Empty(t, counted)
		if err != nil {
			return err
		}
		counted, err = tx.RecordAttempts(b.ctx, []db.Recorded{attempt(second)})
		require.Equal(t, []uuid.UUID{made.ID}, counted)
		return err
	})
}

// What is pending for a disabled endpoint waits until it is enabled again.
func TestDisabledEndpointKeepsItsQueue(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("e")
	d := b.deliver(b.raise(b.pour("p", monday), "k"), e)
	b.tx(func(tx *db.Tx) error {
		_, err := tx.DisableEndpoint(b.ctx, e.ID, "gone")
		return err
	})
	due, err := b.DueEndpoints(b.ctx, time.Now().Add(time.Minute))
	require.NoError(t, err)
	require.Empty(t, due)
	_, claimed := b.claimAs(d, "r", time.Minute)
	require.False(t, claimed)
	b.tx(func(tx *db.Tx) error {
		e.Version = 2
		_, err := tx.UpdateEndpoint(b.ctx, e, "")
		return err
	})
	_, claimed = b.claimAs(d, "r", time.Minute)
	require.True(t, claimed)
}

// Of one alert, an endpoint hears the states in order; another alert or endpoint
// doesn't wait. A head that blocks too long gives way.
func TestDeliveriesInOrder(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e, other := b.endpoint("e"), b.endpoint("other")
	a := b.raise(b.pour("p", monday), "k")
	first := b.deliver(a, e)
	b.tx(func(tx *db.Tx) (err error) {
		a, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "alarm.cleared"})
		return err
	})
	second := b.deliver(a, e)
	var elsewhere db.Delivery
	b.tx(func(tx *db.Tx) error {
		made, _, err := tx.CreateNotice(b.ctx, db.Notice{AlertID: &a.ID, Transition: &a.Transition, Type: "alarm.reminder", Payload: []byte{}},
			[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: other.ID}, Body: []byte{}}})
		elsewhere = made[0]
		return err
	})

	_, claimed := b.claimAs(elsewhere, "r", time.Minute)
	require.True(t, claimed)

	supersede := func(before time.Time) (ids []uuid.UUID) {
		b.tx(func(tx *db.Tx) (err error) {
			ids, err = tx.SupersedeBlocked(b.ctx, before)
			return err
		})
		return ids
	}
	require.Empty(t, supersede(time.Now().Add(time.Minute))) // due itself
	head, claimed := b.claimAs(first, "r", time.Minute)      // and not the second
	require.True(t, claimed)
	_, claimed = b.claimAs(second, "r", time.Minute)
	require.False(t, claimed)
	require.Empty(t, supersede(time.Now().Add(time.Minute))) // somebody is at it
	require.NoError(t, b.record(head, "retry", db.Settle{State: "pending", NextAttemptAt: new(time.Now().Add(time.Hour))}))
	require.Equal(t, []uuid.UUID{first.ID}, supersede(time.Now().Add(time.Minute)))
	_, claimed = b.claimAs(second, "r", time.Minute)
	require.True(t, claimed)
}

// A replay sends the same bytes under the same id; what is pending is left alone.
func TestReplay(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("e")
	p := b.pour("p", monday)
	dead := b.deliver(b.raise(p, "k"), e)
	claimed, ok := b.claimAs(dead, "r", time.Minute)
	require.True(t, ok)
	require.NoError(t, b.record(claimed, "gone", db.Settle{State: "dead", Reason: "410"}))

	replay := func(f db.DeliveryFilter) (ids []uuid.UUID) {
		b.tx(func(tx *db.Tx) (err error) {
			ids, err = tx.Replay(b.ctx, all, f)
			return err
		})
		return ids
	}
	require.Empty(t, replay(db.DeliveryFilter{PourID: uuid.New()}))
	require.Empty(t, replay(db.DeliveryFilter{States: []string{"accepted"}}))
	require.Equal(t, []uuid.UUID{dead.ID}, replay(db.DeliveryFilter{EndpointID: e.ID, PourID: p.ID, From: dead.CreatedAt}))
	require.Empty(t, replay(db.DeliveryFilter{EndpointID: e.ID}))
	again, ok := b.claimAs(dead, "r", time.Minute)
	require.True(t, ok)
	require.Equal(t, 2, again.Attempts)
	require.Equal(t, []any{dead.WebhookID, dead.Body}, []any{again.WebhookID, again.Body})

	pending := b.deliver(b.raise(p, "other"), e)
	b.tx(func(tx *db.Tx) error {
		require.NoError(t, tx.SettleDelivery(b.ctx, all, pending.ID, "superseded", "newer"))
		require.ErrorIs(t, tx.SettleDelivery(b.ctx, all, pending.ID, "dead", "x"), db.ErrNotFound)
		return nil
	})
}

// URL and secrets are sealed in the database and open only with the key.
func TestEndpointKeys(t *testing.T) {
	t.Parallel()
	conn := dbtest.NewConn(t)
	b := setupOn(t, dbtest.Open(t, db.Config{Conn: conn}))
	e := b.endpoint("chat")
	require.Equal(t, "hooks.example.net", e.Host)
	keys, err := b.EndpointKeys(b.ctx, e.ID, time.Now())
	require.NoError(t, err)
	require.Equal(t, db.Keys{Kind: e.Kind, URL: "https://hooks.example.net/in/7f3a", Secrets: []string{"first secret"}}, keys)

	b.tx(func(tx *db.Tx) error { return tx.RotateSecret(b.ctx, e.ID, "second secret", 24*time.Hour) })
	for after, want := range map[time.Duration][]string{
		23 * time.Hour: {"second secret", "first secret"}, 25 * time.Hour: {"second secret"},
	} {
		keys, err := b.EndpointKeys(b.ctx, e.ID, time.Now().Add(after))
		require.NoError(t, err)
		require.Equal(t, want, keys.Secrets)
	}

	b.tx(func(tx *db.Tx) error {
		e.CrewIDs, e.MinSeverity, e.Settings, e.Rank, e.DelayMin = []uuid.UUID{b.crew.ID}, "major", []byte(`{"a": 1}`), 1, 15
		stored, err := tx.UpdateEndpoint(b.ctx, e, "https://other.example.net/in/9")
		require.NoError(t, err)
		require.Equal(t, "other.example.net", stored.Host)
		e.Record, e.Host, e.StateAt = stored.Record, stored.Host, stored.StateAt
		requireSame(t, e, stored)
		return nil
	})
	stored, err := b.Endpoint(b.ctx, e.ID)
	require.NoError(t, err)
	requireSame(t, e, stored)
	keys, err = b.EndpointKeys(b.ctx, e.ID, time.Now())
	require.NoError(t, err)
	require.Equal(t, "https://other.example.net/in/9", keys.URL)

	var clear bool
	require.NoError(t, b.Pool().QueryRow(b.ctx, `
		select exists (select from endpoints where position('example.net/in'::bytea in url_sealed) > 0)
			or exists (select from endpoint_secrets where position('secret'::bytea in sealed) > 0)`).Scan(&clear))
	require.False(t, clear)

	// Another key, no key, or a sealed value moved to another row opens nothing.
	stranger := dbtest.Open(t, db.Config{Conn: conn, Key: make([]byte, 32)})
	_, err = stranger.EndpointKeys(b.ctx, e.ID, time.Now())
	require.Error(t, err)
	keyless, err := db.Open(b.ctx, db.Config{Conn: conn})
	require.NoError(t, err)
	defer keyless.Close()
	_, err = keyless.EndpointKeys(b.ctx, e.ID, time.Now())
	require.ErrorContains(t, err, "no key")
	victim := b.endpoint("victim")
	_, err = b.Pool().Exec(b.ctx, "update endpoints v set url_sealed = (select url_sealed from endpoints where id = $1) where id = $2", e.ID, victim.ID)
	require.NoError(t, err)
	_, err = b.EndpointKeys(b.ctx, victim.ID, time.Now())
	require.Error(t, err)
	_, err = db.Open(b.ctx, db.Config{Conn: conn, Key: []byte("short")})
	require.ErrorContains(t, err, "32")
}

func TestEndpointHealth(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("chat")
	mark := func(accepted bool) (since *time.Time) {
		b.tx(func(tx *db.Tx) (err error) {
			since, err = tx.MarkEndpoint(b.ctx, e.ID, accepted)
			return err
		})
		return since
	}
	first := mark(false)
	require.NotNil(t, first)
	require.True(t, mark(false).Equal(*first))
	require.Nil(t, mark(true))
	require.True(t, mark(false).After(*first))

	b.tx(func(tx *db.Tx) error {
		for _, want := range []bool{true, false} {
			stopped, err := tx.DisableEndpoint(b.ctx, e.ID, "gone")
			require.NoError(t, err)
			require.Equal(t, want, stopped)
		}
		return nil
	})
	l, err := b.Endpoints(b.ctx, db.Page{})
	require.NoError(t, err)
	stopped := l.Items[0]
	require.Equal(t, []any{"disabled", "gone", int64(2)}, []any{stopped.State, stopped.StateReason, stopped.Version})

	b.tx(func(tx *db.Tx) error {
		stopped.State, stopped.StateReason = "enabled", ""
		restored, err := tx.UpdateEndpoint(b.ctx, stopped, "")
		require.NoError(t, err)
		require.Nil(t, restored.FailingSince)
		require.True(t, restored.StateAt.After(stopped.StateAt))
		_, err = tx.MarkEndpoint(b.ctx, uuid.New(), true)
		require.ErrorIs(t, err, db.ErrNotFound)
		return nil
	})
	err = b.try(func(tx *db.Tx) error { return tx.RotateSecret(b.ctx, uuid.New(), "s", 0) })
	require.ErrorIs(t, err, db.ErrInvalid)
}

// A receiver that refuses us three times in a row has changed its lock.
func TestRefusals(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("e")
	p := b.pour("p", monday)
	d := b.deliver(b.raise(p, "k"), e)
	for n, status := range []int{403, 503, 401, 403} {
		d, claimed := b.claimAs(d, "r", time.Minute)
		require.True(t, claimed)
		b.tx(func(tx *db.Tx) error {
			return tx.RecordAttempt(b.ctx, db.Attempt{DeliveryID: d.ID, Number: n + 1, At: monday.Add(time.Duration(n) * time.Minute), Outcome: "retry", Status: &status},
				db.Settle{State: "pending", NextAttemptAt: new(time.Now().Add(-time.Second))})
		})
	}
	for latest, want := range map[int]int{1: 1, 2: 2, 3: 2, 9: 3} {
		n, err := b.Refusals(b.ctx, e.ID, latest)
		require.NoError(t, err)
		require.Equal(t, want, n, "of the latest %d", latest)
	}
}

// At an endpoint that takes one message at a time one replica is at work; its turn
// ends with its claims, also when it dies.
func TestTurnsAtAnEndpoint(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("e")
	made := b.deliver(b.raise(b.pour("p", monday), "k"), e)
	turn := func(replica string) (mine bool) {
		b.tx(func(tx *db.Tx) (err error) {
			mine, err = tx.TakeTurn(b.ctx, e.ID, replica)
			return err
		})
		return mine
	}
	require.True(t, turn("a"))
	require.NoError(t, b.Beat(b.ctx, "a"))
	d, claimed := b.claimAs(made, "a", time.Hour)
	require.True(t, claimed)
	require.True(t, turn("a"))
	require.False(t, turn("b"))
	require.NoError(t, b.record(d, "retry", db.Settle{State: "pending", NextAttemptAt: new(time.Now().Add(-time.Second))}))
	require.True(t, turn("b"), "it is recorded")

	_, claimed = b.claimAs(made, "a", time.Hour)
	require.True(t, claimed)
	require.False(t, turn("b"))
	_, err := b.FreeJobs(b.ctx, 0)
	require.NoError(t, err)
	require.True(t, turn("b"), "it is dead")
	_, claimed = b.claimAs(made, "a", 0)
	require.True(t, claimed)
	require.True(t, turn("b"), "its lease ran out")
}

// Of two replicas that come at the same time the second sees what the first claims.
func TestTurnsAreTakenOneAfterTheOther(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("e")
	b.deliver(b.raise(b.pour("p", monday), "k"), e)
	second := make(chan bool, 1)
	b.tx(func(tx *db.Tx) error {
		mine, err := tx.TakeTurn(b.ctx, e.ID, "a")
		require.NoError(t, err)
		require.True(t, mine)
		go func() {
			mine := true
			_ = b.try(func(tx *db.Tx) (err error) {
				mine, err = tx.TakeTurn(b.ctx, e.ID, "b")
				return err
			})
			second <- mine
		}()
		require.Eventually(t, func() bool {
			var waiting int
			err := b.Pool().QueryRow(b.ctx, `select count(*) from pg_locks l join pg_database d on d.oid = l.database
				where locktype = 'advisory' and not granted and datname = current_database()`).Scan(&waiting)
			return err == nil && waiting == 1
		}, 2*time.Minute, time.Millisecond)
		claimed, err := tx.ClaimDeliveries(b.ctx, e.ID, "a", 10, time.Hour)
		require.Len(t, claimed, 1)
		return err
	})
	require.False(t, <-second)
}

// Who has a mail is known from all its attempts, whatever else came of them.
func TestMailedTo(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("e")
	made := b.deliver(b.raise(b.pour("p", monday), "k"), e)
	other := b.deliver(b.raise(b.pour("q", monday.Add(48*time.Hour)), "k"), b.endpoint("f"))
	for _, said := range [][]db.AddressResult{
		{{Address: "ann@example.com", Status: 250}, {Address: "bob@example.com", Status: 450, Response: "later"}},
		nil,
		{{Address: "bob@example.com", Status: 251}, {Address: "eve@example.com", Status: 550, Response: "no"}},
	} {
		d, claimed := b.claimAs(made, "r", time.Minute)
		require.True(t, claimed)
		b.tx(func(tx *db.Tx) error {
			return tx.RecordAttempt(b.ctx, db.Attempt{DeliveryID: d.ID, Number: d.Attempts, At: monday, Outcome: "retry", Addresses: said},
				db.Settle{State: "pending", NextAttemptAt: new(time.Now().Add(-time.Second))})
		})
	}
	has, err := b.MailedTo(b.ctx, made.ID, other.ID)
	require.NoError(t, err)
	require.Len(t, has, 1)
	require.ElementsMatch(t, []string{"ann@example.com", "bob@example.com"}, has[made.ID])
	attempts, err := b.Attempts(b.ctx, all, made.ID)
	require.NoError(t, err)
	require.Equal(t, "later", attempts[0].Addresses[1].Response)
	require.Empty(t, attempts[1].Addresses)
}

func TestDerivedKeysDifferByPurpose(t *testing.T) {
	t.Parallel()
	b := setup(t)
	one, other := b.DeriveKey("one"), b.DeriveKey("other")
	require.Len(t, one, 32)
	require.NotEqual(t, one, other)
	require.Equal(t, one, b.DeriveKey("one"))
	require.Nil(t, new(db.DB).DeriveKey("one"))
}
