package scheduler

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// notify decides for each pour whether its alert changes and who is told. Pours
// that are neither bad nor have an open alert need no look.
func (r *round) notify(ctx context.Context, verdicts []judged) error {
	open, err := r.openAlerts(ctx, verdicts)
	if err != nil {
		return err
	}
	n := &notifier{s: r.s, tx: r.tx, firm: r.firm, now: r.now}
	for _, v := range verdicts {
		j := judgementOf(v, r.now)
		if !open[v.in.Pour.ID] && (!j.Known || !j.Bad || j.Gone != "") {
			continue
		}
		if err := n.pour(ctx, v, j); err != nil {
			return fmt.Errorf("alert on pour %s: %w", v.in.Pour.ID, err)
		}
	}
	r.events = n.events
	return n.finish(ctx)
}

func (r *round) openAlerts(ctx context.Context, verdicts []judged) (map[uuid.UUID]bool, error) {
	ids := make([]uuid.UUID, len(verdicts))
	for i, v := range verdicts {
		ids[i] = v.in.Pour.ID
	}
	if len(ids) == 0 {
		return nil, nil
	}
	list, err := r.tx.Alerts(ctx, db.Scope{}, db.AlertFilter{
		PourIDs: ids, Kinds: []string{string(alert.PourMove)},
	}, db.Page{Limit: 1000})
	open := map[uuid.UUID]bool{}
	for _, a := range list.Items {
		open[*a.PourID] = a.Condition != string(alert.Cleared) || a.WakeAt != nil
	}
	return open, err
}

// judgementOf reads a verdict as an evaluation of the alert.
func judgementOf(v judged, now time.Time) alert.Judgement {
	p := v.in.Pour
	switch p.State {
	case db.Released, db.Cancelled:
		return alert.Judgement{Gone: string(p.State)}
	}
	return alert.Judgement{
		Known:       v.line.Verdict != rules.Unscored && v.line.Verdict != "",
		Doubtful:    v.weather.Age == stale,
		Bad:         v.line.Verdict == rules.Move,
		Probability: v.line.WorstProbability,
		Severity:    severityNow(p, v.line, now),
		Cause:       v.line.WorstRule,
		Start:       startOf(p),
	}
}

// A notifier writes transitions and notices into one transaction.
type notifier struct {
	s    *Scheduler
	tx   *db.Tx
	firm db.Firm
	now  time.Time

	endpoints   []db.Endpoint // all; loaded when first needed
	loads       map[uuid.UUID]db.Load
	plans       []db.Suppression // that hold now; loaded when first needed
	plansLoaded bool
	due         []uuid.UUID // endpoints with something to send
	alerts      []uuid.UUID // changed
	events      []string
}

func (n *notifier) pour(ctx context.Context, v judged, j alert.Judgement) error {
	a, d, err := n.decide(ctx, db.Subject{PourID: &v.in.Pour.ID}, alert.PourMove, j)
	if err != nil {
		return err
	}
	m := matterOfPour(v.in, "")
	before := a.InhibitedBy
	if m.Inhibited, err = n.inhibit(ctx, &a, v.weather); err != nil {
		return err
	}
	if d.Event == "" {
		return n.save(ctx, a, d, (before == nil) != (a.InhibitedBy == nil))
	}
	e, err := n.pourEvent(ctx, v)
	if err != nil {
		return err
	}
	t := db.Transition{Event: d.Event}
	if v.line.ID != uuid.Nil {
		t.AssessmentID = &v.line.ID
	}
	return n.advance(ctx, a, d, t, e, m)
}

// decide takes the alert of a subject, locked, through one evaluation.
func (n *notifier) decide(ctx context.Context, subject db.Subject, kind alert.Kind, j alert.Judgement) (db.Alert, alert.Decision, error) {
	a, err := n.tx.LockAlert(ctx, subject, string(kind))
	if err != nil {
		return a, alert.Decision{}, err
	}
	state, err := stateOf(a)
	if err != nil {
		return a, alert.Decision{}, err
	}
	policy := alert.Policy{} // a source has waited long enough before it is judged
	if kind == alert.PourMove {
		policy = alert.ForPours
	}
	j.At = n.now
	return a, policy.Decide(state, j), nil
}

