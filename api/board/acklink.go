package board

import (
	"errors"
	"net/http"
	"strings"
	"unicode/utf8"

	"frostgate/db"
	"frostgate/scheduler/alert"

	"github.com/labstack/echo/v4"
)

// An ackLinkPage lets the reader of a message acknowledge an alert without a token.
type ackLinkPage struct {
	About, Said string
	Token       string
	Done        bool
}

// Words for links that are good for nothing any more.
var (
	linkForged  = &trouble{Status: http.StatusNotFound, Text: "This link is not one of ours.", Advice: "Copy it whole from the message, or sign in and acknowledge the alert there."}
	linkExpired = &trouble{Status: http.StatusGone, Text: "This link has expired.", Advice: "Sign in and acknowledge the alert there, if it is still in force."}
	linkUsed    = &trouble{Status: http.StatusConflict, Text: "There is nothing to acknowledge by this link any more.", Advice: "Somebody has acknowledged the alert meanwhile, or it is over. Sign in to see who."}
)

// ackLinkOf reads the link in the address, and the alert as the page tells of it.
func (b *Board) ackLinkOf(c echo.Context) (alert.AckLink, ackLinkPage, error) {
	c.Response().Header().Set("Referrer-Policy", "no-referrer")
	token := c.Param("token")
	link, err := alert.ReadAckLink(b.db.DeriveKey(alert.AckLinkPurpose), token, b.now())
	switch {
	case errors.Is(err, alert.ErrExpired):
		return link, ackLinkPage{}, linkExpired
	case err != nil:
		return link, ackLinkPage{}, linkForged
	}
	a, err := b.db.Alert(c.Request().Context(), db.Scope{}, link.AlertID)
	switch {
	case errors.Is(err, db.ErrNotFound):
		return link, ackLinkPage{}, linkUsed
	case err != nil:
		return link, ackLinkPage{}, err
	}
	if a.Episode != link.Episode || !alert.Condition(a.Condition).InForce() {
		return link, ackLinkPage{}, linkUsed
	}
	if a.OperatorState == "acknowledged" && !a.AcknowledgedAt.Before(link.Expires.Add(-alert.AckLinkLasts)) {
		return link, ackLinkPage{}, &trouble{
			Status: http.StatusConflict, Text: "The alert is acknowledged already, by " + a.AcknowledgedBy + ".", Advice: "There is nothing more to do here.",
		}
	}
	page := ackLinkPage{About: aboutText(a), Said: capital(a.Severity), Token: token}
	if a.OperatorState == "acknowledged" {
		page.Said += ". Acknowledged by " + a.AcknowledgedBy
	}
	return link, page, nil
}

// ackLinkPage shows what is to be acknowledged, and changes nothing: mail programs and chats open links by themselves.
func (b *Board) ackLinkPage(c echo.Context) error {
	_, page, err := b.ackLinkOf(c)
	if err != nil {
		return err
	}
	return b.draw(c, nil, http.StatusOK, "acklink", frame{Title: "Acknowledge", Page: page})
}

func (b *Board) followAckLink(c echo.Context) error {
	link, page, err := b.ackLinkOf(c)
	if err != nil {
		return err
	}
	name, note := strings.TrimSpace(c.FormValue("name")), strings.TrimSpace(c.FormValue("note"))
	if utf8.RuneCountInString(name) > 100 || utf8.RuneCountInString(note) > 2000 || !utf8.ValidString(name+note) || strings.ContainsRune(name+note, 0) {
		return &trouble{Status: http.StatusUnprocessableEntity, Text: "The name or the note is too long.", Advice: "Nothing was changed. Go back and shorten it."}
	}
	err = b.acknowledgeBy(c.Request().Context(), link, name, note)
	switch {
	case errors.Is(err, db.ErrStale), errors.Is(err, db.ErrNotFound):
		return linkUsed
	case err != nil:
		return err
	}
	page.Done = true
	return b.draw(c, nil, http.StatusOK, "acklink", frame{Title: "Acknowledged", Page: page})
}
