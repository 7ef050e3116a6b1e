package scheduler_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast/replay"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// replicaEnv makes the test program a replica: what a kill test starts and kills.
const replicaEnv = "FROSTGATE_TEST_REPLICA"

type replicaOrder struct {
	Database, Weather string
	Offset            time.Duration
}

func TestMain(m *testing.M) {
	if order := os.Getenv(replicaEnv); order != "" {
		if err := beReplica(order); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

func beReplica(text string) error {
	var order replicaOrder
	if err := json.Unmarshal([]byte(text), &order); err != nil {
		return err
	}
	conn, err := pgx.ParseConfig(order.Database)
	if err != nil {
		return err
	}
	c := &clock{offset: order.Offset}
	d, err := db.Open(context.Background(), db.Config{Conn: conn, Clock: c.Now, MaxConns: 8, Key: dbtest.Key})
	if err != nil {
		return err
	}
	cfg, err := replicaOn(d, order.Weather, c)
	if err != nil {
		return err
	}
	cfg.SilentFor = 3 * time.Second
	s, err := scheduler.New(cfg)
	if err != nil {
		return err
	}
	if err := s.Start(context.Background()); err != nil {
		return err
	}
	select {} // until killed
}

// spawn starts a replica in a process of its own.
func (w *world) spawn() *exec.Cmd {
	w.t.Helper()
	conn := w.conn
	order, err := json.Marshal(replicaOrder{
		Database: fmt.Sprintf("host=%s port=%d user=%s password='%s' dbname=%s sslmode=disable", conn.Host, conn.Port, conn.User, conn.Password, conn.Database),
		Weather:  w.address, Offset: time.Until(w.clock.Now()),
	})
	require.NoError(w.t, err)
	cmd := exec.Command(os.Args[0], "-test.run=^$") //nolint:gosec,noctx // this very program; killed by the test
	cmd.Env = append(os.Environ(), replicaEnv+"="+string(order))
	cmd.Stderr = w.t.Output()
	require.NoError(w.t, cmd.Start())
	w.t.Cleanup(func() { kill(cmd) })
	return cmd
}

// kill is SIGKILL, and waits for the end.
func kill(cmd *exec.Cmd) {
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
}

// manySites makes sites with one pour each, all bad, and gives the pours.
func (w *world) manySites(enqueue func(*db.Tx, uuid.UUID) error, n int) []uuid.UUID {
	w.t.Helper()
	places := make([]replay.Place, n)
	for i := range places {
		places[i] = place(fmt.Sprintf("Site %d", i), 40+float64(i)*0.1, -88, -6)
	}
	w.weather.SetPlaces(places...) // before anybody asks for it
	pours := make([]uuid.UUID, n)
	w.tx(func(tx *db.Tx) error {
		for i := range n {
			name := places[i].Name
			site, err := w.newSite(tx, name, places[i].Latitude, -88)
			if err != nil {
				return err
			}
			crew, err := tx.CreateCrew(w.t.Context(), everything, db.Crew{Name: name, DayStartsMin: 420, DayEndsMin: 1080, Days: []int16{1, 2, 3, 4, 5}})
			if err != nil {
				return err
			}
			p := w.draft(name, wednesday.Add(42*time.Hour))
			p.SiteID, p.CrewID = site.ID, crew.ID
			if p, err = tx.CreatePour(w.t.Context(), everything, p); err != nil {
				return err
			}
			pours[i] = p.ID
			if err := enqueue(tx, p.ID); err != nil {
				return err
			}
		}
		return nil
	})
	return pours
}

func nothing(*db.Tx, uuid.UUID) error { return nil }

// Three replicas on one database: every cell is asked once, every alert raised
// once, every notice sent once to each endpoint.
func TestReplicasDoNothingTwice(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	const pours = 130 // two batches of cells
	w.manySites(nothing, pours)
	w.endpoint("one")
	w.endpoint("two")
	replicas := make([]*scheduler.Scheduler, 3)
	for i := range replicas {
		replicas[i] = w.newScheduler(nil)
	}
	for _, s := range replicas {
		go func() {
			if err := s.Start(context.Background()); err != nil {
				t.Error(err)
			}
		}()
	}
	w.until("all notices", 60*time.Second, func() bool { return len(w.receiver.accepted()) >= 2*pours })
	time.Sleep(1500 * time.Millisecond) // whoever wants to do something twice has had the time
	for _, s := range replicas {
		require.NoError(t, s.Stop(t.Context()))
	}
	require.Len(t, w.receiver.accepted(), 2*pours)
	ids := map[string]bool{}
	for _, d := range w.receiver.accepted() {
		require.False(t, ids[d.id], "one id was sent twice")
		ids[d.id] = true
		require.Equal(t, alert.EventRaised, d.event.Type)
	}
	require.Equal(t, 2*pours, w.count("select count(*) from attempts"))
	require.Equal(t, pours, w.count("select count(*) from issues"))
	require.Equal(t, pours, w.count("select count(*) from river_job, jsonb_array_elements(args -> 'cell_ids') where kind = 'pull'"), "every cell is asked once")
	// Two batches, and the run of the model before each of them at most.
	require.LessOrEqual(t, w.weather.Answers(replay.OpenMeteo), 4)
	require.Equal(t, pours, w.count("select count(*) from assessments where verdict = 'move'"))
	require.Equal(t, w.count("select count(*) from river_job where kind = 'tick'"),
		w.count("select count(distinct args) from river_job where kind = 'tick'"), "one job per slot")
	require.Zero(t, w.count("select count(*) from replicas"), "all left with a word")
	w.invariants()
}

// What a replica was at when it was killed goes on elsewhere within 10 s.
func TestKilledReplicaIsReplaced(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.manySites(nothing, 40)
	w.endpoint("one")
	arrived, killed := make(chan struct{}, 100), make(chan struct{})
	w.receiver.answers(func(*http.Request, int) int {
		arrived <- struct{}{}
		<-killed // the first replica dies while it waits for an answer
		return http.StatusNoContent
	})
	first := w.spawn()
	select {
	case <-arrived:
	case <-time.After(patient(60 * time.Second)):
		t.Fatal("the first replica sends nothing")
	}
	second := w.spawn()
	w.until("the second replica runs", 10*time.Second, func() bool { return w.count("select count(*) from replicas") == 2 })
	kill(first)
	died := time.Now()
	orphans := w.orphansOfFirst()
	w.receiver.answers(nil)
	close(killed)
	w.until("what it was at goes on", 15*time.Second, func() bool {
		return w.count("select count(*) from deliveries where id = any($1) and state = 'accepted'", orphans) == len(orphans)
	})
	t.Logf("%d orphans delivered %s after the kill", len(orphans), time.Since(died).Round(10*time.Millisecond))
	w.until("all are told", 30*time.Second, func() bool { return w.count("select count(*) from deliveries where state = 'accepted'") == 40 })
	kill(second)
	w.invariants()
}

// orphansOfFirst are the deliveries that the replica which started first had
// claimed.
func (w *world) orphansOfFirst() []uuid.UUID {
	w.t.Helper()
	rows, err := w.db.Pool().Query(w.t.Context(), `select id from deliveries
		where state = 'pending' and claimed_by = (select id from replicas order by started_at limit 1)`)
	require.NoError(w.t, err)
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	require.NoError(w.t, err)
	require.NotEmpty(w.t, ids)
	return ids
}

// Replicas are killed again and again at random moments. No alert is lost, and
// what is sent again has the same id and the same bytes.
func TestKillsLoseNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	t.Parallel()
	w := newWorld(t)
	const pours, kills = 60, 12
	w.manySites(nothing, pours)
	w.endpoint("one")
	bodies := map[string]string{}
	for range kills {
		cmd := w.spawn()
		time.Sleep(300*time.Millisecond + time.Duration(rand.IntN(1200))*time.Millisecond) //nolint:gosec // a moment, no secret
		kill(cmd)
	}
	survivor := w.spawn()
	w.until("all are told", 90*time.Second, func() bool {
		return w.count("select count(*) from deliveries where state = 'accepted'") == pours
	})
	kill(survivor)
	for _, d := range w.receiver.accepted() {
		if body, again := bodies[d.id]; again {
			require.Equal(t, body, string(d.body), "the same id has the same bytes")
		}
		bodies[d.id] = string(d.body)
	}
	require.Len(t, bodies, pours)
	repeats := len(w.receiver.accepted()) - pours
	require.LessOrEqual(t, repeats, kills*4, "at most what one replica had on the way")
	t.Logf("%d kills, %d alerts, %d repeats", kills, pours, repeats)
	require.Equal(t, pours, w.count("select count(*) from alert_transitions"))
	w.invariants()
}

// A pour is assessed by one replica at a time, so that the later one decides.
func TestVerdictsAreInOrder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.cold()
	a, b := w.start(nil), w.start(nil)
	p := w.pour(a, "Slab", wednesday.Add(42*time.Hour))
	w.verdict(p.ID, rules.Move)
	for i := range 20 {
		s := a
		if i%2 == 1 {
			s = b
		}
		w.tx(func(tx *db.Tx) error {
			p, err := tx.Pour(t.Context(), everything, p.ID)
			if err != nil {
				return err
			}
			p.Note = fmt.Sprint("edit ", i)
			p.ThicknessMM = 100 + float64(i)
			if _, err := tx.UpdatePour(t.Context(), everything, p); err != nil {
				return err
			}
			return s.EnqueueAssess(t.Context(), tx, p.ID)
		})
	}
	w.until("the last edit is assessed", 20*time.Second, func() bool {
		return w.count("select count(*) from pours p join assessments a on a.id = p.assessment_id where a.pour_version = p.version") == 1 &&
			w.count("select count(*) from river_job where kind = 'assess' and state in ('available', 'running', 'retryable')") == 0
	})
	require.Equal(t, 1, w.count("select count(*) from alert_transitions"), "edits that change nothing of the verdict are no news")
	w.invariants()
}

