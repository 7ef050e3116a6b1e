package alert_test

import (
	"bytes"
	"cmp"
	"crypto/tls"
	"crypto/x509"
	"io"
	"mime"
	"net"
	"net/http/httptest"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/scheduler/alert"

	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"
)

// requireMail reads a message as a mail program does: the standard library's parser.
func requireMail(t *testing.T, body []byte) *mail.Message {
	t.Helper()
	m, err := mail.ReadMessage(bytes.NewReader(body))
	require.NoError(t, err)
	for name := range m.Header {
		require.Contains(t, []string{"Subject", "Date", "Message-Id", "In-Reply-To", "References", "Auto-Submitted", "Mime-Version", "Content-Type"}, name)
	}
	for line := range strings.SplitSeq(string(body), "\r\n") {
		require.LessOrEqual(t, len(line), 998, "RFC 5322, 2.1.1")
	}
	return m
}

// A mailbox is an SMTP server by another hand.
type mailbox struct {
	mu       sync.Mutex
	mailSays error
	rcptSays error
	says     map[string]error // to one address
	dataSays error
	hang     chan struct{} // until it is closed
	cut      bool
	got      []string
	to       []string
}

type mailSession struct {
	*mailbox
	conn *smtp.Conn
}

func (b *mailbox) NewSession(c *smtp.Conn) (smtp.Session, error) { return &mailSession{b, c}, nil }
func (s *mailSession) Reset()                                    {}
func (s *mailSession) Logout() error                             { return nil }
func (s *mailSession) Mail(string, *smtp.MailOptions) error {
	if s.hang != nil {
		<-s.hang
	}
	return s.mailSays
}

