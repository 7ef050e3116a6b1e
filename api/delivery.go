package api

import (
	"context"
	"net/http"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// A Delivery is one notice to one endpoint: the same bytes under the same id on every attempt.
type Delivery struct {
	ID            uuid.UUID  `json:"id" format:"uuid"`
	CreatedAt     time.Time  `json:"created_at"`
	UpdatedAt     time.Time  `json:"updated_at"`
	EndpointID    uuid.UUID  `json:"endpoint_id" format:"uuid"`
	AlertID       *uuid.UUID `json:"alert_id" format:"uuid" nullable:"true"`
	Transition    *int       `json:"transition" doc:"Of the alert."`
	Severity      string     `json:"severity"`
	WebhookID     string     `json:"webhook_id" doc:"The webhook-id header of every attempt."`
	State         string     `json:"state" enum:"pending,accepted,dead,superseded,suppressed"`
	Reason        string     `json:"reason"`
	Attempts      int        `json:"attempts"`
	NextAttemptAt *time.Time `json:"next_attempt_at"`
	SettledAt     *time.Time `json:"settled_at"`
}

// A DeliveryLine is a delivery in a list.
type DeliveryLine struct {
	Delivery
	NoticeType   string     `json:"notice_type" doc:"Such as alert.raised."`
	EndpointName string     `json:"endpoint_name"`
	EndpointHost string     `json:"endpoint_host"`
	PourID       *uuid.UUID `json:"pour_id" format:"uuid" nullable:"true"`
}

// A DeliveryDetail is a delivery with what was sent and how it went.
type DeliveryDetail struct {
	Delivery
	ContentType string    `json:"content_type"`
	Body        string    `json:"body" doc:"As sent."`
	Tries       []Attempt `json:"tries" doc:"In order. A number that is left out died before its outcome was known."`
}

// An Attempt is one try of a delivery.
type Attempt struct {
	Number      int       `json:"number"`
	At          time.Time `json:"at"`
	DurationMS  int       `json:"duration_ms"`
	Outcome     string    `json:"outcome" enum:"accepted,retry,permanent,gone,unknown"`
	Status      *int      `json:"status" doc:"Of HTTP, or of SMTP for a mail; null without an answer."`
	Error       string    `json:"error"`
	Response    string    `json:"response" doc:"Beginning of the answer."`
	RetryAfterS *float64  `json:"retry_after_s"`

	Addresses []AddressResult `json:"addresses" doc:"Of a mail: what the server said to each address. Who has it is not sent it again by the next attempt."`
}

// An AddressResult is what a mail server said to one address.
type AddressResult struct {
	Address  string `json:"address"`
	Status   int    `json:"status" doc:"Of SMTP; from 200 to 299 when the address has the message."`
	Response string `json:"response"`
}

func delivery(d db.DeliveryState) Delivery {
	return Delivery{
		ID: d.ID, CreatedAt: d.CreatedAt, UpdatedAt: d.UpdatedAt, EndpointID: d.EndpointID, AlertID: d.AlertID, Transition: d.Transition,
		Severity: d.Severity, WebhookID: d.WebhookID, State: d.State, Reason: d.Reason, Attempts: d.Attempts,
		NextAttemptAt: d.NextAttemptAt, SettledAt: d.SettledAt,
	}
}

func deliveryLine(l db.DeliveryLine) DeliveryLine {
	return DeliveryLine{
		Delivery: delivery(l.DeliveryState), NoticeType: l.NoticeType, EndpointName: l.EndpointName, EndpointHost: l.EndpointHost, PourID: l.PourID,
	}
}

func attempt(t db.Attempt) Attempt {
	addresses := make([]AddressResult, len(t.Addresses))
	for i, said := range t.Addresses {
		addresses[i] = AddressResult(said)
	}
	return Attempt{
		Addresses: addresses, Number: t.Number, At: t.At, DurationMS: t.DurationMS, Outcome: t.Outcome, Status: t.Status, Error: t.Error,
		Response: t.Response, RetryAfterS: t.RetryAfterS,
	}
}

type deliveriesInput struct {
	PageInput
	EndpointID string    `query:"endpoint_id" format:"uuid"`
	AlertID    string    `query:"alert_id" format:"uuid"`
	PourID     string    `query:"pour_id" format:"uuid"`
	State      []string  `query:"state" enum:"pending,accepted,dead,superseded,suppressed" maxItems:"5"`
	From       time.Time `query:"from" doc:"Made at or after."`
	MadeBefore time.Time `query:"made_before" doc:"Made before."`
}

func (a *API) serveDeliveries() {
	const tag = "Alerts"
	serve(a, route{
		method: http.MethodGet, path: "/v1/deliveries", id: "list-deliveries", tag: tag, summary: "List deliveries", about: "Newest first.",
		roles: inOffice,
	}, func(ctx context.Context, in *deliveriesInput) (*listed[DeliveryLine], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		found, err := a.db.Deliveries(ctx, scopeOf(ctx), db.DeliveryFilter{
			EndpointID: maybeID(in.EndpointID), AlertID: maybeID(in.AlertID), PourID: maybeID(in.PourID), States: in.State,
			From: in.From, Before: in.MadeBefore,
		}, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, deliveryLine), nil
	})
	serve(a, route{
		method: http.MethodGet, path: "/v1/deliveries/{id}", id: "get-delivery", tag: tag, summary: "Read a delivery with its attempts", roles: inOffice,
	}, func(ctx context.Context, in *itemInput) (*answered[DeliveryDetail], error) {
		found, err := a.db.Delivery(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		attempts, err := a.db.Attempts(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		detail := DeliveryDetail{Delivery: delivery(found.DeliveryState), ContentType: found.ContentType, Body: string(found.Body), Tries: []Attempt{}}
		for _, t := range attempts {
			detail.Tries = append(detail.Tries, attempt(t))
		}
		return &answered[DeliveryDetail]{Body: detail}, nil
	})
	serve(a, route{
		method: http.MethodPost, path: "/v1/deliveries/{id}/replay", id: "replay-delivery", tag: tag, summary: "Send a delivery again",
		about: "The same bytes under the same id, so that a receiver that has them can tell. A mail that some addresses have not got goes to those alone. Not while it is pending.", roles: dispatchers, success: http.StatusOK,
	}, a.replayDelivery)
	serve(a, route{
		method: http.MethodPost, path: "/v1/delivery-replay", id: "replay-deliveries", tag: tag, summary: "Send a range of deliveries again",
		about: "What was made in a range of time for an endpoint, an alert or a pour: the same bytes under the same ids. What is pending is left alone.",
		roles: dispatchers, firmWide: true, success: http.StatusOK,
	}, a.replayDeliveries)
}

type replayOneInput struct {
	ByID
	Idempotent
}

func (a *API) replayDelivery(ctx context.Context, in *replayOneInput) (*created[Delivery], error) {
	return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Delivery], error) {
		if _, err := tx.Delivery(ctx, scopeOf(ctx), in.ID); err != nil {
			return nil, err
		}
		again, err := tx.Replay(ctx, scopeOf(ctx), db.DeliveryFilter{ID: in.ID})
		if err != nil {
			return nil, err
		}
		if len(again) == 0 {
			return nil, problem(http.StatusConflict, "wrong_state", "The delivery is pending; it is sent without this.")
		}
		found, err := tx.Delivery(ctx, scopeOf(ctx), in.ID)
		if err != nil {
			return nil, err
		}
		return &created[Delivery]{Status: http.StatusOK, Body: delivery(found.DeliveryState)}, nil
	})
}

