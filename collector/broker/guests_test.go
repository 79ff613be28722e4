package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector"
	"outyard/collector/mapping"
)

// A nodeList is what a store has of nodes.
type nodeList struct {
	mu    sync.Mutex
	times int64
	nodes map[string]outyard.Node
	fails error
	read  int
}

func (l *nodeList) NodesChanged(context.Context) (int64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.times, l.fails
}

func (l *nodeList) Nodes(context.Context) ([]outyard.Node, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.read++
	var all []outyard.Node
	for _, n := range l.nodes {
		all = append(all, n)
	}
	return all, l.fails
}

func (l *nodeList) change(f func(nodes map[string]outyard.Node)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.times++
	if l.nodes == nil {
		l.nodes = map[string]outyard.Node{}
	}
	f(l.nodes)
}

// add adds a node with a secret that was made, and returns that.
func (l *nodeList) add(user string, grounds ...string) (secret string) {
	secret, hash := MakeSecret()
	l.change(func(nodes map[string]outyard.Node) {
		n := outyard.Node{User: user, Secret: hash}
		for _, s := range grounds {
			g, err := outyard.ParseGround(s)
			if err != nil {
				panic(err)
			}
			n.Grounds = append(n.Grounds, g)
		}
		nodes[user] = n
	})
	return secret
}

// as is a node that introduces itself.
func as(user, secret string) packets.ConnectParams {
	return packets.ConnectParams{ClientIdentifier: "n1", Clean: true, UsernameFlag: true, Username: []byte(user), PasswordFlag: true, Password: []byte(secret)}
}

// keptAll is an intake that keeps at once, and says what.
type keptAll struct{ messages chan collector.Message }

func (in keptAll) Take(m collector.Message) bool { in.messages <- m; m.Ack(); return true }

func newKeptAll() keptAll { return keptAll{make(chan collector.Message, 5000)} }

// refusedAt says whether a publication was answered as one that is not allowed:
// on MQTT 5 by a reason, on 3.1.1 by closing the connection.
func (w *wire) refusedAt(topic, payload string, qos byte) {
	w.t.Helper()
	w.publish(topic, payload, qos, 77)
	answer, err := w.read()
	if w.version < 5 {
		require.True(w.t, err != nil || answer.FixedHeader.Type == packets.Disconnect, "%s: %v %v", topic, answer, err)
		return
	}
	require.NoError(w.t, err, topic)
	require.Equal(w.t, map[byte]byte{1: packets.Puback, 2: packets.Pubrec}[qos], answer.FixedHeader.Type, topic)
	require.Equal(w.t, packets.ErrNotAuthorized.Code, answer.ReasonCode, topic)
	require.EqualValues(w.t, 77, answer.PacketID, topic)
}

// granted subscribes and says whether that was allowed.
func (w *wire) granted(filter string) bool {
	w.t.Helper()
	w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe}, PacketID: 99, Filters: packets.Subscriptions{{Filter: filter, Qos: 1}}})
	for {
		ack := w.receive()
		if ack.FixedHeader.Type == packets.Suback {
			require.Len(w.t, ack.ReasonCodes, 1)
			return ack.ReasonCodes[0] < 0x80
		}
	}
}

