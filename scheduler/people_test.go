package scheduler_test

import (
	"encoding/json"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// bad and good are how much warmer than the sample weather is in which a pour has
// to be moved, and can be placed.
const (
	bad  = -6.0
	good = 20.0
)

// rank makes an endpoint that is told a time after the rank before it.
func (w *world) rank(name string, rank, delayMin int) (e db.Endpoint) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) (err error) {
		e, err = tx.CreateEndpoint(w.t.Context(), db.Endpoint{Name: name, Kind: "standard", Rank: rank, DelayMin: delayMin}, w.receiver.url+"/"+name, w.receiver.secret)
		return err
	})
	return e
}

// at sets the clock, and does what is due then in weather that is so much warmer.
func (w *world) at(s *scheduler.Scheduler, at time.Time, warmerC float64) {
	w.t.Helper()
	w.watchAt(s, at, warmerC)
	require.NoError(w.t, s.GatherNow(w.t.Context()))
}

// accept has all messages accepted that were made.
func (w *world) accept() {
	w.t.Helper()
	w.tx(func(tx *db.Tx) error {
		list, err := tx.Deliveries(w.t.Context(), everything, db.DeliveryFilter{States: []string{"pending"}}, db.Page{Limit: 1000})
		for _, d := range list.Items {
			if err := tx.SettleDelivery(w.t.Context(), everything, d.ID, "accepted", ""); err != nil {
				return err
			}
		}
		return err
	})
}

// messages are the types of what was made for an endpoint, but for calls.
func (w *world) messages(name string) (types []string) {
	w.t.Helper()
	list, err := w.db.Deliveries(w.t.Context(), everything, db.DeliveryFilter{}, db.Page{Limit: 1000})
	require.NoError(w.t, err)
	for _, d := range list.Items {
		if d.EndpointName == name && len(d.NoticeType) > 5 && d.NoticeType[:5] != "call." {
			types = append(types, d.NoticeType)
		}
	}
	slices.Reverse(types)
	return types
}

// rulings are the rules by which an endpoint was or was not told of an alert, the
// oldest first.
func (w *world) rulings(a db.AlertLine, name string) (said []string) {
	w.t.Helper()
	list, err := w.db.Tellings(w.t.Context(), everything, a.ID, 1000)
	require.NoError(w.t, err)
	for _, l := range list {
		if l.EndpointName == name {
			said = append(said, l.Type+" "+l.State+" "+l.Rule)
		}
	}
	slices.Reverse(said)
	return said
}

// slabAndChat is a world whose clock is stopped, with one endpoint and one slab.
func slabAndChat(t *testing.T) (*world, *scheduler.Scheduler) {
	t.Helper()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	s := w.newScheduler(nil)
	w.moved("Slab")
	return w, s
}

// moved is a pour that has to be moved, its order two days from its start.
func (w *world) moved(name string) db.Pour {
	w.t.Helper()
	var p db.Pour
	w.tx(func(tx *db.Tx) (err error) {
		p, err = tx.CreatePour(w.t.Context(), everything, w.draft(name, wednesday.Add(42*time.Hour)))
		return err
	})
	return p
}

// operate does what a person does to the only alert.
func (w *world) operate(event string, change func(a *db.Alert, now time.Time)) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) error {
		a, err := tx.LockAlertByID(w.t.Context(), everything, w.alerts()[0].ID)
		if err != nil {
			return err
		}
		change(&a, tx.Now())
		_, _, err = tx.Advance(w.t.Context(), a, db.Transition{Event: event})
		return err
	})
}

func (w *world) acknowledge(lasts time.Duration) {
	w.t.Helper()
	w.operate(alert.EventAcknowledged, func(a *db.Alert, now time.Time) {
		until := now.Add(lasts)
		a.OperatorState, a.AcknowledgedBy, a.AcknowledgedAt, a.AcknowledgedUntil, a.FollowAt = "acknowledged", "Ann", &now, &until, &until
	})
}

