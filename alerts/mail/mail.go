package mail

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/textproto"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	gomail "github.com/wneessen/go-mail"
	"github.com/wneessen/go-mail/smtp"

	"outyard"
	"outyard/alerts"
)

// answerTime is how long the server may take to answer.
const answerTime = 20 * time.Second

// A Channel delivers messages by mail.
type Channel struct {
	// Roots are the authorities whose certificates are believed; nil for
	// those of the system.
	Roots *x509.CertPool
}

// Illustrated says that pictures can go along.
func (c Channel) Illustrated() bool { return true }

// Deliver sends the message to everybody that the address names, in one mail.
// It returns nil once the server has taken the mail over.
func (c Channel) Deliver(ctx context.Context, m outyard.Message, address string) error {
	a, err := ParseAddress(address)
	if err != nil {
		return alerts.Permanent(err)
	}
	msg, err := compose(m, a)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("mail to %s: %w", a.Host, err))
	}
	conn := &line{}
	defer context.AfterFunc(ctx, conn.hangUp)()
	client, err := gomail.NewClient(a.Host, c.options(a, conn)...)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("mail to %s: %w", a.Host, err))
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return explain("connect to mail server "+client.ServerAddr(), err)
	}
	// What happens at parting is of no interest: the mail is taken or it is not.
	defer func() { _ = client.CloseWithSMTPClient(session) }()

	if a.User != "" {
		if err := signIn(session, a); err != nil {
			return explain("sign in to mail server "+client.ServerAddr()+" (check user and password)", err)
		}
	}
	if err := client.SendWithSMTPClient(session, msg); err != nil && !msg.IsDelivered() {
		return explain("send mail by "+client.ServerAddr(), err)
	}
	return nil
}

// A line is the connection of one delivery. A server may take its time
// between any two words, so that the end of the delivery's context has to cut
// it.
type line struct {
	mu   sync.Mutex
	conn net.Conn
	cut  bool
}

func (l *line) hangUp() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.cut = true
	if l.conn != nil {
		_ = l.conn.Close()
	}
}

// dial is for a dialer of either kind.
func (l *line) dial(dial gomail.DialContextFunc) gomail.DialContextFunc {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		conn, err := dial(ctx, network, address)
		if err != nil {
			return nil, err
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		l.conn = conn
		if l.cut {
			_ = conn.Close()
		}
		return conn, nil
	}
}

func (c Channel) options(a Address, conn *line) []gomail.Option {
	set := &tls.Config{ServerName: a.Host, RootCAs: c.Roots, MinVersion: tls.VersionTLS12}
	// A relay on this machine has seldom a certificate in the name of
	// localhost, and talking to it in the clear would be no better.
	set.InsecureSkipVerify = a.loopback() && c.Roots == nil
	policy := gomail.TLSOpportunistic
	if a.User != "" && !a.loopback() {
		policy = gomail.TLSMandatory // no password goes out in the clear
	}
	opts := []gomail.Option{gomail.WithPort(a.Port), gomail.WithTimeout(answerTime), gomail.WithTLSConfig(set)}
	if a.TLS {
		return append(opts, gomail.WithSSL(), gomail.WithDialContextFunc(conn.dial((&tls.Dialer{Config: set}).DialContext)))
	}
	return append(opts, gomail.WithTLSPolicy(policy), gomail.WithDialContextFunc(conn.dial((&net.Dialer{}).DialContext)))
}

// signIn uses the best way that the server offers. A server that offers none
// asks for none; if it minds, it will refuse the mail.
func signIn(session *smtp.Client, a Address) error {
	ok, offered := session.Extension("AUTH")
	if !ok {
		return nil
	}
	ways := strings.Fields(strings.ToUpper(offered))
	inClear := a.loopback()
	switch {
	case slices.Contains(ways, "SCRAM-SHA-256"):
		return session.Auth(smtp.ScramSHA256Auth(a.User, a.Password))
	case slices.Contains(ways, "PLAIN"):
		return session.Auth(smtp.PlainAuth("", a.User, a.Password, a.Host, inClear))
	case slices.Contains(ways, "LOGIN"):
		return session.Auth(smtp.LoginAuth(a.User, a.Password, a.Host, inClear))
	case slices.Contains(ways, "CRAM-MD5"):
		return session.Auth(smtp.CRAMMD5Auth(a.User, a.Password))
	}
	return alerts.Permanent(fmt.Errorf("it offers %s, of which none is known here", offered))
}

func compose(m outyard.Message, a Address) (*gomail.Msg, error) {
	msg := gomail.NewMsg()
	msg.FromMailAddress(a.From)
	msg.ToMailAddress(a.To...)
	msg.Subject(oneLine(m.Subject))
	msg.SetMessageIDWithValue(messageID(m.Key, a))
	// RFC 3834 §5: so that nobody's holiday notice answers a hive.
	msg.SetGenHeader("Auto-Submitted", "auto-generated")
	msg.SetBodyString(gomail.TypeTextPlain, m.Text)
	if m.HTML != "" {
		msg.AddAlternativeString(gomail.TypeTextHTML, m.HTML)
	}
	for _, p := range m.Pictures {
		if err := msg.EmbedReader(p.ID+".png", bytes.NewReader(p.PNG), gomail.WithFileContentID(p.ID),
			gomail.WithFileContentType("image/png"), gomail.WithFileDescription(oneLine(p.Shows))); err != nil {
			return nil, fmt.Errorf("put in the picture: %w", err)
		}
	}
	if _, err := msg.GetRecipients(); err != nil {
		return nil, err
	}
	return msg, nil
}

// messageID is the same for the same message to the same people, so that a
// mail whose acceptance got lost on the way back is known as the same when it
// comes a second time.
func messageID(key string, a Address) string {
	h := sha256.New()
	h.Write([]byte(key))
	for _, to := range a.To {
		h.Write([]byte{0})
		h.Write([]byte(to.Address))
	}
	_, domain, _ := strings.Cut(a.From.Address, "@")
	return hex.EncodeToString(h.Sum(nil)[:16]) + "@" + domain
}

// oneLine takes out what could begin another header.
func oneLine(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == ' ' }), " ")
}

// explain says what was being done, and marks what trying again will not mend:
// a refusal with a 5xx code (RFC 5321 §4.2.1) or a certificate that is not
// believed.
func explain(doing string, err error) error {
	out := fmt.Errorf("%s: %w", doing, err)
	var sent *gomail.SendError
	var reply *textproto.Error
	var cert *tls.CertificateVerificationError
	switch {
	case alerts.IsPermanent(err), errors.As(err, &cert):
		return alerts.Permanent(out)
	case errors.As(err, &reply) && reply.Code >= 500:
		return alerts.Permanent(out)
	case errors.As(err, &sent) && sent.ErrorCode() >= 500:
		return alerts.Permanent(out)
	}
	return out
}
