package scheduler_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"
	"frostgate/scheduler/forecast/openmeteo"
	"frostgate/scheduler/forecast/replay"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	webhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	"github.com/stretchr/testify/require"
)

var (
	everything = db.Scope{}
	tester     = db.Actor{Name: "tester"}
)

// wednesday is when tests begin: the afternoon in Chicago before a pour.
var wednesday = time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)

// A clock runs at the usual pace from any time, can be set forward, and can be
// stopped where a test counts seconds that a slow machine would use up.
type clock struct {
	mu      sync.Mutex
	offset  time.Duration
	stopped time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.stopped.IsZero() {
		return c.stopped
	}
	return time.Now().Add(c.offset)
}

func (c *clock) Forward(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.offset += d; !c.stopped.IsZero() {
		c.stopped = c.stopped.Add(d)
	}
}

// Stop lets time pass by Forward alone.
func (c *clock) Stop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stopped = time.Now().Add(c.offset).Truncate(time.Microsecond)
}

// A world is a database, a weather service and a webhook receiver, with one
// site, plant, crew and mix to start from.
type world struct {
	t        testing.TB
	clock    *clock
	conn     *pgx.ConnConfig
	db       *db.DB
	weather  *replay.Server
	address  string // of the weather
	receiver *receiver
	site     db.Site
	plant    db.Plant
	crew     db.Crew
	mix      db.Mix
}

func newWorld(t testing.TB) *world {
	t.Helper()
	return newWorldOn(t, dbtest.NewConn(t))
}

// newWorldOn has its records in a migrated database.
func newWorldOn(t testing.TB, conn *pgx.ConnConfig) *world {
	t.Helper()
	w := &world{t: t, clock: &clock{offset: time.Until(wednesday)}, conn: conn}
	w.db = dbtest.Open(t, db.Config{Conn: w.conn, Clock: w.clock.Now, MaxConns: 16})
	w.weather = &replay.Server{Now: w.clock.Now}
	srv := httptest.NewServer(w.weather)
	t.Cleanup(srv.Close)
	w.address = srv.URL
	w.mild()
	w.receiver = newReceiver(t)
	w.makeRecords()
	return w
}

func (w *world) makeRecords() {
	w.tx(func(tx *db.Tx) (err error) {
		if w.site, err = w.newSite(tx, "Mill Road", 42, -88); err != nil {
			return err
		}
		if w.plant, err = tx.CreatePlant(w.t.Context(), everything, db.Plant{Name: "Quarry"}); err != nil {
			return err
		}
		w.crew, err = tx.CreateCrew(w.t.Context(), everything, db.Crew{Name: "North", DayStartsMin: 420, DayEndsMin: 1080, Days: []int16{1, 2, 3, 4, 5, 6}})
		if err != nil {
			return err
		}
		w.mix, err = tx.CreateMix(w.t.Context(), everything, db.Mix{Name: "4000", Mix: rules.Mix{
			CementType: "I/II", CementKgM3: 332, WaterKgM3: 160, AggregateKgM3: 1850, StrengthMPa: 27.6,
		}})
		return err
	})
}

func (w *world) newSite(tx *db.Tx, name string, latitude, longitude float64) (db.Site, error) {
	return tx.CreateSite(w.t.Context(), everything, db.Site{Name: name, Site: rules.Site{
		Latitude: latitude, Longitude: longitude, ElevationM: 220, Timezone: "America/Chicago",
	}})
}

func (w *world) tx(fn func(tx *db.Tx) error) {
	w.t.Helper()
	require.NoError(w.t, w.db.Tx(w.t.Context(), tester, fn))
}

// place has the sample's weather, warmer by some degrees, at all heights of the
// dew point below it.
func place(name string, latitude, longitude, warmerC float64) replay.Place {
	p := replay.Sample()
	p.Name, p.Latitude, p.Longitude = name, latitude, longitude
	sample := p.Hour
	p.Hour = func(at time.Time) forecast.Hour {
		h := sample(at)
		h.AirTempC, h.DewPointC = new(*h.AirTempC+warmerC), new(*h.DewPointC+warmerC)
		if warmerC > 0 {
			h.PrecipMM, h.PrecipType, h.SnowDepthM = new(0.0), "none", new(0.0)
			h.SnowfallSWEMM, h.SnowfallDepthM = new(0.0), new(0.0)
		}
		return h
	}
	return p
}

// cold is weather in which nothing can be placed: the base is frozen and stays.
func (w *world) cold() { w.weather.SetPlaces(place("Mill Road", 42, -88, -6)) }

// mild is weather in which all can be placed.
func (w *world) mild() { w.weather.SetPlaces(place("Mill Road", 42, -88, 20)) }

