package mail_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/alerts/mail"
	"outyard/store"
	"outyard/store/sqlite"
)

const user, password = "keeper@mail.example", "nectar&honey: 50%"

type letter struct {
	from    string
	to      []string
	secure  bool
	signed  bool
	content string
}

// A server is a mail server on this machine that keeps what it is sent.
type server struct {
	t       *testing.T
	addr    string
	tls     *tls.Config
	refuse  error // of every recipient
	offered []string
	stop    func()

	mu      sync.Mutex
	letters []letter
}

func (s *server) listen(addr string, implicitTLS bool) {
	srv := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) {
		_, secure := c.TLSConnectionState()
		return &session{server: s, letter: letter{secure: secure}}, nil
	}))
	srv.Domain, srv.AllowInsecureAuth, srv.TLSConfig = "localhost", true, s.tls
	srv.ErrorLog = discard{}
	l, err := net.Listen("tcp", addr)
	require.NoError(s.t, err)
	s.addr = l.Addr().String()
	if implicitTLS {
		l = tls.NewListener(l, s.tls)
		srv.TLSConfig = nil
	}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(l) }()
	s.stop = sync.OnceFunc(func() {
		_, _ = srv.Close(), l.Close() // the latter when it has not begun to serve
		if err := <-done; err != nil && !errors.Is(err, smtp.ErrServerClosed) {
			s.t.Errorf("mail server: %v", err)
		}
	})
	s.t.Cleanup(s.stop)
}

type discard struct{}

func (discard) Printf(string, ...any) {}
func (discard) Println(...any)        {}

func start(t *testing.T) *server {
	s := &server{t: t, offered: []string{sasl.Plain}}
	s.listen("127.0.0.1:0", false)
	return s
}

func (s *server) got() []letter {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]letter{}, s.letters...)
}

// address is a mail address of this server.
func (s *server) address(scheme string, login *url.Userinfo, to ...string) string {
	q := url.Values{"from": {"Hives <hives@mail.example>"}, "to": to}
	return (&url.URL{Scheme: scheme, User: login, Host: s.addr, Path: "/", RawQuery: q.Encode()}).String()
}

type session struct {
	server *server
	letter letter
}

func (s *session) AuthMechanisms() []string { return s.server.offered }

func (s *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, u, p string) error {
		if u != user || p != password {
			return smtp.ErrAuthFailed
		}
		s.letter.signed = true
		return nil
	}), nil
}

func (s *session) Mail(from string, _ *smtp.MailOptions) error {
	s.letter.from = from
	return nil
}

func (s *session) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.letter.to = append(s.letter.to, to)
	return s.server.refuse
}

func (s *session) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.letter.content = string(b)
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	s.server.letters = append(s.server.letters, s.letter)
	return nil
}

func (s *session) Reset()        {}
func (s *session) Logout() error { return nil }

var message = outyard.Message{Key: "me|0|swarm-1|raised", Subject: "Now: Röhrmoos: By the gate, swarm", Text: "2.4 kg gone.\nGo – if you can.\n", HTML: "<p>2.4 kg gone.</p>"}

func TestAMailHasBothParts(t *testing.T) {
	s := start(t)
	err := mail.Channel{}.Deliver(t.Context(), message, s.address("smtp", url.UserPassword(user, password), "ann@mail.example", "Bo <bo+bees@mail.example>"))
	require.NoError(t, err)
	require.Len(t, s.got(), 1, "one mail for both")
	l := s.got()[0]
	require.True(t, l.signed)
	require.Equal(t, "hives@mail.example", l.from)
	require.Equal(t, []string{"ann@mail.example", "bo+bees@mail.example"}, l.to)

	m, err := netmail.ReadMessage(strings.NewReader(l.content))
	require.NoError(t, err)
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	require.NoError(t, err)
	require.Equal(t, message.Subject, subject)
	require.Equal(t, "auto-generated", m.Header.Get("Auto-Submitted"))
	require.Regexp(t, `^<[0-9a-f]{32}@mail\.example>$`, m.Header.Get("Message-ID"))

	kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	require.NoError(t, err)
	require.Equal(t, "multipart/alternative", kind)
	parts := multipart.NewReader(m.Body, params["boundary"])
	for _, want := range []struct{ kind, body string }{{"text/plain", message.Text}, {"text/html", message.HTML}} {
		p, err := parts.NextRawPart()
		require.NoError(t, err)
		require.Contains(t, p.Header.Get("Content-Type"), want.kind)
		require.Equal(t, "quoted-printable", p.Header.Get("Content-Transfer-Encoding"))
		body, err := io.ReadAll(quotedprintable.NewReader(p))
		require.NoError(t, err)
		require.Equal(t, strings.TrimSpace(want.body), strings.TrimSpace(strings.ReplaceAll(string(body), "\r\n", "\n")))
	}
}

