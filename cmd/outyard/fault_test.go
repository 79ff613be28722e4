package main

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"outyard"
)

// kills is how often the daemon is killed: thrice shows that it works at all,
// more often is for a longer look.
var kills = flag.Int("kills", 3, "how often the daemon is killed under load")

// A scaleNode sends numbered readings of one hive, a second apart, and knows
// which were acknowledged.
type scaleNode struct {
	hive    outyard.HiveID
	begin   time.Time
	next    int
	acked   []int
	unacked []int // sent, and not known to have been kept
}

// underWay is how many messages a node has sent and not seen acknowledged.
const underWay = 200

func (n *scaleNode) reading(i int) outyard.Reading {
	r := outyard.NewReading("heron-point", n.hive, n.begin.Add(time.Duration(i)*time.Second))
	r.Values[outyard.Weight] = float64(20_000+i%100_000) / 1000
	return r
}

func (n *scaleNode) topic() string { return "yards/heron-point/hives/" + string(n.hive) }

func (n *scaleNode) pack(i int) string {
	r := n.reading(i)
	return fmt.Sprintf(`[{"n":"weight","u":"kg","v":%.3f,"t":%d}]`, r.Values[outyard.Weight], r.Time.Unix())
}

// send sends until the connection is lost or ctx ends: first again what was
// not acknowledged, as a node does. acks counts what is.
func (n *scaleNode) send(ctx context.Context, addr string, acks *atomic.Int64) error {
	lost := make(chan struct{})
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(string(n.hive)).
		SetAutoReconnect(false).SetConnectTimeout(patience).SetOrderMatters(false).
		SetWriteTimeout(2 * time.Second). // for a publication into a connection that is just being lost
		SetConnectionLostHandler(func(mqtt.Client, error) { close(lost) }))
	if err := wait(context.Background(), client.Connect()); err != nil {
		return err
	}
	defer client.Disconnect(0)
	type sending struct {
		number int
		token  mqtt.Token
	}
	again, sent := n.unacked, []sending(nil)
	n.unacked = nil
	settle := func() {
		oldest := sent[0]
		sent = sent[1:]
		select {
		case <-oldest.token.Done():
		case <-lost: // the library forgets what was still on its way out
		}
		if isDone(oldest.token) && oldest.token.Error() == nil {
			n.acked = append(n.acked, oldest.number)
			acks.Add(1)
		} else {
			n.unacked = append(n.unacked, oldest.number)
		}
	}
	for ctx.Err() == nil && client.IsConnectionOpen() {
		number := n.next
		if len(again) > 0 {
			number, again = again[0], again[1:]
		} else {
			n.next++
		}
		sent = append(sent, sending{number, client.Publish(n.topic(), 1, false, n.pack(number))})
		if len(sent) >= underWay {
			settle()
		}
	}
	for len(sent) > 0 {
		settle()
	}
	n.unacked = append(n.unacked, again...)
	return nil
}

func isDone(token mqtt.Token) bool {
	select {
	case <-token.Done():
		return true
	default:
		return false
	}
}

func newScaleNodes(count int) []*scaleNode {
	nodes := make([]*scaleNode, count)
	for i := range nodes {
		nodes[i] = &scaleNode{hive: outyard.HiveID(fmt.Sprintf("h%02d", i+1)), begin: time.Now().UTC().Add(-30 * 24 * time.Hour).Truncate(time.Second)}
	}
	return nodes
}

// load has all nodes send until enough is acknowledged, and then calls off
// while they still do.
func load(t *testing.T, nodes []*scaleNode, addr string, enough int64, off func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var acks atomic.Int64
	var senders sync.WaitGroup
	failed := make(chan error, len(nodes))
	for _, n := range nodes {
		senders.Go(func() {
			if err := n.send(ctx, addr, &acks); err != nil {
				failed <- err
			}
		})
	}
	require.True(t, within(patience, func() bool { return acks.Load() >= enough || len(failed) > 0 }), "%d of %d acknowledged", acks.Load(), enough)
	off()
	cancel()
	senders.Wait()
	close(failed)
	require.NoError(t, <-failed)
}

