package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
)

// AuditEntry is one edit of one record. Of an update, Before and After have the
// fields that differ; a create has no Before and a delete no After. Secrets are
// left out.
type AuditEntry struct {
	ID        int64 // rising
	At        time.Time
	Actor     string
	RequestID string
	Action    string // create, update or delete
	Record    string // table
	RecordID  uuid.UUID
	Before    json.RawMessage
	After     json.RawMessage
}

// AuditFilter narrows the audit; what is empty doesn't.
type AuditFilter struct {
	Record   string
	RecordID uuid.UUID
	Actor    string
	From     time.Time
	Until    time.Time // before
	BeforeID int64     // older than an entry: the next page
}

const selectAudit = `
select a.id, a.at, a.actor, a.request_id, a.action, a.record, a.record_id, a.before, a.after
from audit a where true`

// Audit gives edits, newest first. It knows no scope.
func (r reads) Audit(ctx context.Context, f AuditFilter, limit int) ([]AuditEntry, error) {
	q := newQuery(selectAudit, args{"limit": Page{Limit: limit}.limit()})
	q.when(f.Record != "", "a.record = @record", "record", f.Record)
	q.when(f.RecordID != uuid.Nil, "a.record_id = @record_id", "record_id", f.RecordID)
	q.when(f.Actor != "", "a.actor = @actor", "actor", f.Actor)
	q.when(!f.From.IsZero(), "a.at >= @from", "from", f.From)
	q.when(!f.Until.IsZero(), "a.at < @until", "until", f.Until)
	q.when(f.BeforeID > 0, "a.id < @before_id", "before_id", f.BeforeID)
	q.text.WriteString(" order by a.id desc limit @limit")
	entries, err := many[AuditEntry](ctx, r.q, q.text.String(), q.args)
	if err != nil {
		return nil, fmt.Errorf("list audit: %w", err)
	}
	return entries, nil
}
