package scheduler_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/stretchr/testify/require"
)

// watchAt sets the clock to a time, with fresh weather that is warmer than the
// sample's by some degrees, and does what the time makes necessary.
func (w *world) watchAt(s *scheduler.Scheduler, at time.Time, warmerC float64) {
	w.t.Helper()
	w.clock.Forward(at.Sub(w.clock.Now()))
	w.weather.SetPlaces(place("Mill Road", 42, -88, warmerC))
	w.refresh(s)
	require.NoError(w.t, s.PullNow(w.t.Context(), "open-meteo"))
	pours, err := w.db.Pours(w.t.Context(), everything, db.PourFilter{}, db.Page{Limit: 100})
	require.NoError(w.t, err)
	for _, p := range pours.Items {
		require.NoError(w.t, s.AssessNow(w.t.Context(), p.ID))
	}
	require.NoError(w.t, s.Watch(w.t.Context()))
}

func (w *world) notices(prefix string) (types []string) {
	w.t.Helper()
	rows, err := w.db.Pool().Query(w.t.Context(), "select type from notices where type like $1 order by created_at, id", prefix+"%")
	require.NoError(w.t, err)
	defer rows.Close()
	for rows.Next() {
		var name string
		require.NoError(w.t, rows.Scan(&name))
		types = append(types, strings.TrimPrefix(name, prefix))
	}
	require.NoError(w.t, rows.Err())
	return types
}

// A pour's day: each thing is said once, at its hour, and what was missed while
// nothing ran is not said when it is of no more use.
func TestCallsOfADay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	w.endpoint("crew-chat")
	s := w.newScheduler(nil)
	start := time.Date(2027, 1, 15, 14, 0, 0, 0, time.UTC) // Friday, 8:00 in Chicago
	var p db.Pour
	w.tx(func(tx *db.Tx) (err error) {
		draft := w.draft("Slab", start)
		draft.Protection = []rules.Protection{{RM2KW: 0.7, OnAt: start.Add(12 * time.Hour)}}
		p, err = tx.CreatePour(t.Context(), everything, draft)
		return err
	})
	w.watchAt(s, wednesday, 8)
	require.Equal(t, rules.Protect, w.stored(p.ID).Verdict)
	require.Empty(t, w.notices("call."))

	thursday := time.Date(2027, 1, 14, 19, 0, 30, 0, time.UTC) // 1 p.m.
	w.watchAt(s, thursday, 8)
	w.watchAt(s, thursday.Add(time.Minute), 8)
	require.Equal(t, []string{"afternoon_before"}, w.notices("call."), "once")
	w.watchAt(s, start.Add(-20*time.Minute), 8)
	require.Equal(t, []string{"afternoon_before", "first_light"}, w.notices("call."))

	w.tx(func(tx *db.Tx) error {
		current, err := tx.Pour(t.Context(), everything, p.ID)
		if err != nil {
			return err
		}
		current.State, current.PlacedAt = db.Placed, &start
		_, err = tx.UpdatePour(t.Context(), everything, current)
		return err
	})
	calls := map[string]db.Call{}
	w.watchAt(s, start.Add(time.Hour), 8)
	all, err := w.db.Calls(t.Context(), everything, p.ID)
	require.NoError(t, err)
	for _, c := range all {
		calls[c.Type] = c
	}
	cover := calls[alert.CallCover]
	require.Equal(t, "waiting", cover.State)
	w.watchAt(s, cover.At.Add(time.Minute), 8)
	require.Contains(t, w.notices("call."), "blankets_on")
	var body []byte
	require.NoError(t, w.db.Pool().QueryRow(t.Context(), "select payload from notices where type = $1", alert.CallCover).Scan(&body))
	var e alert.Event
	require.NoError(t, json.Unmarshal(body, &e))
	require.Contains(t, e.Text, "Blankets on: Slab at Mill Road, placed Fri Jan 15, 8:00 a.m. Cover from Fri 8:00 p.m. on: blankets of R-4, double at edges and corners.")
	require.Equal(t, "https://frostgate.example/pours/"+p.ID.String(), e.Links.Pour)
	require.Equal(t, len(w.notices("call.")), w.count("select count(*) from tellings where ruling <> 'never' and alert_id is null"))

	var end db.Call // known when the weather reaches that far
	for at := cover.At.Add(13 * time.Hour); end.At.IsZero(); at = at.Add(12 * time.Hour) {
		require.Less(t, at.Sub(start), 20*24*time.Hour)
		w.watchAt(s, at, 8)
		all, err := w.db.Calls(t.Context(), everything, p.ID)
		require.NoError(t, err)
		for _, c := range all {
			if c.Type == alert.CallUncover {
				end = c
			}
		}
	}
	require.NotContains(t, w.notices("call."), "saw_window", "it was looked for only after it had closed")
	w.watchAt(s, end.At.Add(time.Minute), 8)
	require.Contains(t, w.notices("call."), "protection_end")
	w.invariants()
}

