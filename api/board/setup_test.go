package board_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/api"
	"frostgate/api/access"
	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/rules"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

var (
	everything = db.Scope{}
	tester     = db.Actor{Name: "tester"}
)

// now is a Wednesday afternoon in Chicago, before two days of pours.
var now = time.Date(2027, 1, 13, 20, 10, 0, 0, time.UTC)

// A world is an invented firm in a database of its own, and the service before it.
type world struct {
	t        testing.TB
	db       *db.DB
	server   *httptest.Server
	site     db.Site
	plant    db.Plant
	crews    []db.Crew
	mix      db.Mix
	pours    map[string]db.Pour // by a short name of the test's
	alert    db.Alert
	endpoint db.Endpoint
	log      *logText
	assess   func(uuid.UUID) // called when a change asks for an assessment; may be nil
	dropped  context.CancelFunc
}

type logText struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// hostile is a name that would do harm where it is not shown as text: markup, a direction override and great length.
const hostile = `<script>alert("x")</script>'"><img src=//example.invalid/x> ` + "\u202e" + `txet`

func newWorld(t testing.TB, units rules.Units) *world {
	t.Helper()
	return newWorldOn(t, units, func(*http.Server) {})
}

// newWorldOn is newWorld on a server that is set up in some way.
func newWorldOn(t testing.TB, units rules.Units, change func(*http.Server)) *world {
	t.Helper()
	w := &world{t: t, pours: map[string]db.Pour{}, log: &logText{}}
	w.db = dbtest.Open(t, db.Config{Conn: dbtest.NewConn(t), Clock: func() time.Time { return now }, MaxConns: 12})
	w.tx(func(tx *db.Tx) error {
		firm, err := tx.Firm(t.Context())
		if err != nil {
			return err
		}
		firm.Name, firm.Units = "Lakeside Flatwork", units
		_, err = tx.UpdateFirm(t.Context(), firm)
		return err
	})
	handler, err := api.New(api.Config{
		AckLinks: true,
		DB:       w.db, Clock: func() time.Time { return now }, Version: "test", RequestsPerMinute: 1_000_000,
		Log: slog.New(slog.NewTextHandler(w.log, nil)),
		TryEndpoint: func(context.Context, uuid.UUID) (alert.Answer, error) {
			return alert.Answer{Outcome: alert.Accepted, Status: http.StatusNoContent}, nil
		},
		EnqueueAssess: func(_ context.Context, _ *db.Tx, pours ...uuid.UUID) error {
			if w.assess != nil {
				for _, id := range pours {
					w.assess(id)
				}
			}
			return nil
		},
	})
	require.NoError(t, err)
	w.server = httptest.NewUnstartedServer(handler)
	base, cancel := context.WithCancel(context.Background())
	w.dropped = cancel
	w.server.Config.BaseContext = baseOf(base)
	change(w.server.Config)
	w.server.Start()
	t.Cleanup(func() {
		cancel()
		w.server.Close()
		for line := range strings.Lines(w.log.String()) {
			if t.Failed() && strings.Contains(line, "level=ERROR") {
				t.Log(line)
			}
		}
	})
	return w
}

func (w *world) tx(fn func(tx *db.Tx) error) {
	w.t.Helper()
	require.NoError(w.t, w.db.Tx(w.t.Context(), tester, fn))
}

