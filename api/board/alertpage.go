package board

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"frostgate/db"
)

// An alertPage is one alert: what happened to it, and who was told.
type alertPage struct {
	Alert   alertRow
	History []happened
	Told    []toldLine
	Office  bool         // sees deliveries
	Because *explanation // nil where the API explains nothing
}

type happened struct {
	At, What, Who, Note string
}

// A toldLine is a notice to one endpoint.
type toldLine struct {
	At, To, What, State, Attempts, Reason string
	ID                                    string
}

// alert is where the link in a notice leads.
func (b *Board) alert(v *visit) error {
	a, err := b.alertOf(v)
	if err != nil {
		return err
	}
	s, err := b.voiceOf(v, a)
	if err != nil {
		return err
	}
	transitions, err := b.db.Transitions(v.ctx(), v.caller.Scope, a.ID)
	if err != nil {
		return err
	}
	page := alertPage{Alert: newAlertRow(v, a, s, "/alerts/"+a.ID.String()), Office: v.inOffice()}
	page.Alert.Link = ""
	for _, t := range transitions {
		page.History = append(page.History, happenedOf(s, t))
	}
	if page.Office {
		told, err := b.db.Deliveries(v.ctx(), v.caller.Scope, db.DeliveryFilter{AlertID: a.ID}, db.Page{Limit: 100})
		if err != nil {
			return err
		}
		for _, l := range told.Items {
			page.Told = append(page.Told, newToldLine(s, l))
		}
	}
	if page.Because, err = b.explanation(v, s, a.ID.String()); err != nil {
		return err
	}
	return b.show(v, "alert", "alerts", "Alert", page)
}

// alertOf reads the alert of the address.
func (b *Board) alertOf(v *visit) (db.AlertLine, error) {
	id, err := idParam(v)
	if err != nil {
		return db.AlertLine{}, err
	}
	return b.db.Alert(v.ctx(), v.caller.Scope, id)
}

// voiceOf speaks the time of the alert's site.
func (b *Board) voiceOf(v *visit, a db.AlertLine) (voice, error) {
	if a.Timezone != nil {
		return newVoice(v.firm.Units, *a.Timezone), nil
	}
	return b.homeZone(v)
}

// transitionWords are what happened to an alert.
var transitionWords = map[string]string{
	"alert.raised": "Raised", "alert.changed": "Changed", "alert.cleared": "Cleared", "alert.acknowledged": "Acknowledged",
	"alert.shelved": "Shelved", "alert.unshelved": "Taken up again", "alert.chattering": "Comes and goes", "alert.settled": "Settled",
	"alert.reminder": "Reminded", "alert.unacknowledged": "Nobody is on it any more",
}

// actorWords are the parts of the program that do something to alerts.
var actorWords = map[string]string{"scheduler": "frostgate"}

func happenedOf(s voice, t db.Transition) happened {
	h := happened{At: s.day(&t.At), What: eventWords(t.Event), Who: textOr(actorWords, t.Actor), Note: t.Note}
	if text := alertText(db.Alert{Detail: t.Detail}); h.Note == "" {
		h.Note = text
	}
	return h
}

// eventWords is an event in words; one that this board does not know reads as it is written.
func eventWords(event string) string {
	if text, ok := transitionWords[event]; ok {
		return text
	}
	_, text, _ := strings.Cut(event, ".")
	if text == "" {
		return event
	}
	return capital(strings.ReplaceAll(text, "_", " "))
}

var deliveryWords = map[string]string{
	"pending": "on its way", "accepted": "taken", "dead": "given up", "superseded": "replaced by newer news", "suppressed": "not sent",
}

func newToldLine(s voice, l db.DeliveryLine) toldLine {
	line := toldLine{
		ID: l.ID.String(), At: s.day(&l.CreatedAt), To: l.EndpointName, What: eventWords(l.NoticeType), State: l.State,
		Attempts: strconv.Itoa(l.Attempts), Reason: l.Reason,
	}
	if text, ok := deliveryWords[l.State]; ok {
		line.State = text
	}
	if l.State == "pending" && l.NextAttemptAt != nil && l.Attempts > 0 {
		line.State += ", next try " + s.clock(l.NextAttemptAt)
	}
	return line
}

// A shelvePage puts an alert aside for a time.
type shelvePage struct {
	Alert   alertRow
	Once    string
	Fields  []shownField
	Refused string
}

var onlyDispatchers = &trouble{Status: http.StatusForbidden, Text: "Only a dispatcher may shelve alerts.", Advice: "Acknowledge it instead, or ask the dispatcher."}

func (b *Board) shelvePage(v *visit) error {
	return b.showShelve(v, http.StatusOK, "", "", nil)
}

// longestShelf is as long as the API takes.
const longestShelf = 7 * 24 * time.Hour

