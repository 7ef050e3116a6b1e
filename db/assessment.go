package db

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"frostgate/rules"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// AssessmentLine is an assessment in a list: all but the document.
type AssessmentLine struct {
	ID                uuid.UUID // version 7; made by the store when zero
	PourID            uuid.UUID
	PourVersion       int64 // of the pour as assessed
	At                time.Time
	Cause             string // what made it: weather, edit, observation, clock
	Verdict           rules.Verdict
	WorstRule         string
	WorstReason       string
	WorstProbability  *float64
	Severity          string
	NextWindowAt      *time.Time
	InputsHash        []byte // 32 bytes over all that went in
	EngineVersion     string
	IssueIDs          []uuid.UUID // of the forecasts it rests on
	PBaseFrozen       *float64    // probabilities, 0 to 1
	PFreezesEarly     *float64
	PFinishAfterDusk  *float64
	PFinishAfterHours *float64
	News              bool // it says something else than the one before
}

// Assessment is what the engine said of a pour at one time. It is never changed.
type Assessment struct {
	AssessmentLine
	Document json.RawMessage // a rules.Assessment
	Origins  []Origin        // of the weather that it rests on
}

// Origin says where a variable of the weather came from over a stretch of hours.
type Origin struct {
	Variable string     `json:"variable"`
	Source   string     `json:"source"`
	IssueID  *uuid.UUID `json:"issue_id,omitempty"` // nil for what several issues told of hours past
	From     time.Time  `json:"from"`
	Until    time.Time  `json:"until"`              // the last hour, itself included
	Fallback bool       `json:"fallback,omitempty"` // the preferred source lacked it
}

// Decode reads the document.
func (a Assessment) Decode() (rules.Assessment, error) {
	var d rules.Assessment
	if err := json.Unmarshal(a.Document, &d); err != nil {
		return rules.Assessment{}, fmt.Errorf("decode assessment %s: %w", a.ID, err)
	}
	return d, nil
}

const assessmentLineColumns = `a.id, a.pour_id, a.pour_version, a.at, a.cause, a.verdict, a.worst_rule, a.worst_reason,
	a.worst_probability, a.severity, a.next_window_at, a.inputs_hash, a.engine_version, a.issue_ids,
	a.p_base_frozen, a.p_freezes_early, a.p_finish_after_dusk, a.p_finish_after_hours, a.news`

const (
	insertAssessment = `
		insert into assessments (id, pour_id, pour_version, at, cause, verdict, worst_rule, worst_reason,
			worst_probability, severity, next_window_at, inputs_hash, engine_version, issue_ids,
			p_base_frozen, p_freezes_early, p_finish_after_dusk, p_finish_after_hours, news, document, origins)
		values (@id, @pour_id, @pour_version, @at, @cause, @verdict, @worst_rule, @worst_reason,
			@worst_probability, @severity, @next_window_at, @inputs_hash, @engine_version, coalesce(@issue_ids::uuid[], '{}'),
			@p_base_frozen, @p_freezes_early, @p_finish_after_dusk, @p_finish_after_hours, @news, @document, coalesce(@origins::jsonb, '[]'))`
	setStanding = `
		update pours set verdict = @verdict, worst_rule = @worst_rule, worst_reason = @worst_reason,
			worst_probability = @worst_probability, severity = @severity, assessed_at = @at, assessment_id = @id,
			next_window_at = @next_window_at
		where id = @pour_id and (assessed_at is null or assessed_at <= @at)`
)

// StoreAssessments stores assessments and makes each the standing of its pour,
// unless the pour has a later one. It takes one round trip for any number.
func (tx *Tx) StoreAssessments(ctx context.Context, assessments ...Assessment) error {
	var batch pgx.Batch
	for _, a := range assessments {
		a.ID = newID(a.ID)
		batch.Queue(insertAssessment, record(a))
		batch.Queue(setStanding, record(a))
	}
	if err := tx.tx.SendBatch(ctx, &batch).Close(); err != nil {
		return fmt.Errorf("store %d assessments: %w", len(assessments), fault(err))
	}
	return nil
}

const touchAssessed = `update pours set assessed_at = @at where id = any(@ids) and assessed_at < @at`

// TouchAssessed says that assessing these pours again at a time changed nothing:
// the inputs were the same.
func (tx *Tx) TouchAssessed(ctx context.Context, at time.Time, pourIDs ...uuid.UUID) error {
	if _, err := run(ctx, tx.q, touchAssessed, args{"at": at, "ids": pourIDs}); err != nil {
		return fmt.Errorf("touch %d pours: %w", len(pourIDs), err)
	}
	return nil
}

const selectAssessment = `
select ` + assessmentLineColumns + `, a.document, a.origins
from assessments a join pours p on p.id = a.pour_id
where a.id = @id and ` + seenPour