// A keptKey is where a reading lies.
type keptKey struct {
	hive outyard.HiveID
	at   int64
}

// keptWeights is what the store in dir has, nothing of it twice.
func keptWeights(t *testing.T, dir string) map[keptKey]float64 {
	t.Helper()
	kept := map[keptKey]float64{}
	for _, r := range stored(t, dir) {
		k := keptKey{r.Hive, r.Time.Unix()}
		_, twice := kept[k]
		require.False(t, twice, "hive %s at %s is there twice", r.Hive, r.Time)
		kept[k] = r.Values[outyard.Weight]
	}
	return kept
}

// requireKept checks that what was acknowledged is kept, as it was sent, and
// nothing twice.
func requireKept(t *testing.T, dir string, nodes []*scaleNode) {
	t.Helper()
	kept := keptWeights(t, dir)
	sent := 0
	for _, n := range nodes {
		sent += n.next
		for _, i := range n.acked {
			n.requireKept(t, kept, i)
		}
	}
	require.LessOrEqual(t, len(kept), sent, "more than was ever sent")
}

// requireKept checks that a message is kept as it was sent.
func (n *scaleNode) requireKept(t *testing.T, kept map[keptKey]float64, i int) {
	t.Helper()
	r := n.reading(i)
	kg, ok := kept[keptKey{n.hive, r.Time.Unix()}]
	require.True(t, ok, "hive %s, message %d was acknowledged and is not kept", n.hive, i)
	require.InDelta(t, r.Values[outyard.Weight], kg, 1e-6)
}

// TestAckedMeansKept cuts the power of the daemon under load, again and again:
// what was acknowledged is there after each start, and none of it twice.
func TestAckedMeansKept(t *testing.T) {
	dir, nodes := t.TempDir(), newScaleNodes(4)
	for cut := range *kills {
		d := startDaemon(t, dir, ownBroker)
		load(t, nodes, d.mqtt, 200+rand.Int64N(2000), d.kill)
		requireKept(t, dir, nodes)
		t.Logf("cut %d: %d acknowledged by now, %d under way", cut+1, len(nodes[0].acked)*len(nodes), len(nodes[0].unacked))
	}
	// What was under way is sent again, with some of what was kept, and then
	// all that ever was sent is there, once.
	d := startDaemon(t, dir, ownBroker)
	node, sent := connect(t, d.mqtt), 0
	var tokens []mqtt.Token
	for _, n := range nodes {
		sent += n.next
		again := append(n.unacked, n.acked[:10]...)
		n.unacked = nil
		for _, i := range again {
			tokens = append(tokens, node.Publish(n.topic(), 1, false, n.pack(i)))
			n.acked = append(n.acked, i)
		}
	}
	for _, token := range tokens {
		require.NoError(t, wait(t.Context(), token))
	}
	require.Zero(t, d.stop())
	requireKept(t, dir, nodes)
	require.Len(t, stored(t, dir), sent)
}

// TestStoppedUnderLoad asks the daemon to stop while nodes send: it ends in
// good order, keeps what it acknowledged, and says on both fronts that it is
// down.
func TestStoppedUnderLoad(t *testing.T) {
	theirs := startMosquitto(t)
	dir, nodes := t.TempDir(), newScaleNodes(4)
	d := startDaemon(t, dir, ownBroker, "OUTYARD_MQTT_BROKER=tcp://"+theirs.addr)
	d.sees("/readyz", "ready")
	require.Equal(t, "up", retained(t, theirs.addr, "outyard/state"))
	state := subscribe(t, d.mqtt, "outyard/state")
	awaits(t, state, func(m mqtt.Message) bool { return string(m.Payload()) == "up" && m.Retained() })
	load(t, nodes, d.mqtt, 1000, func() {
		begun := time.Now()
		require.Zero(t, d.stop())
		require.Less(t, time.Since(begun), 8*time.Second)
	})
	awaits(t, state, func(m mqtt.Message) bool { return string(m.Payload()) == "down" })
	require.Equal(t, "down", retained(t, theirs.addr, "outyard/state"))
	requireKept(t, dir, nodes)
}

