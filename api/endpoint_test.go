package api

import (
	"context"
	"testing"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

// Every form that the alert package writes can be chosen, and shown beforehand.
func TestEndpointsOfEveryForm(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for _, kind := range alert.Forms() {
		address := "https://hooks.example.com/a"
		if kind == alert.FormMail {
			address = "mailto:ann@example.com,bob@example.com"
		}
		made := b.do(call{method: "POST", path: "/v1/endpoints", body: object{"name": kind, "kind": kind, "url": address}}).is(201)
		require.Equal(t, kind, made["kind"])
		shown := b.do(call{method: "POST", path: "/v1/endpoint-preview", body: object{"kind": kind}}).is(200)
		require.Contains(t, shown.str("body"), "Loading dock slab")
		require.NotEmpty(t, shown.str("content_type"))
	}
	for kind, address := range map[string]string{"mail": "https://hooks.example.com/a", "standard": "mailto:ann@example.com"} {
		b.do(call{method: "POST", path: "/v1/endpoints", body: object{"name": "X", "kind": kind, "url": address}}).wrong(422, "invalid", "#/url refused")
	}
	b.do(call{method: "POST", path: "/v1/endpoints", body: object{"name": "X", "kind": "fax", "url": "https://hooks.example.com/a"}}).wrong(422, "invalid", "#/kind choice")
}

func TestATemplateIsCheckedWhenItIsStored(t *testing.T) {
	t.Parallel()
	b := setup(t)
	const template = "{{.Severity}}: {{.Pour}}{{.Source}} {{.Start}}"
	shown := b.do(call{method: "POST", path: "/v1/endpoint-preview", body: object{"kind": "text", "template": template}}).is(200)
	require.Equal(t, "critical: Loading dock slab Fri Jan 15, 13:00", shown["body"])
	form := object{"name": "Own", "kind": "text", "url": "https://hooks.example.com/a", "template": template}
	made := b.do(call{method: "POST", path: "/v1/endpoints", body: form}).is(201)
	require.Equal(t, template, made["template"])
	path := "/v1/endpoints/" + made.str("id")
	any := map[string]string{"If-Match": "*"}
	for _, bad := range []string{"{{.Secret}}", "{{", "{{range 1000000000}}{{end}}", "  "} {
		b.do(call{method: "PATCH", path: path, body: object{"template": bad}, header: any}).wrong(422, "invalid", "#/template invalid")
		b.do(call{method: "POST", path: "/v1/endpoint-preview", body: object{"kind": "text", "template": bad}}).wrong(422, "invalid", "#/template invalid")
	}
	b.do(call{method: "PATCH", path: path, body: object{"kind": "standard"}, header: any}).wrong(422, "invalid", "#/template invalid")
	kept := b.do(call{method: "GET", path: path}).is(200)
	require.Equal(t, template, kept["template"], "a refused edit changes nothing")
	b.do(call{method: "PATCH", path: path, body: object{"kind": "standard", "template": nil}, header: any}).is(200)
}

func TestADigestIsCheckedWhenItIsStored(t *testing.T) {
	t.Parallel()
	b := setup(t)
	digest := object{"morning": "05:30", "afternoon": "14:00", "timezone": "America/Chicago"}
	form := object{"name": "Crew chat", "url": "https://hooks.example.com/a", "digest": digest}
	made := b.do(call{method: "POST", path: "/v1/endpoints", body: form}).is(201)
	require.Equal(t, map[string]any(digest), made["digest"])
	path := "/v1/endpoints/" + made.str("id")
	whatever := map[string]string{"If-Match": "*"}
	for field, bad := range map[string]object{
		"#/digest/morning format":    {"morning": "5:30"},
		"#/digest/afternoon format":  {"afternoon": "24:00"},
		"#/digest/timezone choice":   {"timezone": "America/Springfield"},
		"#/digest/timezone required": {"timezone": nil},
	} {
		b.do(call{method: "PATCH", path: path, body: object{"digest": bad}, header: whatever}).wrong(422, "invalid", field)
	}
	kept := b.do(call{method: "GET", path: path}).is(200)
	require.Equal(t, map[string]any(digest), kept["digest"], "a refused edit changes nothing")
	gone := b.do(call{method: "PATCH", path: path, body: object{"digest": nil}, header: whatever}).is(200)
	require.NotContains(t, gone, "digest")
}

func TestAnEndpointIsTestedAndRestored(t *testing.T) {
	t.Parallel()
	var told []string
	b := setupWith(t, Config{EndpointRestored: func(_ context.Context, tx *db.Tx, e db.Endpoint) error {
		told = append(told, tx.Actor().Name+" restored "+e.Name)
		return nil
	}})
	made := b.do(call{method: "POST", path: "/v1/endpoints", body: object{"name": "Chat", "url": "https://hooks.example.com/a"}}).is(201)
	path := "/v1/endpoints/" + made.str("id")
	tested := b.do(call{method: "POST", path: path + "/test"}).is(200)
	require.Equal(t, object{"outcome": "retry", "status": 503.0, "error": "", "response": "busy", "duration_ms": 20.0}, tested)
	b.do(call{method: "POST", path: path + "/restore"}).wrong(409, "wrong_state")
	b.do(call{method: "PATCH", path: path, body: object{"enabled": false}, header: map[string]string{"If-Match": "*"}}).is(200)
	restored := b.do(call{method: "POST", path: path + "/restore", header: map[string]string{"Idempotency-Key": "1"}}).is(200)
	require.Equal(t, true, restored["enabled"])
	require.Empty(t, restored["state_reason"])
	b.do(call{method: "POST", path: path + "/restore", header: map[string]string{"Idempotency-Key": "1"}}).is(200)
	require.Equal(t, []string{"dispatcher restored Chat"}, told, "once")
}

// What is sent again keeps its id and its bytes; what is pending is not touched.
func TestDeliveriesAreReplayed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	path := "/v1/deliveries/" + w.ids["/v1/deliveries/"]
	w.do(call{method: "POST", path: path + "/replay"}).wrong(409, "wrong_state")
	settle := func() {
		err := w.db.Tx(t.Context(), db.Actor{Name: "test"}, func(tx *db.Tx) error {
			return tx.SettleDelivery(t.Context(), db.Scope{}, uuid.MustParse(w.ids["/v1/deliveries/"]), "dead", "refused")
		})
		require.NoError(t, err)
	}
	settle()
	before := w.do(call{method: "GET", path: path}).is(200)
	again := w.do(call{method: "POST", path: path + "/replay"}).is(200)
	require.Equal(t, "pending", again["state"])
	after := w.do(call{method: "GET", path: path}).is(200)
	for _, field := range []string{"webhook_id", "body", "content_type"} {
		require.Equal(t, before[field], after[field])
	}
	settle()
	span := object{"from": "2020-01-01T00:00:00Z", "made_before": "2099-01-01T00:00:00Z"}
	replay := func(more object) []any {
		list, _ := w.do(call{method: "POST", path: "/v1/delivery-replay", body: span.with(more)}).is(200)["delivery_ids"].([]any)
		return list
	}
	require.Empty(t, replay(object{"state": []string{"accepted"}}))
	require.Empty(t, replay(object{"endpoint_id": uuid.NewString()}))
	require.Empty(t, replay(object{"made_before": "2020-01-02T00:00:00Z"}))
	require.Equal(t, []any{w.ids["/v1/deliveries/"]}, replay(object{"endpoint_id": w.ids["/v1/endpoints/"]}))
	require.Empty(t, replay(object{}), "it is pending")
	w.do(call{method: "POST", path: "/v1/delivery-replay", body: span.with(object{"made_before": "2019-01-01T00:00:00Z"})}).wrong(422, "invalid", "#/made_before range")
}
