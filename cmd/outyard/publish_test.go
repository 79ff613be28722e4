package main

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/senml"
	"outyard/simulator"
)

// openDoor lets everybody do everything.
type openDoor struct{ mochi.HookBase }

func (*openDoor) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (*openDoor) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

func (*openDoor) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// TestASeasonIsPublishedWhole compares what a real broker was sent with the
// season itself.
func TestASeasonIsPublishedWhole(t *testing.T) {
	server := mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, server.AddHook(new(openDoor), nil))
	listener := listeners.NewTCP(listeners.Config{ID: "test", Address: "127.0.0.1:0"})
	require.NoError(t, server.AddListener(listener))
	require.NoError(t, server.Serve())
	t.Cleanup(func() { require.NoError(t, server.Close()) })

	var mu sync.Mutex
	got := map[string][]senml.Record{}
	require.NoError(t, server.Subscribe("#", 1, func(_ *mochi.Client, _ packets.Subscription, pk packets.Packet) {
		records, err := senml.Decode(pk.Payload, time.Now())
		mu.Lock()
		defer mu.Unlock()
		if err == nil && pk.FixedHeader.Qos == 1 {
			got[pk.TopicName] = append(got[pk.TopicName], records...)
		}
	}))

	t.Chdir(t.TempDir())
	var stdout, stderr bytes.Buffer
	code := run(context.Background(), []string{"simulate", "--seed", "5", "--days", "2", "--start", "2026-05-01",
		"--yards", "1", "--hives", "2", "--broker", "tcp://" + listener.Address(), "--quicken", "1e9"}, nil, &stdout, &stderr)
	require.Zero(t, code, stderr.String())

	want := map[string]int{} // values by topic
	messages := 0
	season := simulator.Invent(5, simulator.Options{Start: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Days: 2, Yards: 1, HivesPerYard: 2})
	_, err := season.Send(func(s simulator.Sent) error {
		messages++
		for _, v := range s.Reading.Values {
			if outyard.Known(v) {
				want[topicOf("", s.Reading)]++
			}
		}
		return nil
	})
	require.NoError(t, err)
	require.Contains(t, stdout.String(), "published ")
	require.Contains(t, stdout.String(), " messages to tcp://127.0.0.1:")

	require.Greater(t, messages, 2*24*6)
	require.Len(t, want, 3, "two hives and the weather")
	// The broker acknowledges before it passes a message on.
	require.EventuallyWithT(t, func(c *assert.CollectT) {
		mu.Lock()
		defer mu.Unlock()
		counts := map[string]int{}
		for topic, records := range got {
			counts[topic] = len(records)
			assert.Equal(c, 2026, records[0].Time.Year())
		}
		assert.Equal(c, want, counts)
	}, 10*time.Second, 5*time.Millisecond)
}

func TestQuickenedSeasonsEndNow(t *testing.T) {
	now := time.Date(2026, 5, 20, 9, 0, 0, 0, time.UTC)
	sim := simulation{days: 30, yards: 1, hives: 1, broker: "tcp://127.0.0.1:1883", quicken: 60}
	opt, err := sim.options(now)
	require.NoError(t, err)
	from, to := simulator.Invent(1, opt).Span()
	require.Equal(t, now, to, "a node whose clock runs ahead would not be believed")
	require.InDelta(t, 30*24, to.Sub(from).Hours(), 24)

	sim.quicken = 1
	opt, err = sim.options(now)
	require.NoError(t, err)
	from, to = simulator.Invent(1, opt).Span()
	require.True(t, from.Before(now) && now.Sub(from) <= 24*time.Hour, "from today on, in real time")
	require.True(t, to.After(now.AddDate(0, 0, 28)))

	for _, wrong := range []simulation{
		{days: 30, yards: 1, hives: 1, quicken: 1},
		{days: 30, yards: 1, hives: 1, quicken: 0, out: "season"},
		{days: 30, yards: 100_000, hives: 2, quicken: 1, out: "season"},
	} {
		_, err := wrong.options(now)
		var usage usageError
		require.ErrorAs(t, err, &usage)
	}
}

func TestTopics(t *testing.T) {
	require.Equal(t, "yards/heron-point/hives/h01", topicOf("", outyard.NewReading("heron-point", "h01", time.Time{})))
	require.Equal(t, "farm/bees/yards/heron-point/weather", topicOf("farm/bees", outyard.NewReading("heron-point", "", time.Time{})))
	require.False(t, strings.HasPrefix(topicOf("", outyard.NewReading("heron-point", "", time.Time{})), "/"))
}
