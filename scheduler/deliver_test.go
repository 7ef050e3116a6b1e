package scheduler_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// A receiver that fails gets the same bytes under the same id, by the schedule.
func TestDeliveryIsTriedAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	w.receiver.answers(func(_ *http.Request, attempt int) int {
		return []int{http.StatusServiceUnavailable, http.StatusInternalServerError, http.StatusOK}[min(attempt, 3)-1]
	})
	s := w.start(nil)
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("the first attempt", 20*time.Second, func() bool { return w.count("select count(*) from attempts") == 1 })
	wait := w.count("select extract(epoch from next_attempt_at - updated_at)::int from deliveries")
	require.InDelta(t, 5, wait, 1.5, "5 s, spread by a fifth")
	w.clock.Forward(6 * time.Second)
	w.until("the second attempt", 5*time.Second, func() bool { return w.count("select count(*) from attempts") == 2 })
	time.Sleep(1200 * time.Millisecond) // a sweep
	require.Equal(t, 2, w.count("select count(*) from attempts"), "not before its time")
	w.clock.Forward(18 * time.Second)
	w.until("the third attempt", 5*time.Second, func() bool { return w.receiver.events() == "raised" })
	w.until("it is recorded", 5*time.Second, func() bool {
		return w.count("select count(*) from deliveries where state = 'accepted' and attempts = 3") == 1
	})
	require.Equal(t, 1, w.count("select count(distinct status) from attempts where outcome = 'accepted'"))
	require.Len(t, w.receiver.tries, 1, "one id for every attempt")
	w.invariants()
}

func TestReceiversWishIsKept(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	w.receiver.header = http.Header{"Retry-After": {"3600"}}
	w.receiver.answers(func(*http.Request, int) int { return http.StatusTooManyRequests })
	s := w.start(nil)
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("the first attempt", 20*time.Second, func() bool { return w.count("select count(*) from attempts") == 1 })
	require.InDelta(t, 3600, w.count("select extract(epoch from next_attempt_at - updated_at)::int from deliveries"), 2)
}

// People read what happens to one alert in order: its end is not told before its
// beginning.
func TestAlertIsToldInOrder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	var open atomic.Bool
	w.receiver.answers(func(*http.Request, int) int {
		if open.Load() {
			return http.StatusNoContent
		}
		return http.StatusBadGateway
	})
	s := w.start(nil)
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Move)
	w.clock.Forward(10 * time.Minute)
	require.Equal(t, 1, w.count("with younger as (update deliveries set created_at = created_at + interval '5 minutes' returning id) select count(*) from younger"))
	w.mild()
	w.refresh(s)
	w.until("two notices", 15*time.Second, func() bool { return w.count("select count(*) from deliveries") == 2 })
	time.Sleep(1500 * time.Millisecond) // a sweep
	require.Equal(t, 1, w.count("select count(distinct delivery_id) from attempts"), "the second waits for the first")
	open.Store(true)
	w.clock.Forward(time.Hour)
	w.until("both", 10*time.Second, func() bool { return w.receiver.events() == "raised cleared" })
	w.invariants()
}

// What could not be told for ten minutes gives way to what has come since, rather
// than hold it up for hours.
func TestOldStateGivesWayToANewerOne(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	w.receiver.answers(func(*http.Request, int) int { return http.StatusBadGateway })
	s := w.start(nil)
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Move)
	w.clock.Forward(11 * time.Minute)
	w.mild()
	w.refresh(s)
	w.until("the first is superseded", 15*time.Second, func() bool {
		return w.count("select count(*) from deliveries where state = 'superseded' and transition = 1 and reason <> ''") == 1
	})
	w.receiver.answers(nil)
	w.clock.Forward(time.Hour)
	w.until("the newer one", 10*time.Second, func() bool { return w.receiver.events() == "cleared" })
	w.invariants()
}

// An endpoint that hangs holds up nobody else.
func TestDeadEndpointSlowsNobody(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	dead := w.endpoint("dead")
	w.endpoint("alive")
	w.receiver.answers(func(r *http.Request, _ int) int {
		if strings.HasPrefix(r.URL.Path, "/dead") {
			<-r.Context().Done()
		}
		return http.StatusNoContent
	})
	s := w.start(nil)
	w.manySites(func(tx *db.Tx, id uuid.UUID) error { return s.EnqueueAssess(t.Context(), tx, id) }, 60)
	w.until("all at the living endpoint", 40*time.Second, func() bool {
		return w.count("select count(*) from deliveries where state = 'accepted' and endpoint_id <> $1", dead.ID) == 60
	})
	slowest := w.count(`select max(extract(epoch from t.at - d.created_at) * 1000)::int
		from attempts t join deliveries d on d.id = t.delivery_id where d.endpoint_id <> $1`, dead.ID)
	require.Less(t, slowest, 3000, "ms")
	t.Logf("slowest first attempt beside a dead endpoint: %d ms", slowest)
}

// At an address that is gone nothing is tried again; its queue is kept and goes
// out when it works again.
func TestEndpointThatIsGoneIsStopped(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	e := w.endpoint("crew-chat")
	w.receiver.answers(func(*http.Request, int) int { return http.StatusGone })
	s := w.start(nil)
	p := w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Move)
	w.until("it is stopped", 5*time.Second, func() bool { return w.count("select count(*) from endpoints where state = 'disabled'") == 1 })
	w.clock.Forward(time.Minute)
	time.Sleep(1500 * time.Millisecond) // a sweep
	require.Equal(t, 1, w.count("select count(*) from attempts"))

	w.receiver.answers(nil)
	w.tx(func(tx *db.Tx) error {
		e, err := tx.Endpoint(t.Context(), e.ID)
		if err != nil {
			return err
		}
		e.State = "enabled"
		_, err = tx.UpdateEndpoint(t.Context(), e, "")
		return err
	})
	w.until("the notice", 5*time.Second, func() bool { return w.receiver.events() == "raised" })
}

