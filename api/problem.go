package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/validation"
	"github.com/labstack/echo/v4"
)

// A Problem is every answer of 400 and above (RFC 9457). It never repeats the offending value, and at 500 and above
// says nothing of the cause: that stands in the log under the request's id.
type Problem struct {
	Type      string      `json:"type" doc:"Always about:blank; the code tells problems apart." example:"about:blank"`
	Title     string      `json:"title" doc:"The status in words." example:"Unprocessable Entity"`
	Status    int         `json:"status" example:"422"`
	Code      string      `json:"code" doc:"What went wrong, for programs; stable." example:"invalid"`
	Detail    string      `json:"detail" doc:"What went wrong, for people." example:"thickness_mm: must be at least 50"`
	Instance  string      `json:"instance,omitempty" doc:"The path that was asked for." example:"/v1/pours"`
	RequestID string      `json:"request_id,omitempty" doc:"Quote it when you report the problem; the log has it."`
	Errors    []Violation `json:"errors,omitempty" doc:"Each value that is not acceptable."`

	cause  error         // for the log
	retry  time.Duration // Retry-After when positive
	header http.Header
}

// A Violation is one value that is not acceptable. Exactly one of pointer, parameter, header and row says where.
type Violation struct {
	Pointer   string `json:"pointer,omitempty" doc:"JSON Pointer into the body, as a URI fragment (RFC 6901)." example:"#/thickness_mm"`
	Parameter string `json:"parameter,omitempty" doc:"Name of a path or query parameter." example:"limit"`
	Header    string `json:"header,omitempty" doc:"Name of a request header." example:"If-Match"`
	Row       int    `json:"row,omitempty" doc:"Row of a table, the header being row 1." example:"3"`
	Column    string `json:"column,omitempty" doc:"Header of the column, as sent; empty when the whole row is meant." example:"Thickness (in)"`
	Code      string `json:"code" example:"out_of_range"`
	Detail    string `json:"detail" example:"must be at least 50"`
}

// Error is for logs and tests.
func (p *Problem) Error() string {
	if p.cause != nil {
		return fmt.Sprintf("%d %s: %s: %v", p.Status, p.Code, p.Detail, p.cause)
	}
	return fmt.Sprintf("%d %s: %s", p.Status, p.Code, p.Detail)
}

// Unwrap gives the cause to errors.Is.
func (p *Problem) Unwrap() error { return p.cause }

// GetStatus makes a Problem the error type of huma.
func (p *Problem) GetStatus() int { return p.Status }

// tell sets what goes with the problem in headers.
func (p *Problem) tell(set func(name, value string)) {
	for name, values := range p.header {
		set(name, values[0])
	}
	if p.retry > 0 {
		set("Retry-After", strconv.Itoa(wholeSeconds(p.retry)))
	}
}

// ContentType is the media type of RFC 9457.
func (p *Problem) ContentType(string) string { return "application/problem+json" }

// problem makes a problem with the usual title of its status.
func problem(status int, code, detail string) *Problem {
	return &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Code: code, Detail: detail}
}

// invalid is the 422 that lists values which are not acceptable.
func invalid(violations ...Violation) *Problem {
	p := problem(http.StatusUnprocessableEntity, "invalid", "")
	p.Errors = violations
	p.Detail = summary(violations)
	return p
}

// summary puts the first violation into a sentence and counts the others.
func summary(violations []Violation) string {
	if len(violations) == 0 {
		return "The request is not acceptable."
	}
	first := violations[0]
	text := first.Detail
	if place := first.place(); place != "" {
		text = place + ": " + text
	}
	if more := len(violations) - 1; more > 0 {
		text += fmt.Sprintf(" (and %d more; see errors)", more)
	}
	return text
}

// place names where a violation is, for people.
func (v Violation) place() string {
	switch {
	case v.Row > 0 && v.Column != "":
		return fmt.Sprintf("row %d, %s", v.Row, v.Column)
	case v.Row > 0:
		return fmt.Sprintf("row %d", v.Row)
	case v.Pointer != "":
		return strings.TrimPrefix(strings.TrimPrefix(v.Pointer, "#"), "/")
	case v.Parameter != "":
		return v.Parameter
	}
	return v.Header
}

func atPointer(pointer, code, detail string) Violation {
	return Violation{Pointer: "#" + pointer, Code: code, Detail: detail}
}

func atParameter(name, code, detail string) Violation {
	return Violation{Parameter: name, Code: code, Detail: detail}
}

func atHeader(name, code, detail string) Violation {
	return Violation{Header: name, Code: code, Detail: detail}
}

// useProblems makes huma speak in problems. Its error constructor, texts and strictness are variables of the library,
// so they are set once for the process.
var useProblems = sync.OnceFunc(func() {
	huma.NewError = func(status int, message string, errs ...error) huma.StatusError {
		return fromHuma(status, message, errs)
	}
	huma.NewErrorWithContext = func(_ huma.Context, status int, message string, errs ...error) huma.StatusError {
		return fromHuma(status, message, errs)
	}
	huma.DefaultArrayNullable = false
	huma.ValidateStrictCasing = true
	plainTexts()
})