func TestWhoMayComeIn(t *testing.T) {
	chosen, err := HashSecret("clover and thyme")
	require.NoError(t, err)
	list := &nodeList{}
	made := list.add("heron-gateway", "heron-point")
	other := list.add("salal-gateway", "salal-hill")
	list.change(func(nodes map[string]outyard.Node) {
		nodes["old-box"] = outyard.Node{User: "old-box", Secret: chosen}
		nodes["broken"] = outyard.Node{User: "broken", Secret: "rot13:clover"}
	})
	const in, bad, not = 0x00, 0x86, 0x87 // MQTT 5.0 §3.2.2.2
	for _, c := range []struct {
		name      string
		who       packets.ConnectParams
		nodesOnly bool
		want      byte
	}{
		{"a node with its secret", as("heron-gateway", made), false, in},
		{"a node with a secret that somebody chose", as("old-box", "clover and thyme"), false, in},
		{"a node with another's secret", as("heron-gateway", other), false, bad},
		{"a node without a secret", packets.ConnectParams{ClientIdentifier: "n1", Clean: true, UsernameFlag: true, Username: []byte("heron-gateway")}, false, bad},
		{"a node with nearly its secret", as("heron-gateway", made[:42]), false, bad},
		{"a node with the hash of its secret", as("old-box", chosen), false, bad},
		{"a node whose hash nobody knows how to read", as("broken", "rot13:clover"), false, bad},
		{"a node that nobody has heard of", as("heron-gatewax", made), false, bad},
		{"a name in other letters", as("HERON-GATEWAY", made), false, bad},
		{"a name with SQL in it", as("' OR 1=1 --", made), false, bad},
		{"a name of 60,000 bytes would not fit, one of 10,000 is nobody's", as(strings.Repeat("x", 10_000), made), false, bad},
		{"who has no name, on this machine", node("n1"), false, in},
		{"who has no name, where nodes only may come in", node("n1"), true, not},
		{"a node, where nodes only may come in", as("heron-gateway", made), true, in},
	} {
		t.Run(c.name, func(t *testing.T) {
			forEachVersion(t, func(t *testing.T, version byte) {
				b, _ := start(t, Config{Nodes: list, NodesOnly: c.nodesOnly}, instant{})
				ack := dial(t, b, version, c.who).receive()
				require.Equal(t, packets.Connack, ack.FixedHeader.Type)
				if version == 5 || c.want == in {
					require.Equal(t, c.want, ack.ReasonCode)
				} else { // MQTT 3.1.1 §3.2.2.3
					require.EqualValues(t, 5, ack.ReasonCode, "not authorized")
				}
			})
		})
	}
}

func TestANodeWritesItsOwnGroundAlone(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		list := &nodeList{}
		whole, some := list.add("whole", "heron-point"), list.add("some", "heron-point/h01", "salal-hill/h02")
		in := newKeptAll()
		b, _ := start(t, Config{Prefix: "farm", Nodes: list, NodesOnly: true}, in)
		for _, c := range []struct {
			who packets.ConnectParams
			may []string
			not []string
		}{
			{as("whole", whole), []string{
				"farm/yards/heron-point/hives/h01", "farm/yards/heron-point/hives/h99", "farm/yards/heron-point/weather",
				"farm/yards/heron-point/hive/h01", // mistyped: kept as refused, with what is wrong
			}, []string{
				"farm/yards/salal-hill/hives/h01", "farm/yards/salal-hill/weather", "farm/yards/heron-point-2/hives/h01",
				"yards/heron-point/hives/h01", "heron-point", "farm/yards//hives/h01", "farm/yards/heron-point2/weather", "/farm/yards/heron-point/weather",
				"outyard/state", "outyard/findings/heron-point/h01",
			}},
			{as("some", some), []string{"farm/yards/heron-point/hives/h01", "farm/yards/salal-hill/hives/h02"}, []string{
				"farm/yards/heron-point/hives/h02", "farm/yards/heron-point/weather", "farm/yards/salal-hill/hives/h01",
				"farm/yards/heron-point/hives/", "farm/yards/heron-point/hives/h01/x", "farm/yards/heron-point", "farm/yards/heron-point/h01",
			}},
		} {
			w := connect(t, b, version, c.who)
			for _, topic := range c.may {
				w.publish(topic, "one", 1, 1)
				require.Equal(t, topic, (<-in.messages).Topic)
				require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
			}
			for qos := byte(1); qos <= 2; qos++ {
				for _, topic := range c.not {
					connect(t, b, version, c.who).refusedAt(topic, "one", qos)
				}
			}
			// At QoS 0 there is no answer, and neither is one to what is no
			// topic (MQTT 3.1.1 [MQTT-3.3.2-2]) or the broker's own.
			for _, topic := range append(c.not, "farm/yards/+/hives/h01", "farm/yards/heron-point/#", "farm/yards/heron-point/+", "#", "$SYS/broker/version", "$share/a/farm/yards/heron-point/weather") {
				w = connect(t, b, version, c.who)
				w.publish(topic, "one", 0, 0)
				w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}})
				if answer, err := w.read(); err == nil && answer.FixedHeader.Type != packets.Disconnect { // it is closed, or goes on
					require.Equal(t, packets.Pingresp, answer.FixedHeader.Type, topic)
				}
			}
		}
		require.Empty(t, in.messages, "nothing but what they may write came to the intake")
		require.Positive(t, testutil.ToFloat64(b.turnedAway.WithLabelValues("publication")))
	})
}