func (s *mailSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	if no := cmp.Or(s.says[to], s.rcptSays); no != nil {
		return no
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.to = append(s.to, to)
	return nil
}

func (s *mailSession) Data(r io.Reader) error {
	body, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.got = append(s.got, string(body))
	s.mu.Unlock()
	if s.cut {
		return s.conn.Conn().Close()
	}
	return s.dataSays
}

// serveMail runs a mailbox with STARTTLS and gives how to reach it.
func serveMail(t *testing.T, b *mailbox) alert.MailServer {
	t.Helper()
	tlsServer := httptest.NewTLSServer(nil) // for its certificate
	t.Cleanup(tlsServer.Close)
	roots := x509.NewCertPool()
	roots.AddCert(tlsServer.Certificate())
	server := smtp.NewServer(b)
	server.TLSConfig = &tls.Config{Certificates: tlsServer.TLS.Certificates, MinVersion: tls.VersionTLS12}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(func() { _ = server.Close() })
	return alert.MailServer{Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port, From: "Frostgate <alerts@example.com>", Roots: roots}
}

// sampleMail is a message as it is stored.
func sampleMail(t *testing.T) string {
	t.Helper()
	_, body := write(t, alert.Sample(), alert.FormMail)
	return string(alert.MailHead("Frostgate <alerts@example.com>", []string{"ann@example.com", "bob@example.com"})) + body
}

func postMail(t *testing.T, s alert.MailServer, taken ...string) alert.Answer {
	t.Helper()
	body := sampleMail(t)
	p := alert.NewPoster(alert.PosterConfig{Mail: s})
	t.Cleanup(p.Close)
	return p.Post(t.Context(), alert.Message{URL: "mailto:ann@example.com,bob@example.com", Form: alert.FormMail, Body: []byte(body), Attempt: 1, Taken: taken})
}

func TestMailArrives(t *testing.T) {
	t.Parallel()
	var b mailbox
	server := serveMail(t, &b)
	for range 2 {
		a := postMail(t, server)
		require.Equal(t, alert.Accepted, a.Outcome, a.Error)
	}
	require.Equal(t, []string{"ann@example.com", "bob@example.com"}, b.to[:2])
	require.Len(t, b.got, 2)
	require.Equal(t, b.got[0], b.got[1], "the same Message-ID and bytes each time")
	require.Equal(t, sampleMail(t), b.got[0], "what is stored is what is sent")
	m, err := mail.ReadMessage(strings.NewReader(b.got[0]))
	require.NoError(t, err)
	require.Equal(t, `"Frostgate" <alerts@example.com>`, m.Header.Get("From"))
	to, err := m.Header.AddressList("To")
	require.NoError(t, err)
	require.Len(t, to, 2)
	require.Empty(t, m.Header["Bcc"])
	require.Contains(t, m.Header.Get("Message-Id"), "01944000-0000-7000-8000-000000000001@")
	require.Contains(t, m.Header.Get("References"), "01944000-0000-7000-8000-000000000002.1@")
	require.Contains(t, b.got[0], "https://frostgate.example/pours/1")
}

func TestMailServersThatFail(t *testing.T) {
	t.Parallel()
	says := func(code int) error { return &smtp.SMTPError{Code: code, Message: "no"} }
	for name, tc := range map[string]struct {
		box    *mailbox
		change func(*alert.MailServer)
		want   alert.Outcome
	}{
		"421 at the sender":      {box: &mailbox{mailSays: says(421)}, want: alert.Retry},
		"450 at the receiver":    {box: &mailbox{rcptSays: says(450)}, want: alert.Retry},
		"550 at the receiver":    {box: &mailbox{rcptSays: says(550)}, want: alert.Permanent},
		"554 after the message":  {box: &mailbox{dataSays: says(554)}, want: alert.Permanent},
		"451 after the message":  {box: &mailbox{dataSays: says(451)}, want: alert.Retry},
		"cut after the message":  {box: &mailbox{cut: true}, want: alert.Unknown},
		"unknown certificate":    {change: func(s *alert.MailServer) { s.Roots = x509.NewCertPool() }, want: alert.Retry},
		"refused":                {change: func(s *alert.MailServer) { s.Port = 1 }, want: alert.Retry},
		"not TLS from the start": {change: func(s *alert.MailServer) { s.TLS = alert.MailImplicit }, want: alert.Retry},
		"none set up":            {change: func(s *alert.MailServer) { s.Host = "" }, want: alert.Retry},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if tc.box == nil {
				tc.box = &mailbox{}
			}
			server := serveMail(t, tc.box)
			if tc.change != nil {
				tc.change(&server)
			}
			a := postMail(t, server)
			require.Equal(t, tc.want, a.Outcome, a.Error)
			require.NotEmpty(t, a.Error)
			if tc.change != nil {
				require.Empty(t, tc.box.got, "nothing in the open")
			}
		})
	}
}

// A server that hangs is given up; what it may do is all that the limit is for.
func TestMailServerThatHangs(t *testing.T) {
	t.Parallel()
	b := &mailbox{hang: make(chan struct{})}
	server := serveMail(t, b)
	t.Cleanup(func() { close(b.hang) }) // before the server is closed
	p := alert.NewPoster(alert.PosterConfig{Mail: server, Whole: time.Second})
	t.Cleanup(p.Close)
	a := p.Post(t.Context(), alert.Message{URL: "mailto:ann@example.com", Form: alert.FormMail, Body: []byte(sampleMail(t)), Attempt: 1})
	require.Equal(t, alert.Retry, a.Outcome, a.Error)
	require.Empty(t, b.got)
}