// Rank after rank is told while nobody acknowledges, one step a delay; who was not
// told that it began is not told that it is over.
func TestEscalation(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	w.rank("boss", 1, 10)
	w.rank("owner", 2, 20)
	w.rank("nobody", 3, 60)
	s := w.newScheduler(nil)
	w.moved("Slab")
	w.at(s, wednesday, bad)
	a := w.alerts()[0]
	require.Equal(t, []string{alert.EventRaised}, w.messages("chat"))
	require.Equal(t, []string{"alert.raised untold escalation.later"}, w.rulings(a, "boss"))
	w.at(s, wednesday.Add(9*time.Minute), bad)
	require.Empty(t, w.messages("boss"), "not yet")
	w.at(s, wednesday.Add(11*time.Minute), bad)
	w.at(s, wednesday.Add(12*time.Minute), bad)
	require.Equal(t, []string{alert.EventEscalated}, w.messages("boss"))
	require.Equal(t, []string{alert.EventRaised}, w.messages("chat"), "told before")
	w.at(s, wednesday.Add(30*time.Minute), bad)
	require.Empty(t, w.messages("owner"), "20 minutes after the rank before")
	w.at(s, wednesday.Add(32*time.Minute), bad)
	require.Equal(t, []string{alert.EventEscalated}, w.messages("owner"))
	w.acknowledge(4 * time.Hour)
	w.at(s, wednesday.Add(3*time.Hour), bad)
	require.Empty(t, w.messages("nobody"), "somebody is on it")
	w.at(s, wednesday.Add(3*time.Hour+time.Minute), good)
	require.Equal(t, "cleared", w.alerts()[0].Condition)
	for _, name := range []string{"chat", "boss", "owner"} {
		require.Equal(t, alert.EventCleared, w.messages(name)[1], name)
	}
	require.Empty(t, w.messages("nobody"))
	require.Equal(t, "alert.cleared untold clear.not_told", w.rulings(a, "nobody")[3])
	w.at(s, wednesday.Add(6*time.Hour), good)
	require.Len(t, w.messages("chat"), 2, "nothing more when it is over")
}

// Reminders count from the last message that was accepted, and stop when somebody
// acknowledges, until that expires.
func TestRemindersAndTheEndOfAnAcknowledgement(t *testing.T) {
	t.Parallel()
	w, s := slabAndChat(t)
	w.at(s, wednesday, bad)
	require.Equal(t, "major", w.alerts()[0].Severity)
	w.at(s, wednesday.Add(5*time.Hour), bad)
	require.Len(t, w.messages("chat"), 1, "it has not arrived yet: it is being tried")
	w.accept()
	w.at(s, wednesday.Add(8*time.Hour), bad)
	require.Len(t, w.messages("chat"), 1)
	w.at(s, wednesday.Add(9*time.Hour+10*time.Minute), bad)
	require.Equal(t, []string{alert.EventRaised, alert.EventReminder}, w.messages("chat"))
	w.accept()
	w.acknowledge(6 * time.Hour)
	w.at(s, wednesday.Add(14*time.Hour), bad)
	require.Len(t, w.messages("chat"), 2, "acknowledged")
	w.at(s, wednesday.Add(15*time.Hour+20*time.Minute), bad)
	require.Equal(t, alert.EventAckExpired, w.messages("chat")[2])
	require.Equal(t, "none", w.alerts()[0].OperatorState)
	coming, err := s.Coming(t.Context(), w.alerts()[0].Alert)
	require.NoError(t, err)
	require.Len(t, coming, 1)
	require.Equal(t, alert.EventReminder, coming[0].Event)
}

// An acknowledgement ends when the alert gets more urgent: one message says both.
func TestAcknowledgementEndsWhenItGetsMoreUrgent(t *testing.T) {
	t.Parallel()
	w, s := slabAndChat(t)
	w.at(s, wednesday, bad)
	w.acknowledge(100 * time.Hour)
	w.at(s, wednesday.Add(38*time.Hour+time.Minute), bad)
	require.Equal(t, "critical", w.alerts()[0].Severity)
	require.Equal(t, []string{alert.EventRaised, alert.EventChanged}, w.messages("chat"))
	steps, err := w.db.Transitions(t.Context(), everything, w.alerts()[0].ID)
	require.NoError(t, err)
	var events []string
	for i, step := range steps {
		require.Equal(t, i+1, step.Number)
		events = append(events, step.Event)
	}
	require.Equal(t, []string{alert.EventRaised, alert.EventAcknowledged, alert.EventAckExpired, alert.EventChanged}, events)
	require.Equal(t, "none", w.alerts()[0].OperatorState)
	w.accept()
	w.at(s, wednesday.Add(39*time.Hour+2*time.Minute), bad)
	require.Equal(t, alert.EventReminder, w.messages("chat")[2], "an hour for what is critical")
}

// quietUntil sets quiet hours from 2 to 6 p.m. in Chicago; tests begin at 2:10.
func (w *world) quietInTheAfternoon() (ends time.Time) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) error {
		firm, err := tx.Firm(w.t.Context())
		if err != nil {
			return err
		}
		firm.QuietStartsMin, firm.QuietEndsMin, firm.QuietCriticalExempt = new(14*60), new(18*60), true
		_, err = tx.UpdateFirm(w.t.Context(), firm)
		return err
	})
	return time.Date(2027, 1, 14, 0, 0, 0, 0, time.UTC)
}