// A device's messages under a mapped topic say in the message, or in the topic,
// whose they are.
func TestANodeOfAMappingWritesItsOwnGroundAlone(t *testing.T) {
	weight := []outyard.MappedValue{{Quantity: outyard.Weight, Spot: outyard.Spot{Field: "w"}, Unit: "kg", Scale: 1}}
	set, err := mapping.NewSet([]outyard.Mapping{
		{Name: "by-field", Filter: "gateway/+/up", Yard: outyard.Origin{Field: "site"}, Hive: outyard.Origin{Field: "box", As: map[string]string{"A-17": "h01"}}, Values: weight},
		{Name: "by-level", Filter: "scales/+/+", Yard: outyard.Origin{Level: 2}, Hive: outyard.Origin{Level: 3}, Values: weight},
		{Name: "weather", Filter: "mast", Yard: outyard.Origin{Fixed: "heron-point"}, Values: []outyard.MappedValue{{Quantity: outyard.OutsideTemp, Spot: outyard.Spot{Field: "t"}, Unit: "C", Scale: 1}}},
	})
	require.NoError(t, err)
	forEachVersion(t, func(t *testing.T, version byte) {
		list := &nodeList{}
		whole, some := list.add("whole", "heron-point"), list.add("some", "heron-point/h01")
		in := newKeptAll()
		b, _ := start(t, Config{Nodes: list, Mappings: set}, in)
		for _, c := range []struct {
			name           string
			who            packets.ConnectParams
			topic, payload string
			may            bool
		}{
			{"of its yard", as("whole", whole), "gateway/7/up", `{"site":"heron-point","box":"h05","w":41}`, true},
			{"of another yard", as("whole", whole), "gateway/7/up", `{"site":"salal-hill","box":"h05","w":41}`, false},
			{"of another yard, by the topic", as("whole", whole), "scales/salal-hill/h01", `{"w":41}`, false},
			{"of its yard, by the topic", as("whole", whole), "scales/heron-point/h01", `{"w":41}`, true},
			{"of its hive, by the number on the box", as("some", some), "gateway/7/up", `{"site":"heron-point","box":"A-17","w":41}`, true},
			{"of another hive", as("some", some), "gateway/7/up", `{"site":"heron-point","box":"A-18","w":41}`, false},
			{"of its yard's weather", as("whole", whole), "mast", `{"t":12}`, true},
			{"of the weather of the yard, by a node of a hive", as("some", some), "mast", `{"t":12}`, false},
			{"of which nobody can tell whose it is: it is refused by the intake, and kept so", as("some", some), "gateway/7/up", `{"w":41}`, true},
			{"of which nobody can tell what it is", as("some", some), "gateway/7/up", `{"site":"salal`, true},
			{"of a topic that no mapping is for", as("whole", whole), "gateway/7/down", `{"site":"heron-point","box":"h05","w":41}`, false},
		} {
			w := connect(t, b, version, c.who)
			if !c.may {
				w.refusedAt(c.topic, c.payload, 1)
				connect(t, b, version, c.who).refusedAt(c.topic, c.payload, 2)
				require.Empty(t, in.messages, c.name)
				continue
			}
			w.publish(c.topic, c.payload, 1, 1)
			require.Equal(t, c.payload, string((<-in.messages).Payload), c.name)
			require.Equal(t, packets.Puback, w.receive().FixedHeader.Type, c.name)
		}
	})
}

