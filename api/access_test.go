package api

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"frostgate/api/access"
	"frostgate/db"
	"frostgate/rules"

	"github.com/danielgtaylor/huma/v2"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// world is one pour of crew 1 and plant 1 with everything that can hang on it.
type world struct {
	*bundle
	stock
	ids    map[string]string // by the beginning of the path that they are for
	hidden []string          // what a caller without sight of the pour must not read anywhere
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{bundle: setup(t)}
	w.stock = w.bundle.stock()
	pour := w.do(call{method: "POST", path: "/v1/pours", body: w.pour("Bay 3", firstStart)}).is(201).str("id")
	seen := w.do(call{method: "POST", path: "/v1/pours/" + pour + "/observations", body: object{"kind": "base_temp", "at": "2026-01-14T12:00:00Z", "value": 1.5}})
	endpoint := w.do(call{method: "POST", path: "/v1/endpoints", body: object{"name": "Chat", "url": "https://hooks.example.com/secret-path"}}).is(201).str("id")
	w.ids = map[string]string{
		"/v1/pours/": pour, "/v1/sites/": w.site, "/v1/plants/": w.plant, "/v1/crews/": w.crew, "/v1/mixes/": w.mix,
		"/v1/observations/": seen.is(201).str("id"), "/v1/endpoints/": endpoint,
	}
	w.addRecords(uuid.MustParse(pour), uuid.MustParse(endpoint))
	w.hidden = []string{pour, w.site, w.mix, "Bay 3", "North yard", "4000 winter", w.ids["/v1/assessments/"], w.ids["/v1/alerts/"], w.ids["/v1/observations/"]}
	return w
}

// addRecords stores what the scheduler would: a forecast, an assessment, an alert and a delivery; and a token.
func (w *world) addRecords(pour, endpoint uuid.UUID) {
	ctx := w.t.Context()
	err := w.db.Tx(ctx, db.Actor{Name: "scheduler"}, func(tx *db.Tx) error {
		cell, err := tx.EnsureCell(ctx, db.Cell{Source: "test", Key: "42,-88", Latitude: 42, Longitude: -88})
		require.NoError(w.t, err)
		require.NoError(w.t, tx.LinkSite(ctx, uuid.MustParse(w.site), "test", cell.ID))
		body := []byte(`{"air":[-5,-4]}`)
		digest := sha256.Sum256(body)
		issue, _, err := tx.StoreIssue(ctx, db.Issue{CellID: cell.ID, Kind: "forecast", Model: "m", IssuedAt: firstStart, PayloadSHA256: digest[:], Body: body}, []db.Hour{
			{Hour: rules.Hour{At: firstStart, AirTempC: new(-5.0)}}, {Hour: rules.Hour{At: firstStart.Add(time.Hour), AirTempC: new(-4.0)}},
		})
		require.NoError(w.t, err)
		w.ids["{forecast_id}"] = issue.ID.String()
		require.NoError(w.t, tx.AddLeadErrors(ctx, []db.LeadError{{CellID: cell.ID, Variable: "air_temp_c", LeadH: 24, N: 4, Sum: 2, SumSq: 16}}))

		document, err := json.Marshal(rules.Assessment{
			Verdict: rules.Move, Headline: "Move it.", Findings: []rules.Finding{}, Temperatures: []rules.TempRow{}, Strength: []rules.StrengthRow{},
			Cautions: []string{}, Assumed: []rules.Assumption{}, Windows: []rules.Window{{StartsAt: firstStart.Add(24 * time.Hour), Verdict: rules.Place}},
		})
		require.NoError(w.t, err)
		assessment := db.Assessment{AssessmentLine: db.AssessmentLine{
			ID: newID(), PourID: pour, PourVersion: 1, At: firstStart, Cause: "weather", Verdict: rules.Move, WorstRule: "ground.frozen",
			WorstReason: "The base is frozen.", Severity: "major", InputsHash: digest[:], EngineVersion: "test", IssueIDs: []uuid.UUID{issue.ID},
		}, Document: document}
		require.NoError(w.t, tx.StoreAssessments(ctx, assessment))
		w.ids["/v1/assessments/"] = assessment.ID.String()

		alert, err := tx.LockAlert(ctx, db.Subject{PourID: &pour}, "pour.move")
		require.NoError(w.t, err)
		alert.Condition, alert.Severity, alert.Episode, alert.Reason = "raised", "major", 1, "condition_met"
		alert, step, err := tx.Advance(ctx, alert, db.Transition{Event: "alert.raised", AssessmentID: &assessment.ID})
		require.NoError(w.t, err)
		w.ids["/v1/alerts/"] = alert.ID.String()
		planned, err := tx.CreateSuppression(ctx, db.Scope{}, db.Suppression{PourID: &pour, StartsAt: firstStart, EndsAt: firstStart.Add(time.Hour), Reason: "Bay 3 rests"})
		require.NoError(w.t, err)
		w.ids["/v1/suppressions/"] = planned.ID.String()
		deliveries, _, err := tx.CreateNotice(ctx, db.Notice{AlertID: &alert.ID, Transition: &step.Number, Type: "alert.raised", Payload: []byte("{}")},
			[]db.Delivery{{DeliveryState: db.DeliveryState{EndpointID: endpoint}, ContentType: mediaJSON, Body: []byte(`{"type":"alert.raised"}`)}})
		require.NoError(w.t, err)
		w.ids["/v1/deliveries/"] = deliveries[0].ID.String()

		token, _, err := access.Grant(ctx, tx, db.Token{Name: "other", Role: "viewer"})
		w.ids["/v1/tokens/"] = token.ID.String()
		return err
	})
	require.NoError(w.t, err)
}

