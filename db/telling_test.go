package db_test

import (
	"testing"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// ruling stores one on the last transition of an alert.
func (b *bundle) ruling(a db.Alert, e db.Endpoint, change func(*db.Telling)) (t db.Telling) {
	b.t.Helper()
	b.tx(func(tx *db.Tx) error {
		n := db.Notice{ID: uuid.Must(uuid.NewV7()), AlertID: &a.ID, Transition: &a.Transition, Type: "alarm.raised", Payload: []byte(`{}`)}
		if _, _, err := tx.CreateNotice(b.ctx, n, nil); err != nil {
			return err
		}
		t = db.Telling{
			ID: uuid.Must(uuid.NewV7()), NoticeID: n.ID, EndpointID: e.ID, AlertID: &a.ID, Transition: &a.Transition, Severity: a.Severity,
			Ruling: "hold", Rule: "group", Sentence: "Gathered.", State: "waiting", DueAt: new(tx.Now()),
		}
		if change != nil {
			change(&t)
		}
		return tx.StoreTellings(b.ctx, t)
	})
	return t
}

func (b *bundle) advance(a db.Alert, condition string) db.Alert {
	b.t.Helper()
	b.tx(func(tx *db.Tx) (err error) {
		a.Condition = condition
		a, _, err = tx.Advance(b.ctx, a, db.Transition{Event: "alarm.changed"})
		return err
	})
	return a
}

// What waits for an endpoint is found when it is due, is heard of, and ends in a
// delivery or with a reason.
func TestTellings(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("one")
	a := b.raise(b.pour("p", monday), "k")
	first := b.ruling(a, e, nil)
	a = b.advance(a, "raised")
	later := b.ruling(a, e, func(t *db.Telling) { t.DueAt, t.Rule = new(t.DueAt.Add(time.Hour)), "quiet_hours" })

	due, err := b.GatheringEndpoints(b.ctx, *first.DueAt)
	require.NoError(t, err)
	require.Equal(t, []uuid.UUID{e.ID}, due)
	due, err = b.GatheringEndpoints(b.ctx, first.DueAt.Add(-time.Second))
	require.NoError(t, err)
	require.Empty(t, due)
	heard, err := b.HeardOf(b.ctx, a.ID)
	require.NoError(t, err)
	require.Len(t, heard, 1)
	require.True(t, heard[0].Waiting)
	require.False(t, heard[0].Knows, "nothing is told yet")
	require.WithinDuration(t, *later.DueAt, *heard[0].DueAt, time.Millisecond)
	loads, err := b.Loads(b.ctx, monday, "group")
	require.NoError(t, err)
	require.Empty(t, loads[0].Recent)
	require.WithinDuration(t, *first.DueAt, *loads[0].GatherAt, time.Millisecond)

	d := b.deliver(b.raise(b.pour("q", monday.Add(48*time.Hour)), "k"), e)
	b.tx(func(tx *db.Tx) error {
		_, err := tx.LockEndpoint(b.ctx, e.ID)
		require.NoError(t, err)
		lines, err := tx.DueTellings(b.ctx, e.ID, 10)
		require.NoError(t, err)
		require.Len(t, lines, 1)
		require.Equal(t, "one", lines[0].EndpointName)
		waiting, err := tx.WaitingOf(b.ctx, a.ID, e.ID)
		require.NoError(t, err)
		require.Equal(t, []uuid.UUID{first.ID, later.ID}, []uuid.UUID{waiting[0].ID, waiting[1].ID})
		require.NoError(t, tx.FloodTellings(b.ctx, e.ID, tx.Now().Add(time.Minute), "flood", "Too much.", first.ID))
		require.NoError(t, tx.FloodTellings(b.ctx, e.ID, tx.Now().Add(time.Minute), "flood", "Too much.", first.ID))
		require.NoError(t, tx.TellTellings(b.ctx, d.ID, first.ID))
		held, err := tx.AlertsHeldBy(b.ctx, "quiet_hours")
		require.NoError(t, err)
		require.Len(t, held, 1)
		require.Equal(t, a.ID, held[0].ID)
		for wait, due := range map[time.Duration]int{time.Minute: 0, 0: 1, time.Hour: 0} {
			require.NoError(t, tx.PostponeTellings(b.ctx, a.ID, "quiet_hours", tx.Now().Add(wait), "Later."))
			lines, err = tx.DueTellings(b.ctx, e.ID, 10)
			require.NoError(t, err)
			require.Len(t, lines, due)
		}
		held, err = tx.AlertsHeldBy(b.ctx, "planned")
		require.NoError(t, err)
		require.Empty(t, held)
		require.NoError(t, tx.ReleaseTellings(b.ctx, a.ID, "quiet_hours"))
		lines, err = tx.DueTellings(b.ctx, e.ID, 10)
		require.NoError(t, err)
		require.Len(t, lines, 1)
		return tx.DropTellings(b.ctx, "clear.before_told", "It was over before it was told.", later.ID)
	})
	stored, err := b.Endpoint(b.ctx, e.ID)
	require.NoError(t, err)
	require.Equal(t, 1, stored.Folded, "counted once")
	require.NotNil(t, stored.FloodedUntil)
	lines, err := b.Tellings(b.ctx, all, a.ID, 10)
	require.NoError(t, err)
	require.Len(t, lines, 2)
	require.Equal(t, []string{"untold", "told"}, []string{lines[0].State, lines[1].State})
	require.Equal(t, "It was over before it was told.", lines[0].Sentence)
	require.Equal(t, "flood", lines[1].Rule)
	on, err := b.TellingsOn(b.ctx, first.NoticeID)
	require.NoError(t, err)
	require.Len(t, on, 1)
	require.Equal(t, first.ID, on[0].ID)
	require.Equal(t, d.ID, *lines[1].DeliveryID)
	require.Equal(t, "pending", *lines[1].DeliveryState)
	heard, err = b.HeardOf(b.ctx, a.ID)
	require.NoError(t, err)
	require.True(t, heard[0].Knows)
	require.False(t, heard[0].Waiting)

	accepted, err := b.AcceptedOf(b.ctx, a.ID, monday)
	require.NoError(t, err)
	require.Nil(t, accepted)
	b.tx(func(tx *db.Tx) error { return tx.SettleDelivery(b.ctx, all, d.ID, "accepted", "") })
	accepted, err = b.AcceptedOf(b.ctx, a.ID, monday)
	require.NoError(t, err)
	require.NotNil(t, accepted)
	b.tx(func(tx *db.Tx) error { return tx.NoteFlood(b.ctx, e.ID, 2, tx.Now()) })
	stored, err = b.Endpoint(b.ctx, e.ID)
	require.NoError(t, err)
	require.Equal(t, 3, stored.Folded)
}

// A message of several alerts waits for those that told what came before in any of
// them, and they for it.
func TestGroupedDeliveriesKeepTheOrder(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("one")
	a := b.raise(b.pour("p", monday), "k")
	single := b.deliver(a, e)
	b.tx(func(tx *db.Tx) error {
		return tx.StoreTellings(b.ctx, db.Telling{
			NoticeID: single.NoticeID, EndpointID: e.ID, AlertID: &a.ID, Transition: &a.Transition, Ruling: "now", Rule: "told", State: "told", DeliveryID: &single.ID,
		})
	})
	a = b.advance(a, "cleared")
	second := b.ruling(a, e, nil)
	var group db.Delivery
	b.tx(func(tx *db.Tx) error {
		made, _, err := tx.CreateNotice(b.ctx, db.Notice{Type: "alerts.grouped", Payload: []byte(`{}`)},
			[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: e.ID}, ContentType: "application/json", Body: []byte(`{}`)}})
		if err != nil {
			return err
		}
		group = made[0]
		return tx.TellTellings(b.ctx, group.ID, second.ID)
	})
	two := b.endpoint("two")
	b.tx(func(tx *db.Tx) error {
		added, err := tx.AddDelivery(b.ctx, second.NoticeID, db.Delivery{DeliveryState: db.DeliveryState{EndpointID: two.ID}, ContentType: "text/plain", Body: []byte("x")})
		require.NoError(t, err)
		require.Equal(t, a.ID, *added.AlertID)
		return nil
	})
	_, claimed := b.claimAs(single, "r", time.Minute)
	require.True(t, claimed, "the group waits")
	b.tx(func(tx *db.Tx) error { return tx.SettleDelivery(b.ctx, all, single.ID, "dead", "x") })
	_, claimed = b.claimAs(group, "r", time.Minute)
	require.True(t, claimed)
}