// plainTexts words huma's findings as code|sentence. A "%.0s" takes an argument of the library and prints nothing of
// it, since some of them repeat the value.
func plainTexts() {
	validation.MsgUnexpectedProperty = "unknown|is not a known field"
	validation.MsgExpectedRFC3339DateTime = "format|must be a date and time with offset, such as 2026-01-15T07:00:00-06:00"
	validation.MsgExpectedRFC3339Date = "format|must be a date, such as 2026-01-15"
	validation.MsgExpectedRFC3339Time = "format|must be a time of day, such as 07:00:00"
	validation.MsgExpectedRFC5322Email = "format|must be an e-mail address%.0s"
	validation.MsgExpectedRFC3986URI = "format|must be a URL%.0s"
	validation.MsgExpectedRFC4122UUID = "format|must be an id (a UUID)%.0s"
	validation.MsgExpectedRegexp = "format|must be a regular expression%.0s"
	validation.MsgExpectedMatchAtLeastOneSchema = "type|has none of the forms allowed here"
	validation.MsgExpectedMatchExactlyOneSchema = "type|has none of the forms allowed here"
	validation.MsgExpectedBoolean = "type|must be true or false"
	validation.MsgExpectedNumber = "type|must be a number"
	validation.MsgExpectedInteger = "type|must be a whole number"
	validation.MsgExpectedString = "type|must be text"
	validation.MsgExpectedArray = "type|must be a list"
	validation.MsgExpectedObject = "type|must be an object"
	validation.MsgExpectedArrayItemsUnique = "repeated|must not hold the same value twice"
	validation.MsgExpectedOneOf = "choice|must be one of %s"
	validation.MsgExpectedMinimumNumber = "out_of_range|must be at least %v"
	validation.MsgExpectedExclusiveMinimumNumber = "out_of_range|must be greater than %v"
	validation.MsgExpectedMaximumNumber = "out_of_range|must be at most %v"
	validation.MsgExpectedExclusiveMaximumNumber = "out_of_range|must be less than %v"
	validation.MsgExpectedNumberBeMultipleOf = "out_of_range|must be a multiple of %v"
	validation.MsgExpectedMinLength = "length|must have at least %d characters"
	validation.MsgExpectedMaxLength = "length|must have at most %d characters"
	validation.MsgExpectedBePattern = "format|must be %s"
	validation.MsgExpectedMatchPattern = "format|must match %s"
	validation.MsgExpectedMinItems = "length|must have at least %d entries"
	validation.MsgExpectedMaxItems = "length|must have at most %d entries"
	validation.MsgExpectedMinProperties = "length|must have at least %d fields"
	validation.MsgExpectedMaxProperties = "length|must have at most %d fields"
	validation.MsgExpectedRequiredProperty = requiredText + "%s"
	validation.MsgExpectedDependentRequiredProperty = requiredText + "%s%.0s"
}

// requiredText precedes the name of a missing field, which huma reports at its parent.
const requiredText = "required|"

// fromHuma words what huma has to say, or what a handler returned that was no problem yet.
func fromHuma(status int, message string, errs []error) *Problem {
	var violations []Violation
	for _, err := range errs {
		var detail *huma.ErrorDetail
		switch {
		case err == nil:
		case errors.As(err, &detail):
			violation := fromDetail(detail)
			if last := len(violations) - 1; last >= 0 && violation.Pointer != "" && violation.Pointer == violations[last].Pointer {
				continue // one fault of a value says enough
			}
			violations = append(violations, violation)
		default:
			return fromError(err)
		}
	}
	switch {
	case status == http.StatusUnprocessableEntity, len(violations) > 0:
		return invalid(violations...)
	case status == http.StatusBadRequest:
		return problem(status, "malformed", "A request body is required.")
	case status == http.StatusNotModified, status == 0: // no problems, but huma asks for their type
		return problem(status, "", "")
	case status >= http.StatusInternalServerError:
		return internal(errors.New(message))
	}
	return problem(status, "refused", http.StatusText(status)+".")
}

// looseTexts are what huma says of parameters in words that cannot be replaced.
var looseTexts = []struct{ contains, code, detail string }{
	{"parameter is missing", "required", "is required"},
	{"unknown query parameter", "unknown", "is not a known parameter"},
	{"invalid integer", "type", "must be a whole number"},
	{"invalid float", "type", "must be a number"},
	{"invalid boolean", "type", "must be true or false"},
	{"invalid date/time", "format", "must be a date and time with offset, such as 2026-01-15T07:00:00-06:00; + is written %2B in an address"},
	{"UUID", "format", "must be an id (a UUID)"},
}

// unreadField is what Go's reader says of a number that the schema passed but a whole number cannot hold.
var unreadField = regexp.MustCompile(`^json: cannot unmarshal .* into Go struct field (?:[A-Z]\w*\.)+(\w+)(\S*) of type`)

