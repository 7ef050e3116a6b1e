package api

import (
	"context"
	"net/http"
	"time"

	"frostgate/db"
	alerts "frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// An Alert is a condition of a pour or of a weather source. There is one for each subject and kind; each time it is
// raised is an episode, each change a transition with the next number.
type Alert struct {
	ID                uuid.UUID  `json:"id" format:"uuid"`
	CreatedAt         time.Time  `json:"created_at"`
	ChangedAt         time.Time  `json:"changed_at"`
	Kind              string     `json:"kind" doc:"What it is about, such as pour.move."`
	Condition         string     `json:"condition" enum:"arming,raised,clearing,cleared"`
	OperatorState     string     `json:"operator_state" enum:"none,acknowledged,shelved,closed"`
	Severity          string     `json:"severity" enum:"indeterminate,warning,minor,major,critical"`
	Verified          bool       `json:"verified" doc:"false while what it rests on is stale."`
	Chattering        bool       `json:"chattering"`
	InhibitedBy       *uuid.UUID `json:"inhibited_by" format:"uuid" nullable:"true" doc:"The alert that speaks for this one."`
	Episode           int        `json:"episode"`
	Transition        int        `json:"transition" doc:"Number of the last one; they have no gaps."`
	Reason            string     `json:"reason"`
	Detail            document   `json:"detail" doc:"What the reason rests on."`
	RaisedAt          *time.Time `json:"raised_at"`
	ClearedAt         *time.Time `json:"cleared_at"`
	NoticedAt         *time.Time `json:"noticed_at" doc:"When somebody was last told."`
	AcknowledgedBy    string     `json:"acknowledged_by"`
	AcknowledgedAt    *time.Time `json:"acknowledged_at"`
	AcknowledgedUntil *time.Time `json:"acknowledged_until"`
	AckNote           string     `json:"ack_note"`
	ShelvedBy         string     `json:"shelved_by"`
	ShelveReason      string     `json:"shelve_reason"`
	ShelvedUntil      *time.Time `json:"shelved_until"`
	Source            *string    `json:"source" doc:"The weather source that it is about; null when it is about a pour."`
	PourID            *uuid.UUID `json:"pour_id" format:"uuid" nullable:"true"`
	PourName          *string    `json:"pour_name"`
	StartsAt          *time.Time `json:"starts_at" doc:"Of the pour."`
	SiteID            *uuid.UUID `json:"site_id" format:"uuid" nullable:"true"`
	SiteName          *string    `json:"site_name"`
	Timezone          *string    `json:"timezone"`
	CrewID            *uuid.UUID `json:"crew_id" format:"uuid" nullable:"true"`
	PlantID           *uuid.UUID `json:"plant_id" format:"uuid" nullable:"true"`
}

// A Transition is one change of an alert.
type Transition struct {
	Number        int        `json:"number"`
	At            time.Time  `json:"at"`
	Episode       int        `json:"episode"`
	Event         string     `json:"event" doc:"Such as alert.raised."`
	Condition     string     `json:"condition"`
	OperatorState string     `json:"operator_state"`
	Severity      string     `json:"severity"`
	Verified      bool       `json:"verified"`
	Reason        string     `json:"reason"`
	Detail        document   `json:"detail"`
	Actor         string     `json:"actor" doc:"Name of the token, or a part of the program."`
	Note          string     `json:"note"`
	AssessmentID  *uuid.UUID `json:"assessment_id" format:"uuid" nullable:"true"`
}

// Transitions is the history of an alert.
type Transitions struct {
	Items []Transition `json:"items"`
}

func alertView(l db.AlertLine) Alert {
	return Alert{
		ID: l.ID, CreatedAt: l.CreatedAt, ChangedAt: l.ChangedAt, Kind: l.Kind, Condition: l.Condition, OperatorState: l.OperatorState,
		Severity: l.Severity, Verified: l.Verified, Chattering: l.Chattering, InhibitedBy: l.InhibitedBy, Episode: l.Episode,
		Transition: l.Transition, Reason: l.Reason, Detail: document(l.Detail), RaisedAt: l.RaisedAt, ClearedAt: l.ClearedAt, NoticedAt: l.NoticedAt,
		AcknowledgedBy: l.AcknowledgedBy, AcknowledgedAt: l.AcknowledgedAt, AcknowledgedUntil: l.AcknowledgedUntil, AckNote: l.AckNote,
		ShelvedBy: l.ShelvedBy, ShelveReason: l.ShelveReason, ShelvedUntil: l.ShelvedUntil, Source: l.Source, PourID: l.PourID,
		PourName: l.PourName, StartsAt: l.StartsAt, SiteID: l.SiteID, SiteName: l.SiteName, Timezone: l.Timezone, CrewID: l.CrewID, PlantID: l.PlantID,
	}
}

func transition(t db.Transition) Transition {
	return Transition{
		Number: t.Number, At: t.At, Episode: t.Episode, Event: t.Event, Condition: t.Condition, OperatorState: t.OperatorState,
		Severity: t.Severity, Verified: t.Verified, Reason: t.Reason, Detail: document(t.Detail), Actor: t.Actor, Note: t.Note, AssessmentID: t.AssessmentID,
	}
}

type alertsInput struct {
	PageInput
	Pour          []string `query:"pour_id" format:"uuid" maxItems:"100" doc:"One or several, separated by commas."`
	Crew          []string `query:"crew_id" format:"uuid" maxItems:"100"`
	Plant         []string `query:"plant_id" format:"uuid" maxItems:"100"`
	Source        []string `query:"source" maxItems:"20" maxLength:"60"`
	Kind          []string `query:"kind" maxItems:"20" maxLength:"100"`
	Condition     []string `query:"condition" enum:"arming,raised,clearing,cleared" maxItems:"4" doc:"raised,clearing are those in force."`
	OperatorState []string `query:"operator_state" enum:"none,acknowledged,shelved,closed" maxItems:"4"`
	Severity      []string `query:"severity" enum:"indeterminate,warning,minor,major,critical" maxItems:"5"`
}

type acknowledgeInput struct {
	ByID
	Idempotent
	Body *struct { // all of it can be left out
		Note  string  `json:"note,omitempty" maxLength:"2000" doc:"What is being done."`
		Hours float64 `json:"hours,omitempty" minimum:"0.25" maximum:"168" doc:"How long it holds; half an hour for what is critical and 4 hours for the rest when absent. Then, or when it gets more urgent, reminders and escalation go on."`
	}
}

func (a *API) serveAlerts() {
	const tag, path, item = "Alerts", "/v1/alerts", "/v1/alerts/{id}"
	serve(a, route{
		method: http.MethodGet, path: path, id: "list-alerts", tag: tag, summary: "List alerts", about: "Newest first.", roles: anyRole,
	}, func(ctx context.Context, in *alertsInput) (*listed[Alert], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		found, err := a.db.Alerts(ctx, scopeOf(ctx), db.AlertFilter{
			PourIDs: ids(in.Pour), CrewIDs: ids(in.Crew), PlantIDs: ids(in.Plant), Sources: in.Source, Kinds: in.Kind,
			Conditions: in.Condition, OperatorStates: in.OperatorState, Severities: in.Severity,
		}, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, alertView), nil
	})
	serve(a, route{
		method: http.MethodGet, path: item, id: "get-alert", tag: tag, summary: "Read an alert", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[Alert], error) {
		found, err := a.db.Alert(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return &answered[Alert]{Body: alertView(found)}, nil
	})
	serve(a, route{
		method: http.MethodGet, path: item + "/history", id: "list-transitions", tag: tag, summary: "List what happened to an alert",
		about: "In order.", roles: anyRole,
	}, func(ctx context.Context, in *itemInput) (*answered[Transitions], error) {
		if _, err := a.db.Alert(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		found, err := a.db.Transitions(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		list := Transitions{Items: make([]Transition, len(found))}
		for i, t := range found {
			list.Items[i] = transition(t)
		}
		return &answered[Transitions]{Body: list}, nil
	})
	serve(a, route{
		method: http.MethodPost, path: item + "/acknowledge", id: "acknowledge-alert", tag: tag, summary: "Say that somebody is on it",
		about: "For an alert that is in force. It stops reminders and escalation until it expires, or until the alert gets more urgent. Endpoints that were told of the alert are told once who acknowledged it, with the note, unless they are not to be told.", roles: onSite, success: http.StatusOK,
	}, func(ctx context.Context, in *acknowledgeInput) (*created[Alert], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Alert], error) { return a.acknowledge(ctx, tx, in) })
	})
	serve(a, route{
		method: http.MethodPost, path: item + "/unacknowledge", id: "unacknowledge-alert", tag: tag, summary: "Take an acknowledgement back",
		about: "Reminders and escalation go on, as if it had expired.", roles: onSite, success: http.StatusOK,
	}, func(ctx context.Context, in *unacknowledgeInput) (*created[Alert], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Alert], error) { return a.unacknowledge(ctx, tx, in) })
	})
	serve(a, route{
		method: http.MethodPost, path: item + "/shelve", id: "shelve-alert", tag: tag, summary: "Put an alert aside for a time",
		about: "Who was told of it is told that it is put aside. Nothing else of it is told meanwhile, and each ruling says so. When the shelf ends, what is still raised is told once; that it is over is told then, too.", roles: dispatchers, success: http.StatusOK,
	}, func(ctx context.Context, in *shelveInput) (*created[Alert], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Alert], error) { return a.shelve(ctx, tx, in) })
	})
	serve(a, route{
		method: http.MethodPost, path: item + "/unshelve", id: "unshelve-alert", tag: tag, summary: "Take an alert up again",
		roles: dispatchers, success: http.StatusOK,
	}, func(ctx context.Context, in *unshelveInput) (*created[Alert], error) {
		return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Alert], error) { return a.takeUp(ctx, tx, in) })
	})
}