func TestANodeReadsTheFindingsOfItsOwnGroundAlone(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		list := &nodeList{}
		whole, some := list.add("whole", "heron-point"), list.add("some", "heron-point/h01")
		b, _ := start(t, Config{Nodes: list}, instant{})
		for _, c := range []struct {
			who      packets.ConnectParams
			may, not []string
		}{
			{as("whole", whole), []string{"outyard/state", "outyard/findings/heron-point/#", "outyard/findings/heron-point/+", "outyard/findings/heron-point/h01", "outyard/findings/heron-point"},
				[]string{"#", "+/#", "outyard/#", "outyard/findings/#", "outyard/findings/+/h01", "outyard/+/heron-point/h01", "+/findings/heron-point/h01", "outyard/findings/salal-hill/#", "outyard/findings/heron-point#",
					"yards/#", "yards/heron-point/#", "yards/heron-point/hives/h01", "$SYS/#", "$share/a/#", "$share/a/outyard/findings/salal-hill/h01"}},
			{as("some", some), []string{"outyard/findings/heron-point/h01"}, []string{"outyard/findings/heron-point/+", "outyard/findings/heron-point/#", "outyard/findings/heron-point", "outyard/findings/heron-point/h02"}},
		} {
			w := connect(t, b, version, c.who)
			for _, filter := range c.may {
				require.True(t, w.granted(filter), filter)
			}
			for _, filter := range c.not {
				require.False(t, w.granted(filter), filter)
			}
		}

		reader, stranger := connect(t, b, version, as("whole", whole)), connect(t, b, version, node("watcher"))
		require.True(t, reader.granted("outyard/findings/heron-point/#"))
		require.True(t, stranger.granted("outyard/findings/#"), "on this machine all may be read")
		stranger.nothingBefore() // what is retained has been looked through
		require.NoError(t, b.Publish("outyard/findings/salal-hill/h01", []byte("[]"), true))
		require.NoError(t, b.Publish("outyard/findings/heron-point/h01", []byte("[{}]"), true))
		require.Equal(t, "[]", string(stranger.receive().Payload))
		require.Equal(t, "[{}]", string(stranger.receive().Payload))
		require.Equal(t, "[{}]", string(reader.receive().Payload), "its own, and not the other's before it")

		list.change(func(nodes map[string]outyard.Node) {
			n := nodes["whole"]
			n.Grounds = []outyard.Ground{{Yard: "salal-hill"}}
			nodes["whole"] = n
		})
		b.guests.look()
		require.NoError(t, b.Publish("outyard/findings/heron-point/h01", []byte("[]"), true))
		reader.nothingBefore() // what it once was granted is no longer its ground
	})
}

func TestALastWillIsHeldToTheSame(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		list := &nodeList{}
		secret := list.add("whole", "heron-point")
		set, err := mapping.NewSet([]outyard.Mapping{{Name: "by-field", Filter: "gateway/up", Yard: outyard.Origin{Field: "site"}, Hive: outyard.Origin{Fixed: "h01"},
			Values: []outyard.MappedValue{{Quantity: outyard.Weight, Spot: outyard.Spot{Field: "w"}, Unit: "kg", Scale: 1}}}})
		require.NoError(t, err)
		b, _ := start(t, Config{Nodes: list, Mappings: set}, instant{})
		watcher := connect(t, b, version, node("watcher"))
		for _, filter := range []string{"yards/#", "outyard/findings/#", "gateway/#"} {
			require.True(t, watcher.granted(filter))
		}
		for _, will := range [][2]string{
			{"yards/salal-hill/hives/h01", "lies"}, {"outyard/state", "down"}, {"outyard/findings/heron-point/h01", "[]"}, {"$SYS/broker/load/x", "1"}, {"gateway/up", `{"site":"salal-hill","w":1}`},
			{"yards/heron-point/hives/h01", "true"},
		} {
			who := as("whole", secret)
			who.WillFlag, who.WillTopic, who.WillPayload, who.WillRetain = true, will[0], []byte(will[1]), true
			require.NoError(t, connect(t, b, version, who).conn.Close())
		}
		got := watcher.receive()
		require.Equal(t, "yards/heron-point/hives/h01", got.TopicName, "of all the wills only its own went out")
		require.Empty(t, b.server.Topics.Messages("$SYS/broker/load/x"))
		require.Equal(t, "up", string(b.server.Topics.Messages("outyard/state")[0].Payload))
		late := connect(t, b, version, node("late"))
		require.True(t, late.granted("yards/#"))
		late.nothingBefore() // and it was not retained
	})
}

