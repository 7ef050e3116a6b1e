package board

import (
	"cmp"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"
	"frostgate/scheduler/alert"

	"github.com/google/uuid"
)

// inForce are the conditions of an alert that somebody has to know of.
var inForce = []string{"raised", "clearing"}

type alertsPage struct {
	Tabs    []choice
	Holding []suppressionRow // planned suppressions that hold now
	Raised  []alertRow
	Cleared []alertRow
}

// An alertRow is an alert in a list.
type alertRow struct {
	ID       uuid.UUID
	PourID   *uuid.UUID
	About    string
	Kind     string
	Severity string
	Reason   string
	Since    string
	State    string
	Note     string
	Doubtful bool
	CanAck   bool
	CanShelve,
	CanUnshelve,
	CanUnack bool
	Link string // to its own page; empty there
	Once string
	Back string

	AckUsual string // how long an acknowledgement holds when nobody says
	AckHours []choice
}

// ackHours are how long somebody may say to be on it; then reminders and escalation go on.
var ackHours = []choice{
	{Value: "1", Text: "1 hour"}, {Value: "2", Text: "2 hours"}, {Value: "8", Text: "8 hours"}, {Value: "12", Text: "12 hours"}, {Value: "24", Text: "a day"}, {Value: "72", Text: "3 days"}, {Value: "168", Text: "a week"},
}

func (b *Board) alerts(v *visit) error {
	raised, err := b.db.Alerts(v.ctx(), v.caller.Scope, db.AlertFilter{Conditions: inForce}, db.Page{Limit: 200})
	if err != nil {
		return err
	}
	cleared, err := b.db.Alerts(v.ctx(), v.caller.Scope, db.AlertFilter{Conditions: []string{"cleared"}}, db.Page{Limit: 30})
	if err != nil {
		return err
	}
	home, err := b.homeZone(v)
	if err != nil {
		return err
	}
	page := alertsPage{Tabs: alertTabs("/alerts"), Raised: alertRows(v, raised.Items, home, "/alerts")}
	if page.Holding, err = b.holding(v, nil); err != nil {
		return err
	}
	for _, a := range cleared.Items {
		if a.Transition > 0 {
			page.Cleared = append(page.Cleared, newAlertRow(v, a, home, "/alerts"))
		}
	}
	return b.show(v, "alerts", "alerts", "Alerts", page)
}

func alertRows(v *visit, lines []db.AlertLine, home voice, back string) []alertRow {
	rows := make([]alertRow, len(lines))
	for i, a := range lines {
		rows[i] = newAlertRow(v, a, home, back)
	}
	return rows
}

func newAlertRow(v *visit, a db.AlertLine, home voice, back string) alertRow {
	s := home
	row := alertRow{
		ID: a.ID, PourID: a.PourID, Kind: a.Kind, Severity: a.Severity, Reason: alertText(a.Alert), Doubtful: !a.Verified, Once: once(), Back: back,
		Link: "/alerts/" + a.ID.String(),
	}
	row.AckUsual, row.AckHours = rules.Duration(alert.AckLasts(alert.Severity(a.Severity)).Hours()), ackHours
	if a.Timezone != nil {
		s = newVoice(v.firm.Units, *a.Timezone)
	}
	row.About = aboutText(a)
	since := cmp.Or(a.RaisedAt, &a.ChangedAt)
	row.Since = s.day(since)
	switch a.OperatorState {
	case "acknowledged":
		row.State, row.Note = "Acknowledged by "+apart(a.AcknowledgedBy)+until(s, a.AcknowledgedUntil), a.AckNote
	case "shelved":
		row.State, row.Note = "Shelved by "+apart(a.ShelvedBy)+until(s, a.ShelvedUntil), a.ShelveReason
	default:
		row.CanAck = a.Condition != "cleared" && v.onSite()
	}
	row.CanShelve = a.Condition != "cleared" && a.OperatorState != "shelved" && v.dispatcher()
	row.CanUnack = a.OperatorState == "acknowledged" && a.Condition != "cleared" && v.onSite()
	row.CanUnshelve = a.OperatorState == "shelved" && v.dispatcher()
	if a.Condition == "cleared" {
		row.State = "Cleared " + s.day(a.ClearedAt)
	}
	return row
}

// aboutText names what an alert is about.
func aboutText(a db.AlertLine) string {
	switch {
	case a.PourName != nil:
		return *a.PourName
	case a.Source != nil:
		return "Weather source " + apart(*a.Source)
	}
	return ""
}

// alertText is what was told of an alert; before anything was, it is what the alert is about.
func alertText(a db.Alert) string {
	var detail struct{ Text string }
	if err := json.Unmarshal(a.Detail, &detail); err == nil && detail.Text != "" {
		return detail.Text
	}
	switch a.Kind {
	case "pour.move":
		return "The verdict is move."
	case "source.stale":
		return "It has had nothing fresh for too long; verdicts rest on older weather."
	}
	return a.Kind
}

func until(s voice, t *time.Time) string {
	if t == nil {
		return ""
	}
	return " until " + s.clock(t)
}

func (b *Board) acknowledge(v *visit) error {
	id, err := idParam(v)
	if err != nil {
		return err
	}
	body := map[string]any{}
	if hours, err := strconv.ParseFloat(v.FormValue("hours"), 64); err == nil {
		body["hours"] = hours
	}
	if note := strings.TrimSpace(v.FormValue("note")); note != "" {
		body["note"] = note
	}
	_, err = b.send(v, change{method: http.MethodPost, path: "/v1/alerts/" + id.String() + "/acknowledge", body: body, once: v.FormValue("once")})
	if err != nil {
		return err
	}
	return v.Redirect(http.StatusSeeOther, ownPath(v.FormValue("back"))+"?done=acknowledged")
}

// idParam reads an id from the address; what is none is not found.
func idParam(v *visit) (uuid.UUID, error) {
	id, err := uuid.Parse(v.Param("id"))
	if err != nil {
		return id, db.ErrNotFound
	}
	return id, nil
}