// notWhole names the field of such a number; of a list it can only name the list.
func notWhole(message string) (Violation, bool) {
	m := unreadField.FindStringSubmatch(message)
	if m == nil {
		return Violation{}, false
	}
	detail := "must be written as a whole number without exponent"
	if m[2] != "" {
		detail = strings.TrimPrefix(m[2], ".") + " " + detail
	}
	return atPointer("/"+m[1], "type", detail), true
}

// unread is a violation for what the schema passed and Go could not read.
func unread(err error) Violation {
	if v, ok := notWhole(err.Error()); ok {
		return v
	}
	return atPointer("", "type", "is not acceptable")
}

func fromDetail(d *huma.ErrorDetail) Violation {
	place := fromLocation(d.Location)
	message := strings.TrimPrefix(d.Message, "invalid value: ")
	if code, text, ok := strings.Cut(message, "|"); ok {
		place.Code, place.Detail = code, text
		if code == "required" && place.Pointer != "" {
			place.Pointer += "/" + text
			place.Detail = "is required"
		}
		return place
	}
	for _, loose := range looseTexts {
		if strings.Contains(message, loose.contains) {
			place.Code, place.Detail = loose.code, loose.detail
			return place
		}
	}
	if v, ok := notWhole(message); ok {
		return v
	}
	place.Code, place.Detail = "invalid", "is not acceptable"
	return place
}

// fromLocation turns body.rows[2].name into #/rows/2/name. Names in bodies hold letters, digits and underscores only
// (strictJSON), so nothing needs escaping.
func fromLocation(location string) Violation {
	kind, rest, _ := strings.Cut(location, ".")
	switch kind {
	case "path", "query":
		name, _, _ := strings.Cut(rest, "[")
		return Violation{Parameter: name}
	case "header":
		return Violation{Header: rest}
	}
	pointer := strings.TrimPrefix(location, "body")
	pointer = strings.NewReplacer("[", "/", "]", "", ".", "/").Replace(pointer)
	return Violation{Pointer: "#" + pointer}
}

// fromError is the one table from errors to statuses.
func fromError(err error) *Problem {
	var p *Problem
	var wrong *rules.InvalidError
	var routed *echo.HTTPError
	var field *db.FieldError
	switch {
	case errors.As(err, &p):
		return p
	case errors.Is(err, db.ErrNotFound):
		return problem(http.StatusNotFound, "not_found", "There is no such record, or it is outside what your token may see.")
	case errors.As(err, &field):
		return fromField(field)
	case errors.Is(err, db.ErrStale):
		return stale()
	case errors.Is(err, db.ErrNotAllowed):
		return problem(http.StatusForbidden, "forbidden", "Records that all share are made with a token that is not narrowed to some crews or plants.")
	case errors.Is(err, db.ErrRunning):
		running := problem(http.StatusConflict, "running", "The same request is still being worked on; ask again shortly.")
		running.retry = time.Second
		return running
	case errors.Is(err, db.ErrKeyReused):
		return invalid(atHeader("Idempotency-Key", "reused", "was used before with another body; take a new one"))
	case errors.Is(err, db.ErrUnavailable), errors.Is(err, context.DeadlineExceeded):
		return unavailable(2*time.Second, err)
	case errors.As(err, &wrong):
		return invalid(fromRules(wrong.Violations)...)
	case errors.As(err, &routed):
		return fromRouter(routed)
	case errors.Is(err, context.Canceled):
		return withCause(problem(statusClientGone, "client_gone", "The connection was closed before the answer."), err)
	}
	return internal(err)
}

// statusClientGone is written to the log only: nobody is there to read it.
const statusClientGone = 499

// fromField words a value that the database refuses.
func fromField(field *db.FieldError) *Problem {
	pointer := ""
	if field.Field != "" {
		pointer = "/" + field.Field
	}
	if !errors.Is(field, db.ErrConflict) {
		return invalid(atPointer(pointer, "invalid", field.Detail))
	}
	p := problem(http.StatusConflict, "conflict", "")
	p.Errors = []Violation{atPointer(pointer, "conflict", field.Detail)}
	p.Detail = summary(p.Errors)
	return p
}

// fromRouter words echo's own refusals.
func fromRouter(routed *echo.HTTPError) *Problem {
	switch routed.Code {
	case http.StatusNotFound:
		return problem(http.StatusNotFound, "not_found", "There is nothing at this address.")
	case http.StatusMethodNotAllowed:
		return problem(http.StatusMethodNotAllowed, "method_not_allowed", "This address does not answer to that method; Allow lists those it does.")
	}
	if routed.Code < http.StatusInternalServerError {
		return problem(routed.Code, "refused", http.StatusText(routed.Code)+".")
	}
	return internal(routed)
}

func internal(cause error) *Problem {
	return withCause(problem(http.StatusInternalServerError, "internal", "Something went wrong on our side. Try again; if it stays, report the request id."), cause)
}

// unavailable is for what will pass by itself.
func unavailable(retry time.Duration, cause error) *Problem {
	p := withCause(problem(http.StatusServiceUnavailable, "unavailable", "The service is busy or its database is out of reach; try again shortly."), cause)
	p.retry = retry
	return p
}

func withCause(p *Problem, cause error) *Problem {
	p.cause = cause
	return p
}
