package scheduler_test

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"maps"
	"net"
	"net/http/httptest"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"frostgate/db"
	"frostgate/scheduler"
	"frostgate/scheduler/alert"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"
)

// A mailServer is an SMTP server by another hand, with a certificate of a test
// authority. What it says can be changed while it runs.
type mailServer struct {
	alert.MailServer // how to reach it

	mu       sync.Mutex
	password string           // that it wants; empty is none
	says     map[string]error // to an address
	dataSays error
	down     bool // hangs up on everybody
	got      []mailed
}

// A mailed message as it came over the wire.
type mailed struct {
	user string
	tls  bool
	to   []string
	body string
}

func newMailServer(t *testing.T, encryption string) *mailServer {
	t.Helper()
	certified := httptest.NewTLSServer(nil)
	t.Cleanup(certified.Close)
	roots := x509.NewCertPool()
	roots.AddCert(certified.Certificate())
	secure := &tls.Config{Certificates: certified.TLS.Certificates, MinVersion: tls.VersionTLS12}
	listener, err := new(net.ListenConfig).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	m := &mailServer{MailServer: alert.MailServer{
		Host: "127.0.0.1", Port: listener.Addr().(*net.TCPAddr).Port, From: "Frostgate <alerts@example.com>", TLS: encryption, Roots: roots,
	}}
	server := smtp.NewServer(m)
	server.TLSConfig = secure
	if encryption == alert.MailImplicit {
		listener = tls.NewListener(listener, secure)
	}
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(func() { _ = server.Close() })
	return m
}

// set changes what the server says from now on.
func (m *mailServer) set(change func(*mailServer)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	change(m)
}

func (m *mailServer) received() []mailed {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]mailed(nil), m.got...)
}

func (m *mailServer) NewSession(c *smtp.Conn) (smtp.Session, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.down {
		return nil, errors.Join(errors.New("down"), c.Conn().Close())
	}
	return &mailSession{server: m, conn: c}, nil
}

type mailSession struct {
	server *mailServer
	conn   *smtp.Conn
	now    mailed
}

func (s *mailSession) Reset()                   { s.now.to = nil }
func (s *mailSession) Logout() error            { return nil }
func (s *mailSession) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s *mailSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		s.server.mu.Lock()
		defer s.server.mu.Unlock()
		if password != s.server.password {
			return smtp.ErrAuthFailed
		}
		s.now.user = user
		return nil
	}), nil
}

func (s *mailSession) Mail(string, *smtp.MailOptions) error {
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	if s.server.password != "" && s.now.user == "" {
		return smtp.ErrAuthRequired
	}
	return nil
}

func (s *mailSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	if no := s.server.says[to]; no != nil {
		return no
	}
	s.now.to = append(s.now.to, to)
	return nil
}

func (s *mailSession) Data(r io.Reader) error {
	body, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	if s.server.dataSays != nil {
		return s.server.dataSays
	}
	_, s.now.tls = s.conn.TLSConnectionState()
	s.now.body = string(body)
	s.server.got = append(s.server.got, s.now)
	return nil
}

func saysNo(code int, text string) error {
	return &smtp.SMTPError{Code: code, EnhancedCode: smtp.NoEnhancedCode, Message: text}
}

// mailTo has a raised alert mailed to some addresses, and gives its only delivery.
func (w *world) mailTo(m *mailServer, addresses string) (delivery func() db.Delivery) {
	w.t.Helper()
	w.cold()
	w.tx(func(tx *db.Tx) error {
		_, err := tx.CreateEndpoint(w.t.Context(), db.Endpoint{Name: "office", Kind: alert.FormMail}, "mailto:"+addresses, alert.NewSecret())
		return err
	})
	s := w.start(func(c *scheduler.Config) { c.Mail = m.MailServer })
	w.pour(s, "Slab", wednesday.Add(42*time.Hour))
	w.until("the mail is made", 20*time.Second, func() bool { return w.count("select count(*) from deliveries") == 1 })
	return func() db.Delivery {
		list, err := w.db.Deliveries(w.t.Context(), everything, db.DeliveryFilter{}, db.Page{Limit: 10})
		require.NoError(w.t, err)
		require.Len(w.t, list.Items, 1)
		d, err := w.db.Delivery(w.t.Context(), everything, list.Items[0].ID)
		require.NoError(w.t, err)
		return d
	}
}

// attempted waits for some attempts at a delivery, and gives them.
func (w *world) attempted(d db.Delivery, n int) []db.Attempt {
	w.t.Helper()
	w.until("attempts", 10*time.Second, func() bool { return w.count("select count(*) from attempts") >= n })
	list, err := w.db.Attempts(w.t.Context(), everything, d.ID)
	require.NoError(w.t, err)
	return list
}

