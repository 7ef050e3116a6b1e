package scheduler_test

import (
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/db/pgserver"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// A mortal is a database server of a test's own that keeps its promises when it is
// killed: it answers a commit when it is on the disk.
type mortal struct {
	t      *testing.T
	dir    string
	server *pgserver.Server
}

func newMortal(t *testing.T) *mortal {
	t.Helper()
	dir, err := os.MkdirTemp("", "frostgate-*") // where the server's account may enter, unlike t.TempDir
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	require.NoError(t, os.Chmod(dir, 0o755)) //nolint:gosec // what lies in it is closed
	m := &mortal{t: t, dir: dir}
	m.start()
	t.Cleanup(func() { _ = m.server.Stop() })
	d := dbtest.Open(t, db.Config{Conn: m.server.ConnConfig("")})
	require.NoError(t, d.Migrate(t.Context()))
	d.Close()
	return m
}

func (m *mortal) start() {
	m.t.Helper()
	var err error
	m.server, err = pgserver.Start(m.t.Context(), pgserver.Config{Dir: m.dir})
	require.NoError(m.t, err)
}

// kill is SIGKILL to the server's first process, whatever the others are at, and
// another start.
func (m *mortal) kill() {
	m.t.Helper()
	text, err := os.ReadFile(filepath.Join(m.dir, "data", "postmaster.pid"))
	require.NoError(m.t, err)
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	require.NoError(m.t, err)
	require.NoError(m.t, syscall.Kill(pid, syscall.SIGKILL))
	<-m.server.Done()
	require.NoError(m.t, m.server.Stop()) // frees the folder
	m.start()
}

// restarts is how often the database is killed.
func restarts(t *testing.T) int {
	t.Helper()
	text := os.Getenv("FROSTGATE_KILLS")
	if text == "" {
		return 5
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err)
	return n
}

// edits makes the ground under pours frozen or warm, without pause, and knows what
// was committed.
type edits struct {
	w     *world
	by    *scheduler.Scheduler
	pours []uuid.UUID
	wrote map[uuid.UUID][]float64 // that the base of a pour may have: the last committed, and those tried since
}

// one edits one pour, and has it assessed in the same transaction.
func (e *edits) one(id uuid.UUID, tempC float64) error {
	e.wrote[id] = append(e.wrote[id], tempC)
	ctx := e.w.t.Context()
	err := e.w.db.Tx(ctx, tester, func(tx *db.Tx) error {
		p, err := tx.Pour(ctx, everything, id)
		if err != nil {
			return err
		}
		p.Base.Temps = []rules.DepthTemp{{DepthMM: 0, TempC: tempC}, {DepthMM: 2000, TempC: tempC}}
		if _, err := tx.UpdatePour(ctx, everything, p); err != nil {
			return err
		}
		return e.by.EnqueueAssess(ctx, tx, id)
	})
	if err == nil {
		e.wrote[id] = []float64{tempC}
	}
	return err
}

// during edits while something happens.
func (e *edits) during(something func()) {
	stop := make(chan struct{})
	var work sync.WaitGroup
	work.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Duration(rand.IntN(20)) * time.Millisecond): //nolint:gosec // a pause, no secret
			}
			_ = e.one(e.pours[rand.IntN(len(e.pours))], []float64{8, -6}[rand.IntN(2)]) //nolint:gosec // no secret
		}
	})
	something()
	close(stop)
	work.Wait()
}

// The database is killed again and again while alerts are decided and messages go
// out. Each time it comes back, what was committed is there, no transition is
// missing, everything is told that was to be, once, in order, in the words that
// are stored, and nothing else.
func TestDatabaseIsKilled(t *testing.T) {
	t.Parallel()
	m := newMortal(t)
	w := newWorldOn(t, m.server.ConnConfig(""))
	w.endpoint("one")
	w.receiver.answers(func(*http.Request, int) int {
		time.Sleep(time.Duration(rand.IntN(10)) * time.Millisecond) //nolint:gosec // a pause, no secret
		return http.StatusNoContent
	})
	replica := func(c *scheduler.Config) {
		c.Log, c.Members, c.Pace = nil, -1, alert.Pace{Window: 200 * time.Millisecond}
	}
	e := &edits{w: w, by: w.start(replica), wrote: map[uuid.UUID][]float64{}}
	w.start(replica)
	for n := range restarts(t) {
		e.pours = w.slabs(fmt.Sprint("Slab ", n), 8) // what went to and fro is damped, and makes few messages
		for _, id := range e.pours {
			require.NoError(t, e.one(id, 8))
		}
		e.during(func() {
			w.someMessage()
			time.Sleep(time.Duration(rand.IntN(200)) * time.Millisecond) //nolint:gosec // a moment, no secret
			m.kill()
		})
		w.db.Pool().Reset()
		began := time.Now()
		w.settled()
		e.requireKept()
		dbtest.RequireSound(t, w.db)
		told := w.requireTold()
		t.Logf("killed %d times, all told %s after the end of the edits: %d transitions by %d messages", n+1, time.Since(began).Round(10*time.Millisecond), told, len(w.receiver.accepted()))
	}
	require.NotZero(t, w.requireTold())
}

