package scheduler_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// saidTo are the events that were made for an endpoint, in order, but for calls.
func (w *world) saidTo(name string) (events []alert.Event) {
	w.t.Helper()
	list, err := w.db.Deliveries(w.t.Context(), everything, db.DeliveryFilter{}, db.Page{Limit: 1000})
	require.NoError(w.t, err)
	for _, line := range list.Items {
		if line.EndpointName != name || strings.HasPrefix(line.NoticeType, "call.") {
			continue
		}
		d, err := w.db.Delivery(w.t.Context(), everything, line.ID)
		require.NoError(w.t, err)
		var e alert.Event
		require.NoError(w.t, json.Unmarshal(d.Body, &e))
		events = append(events, e)
	}
	slices.Reverse(events)
	return events
}

// moveTo gives a pour another start, and has it assessed.
func (w *world) moveTo(s *scheduler.Scheduler, p db.Pour, start time.Time) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) error {
		current, err := tx.Pour(w.t.Context(), everything, p.ID)
		if err != nil {
			return err
		}
		current.StartsAt, current.OccupiedUntil = start, start.Add(9*time.Hour)
		_, err = tx.UpdatePour(w.t.Context(), everything, current)
		return err
	})
	require.NoError(w.t, s.AssessNow(w.t.Context(), p.ID))
}

// What changes while it waits to be gathered is told by one message, which reads as
// the first that its receiver hears of it: there was none to be "still" so after.
// The next one is told as a change.
func TestFoldedChangeReadsAsNews(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	s := w.newScheduler(func(c *scheduler.Config) { c.Pace = alert.UsualPace })
	p := w.moved("Slab")
	w.at(s, wednesday, bad)
	w.moveTo(s, p, wednesday.Add(43*time.Hour))
	require.Empty(t, w.saidTo("chat"), "both wait")
	w.clock.Forward(11 * time.Second)
	require.NoError(t, s.GatherNow(t.Context()))
	said := w.saidTo("chat")
	require.Len(t, said, 1)
	require.Equal(t, alert.EventChanged, said[0].Type)
	require.True(t, said[0].First)
	require.True(t, strings.HasPrefix(said[0].Text, "Move: Slab at Mill Road"), said[0].Text)
	for _, word := range []string{"Still", "The start was", "no better", "so since"} {
		require.NotContains(t, said[0].Text, word)
	}
	require.Nil(t, said[0].Before)
	require.Len(t, said[0].Covers, 2, "raised, and changed")

	w.moveTo(s, p, wednesday.Add(44*time.Hour))
	w.clock.Forward(11 * time.Second)
	require.NoError(t, s.GatherNow(t.Context()))
	said = w.saidTo("chat")
	require.Len(t, said, 2)
	require.False(t, said[1].First)
	require.True(t, strings.HasPrefix(said[1].Text, "Still move: Slab at Mill Road"), said[1].Text)
	require.Contains(t, said[1].Text, "The new start is no better. It has been so since ")
	require.Contains(t, said[1].Text, "The start was ")
}

// Who is told of what is critical alone hears of an alert when it gets so, as news;
// who heard of it before, as a change.
func TestChangeIsNewsToWhomTheRestIsNotTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	w.tx(func(tx *db.Tx) error {
		_, err := tx.CreateEndpoint(t.Context(), db.Endpoint{Name: "boss", Kind: "standard", MinSeverity: "critical"}, w.receiver.url+"/boss", w.receiver.secret)
		return err
	})
	s := w.newScheduler(nil)
	w.moved("Slab")
	w.at(s, wednesday, bad)
	w.at(s, wednesday.Add(38*time.Hour+time.Minute), bad)
	chat, boss := w.saidTo("chat"), w.saidTo("boss")
	require.Len(t, chat, 2)
	require.Len(t, boss, 1)
	require.Equal(t, chat[1].ID, boss[0].ID, "the same notice")
	require.Contains(t, chat[1].Text, "Still move: Slab at Mill Road")
	require.Contains(t, chat[1].Text, "More urgent now.")
	require.False(t, chat[1].First)
	require.True(t, strings.HasPrefix(boss[0].Text, "Move: Slab at Mill Road"), boss[0].Text)
	require.NotContains(t, boss[0].Text, "More urgent now.")
	require.Contains(t, boss[0].Text, "It has been so since Wed Jan 13", "38 hours ago")
	require.True(t, boss[0].First)
}

// A reminder, and what a rank is told to which nobody acknowledged, say what the
// first message said: the weather that it rests on, what was found against which
// limit, what to do, and besides since when.
func TestReminderAndEscalationSayAllThatTheFirstMessageSaid(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.rank("chat", 0, 0)
	w.rank("boss", 1, 10)
	s := w.newScheduler(nil)
	w.moved("Slab")
	w.at(s, wednesday, bad)
	w.accept()
	w.at(s, wednesday.Add(11*time.Minute), bad)
	w.at(s, wednesday.Add(5*time.Hour), bad)
	chat, boss := w.saidTo("chat"), w.saidTo("boss")
	require.Equal(t, alert.EventRaised, chat[0].Type)
	require.Equal(t, alert.EventReminder, chat[1].Type)
	require.Equal(t, alert.EventEscalated, boss[0].Type)
	first := chat[0]
	require.NotEmpty(t, first.Weather)
	require.NotNil(t, first.Finding.Observed)
	require.NotNil(t, first.Finding.Limit)
	for _, e := range []alert.Event{chat[1], boss[0]} {
		require.Len(t, e.Weather, len(first.Weather))
		require.Equal(t, first.Weather[0].Source, e.Weather[0].Source)
		require.False(t, e.Weather[0].IssuedAt.Before(first.Weather[0].IssuedAt), "the present weather")
		require.Contains(t, e.Text, "Weather: "+e.Weather[0].Source+", issued "+e.Weather[0].Issued)
		require.Equal(t, first.Finding.Rule, e.Finding.Rule)
		require.NotNil(t, e.Finding.Observed)
		require.Equal(t, first.Finding.Limit, e.Finding.Limit)
		require.Contains(t, e.Text, e.Finding.Sentence)
		require.Contains(t, e.Text, "Nobody has acknowledged it.")
		require.NotEmpty(t, e.Since)
	}
	require.Contains(t, chat[1].Text, "Still move: Slab")
	require.Contains(t, chat[1].Text, "It has been so since "+chat[1].Since)
	require.True(t, strings.HasPrefix(boss[0].Text, "Move: Slab"), boss[0].Text)
}
