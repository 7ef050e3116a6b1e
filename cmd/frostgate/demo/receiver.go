package demo

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"sync"

	webhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
)

// A Notice is one webhook message as it came in.
type Notice struct {
	ID       string // the message's own id: the same again on each further try
	Verified bool   // signature and age hold under the receiver's secret
	Body     []byte
}

// Text is the notice's sentence for a person, or the whole body when it has none.
func (n Notice) Text() string {
	var message struct {
		Text string `json:"text"`
		Data struct {
			Text string `json:"text"`
		} `json:"data"`
	}
	switch err := json.Unmarshal(n.Body, &message); {
	case err == nil && message.Text != "":
		return message.Text
	case err == nil && message.Data.Text != "":
		return message.Data.Text
	}
	return string(n.Body)
}

// A Receiver is a webhook endpoint on this machine: it verifies each message by the Standard Webhooks rules, with
// their authors' own library, and keeps it.
type Receiver struct {
	mu      sync.Mutex
	hook    *webhooks.Webhook
	refuse  int
	notices []Notice
	heard   chan Notice
}

// NewReceiver makes a receiver that also hands each accepted notice to Heard while somebody listens there.
func NewReceiver() *Receiver {
	return &Receiver{heard: make(chan Notice, 256)}
}

// Trust sets the secret, as the service showed it when the endpoint was made.
func (r *Receiver) Trust(secret string) error {
	hook, err := webhooks.NewWebhook(secret)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.hook = hook
	return err
}

// RefuseNext answers the next n messages with 503.
func (r *Receiver) RefuseNext(n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.refuse = n
}

// Heard gives the accepted notices in order; what nobody takes out is still in Notices.
func (r *Receiver) Heard() <-chan Notice { return r.heard }

// Notices are all accepted so far, oldest first.
func (r *Receiver) Notices() []Notice {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]Notice(nil), r.notices...)
}

// ServeHTTP takes one message: 204 when it verifies, 401 when not, 503 while told to refuse.
func (r *Receiver) ServeHTTP(rw http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(http.MaxBytesReader(rw, req.Body, 1<<20))
	if err != nil {
		rw.WriteHeader(http.StatusBadRequest)
		return
	}
	rw.WriteHeader(r.take(req.Header, body))
}

func (r *Receiver) take(header http.Header, body []byte) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.refuse > 0 {
		r.refuse--
		return http.StatusServiceUnavailable
	}
	err := errors.New("no secret yet")
	if r.hook != nil {
		err = r.hook.Verify(body, header)
	}
	notice := Notice{ID: header.Get("webhook-id"), Verified: err == nil, Body: body}
	r.notices = append(r.notices, notice)
	select {
	case r.heard <- notice:
	default:
	}
	if err != nil {
		return http.StatusUnauthorized
	}
	return http.StatusNoContent
}