// stateOf is an alert as the deciding function sees it.
func stateOf(a db.Alert) (alert.State, error) {
	state := alert.State{
		Condition: alert.Condition(a.Condition), Severity: alert.Severity(a.Severity), Verified: a.Verified, Episode: a.Episode,
		Chattering: a.Chattering,
	}
	if len(a.Memory) > 0 {
		if err := json.Unmarshal(a.Memory, &state.Memory); err != nil {
			return state, fmt.Errorf("read memory of alert %s: %w", a.ID, err)
		}
	}
	return state, nil
}

// put takes the state decided over into the record.
func put(a *db.Alert, d alert.Decision) error {
	memory, err := json.Marshal(d.State.Memory)
	if err != nil {
		return fmt.Errorf("write memory of alert %s: %w", a.ID, err)
	}
	a.Memory = memory
	a.Condition, a.Severity = string(d.State.Condition), string(d.State.Severity)
	a.Verified, a.Episode, a.Chattering = d.State.Verified, d.State.Episode, d.State.Chattering
	a.WakeAt = nil
	if !d.WakeAt.IsZero() {
		a.WakeAt = &d.WakeAt
	}
	return nil
}

// save stores a state that nobody is told of.
func (n *notifier) save(ctx context.Context, a db.Alert, d alert.Decision, changed bool) error {
	before := a
	if err := put(&a, d); err != nil {
		return err
	}
	seen := changed || a.Verified != before.Verified || a.Severity != before.Severity || a.Condition != before.Condition
	if !seen && sameTime(a.WakeAt, before.WakeAt) && d.State.Memory.Count == 0 {
		return nil
	}
	if seen {
		n.alerts = append(n.alerts, a.ID)
	}
	return n.tx.SaveAlert(ctx, a)
}

func sameTime(a, b *time.Time) bool {
	return a == nil && b == nil || a != nil && b != nil && a.Equal(*b)
}

// advance stores a transition and its notice to the endpoints concerned.
func (n *notifier) advance(ctx context.Context, a db.Alert, d alert.Decision, t db.Transition, e *alert.Event, m alert.Matter) error {
	if err := put(&a, d); err != nil {
		return err
	}
	if a.OperatorState == "shelved" && !n.shelved(a) {
		a.OperatorState, a.ShelvedBy, a.ShelveReason, a.ShelvedUntil = "none", "", "", nil
	}
	switch d.Event {
	case alert.EventRaised:
		a.RaisedAt, a.ClearedAt = &n.now, nil
		a.Escalation, a.EscalatedAt, a.RemindedAt = 0, &n.now, nil
		if a.OperatorState != "shelved" { // what was acknowledged was the last episode
			a.OperatorState, a.AcknowledgedBy, a.AckNote = "none", "", ""
			a.AcknowledgedAt, a.AcknowledgedUntil = nil, nil
		}
	case alert.EventChanged:
		if err := n.endAcknowledgement(ctx, &a, d); err != nil {
			return err
		}
	case alert.EventCleared:
		a.ClearedAt = &n.now
	case alert.EventChattering:
		if d.State.Condition == alert.Cleared {
			a.ClearedAt = &n.now
		} else {
			a.RaisedAt, a.ClearedAt = &n.now, nil
		}
	}
	a.Reason = d.Reason
	if !d.Quiet {
		a.NoticedAt = &n.now
	}
	e.Type, e.Reason, e.At = d.Event, d.Reason, n.now
	e.Alert = alert.EventAlert{
		ID: a.ID, Kind: alert.Kind(a.Kind), Condition: d.State.Condition, Severity: d.State.Severity, Episode: d.State.Episode,
		Transition: a.Transition + 1, Verified: d.State.Verified,
	}
	if a.RaisedAt != nil {
		e.Alert.RaisedAt = a.RaisedAt.UTC()
	}
	e.Links.Alert = n.s.pageOf("alerts", a.ID)
	if err := n.compareWithBefore(a, e, m.Zone); err != nil {
		return err
	}
	e.Compose()
	detail, err := json.Marshal(alert.ToldBy(e))
	if err != nil {
		return fmt.Errorf("write detail: %w", err)
	}
	a.Detail = detail
	if a.FollowAt, err = n.nextFollow(ctx, a, m); err != nil {
		return err
	}
	a, t, err = n.tx.Advance(ctx, a, t)
	if err != nil {
		return err
	}
	n.alerts, n.events = append(n.alerts, a.ID), append(n.events, d.Event)
	return n.send(ctx, a, t, e, d, m)
}

