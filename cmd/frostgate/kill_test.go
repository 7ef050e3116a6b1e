package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"frostgate/api"
	"frostgate/cmd/frostgate/demo"
	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// kills is how often the program is killed; `make chaos` asks for more.
func kills(t *testing.T) int {
	t.Helper()
	text := os.Getenv("FROSTGATE_KILLS")
	if text == "" {
		return 20
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err)
	return n
}

// startChild runs the program as a process of its own until it answers.
func (w *world) startChild(t *testing.T, out *printed) *exec.Cmd {
	t.Helper()
	child := exec.Command(os.Args[0], w.args...)
	child.Env = append(os.Environ(), asProgram+"=1")
	child.Stdout, child.Stderr = out, out
	require.NoError(t, child.Start())
	t.Cleanup(func() { _ = child.Process.Kill() })
	eventually(t, 2*time.Minute, "ready: "+out.String(), func() bool {
		answer, err := http.Get(w.url() + "/readyz")
		if err != nil {
			return false
		}
		defer answer.Body.Close() //nolint:errcheck // only its status counts
		return answer.StatusCode == http.StatusOK
	})
	return child
}

// rehearsal is a program that is killed again and again while pours go bad and get well, and what is known of it
// outside: what was answered, what was received.
type rehearsal struct {
	*world
	t      *testing.T
	random *rand.Rand
	out    printed
	child  *exec.Cmd
	client demo.Client
	places slabAt

	pours   []uuid.UUID
	wrote   map[uuid.UUID][]float64 // base temperatures a pour may have: the last that was answered, and those tried since
	checked int                     // messages
	bodies  map[string][]byte       // of messages, by id
	latest  map[uuid.UUID]int       // transition that was told, by alert
}

const mostMessages = 10

// newRehearsal starts the program with what comes in a second gathered, and the usual guard against floods.
func newRehearsal(t *testing.T) *rehearsal {
	t.Helper()
	r := &rehearsal{
		world: newWorld(t), t: t, random: rand.New(rand.NewPCG(1, 2)),
		wrote: map[uuid.UUID][]float64{}, bodies: map[string][]byte{}, latest: map[uuid.UUID]int{},
	}
	r.setWeather(goodDay)
	r.pace(time.Second, mostMessages)
	r.child = r.startChild(t, &r.out)
	eventually(t, time.Minute, "a token", func() bool { return firstToken(r.out.String()) != "" })
	r.client = demo.Client{URL: r.url(), Token: firstToken(r.out.String())}
	r.trust(t, r.client)
	r.places = enterPlaces(t, r.client)
	return r
}

// pace sets how messages are gathered from the next start on.
func (r *rehearsal) pace(window time.Duration, most int) {
	r.args = slices.DeleteFunc(r.args, func(a string) bool {
		return strings.HasPrefix(a, "--group-window=") || strings.HasPrefix(a, "--most-messages=")
	})
	r.args = append(r.args, "--group-window="+window.String(), fmt.Sprint("--most-messages=", most))
}

// How long before the start it is: a pour is critical, major or minor by that.
var ahead = []time.Duration{3 * time.Hour, 26 * time.Hour, 60 * time.Hour}

// enter makes one pour more, with a crew of its own. The answer may never come.
func (r *rehearsal) enter() {
	n := len(r.pours)
	var crew, pour api.Saved
	if r.client.Post(r.t.Context(), "/v1/crews", api.CrewForm{Name: "Crew " + uuid.NewString(), DayStarts: "00:00", DayEnds: "24:00"}, &crew) != nil {
		return
	}
	form := r.places.form(fmt.Sprint("Bay ", n), time.Now().Add(ahead[n%len(ahead)]).Truncate(time.Hour))
	form.CrewID = crew.ID
	if r.client.Post(r.t.Context(), "/v1/pours", form, &pour) == nil {
		r.pours = append(r.pours, pour.ID)
		r.wrote[pour.ID] = []float64{form.Base.Temps[0].TempC}
	}
}

// edit makes the ground under a pour warm or frozen.
func (r *rehearsal) edit(pour uuid.UUID, tempC float64) error {
	r.wrote[pour] = append(r.wrote[pour], tempC)
	err := setBase(r.t, r.client, pour, tempC)
	if err == nil {
		r.wrote[pour] = []float64{tempC}
	}
	return err
}

// workUntilKilled enters and edits, the newest pours most, until the program is killed in the midst of it, and starts
// it again.
func (r *rehearsal) workUntilKilled(moment func()) {
	var stop atomic.Bool
	var work sync.WaitGroup
	work.Go(func() {
		r.enter()
		for !stop.Load() {
			if recent := r.pours[max(0, len(r.pours)-4):]; len(recent) > 0 {
				_ = r.edit(recent[r.random.IntN(len(recent))], []float64{8, -6}[r.random.IntN(2)]) // the kill may come before the answer
			}
			time.Sleep(time.Duration(r.random.IntN(60)) * time.Millisecond)
		}
	})
	moment()
	require.NoError(r.t, r.child.Process.Kill())
	stop.Store(true)
	_ = r.child.Wait() // killed
	work.Wait()
	r.child = r.startChild(r.t, &r.out)
}

