package scheduler_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
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
)

var benchBody = make([]byte, 2000)

// BenchmarkDeliver sends stored deliveries, claimed and recorded one by one in the
// database, and beside it the limit: the same signed posts in a bare loop.
func BenchmarkDeliver(b *testing.B) {
	b.Run("bare signed posts", func(b *testing.B) {
		address, taken := sink(b)
		poster := alert.NewPoster(alert.PosterConfig{Guard: alert.Guard{Allow: alert.Loopback}})
		secrets := []string{alert.NewSecret()}
		var next atomic.Int64
		var workers sync.WaitGroup
		b.ResetTimer()
		for range benchTogether {
			workers.Go(func() {
				for next.Add(1) <= int64(b.N) {
					poster.Post(context.Background(), alert.Message{URL: address, Secrets: secrets, ID: "msg_1", Attempt: 1, ContentType: "application/json", Body: benchBody})
				}
			})
		}
		workers.Wait()
		require.EqualValues(b, b.N, taken.Load())
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "posts/s")
	})
	b.Run("deliveries", func(b *testing.B) {
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
		w.storeDeliveries(endpoints, b.N)
		s := w.start(func(c *scheduler.Config) { c.Sources = nil })
		b.ResetTimer()
		w.exec("update endpoints set state = 'enabled'")
		w.tx(func(tx *db.Tx) error { return s.EnqueueDeliver(b.Context(), tx, endpoints...) })
		for taken.Load() < int64(b.N) {
			time.Sleep(time.Millisecond)
		}
		b.StopTimer()
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "deliveries/s")
		w.until("all are recorded", 10*time.Second, func() bool { return w.count("select count(*) from deliveries where state <> 'accepted'") == 0 })
		require.EqualValues(b, b.N, taken.Load())
	})
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
