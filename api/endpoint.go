package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// An EndpointForm is where notices go, as people give it. The URL is a secret: it is taken, and never given out.
type EndpointForm struct {
	Name             string      `json:"name" minLength:"1" maxLength:"200" doc:"Unique." example:"Dispatch chat"`
	Kind             string      `json:"kind,omitempty" enum:"standard,cloudevents,text,chat_entities,chat_markdown,chat_content,chat_card,chat_text,chat_html,mail" doc:"Form of the messages. standard is the JSON event and the default; cloudevents wraps it (structured, 1.0); text is plain text, by the template when there is one. The others are those of chat systems' incoming webhooks: chat_entities posts {text} with &amp; &lt; &gt;, chat_markdown {text} in markdown, chat_content {content} with allowed_mentions, chat_card an adaptive card, chat_text {text}, chat_html {text, html}. mail is e-mail, in plain text and HTML, through the mail server that the service is set up with. All others are signed by Standard Webhooks 1.0."`
	Template         string      `json:"template,omitempty" maxLength:"4000" doc:"Of your own, for the kind text: text with fields such as {{.Pour}}, chosen by {{if}} and {{with}}. Fields: Type, Severity, Reason, Text, Verdict, Headline, Pour, Site, Crew, Plant, Start, CancelBy, Finding, Chance, Remedy, RemedyBy, NextStart, Weather, Source, Since, Change, Due, Link, AckLink. What a message has nothing to say about is empty."`
	URL              string      `json:"url,omitempty" maxLength:"2000" format:"uri" doc:"https, to a public address; for the kind mail mailto: with up to 20 mail addresses, separated by commas. Needed when it is made; it is not given out again."`
	CrewIDs          []uuid.UUID `json:"crew_ids,omitempty" format:"uuid" maxItems:"200" doc:"Only about what these crews do; all crews when absent."`
	PlantIDs         []uuid.UUID `json:"plant_ids,omitempty" format:"uuid" maxItems:"200" doc:"Only about what these plants supply; all plants when absent."`
	MinSeverity      string      `json:"min_severity,omitempty" enum:"warning,minor,major,critical" doc:"warning when absent."`
	Enabled          *bool       `json:"enabled,omitempty" doc:"true when absent."`
	Rank             int         `json:"rank,omitempty" minimum:"0" maximum:"9" doc:"0 is told at once; an endpoint of a higher rank is told when nobody acknowledges, one rank after the other."`
	DelayMin         int         `json:"delay_min,omitempty" minimum:"0" maximum:"1440" doc:"How long after the rank before it this rank is told; the shortest of all of its rank counts. Quiet hours in which nobody was told do not count."`
	Acknowledgements *bool       `json:"acknowledgements,omitempty" doc:"Whether it is also told when somebody acknowledges or shelves an alert that it was told of, or takes an acknowledgement back; true when absent."`
	Digest           *DigestForm `json:"digest,omitempty" doc:"Besides alerts: the pours of a day, once in the morning or once in the afternoon before. None when absent."`
}

// An Endpoint is a stored endpoint, without its secrets.
type Endpoint struct {
	Saved
	EndpointForm
	Host         string     `json:"host" doc:"Of the URL."`
	StateReason  string     `json:"state_reason" doc:"Why it is disabled."`
	StateAt      time.Time  `json:"state_at"`
	FailingSince *time.Time `json:"failing_since" doc:"First failure after the last success."`
	AcceptedAt   *time.Time `json:"accepted_at" doc:"Last success."`
	Folded       int        `json:"folded" doc:"Messages that were folded into others because there were too many in ten minutes."`
	FloodedUntil *time.Time `json:"flooded_until" doc:"Until when that last happened."`
}

// A NewEndpoint is an endpoint with its signing secret, which is shown this once.
type NewEndpoint struct {
	Endpoint
	Secret string `json:"secret,omitempty" doc:"Signs the messages (whsec_...). Shown once."`
}

func endpointView(e db.Endpoint) Endpoint {
	return Endpoint{
		Saved: saved(e.Record), EndpointForm: endpointForm(e), Host: e.Host, StateReason: e.StateReason, StateAt: e.StateAt,
		FailingSince: e.FailingSince, AcceptedAt: e.AcceptedAt, Folded: e.Folded, FloodedUntil: e.FloodedUntil,
	}
}

