package alert

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strconv"
	"strings"
	"sync/atomic"
	"time"
)

// Outcome is how one attempt ended.
type Outcome string

// The outcomes.
const (
	Accepted  Outcome = "accepted"  // 2xx
	Retry     Outcome = "retry"     // may be taken later
	Permanent Outcome = "permanent" // never will be
	Gone      Outcome = "gone"      // the receiver says it is no more
	Unknown   Outcome = "unknown"   // sent, but no answer came: may have been taken; to be sent again
)

// Limits of one attempt.
const (
	dialTime     = 5 * time.Second // with the look-up of the name
	tlsTime      = 5 * time.Second
	headerTime   = 10 * time.Second
	attemptTime  = 15 * time.Second
	readTime     = 2 * time.Second // for the answer's body, which decides nothing
	responseCap  = 16 << 10
	responseKept = 1 << 10
)

// keptOpen is how many connections to one host wait for the next message: many
// endpoints may be at one, such as the rooms of a chat.
const keptOpen = 32

// PosterConfig sets up a Poster.
type PosterConfig struct {
	Guard Guard
	Mail  MailServer
	Agent string
	Now   func() time.Time
	// Resolver of names; nil is the system's.
	Resolver *net.Resolver

	// Time limits; zero means the usual 5, 5, 10, 15 and 2 seconds.
	Dial, TLS, Header, Whole, Read time.Duration
}

// A Poster sends messages. It is safe for concurrent use.
type Poster struct {
	cfg  PosterConfig
	http *http.Client
}

// NewPoster makes a poster. It follows no redirect and uses no proxy.
func NewPoster(cfg PosterConfig) *Poster {
	for _, limit := range []struct {
		of    *time.Duration
		usual time.Duration
	}{{&cfg.Dial, dialTime}, {&cfg.TLS, tlsTime}, {&cfg.Header, headerTime}, {&cfg.Whole, attemptTime}, {&cfg.Read, readTime}} {
		if *limit.of == 0 {
			*limit.of = limit.usual
		}
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	dialer := &net.Dialer{Timeout: cfg.Dial, Control: cfg.Guard.control, Resolver: cfg.Resolver}
	return &Poster{cfg: cfg, http: &http.Client{
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			DialContext:            dialer.DialContext,
			TLSHandshakeTimeout:    cfg.TLS,
			ResponseHeaderTimeout:  cfg.Header,
			MaxResponseHeaderBytes: 64 << 10,
			MaxIdleConnsPerHost:    keptOpen,
			IdleConnTimeout:        90 * time.Second,
			ForceAttemptHTTP2:      true,
			DisableCompression:     true,
		},
	}}
}

// Close ends idle connections.
func (p *Poster) Close() { p.http.CloseIdleConnections() }

// A Message is one delivery at one attempt.
type Message struct {
	URL         string
	Form        string   // of the body, as Write took it; some receivers answer in ways of their own
	Secrets     []string // newest first
	ID          string   // the same on every attempt
	Attempt     int      // from 1
	ContentType string
	Body        []byte
	Taken       []string // of a mail: addresses that have it from earlier attempts
}

// An Answer is what came of an attempt.
type Answer struct {
	Outcome    Outcome
	Status     int    // 0 without an answer
	Error      string // without the address; empty when there was an answer
	Response   string // beginning of the body
	RetryAfter *time.Duration
	Addresses  []AddressAnswer // of a mail; those that were taken only when the message was
	Partly     bool            // of a mail: some have it, from this attempt or before
	At         time.Time
	Took       time.Duration
}

// Post makes one attempt. It never fails otherwise than by its outcome.
func (p *Poster) Post(ctx context.Context, m Message) Answer {
	began, at := time.Now(), p.cfg.Now()
	var answer Answer
	if m.Form == FormMail {
		answer = p.mail(ctx, m)
	} else {
		answer = p.post(ctx, m, at)
	}
	answer.At, answer.Took = at, time.Since(began)
	return answer
}

func (p *Poster) post(ctx context.Context, m Message, at time.Time) Answer {
	ctx, cancel := context.WithTimeout(ctx, p.cfg.Whole)
	defer cancel()
	var sent atomic.Bool
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		WroteRequest: func(info httptrace.WroteRequestInfo) { sent.Store(info.Err == nil) },
	})
	req, err := p.request(ctx, m, at)
	if err != nil {
		return Answer{Outcome: Permanent, Error: plainError(err)}
	}
	resp, err := p.http.Do(req)
	switch {
	case errors.Is(err, ErrAddress):
		return Answer{Outcome: Permanent, Error: plainError(err)}
	case err != nil && sent.Load():
		return Answer{Outcome: Unknown, Error: plainError(err)}
	case err != nil:
		return Answer{Outcome: Retry, Error: plainError(err)}
	}
	defer resp.Body.Close() //nolint:errcheck // the status is all that counts
	slow := time.AfterFunc(p.cfg.Read, cancel)
	defer slow.Stop()
	return p.classify(resp, forms[m.Form])
}

func (p *Poster) request(ctx context.Context, m Message, at time.Time) (*http.Request, error) {
	if _, err := p.cfg.Guard.CheckURL(m.URL); err != nil {
		return nil, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, m.URL, bytes.NewReader(m.Body))
	if err != nil {
		return nil, err
	}
	if query := forms[m.Form].query; query != "" && !strings.Contains(req.URL.RawQuery, query) {
		req.URL.RawQuery = strings.TrimPrefix(req.URL.RawQuery+"&"+query, "&")
	}
	req.Header.Set("Content-Type", m.ContentType)
	req.Header.Set("User-Agent", p.cfg.Agent)
	req.Header.Set(HeaderAttempt, strconv.Itoa(m.Attempt))
	return req, sign(req.Header, m.Secrets, m.ID, at, m.Body)
}

// plainError leaves out the address, which may be a secret itself.
func plainError(err error) string {
	if wrapped, ok := errors.AsType[*url.Error](err); ok {
		err = wrapped.Err
	}
	if _, ok := errors.AsType[*url.Error](err); ok {
		return "unusable address"
	}
	return err.Error()
}

func (p *Poster) classify(resp *http.Response, f form) Answer {
	// Whatever the body does, the status has been given.
	body, _ := io.ReadAll(io.LimitReader(resp.Body, responseCap))
	text := kept(string(body))
	a := Answer{Outcome: outcomeOf(resp.StatusCode), Status: resp.StatusCode, Response: text}
	switch {
	case f.answersOK && a.Outcome == Accepted && strings.TrimSpace(text) != "ok":
		a.Outcome = Retry
	case f.hook && a.Status == http.StatusNotFound:
		a.Outcome = Gone
	}
	if wait, ok := RetryAfter(resp.Header.Get("Retry-After"), p.cfg.Now()); ok && a.Outcome == Retry {
		a.RetryAfter = &wait
	}
	return a
}

// kept is as much of an answer as is kept, as text that can be stored.
func kept(text string) string {
	text = strings.ToValidUTF8(text[:min(len(text), responseKept)], "�")
	return strings.ReplaceAll(text, "\x00", "�")
}

// outcomeOf reads a status. A redirect is a failure: it would lead past the
// check of the address that was registered.
func outcomeOf(status int) Outcome {
	switch {
	case status >= 200 && status < 300:
		return Accepted
	case status == http.StatusGone:
		return Gone
	case status == http.StatusUnauthorized, status == http.StatusForbidden: // whoever changed a key may change it back
		return Retry
	case status == http.StatusRequestTimeout, status == http.StatusTooEarly, status == http.StatusTooManyRequests, status >= 500:
		return Retry
	}
	return Permanent
}