// request makes a call of an operation that gets past the schema, and then changes nothing that matters: edits name a
// version that is long gone, steps a time in the future.
func (w *world) request(op *huma.Operation) call {
	path := strings.Replace(op.Path, "{forecast_id}", w.ids["{forecast_id}"], 1)
	for start, id := range w.ids {
		if strings.HasPrefix(path, start) {
			path = strings.Replace(path, "{id}", id, 1)
		}
	}
	require.NotContains(w.t, path, "{", "the test has no record for %s", op.Path)
	c := call{method: op.Method, path: path, header: map[string]string{}}
	if op.Method != http.MethodGet && op.Method != http.MethodPost {
		c.header["If-Match"] = `"999"`
	}
	if op.RequestBody != nil {
		c.body = w.bodyOf(op)
	}
	return c
}

func (w *world) bodyOf(op *huma.Operation) any {
	future := time.Now().Add(24 * time.Hour).UTC().Format(time.RFC3339)
	later := time.Now().Add(48 * time.Hour).UTC().Format(time.RFC3339)
	bodies := map[string]any{
		"site":        object{"name": "Another", "latitude": 42, "longitude": -88, "timezone": "America/Chicago"},
		"plant":       object{"name": "Another"},
		"crew":        object{"name": "Another", "day_starts": "07:00", "day_ends": "17:00"},
		"mix":         demoMix("Another"),
		"pour":        w.pour("Another", firstStart.Add(48*time.Hour)),
		"pours":       []object{w.pour("Another", firstStart.Add(96*time.Hour))},
		"observation": object{"kind": "base_temp", "at": "2026-01-14T12:00:00Z", "value": 1.5},
		"firm":        object{"units": "us"},
		"suppression": object{"pour_id": w.ids["/v1/pours/"], "starts_at": future, "ends_at": later, "reason": "closed"},
		"token":       object{"name": "Another", "role": "viewer"},
		"endpoint":    object{"name": "Another", "url": "https://hooks.example.com/x"},
		"alert":       object{},
		"message":     object{"kind": "text", "template": "{{.Text}}"},
	}
	verb, noun, _ := strings.Cut(op.OperationID, "-")
	switch {
	case verb == "patch":
		return object{}
	case op.OperationID == "shelve-alert":
		return object{"reason": "The crew knows.", "hours": 2}
	case op.OperationID == "replay-deliveries":
		return object{"from": "2020-01-01T00:00:00Z", "made_before": "2020-01-02T00:00:00Z"}
	case op.OperationID == "assess":
		return object{}
	case verb == "place", verb == "release", verb == "cancel", verb == "reopen":
		return object{"at": future}
	}
	require.Contains(w.t, bodies, noun, "the test has no body for %s", op.OperationID)
	return bodies[noun]
}

// needsPour lists what is seen only with the pour, or by the crew or plant itself.
func (w *world) sees(op *huma.Operation, s db.Scope) bool {
	crew := s.Crews == nil || len(s.Crews) > 0 && s.Crews[0].String() == w.crew
	plant := s.Plants == nil || len(s.Plants) > 0 && s.Plants[0].String() == w.plant
	switch {
	case strings.HasPrefix(op.Path, "/v1/crews/"):
		return crew
	case strings.HasPrefix(op.Path, "/v1/plants/"):
		return plant
	}
	return crew && plant
}