// In quiet hours messages wait for their end, and are not sent when it was over by
// then.
func TestQuietHours(t *testing.T) {
	t.Parallel()
	for name, warmer := range map[string]float64{"goes on": bad, "over meanwhile": good} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.clock.Stop()
			w.rank("chat", 0, 0)
			w.rank("boss", 1, 10)
			ends := w.quietInTheAfternoon()
			s := w.newScheduler(func(c *scheduler.Config) { c.Pace = alert.UsualPace })
			w.moved("Slab")
			w.at(s, wednesday, bad)
			a := w.alerts()[0]
			require.Equal(t, []string{"alert.raised waiting quiet_hours"}, w.rulings(a, "chat"))
			w.at(s, wednesday.Add(time.Hour), warmer)
			w.at(s, ends.Add(-time.Minute), warmer)
			require.Empty(t, w.messages("chat"))
			w.at(s, ends.Add(time.Second), warmer)
			if warmer == good {
				require.Empty(t, w.messages("chat"))
				require.Equal(t, []string{"alert.raised untold clear.before_told", "alert.cleared untold clear.before_told"}, w.rulings(a, "chat"))
				return
			}
			require.Equal(t, []string{alert.EventRaised}, w.messages("chat"))
			require.Empty(t, w.messages("boss"), "nobody could acknowledge before")
			w.at(s, ends.Add(11*time.Minute), warmer)
			w.at(s, ends.Add(11*time.Minute+11*time.Second), warmer)
			require.Equal(t, []string{alert.EventEscalated}, w.messages("boss"))
		})
	}
}

// What is shelved or suppressed as planned is not told, and once when that ends.
func TestTheEndOfAPause(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		pause func(w *world, p db.Pour)
		event string
		rule  string
	}{
		"planned": {func(w *world, _ db.Pour) {
			w.tx(func(tx *db.Tx) error {
				_, err := tx.CreateSuppression(t.Context(), everything, db.Suppression{
					CrewID: &w.crew.ID, StartsAt: wednesday.Add(-time.Hour), EndsAt: wednesday.Add(2 * time.Hour), Reason: "all know",
				})
				return err
			})
		}, alert.EventUnsuppressed, alert.RulePlanned},
		"shelved": {func(w *world, p db.Pour) {
			w.tx(func(tx *db.Tx) error {
				a, err := tx.LockAlert(t.Context(), db.Subject{PourID: &p.ID}, string(alert.PourMove))
				if err != nil {
					return err
				}
				until := wednesday.Add(2 * time.Hour)
				a.OperatorState, a.ShelvedBy, a.ShelveReason, a.ShelvedUntil, a.FollowAt = "shelved", "Ann", "all know", &until, &until
				return tx.SaveAlert(t.Context(), a)
			})
		}, alert.EventUnshelved, alert.RuleShelved},
	} {
		for end, warmer := range map[string]float64{"still raised": bad, "over": good} {
			t.Run(name+", "+end, func(t *testing.T) {
				t.Parallel()
				w := newWorld(t)
				w.clock.Stop()
				w.rank("chat", 0, 0)
				s := w.newScheduler(nil)
				c.pause(w, w.moved("Slab"))
				w.at(s, wednesday, bad)
				require.Equal(t, []string{"alert.raised untold " + c.rule}, w.rulings(w.alerts()[0], "chat"))
				w.at(s, wednesday.Add(time.Hour), warmer)
				require.Empty(t, w.messages("chat"))
				w.at(s, wednesday.Add(2*time.Hour+time.Minute), warmer)
				w.at(s, wednesday.Add(2*time.Hour+2*time.Minute), warmer)
				if warmer == good {
					require.Empty(t, w.messages("chat"), "nobody knew of it")
					return
				}
				require.Equal(t, []string{c.event}, w.messages("chat"), "once")
				require.Equal(t, "none", w.alerts()[0].OperatorState)
			})
		}
	}
}