// newScheduler makes a replica on a pool of its own.
func (w *world) newScheduler(change func(*scheduler.Config)) *scheduler.Scheduler {
	w.t.Helper()
	d := dbtest.Open(w.t, db.Config{Conn: w.conn, Clock: w.clock.Now, MaxConns: 12})
	cfg, err := replicaOn(d, w.address, w.clock)
	require.NoError(w.t, err)
	cfg.Log = testLog(w.t)
	if change != nil {
		change(&cfg)
	}
	s, err := scheduler.New(cfg)
	require.NoError(w.t, err)
	return s
}

// replicaOn is the configuration of a replica on a database and a weather
// service.
func replicaOn(d *db.DB, address string, c *clock) (scheduler.Config, error) {
	budget := scheduler.NewBudget(d)
	client := forecast.NewClient(forecast.ClientConfig{
		Agent: "frostgate-test (test@example.org)", PlainHTTP: true, Now: c.Now, Turn: budget.Turn, Observe: budget.Observe,
		Header: 2 * time.Minute, Idle: time.Minute, // tests of silence set their own
	})
	source, err := openmeteo.New(openmeteo.Config{Client: client, BaseURL: address, Now: c.Now})
	return scheduler.Config{
		DB: d, Clock: c.Now, Sources: []forecast.Source{source}, Budget: budget,
		Guard: alert.Guard{Allow: alert.Loopback}, PublicURL: "https://frostgate.example", Members: 11,
	}, err
}

// start runs a replica for the length of the test.
func (w *world) start(change func(*scheduler.Config)) *scheduler.Scheduler {
	w.t.Helper()
	s := w.newScheduler(change)
	require.NoError(w.t, s.Start(w.t.Context()))
	w.t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := s.Stop(ctx); err != nil {
			w.t.Error(err)
		}
	})
	return s
}

// testLog shows warnings and worse of a failed test.
func testLog(t testing.TB) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))
}

// pour makes a slab that starts at a time, and has it assessed.
func (w *world) pour(s *scheduler.Scheduler, name string, start time.Time) (p db.Pour) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) (err error) {
		p, err = tx.CreatePour(w.t.Context(), everything, w.draft(name, start))
		if err != nil {
			return err
		}
		return s.EnqueueAssess(w.t.Context(), tx, p.ID)
	})
	return p
}

func (w *world) draft(name string, start time.Time) db.Pour {
	return db.Pour{
		Name: name, SiteID: w.site.ID, PlantID: w.plant.ID, CrewID: w.crew.ID, MixID: w.mix.ID,
		Element: rules.SlabOnGround, ThicknessMM: 125, AreaM2: 70, Reinforced: true, ServiceCategory: 2,
		Base: rules.Base{Material: "gravel", DepthMM: 150}, StartsAt: start, OccupiedUntil: start.Add(9 * time.Hour),
	}
}

// endpoint sends to the receiver.
func (w *world) endpoint(name string) (e db.Endpoint) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) (err error) {
		e, err = tx.CreateEndpoint(w.t.Context(), db.Endpoint{Name: name, Kind: "standard"}, w.receiver.url+"/"+name, w.receiver.secret)
		return err
	})
	return e
}

// refresh has the weather pulled anew, as if the hour had come.
func (w *world) refresh(s *scheduler.Scheduler) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) error { return s.Refresh(w.t.Context(), tx) })
}

// patience is for the race detector on a slow machine with other work: a wait
// that succeeds ends at once.
const patience = 4

func patient(within time.Duration) time.Duration { return max(patience*within, 2*time.Minute) }

