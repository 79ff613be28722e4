package mail

import (
	"context"
	"fmt"

	gomail "github.com/wneessen/go-mail"
)

// Try connects to the mail server of an address and signs in, as for a mail,
// but sends none. It says what it saw.
func (c Channel) Try(ctx context.Context, address string) (saw string, err error) {
	a, err := ParseAddress(address)
	if err != nil {
		return "", err
	}
	conn := &line{}
	defer context.AfterFunc(ctx, conn.hangUp)()
	client, err := gomail.NewClient(a.Host, c.options(a, conn)...)
	if err != nil {
		return "", fmt.Errorf("mail to %s: %w", a.Host, err)
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return "", explain("connect to mail server "+client.ServerAddr(), err)
	}
	defer func() { _ = client.CloseWithSMTPClient(session) }()
	saw = "answers, in the clear"
	if a.TLS {
		saw = "answers, encrypted from the start"
	} else if state, err := session.GetTLSConnectionState(); err == nil && state.HandshakeComplete {
		saw = "answers, encrypted by STARTTLS"
	}
	if a.User == "" {
		return saw + "; no user is given", nil
	}
	if ok, _ := session.Extension("AUTH"); !ok {
		return saw + "; it asks nobody to sign in", nil
	}
	if err := signIn(session, a); err != nil {
		return "", explain("sign in to mail server "+client.ServerAddr()+" (check user and password)", err)
	}
	return saw + "; it lets the user in", nil
}