// stock makes the records and pours of an invented week.
func (w *world) stock() *world {
	w.t.Helper()
	ctx := w.t.Context()
	w.tx(func(tx *db.Tx) (err error) {
		w.site, err = tx.CreateSite(ctx, everything, db.Site{Name: "Mill Road hall", Address: "12 Mill Road", Site: rules.Site{
			Latitude: 42, Longitude: -88, ElevationM: 220, Timezone: "America/Chicago",
		}})
		if err != nil {
			return err
		}
		w.plant, err = tx.CreatePlant(ctx, everything, db.Plant{Name: "Quarry plant"})
		if err != nil {
			return err
		}
		for _, name := range []string{"North crew", "South crew", "Walls"} {
			crew, err := tx.CreateCrew(ctx, everything, db.Crew{Name: name, DayStartsMin: 420, DayEndsMin: 1080, Days: []int16{1, 2, 3, 4, 5, 6}})
			if err != nil {
				return err
			}
			w.crews = append(w.crews, crew)
		}
		w.mix, err = tx.CreateMix(ctx, everything, db.Mix{Name: "4000 winter", Mix: rules.Mix{
			CementType: "I/II", CementKgM3: 332, WaterKgM3: 160, AggregateKgM3: 1850, StrengthMPa: 27.6, SlumpMM: 100, AirPct: 6,
			Admixtures: []rules.Admixture{{Kind: "nonchloride_accelerator", DosePct: 1.5}},
		}})
		return err
	})
	thursday := time.Date(2027, 1, 14, 13, 0, 0, 0, time.UTC) // 7:00 at the site
	w.pour("protect", "Bay 3 slab", 0, thursday, 3)
	w.pour("move", hostile, 1, thursday.Add(time.Hour), -14)
	w.pour("place", "Bay 4 slab", 0, thursday.Add(24*time.Hour), 12)
	w.pour("new", "Loading dock", 2, thursday.Add(26*time.Hour), math.NaN())
	w.raise("move")
	w.tell()
	return w
}

// tell stores an endpoint and what went to it of the alert.
func (w *world) tell() {
	w.t.Helper()
	ctx := w.t.Context()
	w.tx(func(tx *db.Tx) (err error) {
		w.endpoint, err = tx.CreateEndpoint(ctx, db.Endpoint{Name: "Dispatch chat", Kind: "chat_text"}, "https://hooks.example.com/t/secret", "whsec_"+strings.Repeat("A", 32))
		if err != nil {
			return err
		}
		number := 1
		_, _, err = tx.CreateNotice(ctx, db.Notice{AlertID: &w.alert.ID, Transition: &number, Type: "alert.raised", Reason: "condition_met", Payload: []byte("{}")},
			[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: w.endpoint.ID, Severity: "major"}, ContentType: "application/json", Body: []byte(`{"text":"Move: the base is frozen."}`)}})
		return err
	})
}

// pour makes one and has it assessed in weather around a temperature; NaN leaves it without an assessment.
func (w *world) pour(key, name string, crew int, starts time.Time, aroundC float64) {
	w.t.Helper()
	ctx := w.t.Context()
	w.tx(func(tx *db.Tx) error {
		cancelBy := starts.Add(-3 * time.Hour)
		p, err := tx.CreatePour(ctx, everything, db.Pour{
			Name: name, SiteID: w.site.ID, PlantID: w.plant.ID, CrewID: w.crews[crew].ID, MixID: w.mix.ID,
			Element: rules.SlabOnGround, ThicknessMM: 127, AreaM2: 70, Reinforced: true, Base: rules.Base{Material: "gravel", DepthMM: 150},
			ProtectionAtHand: []rules.Cover{{RM2KW: 0.7, MaxLayers: 2}}, StartsAt: starts, OccupiedUntil: starts.Add(10 * time.Hour), CancelBy: &cancelBy,
		})
		w.pours[key] = p
		return err
	})
	if !math.IsNaN(aroundC) {
		w.judge(w.pours[key].ID, aroundC)
	}
}