// Assessment gives one assessment; ErrNotFound also when the scope hides its pour.
func (r reads) Assessment(ctx context.Context, scope Scope, id uuid.UUID) (Assessment, error) {
	a, err := one[Assessment](ctx, r.q, selectAssessment, scope.on(args{"id": id}))
	if err != nil {
		return Assessment{}, fmt.Errorf("load assessment %s: %w", id, err)
	}
	return a, nil
}

const selectLatestAssessment = `
select ` + assessmentLineColumns + `, a.document, a.origins
from pours p join assessments a on a.id = p.assessment_id
where p.id = @id and ` + seenPour

// LatestAssessment gives the assessment that a pour stands on; ErrNotFound when
// it has none yet.
func (r reads) LatestAssessment(ctx context.Context, scope Scope, pourID uuid.UUID) (Assessment, error) {
	a, err := one[Assessment](ctx, r.q, selectLatestAssessment, scope.on(args{"id": pourID}))
	if err != nil {
		return Assessment{}, fmt.Errorf("load latest assessment of pour %s: %w", pourID, err)
	}
	return a, nil
}

// PastStanding is what a pour stood on at a time.
type PastStanding struct {
	PourID   uuid.UUID
	Verdict  rules.Verdict
	StartsAt *time.Time // as it was assessed
}

const selectStandings = `
select distinct on (p.id) p.id as pour_id, a.verdict, (a.document #>> '{timeline,starts_at}')::timestamptz as starts_at
from pours p join assessments a on a.pour_id = p.id
where p.id = any(@ids) and a.at <= @at and ` + seenPour + `
order by p.id, a.at desc, a.id desc`

// Standings gives what some pours stood on at a time; those without an assessment
// then are left out.
func (r reads) Standings(ctx context.Context, scope Scope, at time.Time, pourIDs ...uuid.UUID) ([]PastStanding, error) {
	list, err := many[PastStanding](ctx, r.q, selectStandings, scope.on(args{"ids": pourIDs, "at": at}))
	if err != nil {
		return nil, fmt.Errorf("load standings of %d pours: %w", len(pourIDs), err)
	}
	return list, nil
}

const selectBatches = `
select p.id as pour_id, coalesce(nullif(a.document->'protected'->'batch', 'null'), a.document->'batch') as batch
from pours p join assessments a on a.id = p.assessment_id
where p.id = any(@ids) and a.document->'batch' is not null and ` + seenPour + `
order by p.id`

// PourBatch is what a pour's latest assessment orders, with the remedies that it asks for.
type PourBatch struct {
	PourID uuid.UUID
	Batch  *rules.Batch // nil when it says nothing of it
}

// Batches gives what the latest assessments of some pours order; those that have
// none yet are left out.
func (r reads) Batches(ctx context.Context, scope Scope, pourIDs ...uuid.UUID) ([]PourBatch, error) {
	list, err := many[PourBatch](ctx, r.q, selectBatches, scope.on(args{"ids": pourIDs}))
	if err != nil {
		return nil, fmt.Errorf("load batches of %d pours: %w", len(pourIDs), err)
	}
	return list, nil
}

const selectAssessments = `
select ` + assessmentLineColumns + `
from assessments a join pours p on p.id = a.pour_id
where a.pour_id = @pour_id and ` + seenPour

// Assessments lists the assessments of a pour, newest first.
func (r reads) Assessments(ctx context.Context, scope Scope, pourID uuid.UUID, p Page) (List[AssessmentLine], error) {
	q := newQuery(selectAssessments, scope.on(args{"pour_id": pourID}))
	l, err := list(ctx, r, q, p, order{at: "a.at", id: "a.id", falling: true}, func(a AssessmentLine) Key { return Key{a.At, a.ID} })
	if err != nil {
		return l, fmt.Errorf("list assessments of pour %s: %w", pourID, err)
	}
	return l, nil
}

// PourWindows is the starts that the standing of a pour offers.
type PourWindows struct {
	PourID  uuid.UUID
	Windows []rules.Window
}

const selectWindows = `
select p.id as pour_id, coalesce(nullif(a.document -> 'windows', 'null'), '[]') as windows
from pours p join assessments a on a.id = p.assessment_id
where p.id = any(@ids) and ` + seenPour + `
order by p.starts_at, p.id`

// Windows gives the starts offered to pours by their latest assessments; a pour
// never assessed is left out.
func (r reads) Windows(ctx context.Context, scope Scope, pourIDs []uuid.UUID) ([]PourWindows, error) {
	w, err := many[PourWindows](ctx, r.q, selectWindows, scope.on(args{"ids": pourIDs}))
	if err != nil {
		return nil, fmt.Errorf("load windows of %d pours: %w", len(pourIDs), err)
	}
	return w, nil
}