// What comes within the window goes in one message, which covers each transition.
func TestGroupedMessage(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	s := w.newScheduler(func(c *scheduler.Config) { c.Pace = alert.UsualPace })
	pours := w.manySites(nothing, 25)
	require.NoError(t, s.PullNow(t.Context(), "open-meteo"))
	require.NoError(t, s.AssessNow(t.Context(), pours...))
	require.Len(t, w.alerts(), 25)
	require.NoError(t, s.GatherNow(t.Context()))
	require.Empty(t, w.messages("chat"))
	w.clock.Forward(11 * time.Second)
	require.NoError(t, s.GatherNow(t.Context()))
	require.NoError(t, s.GatherNow(t.Context()))
	require.Equal(t, []string{alert.EventGrouped}, w.messages("chat"))
	list, err := w.db.Deliveries(t.Context(), everything, db.DeliveryFilter{}, db.Page{})
	require.NoError(t, err)
	d, err := w.db.Delivery(t.Context(), everything, list.Items[0].ID)
	require.NoError(t, err)
	var e alert.Event
	require.NoError(t, json.Unmarshal(d.Body, &e))
	require.Len(t, e.Group.Items, 20)
	require.Equal(t, 5, e.Group.More)
	for _, item := range e.Group.Items {
		token, ok := strings.CutPrefix(item.Acknowledge, "https://frostgate.example/a/")
		require.True(t, ok)
		link, err := alert.ReadAckLink(w.db.DeriveKey(alert.AckLinkPurpose), token, w.clock.Now())
		require.NoError(t, err)
		require.Equal(t, item.Alert.ID, link.AlertID)
		require.Equal(t, list.Items[0].EndpointID, link.EndpointID)
	}
	require.Empty(t, e.Links.Acknowledge, "each matter has its own")
	require.Zero(t, w.count("select count(*) from notices where convert_from(payload, 'UTF8') like '%/a/%'"), "links are of one endpoint and not kept with the notice")
	covered := map[string]int{}
	for _, c := range e.Covers {
		require.Equal(t, 1, c.Transition)
		covered[c.AlertID.String()]++
	}
	require.Len(t, covered, 25)
	require.Equal(t, "https://frostgate.example/alerts", e.Links.Alert)
}

// After its most messages an endpoint gets one that folds the rest, when the ten
// minutes are over; what is critical goes at once.
func TestFlood(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	e := w.rank("chat", 0, 0)
	s := w.newScheduler(func(c *scheduler.Config) { c.Pace = alert.Pace{Most: 3} })
	pours := w.manySites(nothing, 8)
	require.NoError(t, s.PullNow(t.Context(), "open-meteo"))
	require.NoError(t, s.AssessNow(t.Context(), pours...))
	require.Len(t, w.messages("chat"), 3)
	stored, err := w.db.Endpoint(t.Context(), e.ID)
	require.NoError(t, err)
	require.Equal(t, 5, stored.Folded)
	require.NotNil(t, stored.FloodedUntil)
	w.clock.Forward(9 * time.Minute)
	require.NoError(t, s.GatherNow(t.Context()))
	require.Len(t, w.messages("chat"), 3)
	w.clock.Forward(61 * time.Second)
	require.NoError(t, s.GatherNow(t.Context()))
	require.Equal(t, alert.EventGrouped, w.messages("chat")[3])
	require.Len(t, w.messages("chat"), 4)
}

// While the weather that a pour rests on is old and its source's alert says so, the
// pour's alert is not repeated.
func TestSourceSpeaksForItsPours(t *testing.T) {
	t.Parallel()
	w, s := slabAndChat(t)
	w.at(s, wednesday, bad)
	w.accept()
	p := w.alerts()[0]
	old := wednesday.Add(20 * time.Hour) // weather is stale after 18 h
	w.clock.Forward(old.Sub(w.clock.Now()))
	w.weather.SetIssued(wednesday)
	w.refresh(s)
	require.NoError(t, s.PullNow(t.Context(), "open-meteo")) // goes on serving the old one
	require.NoError(t, s.Watch(t.Context()))
	require.NoError(t, s.AssessNow(t.Context(), *p.PourID))
	require.Contains(t, w.notices("alert."), "raised")
	alerts := map[string]db.AlertLine{}
	for _, a := range w.alerts() {
		alerts[a.Kind] = a
	}
	require.Equal(t, "raised", alerts[string(alert.SourceStale)].Condition)
	require.Equal(t, alerts[string(alert.SourceStale)].ID, *alerts[string(alert.PourMove)].InhibitedBy)
	coming, err := s.Coming(t.Context(), alerts[string(alert.PourMove)].Alert)
	require.NoError(t, err)
	require.Empty(t, coming, "no reminder while the source speaks for it")
	before := len(w.messages("chat"))
	require.NoError(t, s.Watch(t.Context()))
	require.Len(t, w.messages("chat"), before)
}

// Replicas gather at once, and the message is made once.
func TestReplicasGatherOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	s := w.newScheduler(func(c *scheduler.Config) { c.Pace = alert.UsualPace })
	w.moved("Slab")
	w.at(s, wednesday, bad)
	w.clock.Forward(11 * time.Second)
	others := []*scheduler.Scheduler{s, w.newScheduler(nil), w.newScheduler(nil)}
	var all sync.WaitGroup
	for i := range 12 {
		all.Go(func() { assert(t, others[i%3].GatherNow(t.Context())) })
	}
	all.Wait()
	require.Equal(t, []string{alert.EventRaised}, w.messages("chat"))
	require.NotZero(t, w.count("select count(*) from tellings where state = 'told' and delivery_id is not null"))
}

// assert marks a test as failed from another goroutine.
func assert(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Error(err)
	}
}