func TestMessageIDFollowsTheMessage(t *testing.T) {
	s := start(t)
	a := s.address("smtp", nil, "ann@mail.example")
	other := message
	other.Key = "me|0|swarm-2|raised"
	for _, m := range []outyard.Message{message, message, other} {
		require.NoError(t, mail.Channel{}.Deliver(t.Context(), m, a))
	}
	var ids []string
	for _, l := range s.got() {
		m, err := netmail.ReadMessage(strings.NewReader(l.content))
		require.NoError(t, err)
		ids = append(ids, m.Header.Get("Message-ID"))
	}
	require.Equal(t, ids[0], ids[1], "the same message again is known as the same")
	require.NotEqual(t, ids[0], ids[2])
}

func TestNoHeaderIsSmuggledIn(t *testing.T) {
	s := start(t)
	m := message
	m.Subject = "By the gate\r\nBcc: eve@mail.example\r\n\r\nbody"
	require.NoError(t, mail.Channel{}.Deliver(t.Context(), m, s.address("smtp", nil, "ann@mail.example")))
	got, err := netmail.ReadMessage(strings.NewReader(s.got()[0].content))
	require.NoError(t, err)
	require.Empty(t, got.Header.Get("Bcc"))
	require.Equal(t, "By the gate Bcc: eve@mail.example body", got.Header.Get("Subject"))
	require.Equal(t, []string{"ann@mail.example"}, s.got()[0].to)

	_, err = mail.ParseAddress("smtp://mail.example/?from=a@example&to=" + url.QueryEscape("b@example\r\nBcc: eve@example"))
	require.Error(t, err)
}

// certificate makes a certificate for this machine and the pool that believes it.
func certificate(t *testing.T, change ...func(*x509.Certificate)) (*tls.Config, *x509.CertPool) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	for _, f := range change {
		f(c)
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	require.NoError(t, err)
	c, err = x509.ParseCertificate(der)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(c)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, pool
}

func TestMailIsEncryptedWhereTheServerCan(t *testing.T) {
	for _, scheme := range []string{"smtp", "smtps"} {
		t.Run(scheme, func(t *testing.T) {
			s := &server{t: t, offered: []string{sasl.Plain}}
			var roots *x509.CertPool
			s.tls, roots = certificate(t)
			s.listen("127.0.0.1:0", scheme == "smtps")
			a := s.address(scheme, url.UserPassword(user, password), "ann@mail.example")
			require.NoError(t, mail.Channel{Roots: roots}.Deliver(t.Context(), message, a))
			require.True(t, s.got()[0].secure)

			err := mail.Channel{Roots: x509.NewCertPool()}.Deliver(t.Context(), message, a)
			require.ErrorContains(t, err, "certificate")
			require.True(t, alerts.IsPermanent(err), "a certificate that is not believed is no passing trouble")
			require.Len(t, s.got(), 1)
		})
	}
}

func TestErrorsSayWhatIsWrongAndNoSecret(t *testing.T) {
	for _, tc := range []struct {
		name      string
		login     *url.Userinfo
		refuse    error
		offered   []string
		permanent bool
		want      string
	}{
		{"a wrong password", url.UserPassword(user, "wr0ng&pass"), nil, []string{sasl.Plain}, true, "check user and password"},
		{"no such mailbox", nil, &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such mailbox"}, []string{sasl.Plain}, true, "no such mailbox"},
		{"try again later", nil, &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "greylisted"}, []string{sasl.Plain}, false, "greylisted"},
		{"no common way to sign in", url.UserPassword(user, password), nil, []string{"GSSAPI"}, true, "GSSAPI"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := &server{t: t, refuse: tc.refuse, offered: tc.offered}
			s.listen("127.0.0.1:0", false)
			err := mail.Channel{}.Deliver(t.Context(), message, s.address("smtp", tc.login, "ann@mail.example"))
			require.ErrorContains(t, err, tc.want)
			require.ErrorContains(t, err, s.addr)
			require.Equal(t, tc.permanent, alerts.IsPermanent(err))
			for _, secret := range []string{"wr0ng", "nectar", user} {
				require.NotContains(t, err.Error(), secret)
			}
			require.Empty(t, s.got())
		})
	}
}

