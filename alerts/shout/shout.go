// Package shout tells people by the many services that the shoutrrr library
// knows, each by an address of that library's. It exists so that a chat or a
// push service needs no code of ours.
package shout

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net/url"
	"strings"

	"github.com/nicholas-fedor/shoutrrr/pkg/router"

	"outyard"
	"outyard/alerts"
)

// A Channel sends the words of a message to a service.
type Channel struct{}

// Deliver sends subject and text. The library takes no context; it gives up by
// itself after ten seconds.
func (Channel) Deliver(_ context.Context, m outyard.Message, address string) error {
	service, _, _ := strings.Cut(address, ":")
	sender, err := router.New(log.New(io.Discard, "", 0), address)
	if err != nil {
		return alerts.Permanent(fmt.Errorf("address of %s: %s", service, withoutSecrets(err, address)))
	}
	for _, err := range sender.Send(m.Subject+"\n\n"+m.Text, nil) {
		if err != nil {
			return fmt.Errorf("send by %s: %s", service, withoutSecrets(err, address))
		}
	}
	return nil
}

// withoutSecrets is what an error says, without any part of the address that
// may be a token: these libraries put whole addresses into their errors.
func withoutSecrets(err error, address string) error {
	text := err.Error()
	u, bad := url.Parse(address)
	if bad != nil {
		return errors.New("it is not a well-formed URL")
	}
	hide := []string{address, u.User.Username(), u.Fragment}
	if password, ok := u.User.Password(); ok {
		hide = append(hide, password)
	}
	hide = append(hide, strings.Split(u.Path, "/")...)
	for _, values := range u.Query() {
		hide = append(hide, values...)
	}
	for _, h := range hide {
		if len(h) > 2 {
			text = strings.ReplaceAll(text, h, "…")
			text = strings.ReplaceAll(text, url.QueryEscape(h), "…")
		}
	}
	return errors.New(text)
}