// anyMoment is one soon after the start.
func anyMoment() {
	time.Sleep(time.Duration(rand.IntN(1200)) * time.Millisecond) //nolint:gosec // a moment, no secret
}

// nextMessage is when a message comes in, whose answer the program has not stored yet, or a time without any.
func (r *rehearsal) nextMessage() {
	for len(r.receiver.Heard()) > 0 {
		<-r.receiver.Heard()
	}
	select {
	case <-r.receiver.Heard():
	case <-time.After(5 * time.Second):
	}
}

// look opens the program's own database.
func (r *rehearsal) look() *db.DB {
	folder := strings.TrimPrefix(r.args[1], "--data=")
	d, err := db.Open(r.t.Context(), db.Config{
		URL: "user=postgres dbname=frostgate sslmode=disable host=" + filepath.Join(folder, "postgres", "socket"), MaxConns: 2,
		Key: bytes.Repeat([]byte{1}, 32), // nothing sealed is read
	})
	require.NoError(r.t, err)
	return d
}

// The program is killed again and again while pours go bad and get well. After each kill all that was answered is
// there, no transition is missing or without its notice and its ruling, and what was received was stored before, in
// order and with the same bytes each time. In the end everything is told that was to be.
func TestKill(t *testing.T) {
	r := newRehearsal(t)
	for n := range kills(t) {
		if n%2 == 0 {
			r.workUntilKilled(anyMoment)
		} else {
			r.workUntilKilled(r.nextMessage)
		}
		d := r.look()
		r.invariants(d)
		d.Close()
		t.Logf("killed %d times, %d messages so far", n+1, len(r.receiver.Notices()))
	}
	r.end()
}

// invariants hold at any moment, while the program works.
func (r *rehearsal) invariants(d *db.DB) {
	t := r.t
	received := r.receiver.Notices()
	dbtest.RequireSound(t, d)
	r.requireWritten(d)
	stored := r.deliveries(d)
	for _, n := range received[r.checked:] {
		require.True(t, n.Verified)
		kept, ok := stored[n.ID]
		require.True(t, ok, "told and not stored: %s", n.Body)
		require.Equal(t, string(kept.body), string(n.Body), "told in other words than stored")
		r.requireInOrder(n)
		r.bodies[n.ID] = n.Body
	}
	r.checked = len(received)
	arrived := map[string]bool{}
	for _, n := range r.receiver.Notices() {
		arrived[n.ID] = true
	}
	for id, s := range stored {
		require.Contains(t, []string{"pending", "accepted"}, s.state)
		require.True(t, s.state != "accepted" || arrived[id], "never arrived: %s", s.body)
	}
}

type storedDelivery struct {
	state string
	body  []byte
}

func (r *rehearsal) deliveries(d *db.DB) map[string]storedDelivery {
	rows, err := d.Pool().Query(r.t.Context(), "select webhook_id, state, body from deliveries")
	require.NoError(r.t, err)
	all := map[string]storedDelivery{}
	var id string
	var s storedDelivery
	_, err = pgx.ForEachRow(rows, []any{&id, &s.state, &s.body}, func() error {
		all[id] = storedDelivery{s.state, bytes.Clone(s.body)}
		return nil
	})
	require.NoError(r.t, err)
	return all
}

// requireWritten holds a pour against what the API has answered: the last edit that was answered, or one that was on
// its way when the program was killed.
func (r *rehearsal) requireWritten(d *db.DB) {
	for _, id := range r.pours {
		p, err := d.Pour(r.t.Context(), db.Scope{}, id)
		require.NoError(r.t, err)
		require.Contains(r.t, r.wrote[id], p.Base.Temps[0].TempC, "an edit that was answered is lost")
	}
}

// told names what a message says: a transition of an alert.
type told struct {
	alert      uuid.UUID
	transition int
}

// toldBy is all that a message tells of alerts.
func toldBy(t *testing.T, n demo.Notice) (all []told) {
	t.Helper()
	e := eventOf(t, n)
	for _, c := range e.Covers {
		all = append(all, told{c.AlertID, c.Transition})
	}
	if len(all) == 0 && e.Alert.ID != uuid.Nil {
		all = append(all, told{e.Alert.ID, e.Alert.Transition})
	}
	return all
}

// requireInOrder holds a message against those before it: nothing is told after what followed it, unless it is the
// same message again.
func (r *rehearsal) requireInOrder(n demo.Notice) {
	_, again := r.bodies[n.ID]
	for _, s := range toldBy(r.t, n) {
		if again {
			require.GreaterOrEqual(r.t, s.transition, 1)
			continue
		}
		require.Greater(r.t, s.transition, r.latest[s.alert], "told after what followed it, or twice by two messages: %s", n.Body)
		r.latest[s.alert] = s.transition
	}
}