// Every route, for every role and scope. What the document does not allow is refused, what a scope does not show is not
// there, and no answer to somebody outside names the pour or what hangs on it (OWASP API1 and API5, 2023).
func TestEveryRouteForEveryRoleAndScope(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	one := func(id string) []uuid.UUID { return []uuid.UUID{uuid.MustParse(id)} }
	scopes := map[string]db.Scope{
		"all":                  {},
		"crew":                 {Crews: one(w.crew)},
		"plant":                {Plants: one(w.plant)},
		"crew and plant":       {Crews: one(w.crew), Plants: one(w.plant)},
		"other crew":           {Crews: one(w.otherCrew)},
		"other plant":          {Plants: one(w.otherPlant)},
		"crew but other plant": {Crews: one(w.crew), Plants: one(w.otherPlant)},
		"plant but other crew": {Crews: one(w.otherCrew), Plants: one(w.plant)},
		"no crew":              {Crews: []uuid.UUID{}},
		"no plant and no crew": {Crews: []uuid.UUID{}, Plants: []uuid.UUID{}},
	}
	cases := 0
	for name, scope := range scopes {
		for _, role := range []access.Role{access.Dispatcher, access.Viewer, access.Field} {
			token := w.grant(role, scope)
			for _, operations := range w.operations() {
				for _, op := range operations {
					c := w.request(op)
					c.token = token
					w.judge(fmt.Sprintf("%s %s as %s of %s", op.Method, op.Path, role, name), op, role, scope, w.do(c))
					cases++
				}
			}
		}
	}
	require.Greater(t, cases, 2000)
}

func (w *world) judge(what string, op *huma.Operation, role access.Role, scope db.Scope, a answer) {
	w.t.Helper()
	roles, declared := op.Extensions["x-roles"].([]access.Role)
	require.True(w.t, declared && len(roles) > 0, "%s %s declares no roles", op.Method, op.Path)
	firmWide := op.Extensions["x-firm-wide"].(bool)
	may := false
	for _, r := range roles {
		may = may || r == role
	}
	shared := op.Method == http.MethodPost && (op.OperationID == "create-site" || op.OperationID == "create-plant" || op.OperationID == "create-crew" || op.OperationID == "create-mix")
	switch {
	case !may, firmWide && !scope.All(), shared && !scope.All():
		require.Equal(w.t, 403, a.status, "%s: %s", what, a.body)
	case strings.Contains(op.Path, "{") && !firmWide && !w.sees(op, scope):
		require.Equal(w.t, 404, a.status, "%s: %s", what, a.body)
	case (op.OperationID == "create-pour" || op.OperationID == "create-suppression" || op.OperationID == "edit-pours") && !w.sees(op, scope):
		require.Equal(w.t, 422, a.status, "%s: %s", what, a.body)
		require.Contains(w.t, a.body, "does not exist", what)
	default:
		require.NotContains(w.t, []int{401, 403, 404, 405}, a.status, "%s: %s", what, a.body)
	}
	require.Less(w.t, a.status, 500, "%s: %s", what, a.body)
	if !w.sees(op, scope) && !strings.HasPrefix(op.Path, "/v1/crews") && !strings.HasPrefix(op.Path, "/v1/plants") {
		for _, secret := range w.hidden {
			if strings.Contains(a.body, `"instance":`) {
				continue // a problem repeats the path that was asked for
			}
			require.NotContains(w.t, a.body, secret, what)
		}
	}
}

// The default is no: a route that names no role is refused to everybody, and one that names some to all others.
func TestARouteWithoutRolesIsForbidden(t *testing.T) {
	t.Parallel()
	for _, role := range []access.Role{access.Dispatcher, access.Viewer, access.Field, ""} {
		p := forbidden(route{}, &access.Caller{Role: role})
		require.NotNil(t, p)
		require.Equal(t, 403, p.Status)
	}
}

func TestWithoutAValidTokenNothingIsAnswered(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	revoked := w.grant(access.Dispatcher, db.Scope{})
	w.revoke(revoked)
	unknown, _ := access.Mint()
	w.api.gate = access.NewGate(access.Config{DB: w.db, FailuresPerMinute: 100_000})
	for _, operations := range w.operations() {
		for _, op := range operations {
			for name, header := range map[string]string{
				"nothing": "", "no scheme": w.dispatcher, "basic": "Basic " + w.dispatcher, "rubbish": "Bearer x", "unknown": "Bearer " + unknown,
				"revoked": "Bearer " + revoked, "cut off": "Bearer " + w.dispatcher[:40], "two": "Bearer " + w.dispatcher + " " + w.dispatcher,
			} {
				c := w.request(op)
				c.token = "none"
				c.header["Authorization"] = header
				a := w.do(c)
				require.Equal(t, 401, a.status, "%s %s with %s", op.Method, op.Path, name)
				require.Equal(t, `Bearer realm="frostgate"`, a.header.Get("WWW-Authenticate"))
			}
		}
	}
}

func (b *bundle) revoke(secret string) {
	digest, ok := access.Digest(secret)
	require.True(b.t, ok)
	err := b.db.Tx(b.t.Context(), db.Actor{Name: "test"}, func(tx *db.Tx) error {
		token, err := tx.TokenByHash(b.t.Context(), digest[:])
		require.NoError(b.t, err)
		_, err = tx.RevokeToken(b.t.Context(), token.ID, token.Version)
		return err
	})
	require.NoError(b.t, err)
}
