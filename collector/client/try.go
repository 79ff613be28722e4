package client

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"strings"
	"sync/atomic"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Try connects to the broker as a client would, but under a name of its own,
// asks for the same topics, and leaves again: nothing is taken, and no session
// stays. It says what it saw.
func Try(ctx context.Context, cfg Config) (saw string, err error) {
	u, err := address(cfg.URL)
	if err != nil {
		return "", err
	}
	if cfg.TLS == nil {
		cfg.TLS = defaultTLS
	}
	var encrypted atomic.Value
	opts := paho.NewClientOptions().AddBroker(u.String()).SetClientID("outyard-check-" + strings.ToLower(rand.Text()[:8])).
		SetTLSConfig(cfg.TLS()).SetProtocolVersion(4).SetCleanSession(true).
		SetAutoReconnect(false).SetConnectTimeout(answerWithin).SetWriteTimeout(answerWithin).
		SetDefaultPublishHandler(func(paho.Client, paho.Message) {})
	if !opensItself(u.Scheme) {
		opts.SetCustomOpenConnectionFn(func(broker *url.URL, _ paho.ClientOptions) (net.Conn, error) {
			conn, err := open(broker, cfg.TLS)
			if b, ok := conn.(*buffered); ok {
				if t, ok := b.Conn.(*tls.Conn); ok {
					encrypted.Store(tls.VersionName(t.ConnectionState().Version))
				}
			}
			return conn, err
		})
	}
	c := &Client{cfg: cfg, shown: u.Redacted(), paho: paho.NewClient(opts)}
	if err := tried(ctx, c.paho.Connect()); err != nil {
		return "", fmt.Errorf("connect: %w", err)
	}
	defer c.paho.Disconnect(0)
	filters := c.filters()
	wanted := make(map[string]byte, len(filters))
	for _, f := range filters {
		wanted[f] = 1
	}
	if len(filters) > 0 {
		token := c.paho.SubscribeMultiple(wanted, nil)
		if err := tried(ctx, token); err != nil {
			return "", fmt.Errorf("subscribe to %s: %w", strings.Join(filters, ", "), err)
		}
		if err := granted(token, filters); err != nil {
			return "", err
		}
	}
	saw = "let in, and may read " + strings.Join(filters, ", ")
	if version, ok := encrypted.Load().(string); ok {
		saw += "; " + version
	}
	return saw, nil
}

// tried waits for an answer until ctx ends.
func tried(ctx context.Context, token paho.Token) error {
	select {
	case <-token.Done():
		return token.Error()
	case <-ctx.Done():
		return fmt.Errorf("no answer: %w", ctx.Err())
	}
}
