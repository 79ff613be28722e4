package mqtt_test

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts/mqtt"
)

type sent struct {
	topic, payload string
	retain         bool
}

// A broker that is away as long as down is true.
type broker struct {
	mu   sync.Mutex
	down bool
	got  []sent
}

func (b *broker) Publish(topic string, payload []byte, retain bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.down {
		return errors.New("connection refused")
	}
	b.got = append(b.got, sent{topic, string(payload), retain})
	return nil
}

func (b *broker) have() []sent {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.got)
}

func (b *broker) comeBack() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.down = false
}

func TestTopics(t *testing.T) {
	require.Equal(t, "outyard/findings/alder-slip/h03", mqtt.FindingsTopic("alder-slip", "h03"))
	require.Equal(t, "outyard/findings/alder-slip", mqtt.FindingsTopic("alder-slip", ""), "a whole yard")
	require.Equal(t, "outyard/state", mqtt.StateTopic)
}

func TestPayloadIsTheListOfWhatIsOpen(t *testing.T) {
	b, err := mqtt.Payload(nil)
	require.NoError(t, err)
	require.Equal(t, "[]", string(b), "nothing open is an empty list, so that what was there is replaced")

	f := outyard.Finding{ID: "x", Kind: outyard.Swarm, Yard: "alder-slip", Hive: "h03", Onset: time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC), State: outyard.Open}
	b, err = mqtt.Payload([]outyard.Finding{f})
	require.NoError(t, err)
	var got []map[string]any
	require.NoError(t, json.Unmarshal(b, &got))
	require.Len(t, got, 1)
	for _, key := range []string{"id", "kind", "yard", "hive", "onset", "end", "told_at", "severity", "confidence", "summary", "advice", "caution", "facts", "state"} {
		require.Contains(t, got[0], key)
	}
}

func TestTheNewestStateGoesOutOnceTheBrokerIsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &broker{down: true}
		a := mqtt.NewAnnouncer(b, slog.New(slog.DiscardHandler))
		ctx, cancel := context.WithCancel(t.Context())
		ran := make(chan error)
		go func() { ran <- a.Run(ctx) }()

		a.Announce("alder-slip", "h03", []outyard.Finding{{ID: "first"}})
		a.Announce("alder-slip", "h01", nil)
		synctest.Wait()
		a.Announce("alder-slip", "h03", nil) // over before it could be said
		synctest.Wait()
		require.Empty(t, b.have())

		b.comeBack()
		<-time.After(time.Minute)
		synctest.Wait()
		require.Equal(t, []sent{
			{"outyard/findings/alder-slip/h01", "[]", true},
			{"outyard/findings/alder-slip/h03", "[]", true},
		}, b.have())

		a.Announce("alder-slip", "", nil)
		synctest.Wait()
		require.Len(t, b.have(), 3, "and news without delay")
		cancel()
		require.NoError(t, <-ran)
	})
}