func TestANodeCannotTakeAnothersSession(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		list := &nodeList{}
		heron, salal := list.add("heron", "heron-point"), list.add("salal", "salal-hill")
		b, _ := start(t, Config{Nodes: list}, instant{})
		persistent := func(c packets.ConnectParams) packets.ConnectParams { c.Clean = false; return c }

		victim := connect(t, b, version, persistent(as("heron", heron)))
		require.True(t, victim.granted("outyard/findings/heron-point/#"))
		local := connect(t, b, version, persistent(node("n1")))
		require.True(t, local.granted("outyard/findings/#"))

		for _, id := range []string{"n1", "heron:n1", ":n1", "inline"} {
			c := persistent(as("salal", salal))
			c.ClientIdentifier = id
			thief := dial(t, b, version, c)
			ack := thief.receive()
			require.Equal(t, packets.CodeSuccess.Code, ack.ReasonCode)
			require.False(t, ack.SessionPresent, id)
			anon := persistent(node("heron:" + id))
			ack = dial(t, b, version, anon).receive()
			require.False(t, ack.SessionPresent, id)
			victim.nothingBefore() // it is still there
			local.nothingBefore()
			require.NoError(t, b.Publish("outyard/findings/heron-point/h01", []byte(id), false))
			require.Equal(t, id, string(victim.receive().Payload))
			thief.nothingBefore()
			require.NotEmpty(t, local.receive())
		}

		// A node's own session ends with its connection.
		require.NoError(t, victim.conn.Close())
		require.Eventually(t, func() bool { _, there := b.server.Clients.Get("heron:n1"); return !there }, patience, 10*time.Millisecond)
		require.False(t, dial(t, b, version, persistent(as("heron", heron))).receive().SessionPresent)
	})
}

func TestWhatChangesHoldsAtOnce(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		list := &nodeList{}
		in := newKeptAll()
		b, _ := start(t, Config{Nodes: list, NodesOnly: true}, in)
		require.Equal(t, packets.Connack, dial(t, b, version, as("heron", "not yet there")).receive().FixedHeader.Type)
		secret := list.add("heron", "heron-point")
		w := connect(t, b, version, as("heron", secret)) // the very next connection
		again := list.add("heron", "heron-point")        // another secret
		_, err := w.read()
		for err == nil { // on MQTT 5 it is told why
			_, err = w.read()
		}
		require.NotEqual(t, packets.CodeSuccess.Code, dial(t, b, version, as("heron", secret)).receive().ReasonCode)
		w = connect(t, b, version, as("heron", again))
		list.change(func(nodes map[string]outyard.Node) { delete(nodes, "heron") })
		for _, err = w.read(); err == nil; {
			_, err = w.read()
		}
		require.NotEqual(t, packets.CodeSuccess.Code, dial(t, b, version, as("heron", again)).receive().ReasonCode)
		require.Empty(t, in.messages)
	})
}

func TestNodesThatWereKnownComeInWhileTheStoreIsAway(t *testing.T) {
	list := &nodeList{}
	secret := list.add("heron", "heron-point")
	b, _ := start(t, Config{Nodes: list}, instant{})
	connect(t, b, 4, as("heron", secret))
	list.change(func(map[string]outyard.Node) { list.fails = errors.New("the disk is gone") })
	connect(t, b, 4, as("heron", secret))
}