// A replica that is paused for longer than it may be silent is replaced; what it
// does when it wakes does not count, and people see at most the same message
// again.
func TestPausedReplicaComesTooLate(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.manySites(nothing, 20)
	w.endpoint("one")
	arrived, woken := make(chan struct{}, 100), make(chan struct{})
	w.receiver.answers(func(*http.Request, int) int {
		arrived <- struct{}{}
		<-woken
		return http.StatusNoContent
	})
	first := w.spawn()
	select {
	case <-arrived:
	case <-time.After(patient(60 * time.Second)):
		t.Fatal("the first replica sends nothing")
	}
	time.Sleep(100 * time.Millisecond)
	require.NoError(t, first.Process.Signal(syscall.SIGSTOP))
	orphans := w.orphansOfFirst()
	w.receiver.answers(nil)
	second := w.spawn()
	w.until("the second does it all", 30*time.Second, func() bool {
		return w.count("select count(*) from deliveries where id = any($1) and state = 'accepted' and attempts = 2", orphans) == len(orphans)
	})
	close(woken)
	require.NoError(t, first.Process.Signal(syscall.SIGCONT))
	time.Sleep(2 * time.Second) // it wakes, and records what is no longer its own
	w.until("all are told", 30*time.Second, func() bool { return w.count("select count(*) from deliveries where state = 'accepted'") == 20 })
	require.Equal(t, 20, w.count("select count(*) from attempts"), "one that counts for each")
	require.Zero(t, w.count("select count(*) from attempts t join deliveries d on d.id = t.delivery_id where d.id = any($1) and t.number <> 2", orphans))
	kill(first)
	kill(second)
	w.invariants()
}