// An address that is refused among others is told of and keeps nobody else waiting;
// the others are not sent the mail again.
func TestMailThatNotAllTake(t *testing.T) {
	t.Parallel()
	no := func(code int) error { return &smtp.SMTPError{Code: code, Message: "not now"} }
	const ann, bob = "ann@example.com", "bob@example.com"
	for name, tc := range map[string]struct {
		says  map[string]error
		taken []string
		want  alert.Outcome
		to    []string
	}{
		"one for good":                  {says: map[string]error{bob: no(550)}, want: alert.Accepted, to: []string{ann}},
		"one for now":                   {says: map[string]error{bob: no(450)}, want: alert.Retry, to: []string{ann}},
		"the other has it":              {taken: []string{ann}, want: alert.Accepted, to: []string{bob}},
		"the other has it, for good":    {says: map[string]error{bob: no(550)}, taken: []string{ann}, want: alert.Accepted},
		"the other has it, for now":     {says: map[string]error{bob: no(450)}, taken: []string{ann}, want: alert.Retry},
		"all have it":                   {taken: []string{ann, bob}, want: alert.Accepted, to: []string{ann, bob}},
		"both, one of them for good":    {says: map[string]error{ann: no(550), bob: no(450)}, want: alert.Retry},
		"it hangs up after one of them": {says: map[string]error{bob: no(421)}, want: alert.Retry, to: []string{ann}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := &mailbox{says: tc.says}
			a := postMail(t, serveMail(t, b), tc.taken...)
			require.Equal(t, tc.want, a.Outcome, a.Error)
			require.Equal(t, tc.to, b.to)
			for refused := range tc.says {
				require.Contains(t, a.Error, "not now")
				if a.Status != 421 {
					require.Contains(t, a.Error, refused)
				}
			}
			if a.Status == 421 {
				require.Empty(t, b.got, "no message without all receivers' answers")
				require.Empty(t, a.Addresses)
			}
		})
	}
}

// The lines of senders and receivers can be read by others, whatever the names.
func TestMailHead(t *testing.T) {
	t.Parallel()
	var many []string
	for i := range 20 {
		many = append(many, strings.Repeat("a", 60)+string(rune('a'+i))+"@"+strings.Repeat("b", 60)+".example.com")
	}
	for _, to := range [][]string{{"ann@example.com"}, many, nil} {
		head := string(alert.MailHead("Frost\r\ngate\u202e <alerts@example.com>", to))
		for line := range strings.SplitSeq(head, "\r\n") {
			require.LessOrEqual(t, len(line), 998, "RFC 5322, 2.1.1")
		}
		m, err := mail.ReadMessage(strings.NewReader(head + "\r\n"))
		require.NoError(t, err)
		require.Len(t, m.Header, 2)
		list, err := m.Header.AddressList("To")
		if to == nil {
			require.Empty(t, list)
			continue
		}
		require.NoError(t, err)
		require.Len(t, list, len(to))
	}
	require.Contains(t, string(alert.MailHead("", many)), "frostgate@frostgate.invalid")
}

// A name cannot put a header into a mail, nor make its subject endless.
func TestMailSubjectIsSafe(t *testing.T) {
	t.Parallel()
	e := alert.Sample()
	e.Pour.Name = "Bay\r\nBcc: evil@example.com\r\n\r\n" + strings.Repeat("é", 500)
	e.Compose()
	_, body := write(t, e, alert.FormMail)
	m := requireMail(t, []byte(body))
	require.Empty(t, m.Header.Get("Bcc"))
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	require.NoError(t, err)
	require.LessOrEqual(t, len([]rune(subject)), 150)
	require.Contains(t, subject, "Bay")
}

func TestMailAddresses(t *testing.T) {
	t.Parallel()
	list, err := alert.MailAddresses("mailto:ann@example.com,bob@example.com")
	require.NoError(t, err)
	require.Equal(t, []string{"ann@example.com", "bob@example.com"}, list)
	for _, bad := range []string{"", "ann@example.com", "mailto:", "mailto:ann", "mailto:a@b.c\r\nRCPT TO:<x@y.z>", "mailto:a@b.c?bcc=x@y.z", "mailto:" + strings.Repeat("a@b.c,", 20) + "a@b.c"} {
		_, err := alert.MailAddresses(bad)
		require.ErrorIs(t, err, alert.ErrAddress, bad)
	}
}