func endpointForm(e db.Endpoint) EndpointForm {
	enabled := e.State == "enabled"
	return EndpointForm{
		Name: e.Name, Kind: e.Kind, CrewIDs: e.CrewIDs, PlantIDs: e.PlantIDs, MinSeverity: e.MinSeverity, Enabled: &enabled,
		Rank: e.Rank, DelayMin: e.DelayMin, Template: settingsOf(e).Template, Digest: settingsOf(e).Digest,
		Acknowledgements: settingsOf(e).Acknowledgements,
	}
}

// endpointSettings are stored beside the columns of an endpoint; the scheduler reads them by the same names.
type endpointSettings struct {
	Template string      `json:"template,omitempty"`
	Digest   *DigestForm `json:"digest,omitempty"`

	Acknowledgements *bool `json:"acknowledgements,omitempty"`
}

func settingsOf(e db.Endpoint) (s endpointSettings) {
	_ = json.Unmarshal(e.Settings, &s) // written by fillEndpoint
	return s
}

func (a *API) fillEndpoint(ctx context.Context, tx *db.Tx, f EndpointForm, e db.Endpoint) (db.Endpoint, error) {
	wasMail := e.Kind == alert.FormMail
	e.Name, e.Kind, e.CrewIDs, e.PlantIDs, e.MinSeverity = f.Name, f.Kind, f.CrewIDs, f.PlantIDs, f.MinSeverity
	e.Rank, e.DelayMin = f.Rank, f.DelayMin
	if e.Kind == "" {
		e.Kind = alert.FormStandard
	}
	if err := checkTemplate(e.Kind, f.Template); err != nil {
		return e, err
	}
	err := f.Digest.check()
	if err != nil {
		return e, err
	}
	if e.Settings, err = json.Marshal(endpointSettings{Template: f.Template, Digest: f.Digest.wanted(), Acknowledgements: f.Acknowledgements}); err != nil {
		return e, fmt.Errorf("write settings: %w", err)
	}
	switch enabled := f.Enabled == nil || *f.Enabled; {
	case enabled:
		e.State, e.StateReason = "enabled", ""
	case e.State != "disabled":
		e.State, e.StateReason = "disabled", "by "+tx.Actor().Name
	}
	if isMail := e.Kind == alert.FormMail; e.ID != uuid.Nil && f.URL == "" && isMail != wasMail {
		return e, invalid(atPointer("/url", "required", "is required, since e-mail and the web have addresses of their own"))
	}
	if err := a.checkURL(e.Kind, f.URL, e.ID == uuid.Nil); err != nil {
		return e, err
	}
	return e, checkScope(ctx, tx, f.CrewIDs, f.PlantIDs)
}

// checkURL refuses addresses that may not be called; the reason does not repeat the URL.
func (a *API) checkURL(kind, url string, required bool) error {
	if url == "" {
		if required {
			return invalid(atPointer("/url", "required", "is required"))
		}
		return nil
	}
	check := func() error { _, err := a.guard.CheckURL(url); return err }
	if kind == alert.FormMail {
		check = func() error { _, err := alert.MailAddresses(url); return err }
	}
	if err := check(); err != nil {
		reason := strings.TrimPrefix(err.Error(), alert.ErrAddress.Error()+": ")
		return invalid(atPointer("/url", "refused", "is not allowed: "+reason))
	}
	return nil
}

func checkTemplate(kind, template string) error {
	switch {
	case template == "":
		return nil
	case kind != alert.FormText:
		return invalid(atPointer("/template", "invalid", "is for the kind text alone"))
	}
	if err := alert.CheckTemplate(template); err != nil {
		return invalid(atPointer("/template", "invalid", err.Error()))
	}
	return nil
}

type previewInput struct {
	Body struct {
		Kind     string `json:"kind" enum:"standard,cloudevents,text,chat_entities,chat_markdown,chat_content,chat_card,chat_text,chat_html,mail"`
		Template string `json:"template,omitempty" maxLength:"4000" doc:"For the kind text."`
	}
}

// A Preview is what an endpoint of a kind would be sent.
type Preview struct {
	ContentType string `json:"content_type"`
	Body        string `json:"body"`
}