type shelveInput struct {
	ByID
	Idempotent
	Body struct {
		Reason string  `json:"reason" minLength:"1" maxLength:"2000"`
		Hours  float64 `json:"hours" minimum:"0.25" maximum:"168" doc:"From now, a week at most."`
	}
}

func (a *API) shelve(ctx context.Context, tx *db.Tx, in *shelveInput) (*created[Alert], error) {
	alert, err := tx.LockAlertByID(ctx, scopeOf(ctx), in.ID)
	if err != nil {
		return nil, err
	}
	until := tx.Now().Add(time.Duration(in.Body.Hours * float64(time.Hour)))
	alert.OperatorState, alert.ShelvedBy, alert.ShelveReason, alert.ShelvedUntil = "shelved", tx.Actor().Name, in.Body.Reason, &until
	alert.FollowAt = &until
	return a.advanced(ctx, tx, alert, db.Transition{Event: alerts.EventShelved, Note: in.Body.Reason})
}

type unshelveInput struct {
	ByID
	Idempotent
}

func (a *API) takeUp(ctx context.Context, tx *db.Tx, in *unshelveInput) (*created[Alert], error) {
	alert, err := tx.LockAlertByID(ctx, scopeOf(ctx), in.ID)
	if err != nil {
		return nil, err
	}
	if alert.OperatorState != "shelved" {
		return nil, problem(http.StatusConflict, "wrong_state", "The alert is not shelved.")
	}
	if a.unshelve == nil {
		alert.OperatorState, alert.ShelvedBy, alert.ShelveReason, alert.ShelvedUntil = "none", "", "", nil
		return a.advanced(ctx, tx, alert, db.Transition{Event: alerts.EventUnshelved})
	}
	if err := a.unshelve(ctx, tx, alert); err != nil {
		return nil, err
	}
	return alertNow(ctx, tx, alert.ID)
}

