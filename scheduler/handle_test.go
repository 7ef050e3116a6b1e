package scheduler_test

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

var (
	ann  = db.Actor{Name: "Ann"}
	noon = wednesday.Add(2 * time.Hour)
)

// handle does what Ann does to the only alert, as the API does it.
func (w *world) handle(s *scheduler.Scheduler, event, note string, change func(a *db.Alert)) {
	w.t.Helper()
	require.NoError(w.t, w.db.Tx(w.t.Context(), ann, func(tx *db.Tx) error {
		a, err := tx.LockAlertByID(w.t.Context(), everything, w.alerts()[0].ID)
		if err != nil {
			return err
		}
		change(&a)
		return s.Handle(w.t.Context(), tx, a, db.Transition{Event: event, Note: note})
	}))
}

func acknowledged(a *db.Alert) {
	a.OperatorState, a.AcknowledgedBy, a.AcknowledgedAt, a.AcknowledgedUntil, a.FollowAt = "acknowledged", "Ann", &wednesday, &noon, &noon
}

func takenBack(a *db.Alert) {
	a.OperatorState, a.AcknowledgedBy, a.AcknowledgedAt, a.AcknowledgedUntil = "none", "", nil, nil
	a.EscalatedAt, a.FollowAt = &wednesday, &wednesday
}

func putAside(a *db.Alert) {
	a.OperatorState, a.ShelvedBy, a.ShelveReason, a.ShelvedUntil, a.FollowAt = "shelved", "Ann", "all know", &noon, &noon
}

// lastTo is the newest event that was made for an endpoint.
func (w *world) lastTo(name string) (e alert.Event) {
	w.t.Helper()
	list, err := w.db.Deliveries(w.t.Context(), everything, db.DeliveryFilter{}, db.Page{Limit: 1000})
	require.NoError(w.t, err)
	for _, line := range list.Items {
		if line.EndpointName == name {
			d, err := w.db.Delivery(w.t.Context(), everything, line.ID)
			require.NoError(w.t, err)
			require.NoError(w.t, json.Unmarshal(d.Body, &e))
			return e
		}
	}
	return e
}

// What somebody does to an alert is told to those who know of it, once, unless they
// do not want to know; it escalates nothing.
func TestHandlingIsTold(t *testing.T) {
	t.Parallel()
	for event, tc := range map[string]struct {
		change func(*db.Alert)
		text   string
		button bool // to acknowledge
	}{
		alert.EventAcknowledged:   {acknowledged, "Acknowledged by Ann until Wed Jan 13, 4:10 p.m.: Slab at Mill Road", false},
		alert.EventUnacknowledged: {takenBack, "Acknowledgement taken back by Ann: Slab at Mill Road", true},
		alert.EventShelved:        {putAside, "Shelved by Ann until Wed Jan 13, 4:10 p.m.: Slab at Mill Road", false},
	} {
		t.Run(event, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.clock.Stop()
			w.rank("chat", 0, 0)
			w.rank("boss", 1, 10)
			w.tx(func(tx *db.Tx) error {
				_, err := tx.CreateEndpoint(t.Context(), db.Endpoint{Name: "sparse", Kind: "standard", Settings: json.RawMessage(`{"acknowledgements": false}`)}, w.receiver.url, w.receiver.secret)
				return err
			})
			s := w.newScheduler(nil)
			w.moved("Slab")
			w.at(s, wednesday, bad)
			a := w.alerts()[0]
			w.handle(s, event, "salt is ordered", tc.change)
			require.Equal(t, []string{alert.EventRaised, event}, w.messages("chat"))
			require.Equal(t, []string{alert.EventRaised}, w.messages("sparse"))
			require.Empty(t, w.messages("boss"))
			require.Equal(t, event+" told told", w.rulings(a, "chat")[1])
			require.Equal(t, event+" untold acknowledgements.off", w.rulings(a, "sparse")[1])
			require.Equal(t, event+" untold escalation.later", w.rulings(a, "boss")[1])

			e := w.lastTo("chat")
			require.Contains(t, e.Text, tc.text)
			require.Contains(t, e.Text, "Note: salt is ordered.")
			require.Equal(t, "Ann", e.Handling.By)
			require.Equal(t, 2, e.Alert.Transition)
			require.Equal(t, tc.button, e.Links.Acknowledge != "")
			require.Zero(t, w.count("select max(escalation) from alerts"))
			require.Equal(t, "warning", w.severityOf(event), "for information")

			w.at(s, wednesday.Add(time.Minute), bad)
			require.Len(t, w.messages("chat"), 2, "once")
			w.at(s, wednesday.Add(11*time.Minute), bad)
			require.Equal(t, tc.button, len(w.messages("boss")) == 1, "escalation goes on when nobody is on it")
			w.invariants()
		})
	}
}

