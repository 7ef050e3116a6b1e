package forecast

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"golang.org/x/net/http/httpguts"
)

// Limits of one question; a zero Config has these.
const (
	usualDeadline = 30 * time.Second
	dialTime      = 5 * time.Second
	tlsTime       = 5 * time.Second
	headerTime    = 15 * time.Second
	idleTime      = 10 * time.Second // without a byte of the body
	mostRedirects = 3
	mostExpansion = 200      // of a compressed body; genuine ones reach about 30
	expansionFrom = 64 << 10 // bytes from which expansion is judged
	headerCap     = 64 << 10
	validatorCap  = 1 << 10
	reasonCap     = 64 << 10 // read of a refusal
	skewRefused   = 10 * time.Minute
)

// ClientConfig sets up a Client.
type ClientConfig struct {
	Agent     string   // product and a contact, as services ask for
	Hosts     []string // hosts besides the asked one that a redirect may lead to
	PlainHTTP bool     // allows http, for servers on this machine
	Now       func() time.Time
	// Turn is asked before each question; it may wait, and its error is given to
	// the caller instead of an answer. Replicas share a host's budget through it.
	// Nil means any time.
	Turn func(ctx context.Context, host string) error
	// Observe is told what each question came to, those aside whose caller went
	// away; nil for nobody.
	Observe func(ctx context.Context, c Call)

	// Time limits; zero means the usual ones: 5 s, 5 s, 15 s and 10 s.
	Dial, TLS, Header, Idle time.Duration
}

// A Call is what one question came to.
type Call struct {
	Host   string
	Status int // 0 without an answer
	Bytes  int // of the body, unpacked
	Took   time.Duration
	Failed bool           // no usable answer, by fault of the host or of the way to it
	Skew   *time.Duration // by which the host's clock is ahead of ours; nil when it did not say
}

// A Client asks weather services. It is safe for concurrent use.
type Client struct {
	cfg  ClientConfig
	http *http.Client
}

// NewClient makes a client; one is enough for all sources.
func NewClient(cfg ClientConfig) *Client {
	cfg.Dial, cfg.TLS = cmp.Or(cfg.Dial, dialTime), cmp.Or(cfg.TLS, tlsTime)
	cfg.Header, cfg.Idle = cmp.Or(cfg.Header, headerTime), cmp.Or(cfg.Idle, idleTime)
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	c := &Client{cfg: cfg}
	c.http = &http.Client{
		CheckRedirect: c.checkRedirect,
		Transport: &http.Transport{
			Proxy:                  http.ProxyFromEnvironment,
			DialContext:            (&net.Dialer{Timeout: cfg.Dial}).DialContext,
			TLSHandshakeTimeout:    cfg.TLS,
			ResponseHeaderTimeout:  cfg.Header,
			MaxResponseHeaderBytes: headerCap,
			MaxConnsPerHost:        4,
			IdleConnTimeout:        90 * time.Second,
			ForceAttemptHTTP2:      true,
			// The body is unpacked here, where its expansion can be measured.
			DisableCompression: true,
		},
	}
	return c
}

// HasContact reports whether the agent names a way to reach its operator, as
// public services demand: a mail address or a page.
func (c *Client) HasContact() bool {
	return strings.Contains(c.cfg.Agent, "@") || strings.Contains(c.cfg.Agent, "://")
}

// Close ends idle connections.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// A Request is one question.
type Request struct {
	URL                string
	Header             http.Header   // besides what the client sends; may be nil
	CapBytes           int64         // most of the body, unpacked
	Deadline           time.Duration // 0 means 30 s
	ETag, LastModified string        // of the stored answer, as it gave them
}

// A Response is a usable answer: JSON, or the word that nothing changed.
type Response struct {
	NotModified        bool
	Deprecated         bool // status 203: good, but the service is going to end it
	Body               []byte
	ETag, LastModified string
	FreshUntil         time.Time // zero without a word on it
	URL                string    // after redirects
}

var errIdle = errors.New("the body stalled")

// Get asks. Its errors are an [*Error], unless the caller's context ended.
func (c *Client) Get(ctx context.Context, r Request) (*Response, error) {
	if err := c.turn(ctx, r.URL); err != nil {
		return nil, err
	}
	req, err := c.request(ctx, r)
	if err != nil {
		return nil, &Error{Reason: "unusable address", Err: err}
	}
	began, call := time.Now(), Call{Host: req.URL.Host}
	answer, err := c.ask(ctx, req, r, &call)
	if c.cfg.Observe != nil && ctx.Err() == nil {
		call.Took = time.Since(began)
		fault, ok := errors.AsType[*Error](err)
		call.Failed = ok && fault.Retry && fault.Status != http.StatusTooManyRequests // which is an answer
		c.cfg.Observe(ctx, call)
	}
	return answer, err
}