func preview(_ context.Context, in *previewInput) (*answered[Preview], error) {
	if err := checkTemplate(in.Body.Kind, in.Body.Template); err != nil {
		return nil, err
	}
	contentType, body, err := alert.Write(alert.Sample(), in.Body.Kind, in.Body.Template)
	if err != nil {
		return nil, err
	}
	return &answered[Preview]{Body: Preview{ContentType: contentType, Body: string(body)}}, nil
}

type rotateInput struct {
	ByID
	Idempotent
}

// overlap is how long an old signing secret stays valid beside a new one.
const overlap = 24 * time.Hour

func (a *API) serveEndpoints() {
	const tag, path, item = "Alerts", "/v1/endpoints", "/v1/endpoints/{id}"
	serve(a, route{
		method: http.MethodGet, path: path, id: "list-endpoints", tag: tag, summary: "List endpoints", roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *PageInput) (*listed[Endpoint], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		found, err := a.db.Endpoints(ctx, page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, endpointView), nil
	})
	serve(a, route{
		method: http.MethodPost, path: path, id: "create-endpoint", tag: tag, summary: "Make an endpoint",
		about: "The answer holds its signing secret, this once: a repeated request with the same Idempotency-Key is answered without it.",
		roles: dispatchers, firmWide: true, success: http.StatusCreated,
	}, a.createEndpoint)
	serve(a, route{
		method: http.MethodPost, path: "/v1/endpoint-preview", id: "preview-message", tag: tag, summary: "Show a message in a form",
		about: "Of a sample alert, by a template of your own when given. Nothing is stored or sent.", roles: dispatchers, firmWide: true, success: http.StatusOK,
	}, preview)
	serve(a, route{
		method: http.MethodGet, path: item, id: "get-endpoint", tag: tag, summary: "Read an endpoint", roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *itemInput) (*one[Endpoint], error) {
		e, err := a.db.Endpoint(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		// Its health changes without an edit, so that a known version is no reason to answer 304.
		return answerOne(endpointView(e), etag(e.Version), NoneMatch{}), nil
	})
	serve(a, route{
		method: http.MethodPatch, path: item, id: "patch-endpoint", tag: tag, summary: "Change an endpoint", about: "Its URL, too.",
		roles: dispatchers, firmWide: true, body: patchBody(a.huma.OpenAPI().Components.Schemas, reflect.TypeFor[EndpointForm]()),
	}, a.patchEndpoint)
	serve(a, route{
		method: http.MethodDelete, path: item, id: "delete-endpoint", tag: tag, summary: "Delete an endpoint",
		about: "With its deliveries. To keep them, disable it.", roles: dispatchers, firmWide: true,
	}, func(ctx context.Context, in *deleteInput) (*struct{}, error) {
		return nil, a.edit(ctx, func(tx *db.Tx) error {
			current, err := tx.Endpoint(ctx, in.ID)
			if err != nil {
				return err
			}
			if err := in.check(current.Version); err != nil {
				return err
			}
			return tx.DeleteEndpoint(ctx, in.ID, current.Version)
		})
	})
	serve(a, route{
		method: http.MethodPost, path: item + "/rotate", id: "rotate-secret", tag: tag, summary: "Give an endpoint a new signing secret",
		about: "Messages are signed with both for a day. The answer holds the new one, this once.", roles: dispatchers, firmWide: true, success: http.StatusOK,
	}, a.rotateSecret)
	serve(a, route{
		method: http.MethodPost, path: item + "/test", id: "test-endpoint", tag: tag, summary: "Send an endpoint a test message",
		about: "One attempt at once, also at a disabled endpoint. The answer says how it ended; nothing is stored.", roles: dispatchers, firmWide: true,
		success: http.StatusOK,
	}, a.testEndpoint)
	serve(a, route{
		method: http.MethodPost, path: item + "/restore", id: "restore-endpoint", tag: tag, summary: "Take a disabled endpoint up again",
		about: "What waits for it is sent, and the other endpoints are told (endpoint.restored), as they were when it was stopped (endpoint.disabled). It stops by itself after an answer that it is gone (410, in chats 404 too), after three refusals in a row (401, 403) and after 120 h of failures alone.",
		roles: dispatchers, firmWide: true, success: http.StatusOK,
	}, a.restoreEndpoint)
}

// A TestResult is how a test message fared.
type TestResult struct {
	Outcome    string `json:"outcome" enum:"accepted,retry,permanent,gone,unknown" doc:"retry: it may work later; permanent: never as things are; gone: the receiver is no more; unknown: it was sent and no answer came."`
	Status     *int   `json:"status" doc:"Of HTTP; null without an answer."`
	Error      string `json:"error"`
	Response   string `json:"response" doc:"Beginning of the answer."`
	DurationMS int    `json:"duration_ms"`
}

func (a *API) testEndpoint(ctx context.Context, in *struct{ ByID }) (*answered[TestResult], error) {
	if _, err := a.db.Endpoint(ctx, in.ID); err != nil {
		return nil, err
	}
	if a.tryEndpoint == nil {
		return nil, problem(http.StatusServiceUnavailable, "unavailable", "This process sends no messages.")
	}
	tried, err := a.tryEndpoint(ctx, in.ID)
	if err != nil {
		return nil, err
	}
	result := TestResult{Outcome: string(tried.Outcome), Error: tried.Error, Response: tried.Response, DurationMS: int(tried.Took.Milliseconds())}
	if tried.Status != 0 {
		result.Status = &tried.Status
	}
	return &answered[TestResult]{Body: result}, nil
}

type restoreInput struct {
	ByID
	Idempotent
}

func (a *API) restoreEndpoint(ctx context.Context, in *restoreInput) (*created[Endpoint], error) {
	return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[Endpoint], error) {
		e, err := tx.Endpoint(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		if e.State != "disabled" {
			return nil, problem(http.StatusConflict, "wrong_state", "The endpoint is not disabled.")
		}
		e.State, e.StateReason = "enabled", ""
		if e, err = tx.UpdateEndpoint(ctx, e, ""); err != nil {
			return nil, err
		}
		if a.endpointRestored != nil {
			if err := a.endpointRestored(ctx, tx, e); err != nil {
				return nil, err
			}
		}
		return &created[Endpoint]{Status: http.StatusOK, ETag: etag(e.Version), Body: endpointView(e)}, nil
	})
}