func (b *Board) showShelve(v *visit, status int, reason, until string, refused *trouble) error {
	if !v.dispatcher() {
		return onlyDispatchers
	}
	a, err := b.alertOf(v)
	if err != nil {
		return err
	}
	s, err := b.voiceOf(v, a)
	if err != nil {
		return err
	}
	if until == "" && refused == nil { // tomorrow at six, before the day's orders
		local := v.now.In(s.zone)
		until = time.Date(local.Year(), local.Month(), local.Day()+1, 6, 0, 0, 0, s.zone).Format(atFormat)
	}
	page := shelvePage{Alert: newAlertRow(v, a, s, ""), Once: once(), Fields: []shownField{
		{Name: "reason", Label: "Why", Kind: kindNames[asWords], Value: reason, Required: true},
		{Name: "until", Label: "Until", Kind: kindNames[asMoment], Value: until, Required: true, Hint: "A week at most, on the clock of " + s.zone.String() + "."},
	}}
	page.Alert.Link, page.Alert.CanAck, page.Alert.CanShelve, page.Alert.CanUnshelve = "", false, false, false
	if refused != nil {
		page.Refused = refused.Text
		page.Fields[0].Wrong = refused.Fields["reason"]
		page.Fields[1].Wrong = refused.Fields["until"]
	}
	return b.draw(v.Context, v, status, "shelve", frame{Title: "Shelve alert", Nav: "alerts", Page: page})
}

func (b *Board) shelve(v *visit) error {
	a, err := b.alertOf(v)
	if err != nil {
		return err
	}
	s, err := b.voiceOf(v, a)
	if err != nil {
		return err
	}
	reason, until := strings.TrimSpace(v.FormValue("reason")), v.FormValue("until")
	wrong := map[string]string{}
	if reason == "" {
		wrong["reason"] = "is required"
	}
	at, err := time.ParseInLocation(atFormat, until, s.zone)
	switch length := at.Sub(v.now); {
	case err != nil:
		wrong["until"] = "must be a day and a time"
	case length < 15*time.Minute:
		wrong["until"] = "must lie at least 15 minutes ahead"
	case length > longestShelf:
		wrong["until"] = "must be within a week"
	}
	refused := &trouble{Status: http.StatusUnprocessableEntity, Text: "Some fields are not filled in rightly. Nothing was changed.", Fields: wrong}
	if len(wrong) == 0 {
		body := map[string]any{"reason": reason, "hours": at.Sub(v.now).Hours()}
		_, err = b.send(v, change{method: http.MethodPost, path: "/v1/alerts/" + a.ID.String() + "/shelve", body: body, once: v.FormValue("once")})
		if err == nil {
			return v.Redirect(http.StatusSeeOther, "/alerts/"+a.ID.String()+"?done=shelved")
		}
		if !errors.As(err, &refused) || refused.Status != http.StatusUnprocessableEntity {
			return err
		}
	}
	return b.showShelve(v, http.StatusUnprocessableEntity, reason, until, refused)
}

// A takingBack is something done to an alert that can be taken back.
type takingBack struct {
	word, ask, done string
	step            string // of the API
	mayNot          *trouble
	may             func(*visit) bool
}

var (
	unshelving = takingBack{
		word: "Take up again", ask: "What happens to it is told again from here on.", done: "unshelved", step: "unshelve", mayNot: onlyDispatchers, may: (*visit).dispatcher,
	}
	unacknowledging = takingBack{
		word: "Nobody is on it any more", ask: "Reminders go on, and the endpoints of the next turns are told, until somebody acknowledges it.", done: "unacknowledged",
		step: "unacknowledge", mayNot: onlyOnSite, may: (*visit).onSite,
	}
	onlyOnSite = &trouble{Status: http.StatusForbidden, Text: "This token may only look.", Advice: "Ask the dispatcher, or sign in with another token."}
)

func (b *Board) askBack(t takingBack) func(*visit) error {
	return func(v *visit) error {
		if !t.may(v) {
			return t.mayNot
		}
		a, err := b.alertOf(v)
		if err != nil {
			return err
		}
		return b.draw(v.Context, v, http.StatusOK, "put", frame{Title: t.word, Nav: "alerts", Page: putPage{
			Word: t.word, Name: aboutText(a), Ask: t.ask, Back: "/alerts/" + a.ID.String(),
		}})
	}
}

func (b *Board) takeBack(t takingBack) func(*visit) error {
	return func(v *visit) error {
		id, err := idParam(v)
		if err != nil {
			return err
		}
		if _, err := b.send(v, change{method: http.MethodPost, path: "/v1/alerts/" + id.String() + "/" + t.step, body: doc{}}); err != nil {
			return err
		}
		return v.Redirect(http.StatusSeeOther, "/alerts/"+id.String()+"?done="+t.done)
	}
}