func TestWhatIsRefusedForGoodIsNotRepeated(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	w.receiver.answers(func(*http.Request, int) int { return http.StatusUnprocessableEntity })
	s := w.start(nil)
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("it is dead", 20*time.Second, func() bool {
		return w.count("select count(*) from deliveries where state = 'dead' and reason = 'the receiver answered 422'") == 1
	})
}

// Only who wants to hear of a pour does: by crew, plant and urgency.
func TestEndpointsHearWhatTheyWant(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	other := uuid.New()
	for name, e := range map[string]db.Endpoint{
		"all":            {},
		"the crew":       {CrewIDs: []uuid.UUID{w.crew.ID}},
		"the plant":      {PlantIDs: []uuid.UUID{other, w.plant.ID}, MinSeverity: "major"},
		"another crew":   {CrewIDs: []uuid.UUID{other}},
		"no crew at all": {CrewIDs: []uuid.UUID{}},
		"another plant":  {CrewIDs: []uuid.UUID{w.crew.ID}, PlantIDs: []uuid.UUID{other}},
		"only critical":  {MinSeverity: "critical"},
		"disabled":       {State: "disabled"},
		"later":          {Rank: 1, DelayMin: 30},
	} {
		e.Name, e.Kind = name, "standard"
		w.tx(func(tx *db.Tx) error {
			_, err := tx.CreateEndpoint(t.Context(), e, w.receiver.url+"/"+strings.ReplaceAll(name, " ", "-"), w.receiver.secret)
			return err
		})
	}
	s := w.start(nil)
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("three notices", 20*time.Second, func() bool { return len(w.receiver.accepted()) == 3 })
	time.Sleep(200 * time.Millisecond)
	var paths []string
	for _, d := range w.receiver.accepted() {
		paths = append(paths, d.path)
		require.Equal(t, alert.Major, d.event.Alert.Severity)
	}
	slices.Sort(paths)
	require.Equal(t, []string{"all", "the-crew", "the-plant"}, paths)
}

// From the commit of the transaction that makes a notice to the first attempt.
func TestFirstAttemptIsQuick(t *testing.T) {
	if testing.Short() {
		t.Skip("measures for some seconds")
	}
	w := newWorld(t)
	w.cold()
	w.endpoint("crew-chat")
	s := w.start(nil)
	pours := w.manySites(func(tx *db.Tx, id uuid.UUID) error { return s.EnqueueAssess(t.Context(), tx, id) }, 1)
	w.verdict(pours[0], rules.Move)
	var waits []time.Duration
	for i := range 40 {
		p := w.pour(s, fmt.Sprint("Slab ", i), wednesday.Add(time.Duration(30+10*i)*time.Hour))
		seen := len(w.receiver.accepted())
		w.until("assessed "+p.Name, 10*time.Second, func() bool { return w.stored(p.ID).AssessedAt != nil })
		if w.stored(p.ID).Verdict != rules.Move {
			continue // beyond the weather
		}
		w.until("told", 5*time.Second, func() bool { return len(w.receiver.accepted()) > seen || i == 0 })
	}
	rows, err := w.db.Pool().Query(t.Context(), `select (extract(epoch from t.at - d.created_at) * 1e6)::bigint
		from attempts t join deliveries d on d.id = t.delivery_id where t.number = 1`)
	require.NoError(t, err)
	for rows.Next() {
		var us int64
		require.NoError(t, rows.Scan(&us))
		waits = append(waits, time.Duration(us)*time.Microsecond)
	}
	require.NoError(t, rows.Err())
	slices.Sort(waits)
	require.Greater(t, len(waits), 20)
	p50, p99 := waits[len(waits)/2], waits[len(waits)*99/100]
	t.Logf("begin of the deciding transaction -> first attempt, %d notices: p50 %s, p99 %s", len(waits), p50, p99)
}

// A replica that stops finishes what it has begun, gives back what it has not,
// and counts nothing as a failure.
func TestStoppingGivesBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.endpoint("slow")
	arrived := make(chan struct{}, 100)
	w.receiver.answers(func(*http.Request, int) int {
		arrived <- struct{}{}
		time.Sleep(500 * time.Millisecond)
		return http.StatusNoContent
	})
	s := w.newScheduler(nil)
	w.manySites(nothing, 30)
	require.NoError(t, s.Start(t.Context()))
	select {
	case <-arrived:
	case <-time.After(patient(30 * time.Second)):
		t.Fatal("nothing is sent")
	}
	require.NoError(t, s.Stop(t.Context()))
	require.Zero(t, w.count("select count(*) from deliveries where state = 'pending' and (claimed_by <> '' or attempts <> 0)"))
	require.Zero(t, w.count("select count(*) from attempts where outcome <> 'accepted'"))
	require.Equal(t, len(w.receiver.accepted()), w.count("select count(*) from deliveries where state = 'accepted'"))

	w.receiver.answers(nil)
	w.start(nil)
	w.until("the rest", 30*time.Second, func() bool { return w.count("select count(*) from deliveries where state = 'accepted'") == 30 })
	require.Len(t, w.receiver.tries, 30)
	w.invariants()
}