// A pour that moves to another day has its calls there; one that is cancelled has
// none.
func TestCallsFollowThePour(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	s := w.newScheduler(nil)
	start := time.Date(2027, 1, 15, 14, 0, 0, 0, time.UTC)
	var p db.Pour
	w.tx(func(tx *db.Tx) (err error) {
		p, err = tx.CreatePour(t.Context(), everything, w.draft("Slab", start))
		return err
	})
	edit := func(change func(*db.Pour)) {
		w.tx(func(tx *db.Tx) error {
			current, err := tx.Pour(t.Context(), everything, p.ID)
			if err != nil {
				return err
			}
			change(&current)
			_, err = tx.UpdatePour(t.Context(), everything, current)
			return err
		})
	}
	w.watchAt(s, time.Date(2027, 1, 14, 19, 5, 0, 0, time.UTC), 20)
	require.Equal(t, []string{"afternoon_before"}, w.notices("call."))
	edit(func(p *db.Pour) { p.StartsAt, p.OccupiedUntil = start.Add(72*time.Hour), start.Add(81*time.Hour) })
	w.watchAt(s, time.Date(2027, 1, 15, 13, 50, 0, 0, time.UTC), 20) // when it was to start
	require.Len(t, w.notices("call."), 1)
	w.watchAt(s, time.Date(2027, 1, 17, 19, 5, 0, 0, time.UTC), 20)
	require.Equal(t, []string{"afternoon_before", "afternoon_before"}, w.notices("call."), "anew for the new day")
	edit(func(p *db.Pour) { p.State, p.CancelledAt = db.Cancelled, new(w.clock.Now()) })
	w.watchAt(s, time.Date(2027, 1, 18, 13, 50, 0, 0, time.UTC), 20)
	require.Len(t, w.notices("call."), 2)
	require.Zero(t, w.count("select count(*) from calls where state = 'waiting'"))
}

// An endpoint that asks for it gets the day's pours of its crews in the morning,
// and the next day's in the afternoon, once.
func TestDigests(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.clock.Stop()
	s := w.newScheduler(nil)
	e := w.endpoint("crew-chat")
	w.tx(func(tx *db.Tx) error {
		e.Settings = json.RawMessage(`{"digest": {"morning": "05:30", "afternoon": "14:00", "timezone": "America/Chicago"}}`)
		_, err := tx.UpdateEndpoint(t.Context(), e, "")
		return err
	})
	w.tx(func(tx *db.Tx) error {
		for i, name := range []string{"Dock", "Steps"} {
			start := time.Date(2027, 1, 15, 14+5*i, 0, 0, 0, time.UTC)
			draft := w.draft(name, start)
			draft.OccupiedUntil = start.Add(4 * time.Hour)
			if _, err := tx.CreatePour(t.Context(), everything, draft); err != nil {
				return err
			}
		}
		return nil
	})
	text := func() (text string) {
		t.Helper()
		require.NoError(t, w.db.Pool().QueryRow(t.Context(), "select convert_from(payload, 'utf8')::jsonb->>'text' from notices where type = 'digest' order by id desc limit 1").Scan(&text))
		return text
	}
	w.watchAt(s, wednesday, 20)
	require.Zero(t, w.count("select count(*) from notices where type = 'digest'"), "no pour tomorrow")
	w.watchAt(s, time.Date(2027, 1, 14, 20, 1, 0, 0, time.UTC), 20) // Thursday, 2 p.m.
	w.watchAt(s, time.Date(2027, 1, 14, 20, 2, 0, 0, time.UTC), 20)
	require.Equal(t, 1, w.count("select count(*) from notices where type = 'digest'"))
	require.Contains(t, text(), "Fri Jan 15: 2 pours. 8:00 a.m., Dock at Mill Road, crew North: ")
	w.watchAt(s, time.Date(2027, 1, 15, 11, 30, 5, 0, time.UTC), 20) // Friday, 5:30 a.m.
	require.Equal(t, 2, w.count("select count(*) from notices where type = 'digest'"))
	require.Contains(t, text(), "1:00 p.m., Steps at Mill Road, crew North: ")
	require.Equal(t, 2, w.count("select count(*) from deliveries d join notices n on n.id = d.notice_id where n.type = 'digest'"))
	require.Equal(t, 2, w.count("select count(*) from tellings where rule = 'asked_for' and delivery_id is not null"))
}