// end lets all pours be bad, the floods be over, and everything be told.
func (r *rehearsal) end() {
	t := r.t
	require.NoError(t, r.child.Process.Signal(syscall.SIGTERM))
	require.NoError(t, r.child.Wait(), r.out.String())
	r.pace(time.Second, 0)
	r.child = r.startChild(t, &r.out)
	r.pours = nil
	for _, p := range all[api.PourLine](t, r.client, "/v1/pours") { // also those whose entry was never answered
		r.pours = append(r.pours, p.ID)
		require.NoError(t, r.edit(p.ID, -6))
	}
	eventually(t, 5*time.Minute, "all pours to be moved", func() bool {
		lines := all[api.PourLine](t, r.client, "/v1/pours")
		return !slices.ContainsFunc(lines, func(p api.PourLine) bool { return p.Latest == nil || p.Latest.Verdict != rules.Move })
	})
	d := r.look()
	defer d.Close()
	eventually(t, 10*time.Minute, "everything to be told", func() bool {
		_, err := d.Pool().Exec(t.Context(), "update tellings set due_at = now() where state = 'waiting'") // ten minutes go by
		require.NoError(t, err)
		var open int
		require.NoError(t, d.Pool().QueryRow(t.Context(), `select (select count(*) from tellings where state = 'waiting' and alert_id is not null)
			+ (select count(*) from deliveries where state = 'pending')`).Scan(&open))
		return open == 0
	})
	r.invariants(d)
	r.requireAllTold(d)
	require.NoError(t, r.child.Process.Signal(syscall.SIGTERM))
	require.NoError(t, r.child.Wait(), r.out.String())
}

// requireAllTold holds what was received against the rulings: each transition that was to be told was, by the message
// that the ruling names, and no other; and what was not told is so for one of three reasons.
func (r *rehearsal) requireAllTold(d *db.DB) {
	t := r.t
	heard := map[told]string{}
	for id, body := range r.bodies {
		for _, s := range toldBy(t, demo.Notice{Body: body}) {
			heard[s] = id
		}
	}
	rows, err := d.Pool().Query(t.Context(), `select t.alert_id, t.transition, t.state, t.ruling, t.rule, coalesce(d.webhook_id, '')
		from tellings t left join deliveries d on d.id = t.delivery_id where t.alert_id is not null`)
	require.NoError(t, err)
	var s told
	var state, ruling, rule, id string
	untold, held, named := map[string]int{}, map[string]int{}, 0
	_, err = pgx.ForEachRow(rows, []any{&s.alert, &s.transition, &state, &ruling, &rule, &id}, func() error {
		if state == "told" {
			named++
			if ruling == string(alert.Hold) {
				held[rule]++
			}
			require.Equal(t, id, heard[s], "transition %d of %s was lost", s.transition, s.alert)
		} else {
			untold[rule]++
		}
		return nil
	})
	require.NoError(t, err)
	require.Len(t, heard, named, "told what no ruling says")
	for rule := range untold {
		require.Contains(t, []string{alert.RuleChattering, alert.RuleNotTold, alert.RuleClearedYet}, rule)
	}
	var raised int
	require.NoError(t, d.Pool().QueryRow(t.Context(), `select count(*) from pours p join alerts a on a.pour_id = p.id
		where a.condition = 'raised' or a.condition = 'arming' and a.wake_at is not null`).Scan(&raised))
	require.Equal(t, len(r.pours), raised, "each pour was bad in the end; what went to and fro takes its time to be raised again")
	t.Logf("%d pours, %d transitions told by %d messages, received %d times; held %v, not told %v", len(r.pours), named, len(r.bodies), len(r.receiver.Notices()), held, untold)
}

// setBase says how warm the ground under a pour is: below freezing it has to be moved.
func setBase(t *testing.T, c demo.Client, pour uuid.UUID, tempC float64) error {
	t.Helper()
	return c.Patch(t.Context(), "/v1/pours/"+pour.String(), map[string]any{"base": map[string]any{"temps_c": groundAt(tempC)}})
}

func groundAt(tempC float64) []rules.DepthTemp {
	return []rules.DepthTemp{{DepthMM: 0, TempC: tempC}, {DepthMM: 2000, TempC: tempC}}
}

// all reads every page of a list.
func all[T any](t *testing.T, c demo.Client, path string) []T {
	t.Helper()
	var list []T
	for next := path + "?limit=200"; next != ""; {
		var page struct{ Items []T }
		link, err := c.GetPage(t.Context(), next, &page)
		require.NoError(t, err)
		list, next = append(list, page.Items...), link
	}
	return list
}
