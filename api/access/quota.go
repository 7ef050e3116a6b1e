package access

import (
	"math"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// A Quota is how much one key may still do.
type Quota struct {
	OK        bool          // this one is within the limit
	Limit     int           // per minute
	Remaining int           // at once
	RetryIn   time.Duration // until one more is allowed; 0 when OK
	FullIn    time.Duration // until everything is allowed again
}

// quotas holds one bucket per key, each refilled evenly over a minute. It belongs to one process: a fleet of n
// replicas allows up to n times the limit.
type quotas struct {
	perMinute int
	mu        sync.Mutex
	buckets   map[string]*rate.Limiter
	sweptAt   time.Time
}

func newQuotas(perMinute int) *quotas {
	return &quotas{perMinute: perMinute, buckets: map[string]*rate.Limiter{}}
}

// take spends one from the key's bucket, when there is one left.
func (q *quotas) take(key string, now time.Time) Quota {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.sweep(now)
	bucket := q.buckets[key]
	if bucket == nil {
		bucket = rate.NewLimiter(rate.Limit(float64(q.perMinute)/60), q.perMinute)
		q.buckets[key] = bucket
	}
	ok := bucket.AllowN(now, 1)
	return q.state(bucket.TokensAt(now), ok)
}

// left tells what take would find, and spends nothing.
func (q *quotas) left(key string, now time.Time) Quota {
	q.mu.Lock()
	defer q.mu.Unlock()
	bucket := q.buckets[key]
	if bucket == nil {
		return q.state(float64(q.perMinute), true)
	}
	tokens := bucket.TokensAt(now)
	return q.state(tokens, tokens >= 1)
}

func (q *quotas) state(tokens float64, ok bool) Quota {
	perSecond := float64(q.perMinute) / 60
	state := Quota{OK: ok, Limit: q.perMinute, Remaining: max(0, int(math.Floor(tokens)))}
	state.FullIn = seconds((float64(q.perMinute) - tokens) / perSecond)
	if !ok {
		state.RetryIn = seconds((1 - tokens) / perSecond)
	}
	return state
}

// sweep forgets, once a minute, the keys whose bucket has filled up again.
func (q *quotas) sweep(now time.Time) {
	if now.Sub(q.sweptAt) < time.Minute {
		return
	}
	q.sweptAt = now
	for key, bucket := range q.buckets {
		if bucket.TokensAt(now) >= float64(q.perMinute) {
			delete(q.buckets, key)
		}
	}
}

func seconds(s float64) time.Duration {
	return time.Duration(max(0, s) * float64(time.Second))
}
