package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"
	alerts "frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// An Explanation is why messages were sent or were not, to whom, by which rule, and what comes next.
type Explanation struct {
	Summary  string             `json:"summary" doc:"How it stands, in a sentence."`
	Why      []Because          `json:"why" doc:"What it rests on."`
	Messages []ExplainedMessage `json:"messages" doc:"What there was to tell, the newest first, with the ruling for each endpoint; 500 rulings of an alert at most."`
	Coming   []Coming           `json:"coming" doc:"What time alone will do, the next first."`
	AlertIDs []uuid.UUID        `json:"alert_ids" format:"uuid"`
}

// A Because is one thing that an explanation rests on.
type Because struct {
	At       *time.Time `json:"at"`
	Rule     string     `json:"rule"`
	Sentence string     `json:"sentence"`
}

// An ExplainedMessage is something there was to tell.
type ExplainedMessage struct {
	NoticeID   uuid.UUID         `json:"notice_id" format:"uuid"`
	At         time.Time         `json:"at"`
	Type       string            `json:"type"`
	Severity   string            `json:"severity"`
	Reason     string            `json:"reason"`
	Transition *int              `json:"transition" doc:"Of the alert; null for what the clock has to say of a pour."`
	Text       string            `json:"text"`
	Rulings    []ExplainedRuling `json:"rulings"`
}

// An ExplainedRuling is whether an endpoint was told, when, and by which rule.
type ExplainedRuling struct {
	EndpointID    uuid.UUID  `json:"endpoint_id" format:"uuid"`
	Endpoint      string     `json:"endpoint" doc:"Its name."`
	Ruling        string     `json:"ruling" enum:"now,hold,never"`
	Rule          string     `json:"rule"`
	Sentence      string     `json:"sentence"`
	State         string     `json:"state" enum:"waiting,told,untold"`
	DueAt         *time.Time `json:"due_at" doc:"Until when it is or was held."`
	ToldAt        *time.Time `json:"told_at" doc:"When its message was made."`
	DeliveryID    *uuid.UUID `json:"delivery_id" format:"uuid" nullable:"true"`
	DeliveryState *string    `json:"delivery_state"`
}

// A Coming is something that time alone will do.
type Coming struct {
	At       time.Time `json:"at"`
	Event    string    `json:"event"`
	Sentence string    `json:"sentence"`
}