// All connections to the database are cut again and again under work. Nothing is
// lost, nothing is decided twice.
func TestConnectionsAreCut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.endpoint("one")
	quiet := func(c *scheduler.Config) { c.Log = nil }
	a, b := w.newScheduler(quiet), w.newScheduler(quiet)
	w.manySites(nothing, 60)
	for _, s := range []*scheduler.Scheduler{a, b} {
		require.NoError(t, s.Start(t.Context()))
		t.Cleanup(func() { _ = s.Stop(context.Background()) })
	}
	admin, err := pgx.ConnectConfig(t.Context(), w.conn)
	require.NoError(t, err)
	defer admin.Close(context.Background()) //nolint:errcheck // the test is over
	for range 15 {
		time.Sleep(200 * time.Millisecond)
		_, err := admin.Exec(t.Context(), "select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()")
		require.NoError(t, err)
	}
	deadline := time.Now().Add(60 * time.Second)
	for accepted := 0; accepted < 60; {
		require.True(t, time.Now().Before(deadline), "%d of 60 accepted", accepted)
		time.Sleep(50 * time.Millisecond)
		require.NoError(t, admin.QueryRow(t.Context(), "select count(*) from deliveries where state = 'accepted'").Scan(&accepted))
	}
	ids := map[string]bool{}
	for _, d := range w.receiver.accepted() {
		ids[d.id] = true
	}
	require.Len(t, ids, 60)
	require.Equal(t, 60, w.count("select count(*) from alert_transitions"))
	w.invariants()
}
