package scheduler_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// sink takes everything at once and counts.
func sink(b *testing.B) (address string, taken *atomic.Int64) {
	taken = new(atomic.Int64)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		taken.Add(1)
		w.WriteHeader(http.StatusNoContent)
	}))
	b.Cleanup(srv.Close)
	return srv.URL, taken
}

const (
	benchEndpoints = 8
	benchTogether  = 4 * benchEndpoints // as many as the endpoints together have under way
	benchMessages  = 8000               // of one turn
)

var benchBody = make([]byte, 2000)

// BenchmarkDeliver sends stored deliveries, claimed and recorded in the database,
// and beside it, in turns, the limit: the same signed posts to the same receiver
// in a bare loop.
func BenchmarkDeliver(b *testing.B) {
	w := newWorld(b)
	address, taken := sink(b)
	var endpoints []uuid.UUID
	for i := range benchEndpoints {
		w.tx(func(tx *db.Tx) error {
			e, err := tx.CreateEndpoint(b.Context(), db.Endpoint{Name: fmt.Sprint(i), Kind: "standard"}, address, alert.NewSecret())
			endpoints = append(endpoints, e.ID)
			return err
		})
	}
	s := w.start(func(c *scheduler.Config) { c.Sources = nil })
	var ours, bare, ratios []float64
	for b.Loop() {
		b.StopTimer()
		w.exec("truncate notices cascade")
		w.storeDeliveries(endpoints, benchMessages)
		b.StartTimer()
		bare = append(bare, postFor(address))
		taken.Store(0)
		ours = append(ours, w.deliverAll(s, endpoints, taken))
		ratios = append(ratios, ours[len(ours)-1]/bare[len(bare)-1])
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(median(ours), "deliveries/s")
	b.ReportMetric(median(bare), "posts/s")
	b.ReportMetric(100*median(ratios), "%")
}

func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}

// postFor gives how many signed posts there are in a second.
func postFor(address string) float64 {
	poster := alert.NewPoster(alert.PosterConfig{Guard: alert.Guard{Allow: alert.Loopback}})
	defer poster.Close()
	secrets := []string{alert.NewSecret()}
	var next atomic.Int64
	var workers sync.WaitGroup
	began := time.Now()
	for range benchTogether {
		workers.Go(func() {
			for next.Add(1) <= benchMessages {
				poster.Post(context.Background(), alert.Message{URL: address, Secrets: secrets, ID: "msg_1", Attempt: 1, ContentType: "application/json", Body: benchBody})
			}
		})
	}
	workers.Wait()
	return benchMessages / time.Since(began).Seconds()
}

// deliverAll gives how many stored deliveries are sent in a second.
func (w *world) deliverAll(s *scheduler.Scheduler, endpoints []uuid.UUID, taken *atomic.Int64) float64 {
	w.t.Helper()
	w.exec("update endpoints set state = 'enabled'")
	began := time.Now()
	w.tx(func(tx *db.Tx) error { return s.EnqueueDeliver(w.t.Context(), tx, endpoints...) })
	for taken.Load() < benchMessages {
		time.Sleep(time.Millisecond)
	}
	took := time.Since(began)
	w.until("all are recorded", 10*time.Second, func() bool { return w.count("select count(*) from deliveries where state <> 'accepted'") == 0 })
	require.EqualValues(w.t, benchMessages, taken.Load())
	return benchMessages / took.Seconds()
}

const (
	benchAlerts = 100                   // of one turn
	benchEvery  = 50 * time.Millisecond // whatever becomes of those before
)

// BenchmarkFirstAttempt makes the ground under pours of the same day frozen, one
// after the other, whether or not the one before has been told, and measures from
// the commit of each edit, and from that of the alert, until its critical message
// is at the receiver.
func BenchmarkFirstAttempt(b *testing.B) {
	w := newWorld(b)
	w.clock.Forward(18 * time.Hour) // to a morning
	var mu sync.Mutex
	at := map[uuid.UUID]time.Time{} // of the first message, by pour
	srv := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		var e alert.Event
		if json.NewDecoder(r.Body).Decode(&e) == nil && e.Pour != nil && e.Type == alert.EventRaised {
			mu.Lock()
			at[e.Pour.ID] = time.Now()
			mu.Unlock()
		}
		rw.WriteHeader(http.StatusNoContent)
	}))
	b.Cleanup(srv.Close)
	w.tx(func(tx *db.Tx) error {
		_, err := tx.CreateEndpoint(b.Context(), db.Endpoint{Name: "crew", Kind: "standard"}, srv.URL, alert.NewSecret())
		return err
	})
	s := w.start(func(c *scheduler.Config) { c.Pace, c.Members = alert.UsualPace, 51 })
	var sinceEdit, sinceAlert []float64
	for b.Loop() {
		b.StopTimer()
		pours := w.slabsSoon(s, benchAlerts)
		edited := map[uuid.UUID]time.Time{}
		b.StartTimer()
		for _, id := range pours {
			time.Sleep(benchEvery)
			require.NoError(b, w.freeze(s, id))
			edited[id] = time.Now()
		}
		told := func() int { mu.Lock(); defer mu.Unlock(); return len(at) }
		w.until("all are told", 60*time.Second, func() bool { return told() >= benchAlerts })
		for id, first := range at {
			sinceEdit = append(sinceEdit, first.Sub(edited[id]).Seconds())
			sinceAlert = append(sinceAlert, first.Sub(w.raisedAt(id)).Seconds())
		}
		clear(at)
	}
	b.ReportMetric(0, "ns/op")
	for name, list := range map[string][]float64{"edit": sinceEdit, "alert": sinceAlert} {
		slices.Sort(list)
		b.ReportMetric(1000*list[len(list)/2], "p50-ms-"+name)
		b.ReportMetric(1000*list[len(list)*99/100], "p99-ms-"+name)
	}
}