func TestFollowedAlerts(t *testing.T) {
	t.Parallel()
	b := setup(t)
	a := b.raise(b.pour("p", monday), "k")
	b.tx(func(tx *db.Tx) error {
		a.FollowAt, a.Escalation, a.EscalatedAt, a.RemindedAt = &monday, 1, &monday, &monday
		return tx.SaveAlert(b.ctx, a)
	})
	ids, err := b.FollowedAlerts(b.ctx, monday, 10)
	require.NoError(t, err)
	require.Equal(t, []uuid.UUID{a.ID}, ids)
	ids, err = b.FollowedAlerts(b.ctx, monday.Add(-time.Second), 10)
	require.NoError(t, err)
	require.Empty(t, ids)
	line, err := b.Alert(b.ctx, all, a.ID)
	require.NoError(t, err)
	require.Equal(t, 1, line.Escalation)
}

// One gathers for an endpoint at a time, and is not kept from it by those who rule
// on new notices meanwhile and have not committed.
func TestLockEndpoint(t *testing.T) {
	t.Parallel()
	b := setup(t)
	e := b.endpoint("one")
	a := b.raise(b.pour("p", monday), "k")
	d := b.deliver(a, e)
	b.tx(func(deciding *db.Tx) error {
		require.NoError(t, deciding.StoreTellings(b.ctx, db.Telling{
			NoticeID: d.NoticeID, EndpointID: e.ID, AlertID: &a.ID, Transition: &a.Transition, Severity: a.Severity,
			Ruling: "hold", Rule: "group", Sentence: "Gathered.", State: "waiting", DueAt: new(deciding.Now()),
		}))
		b.tx(func(gathering *db.Tx) error {
			_, err := gathering.LockEndpoint(b.ctx, e.ID)
			require.NoError(t, err)
			b.tx(func(other *db.Tx) error {
				_, err := other.LockEndpoint(b.ctx, e.ID)
				require.ErrorIs(t, err, db.ErrNotFound)
				return nil
			})
			return nil
		})
		return nil
	})
}