func TestAServerThatHangsUpAfterTakingTheMailHasTakenIt(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	served := make(chan error, 1)
	go func() { served <- takeAndHangUp(l) }()
	s := &server{addr: l.Addr().String()}
	require.NoError(t, mail.Channel{}.Deliver(t.Context(), message, s.address("smtp", nil, "ann@mail.example")))
	require.NoError(t, <-served)
}

// takeAndHangUp is a mail server that has no manners.
func takeAndHangUp(l net.Listener) error {
	c, err := l.Accept()
	if err != nil {
		return err
	}
	defer c.Close()
	say := func(s string) { fmt.Fprintf(c, "%s\r\n", s) }
	say("220 localhost")
	buf, seen := make([]byte, 4096), ""
	for {
		n, err := c.Read(buf)
		if err != nil {
			return fmt.Errorf("after %q: %w", seen, err)
		}
		seen += string(buf[:n])
		switch {
		case strings.HasSuffix(seen, "\r\n.\r\n"):
			say("250 taken")
			return nil
		case strings.Contains(seen, "DATA\r\n"):
			if strings.HasSuffix(seen, "DATA\r\n") {
				say("354 go on")
			}
		default:
			say("250 ok")
		}
	}
}

func TestAFindingGivesOneMailThoughTheServerWasDown(t *testing.T) {
	db, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer db.Close()
	s := start(t)
	address := s.address("smtp", url.UserPassword(user, password), "ann@mail.example")
	now := time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC)
	var log bytes.Buffer
	box := alerts.NewOutbox(db, alerts.OutboxOptions{
		Routes:   []alerts.Route{{Name: "me", To: []string{address}}},
		Channels: map[string]alerts.Channel{"smtp": mail.Channel{}, "smtps": mail.Channel{}},
		Yard: func(id outyard.YardID) (outyard.Yard, bool) {
			return outyard.Yard{ID: id, Name: "Alder Slip"}, true
		},
	}, func() time.Time { return now }, slog.New(slog.NewTextHandler(&log, nil)), prometheus.NewRegistry())

	s.stop()
	f := outyard.Finding{ID: "swarm-1", Kind: outyard.Swarm, Yard: "alder-slip", Hive: "h03", Onset: now, ToldAt: now, Severity: outyard.Now,
		Confidence: 0.9, Summary: "2.4 kg gone within ten minutes.", State: outyard.Open}
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{f},
		Messages: []outyard.Message{{Key: "me|0|swarm-1|raised", Route: "me", Findings: []string{"swarm-1"}, Queued: now, Due: now}}}))
	for range 3 {
		require.NoError(t, box.Deliver(t.Context()))
		now = now.Add(5 * time.Minute)
	}
	waiting, err := db.Undelivered(t.Context(), now)
	require.NoError(t, err)
	require.Len(t, waiting, 1)
	require.Contains(t, waiting[0].LastErr, s.addr)
	require.GreaterOrEqual(t, waiting[0].Attempts, 3)

	s.listen(s.addr, false)
	for range 3 {
		require.NoError(t, box.Deliver(t.Context()))
		now = now.Add(30 * time.Minute)
	}
	require.Len(t, s.got(), 1)
	require.Contains(t, s.got()[0].content, "Subject: Now: Alder Slip: h03, swarm")
	require.Contains(t, s.got()[0].content, "2.4 kg gone within ten minutes.")
	for _, secret := range []string{"nectar", url.QueryEscape(password)} {
		require.NotContains(t, log.String(), secret)
	}
}

func TestDeliveryEndsWithItsContext(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0") // takes the call and says nothing
	require.NoError(t, err)
	defer l.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	began := time.Now()
	s := &server{addr: l.Addr().String()}
	require.Error(t, mail.Channel{}.Deliver(ctx, message, s.address("smtp", nil, "ann@mail.example")))
	require.Less(t, time.Since(began), 10*time.Second)
}