// until waits for something to become true.
func (w *world) until(what string, within time.Duration, is func() bool) {
	w.t.Helper()
	deadline := time.Now().Add(patient(within))
	for !is() {
		if time.Now().After(deadline) {
			w.t.Fatalf("not within %s: %s\n%s", patient(within), what, w.state())
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// state tells where things stand, for a test that waits in vain.
func (w *world) state() string {
	var b strings.Builder
	for _, sql := range []string{
		"select concat_ws(' ', kind, state, count(*), max(array_to_string(errors, ' '))) from river_job group by kind, state order by 1",
		"select concat_ws(' ', key, next_due_at, failures, last_error, fetched_at, latest_issued_at, etag) from cells limit 5",
		"select concat_ws(' ', verdict, worst_rule, assessed_at) from pours limit 5",
		"select concat_ws(' ', state, reason, attempts, count(*)) from deliveries group by state, reason, attempts",
	} {
		rows, err := w.db.Pool().Query(w.t.Context(), sql)
		if err != nil {
			return err.Error()
		}
		lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
		fmt.Fprintln(&b, strings.Join(lines, "\n"), err)
	}
	return b.String()
}

func (w *world) stored(id uuid.UUID) db.Pour {
	w.t.Helper()
	p, err := w.db.Pour(w.t.Context(), everything, id)
	require.NoError(w.t, err)
	return p
}

// verdict waits for one.
func (w *world) verdict(id uuid.UUID, want rules.Verdict) db.Pour {
	w.t.Helper()
	w.until(fmt.Sprintf("verdict %s (is %q: %s)", want, w.stored(id).Verdict, w.stored(id).WorstReason), 15*time.Second, func() bool { return w.stored(id).Verdict == want })
	return w.stored(id)
}

func (w *world) alerts() []db.AlertLine {
	w.t.Helper()
	list, err := w.db.Alerts(w.t.Context(), everything, db.AlertFilter{}, db.Page{Limit: 1000})
	require.NoError(w.t, err)
	return list.Items
}

// count is the answer to a question with one number.
func (w *world) count(sql string, args ...any) (n int) {
	w.t.Helper()
	require.NoError(w.t, w.db.Pool().QueryRow(w.t.Context(), sql, args...).Scan(&n))
	return n
}

// invariants hold after every run, whatever happened (I1 to I6 of the service's
// reliability goals): transitions without gaps that take turns, one notice per
// transition, no delivery stuck, and at the receiver as many ids as notices, each
// with one body.
func (w *world) invariants() {
	w.t.Helper()
	for _, a := range w.alerts() {
		transitions, err := w.db.Transitions(w.t.Context(), everything, a.ID)
		require.NoError(w.t, err)
		raised := false
		for i, tr := range transitions {
			require.Equal(w.t, i+1, tr.Number, "numbers have no gap")
			require.Equal(w.t, tr.Event != alert.EventCleared, tr.Condition == string(alert.Raised))
			if tr.Event == alert.EventRaised {
				require.False(w.t, raised, "raised while raised")
			} else {
				require.True(w.t, raised, "%s while not raised", tr.Event)
			}
			raised = tr.Condition == string(alert.Raised)
		}
		require.Equal(w.t, len(transitions), a.Transition)
	}
	require.Equal(w.t, w.count("select count(*) from alert_transitions"), w.count("select count(*) from notices where alert_id is not null"), "one notice per transition")
	require.Zero(w.t, w.count("select count(*) from deliveries where state = 'pending' and claimed_until < $1", w.clock.Now().Add(-30*time.Second)))
}

// A receiver is a webhook endpoint that checks signatures with the
// specification's own library.
type receiver struct {
	url    string
	secret string
	header http.Header // of every answer

	mu     sync.Mutex
	got    []delivered
	answer func(r *http.Request, attempt int) int // status by attempt at an id, from 1; nil is 204
	tries  map[string]int
}

// A delivered message was accepted by the receiver.
type delivered struct {
	id, path string
	at       time.Time
	body     []byte
	event    alert.Event
}

func newReceiver(t testing.TB) *receiver {
	t.Helper()
	r := &receiver{secret: alert.NewSecret(), tries: map[string]int{}}
	srv := httptest.NewServer(r)
	t.Cleanup(srv.Close)
	r.url = srv.URL
	return r
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	hook, hookErr := webhooks.NewWebhook(r.secret)
	if err != nil || hookErr != nil || hook.VerifyIgnoringTimestamp(body, req.Header) != nil { // the test's clock is not the library's
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	d := delivered{id: req.Header.Get("webhook-id"), path: strings.Trim(req.URL.Path, "/"), at: time.Now(), body: body}
	if json.Unmarshal(body, &d.event) != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	r.mu.Lock()
	r.tries[d.id]++
	attempt, answer := r.tries[d.id], r.answer
	r.mu.Unlock()
	status := http.StatusNoContent
	if answer != nil {
		status = answer(req, attempt)
	}
	r.mu.Lock()
	if status < 300 {
		r.got = append(r.got, d)
	}
	r.mu.Unlock()
	maps.Copy(w.Header(), r.header)
	w.WriteHeader(status)
}

func (r *receiver) answers(answer func(req *http.Request, attempt int) int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.answer = answer
}

// accepted is what was accepted but for what the clock has to say.
func (r *receiver) accepted() []delivered {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.DeleteFunc(slices.Clone(r.got), func(d delivered) bool { return d.event.Call != nil || d.event.Digest != nil })
}

// events are what was accepted, in order, in short.
func (r *receiver) events() string {
	var names []string
	for _, d := range r.accepted() {
		names = append(names, strings.TrimPrefix(d.event.Type, "alert."))
	}
	return strings.Join(names, " ")
}
