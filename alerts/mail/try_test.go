package mail_test

import (
	"crypto/x509"
	"net"
	"net/url"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/stretchr/testify/require"

	"outyard/alerts/mail"
)

// TestTryLooksWhoTheServerIs signs in as for a mail, and sends none.
func TestTryLooksWhoTheServerIs(t *testing.T) {
	right := func(*x509.Certificate) {}
	tests := []struct {
		name     string
		change   func(*x509.Certificate)
		believed bool
		password string
		offered  []string
		says     string // after "answers, encrypted …" when it is let in
		wrong    string
	}{
		{"the password is right", right, true, password, []string{sasl.Plain}, "; it lets the user in", ""},
		{"it is wrong", right, true, "guess&hope", []string{sasl.Plain}, "", "check user and password"},
		{"it may not be asked for", right, true, "guess&hope", nil, "; it asks nobody to sign in", ""},
		{"it is asked for in no way that is known", right, true, password, []string{"GSSAPI"}, "", "GSSAPI"},
		{"by an authority that nobody knows", right, false, password, []string{sasl.Plain}, "", "certificate signed by unknown authority"},
		{"of a certificate that has expired", func(c *x509.Certificate) {
			c.NotBefore, c.NotAfter = time.Now().Add(-48*time.Hour), time.Now().Add(-24*time.Hour)
		},
			true, password, []string{sasl.Plain}, "", "certificate has expired or is not yet valid"},
		{"of one that does not hold yet", func(c *x509.Certificate) {
			c.NotBefore, c.NotAfter = time.Now().Add(24*time.Hour), time.Now().Add(48*time.Hour)
		},
			true, password, []string{sasl.Plain}, "", "certificate has expired or is not yet valid"},
		{"of another's name", func(c *x509.Certificate) { c.IPAddresses = []net.IP{net.IPv4(127, 0, 0, 2)} },
			true, password, []string{sasl.Plain}, "", "certificate is valid for 127.0.0.2, not 127.0.0.1"},
	}
	for scheme, how := range map[string]string{"smtp": "answers, encrypted by STARTTLS", "smtps": "answers, encrypted from the start"} {
		for _, tt := range tests {
			t.Run(scheme+": "+tt.name, func(t *testing.T) {
				s := &server{t: t, offered: tt.offered}
				var roots *x509.CertPool
				s.tls, roots = certificate(t, tt.change)
				if !tt.believed {
					_, roots = certificate(t)
				}
				s.listen("127.0.0.1:0", scheme == "smtps")
				saw, err := mail.Channel{Roots: roots}.Try(t.Context(), s.address(scheme, url.UserPassword(user, tt.password), "ann@mail.example"))
				if tt.wrong == "" {
					require.NoError(t, err)
					require.Equal(t, how+tt.says, saw)
				} else {
					require.ErrorContains(t, err, tt.wrong)
					require.ErrorContains(t, err, s.addr)
					require.NotContains(t, err.Error(), tt.password)
				}
				require.Empty(t, s.got())
			})
		}
	}
	_, err := mail.Channel{}.Try(t.Context(), "smtp://mail.example/?from=nobody")
	require.Error(t, err, "an address that makes no sense")
}