func TestGuessingIsSlowed(t *testing.T) {
	list := &nodeList{}
	secret, other := list.add("heron", "heron-point"), list.add("salal", "salal-hill")
	clock := &handClock{at: time.Date(2027, 5, 12, 18, 0, 0, 0, time.UTC)}
	log := &logText{}
	b, _ := startLogging(t, Config{Nodes: list, WallClock: clock.now, ConnectWithin: 200 * 24 * time.Hour * 365, WriteWithin: 200 * 24 * time.Hour * 365}, instant{}, log)
	code := func(version byte, user, secret string) byte {
		return dial(t, b, version, as(user, secret)).receive().ReasonCode
	}
	for i := range wrongAboutOne {
		require.Equal(t, packets.ErrBadUsernameOrPassword.Code, code(5, "heron", fmt.Sprint("guess number ", i)))
	}
	require.Equal(t, packets.ErrConnectionRateExceeded.Code, code(5, "heron", "one more"))
	require.Equal(t, packets.ErrConnectionRateExceeded.Code, code(5, "heron", secret), "not even the right one, or it would pay to go on")
	require.EqualValues(t, 3, code(4, "heron", secret), "MQTT 3.1.1: unavailable")
	require.Equal(t, packets.CodeSuccess.Code, code(5, "salal", other), "another node behind the same address has done nothing")
	clock.add(againAboutOne)
	require.Equal(t, packets.CodeSuccess.Code, code(5, "heron", secret), "it may try once more by now")

	for i := range 2 * wrongAtAll { // names are guessed as well
		code(5, fmt.Sprint("node-", i), "guess")
	}
	require.Equal(t, packets.ErrConnectionRateExceeded.Code, code(5, "node-x", "guess"))
	clock.add(time.Hour)
	require.Equal(t, packets.CodeSuccess.Code, code(5, "salal", other))

	require.LessOrEqual(t, strings.Count(log.String(), "node not let in"), 3, "one line in ten seconds by the clock, whatever is tried:\n%s", log)
	for _, hidden := range []string{secret, other, "guess number", "one more", "node-1"} {
		require.NotContains(t, log.String(), hidden, "neither secrets nor names that may be such")
	}
	require.Contains(t, log.String(), "node=heron")
}

func TestAThousandNodesComeBackAtOnce(t *testing.T) {
	list := &nodeList{}
	const many = 1000
	secrets := make([]string, many)
	for i := range secrets {
		secrets[i] = list.add(fmt.Sprint("node-", i), "heron-point")
	}
	in := newKeptAll()
	b, _ := start(t, Config{Nodes: list, NodesOnly: true}, in)
	var all sync.WaitGroup
	wires := make([]*wire, many)
	for i := range many {
		wires[i] = dial(t, b, 4, as(fmt.Sprint("node-", i), secrets[i]))
	}
	for i, w := range wires {
		all.Go(func() {
			ack, err := w.read()
			if err != nil || ack.ReasonCode != 0 {
				t.Errorf("node %d: %v %v", i, ack.ReasonCode, err)
			}
			w.publish(topicH01, fmt.Sprint(i), 1, 1)
			if ack, err = w.read(); err != nil || ack.FixedHeader.Type != packets.Puback {
				t.Errorf("node %d: %v %v", i, ack.FixedHeader.Type, err)
			}
		})
	}
	all.Wait()
	require.Len(t, in.messages, many)
	require.LessOrEqual(t, list.read, 2, "the list is read when it changes, not for each node")
}