type replayInput struct {
	Idempotent
	Body struct {
		EndpointID *uuid.UUID `json:"endpoint_id,omitempty" format:"uuid"`
		AlertID    *uuid.UUID `json:"alert_id,omitempty" format:"uuid"`
		PourID     *uuid.UUID `json:"pour_id,omitempty" format:"uuid"`
		State      []string   `json:"state,omitempty" enum:"accepted,dead,superseded,suppressed" maxItems:"4" doc:"Only what ended so; what is dead when absent."`
		From       time.Time  `json:"from" doc:"Made at or after."`
		MadeBefore time.Time  `json:"made_before" doc:"Made before."`
	}
}

// A Replayed tells which deliveries are sent again.
type Replayed struct {
	DeliveryIDs []uuid.UUID `json:"delivery_ids" format:"uuid"`
}

func (a *API) replayDeliveries(ctx context.Context, in *replayInput) (*created[Replayed], error) {
	f := db.DeliveryFilter{States: in.Body.State, From: in.Body.From, Before: in.Body.MadeBefore}
	if !f.Before.After(f.From) {
		return nil, invalid(atPointer("/made_before", "range", "must be after from"))
	}
	if len(f.States) == 0 {
		f.States = []string{"dead"}
	}
	for _, of := range []struct {
		given *uuid.UUID
		id    *uuid.UUID
	}{{in.Body.EndpointID, &f.EndpointID}, {in.Body.AlertID, &f.AlertID}, {in.Body.PourID, &f.PourID}} {
		if of.given != nil {
			*of.id = *of.given
		}
	}
	return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Replayed], error) {
		again, err := tx.Replay(ctx, scopeOf(ctx), f)
		if err != nil {
			return nil, err
		}
		return &created[Replayed]{Status: http.StatusOK, Body: Replayed{DeliveryIDs: append([]uuid.UUID{}, again...)}}, nil
	})
}

// maybeID parses what the schema has checked; empty is none.
func maybeID(text string) uuid.UUID {
	id, err := uuid.Parse(text)
	if err != nil {
		return uuid.Nil
	}
	return id
}
