package client

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"outyard/collector"
)

// Drain takes what a broker holds for a daemon that is no more, under its name,
// and ends its session there once all of it is kept. The broker sends in order,
// so that a message of our own, which comes behind what was held, shows the
// end. That daemon must not run: the broker lets only one go by a name.
func Drain(ctx context.Context, cfg Config, intake Intake, now func() time.Time, log *slog.Logger) (messages int, err error) {
	u, err := address(cfg.URL)
	if err != nil {
		return 0, err
	}
	if cfg.TLS == nil {
		cfg.TLS = defaultTLS
	}
	var mu sync.Mutex
	unkept, ended := 0, false
	var due []func() // acks to be sent, in order
	changed := make(chan struct{}, 1)
	change := func(f func()) {
		mu.Lock()
		f()
		mu.Unlock()
		select {
		case changed <- struct{}{}:
		default:
		}
	}
	end := collector.OwnTopics + "taken-over/" + strings.ToLower(rand.Text()[:12])
	options := func(clean bool) *paho.ClientOptions {
		opts := paho.NewClientOptions().AddBroker(u.String()).SetClientID(cfg.ClientID).SetProtocolVersion(4).SetCleanSession(clean).
			SetAutoReconnect(false).SetConnectTimeout(answerWithin).SetWriteTimeout(answerWithin).SetOrderMatters(true).SetAutoAckDisabled(true)
		opts.SetTLSConfig(cfg.TLS())
		if !opensItself(u.Scheme) {
			opts.SetCustomOpenConnectionFn(opener(cfg.TLS))
		}
		return opts
	}
	opts := options(false).SetStore(newPending())
	lost := make(chan error, 1)
	say := func(err error) {
		select {
		case lost <- err:
		default: // one reason is enough
		}
	}
	opts.SetConnectionLostHandler(func(_ paho.Client, err error) { say(err) })
	opts.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		if m.Topic() == end {
			m.Ack()
			change(func() { ended = true })
			return
		}
		change(func() { unkept++ })
		taken := intake.Take(collector.Message{Topic: m.Topic(), Payload: m.Payload(), Arrived: now(), Retained: m.Retained(),
			Ack: func() { change(func() { due = append(due, m.Ack) }) }})
		if !taken {
			say(errors.New("the intake stops"))
		}
	})
	session := paho.NewClient(opts)
	if err := tried(ctx, session.Connect()); err != nil {
		return 0, fmt.Errorf("connect as %s: %w", cfg.ClientID, err)
	}
	defer session.Disconnect(0)
	subscribing := session.Subscribe(end, 1, nil)
	if err := tried(ctx, subscribing); err != nil {
		return 0, fmt.Errorf("as %s: %w", cfg.ClientID, err)
	}
	if err := granted(subscribing, []string{end}); err != nil {
		return 0, err
	}
	if err := tried(ctx, session.Publish(end, 1, false, "")); err != nil {
		return 0, fmt.Errorf("as %s: %w", cfg.ClientID, err)
	}
	for done := false; !done; {
		select {
		case <-ctx.Done():
			return messages, ctx.Err()
		case err := <-lost:
			return messages, fmt.Errorf("as %s: %w", cfg.ClientID, err)
		case <-changed:
			mu.Lock()
			acks := due
			due = nil
			mu.Unlock()
			for _, ack := range acks {
				ack()
			}
			messages += len(acks)
			mu.Lock()
			unkept -= len(acks)
			done = ended && unkept == 0
			mu.Unlock()
		}
	}
	const quiesceMillis = 250 // for acks that are being written
	session.Disconnect(quiesceMillis)
	last := paho.NewClient(options(true)) // a clean session ends the old one (MQTT 3.1.1 §3.1.2.4)
	if err := tried(ctx, last.Connect()); err != nil {
		return messages, fmt.Errorf("end the session of %s: %w", cfg.ClientID, err)
	}
	last.Disconnect(quiesceMillis)
	log.Info("what the broker held for another daemon is kept, and its session there ended", "client_id", cfg.ClientID, "messages", messages)
	return messages, nil
}
