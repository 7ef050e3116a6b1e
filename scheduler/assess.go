package scheduler

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
)

const assessTimeout = time.Minute

type assessWorker struct {
	river.WorkerDefaults[assessArgs]
	s *Scheduler
}

func (w *assessWorker) Timeout(*river.Job[assessArgs]) time.Duration { return assessTimeout }

// Work assesses pours and decides what is news, all in one transaction. Pours are
// locked against other assessments, so that of two the later one has the last
// word.
func (w *assessWorker) Work(ctx context.Context, job *river.Job[assessArgs]) error {
	return w.s.assess(ctx, job.Args.Cause, job.Args.PourIDs)
}

func (s *Scheduler) assess(ctx context.Context, why cause, ids []uuid.UUID) error {
	var r *round
	err := s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		if err := tx.LockPours(ctx, ids...); err != nil {
			return err
		}
		r = &round{s: s, tx: tx, why: why, now: tx.Clock()}
		if err := r.load(ctx, ids); err != nil {
			return err
		}
		return r.run(ctx)
	})
	if err == nil {
		r.count()
	}
	return err
}

// A round is the assessing of some pours in one transaction.
type round struct {
	s   *Scheduler
	tx  *db.Tx
	why cause
	now time.Time

	firm    db.Firm
	inputs  []db.PourInput
	weather *weatherDesk

	stored  []db.Assessment
	touched []uuid.UUID
	told    []rules.Verdict // of the stored, for counting
	took    []time.Duration
	events  []string // of transitions, for counting
}

func (r *round) load(ctx context.Context, ids []uuid.UUID) error {
	var err error
	if r.firm, err = r.tx.Firm(ctx); err != nil {
		return err
	}
	if r.inputs, err = r.tx.PourInputs(ctx, ids); err != nil {
		return err
	}
	r.weather, err = r.s.openWeather(ctx, r.tx, r.now, r.firm, r.inputs)
	return err
}

// run assesses, then gives notice, then tells the board.
func (r *round) run(ctx context.Context) error {
	verdicts := make([]judged, 0, len(r.inputs))
	for _, in := range r.inputs {
		if in.Pour.State == db.Planned || in.Pour.State == db.Placed {
			v, err := r.assessOne(ctx, in)
			if err != nil {
				return fmt.Errorf("assess pour %s: %w", in.Pour.ID, err)
			}
			verdicts = append(verdicts, v)
		} else {
			verdicts = append(verdicts, judged{in: in})
		}
	}
	if err := r.tx.StoreAssessments(ctx, r.stored...); err != nil {
		return err
	}
	if err := r.tx.TouchAssessed(ctx, r.now, r.touched...); err != nil {
		return err
	}
	if err := r.planCalls(ctx, verdicts); err != nil {
		return err
	}
	if err := r.notify(ctx, verdicts); err != nil {
		return err
	}
	changed := make([]uuid.UUID, len(r.stored))
	for i := range r.stored {
		changed[i] = r.stored[i].PourID
	}
	if len(changed) == 0 {
		return nil
	}
	return announce(ctx, r.tx, Event{Kind: "pour", IDs: changed})
}

// judged is a pour with what its newest assessment says, stored now or before.
type judged struct {
	in       db.PourInput
	line     db.AssessmentLine
	document json.RawMessage // of an assessment made now; nil when nothing changed
	weather  Weather

	assessment *rules.Assessment // the same as the document
}

// hashGrain is how long an assessment of unchanged inputs stands before it is
// computed again: what it says of the coming hours depends a little on the hour it
// was made.
const hashGrain = 3 * time.Hour

func (r *round) assessOne(ctx context.Context, in db.PourInput) (judged, error) {
	w, err := r.weather.at(ctx, in.Pour.SiteID, startOf(in.Pour))
	if err != nil {
		return judged{}, err
	}
	if w.Age == none && r.why == causeEdit { // somebody waits; else the next tick will do
		if err := r.s.nudge(ctx, r.tx, in.Pour.SiteID); err != nil {
			return judged{}, err
		}
	}
	c := CaseOf(in, r.firm, w, r.now)
	hash, err := inputsHash(c, w, r.now)
	if err != nil {
		return judged{}, err
	}
	v := judged{in: in, weather: w}
	if in.Pour.AssessmentID != nil && string(in.InputsHash) == string(hash) {
		r.touched = append(r.touched, in.Pour.ID)
		v.line = standing(in.Pour)
		return v, nil
	}
	began := time.Now()
	a := r.s.compute(c, in)
	r.took = append(r.took, time.Since(began))
	stored, err := r.record(in, w, a, hash)
	if err != nil {
		return judged{}, err
	}
	r.stored, r.told = append(r.stored, stored), append(r.told, a.Verdict)
	v.line, v.document, v.assessment = stored.AssessmentLine, stored.Document, &a
	return v, nil
}