// TestKilledBehindAnotherBroker cuts the daemon's power under load again and
// again, at any moment from its start on, while nodes send to Debian's broker:
// what the daemon acknowledged is kept at each cut, and in the end all that the
// broker acknowledged to the nodes, once.
func TestKilledBehindAnotherBroker(t *testing.T) {
	theirs := startMosquitto(t)
	heard := tapBroker(t, theirs.addr)
	dir, broker, nodes := t.TempDir(), "OUTYARD_MQTT_BROKER=tcp://"+heard.addr, newScaleNodes(4)
	d := startDaemon(t, dir, broker)
	d.sees("/readyz", "ready") // from now on the broker holds for us what comes
	for cut := range *kills {
		if cut > 0 {
			d = startDaemon(t, dir, broker)
		}
		before, _, _ := heard.count()
		more := rand.IntN(3000) // with the fewest it has hardly begun
		load(t, nodes, theirs.addr, int64(more), func() {
			acked := func() int { n, _, _ := heard.count(); return n }
			require.True(t, within(patience, func() bool { return acked() >= before+more }), "%d acknowledged since the start", acked()-before)
			d.kill()
		})
		kept, acked := keptWeights(t, dir), 0
		for _, n := range nodes {
			for i := range n.next {
				if heard.acked(n.topic(), n.pack(i)) {
					acked++
					n.requireKept(t, kept, i)
				}
			}
		}
		count, handed, again := heard.count()
		require.Equal(t, count, acked, "the daemon acknowledged what no node sent")
		t.Logf("cut %d: of %d messages handed over, %d of them again, the daemon acknowledged %d; %d kept", cut+1, handed, again, acked, len(kept))
	}
	drained(t, dir, broker, theirs, nodes)
	count, handed, again := heard.count()
	t.Logf("%d cuts: of %d messages handed over, %d of them again, the daemon acknowledged %d", *kills, handed, again, count)
}

// TestAnotherBrokerRestarted stops and starts Debian's broker under load: the
// daemon comes back by itself, takes what waits, and nothing is lost.
func TestAnotherBrokerRestarted(t *testing.T) {
	theirs := startMosquitto(t)
	dir, broker, nodes := t.TempDir(), "OUTYARD_MQTT_BROKER=tcp://"+theirs.addr, newScaleNodes(4)
	d := startDaemon(t, dir, broker)
	d.sees("/readyz", "ready")
	for range *kills {
		load(t, nodes, theirs.addr, 200+rand.Int64N(3000), theirs.stop)
		require.True(t, within(patience, func() bool {
			status, _ := d.get("/readyz")
			return status == http.StatusServiceUnavailable
		}), "ready without its broker")
		theirs.start()
		d.sees("/readyz", "ready")
	}
	require.Zero(t, d.stop())
	drained(t, dir, broker, theirs, nodes)
}

// drained has nodes send to the broker once more what they do not know to have
// arrived, starts the daemon, and waits until it has all: nothing is missing and
// nothing is there twice.
func drained(t *testing.T, dir, broker string, theirs *mosquitto, nodes []*scaleNode) {
	t.Helper()
	again, acked, sent := connect(t, theirs.addr), 0, 0
	var tokens []mqtt.Token
	for _, n := range nodes {
		acked += len(n.acked)
		sent += n.next
		for _, i := range n.unacked {
			tokens = append(tokens, again.Publish(n.topic(), 1, false, n.pack(i)))
		}
		n.acked, n.unacked = append(n.acked, n.unacked...), nil
	}
	for _, token := range tokens {
		require.NoError(t, wait(t.Context(), token))
	}
	d := startDaemon(t, dir, broker)
	require.True(t, within(5*patience, func() bool { return len(stored(t, dir)) >= sent }), "%d of %d kept", len(stored(t, dir)), sent)
	require.Zero(t, d.stop())
	requireKept(t, dir, nodes)
	kept := stored(t, dir)
	require.Len(t, kept, sent)
	t.Logf("%d messages acknowledged to nodes by their broker, %d sent again in the end; %d kept, 0 missing, 0 twice", acked, len(tokens), len(kept))
}
