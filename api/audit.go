package api

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"frostgate/db"

	"github.com/danielgtaylor/huma/v2"
	"github.com/google/uuid"
)

// An AuditEntry is one edit of one record.
type AuditEntry struct {
	ID        int64     `json:"id" doc:"Rising."`
	At        time.Time `json:"at"`
	Actor     string    `json:"actor" doc:"Name of the token, or a part of the program."`
	RequestID string    `json:"request_id"`
	Action    string    `json:"action" enum:"create,update,delete"`
	Record    string    `json:"record" doc:"Kind of record, such as pours."`
	RecordID  uuid.UUID `json:"record_id" format:"uuid"`
	Before    document  `json:"before" doc:"Of an update, the fields that differ; null of a create."`
	After     document  `json:"after" doc:"Of an update, the fields that differ; null of a delete."`
}

// document is JSON that is passed on as it was stored; null when there is none.
type document json.RawMessage

// Schema allows any JSON.
func (document) Schema(huma.Registry) *huma.Schema { return &huma.Schema{} }

// MarshalJSON passes the document on.
func (d document) MarshalJSON() ([]byte, error) {
	if d == nil {
		return []byte("null"), nil
	}
	return d, nil
}

// UnmarshalJSON keeps the document as it is.
func (d *document) UnmarshalJSON(text []byte) error {
	*d = append(document(nil), text...)
	return nil
}

type auditInput struct {
	Limit    int       `query:"limit" default:"50" minimum:"1" maximum:"200" doc:"Most entries on the page."`
	Record   string    `query:"record" maxLength:"40" doc:"Kind of record, such as pours."`
	RecordID string    `query:"record_id" format:"uuid"`
	Actor    string    `query:"actor" maxLength:"200"`
	From     time.Time `query:"from"`
	Before   time.Time `query:"before"`
	BeforeID int64     `query:"before_id" minimum:"1" doc:"From the Link of rel next."`
}

func (a *API) serveAudit() {
	serve(a, route{
		method: http.MethodGet, path: "/v1/audit", id: "list-audit", tag: "Firm", summary: "List who changed what",
		about: "Newest first. Secrets are left out.", roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *auditInput) (*listed[AuditEntry], error) {
		filter := db.AuditFilter{Record: in.Record, RecordID: maybeID(in.RecordID), Actor: in.Actor, From: in.From, Until: in.Before, BeforeID: in.BeforeID}
		entries, err := a.db.Audit(ctx, filter, in.Limit+1)
		if err != nil {
			return nil, err
		}
		answer := &listed[AuditEntry]{}
		answer.Body.Items = []AuditEntry{}
		for _, e := range entries[:min(len(entries), in.Limit)] {
			answer.Body.Items = append(answer.Body.Items, AuditEntry{
				ID: e.ID, At: e.At, Actor: e.Actor, RequestID: e.RequestID, Action: e.Action, Record: e.Record, RecordID: e.RecordID,
				Before: document(e.Before), After: document(e.After),
			})
		}
		answer.Link = auditLinks(ctx, len(entries) > in.Limit, answer.Body.Items)
		return answer, nil
	})
}

func auditLinks(ctx context.Context, more bool, items []AuditEntry) string {
	target := splitTarget(ctx)
	to := func(beforeID int64, rel string) string {
		query := target.Query()
		query.Del("before_id")
		if beforeID > 0 {
			query.Set("before_id", strconv.FormatInt(beforeID, 10))
		}
		there := url.URL{Path: target.Path, RawQuery: query.Encode()}
		return "<" + there.String() + `>; rel="` + rel + `"`
	}
	links := to(0, "first")
	if more {
		links += ", " + to(items[len(items)-1].ID, "next")
	}
	return links
}