// standing is the assessment that a pour stands on, as far as its own columns
// tell.
func standing(p db.Pour) db.AssessmentLine {
	return db.AssessmentLine{
		ID: *p.AssessmentID, PourID: p.ID, Verdict: p.Verdict, WorstRule: p.WorstRule, WorstReason: p.WorstReason,
		WorstProbability: p.WorstProbability, Severity: p.Severity, NextWindowAt: p.NextWindowAt,
	}
}

// inputsHash is over all that an assessment depends on. The weather is known by
// its issues, which never change; the clock counts by its grain.
func inputsHash(c rules.Case, w Weather, now time.Time) ([]byte, error) {
	c.Weather, c.AssessedAt = nil, time.Time{}
	text, err := json.Marshal(struct {
		Case   rules.Case
		Issues []uuid.UUID
		Orders forecast.Orders
		Age    age
		Engine string
		At     time.Time
	}{c, w.IssueIDs, w.Orders, w.Age, rules.Engine, now.Truncate(hashGrain)})
	if err != nil {
		return nil, fmt.Errorf("hash inputs: %w", err)
	}
	sum := sha256.Sum256(text)
	return sum[:], nil
}

// compute asks the engine. A fault in it costs one pour its verdict, not the
// others of the job theirs.
func (s *Scheduler) compute(c rules.Case, in db.PourInput) (a rules.Assessment) {
	defer func() {
		if fault := recover(); fault != nil {
			s.log.Error("engine failed", "pour", in.Pour.ID, "panic", fault)
			a = rules.Assessment{
				Verdict: rules.Unscored, Unscored: "the engine failed on this pour", Engine: rules.Engine,
				Headline: "Not scored: the engine failed on this pour; its operator has been told.",
			}
		}
	}()
	return rules.Assess(c, rules.Options{
		Members: max(s.cfg.Members, 0), Seed: seedOf(in.Pour.ID), Starts: startsFor(in, c),
	})
}

func (r *round) record(in db.PourInput, w Weather, a rules.Assessment, hash []byte) (db.Assessment, error) {
	document, err := json.Marshal(a)
	if err != nil {
		return db.Assessment{}, fmt.Errorf("write assessment: %w", err)
	}
	id, err := uuid.NewV7()
	if err != nil {
		return db.Assessment{}, fmt.Errorf("make id: %w", err)
	}
	line := db.AssessmentLine{
		ID: id, PourID: in.Pour.ID, PourVersion: in.Pour.Version, At: r.now, Cause: string(r.why), Verdict: a.Verdict,
		WorstReason: a.Headline, NextWindowAt: nextWindow(in.Pour, a), InputsHash: hash, EngineVersion: rules.Engine, IssueIDs: w.IssueIDs,
	}
	if worst := a.Worst(); worst != nil && a.Verdict != rules.Unscored {
		line.WorstRule, line.WorstReason, line.WorstProbability = worst.Rule, worst.Sentence, worst.Probability
	}
	if c := a.Chance; c != nil {
		line.PBaseFrozen, line.PFreezesEarly = &c.BaseFrozen, &c.FreezesEarly
		line.PFinishAfterDusk, line.PFinishAfterHours = &c.FinishAfterDusk, &c.FinishAfterHours
	}
	line.Severity = string(severityNow(in.Pour, line, r.now))
	line.News = line.Verdict != in.Pour.Verdict || line.WorstRule != in.Pour.WorstRule
	return db.Assessment{AssessmentLine: line, Document: document, Origins: w.Origins}, nil
}

func severityNow(p db.Pour, a db.AssessmentLine, now time.Time) alert.Severity {
	var cancelBy time.Time
	if p.CancelBy != nil {
		cancelBy = *p.CancelBy
	}
	return alert.SeverityOf(a.Verdict, a.WorstProbability, now, cancelBy, startOf(p), p.State == db.Placed)
}

// nextWindow is the next start with a better verdict than the planned one.
func nextWindow(p db.Pour, a rules.Assessment) *time.Time {
	if p.State != db.Planned || a.Verdict != rules.Move && a.Verdict != rules.Protect {
		return nil
	}
	for _, w := range a.Windows {
		if w.Verdict == rules.Place || w.Verdict == rules.Protect && a.Verdict == rules.Move {
			return &w.StartsAt
		}
	}
	return nil
}

func (r *round) count() {
	m := r.s.metrics
	for _, v := range r.told {
		m.assessments.WithLabelValues(string(v)).Inc()
	}
	m.assessments.WithLabelValues("unchanged").Add(float64(len(r.touched)))
	for _, t := range r.took {
		m.assessTime.Observe(t.Seconds())
	}
	for _, event := range r.events {
		m.transitions.WithLabelValues(event).Inc()
	}
}