// slabsSoon makes pours that begin in two hours, assessed on warm ground.
func (w *world) slabsSoon(s *scheduler.Scheduler, n int) []uuid.UUID {
	w.t.Helper()
	ids := w.slabs(uuid.NewString(), n)
	_, err := w.db.Pool().Exec(w.t.Context(), "update pours set lights = true, starts_at = $1, occupied_until = $2 where id = any($3)",
		w.clock.Now().Add(2*time.Hour), w.clock.Now().Add(4*time.Hour), ids)
	require.NoError(w.t, err)
	w.tx(func(tx *db.Tx) error { return s.EnqueueAssess(w.t.Context(), tx, ids...) })
	w.until("all are assessed", 30*time.Second, func() bool {
		return w.count("select count(*) from pours where id = any($1) and verdict in ('unscored', 'move')", ids) == 0
	})
	w.idle()
	return ids
}

// freeze makes the ground under a pour frozen.
func (w *world) freeze(s *scheduler.Scheduler, id uuid.UUID) error {
	return w.db.Tx(w.t.Context(), tester, func(tx *db.Tx) error {
		p, err := tx.Pour(w.t.Context(), everything, id)
		if err != nil {
			return err
		}
		p.Base.Temps = []rules.DepthTemp{{DepthMM: 0, TempC: -6}, {DepthMM: 2000, TempC: -6}}
		if _, err := tx.UpdatePour(w.t.Context(), everything, p); err != nil {
			return err
		}
		return s.EnqueueAssess(w.t.Context(), tx, id)
	})
}

// raisedAt is when the alert of a pour was raised, on the clock of this machine.
func (w *world) raisedAt(id uuid.UUID) time.Time {
	w.t.Helper()
	var at time.Time
	require.NoError(w.t, w.db.Pool().QueryRow(w.t.Context(), "select raised_at from alerts where pour_id = $1", id).Scan(&at))
	return at.Add(-time.Until(w.clock.Now()))
}

// storeDeliveries stores notices with one delivery each to endpoints that are
// stopped for now.
func (w *world) storeDeliveries(endpoints []uuid.UUID, n int) {
	w.t.Helper()
	w.exec("update endpoints set state = 'disabled'")
	for from := 0; from < n; from += 1000 {
		w.tx(func(tx *db.Tx) error {
			for i := from; i < min(n, from+1000); i++ {
				var d db.Delivery
				d.EndpointID, d.ContentType, d.Body = endpoints[i%len(endpoints)], "application/json", benchBody
				if _, _, err := tx.CreateNotice(w.t.Context(), db.Notice{Type: "bench", Payload: benchBody}, []db.Delivery{d}); err != nil {
					return err
				}
			}
			return nil
		})
	}
	w.exec("analyze")
}

// BenchmarkRescore assesses stored pours anew from end to end: inputs and weather
// from the database, 51 members, the windows of a week, assessments and alerts
// stored.
func BenchmarkRescore(b *testing.B) {
	w := newWorld(b)
	s := w.start(func(c *scheduler.Config) { c.Members = 51 })
	ids := w.manySites(nothing, 50)
	w.refresh(s)
	w.until("the first verdicts", 60*time.Second, func() bool { return w.count("select count(*) from pours where verdict <> 'unscored'") == len(ids) })
	w.until("idle", 60*time.Second, func() bool {
		return w.count("select count(*) from river_job where state in ('available', 'running')") == 0
	})
	rounds := 0
	b.ResetTimer()
	for b.Loop() {
		rounds++
		w.exec(fmt.Sprintf("update pours set thickness_mm = %d", 100+rounds%100))
		before := w.count("select count(*) from assessments")
		w.tx(func(tx *db.Tx) error { return s.EnqueueAssess(b.Context(), tx, ids...) })
		for w.count("select count(*) from assessments") < before+len(ids) {
			time.Sleep(2 * time.Millisecond)
		}
	}
	pours := float64(rounds * len(ids))
	b.ReportMetric(b.Elapsed().Seconds()*1000/pours, "ms/pour")
	b.ReportMetric(b.Elapsed().Seconds()/pours*10_000, "s/10000-pours")
}
