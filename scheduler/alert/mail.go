package alert

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"net/textproto"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/wneessen/go-mail/smtp"
)

// FormMail is an e-mail: plain text with the same in HTML.
const FormMail = "mail"

// How the connection to a mail server is encrypted.
const (
	MailStartTLS = "starttls" // demanded after the greeting; the default
	MailImplicit = "implicit" // from the first byte
	MailPlain    = "none"     // not at all; only for a server on this machine
)

// MailServer is the SMTP server that e-mail goes through. Without a host there is
// none.
type MailServer struct {
	Host           string
	Port           int // default 587, with implicit TLS 465
	User, Password string
	From           string         // address, with a name or without
	TLS            string         // default MailStartTLS
	Roots          *x509.CertPool // nil is the system's
}

const (
	mailTextLimit = 100_000 // bytes of the text
	subjectLimit  = 150     // characters
	mailDomain    = "frostgate.invalid"
)

func mailBody(e *Event, lines []line, at links) []byte {
	body, err := e.mailBytes(lines, at)
	if err != nil {
		panic(err) // into memory alone
	}
	return body
}

// MailHead is the lines of a message that tell from whom and to whom it is, the
// first of all. Without a sender, for no mail server is set up yet, it has one that
// nobody can answer.
func MailHead(from string, to []string) []byte {
	sender, err := netmail.ParseAddress(from)
	if err != nil {
		sender = &netmail.Address{Name: "Frostgate", Address: "frostgate@" + mailDomain}
	}
	if len(to) == 0 {
		to = []string{"undisclosed-recipients:;"}
	}
	return fmt.Appendf(nil, "From: %s\r\nTo: %s\r\n", sender, strings.Join(to, ",\r\n "))
}

