package api

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/db/dbtest"
	"frostgate/scheduler/alert"

	"github.com/danielgtaylor/huma/v2"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// bundle is an API on a database of its own, with what tests ask of it.
type bundle struct {
	t   *testing.T
	api *API
	db  *db.DB
	log *logLines

	mu       sync.Mutex
	enqueued []uuid.UUID // pours that were to be assessed
	fail     error       // of the next enqueue

	dispatcher string // secret of a token
}

// logLines keeps what was logged.
type logLines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logLines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logLines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// errors are the lines of what went wrong on our side.
func (l *logLines) errors() string {
	var lines []string
	for line := range strings.Lines(l.String()) {
		if strings.Contains(line, "level=ERROR") {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "")
}

func setup(t *testing.T) *bundle { return setupWith(t, Config{}) }

func setupWith(t *testing.T, c Config) *bundle {
	t.Helper()
	b := &bundle{t: t, db: dbtest.New(t), log: &logLines{}}
	c.DB, c.EnqueueAssess = b.db, b.enqueue
	if c.TryEndpoint == nil {
		c.TryEndpoint = func(context.Context, uuid.UUID) (alert.Answer, error) {
			return alert.Answer{Outcome: alert.Retry, Status: 503, Response: "busy", Took: 20 * time.Millisecond}, nil
		}
	}
	c.Log = slog.New(slog.NewTextHandler(b.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	if c.RequestsPerMinute == 0 {
		c.RequestsPerMinute = 1_000_000
	}
	var err error
	b.api, err = New(c)
	require.NoError(t, err)
	b.dispatcher = b.grant(access.Dispatcher, db.Scope{})
	t.Cleanup(func() {
		if t.Failed() {
			t.Log(b.log.errors())
		}
	})
	return b
}

func (b *bundle) enqueue(_ context.Context, _ *db.Tx, pours ...uuid.UUID) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.enqueued = append(b.enqueued, pours...)
	return b.fail
}

// taken gives what was enqueued since the last call.
func (b *bundle) taken() []uuid.UUID {
	b.mu.Lock()
	defer b.mu.Unlock()
	taken := b.enqueued
	b.enqueued = nil
	return taken
}

// grant makes a token.
func (b *bundle) grant(role access.Role, scope db.Scope) string {
	b.t.Helper()
	var secret string
	err := b.db.Tx(b.t.Context(), db.Actor{Name: "test"}, func(tx *db.Tx) (err error) {
		_, secret, err = access.Grant(b.t.Context(), tx, db.Token{Name: string(role), Role: string(role), CrewIDs: scope.Crews, PlantIDs: scope.Plants})
		return err
	})
	require.NoError(b.t, err)
	return secret
}

// A call is one request; what is empty is left out.
type call struct {
	method, path string
	token        string // "" is the dispatcher's, "none" sends none
	body         any    // a string as it is, else as JSON
	header       map[string]string
}

// answer is what came back.
type answer struct {
	t      *testing.T
	status int
	header http.Header
	body   string
}

// do sends a request through the whole stack and checks that the answer is one that the OpenAPI document tells of.
func (b *bundle) do(c call) answer {
	b.t.Helper()
	request := httptest.NewRequestWithContext(b.t.Context(), c.method, c.path, bodyOf(b.t, c.body))
	switch c.token {
	case "":
		request.Header.Set("Authorization", "Bearer "+b.dispatcher)
	case "none":
	default:
		request.Header.Set("Authorization", "Bearer "+c.token)
	}
	if c.body != nil {
		request.Header.Set("Content-Type", map[bool]string{true: mediaPatch, false: mediaJSON}[c.method == http.MethodPatch])
	}
	for name, value := range c.header {
		request.Header.Set(name, value)
		if value == "" {
			request.Header.Del(name)
		}
	}
	recorder := httptest.NewRecorder()
	b.api.ServeHTTP(recorder, request)
	a := answer{t: b.t, status: recorder.Code, header: recorder.Result().Header, body: recorder.Body.String()}
	b.conforms(c, a)
	return a
}

func bodyOf(t *testing.T, body any) io.Reader {
	switch v := body.(type) {
	case nil:
		return http.NoBody
	case string:
		return strings.NewReader(v)
	}
	text, err := json.Marshal(body)
	require.NoError(t, err)
	return bytes.NewReader(text)
}

// conforms checks an answer against the document: a status that is told of there, and a body of its schema.
func (b *bundle) conforms(c call, a answer) {
	b.t.Helper()
	op := b.operationOf(c.method, c.path)
	if op == nil || c.method == http.MethodHead {
		return
	}
	response := b.resolved(op.Responses[strconv.Itoa(a.status)])
	require.NotNil(b.t, response, "%s %s answered %d, which its description does not tell of: %s", c.method, c.path, a.status, a.body)
	if a.body == "" {
		require.Empty(b.t, response.Content, "%s %s %d has no body", c.method, c.path, a.status)
		return
	}
	media, _, _ := strings.Cut(a.header.Get("Content-Type"), ";")
	content := response.Content[media]
	require.NotNil(b.t, content, "%s %s %d came as %s", c.method, c.path, a.status, media)
	if media == mediaCSV {
		return
	}
	var value any
	require.NoError(b.t, json.Unmarshal([]byte(a.body), &value))
	result := huma.ValidateResult{}
	path := huma.NewPathBuffer(nil, 0)
	path.Push("body")
	huma.Validate(b.api.huma.OpenAPI().Components.Schemas, content.Schema, path, huma.ModeReadFromServer, value, &result)
	require.Empty(b.t, result.Errors, "%s %s %d does not fit its schema: %s", c.method, c.path, a.status, a.body)
}

// resolved follows a reference to a shared response.
func (b *bundle) resolved(r *huma.Response) *huma.Response {
	if r == nil || r.Ref == "" {
		return r
	}
	return b.api.huma.OpenAPI().Components.Responses[strings.TrimPrefix(r.Ref, "#/components/responses/")]
}

// operationOf finds the operation behind a path.
func (b *bundle) operationOf(method, target string) *huma.Operation {
	path, _, _ := strings.Cut(target, "?")
	if b.api.huma.OpenAPI().Paths[path] != nil {
		return b.api.operation(method, path)
	}
	for pattern := range b.api.huma.OpenAPI().Paths {
		if fits(pattern, path) {
			return b.api.operation(method, pattern)
		}
	}
	return nil
}

func fits(pattern, path string) bool {
	want, have := strings.Split(pattern, "/"), strings.Split(path, "/")
	return len(want) == len(have) && !slices.ContainsFunc(slices.Collect(indices(len(want))), func(i int) bool {
		return want[i] != have[i] && !strings.HasPrefix(want[i], "{")
	})
}

func indices(n int) func(func(int) bool) {
	return func(yield func(int) bool) {
		for i := range n {
			if !yield(i) {
				return
			}
		}
	}
}

// is demands a status and gives the body.
func (a answer) is(status int) object {
	a.t.Helper()
	require.Equal(a.t, status, a.status, a.body)
	if a.body == "" || !strings.Contains(a.header.Get("Content-Type"), "json") {
		return nil
	}
	var value object
	require.NoError(a.t, json.Unmarshal([]byte(a.body), &value), a.body)
	return value
}

// object is a JSON object.
type object map[string]any

func (o object) str(field string) string { text, _ := o[field].(string); return text }

func (o object) items() []object {
	var items []object
	for _, item := range o["items"].([]any) {
		items = append(items, item.(map[string]any))
	}
	return items
}

// wrong demands a problem of a status and code, with exactly these violations, each "#/pointer code", "parameter code"
// and so on.
func (a answer) wrong(status int, code string, violations ...string) {
	a.t.Helper()
	body := a.is(status)
	require.Equal(a.t, "application/problem+json", a.header.Get("Content-Type"))
	require.Equal(a.t, code, body["code"], a.body)
	require.Equal(a.t, float64(status), body["status"])
	require.Equal(a.t, http.StatusText(status), body["title"])
	require.NotEmpty(a.t, body["detail"])
	require.Equal(a.t, a.header.Get("X-Request-Id"), body["request_id"])
	var found []string
	errs, _ := body["errors"].([]any)
	for _, e := range errs {
		v := object(e.(map[string]any))
		place := v.str("pointer") + v.str("parameter") + v.str("header")
		if row, ok := v["row"].(float64); ok {
			place = strconv.Itoa(int(row)) + ":" + v.str("column")
		}
		require.NotEmpty(a.t, v["detail"])
		found = append(found, place+" "+v.str("code"))
	}
	if violations != nil {
		require.ElementsMatch(a.t, violations, found, a.body)
	}
}

// stock is what a pour needs.
type stock struct {
	site, plant, crew, mix, otherPlant, otherCrew string // ids
}

var firstStart = time.Date(2026, 1, 15, 13, 0, 0, 0, time.UTC) // 7:00 in Chicago

// stock makes a site in Chicago's zone, two plants, two crews and a mix.
func (b *bundle) stock() stock {
	b.t.Helper()
	make := func(path string, body object) string {
		b.t.Helper()
		return b.do(call{method: "POST", path: path, body: body}).is(201).str("id")
	}
	return stock{
		site: make("/v1/sites", object{
			"name": "North yard", "latitude": 42.0, "longitude": -88.0, "elevation_m": 220, "timezone": "America/Chicago",
		}),
		plant:      make("/v1/plants", object{"name": "River plant", "haul_min": 40}),
		otherPlant: make("/v1/plants", object{"name": "Hill plant"}),
		crew:       make("/v1/crews", object{"name": "Crew 1", "day_starts": "07:00", "day_ends": "17:00", "days": []int{1, 2, 3, 4, 5}}),
		otherCrew:  make("/v1/crews", object{"name": "Crew 2", "day_starts": "07:00", "day_ends": "17:00"}),
		mix:        make("/v1/mixes", demoMix("4000 winter")),
	}
}

func demoMix(name string) object {
	return object{
		"name": name, "cement_type": "I/II", "cement_kg_m3": 332, "water_kg_m3": 160, "aggregate_kg_m3": 1850, "strength_mpa": 27.6,
		"admixtures": []object{{"kind": "calcium_chloride", "dose_pct": 2.0}},
	}
}

// pour is the form of a pour at a start.
func (s stock) pour(name string, starts time.Time) object {
	return object{
		"name": name, "site_id": s.site, "plant_id": s.plant, "crew_id": s.crew, "mix_id": s.mix,
		"starts_at": starts.Format(time.RFC3339), "element": "slab_on_ground", "thickness_mm": 127, "area_m2": 70,
	}
}

func (o object) with(changes object) object {
	merged := object{}
	for _, from := range []object{o, changes} {
		maps.Copy(merged, from)
	}
	return merged
}

func (o object) without(names ...string) object {
	rest := o.with(nil)
	for _, name := range names {
		delete(rest, name)
	}
	return rest
}
