package api

import (
	"context"
	"net/http"
	"reflect"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/danielgtaylor/huma/v2"
	"github.com/google/uuid"
)

// An AssessmentLine is an assessment in a list: what it says, without the series.
type AssessmentLine struct {
	ID               uuid.UUID     `json:"id" format:"uuid"`
	PourID           uuid.UUID     `json:"pour_id" format:"uuid"`
	PourVersion      int64         `json:"pour_version" doc:"Of the pour as it was assessed."`
	At               time.Time     `json:"at"`
	Cause            string        `json:"cause" doc:"What made it: weather, edit, observation or clock."`
	Verdict          rules.Verdict `json:"verdict" enum:"place,protect,move,unscored"`
	WorstRule        string        `json:"worst_rule"`
	WorstReason      string        `json:"worst_reason"`
	WorstProbability *float64      `json:"worst_probability"`
	Severity         string        `json:"severity"`
	NextWindowAt     *time.Time    `json:"next_window_at"`
	Engine           string        `json:"engine"`
	ForecastIDs      []uuid.UUID   `json:"forecast_ids" doc:"The forecasts that it rests on."`
	BaseFrozen       *float64      `json:"base_frozen" doc:"Probability, 0 to 1."`
	FreezesEarly     *float64      `json:"freezes_early" doc:"Probability, 0 to 1."`
	FinishAfterDusk  *float64      `json:"finish_after_dusk" doc:"Probability, 0 to 1."`
	FinishAfterHours *float64      `json:"finish_after_hours" doc:"Probability, 0 to 1."`
	News             bool          `json:"news" doc:"It says something else than the one before."`
}

// A StoredAssessment is an assessment with all that it computed.
type StoredAssessment struct {
	AssessmentLine
	Assessment storedDocument `json:"assessment"`
}

// storedDocument is an assessment as it was stored, passed on unread.
type storedDocument struct{ document }

// Schema is that of an assessment.
func (storedDocument) Schema(registry huma.Registry) *huma.Schema {
	return registry.Schema(reflect.TypeFor[rules.Assessment](), true, "")
}

func assessmentLine(l db.AssessmentLine) AssessmentLine {
	line := AssessmentLine{
		ID: l.ID, PourID: l.PourID, PourVersion: l.PourVersion, At: l.At, Cause: l.Cause, Verdict: l.Verdict, WorstRule: l.WorstRule,
		WorstReason: l.WorstReason, WorstProbability: l.WorstProbability, Severity: l.Severity, NextWindowAt: l.NextWindowAt,
		Engine: l.EngineVersion, ForecastIDs: l.IssueIDs, BaseFrozen: l.PBaseFrozen, FreezesEarly: l.PFreezesEarly,
		FinishAfterDusk: l.PFinishAfterDusk, FinishAfterHours: l.PFinishAfterHours, News: l.News,
	}
	if line.ForecastIDs == nil {
		line.ForecastIDs = []uuid.UUID{}
	}
	return line
}

// answerAssessment sends an assessment. It is never changed, so its id is its validator.
func answerAssessment(found db.Assessment, known NoneMatch) *one[StoredAssessment] {
	return answerOne(StoredAssessment{
		AssessmentLine: assessmentLine(found.AssessmentLine), Assessment: storedDocument{document(found.Document)},
	}, `"`+found.ID.String()+`"`, known)
}

// Requested answers a request for work that takes a moment.
type Requested struct {
	Status string `json:"status" enum:"enqueued"`
}

type requestInput struct {
	ByID
	Idempotent
}

// pageOfInput asks for a page of what hangs on a record.
type pageOfInput struct {
	ByID
	PageInput
}

func (a *API) serveAssessments() {
	const tag = "Assessments"
	serve(a, route{
		method: http.MethodGet, path: "/v1/pours/{id}/assessment", id: "get-latest-assessment", tag: tag,
		summary: "Read the latest assessment of a pour", about: "404 until the pour has been assessed.", roles: anyRole,
	}, func(ctx context.Context, in *getInput) (*one[StoredAssessment], error) {
		found, err := a.db.LatestAssessment(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return answerAssessment(found, in.NoneMatch), nil
	})
	serve(a, route{
		method: http.MethodGet, path: "/v1/assessments/{id}", id: "get-assessment", tag: tag, summary: "Read an assessment", roles: anyRole,
	}, func(ctx context.Context, in *getInput) (*one[StoredAssessment], error) {
		found, err := a.db.Assessment(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return answerAssessment(found, in.NoneMatch), nil
	})
	serve(a, route{
		method: http.MethodGet, path: "/v1/pours/{id}/assessments", id: "list-assessments", tag: tag,
		summary: "List the assessments of a pour", about: "Newest first: how the verdict came about.", roles: anyRole,
	}, func(ctx context.Context, in *pageOfInput) (*listed[AssessmentLine], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		if _, err := a.db.Pour(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		found, err := a.db.Assessments(ctx, scopeOf(ctx), in.ID, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, assessmentLine), nil
	})
	serve(a, route{
		method: http.MethodPost, path: "/v1/pours/{id}/assess", id: "assess-pour", tag: tag, summary: "Have a pour assessed now",
		about: "Edits and new weather do so by themselves. The new assessment appears as the latest in a moment.",
		roles: dispatchers, success: http.StatusAccepted,
	}, func(ctx context.Context, in *requestInput) (*created[Requested], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Requested], error) {
			pour, err := tx.Pour(ctx, scopeOf(ctx), in.ID)
			if err != nil {
				return nil, err
			}
			return &created[Requested]{Status: http.StatusAccepted, Body: Requested{"enqueued"}}, a.enqueueAssess(ctx, tx, pour.ID)
		})
	})
	a.serveWindows()
}