// compareWithBefore says in an event since when its alert is raised, and what the
// message before it said otherwise.
func (n *notifier) compareWithBefore(a db.Alert, e *alert.Event, zone *time.Location) error {
	if e.Type == alert.EventRaised || a.RaisedAt == nil {
		return nil
	}
	e.Since = n.firm.Units.Day(a.RaisedAt.In(cmp.Or(zone, time.UTC)))
	var before alert.Told
	if err := json.Unmarshal(a.Detail, &before); err != nil {
		return fmt.Errorf("read what was told of alert %s: %w", a.ID, err)
	}
	e.Before = alert.Compare(before, e)
	return nil
}

// endAcknowledgement ends one that what gets worse overtakes. The change is told
// in its place.
func (n *notifier) endAcknowledgement(ctx context.Context, a *db.Alert, d alert.Decision) error {
	if a.OperatorState != "acknowledged" || d.Reason != alert.ReasonSeverity {
		return nil
	}
	ended := unacknowledged(*a)
	ended.Reason, ended.EscalatedAt = alert.ReasonSeverity, &n.now
	var err error
	*a, _, err = n.tx.Advance(ctx, ended, db.Transition{Event: alert.EventAckExpired})
	return err
}

// nextFollow is when time alone may do the next thing to an alert that is told of
// now.
func (n *notifier) nextFollow(ctx context.Context, a db.Alert, m alert.Matter) (*time.Time, error) {
	f, err := n.following(ctx, a, m)
	if err != nil {
		return nil, err
	}
	if f.InForce {
		f.Accepted = n.now // at the earliest; when its time comes it is looked up
	}
	return n.lookAgain(f, f.Coming()), nil
}

// send has a transition told. Who was told of the worst of an episode is told of
// its end.
func (n *notifier) send(ctx context.Context, a db.Alert, t db.Transition, e *alert.Event, d alert.Decision, m alert.Matter) error {
	m.Event, m.Severity, m.Peak, m.Level = t.Event, alert.Severity(a.Severity), d.State.Memory.Peak, a.Escalation
	m.Quiet, m.Ends = d.Quiet, t.Event == alert.EventCleared
	if n.shelved(a) {
		m.Shelved = &alert.Pause{Until: *a.ShelvedUntil, By: a.ShelvedBy, Reason: a.ShelveReason}
	}
	_, err := n.tell(ctx, m, e, db.Notice{AlertID: &a.ID, Transition: &t.Number, Type: t.Event, Reason: t.Reason})
	return err
}

func (n *notifier) shelved(a db.Alert) bool {
	return a.OperatorState == "shelved" && a.ShelvedUntil != nil && n.now.Before(*a.ShelvedUntil)
}

// settings are what an endpoint keeps besides its columns.
type settings struct {
	Template         string `json:"template"`         // of the firm's own, for the form text
	Acknowledgements *bool  `json:"acknowledgements"` // whether it is told what people do to alerts; nil is yes
}

func (s settings) tellsHandling() bool { return s.Acknowledgements == nil || *s.Acknowledgements }

// settingsOf reads what was checked when it was stored.
func settingsOf(e db.Endpoint) (s settings) {
	_ = json.Unmarshal(e.Settings, &s)
	return s
}

