// Package mqtt keeps what is open in each hive as retained messages, so that
// programs of others see it without asking. It exists apart from the watcher
// because a broker may be away for hours while findings go on.
//
// The topic of a hive is outyard/findings/<yard>/<hive>, that of a yard as a
// whole outyard/findings/<yard>. The payload is a JSON array of the findings
// that are open there, by onset, each in the form that the HTTP API gives it;
// an empty array when there is none. It is an array because a retained message
// replaces the one before: with one finding in each, a handling would hide the
// swarm that is still open, and nobody could tell that something is over.
package mqtt

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"outyard"
)

// Topics of what the daemon publishes.
const (
	root       = "outyard/"
	StateTopic = root + "state"
)

// FindingsTopic is the topic of a hive's findings; of the yard's own when hive
// is empty.
func FindingsTopic(yard outyard.YardID, hive outyard.HiveID) string {
	topic := root + "findings/" + string(yard)
	if hive != "" {
		topic += "/" + string(hive)
	}
	return topic
}

// Payload is what is published of the findings that are open at one place.
func Payload(open []outyard.Finding) ([]byte, error) {
	if open == nil {
		open = []outyard.Finding{}
	}
	return json.Marshal(open)
}

// A Publisher hands a message to a broker. It may block.
type Publisher interface {
	Publish(topic string, payload []byte, retain bool) error
}

// retryAfter is the wait after a broker did not take a message.
const retryAfter = 10 * time.Second

// An Announcer publishes the newest state of each place. What changes again
// before it is out goes out once.
type Announcer struct {
	to   Publisher
	log  *slog.Logger
	wake chan struct{}

	mu      sync.Mutex
	waiting map[string][]byte // by topic
}

// NewAnnouncer returns an announcer. It publishes nothing until Run.
func NewAnnouncer(to Publisher, log *slog.Logger) *Announcer {
	return &Announcer{to: to, log: log, wake: make(chan struct{}, 1), waiting: map[string][]byte{}}
}

// Announce notes what is open at a hive, or at the yard itself, for publishing.
// It does not block.
func (a *Announcer) Announce(yard outyard.YardID, hive outyard.HiveID, open []outyard.Finding) {
	payload, err := Payload(open)
	if err != nil {
		a.log.Error("findings not published", "yard", yard, "hive", hive, "err", err)
		return
	}
	a.mu.Lock()
	a.waiting[FindingsTopic(yard, hive)] = payload
	a.mu.Unlock()
	select {
	case a.wake <- struct{}{}:
	default:
	}
}

// Run publishes what is announced until ctx is done. What the broker does not
// take is tried again.
func (a *Announcer) Run(ctx context.Context) error {
	for {
		wake := a.wake
		retry := time.NewTimer(retryAfter)
		if err := a.publish(); err != nil {
			a.log.Warn("findings not published; tried again soon", "err", err)
			wake = nil // news would only fail as well
		} else {
			retry.Stop()
		}
		select {
		case <-ctx.Done():
			retry.Stop()
			return nil
		case <-wake:
		case <-retry.C:
		}
	}
}

func (a *Announcer) publish() error {
	a.mu.Lock()
	waiting := a.waiting
	a.waiting = map[string][]byte{}
	a.mu.Unlock()
	topics := slices.Sorted(maps.Keys(waiting))
	for i, topic := range topics {
		if err := a.to.Publish(topic, waiting[topic], true); err != nil {
			a.putBack(topics[i:], waiting)
			return fmt.Errorf("publish %s: %w", topic, err)
		}
	}
	return nil
}

// putBack leaves alone what has been announced anew meanwhile.
func (a *Announcer) putBack(topics []string, payloads map[string][]byte) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, topic := range topics {
		if _, newer := a.waiting[topic]; !newer {
			a.waiting[topic] = payloads[topic]
		}
	}
}
