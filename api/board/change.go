package board

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"frostgate/db"

	"github.com/google/uuid"
)

// A change is one request to the API on behalf of who is signed in. The API decides on role, scope, values and
// versions; the board only carries.
type change struct {
	method, path string
	body         any
	table        string // CSV, in place of a body
	version      string // of the record as the form showed it; empty demands none
	once         string // from the form: sent twice, it is done once
}

// buffer takes an answer of the API.
type buffer struct {
	status int
	header http.Header
	body   bytes.Buffer
}

// Header is of the answer.
func (b *buffer) Header() http.Header { return b.header }

// WriteHeader notes the first status.
func (b *buffer) WriteHeader(status int) {
	if b.status == 0 {
		b.status = status
	}
}

// Write keeps the body.
func (b *buffer) Write(p []byte) (int, error) {
	b.WriteHeader(http.StatusOK)
	return b.body.Write(p)
}

// send has the API make a change. A refusal comes back as *trouble with the words for each field.
func (b *Board) send(v *visit, ch change) ([]byte, error) {
	answer, err := b.ask(v, ch)
	if err != nil {
		return nil, err
	}
	return answer.body.Bytes(), nil
}

func (b *Board) ask(v *visit, ch change) (*buffer, error) {
	body, media := []byte(ch.table), "text/csv; charset=utf-8"
	if ch.table == "" && ch.body != nil {
		var err error
		if body, err = json.Marshal(ch.body); err != nil {
			return nil, fmt.Errorf("write change: %w", err)
		}
		media = "application/json"
	}
	request, err := http.NewRequestWithContext(v.ctx(), ch.method, ch.path, bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("ask the api: %w", err)
	}
	request.RemoteAddr, request.Host = v.Request().RemoteAddr, v.Request().Host
	request.Header.Set("Authorization", "Bearer "+v.secret)
	if len(body) > 0 {
		request.Header.Set("Content-Type", media)
	}
	if ch.method == http.MethodPatch {
		request.Header.Set("Content-Type", "application/merge-patch+json")
	}
	if ch.version != "" {
		request.Header.Set("If-Match", `"`+ch.version+`"`)
	}
	if _, err := uuid.Parse(ch.once); err == nil {
		request.Header.Set("Idempotency-Key", ch.once)
	}
	answer := &buffer{header: http.Header{}}
	b.api.ServeHTTP(answer, request)
	if answer.status < http.StatusMultipleChoices {
		return answer, nil
	}
	return nil, refusal(answer)
}

// refusal reads an RFC 9457 problem.
func refusal(answer *buffer) error {
	var problem struct {
		Detail string
		Errors []struct{ Pointer, Header, Detail string }
	}
	if err := json.Unmarshal(answer.body.Bytes(), &problem); err != nil {
		return fmt.Errorf("the api answered %d without a problem", answer.status)
	}
	t := &trouble{Status: answer.status, Text: problem.Detail, Advice: "Nothing was changed. Go back and correct it.", Fields: map[string]string{}}
	if answer.status == http.StatusPreconditionFailed {
		t.Text, t.Advice = "Somebody changed this since you opened the page.", "Nothing of yours was saved. Open it again, look at what is new, and repeat your step."
	}
	if answer.status == http.StatusNotFound {
		return db.ErrNotFound
	}
	if answer.status == http.StatusForbidden {
		t.Advice = "Nothing was changed. Ask the dispatcher, or sign in with another token."
	}
	for _, e := range problem.Errors {
		t.Fields[strings.TrimPrefix(e.Pointer, "#/")] = e.Detail
	}
	return t
}

// once is a new mark for a form, by which its second sending is known.
func once() string { return uuid.NewString() }