// finish has the deliveries made and the board told, once the transaction
// commits.
func (n *notifier) finish(ctx context.Context) error {
	slices.SortFunc(n.due, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
	if err := n.s.EnqueueDeliver(ctx, n.tx, slices.Compact(n.due)...); err != nil {
		return err
	}
	if len(n.alerts) == 0 {
		return nil
	}
	return announce(ctx, n.tx, Event{Kind: "alert", IDs: n.alerts})
}

// address is that of a path of the program; empty when its own is not known.
func (s *Scheduler) address(path ...string) string {
	if s.cfg.PublicURL == "" {
		return ""
	}
	address, err := url.JoinPath(s.cfg.PublicURL, path...)
	if err != nil {
		return ""
	}
	return address
}

// pageOf is the address of a record's page; empty when the board's is not known.
func (s *Scheduler) pageOf(kind string, id uuid.UUID) string { return s.address(kind, id.String()) }

// pourEvent says what is to be said of a pour.
func (n *notifier) pourEvent(ctx context.Context, v judged) (*alert.Event, error) {
	p := v.in.Pour
	say, err := n.speaker(v.in.Site.Timezone)
	if err != nil {
		return nil, err
	}
	e := &alert.Event{
		Pour:    n.eventPour(v.in, say),
		Verdict: v.line.Verdict, Was: p.Verdict, Headline: v.line.WorstReason,
		Links: alert.EventLinks{Pour: n.s.pageOf("pours", p.ID)},
	}
	if v.line.NextWindowAt != nil {
		e.NextWindow = new(say(*v.line.NextWindowAt))
	}
	stored, document, err := n.documentOf(ctx, v)
	if err != nil || document == nil {
		return e, err
	}
	if e.Weather, err = n.weatherBehind(ctx, v.weather, stored, say); err != nil {
		return nil, err
	}
	e.Headline = document.Headline
	e.Finding, e.Remedy = findingOf(document.Worst(), say)
	return e, nil
}

// weatherBehind is the weather that a verdict rests on: as it was read for it now,
// else by what its assessment keeps.
func (n *notifier) weatherBehind(ctx context.Context, w Weather, a db.Assessment, say func(time.Time) alert.EventMoment) (list []alert.EventWeather, err error) {
	add := func(source string, at time.Time) {
		list = append(list, alert.EventWeather{Source: source, IssuedAt: at.UTC(), Issued: say(at).Local})
	}
	switch {
	case w.Age == dead:
		add(w.Source, w.IssuedAt)
		return list, nil
	case len(w.Parts) > 0:
		for _, p := range w.Parts {
			add(p.Source, p.IssuedAt)
		}
		return list, nil
	}
	for _, id := range a.IssueIDs {
		issue, err := n.tx.Issue(ctx, id)
		if errors.Is(err, db.ErrNotFound) {
			continue // too old to be kept
		}
		if err != nil {
			return nil, err
		}
		of := slices.IndexFunc(a.Origins, func(o db.Origin) bool { return o.IssueID != nil && *o.IssueID == id })
		if of >= 0 {
			add(a.Origins[of].Source, issue.IssuedAt)
		}
	}
	return list, nil
}

// eventPour is a pour as messages have it.
func (n *notifier) eventPour(in db.PourInput, say func(time.Time) alert.EventMoment) *alert.EventPour {
	p := in.Pour
	e := &alert.EventPour{
		ID: p.ID, Name: p.Name, Site: in.Site.Name, Crew: in.Crew.Name, Plant: in.Plant.Name,
		Timezone: in.Site.Timezone, Starts: say(startOf(p)), State: string(p.State),
	}
	if p.CancelBy != nil {
		e.CancelBy = new(say(*p.CancelBy))
	}
	return e
}

// documentOf reads the assessment behind a verdict; without a document when there
// is none.
func (n *notifier) documentOf(ctx context.Context, v judged) (db.Assessment, *rules.Assessment, error) {
	a := db.Assessment{AssessmentLine: v.line, Document: v.document}
	if a.Document == nil {
		if v.line.ID == uuid.Nil {
			return a, nil, nil // a pour that is gone has no verdict
		}
		var err error
		if a, err = n.tx.Assessment(ctx, db.Scope{}, v.line.ID); err != nil {
			return a, nil, err
		}
	}
	document, err := a.Decode()
	return a, &document, err
}

// speaker puts times into words, at a site and in the firm's way.
func (n *notifier) speaker(timezone string) (func(time.Time) alert.EventMoment, error) {
	zone, err := time.LoadLocation(timezone)
	if err != nil {
		return nil, fmt.Errorf("load zone: %w", err)
	}
	return func(t time.Time) alert.EventMoment {
		return alert.EventMoment{At: t.UTC(), Local: n.firm.Units.Day(t.In(zone))}
	}, nil
}

func findingOf(f *rules.Finding, say func(time.Time) alert.EventMoment) (*alert.EventFinding, *alert.EventRemedy) {
	if f == nil {
		return nil, nil
	}
	finding := &alert.EventFinding{
		Rule: f.Rule, Title: f.Title, Sentence: f.Sentence, Observed: f.Observed, Limit: f.Limit, Unit: f.Unit,
		LengthH: f.LengthH, Probability: f.Probability, Source: f.Source.Document,
	}
	if f.FirstAt != nil {
		finding.First = new(say(*f.FirstAt))
	}
	if f.Remedy == nil {
		return finding, nil
	}
	remedy := &alert.EventRemedy{Kind: f.Remedy.Kind, Sentence: f.Remedy.Sentence, AtHand: f.Remedy.AtHand}
	if f.Remedy.By != nil {
		remedy.By = new(say(*f.Remedy.By))
	}
	return finding, remedy
}