func (a *API) serveExplanations() {
	const tag = "Alerts"
	serve(a, route{
		method: http.MethodGet, path: "/v1/alerts/{id}/explanation", id: "explain-alert", tag: tag, summary: "Explain an alert",
		about: "Who was told of what, when and why, or why not; and what comes next.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[Explanation], error) {
		found, err := a.db.Alert(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		e := newExplanation()
		if err := a.explainAlert(ctx, found, &e); err != nil {
			return nil, err
		}
		e.Summary = e.Why[0].Sentence
		return &answered[Explanation]{Body: e.inOrder()}, nil
	})
	serve(a, route{
		method: http.MethodGet, path: "/v1/pours/{id}/explanation", id: "explain-pour", tag: tag, summary: "Explain what is told of a pour",
		about: "Also when there is no alert: why there is none.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[Explanation], error) {
		pour, err := a.db.Pour(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		e, err := a.explainPour(ctx, pour)
		if err != nil {
			return nil, err
		}
		return &answered[Explanation]{Body: e.inOrder()}, nil
	})
}

func newExplanation() Explanation {
	return Explanation{Why: []Because{}, Messages: []ExplainedMessage{}, Coming: []Coming{}, AlertIDs: []uuid.UUID{}}
}

func (e Explanation) inOrder() Explanation {
	slices.SortStableFunc(e.Messages, func(a, b ExplainedMessage) int { return b.At.Compare(a.At) })
	slices.SortStableFunc(e.Coming, func(a, b Coming) int { return a.At.Compare(b.At) })
	return e
}

func (e *Explanation) because(at *time.Time, rule, format string, args ...any) {
	e.Why = append(e.Why, Because{At: at, Rule: rule, Sentence: fmt.Sprintf(format, args...)})
}

func (a *API) explainPour(ctx context.Context, p db.Pour) (Explanation, error) {
	e := newExplanation()
	found, err := a.db.Alerts(ctx, scopeOf(ctx), db.AlertFilter{PourIDs: []uuid.UUID{p.ID}}, db.Page{Limit: 20})
	if err != nil {
		return e, err
	}
	raised := slices.ContainsFunc(found.Items, func(l db.AlertLine) bool { return alerts.Condition(l.Condition).InForce() })
	e.Summary = standing(&e, p, raised)
	for _, l := range found.Items {
		if err := a.explainAlert(ctx, l, &e); err != nil {
			return e, err
		}
	}
	return e, a.explainCalls(ctx, p, &e)
}

// standing says why the verdict on a pour raises an alert or does not.
func standing(e *Explanation, p db.Pour, raised bool) string {
	say := func(rule, format string, args ...any) string {
		e.because(p.AssessedAt, rule, format, args...)
		return e.Why[len(e.Why)-1].Sentence
	}
	switch {
	case p.State == db.Released || p.State == db.Cancelled:
		return say("pour.over", "The pour is %s: there is nothing to tell of it any more.", p.State)
	case p.AssessedAt == nil:
		return say("pour.unassessed", "The pour has not been assessed yet.")
	case p.Verdict == rules.Unscored:
		return say("verdict.unscored", "The pour is not scored, which neither raises nor clears an alert: %s", p.WorstReason)
	case p.Verdict == rules.Place:
		return say("verdict.place", "The verdict is place: there is nothing to warn of.")
	case p.Verdict == rules.Protect:
		return say("verdict.protect", "The verdict is protect. An alert is raised for move alone; what protection needs is told at its hours.")
	case raised:
		return say("verdict.move", "The verdict is move: %s", p.WorstReason)
	case p.WorstProbability != nil && *p.WorstProbability < alerts.ForPours.RaiseAt:
		return say("raise.limit", "The verdict is move, at a probability of %s: an alert is raised from %s on, or when it is critical.",
			rules.Percent(*p.WorstProbability), rules.Percent(alerts.ForPours.RaiseAt))
	}
	return say("raise.delay", "The verdict is move, and has not lasted long enough yet to raise an alert.")
}

// explainAlert adds why an alert stands as it does, who was told, and what comes.
func (a *API) explainAlert(ctx context.Context, l db.AlertLine, e *Explanation) error {
	e.AlertIDs = append(e.AlertIDs, l.ID)
	conditionOf(e, l)
	if err := a.silences(ctx, l, e); err != nil {
		return err
	}
	told, err := a.db.Tellings(ctx, scopeOf(ctx), l.ID, 500)
	if err != nil {
		return err
	}
	e.Messages = append(e.Messages, messagesOf(told)...)
	for _, t := range told {
		if t.State == "waiting" {
			e.Coming = append(e.Coming, Coming{At: t.DueAt.UTC(), Event: t.Type, Sentence: fmt.Sprintf("%s is told: %s", t.EndpointName, t.Sentence)})
		}
	}
	if l.WakeAt != nil {
		e.Coming = append(e.Coming, Coming{At: l.WakeAt.UTC(), Event: "evaluation", Sentence: "It is judged again: a delay or the time of chattering may be over."})
	}
	if a.coming == nil {
		return nil
	}
	next, err := a.coming(ctx, l.Alert)
	for _, f := range next {
		e.Coming = append(e.Coming, Coming{At: f.At.UTC(), Event: f.Event, Sentence: f.Sentence})
	}
	return err
}

func conditionOf(e *Explanation, l db.AlertLine) {
	switch alerts.Condition(l.Condition) {
	case alerts.Arming:
		e.because(&l.ChangedAt, "raise.delay", "What it warns of holds, and not long enough yet to be told: it went to and fro lately.")
	case alerts.Clearing:
		e.because(l.RaisedAt, "clear.delay", "The alert is raised (%s). It may be over, and has not been so long enough yet: it went to and fro lately.", l.Severity)
	case alerts.Raised:
		e.because(l.RaisedAt, "condition.raised", "The alert is raised (%s): %s.", l.Severity, reasonWords(l.Reason))
	case alerts.Cleared:
		e.because(l.ClearedAt, "condition.cleared", "The alert is not raised: there is nothing to tell.")
	}
}

func reasonWords(reason string) string {
	words := map[string]string{
		alerts.ReasonRaised: "what it warns of holds", alerts.ReasonSeverity: "it got more urgent", alerts.ReasonCause: "there is a new cause",
		alerts.ReasonStart: "the start was moved", alerts.ReasonChattering: "it changes too often", alerts.ReasonSettled: "it has settled",
		alerts.ReasonNobody: "nobody has acknowledged it", alerts.ReasonAckOver: "the acknowledgement expired",
		alerts.ReasonPerson:    "somebody dealt with it",
		alerts.ReasonShelfOver: "the shelf ended", alerts.ReasonPlanOver: "a planned suppression ended",
	}
	if said := words[reason]; said != "" {
		return said
	}
	return reason
}

// silences says what keeps an alert from being told, or told again.
func (a *API) silences(ctx context.Context, l db.AlertLine, e *Explanation) error {
	switch {
	case l.OperatorState == "shelved" && l.ShelvedUntil != nil:
		e.because(l.ShelvedUntil, alerts.RuleShelved, "%s shelved it until then: %s.", l.ShelvedBy, l.ShelveReason)
	case l.OperatorState == "acknowledged" && l.AcknowledgedUntil != nil:
		e.because(l.AcknowledgedUntil, "acknowledged", "%s acknowledged it; until then nobody is reminded and it is not escalated.", l.AcknowledgedBy)
	}
	if l.Chattering {
		e.because(nil, alerts.RuleChattering, "It keeps changing, which was told; changes are kept and not told until it has been steady for hours.")
	}
	if !l.Verified {
		e.because(nil, "unverified", "What it rests on is not fresh: it stays as it is, for silence clears nothing.")
	}
	if l.InhibitedBy != nil {
		e.because(nil, alerts.RuleInhibited, "The alert on a weather source that it rests on speaks for it: repeats are not told.")
	}
	if l.Escalation > 0 {
		e.because(nil, "escalated", "It has been escalated to endpoints of rank %d.", l.Escalation)
	}
	active, err := a.db.ActiveSuppressions(ctx, a.now())
	for _, w := range active {
		if sameOrNone(w.SiteID, l.SiteID) && sameOrNone(w.CrewID, l.CrewID) && sameOrNone(w.PourID, l.PourID) {
			and := "; what is critical is told all the same"
			if w.CriticalToo {
				and = ", also what is critical"
			}
			e.because(&w.EndsAt, alerts.RulePlanned, "%s suppressed it as planned until then%s: %s.", w.MadeBy, and, w.Reason)
		}
	}
	return err
}

func sameOrNone(want, is *uuid.UUID) bool { return want == nil || is != nil && *want == *is }

// messagesOf puts the rulings on each notice together.
func messagesOf(told []db.TellingLine) []ExplainedMessage {
	var list []ExplainedMessage
	at := map[uuid.UUID]int{}
	for _, t := range told {
		i, known := at[t.NoticeID]
		if !known {
			var said struct{ Text string }
			_ = json.Unmarshal(t.Payload, &said) // what can't be read has no text
			i, at[t.NoticeID] = len(list), len(list)
			list = append(list, ExplainedMessage{
				NoticeID: t.NoticeID, At: t.CreatedAt.UTC(), Type: t.Type, Severity: t.Severity, Reason: t.Reason, Transition: t.Transition, Text: said.Text,
			})
		}
		r := ExplainedRuling{
			EndpointID: t.EndpointID, Endpoint: t.EndpointName, Ruling: t.Ruling, Rule: t.Rule, Sentence: t.Sentence, State: t.State,
			DueAt: t.DueAt, DeliveryID: t.DeliveryID, DeliveryState: t.DeliveryState,
		}
		if t.State == "told" {
			r.ToldAt = t.SettledAt
		}
		list[i].Rulings = append(list[i].Rulings, r)
	}
	return list
}

// explainCalls adds what the clock had and will have to say of a pour.
func (a *API) explainCalls(ctx context.Context, p db.Pour, e *Explanation) error {
	calls, err := a.db.Calls(ctx, scopeOf(ctx), p.ID)
	if err != nil {
		return err
	}
	var said []uuid.UUID
	for _, c := range calls {
		switch {
		case c.NoticeID != nil:
			said = append(said, *c.NoticeID)
		case c.State == "waiting":
			e.Coming = append(e.Coming, Coming{At: c.At.UTC(), Event: c.Type, Sentence: "It is said at this hour what the pour needs."})
		default:
			e.because(&c.At, "call.missed", "%s was not said: its time was over, or there was nothing to say any more.", c.Type)
		}
	}
	told, err := a.db.TellingsOn(ctx, said...)
	e.Messages = append(e.Messages, messagesOf(told)...)
	return err
}