// slabs makes pours at the site, each with a crew of its own.
func (w *world) slabs(named string, n int) []uuid.UUID {
	w.t.Helper()
	ids := make([]uuid.UUID, n)
	w.tx(func(tx *db.Tx) error {
		for i := range ids {
			name := fmt.Sprint(named, " ", i)
			crew, err := tx.CreateCrew(w.t.Context(), everything, db.Crew{Name: name, DayStartsMin: 420, DayEndsMin: 1080, Days: []int16{1, 2, 3, 4, 5, 6}})
			if err != nil {
				return err
			}
			p := w.draft(name, wednesday.Add(42*time.Hour))
			p.CrewID = crew.ID
			if p, err = tx.CreatePour(w.t.Context(), everything, p); err != nil {
				return err
			}
			ids[i] = p.ID
		}
		return nil
	})
	return ids
}

// someMessage waits until one more message was taken, or for a time without any.
func (w *world) someMessage() {
	before := len(w.receiver.accepted())
	for end := time.Now().Add(5 * time.Second); len(w.receiver.accepted()) == before && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
}

// settled waits until each pour is assessed as it was last edited and all is told.
func (w *world) settled() {
	w.t.Helper()
	w.until("all is assessed and told", 30*time.Second, func() bool {
		return w.count(`select (select count(*) from river_job where kind in ('assess', 'deliver') and state in ('available', 'running', 'retryable', 'scheduled', 'pending'))
			+ (select count(*) from tellings where state = 'waiting') + (select count(*) from deliveries where state = 'pending')`) == 0
	})
}

// requireKept holds the pours against what was committed.
func (e *edits) requireKept() {
	e.w.t.Helper()
	for id, wrote := range e.wrote {
		p := e.w.stored(id)
		require.Contains(e.w.t, wrote, p.Base.Temps[0].TempC, "a committed edit is lost")
		require.Equal(e.w.t, p.Base.Temps[0].TempC < 0, p.Verdict == rules.Move, "it is assessed as it was last edited")
	}
}

// A said is one transition of an alert, as messages tell it.
type said struct {
	alert      uuid.UUID
	transition int
}

// says is all that a message tells of alerts.
func (d delivered) says() (all []said) {
	for _, c := range d.event.Covers {
		all = append(all, said{c.AlertID, c.Transition})
	}
	if len(all) == 0 && d.event.Alert.ID != uuid.Nil {
		all = append(all, said{d.event.Alert.ID, d.event.Alert.Transition})
	}
	return all
}

// requireTold holds what was received against what is stored: each message in the
// stored words, nothing of an alert after what followed it, each transition that
// was to be told by the one message that its ruling names, and nothing else. It
// gives how many transitions were told.
func (w *world) requireTold() int {
	w.t.Helper()
	bodies := map[string]string{}
	latest, by := map[uuid.UUID]int{}, map[said]string{}
	for _, d := range w.receiver.accepted() {
		if _, again := bodies[d.id]; again {
			require.Equal(w.t, bodies[d.id], string(d.body), "the same id has the same bytes")
			continue
		}
		bodies[d.id] = string(d.body)
		for _, s := range d.says() {
			require.Greater(w.t, s.transition, latest[s.alert], "told after what followed it, or by two messages")
			latest[s.alert], by[s] = s.transition, d.id
		}
	}
	rows, err := w.db.Pool().Query(w.t.Context(), `select t.alert_id, t.transition, d.webhook_id, convert_from(d.body, 'UTF8')
		from tellings t join deliveries d on d.id = t.delivery_id where t.alert_id is not null and t.state = 'told'`)
	require.NoError(w.t, err)
	var s said
	var id, body string
	n := 0
	_, err = pgx.ForEachRow(rows, []any{&s.alert, &s.transition, &id, &body}, func() error {
		n++
		require.Equal(w.t, id, by[s], "transition %d of %s is told by the message that its ruling names", s.transition, s.alert)
		require.Equal(w.t, body, bodies[id], "told in the words that are stored")
		return nil
	})
	require.NoError(w.t, err)
	require.Len(w.t, by, n, "told what no ruling says")
	require.Zero(w.t, w.count("select count(*) from tellings where state = 'untold' and rule <> all($1)",
		[]string{alert.RuleChattering, alert.RuleNotTold, alert.RuleClearedYet}), "what is not told is so for a reason")
	return n
}