// judge stores what the engine says of a pour in invented weather: a wave over the day, colder at night.
func (w *world) judge(id uuid.UUID, aroundC float64) rules.Assessment {
	w.t.Helper()
	ctx := w.t.Context()
	inputs, err := w.db.PourInputs(ctx, []uuid.UUID{id})
	require.NoError(w.t, err)
	firm, err := w.db.Firm(ctx)
	require.NoError(w.t, err)
	var hours []rules.Hour
	for at := now.Truncate(time.Hour).Add(-10 * 24 * time.Hour); at.Before(now.Add(9 * 24 * time.Hour)); at = at.Add(time.Hour) {
		air := aroundC + 4*math.Cos(2*math.Pi*float64(at.Hour()-20)/24)
		hours = append(hours, rules.Hour{
			At: at, AirTempC: new(air), DewPointC: new(air - 4), WindMS: new(3.0), Cloud: new(0.5), PrecipMM: new(0.0), SnowDepthM: new(0.0),
		})
	}
	c := scheduler.CaseOf(inputs[0], firm, scheduler.Weather{Hours: hours, Source: "invented", IssuedAt: now}, now)
	a := rules.Assess(c, rules.Options{Members: 21, Starts: rules.CandidateStarts(c)})
	document, err := json.Marshal(a)
	require.NoError(w.t, err)
	line := db.AssessmentLine{
		PourID: id, PourVersion: inputs[0].Pour.Version, At: now, Cause: "weather", Verdict: a.Verdict, WorstReason: a.Headline,
		InputsHash: make([]byte, 32), EngineVersion: rules.Engine, News: true, Severity: "warning",
	}
	if worst := a.Worst(); worst != nil {
		line.WorstRule, line.WorstReason, line.WorstProbability = worst.Rule, worst.Sentence, worst.Probability
	}
	for _, start := range a.Windows {
		if start.Verdict == rules.Place {
			line.NextWindowAt = &start.StartsAt
			break
		}
	}
	w.tx(func(tx *db.Tx) error {
		return tx.StoreAssessments(ctx, db.Assessment{AssessmentLine: line, Document: document})
	})
	return a
}

// raise puts an alert on a pour.
func (w *world) raise(key string) {
	w.t.Helper()
	id := w.pours[key].ID
	w.tx(func(tx *db.Tx) error {
		a, err := tx.LockAlert(w.t.Context(), db.Subject{PourID: &id}, "pour.move")
		if err != nil {
			return err
		}
		at := tx.Now()
		a.Condition, a.Severity, a.Verified, a.Episode, a.Reason, a.RaisedAt, a.OperatorState = "raised", "major", true, 1, "condition_met", &at, "none"
		a.Detail = []byte(`{"text": "Move: the base is frozen. Next good start: Sun 7:00 a.m."}`)
		w.alert, _, err = tx.Advance(w.t.Context(), a, db.Transition{Event: "alert.raised", Reason: a.Reason})
		return err
	})
}

// grant makes a token.
func (w *world) grant(role access.Role, scope db.Scope) (secret string) {
	w.t.Helper()
	w.tx(func(tx *db.Tx) (err error) {
		_, secret, err = access.Grant(w.t.Context(), tx, db.Token{Name: "Test " + string(role), Role: string(role), CrewIDs: scope.Crews, PlantIDs: scope.Plants})
		return err
	})
	return secret
}

// A browser keeps the cookie of one who signed in, and follows nothing by itself.
type browser struct {
	w      *world
	secret string
}

func (w *world) as(role access.Role) browser { return browser{w, w.grant(role, everything)} }

type answer struct {
	status int
	header http.Header
	body   string
}

func (b browser) get(path string) answer { return b.do(http.MethodGet, path, nil, nil) }

func (b browser) post(path string, form url.Values) answer {
	return b.do(http.MethodPost, path, form, map[string]string{"Sec-Fetch-Site": "same-origin"})
}

func (b browser) do(method, path string, form url.Values, header map[string]string) answer {
	b.w.t.Helper()
	request, err := http.NewRequestWithContext(b.w.t.Context(), method, b.w.server.URL+path, strings.NewReader(form.Encode()))
	require.NoError(b.w.t, err)
	if form != nil {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if b.secret != "" {
		request.AddCookie(&http.Cookie{Name: "frostgate", Value: b.secret})
	}
	for name, value := range header {
		request.Header.Set(name, value)
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	require.NoError(b.w.t, err)
	defer func() { _ = response.Body.Close() }()
	body, err := io.ReadAll(response.Body)
	require.NoError(b.w.t, err)
	return answer{response.StatusCode, response.Header, string(body)}
}