func TestAddressesThatOthersReachWantMore(t *testing.T) {
	try := func(cfg Config) (*Broker, error) {
		cfg.Listen = "0.0.0.0:0"
		b, err := New(cfg, instant{}, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
		if err == nil {
			require.NoError(t, b.door.Close())
		}
		return b, err
	}
	_, err := try(Config{Nodes: &nodeList{}})
	require.ErrorContains(t, err, "0.0.0.0:0")
	require.ErrorContains(t, err, "mqtt.embedded.tls")
	b, err := try(Config{Nodes: &nodeList{}, WithoutTLS: true})
	require.NoError(t, err)
	require.False(t, b.anonymous, "who names nobody is not let in, even from this machine")
	b, err = try(Config{WithoutTLS: true, WithoutCredentials: true})
	require.NoError(t, err)
	require.True(t, b.anonymous, "the keeper has said so")
}

func TestSecrets(t *testing.T) {
	a, hashA := MakeSecret()
	b, _ := MakeSecret()
	require.NotEqual(t, a, b)
	require.Len(t, a, 43) // 256 bits in base64
	require.NotContains(t, hashA, a)
	require.True(t, isSecret([]byte(a), hashA))
	require.False(t, isSecret([]byte(b), hashA))
	_, err := HashSecret("too short")
	require.ErrorContains(t, err, "9 characters")
	_, err = HashSecret("one line\nand another")
	require.ErrorContains(t, err, "line break")
	once, err := HashSecret("clover and thyme")
	require.NoError(t, err)
	twice, err := HashSecret("clover and thyme")
	require.NoError(t, err)
	require.NotEqual(t, once, twice, "salted")
	require.True(t, isSecret([]byte("clover and thyme"), twice))
	for _, odd := range []string{"", "sha256:", "sha256:zz", "argon2id-19456-2-1:", "argon2id-19456-2-1:00", "clover and thyme"} {
		require.False(t, isSecret([]byte("clover and thyme"), odd), odd)
		require.False(t, isSecret(nil, odd), odd)
	}
}

// A chosen secret is worked out once, and again only when it changes.
func TestAChosenSecretIsWorkedOutOnce(t *testing.T) {
	hash, err := HashSecret("clover and thyme")
	require.NoError(t, err)
	n := outyard.Node{User: "old-box", Secret: hash}
	g := newGuests(&Broker{})
	require.True(t, g.isSecret(n, []byte("clover and thyme")))
	require.True(t, g.proofs.has(n, []byte("clover and thyme")))
	require.False(t, g.proofs.has(n, []byte("clover and thymf")))
	n.Secret, err = HashSecret("another secret")
	require.NoError(t, err)
	require.False(t, g.isSecret(n, []byte("clover and thyme")))
	g.proofs.keep(map[string]outyard.Node{})
	require.Empty(t, g.proofs.found, "a node that is gone is forgotten")
}

func TestNeighboursInAnIPv6NetworkAreOnePlace(t *testing.T) {
	for addr, want := range map[string]string{
		"192.0.2.7:50000":              "192.0.2.7",
		"[::ffff:192.0.2.7]:50000":     "192.0.2.7",
		"[2001:db8:1:2:3:4:5:6]:50000": "2001:db8:1:2::/64",
		"[2001:db8:1:2:ffff::1]:50000": "2001:db8:1:2::/64",
		"[fe80::1%eth0]:50000":         "fe80::/64",
		"[2001:db8:1:3:ffff::1]:50000": "2001:db8:1:3::/64",
	} {
		require.Equal(t, want, addressOf(fromAddr{addr}), addr)
	}
}

type fromAddr struct{ addr string }

func (f fromAddr) Network() string                { return "tcp" }
func (f fromAddr) String() string                 { return f.addr }
func (f fromAddr) RemoteAddr() net.Addr           { return f }
func (f fromAddr) LocalAddr() net.Addr            { return f }
func (fromAddr) Read([]byte) (int, error)         { return 0, net.ErrClosed }
func (fromAddr) Write([]byte) (int, error)        { return 0, net.ErrClosed }
func (fromAddr) Close() error                     { return nil }
func (fromAddr) SetDeadline(time.Time) error      { return nil }
func (fromAddr) SetReadDeadline(time.Time) error  { return nil }
func (fromAddr) SetWriteDeadline(time.Time) error { return nil }

// A handClock is moved by hand.
type handClock struct {
	mu sync.Mutex
	at time.Time
}

func (c *handClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *handClock) add(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// A logText is what was logged.
type logText struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *logText) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(b)
}

func (l *logText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}