// ask puts a question and notes what came of it.
func (c *Client) ask(outer context.Context, req *http.Request, r Request, call *Call) (*Response, error) {
	ctx, cancel := context.WithTimeout(outer, cmp.Or(r.Deadline, usualDeadline))
	defer cancel()
	ctx, stall := context.WithCancelCause(ctx)
	defer stall(nil)
	resp, err := c.http.Do(req.WithContext(ctx))
	if err != nil {
		return nil, c.transportError(outer, err)
	}
	defer resp.Body.Close() //nolint:errcheck // nothing is lost: it was read
	call.Status, call.Skew = resp.StatusCode, c.skew(resp)
	body, err := c.read(resp, r.CapBytes, stall)
	call.Bytes = len(body)
	if err != nil {
		if outer.Err() != nil {
			return nil, fmt.Errorf("ask %s: %w", req.URL.Host, outer.Err())
		}
		if errors.Is(context.Cause(ctx), errIdle) {
			err = errIdle
		}
		return nil, &Error{Status: call.Status, Retry: true, Reason: "broken answer", Err: err}
	}
	return c.judge(resp, r, body)
}

// skew is by how much the clock of an answer's host is ahead of ours; nil when
// it does not say.
func (c *Client) skew(resp *http.Response) *time.Duration {
	date, err := http.ParseTime(resp.Header.Get("Date"))
	if err != nil {
		return nil
	}
	return new(date.Sub(c.cfg.Now()).Round(time.Second))
}

// turn waits until the host may be asked.
func (c *Client) turn(ctx context.Context, address string) error {
	u, err := url.Parse(address)
	if err != nil || c.cfg.Turn == nil {
		return nil //nolint:nilerr // request refuses such an address
	}
	return c.cfg.Turn(ctx, u.Host)
}

func (c *Client) request(ctx context.Context, r Request) (*http.Request, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, r.URL, nil)
	if err != nil {
		return nil, err
	}
	if err := c.checkScheme(req.URL); err != nil {
		return nil, err
	}
	if r.Header != nil {
		req.Header = r.Header.Clone()
	}
	req.Header.Set("User-Agent", c.cfg.Agent)
	req.Header.Set("Accept-Encoding", "gzip")
	if req.Header.Get("Accept") == "" {
		req.Header.Set("Accept", "application/json")
	}
	setValidator(req.Header, "If-None-Match", r.ETag)
	setValidator(req.Header, "If-Modified-Since", r.LastModified)
	return req, nil
}

// setValidator echoes a validator as it was given, unless it can't stand in a
// header.
func setValidator(header http.Header, name, value string) {
	if value != "" && len(value) <= validatorCap && httpguts.ValidHeaderFieldValue(value) {
		header.Set(name, value)
	}
}

func (c *Client) checkScheme(u *url.URL) error {
	if u.Scheme == "https" || u.Scheme == "http" && c.cfg.PlainHTTP {
		return nil
	}
	return fmt.Errorf("%s is not https", u.Redacted())
}

var errRedirect = errors.New("redirect refused")

func (c *Client) checkRedirect(req *http.Request, via []*http.Request) error {
	if len(via) > mostRedirects {
		return fmt.Errorf("%w: more than %d", errRedirect, mostRedirects)
	}
	if err := c.checkScheme(req.URL); err != nil {
		return fmt.Errorf("%w: %w", errRedirect, err)
	}
	if req.URL.Host != via[0].URL.Host && !slices.Contains(c.cfg.Hosts, req.URL.Hostname()) {
		return fmt.Errorf("%w: to another host", errRedirect)
	}
	return nil
}

func (c *Client) transportError(outer context.Context, err error) error {
	if wrapped, ok := errors.AsType[*url.Error](err); ok {
		err = wrapped.Err // without the address, which may hold a key
	}
	if outer.Err() != nil {
		return fmt.Errorf("ask a weather service: %w", outer.Err())
	}
	return &Error{Retry: !errors.Is(err, errRedirect), Reason: "no answer", Err: err}
}

// read takes in the body, unpacked, within the limits of size, expansion and
// silence.
func (c *Client) read(resp *http.Response, limit int64, stall context.CancelCauseFunc) ([]byte, error) {
	if resp.StatusCode >= 300 {
		limit = reasonCap
	}
	timer := time.AfterFunc(c.cfg.Idle, func() { stall(errIdle) })
	defer timer.Stop()
	raw := &pacedReader{from: resp.Body, timer: timer, idle: c.cfg.Idle}
	from := io.Reader(raw)
	switch encoding := strings.ToLower(resp.Header.Get("Content-Encoding")); encoding {
	case "", "identity":
	case "gzip":
		unpacked, err := gzip.NewReader(raw)
		if errors.Is(err, io.EOF) && raw.bytes == 0 {
			return nil, nil
		}
		if err != nil {
			return nil, fmt.Errorf("unpack: %w", err)
		}
		from = unpacked
	default:
		return nil, fmt.Errorf("content encoding %q was not asked for", encoding)
	}
	return readCapped(from, raw, limit)
}