// advanced stores what somebody did to an alert, and answers with it.
func (a *API) advanced(ctx context.Context, tx *db.Tx, alert db.Alert, t db.Transition) (*created[Alert], error) {
	if err := a.handle(ctx, tx, alert, t); err != nil {
		return nil, err
	}
	return alertNow(ctx, tx, alert.ID)
}

func alertNow(ctx context.Context, tx *db.Tx, id uuid.UUID) (*created[Alert], error) {
	line, err := tx.Alert(ctx, scopeOf(ctx), id)
	if err != nil {
		return nil, err
	}
	return &created[Alert]{Status: http.StatusOK, Body: alertView(line)}, nil
}

func (a *API) acknowledge(ctx context.Context, tx *db.Tx, in *acknowledgeInput) (*created[Alert], error) {
	alert, err := tx.LockAlertByID(ctx, scopeOf(ctx), in.ID)
	if err != nil {
		return nil, err
	}
	if alert.Condition != "raised" && alert.Condition != "clearing" {
		return nil, problem(http.StatusConflict, "wrong_state", "The alert is not in force; there is nothing to acknowledge.")
	}
	now := tx.Now()
	lasts, note := alerts.AckLasts(alerts.Severity(alert.Severity)), ""
	if in.Body != nil {
		note = in.Body.Note
		if in.Body.Hours > 0 {
			lasts = time.Duration(in.Body.Hours * float64(time.Hour))
		}
	}
	putAcknowledged(&alert, tx.Actor().Name, note, now, now.Add(lasts))
	return a.advanced(ctx, tx, alert, db.Transition{Event: alerts.EventAcknowledged, Note: note})
}

type unacknowledgeInput struct {
	ByID
	Idempotent
	Body *struct { // all of it can be left out
		Note string `json:"note,omitempty" maxLength:"2000" doc:"Why."`
	}
}

func (a *API) unacknowledge(ctx context.Context, tx *db.Tx, in *unacknowledgeInput) (*created[Alert], error) {
	alert, err := tx.LockAlertByID(ctx, scopeOf(ctx), in.ID)
	if err != nil {
		return nil, err
	}
	if alert.OperatorState != "acknowledged" {
		return nil, problem(http.StatusConflict, "wrong_state", "The alert is not acknowledged.")
	}
	now := tx.Now()
	alert.OperatorState, alert.AcknowledgedBy, alert.AcknowledgedAt, alert.AckNote, alert.AcknowledgedUntil = "none", "", nil, "", nil
	alert.EscalatedAt, alert.FollowAt = &now, &now // the steps of escalation count from here
	t := db.Transition{Event: alerts.EventUnacknowledged}
	if in.Body != nil {
		t.Note = in.Body.Note
	}
	return a.advanced(ctx, tx, alert, t)
}

func putAcknowledged(alert *db.Alert, by, note string, now, until time.Time) {
	alert.OperatorState, alert.AcknowledgedBy, alert.AcknowledgedAt, alert.AckNote = "acknowledged", by, &now, note
	alert.AcknowledgedUntil, alert.FollowAt = &until, &until
}