func (a *API) createEndpoint(ctx context.Context, in *createInput[EndpointForm]) (*created[NewEndpoint], error) {
	return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[NewEndpoint], error) {
		e, err := a.fillEndpoint(ctx, tx, in.Body, db.Endpoint{})
		if err != nil {
			return nil, err
		}
		secret := alert.NewSecret()
		if e, err = tx.CreateEndpoint(ctx, e, in.Body.URL, secret); err != nil {
			return nil, err
		}
		view := NewEndpoint{Endpoint: endpointView(e)}
		answer := born(view, e.Version, "/v1/endpoints/"+e.ID.String())
		answer.keep, answer.Body.Secret = &view, secret
		return answer, nil
	})
}

func (a *API) patchEndpoint(ctx context.Context, in *patchInput) (*one[Endpoint], error) {
	var stored db.Endpoint
	err := a.edit(ctx, func(tx *db.Tx) error {
		current, err := tx.Endpoint(ctx, in.ID)
		if err != nil {
			return err
		}
		if err := in.check(current.Version); err != nil {
			return err
		}
		form, err := mergePatch(a, endpointForm(current), exchangeOf(ctx).body)
		if err != nil {
			return err
		}
		filled, err := a.fillEndpoint(ctx, tx, form, current)
		if err != nil {
			return err
		}
		stored, err = tx.UpdateEndpoint(ctx, filled, form.URL)
		return err
	})
	if err != nil {
		return nil, err
	}
	return answerOne(endpointView(stored), etag(stored.Version), NoneMatch{}), nil
}

func (a *API) rotateSecret(ctx context.Context, in *rotateInput) (*created[NewEndpoint], error) {
	return create(ctx, a, in.Idempotent, func(tx *db.Tx) (*created[NewEndpoint], error) {
		e, err := tx.Endpoint(ctx, in.ID)
		if err != nil {
			return nil, err
		}
		secret := alert.NewSecret()
		if err := tx.RotateSecret(ctx, e.ID, secret, overlap); err != nil {
			return nil, err
		}
		view := NewEndpoint{Endpoint: endpointView(e)}
		return &created[NewEndpoint]{
			Status: http.StatusOK, ETag: etag(e.Version), Body: NewEndpoint{Endpoint: view.Endpoint, Secret: secret}, keep: &view,
		}, nil
	})
}