// readCapped reads to the end, and treats one byte more than the limit as an
// error, never as the end.
func readCapped(from io.Reader, raw *pacedReader, limit int64) ([]byte, error) {
	var body bytes.Buffer
	chunk := make([]byte, 32<<10)
	for {
		n, err := from.Read(chunk)
		body.Write(chunk[:n])
		switch size := int64(body.Len()); {
		case size > limit:
			return nil, fmt.Errorf("the body is larger than %d bytes", limit)
		case size > expansionFrom && size > mostExpansion*raw.bytes:
			return nil, fmt.Errorf("the body expands more than %d times", mostExpansion)
		case errors.Is(err, io.EOF):
			return body.Bytes(), nil
		case err != nil:
			return nil, err
		}
	}
}

// A pacedReader counts what comes over the wire and puts off the alarm for
// silence with every byte.
type pacedReader struct {
	from  io.Reader
	timer *time.Timer
	idle  time.Duration
	bytes int64
}

func (p *pacedReader) Read(b []byte) (int, error) {
	n, err := p.from.Read(b)
	if n > 0 {
		p.bytes += int64(n)
		p.timer.Reset(p.idle)
	}
	return n, err
}

// judge turns an answer read whole into a response or an error.
func (c *Client) judge(resp *http.Response, r Request, body []byte) (*Response, error) {
	now := c.cfg.Now()
	answer := &Response{
		ETag: resp.Header.Get("ETag"), LastModified: resp.Header.Get("Last-Modified"),
		FreshUntil: freshUntil(resp.Header, now), URL: resp.Request.URL.String(),
	}
	if skew := c.skew(resp); skew != nil && skew.Abs() > skewRefused {
		return nil, &Error{
			Status: resp.StatusCode, Retry: true, Reason: "clocks disagree",
			Err: fmt.Errorf("the service says %s, this machine %s", now.UTC().Add(*skew).Format(time.RFC3339), now.UTC().Format(time.RFC3339)),
		}
	}
	switch {
	case resp.StatusCode == http.StatusNotModified && (r.ETag != "" || r.LastModified != ""):
		answer.NotModified = true
		return answer, nil
	case resp.StatusCode == http.StatusNotModified:
		return nil, &Error{Status: resp.StatusCode, Retry: true, Reason: "not modified, but nothing was stored"}
	case resp.StatusCode != http.StatusOK && resp.StatusCode != http.StatusNonAuthoritativeInfo:
		e := statusError(resp, "", now)
		e.Err = refusal(resp, body)
		return nil, e
	case len(body) == 0:
		return nil, &Error{Status: resp.StatusCode, Retry: true, Reason: "empty answer"}
	case !isJSON(resp.Header.Get("Content-Type")):
		return nil, &Error{
			Status: resp.StatusCode, Retry: true, Reason: "no JSON",
			Err: fmt.Errorf("content type %q", resp.Header.Get("Content-Type")),
		}
	}
	if first := bytes.TrimLeft(body, " \t\r\n"); len(first) == 0 || first[0] != '{' && first[0] != '[' {
		return nil, &Error{Status: resp.StatusCode, Retry: true, Reason: "no JSON", Err: errors.New("labelled as JSON")}
	}
	answer.Body, answer.Deprecated = body, resp.StatusCode == http.StatusNonAuthoritativeInfo
	return answer, nil
}

// A Refusal is the body of an answer that refuses, for the source to read.
type Refusal struct{ Body []byte }

// Error gives the beginning of the body on one line.
func (r *Refusal) Error() string {
	text := strings.ToValidUTF8(string(r.Body[:min(len(r.Body), 200)]), "")
	return strings.Join(strings.Fields(text), " ")
}

func refusal(resp *http.Response, body []byte) error {
	if len(body) == 0 {
		return errors.New(cmp.Or(http.StatusText(resp.StatusCode), "no reason given"))
	}
	return &Refusal{Body: body}
}

// isJSON takes application/json, text/json and structured kinds such as
// application/geo+json.
func isJSON(contentType string) bool {
	kind, _, err := mime.ParseMediaType(contentType)
	return err == nil && (kind == "application/json" || kind == "text/json" || strings.HasSuffix(kind, "+json"))
}