// severityOf is that of the deliveries of an event.
func (w *world) severityOf(event string) (s string) {
	w.t.Helper()
	sql := "select distinct d.severity from deliveries d join notices n on n.id = d.notice_id where n.type = $1"
	require.NoError(w.t, w.db.Pool().QueryRow(w.t.Context(), sql, event).Scan(&s))
	return s
}

// Who has not been told yet hears of it together with the alert; who is told of
// nothing, as when the alert is over, hears of nothing.
func TestHandlingOfWhatIsNotToldYet(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	s := w.newScheduler(func(c *scheduler.Config) { c.Pace = alert.UsualPace })
	w.moved("Slab")
	w.at(s, wednesday, bad)
	require.Empty(t, w.messages("chat"), "it is being gathered")
	w.handle(s, alert.EventAcknowledged, "", acknowledged)
	w.at(s, wednesday.Add(time.Minute), bad)
	require.Equal(t, []string{alert.EventAcknowledged}, w.messages("chat"), "one message")
	require.Len(t, w.lastTo("chat").Covers, 2)
	require.Contains(t, w.lastTo("chat").Text, w.lastTo("chat").Headline, "what it warns of")

	w.at(s, wednesday.Add(3*time.Hour), good)
	w.at(s, wednesday.Add(3*time.Hour+time.Minute), good)
	require.Equal(t, "cleared", w.alerts()[0].Condition)
	said := len(w.messages("chat"))
	w.handle(s, alert.EventShelved, "", putAside)
	w.at(s, wednesday.Add(4*time.Hour), good)
	require.Len(t, w.messages("chat"), said)
	rulings := w.rulings(w.alerts()[0], "chat")
	require.Contains(t, rulings, "alert.shelved untold clear.not_told")
}

// A shelf that is made before the alert was told is not told either.
func TestShelvedBeforeItWasTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	s := w.newScheduler(func(c *scheduler.Config) { c.Pace = alert.UsualPace })
	w.moved("Slab")
	w.at(s, wednesday, bad)
	w.handle(s, alert.EventShelved, "", putAside)
	w.at(s, wednesday.Add(time.Minute), bad)
	require.Empty(t, w.messages("chat"))
	require.Equal(t, []string{"alert.raised untold shelved", "alert.shelved untold shelved"}, w.rulings(w.alerts()[0], "chat"))
}

// A transaction that fails has told nobody.
func TestHandlingThatFailsIsNotTold(t *testing.T) {
	t.Parallel()
	w, s := slabAndChat(t)
	w.at(s, wednesday, bad)
	require.ErrorIs(t, w.db.Tx(t.Context(), ann, func(tx *db.Tx) error {
		a, err := tx.LockAlertByID(t.Context(), everything, w.alerts()[0].ID)
		require.NoError(t, err)
		acknowledged(&a)
		require.NoError(t, s.Handle(t.Context(), tx, a, db.Transition{Event: alert.EventAcknowledged}))
		return context.Canceled
	}), context.Canceled)
	require.Equal(t, []string{alert.EventRaised}, w.messages("chat"))
	require.Equal(t, "none", w.alerts()[0].OperatorState)
}