// mailBytes is the message from its subject on; MailHead goes before it. Every
// attempt has the same Message-ID, by which receivers know what they have; all
// about one episode of an alert refer to the same, and so form a thread.
func (e *Event) mailBytes(said []line, at links) ([]byte, error) {
	plain := strings.ReplaceAll(text(said, at), "\n", "\r\n")
	marked := marked(said, at, "Open", "<br>\r\n")
	var body, parts bytes.Buffer
	w := multipart.NewWriter(&parts)
	if err := w.SetBoundary("frostgate-" + e.ID.String()); err != nil {
		return nil, err
	}
	for _, part := range [][2]string{{"text/plain", plain}, {"text/html", "<!doctype html><html><body><p>" + marked + "</p></body></html>"}} {
		p, err := w.CreatePart(textproto.MIMEHeader{"Content-Type": {part[0] + "; charset=utf-8"}, "Content-Transfer-Encoding": {"quoted-printable"}})
		if err != nil {
			return nil, err
		}
		q := quotedprintable.NewWriter(p)
		if _, err := q.Write([]byte(part[1])); err != nil {
			return nil, err
		}
		if err := q.Close(); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	header := func(name, value string) { fmt.Fprintf(&body, "%s: %s\r\n", name, value) }
	header("Subject", foldWords(mime.QEncoding.Encode("utf-8", subject(said[0].text))))
	header("Date", e.At.UTC().Format(time.RFC1123Z))
	header("Message-ID", fmt.Sprintf("<%s@%s>", e.ID, mailDomain))
	if e.Alert.ID != uuid.Nil {
		thread := fmt.Sprintf("<%s.%d@%s>", e.Alert.ID, e.Alert.Episode, mailDomain)
		header("In-Reply-To", thread)
		header("References", thread)
	}
	header("Auto-Submitted", "auto-generated")
	header("MIME-Version", "1.0")
	header("Content-Type", fmt.Sprintf("multipart/alternative; boundary=%q", w.Boundary()))
	body.WriteString("\r\n")
	body.Write(parts.Bytes())
	return body.Bytes(), nil
}

// subject is a line cut to what mail programs show.
func subject(line string) string {
	line = printable(line)
	ends := boundaries(line, len(line))
	if len(ends) <= subjectLimit {
		return line
	}
	return line[:ends[subjectLimit-2]] + "…"
}

// foldWords puts encoded words on lines of their own: a line has 998 bytes at most
// (RFC 5322, 2.1.1).
func foldWords(encoded string) string { return strings.ReplaceAll(encoded, "?= =?", "?=\r\n =?") }

// MailAddresses reads an address such as mailto:ann@example.com,bob@example.com,
// of 20 receivers at most.
func MailAddresses(raw string) ([]string, error) {
	list, ok := strings.CutPrefix(raw, "mailto:")
	parsed, err := netmail.ParseAddressList(list)
	if !ok || err != nil || len(parsed) > 20 || strings.ContainsAny(list, "\r\n<>\"?") {
		return nil, refused("it must be mailto: and up to 20 mail addresses, separated by commas")
	}
	addresses := make([]string, len(parsed))
	for i, a := range parsed {
		addresses[i] = a.Address
	}
	return slices.Compact(addresses), nil
}

// An AddressAnswer is what a mail server said to one address.
type AddressAnswer struct {
	Address  string
	Status   int    // of SMTP; 0 without an answer
	Response string // empty when it was taken
}

func (a AddressAnswer) taken() bool { return a.Status >= 200 && a.Status < 300 }

// mail makes one attempt over SMTP, to those who have not got the message yet.
func (p *Poster) mail(ctx context.Context, m Message) Answer {
	to, err := MailAddresses(m.URL)
	switch {
	case err != nil:
		return Answer{Outcome: Permanent, Error: err.Error()}
	case p.cfg.Mail.Host == "":
		return Answer{Outcome: Retry, Error: "no mail server is set up"}
	}
	to = stillToGet(to, m.Taken)
	ctx, cancel := context.WithTimeout(ctx, p.cfg.Whole)
	defer cancel()
	c, err := p.dialMail(ctx)
	if err != nil {
		return mailFault(err)
	}
	defer c.Close() //nolint:errcheck // what counts has been answered
	return p.transmit(c, to, m).after(m.Taken)
}

// stillToGet leaves out who has a message. When all have it, it is sent to all
// again: somebody wanted that.
func stillToGet(to, taken []string) []string {
	left := slices.DeleteFunc(slices.Clone(to), func(a string) bool { return slices.Contains(taken, a) })
	if len(left) == 0 {
		return to
	}
	return left
}

// after is an answer in the light of earlier attempts: what others took has
// arrived, also when those who are left will never take it.
func (a Answer) after(taken []string) Answer {
	a.Partly = a.Partly || len(taken) > 0
	if a.Partly && a.Outcome == Permanent {
		a.Outcome = Accepted
	}
	return a
}

func (p *Poster) dialMail(ctx context.Context) (*smtp.Client, error) {
	s := p.cfg.Mail
	port := s.Port
	if port == 0 {
		port = map[string]int{MailImplicit: 465}[s.TLS]
	}
	if port == 0 {
		port = 587
	}
	conn, err := (&net.Dialer{Timeout: p.cfg.Dial}).DialContext(ctx, "tcp", net.JoinHostPort(s.Host, strconv.Itoa(port)))
	if err != nil {
		return nil, err
	}
	if end, ok := ctx.Deadline(); ok {
		_ = conn.SetDeadline(end) // a fresh connection takes one
	}
	secure := &tls.Config{ServerName: s.Host, RootCAs: s.Roots, MinVersion: tls.VersionTLS12}
	if s.TLS == MailImplicit {
		conn = tls.Client(conn, secure)
	}
	c, err := smtp.NewClient(conn, s.Host)
	if err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	if err := p.greet(c, secure); err != nil {
		_ = c.Close()
		return nil, err
	}
	return c, nil
}

// greet encrypts the connection and signs in.
func (p *Poster) greet(c *smtp.Client, secure *tls.Config) error {
	s := p.cfg.Mail
	if s.TLS != MailImplicit && s.TLS != MailPlain {
		if offered, _ := c.Extension("STARTTLS"); !offered {
			return errors.New("the mail server offers no encryption (STARTTLS)")
		}
		if err := c.StartTLS(secure); err != nil {
			return err
		}
	}
	if s.User == "" {
		return nil
	}
	return c.Auth(smtp.PlainAuth("", s.User, s.Password, s.Host, false))
}

// transmit hands a message over. Who is refused while others are taken is left out,
// and is told of in the answer.
func (p *Poster) transmit(c *smtp.Client, to []string, m Message) Answer {
	from, err := netmail.ParseAddress(p.cfg.Mail.From)
	if err != nil {
		return Answer{Outcome: Retry, Error: "the sender's address cannot be used: " + err.Error()}
	}
	if err := c.Mail(from.Address); err != nil {
		return mailAnswer(err, false)
	}
	said, err := offer(c, to)
	if err != nil {
		return mailAnswer(err, false)
	}
	refused := slices.DeleteFunc(slices.Clone(said), AddressAnswer.taken)
	if len(refused) == len(said) {
		return Answer{Addresses: said}.refusedBy(refused)
	}
	if sent, err := hand(c, m.Body); err != nil {
		a := mailAnswer(err, sent)
		a.Addresses = refused
		return a
	}
	_ = c.Quit() // the message is taken
	a := Answer{Outcome: Accepted, Status: 250, Addresses: said, Partly: true}
	if len(refused) > 0 {
		a = a.refusedBy(refused)
	}
	return a
}

// offer names the receivers, and gives what the server says to each.
func offer(c *smtp.Client, to []string) ([]AddressAnswer, error) {
	said := make([]AddressAnswer, len(to))
	for i, address := range to {
		said[i] = AddressAnswer{Address: address, Status: 250}
		err := c.Rcpt(address)
		no, answered := errors.AsType[*textproto.Error](err)
		switch {
		case err == nil:
		case !answered, no.Code == 421: // it hangs up
			return nil, err
		default:
			said[i].Status, said[i].Response = no.Code, kept(no.Msg)
		}
	}
	return said, nil
}

// hand sends the message itself; sent tells whether the server has all of it.
func hand(c *smtp.Client, body []byte) (sent bool, err error) {
	w, err := c.Data()
	if err != nil {
		return false, err
	}
	if _, err := w.Write(body); err != nil {
		return false, err
	}
	return true, w.Close()
}

// refusedBy makes an answer tell who was refused. Those who may be taken later are
// tried again; when there are none, it is over.
func (a Answer) refusedBy(refused []AddressAnswer) Answer {
	words := make([]string, len(refused))
	later := false
	for i, r := range refused {
		words[i] = fmt.Sprintf("%s: %d %s", r.Address, r.Status, r.Response)
		if temporary := r.Status < 500; temporary && !later || i == 0 {
			a.Status, a.Response, later = r.Status, r.Response, temporary
		}
	}
	a.Error = "refused for " + strings.Join(words, "; ")
	switch {
	case later:
		a.Outcome = Retry
	case a.Partly:
		a.Outcome, a.Status = Accepted, 250
	default:
		a.Outcome = Permanent
	}
	return a
}

// mailAnswer reads what an SMTP server said to a message (RFC 5321, 4.2.1). Once it
// has the whole message and says nothing, it may have taken it.
func mailAnswer(err error, sent bool) Answer {
	said, ok := errors.AsType[*textproto.Error](err)
	switch {
	case ok && said.Code >= 500:
		return Answer{Outcome: Permanent, Status: said.Code, Error: err.Error(), Response: kept(said.Msg)}
	case ok:
		return Answer{Outcome: Retry, Status: said.Code, Error: err.Error(), Response: kept(said.Msg)}
	case sent:
		return Answer{Outcome: Unknown, Error: err.Error()}
	}
	return Answer{Outcome: Retry, Error: err.Error()}
}

// mailFault is of an attempt that came to no message: whatever the server said, as to
// a wrong password, somebody can mend it.
func mailFault(err error) Answer {
	a := mailAnswer(err, false)
	a.Outcome = Retry
	return a
}
