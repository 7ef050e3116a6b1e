package api

import (
	"context"
	"encoding/json"
	"maps"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// explanationOf is the answer of a pour's or an alert's explanation.
func (b *bundle) explanationOf(path string) (e Explanation) {
	b.t.Helper()
	a := b.do(call{method: "GET", path: path + "/explanation"})
	a.is(200)
	require.NoError(b.t, json.Unmarshal([]byte(a.body), &e))
	return e
}

// Every message is there with its ruling for each endpoint, and what keeps the
// alert from being told again.
func TestExplanationOfAnAlert(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	alertID, endpoint := uuid.MustParse(w.ids["/v1/alerts/"]), uuid.MustParse(w.ids["/v1/endpoints/"])
	err := w.db.Tx(t.Context(), db.Actor{Name: "test"}, func(tx *db.Tx) error {
		n := db.Notice{ID: newID(), AlertID: &alertID, Transition: new(1), Type: "alert.reminder", Payload: []byte(`{"text":"Still move."}`)}
		if _, _, err := tx.CreateNotice(t.Context(), n, nil); err != nil {
			return err
		}
		return tx.StoreTellings(t.Context(), db.Telling{
			NoticeID: n.ID, EndpointID: endpoint, AlertID: &alertID, Transition: new(1), Severity: "major", Ruling: "hold", Rule: "quiet_hours",
			Sentence: "Quiet hours of the firm.", State: "waiting", DueAt: new(tx.Now().Add(time.Hour)),
		})
	})
	require.NoError(t, err)
	for _, path := range []string{"/v1/alerts/" + alertID.String(), "/v1/pours/" + w.ids["/v1/pours/"]} {
		e := w.explanationOf(path)
		require.Equal(t, []uuid.UUID{alertID}, e.AlertIDs)
		require.Len(t, e.Messages, 1)
		require.Equal(t, "Still move.", e.Messages[0].Text)
		require.Equal(t, "Chat", e.Messages[0].Rulings[0].Endpoint)
		require.Equal(t, "waiting", e.Messages[0].Rulings[0].State)
		require.Equal(t, "quiet_hours", e.Messages[0].Rulings[0].Rule)
		require.Equal(t, "alert.reminder", e.Coming[0].Event)
	}
	w.do(call{method: "POST", path: "/v1/alerts/" + alertID.String() + "/shelve", body: object{"reason": "The crew knows", "hours": 2}}).is(200)
	rulesOf := func(e Explanation) (names []string) {
		for _, b := range e.Why {
			names = append(names, b.Rule)
		}
		return names
	}
	require.Contains(t, rulesOf(w.explanationOf("/v1/alerts/"+alertID.String())), "shelved")
	w.do(call{method: "POST", path: "/v1/alerts/" + alertID.String() + "/unshelve"}).is(200)
	w.do(call{method: "POST", path: "/v1/alerts/" + alertID.String() + "/acknowledge", body: object{"hours": 1.5}}).is(200)
	stored, err := w.db.Alert(t.Context(), db.Scope{}, alertID)
	require.NoError(t, err)
	require.Equal(t, 90*time.Minute, stored.AcknowledgedUntil.Sub(*stored.AcknowledgedAt))
	require.Equal(t, *stored.AcknowledgedUntil, *stored.FollowAt)
	require.Contains(t, rulesOf(w.explanationOf("/v1/alerts/"+alertID.String())), "acknowledged")
}

// Also a pour without an alert is explained.
func TestExplanationOfAPourWithoutAnAlert(t *testing.T) {
	t.Parallel()
	b := setup(t)
	s := b.stock()
	id := uuid.MustParse(b.do(call{method: "POST", path: "/v1/pours", body: s.pour("Bay 1", firstStart)}).is(201).str("id"))
	require.Equal(t, "pour.unassessed", b.explanationOf("/v1/pours/" + id.String()).Why[0].Rule)
	for _, c := range []struct {
		verdict     rules.Verdict
		probability *float64
		rule        string
	}{
		{rules.Place, nil, "verdict.place"},
		{rules.Protect, nil, "verdict.protect"},
		{rules.Unscored, nil, "verdict.unscored"},
		{rules.Move, new(0.04), "raise.limit"},
		{rules.Move, new(0.4), "raise.delay"},
	} {
		err := b.db.Tx(t.Context(), db.Actor{Name: "test"}, func(tx *db.Tx) error {
			return tx.StoreAssessments(t.Context(), db.Assessment{AssessmentLine: db.AssessmentLine{
				ID: newID(), PourID: id, PourVersion: 1, At: tx.Now(), Cause: "weather", Verdict: c.verdict, WorstProbability: c.probability,
				WorstReason: "The weather is old.", InputsHash: make([]byte, 32), EngineVersion: "test",
			}, Document: []byte(`{}`)})
		})
		require.NoError(t, err)
		e := b.explanationOf("/v1/pours/" + id.String())
		require.Equal(t, c.rule, e.Why[0].Rule)
		require.Equal(t, e.Summary, e.Why[0].Sentence)
		require.Empty(t, e.Messages)
	}
}

// A planned suppression is made, changed until it ends, and deleted only before it
// has begun.
func TestSuppressions(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	now := time.Now().UTC().Truncate(time.Second)
	body := func(from, until time.Duration, more object) object {
		o := object{"starts_at": now.Add(from).Format(time.RFC3339), "ends_at": now.Add(until).Format(time.RFC3339), "reason": "Holidays"}
		maps.Copy(o, more)
		return o
	}
	plan := func(b object) answer { return w.do(call{method: "POST", path: "/v1/suppressions", body: b}) }
	begun := plan(body(-time.Hour, time.Hour, object{"pour_id": w.ids["/v1/pours/"]})).is(201)
	require.Equal(t, w.ids["/v1/pours/"], begun.str("pour_id"))
	ahead := plan(body(time.Hour, 2*time.Hour, nil)).is(201)
	why := w.explanationOf("/v1/alerts/" + w.ids["/v1/alerts/"]).Why
	require.Contains(t, why[len(why)-1].Sentence, "Holidays")

	item := func(a object) string { return "/v1/suppressions/" + a.str("id") }
	w.do(call{method: "DELETE", path: item(begun), header: map[string]string{"If-Match": `"1"`}}).is(409)
	w.do(call{method: "DELETE", path: item(ahead), header: map[string]string{"If-Match": `"1"`}}).is(204)
	w.do(call{method: "PATCH", path: item(begun), header: map[string]string{"If-Match": `"1"`}, body: object{"ends_at": now.Format(time.RFC3339)}}).is(200)
	w.do(call{method: "PATCH", path: item(begun), header: map[string]string{"If-Match": `"2"`}, body: object{"crew_id": w.crew}}).is(422)
	again := plan(body(-time.Hour, time.Hour, nil)).is(201)
	var changed []db.Suppression
	w.api.suppressionChanged = func(_ context.Context, _ *db.Tx, before db.Suppression) error {
		changed = append(changed, before)
		return nil
	}
	ended := w.do(call{method: "POST", path: item(again) + "/end"}).is(200)
	at, err := time.Parse(time.RFC3339, ended.str("ends_at"))
	require.NoError(t, err)
	require.False(t, at.After(time.Now()))
	require.Len(t, changed, 1, "what it held is decided anew")
	require.Equal(t, now.Add(time.Hour), changed[0].EndsAt.UTC())
	w.do(call{method: "POST", path: item(again) + "/end"}).is(409)
	for name, wrong := range map[string]object{
		"ends first": body(2*time.Hour, time.Hour, nil), "too long": body(0, 93*24*time.Hour, nil),
		"two subjects": body(0, time.Hour, object{"site_id": w.site, "crew_id": w.crew}),
		"no such pour": body(0, time.Hour, object{"pour_id": newID().String()}), "no reason": body(0, time.Hour, object{"reason": ""}),
	} {
		require.Equal(t, 422, plan(wrong).status, name)
	}
}