// A raised alert arrives by mail as it is stored, over a connection that is
// encrypted in either way.
func TestAlertIsMailed(t *testing.T) {
	t.Parallel()
	for _, encryption := range []string{alert.MailStartTLS, alert.MailImplicit} {
		t.Run(encryption, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			m := newMailServer(t, encryption)
			m.password, m.User, m.Password = "right", "frostgate", "right"
			delivery := w.mailTo(m, "ann@example.com,bob@example.com")
			w.until("it is accepted", 20*time.Second, func() bool { return delivery().State == "accepted" })
			require.Len(t, m.received(), 1)
			got, d := m.received()[0], delivery()
			require.Equal(t, "frostgate", got.user)
			require.True(t, got.tls)
			require.Equal(t, []string{"ann@example.com", "bob@example.com"}, got.to)
			require.Equal(t, string(d.Body), got.body, "what is stored was sent")
			require.Empty(t, d.Reason)
			read, err := mail.ReadMessage(strings.NewReader(got.body))
			require.NoError(t, err)
			require.Equal(t, `"Frostgate" <alerts@example.com>`, read.Header.Get("From"))
			to, err := read.Header.AddressList("To")
			require.NoError(t, err)
			require.Len(t, to, 2)
			require.Contains(t, read.Header.Get("Subject"), "Slab")
			require.Contains(t, read.Header.Get("Message-Id"), d.NoticeID.String())
			require.Equal(t, "auto-generated", read.Header.Get("Auto-Submitted"), "RFC 3834")
			attempts := w.attempted(d, 1)
			require.Equal(t, []db.AddressResult{{Address: "ann@example.com", Status: 250}, {Address: "bob@example.com", Status: 250}}, attempts[0].Addresses)
			w.invariants()
		})
	}
}

// What a mail server cannot take yet is sent again, the same bytes each time; what
// it never will is ended, and why is kept.
func TestMailServerThatSaysNo(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		no, yes func(*mailServer) // yes nil: it never will
		status  int
		said    string
	}{
		"down": {
			no: func(m *mailServer) { m.down = true }, yes: func(m *mailServer) { m.down = false },
		},
		"wrong password": {
			no: func(m *mailServer) { m.password = "changed" }, yes: func(m *mailServer) { m.password = "right" }, status: 535,
		},
		"receiver, for now": {
			no:  func(m *mailServer) { m.says = map[string]error{"ann@example.com": saysNo(450, "greylisted")} },
			yes: func(m *mailServer) { m.says = nil }, status: 450, said: "greylisted",
		},
		"message, for now": {
			no:  func(m *mailServer) { m.dataSays = saysNo(452, "disk full") },
			yes: func(m *mailServer) { m.dataSays = nil }, status: 452, said: "disk full",
		},
		"receiver, for good": {
			no:     func(m *mailServer) { m.says = map[string]error{"ann@example.com": saysNo(550, "no such user")} },
			status: 550, said: "no such user",
		},
		"message, for good": {
			no: func(m *mailServer) { m.dataSays = saysNo(554, "looks like spam") }, status: 554, said: "looks like spam",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			m := newMailServer(t, alert.MailStartTLS)
			m.password, m.User, m.Password = "right", "frostgate", "right"
			tc.no(m)
			delivery := w.mailTo(m, "ann@example.com")
			made := delivery()
			first := w.attempted(made, 1)[0]
			require.NotEmpty(t, first.Error)
			require.Contains(t, first.Error, tc.said)
			if tc.status != 0 {
				require.Equal(t, tc.status, *first.Status)
			}
			require.Empty(t, m.received())
			if tc.yes == nil {
				require.Equal(t, "permanent", first.Outcome)
				require.Equal(t, "dead", delivery().State)
				require.Contains(t, delivery().Reason, tc.said)
				return
			}
			require.Equal(t, "retry", first.Outcome)
			require.Equal(t, "pending", delivery().State)
			m.set(tc.yes)
			w.clock.Forward(time.Hour)
			w.until("it is accepted", 10*time.Second, func() bool { return delivery().State == "accepted" })
			require.Len(t, m.received(), 1)
			require.Equal(t, string(made.Body), m.received()[0].body, "the same bytes and Message-ID")
			w.invariants()
		})
	}
}

// Who is refused among others keeps nobody waiting and is not forgotten: the others
// get the mail once.
func TestMailThatOneAddressRefuses(t *testing.T) {
	t.Parallel()
	const ann, bob, eve = "ann@example.com", "bob@example.com", "eve@example.com"
	w := newWorld(t)
	m := newMailServer(t, alert.MailStartTLS)
	refused := map[string]error{bob: saysNo(451, "greylisted"), eve: saysNo(550, "no such user")}
	m.says = refused
	delivery := w.mailTo(m, strings.Join([]string{ann, bob, eve}, ","))
	first := w.attempted(delivery(), 1)[0]
	require.Equal(t, "retry", first.Outcome)
	require.Equal(t, []db.AddressResult{
		{Address: ann, Status: 250}, {Address: bob, Status: 451, Response: "greylisted"}, {Address: eve, Status: 550, Response: "no such user"},
	}, first.Addresses)
	require.Equal(t, "pending", delivery().State)
	require.Zero(t, w.count("select count(*) from endpoints where failing_since is not null"), "it works")

	m.set(func(m *mailServer) { m.says = maps.Clone(refused); delete(m.says, bob) })
	w.clock.Forward(time.Hour)
	w.until("it is accepted", 10*time.Second, func() bool { return delivery().State == "accepted" })
	got := m.received()
	require.Len(t, got, 2)
	require.Equal(t, []string{ann}, got[0].to)
	require.Equal(t, []string{bob}, got[1].to)
	require.Equal(t, got[0].body, got[1].body)
	require.Contains(t, delivery().Reason, eve+": 550 no such user")

	// Sent again by hand, it goes to whom it has not reached, and to all when there is nobody left.
	replay := func() {
		w.tx(func(tx *db.Tx) error {
			_, err := tx.Replay(t.Context(), everything, db.DeliveryFilter{ID: delivery().ID})
			return err
		})
	}
	m.set(func(m *mailServer) { m.says = nil })
	for i, to := range [][]string{{eve}, {ann, bob, eve}} {
		replay()
		w.until("it is accepted", 10*time.Second, func() bool { return len(m.received()) == 3+i && delivery().State == "accepted" })
		require.Equal(t, to, m.received()[2+i].to)
	}
}
