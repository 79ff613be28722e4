package broker

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	paho "github.com/eclipse/paho.mqtt.golang"

	"outyard"
	"outyard/collector"
	"outyard/collector/mapping"
)

// patience is how long a test waits for what must come.
const patience = 20 * time.Second

const topicH01 = "yards/heron-point/hives/h01"

// A heldIntake takes messages and leaves it to the test when each is kept.
type heldIntake struct {
	messages chan collector.Message
	refuse   bool // as an intake that stops
}

func (in *heldIntake) Take(m collector.Message) bool {
	in.messages <- m
	return !in.refuse
}

func (in *heldIntake) next(t *testing.T) collector.Message {
	t.Helper()
	select {
	case m := <-in.messages:
		return m
	case <-time.After(patience):
		t.Fatal("no message came to the intake")
		return collector.Message{}
	}
}

// instant is an intake that keeps at once.
type instant struct{}

func (instant) Take(m collector.Message) bool { m.Ack(); return true }

func start(t *testing.T, cfg Config, in Intake) (b *Broker, stop func()) {
	t.Helper()
	return startLogging(t, cfg, in, io.Discard)
}

func startLogging(t *testing.T, cfg Config, in Intake, log io.Writer) (b *Broker, stop func()) {
	t.Helper()
	cfg.Listen = "127.0.0.1:0"
	b, err := New(cfg, in, time.Now, slog.New(slog.NewTextHandler(log, nil)), prometheus.NewRegistry())
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			require.NoError(t, err)
		case <-time.After(patience):
			t.Error("broker did not stop")
		}
	})
	t.Cleanup(stop)
	return b, stop
}

// A wire is a client of a few bytes, which shows what is sent and when.
type wire struct {
	t       *testing.T
	conn    net.Conn
	in      *bufio.Reader
	version byte
}

func dial(t *testing.T, b *Broker, version byte, connect packets.ConnectParams) *wire {
	t.Helper()
	conn, err := net.Dial("tcp", b.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	w := &wire{t: t, conn: conn, in: bufio.NewReader(conn), version: version}
	connect.ProtocolName, connect.Keepalive = []byte("MQTT"), 60
	w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, Connect: connect})
	return w
}

// connect dials and is let in.
func connect(t *testing.T, b *Broker, version byte, connect packets.ConnectParams) *wire {
	t.Helper()
	w := dial(t, b, version, connect)
	ack := w.receive()
	require.Equal(t, packets.Connack, ack.FixedHeader.Type)
	require.Equal(t, packets.CodeSuccess.Code, ack.ReasonCode)
	return w
}

func node(id string) packets.ConnectParams {
	return packets.ConnectParams{ClientIdentifier: id, Clean: true}
}

func (w *wire) send(pk packets.Packet) {
	w.t.Helper()
	pk.ProtocolVersion = w.version
	var out bytes.Buffer
	var err error
	switch pk.FixedHeader.Type {
	case packets.Connect:
		err = pk.ConnectEncode(&out)
	case packets.Publish:
		err = pk.PublishEncode(&out)
	case packets.Pubrel:
		pk.FixedHeader.Qos = 1
		err = pk.PubrelEncode(&out)
	case packets.Subscribe:
		pk.FixedHeader.Qos = 1
		err = pk.SubscribeEncode(&out)
	case packets.Pingreq:
		err = pk.PingreqEncode(&out)
	}
	require.NoError(w.t, err)
	_, err = w.conn.Write(out.Bytes())
	require.NoError(w.t, err)
}

func (w *wire) publish(topic, payload string, qos byte, id uint16) {
	w.t.Helper()
	w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: qos}, TopicName: topic, Payload: []byte(payload), PacketID: id})
}

func (w *wire) subscribe(filter string, qos byte) {
	w.t.Helper()
	w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Subscribe}, PacketID: 99, Filters: packets.Subscriptions{{Filter: filter, Qos: qos}}})
	require.Equal(w.t, packets.Suback, w.receive().FixedHeader.Type)
}

func (w *wire) receive() packets.Packet {
	w.t.Helper()
	pk, err := w.read()
	require.NoError(w.t, err)
	return pk
}

func (w *wire) read() (pk packets.Packet, err error) {
	if err := w.conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		return pk, err
	}
	first, err := w.in.ReadByte()
	if err != nil {
		return pk, err
	}
	pk.ProtocolVersion = w.version
	if err := pk.FixedHeader.Decode(first); err != nil {
		return pk, err
	}
	if pk.FixedHeader.Remaining, _, err = packets.DecodeLength(w.in); err != nil {
		return pk, err
	}
	body := make([]byte, pk.FixedHeader.Remaining)
	for n := 0; n < len(body); {
		m, err := w.in.Read(body[n:])
		if err != nil {
			return pk, err
		}
		n += m
	}
	switch pk.FixedHeader.Type {
	case packets.Connack:
		err = pk.ConnackDecode(body)
	case packets.Publish:
		err = pk.PublishDecode(body)
	case packets.Puback:
		err = pk.PubackDecode(body)
	case packets.Pubrec:
		err = pk.PubrecDecode(body)
	case packets.Pubcomp:
		err = pk.PubcompDecode(body)
	case packets.Suback:
		err = pk.SubackDecode(body)
	case packets.Disconnect:
		err = pk.DisconnectDecode(body)
	}
	return pk, err
}

// nothingBefore says that nothing was sent until now: the answer to a ping
// would come after it.
func (w *wire) nothingBefore() {
	w.t.Helper()
	w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pingreq}})
	require.Equal(w.t, packets.Pingresp, w.receive().FixedHeader.Type)
}

var versions = map[string]byte{"MQTT 3.1.1": 4, "MQTT 5": 5}

func forEachVersion(t *testing.T, test func(t *testing.T, version byte)) {
	for name, version := range versions {
		t.Run(name, func(t *testing.T) { test(t, version) })
	}
}

func TestQoS1IsAckedOnceKeptAndNotBefore(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, _ := start(t, Config{}, in)
		w := connect(t, b, version, node("n1"))
		w.publish(topicH01, "one", 1, 7)
		w.publish(topicH01, "two", 1, 8)
		one, two := in.next(t), in.next(t)
		require.Equal(t, topicH01, one.Topic)
		require.Equal(t, "one", string(one.Payload))
		require.WithinDuration(t, time.Now(), one.Arrived, patience)
		w.nothingBefore()

		two.Ack()
		ack := w.receive()
		require.Equal(t, packets.Puback, ack.FixedHeader.Type)
		require.EqualValues(t, 8, ack.PacketID)
		require.Equal(t, packets.CodeSuccess.Code, ack.ReasonCode)
		w.nothingBefore()
		one.Ack()
		require.EqualValues(t, 7, w.receive().PacketID)
	})
}

func TestQoS2IsReceivedOnceKeptAndThenCompleted(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, _ := start(t, Config{}, in)
		w := connect(t, b, version, node("n1"))
		w.publish(topicH01, "one", 2, 7)
		m := in.next(t)
		w.nothingBefore()
		m.Ack()
		rec := w.receive()
		require.Equal(t, packets.Pubrec, rec.FixedHeader.Type)
		require.EqualValues(t, 7, rec.PacketID)
		require.Equal(t, packets.CodeSuccess.Code, rec.ReasonCode)
		w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pubrel}, PacketID: 7})
		comp := w.receive()
		require.Equal(t, packets.Pubcomp, comp.FixedHeader.Type)
		require.EqualValues(t, 7, comp.PacketID)
		require.Equal(t, packets.CodeSuccess.Code, comp.ReasonCode)

		w.publish(topicH01, "two", 2, 7) // the id is free again
		in.next(t).Ack()
		require.Equal(t, packets.Pubrec, w.receive().FixedHeader.Type)
	})
}

func TestQoS0IsTakenAndNotAnswered(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, _ := start(t, Config{}, in)
		w := connect(t, b, version, node("n1"))
		w.publish(topicH01, "one", 0, 0)
		in.next(t).Ack()
		w.nothingBefore()
	})
}

func TestWhatTheIntakeDoesNotTakeIsNeverAcked(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10), refuse: true}
		b, stop := start(t, Config{}, in)
		w := connect(t, b, version, node("n1"))
		for qos := byte(1); qos <= 2; qos++ {
			w.publish(topicH01, "one", qos, uint16(qos))
			in.next(t)
			w.nothingBefore()
		}
		stop() // does not wait for acks that will not come
	})
}

func TestPahoClientIsAckedOnceKept(t *testing.T) {
	in := &heldIntake{messages: make(chan collector.Message, 10)}
	b, _ := start(t, Config{Prefix: "farm"}, in)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + b.Addr().String()).SetClientID("n1").SetProtocolVersion(4))
	token := c.Connect()
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
	defer c.Disconnect(0)
	for qos := byte(1); qos <= 2; qos++ {
		token = c.Publish("farm/"+topicH01, qos, false, "one")
		m := in.next(t)
		select {
		case <-token.Done():
			t.Fatalf("QoS %d acknowledged before it was kept", qos)
		default:
		}
		m.Ack()
		require.True(t, token.WaitTimeout(patience), "QoS %d", qos)
		require.NoError(t, token.Error())
	}
}

func TestAPersistentClientSendsAgainWhatWasNotAcked(t *testing.T) {
	in := &heldIntake{messages: make(chan collector.Message, 10)}
	b, _ := start(t, Config{}, in)
	up := make(chan struct{}, 2)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + b.Addr().String()).SetClientID("n1").
		SetCleanSession(false).SetMaxReconnectInterval(50 * time.Millisecond).
		SetOnConnectHandler(func(paho.Client) { up <- struct{}{} }))
	token := c.Connect()
	require.True(t, token.WaitTimeout(patience))
	require.NoError(t, token.Error())
	defer c.Disconnect(0)
	<-up
	published := c.Publish(topicH01, 1, false, "one")
	before := in.next(t)

	cl, ok := b.server.Clients.Get(":n1")
	require.True(t, ok)
	cl.Stop(fmt.Errorf("the radio link broke"))
	<-up
	again := in.next(t)
	require.Equal(t, before.Payload, again.Payload)
	before.Ack() // of a connection that is gone: nobody hears it
	again.Ack()
	require.True(t, published.WaitTimeout(patience))
	require.NoError(t, published.Error())
}

func TestSubscribersGetWhatIsKeptAndOnlyThen(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, _ := start(t, Config{}, in)
		watcher := connect(t, b, version, node("watcher"))
		watcher.subscribe("yards/#", 1)
		w := connect(t, b, version, node("n1"))
		w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1, Retain: true}, TopicName: topicH01, Payload: []byte("one"), PacketID: 1})
		m := in.next(t)
		watcher.nothingBefore()
		m.Ack()
		got := watcher.receive()
		require.Equal(t, packets.Publish, got.FixedHeader.Type)
		require.Equal(t, topicH01, got.TopicName)
		require.Equal(t, "one", string(got.Payload))

		late := connect(t, b, version, node("late"))
		late.subscribe("yards/#", 1)
		late.nothingBefore() // readings are not retained
	})
}

func TestOurOwnTopics(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, stop := start(t, Config{}, in)
		watcher := connect(t, b, version, node("watcher"))
		watcher.subscribe("outyard/#", 1)
		up := watcher.receive()
		require.Equal(t, collector.StateTopic, up.TopicName)
		require.Equal(t, "up", string(up.Payload))
		require.True(t, up.FixedHeader.Retain)

		require.NoError(t, b.Publish("outyard/findings/heron-point/h01", []byte("{}"), true))
		require.Equal(t, "{}", string(watcher.receive().Payload))
		late := connect(t, b, version, node("late"))
		late.subscribe("outyard/findings/#", 0)
		require.Equal(t, "{}", string(late.receive().Payload), "retained")

		liar := connect(t, b, version, packets.ConnectParams{ClientIdentifier: "liar", Clean: true,
			WillFlag: true, WillTopic: collector.StateTopic, WillPayload: []byte("down"), WillRetain: true})
		liar.publish("outyard/findings/heron-point/h01", "lies", 1, 1)
		answer, err := liar.read()
		if version == 5 { // MQTT 5.0 §3.4.2.1
			require.NoError(t, err)
			require.Equal(t, packets.ErrNotAuthorized.Code, answer.ReasonCode)
		} else { // MQTT 3.1.1 §3.3.5: or close the connection
			require.True(t, err != nil || answer.FixedHeader.Type == packets.Disconnect, "%v %v", answer, err)
		}
		require.NoError(t, liar.conn.Close())
		require.NoError(t, b.Publish("outyard/findings/heron-point/h02", []byte("next"), true))
		require.Equal(t, "next", string(watcher.receive().Payload), "neither the lie nor the will went out")
		require.Empty(t, in.messages)

		stop()
		down := watcher.receive()
		require.Equal(t, collector.StateTopic, down.TopicName)
		require.Equal(t, "down", string(down.Payload))
	})
}

func TestAMistypedTopicGoesToTheIntakeAndNoFurther(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, _ := start(t, Config{}, in)
		watcher := connect(t, b, version, node("watcher"))
		watcher.subscribe("#", 1)
		require.Equal(t, "up", string(watcher.receive().Payload))
		w := connect(t, b, version, node("n1"))
		w.publish("hive/1/weight", "41", 1, 1)
		m := in.next(t)
		require.Equal(t, "hive/1/weight", m.Topic)
		m.Ack()
		require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
		watcher.nothingBefore()
	})
}

func TestAMappedTopicIsOneOfReadings(t *testing.T) {
	set, err := mapping.NewSet([]outyard.Mapping{{Name: "flat-json", Filter: "scales/+", Yard: outyard.Origin{Fixed: "home"}, Hive: outyard.Origin{Level: 2},
		Values: []outyard.MappedValue{{Quantity: outyard.Weight, Spot: outyard.Spot{Field: "w"}, Unit: "kg", Scale: 1}}}})
	require.NoError(t, err)
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, _ := start(t, Config{Mappings: set}, in)
		watcher := connect(t, b, version, node("watcher"))
		watcher.subscribe("scales/#", 1)
		w := connect(t, b, version, node("n1"))
		w.publish("scales/h01", `{"w":41}`, 1, 1)
		m := in.next(t)
		require.Equal(t, "scales/h01", m.Topic)
		watcher.nothingBefore()
		m.Ack()
		require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
		require.Equal(t, `{"w":41}`, string(watcher.receive().Payload))
	})
}

func TestAnAddressInUseIsToldAtOnce(t *testing.T) {
	b, _ := start(t, Config{}, instant{})
	_, err := New(Config{Listen: b.Addr().String()}, instant{}, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	require.ErrorContains(t, err, "listen for MQTT on "+b.Addr().String())
	require.ErrorContains(t, err, "address already in use")
}

func TestASubscriberThatDoesNotReadHoldsNobodyUp(t *testing.T) {
	b, _ := start(t, Config{MaxPending: 64, WriteWithin: time.Second}, instant{})
	stuck := connect(t, b, 4, node("stuck"))
	stuck.subscribe("#", 1) // and reads no more
	w := connect(t, b, 4, node("n1"))
	payload := strings.Repeat("x", 100_000)
	for i := range 300 { // 30 MB, more than the sockets hold
		w.publish(topicH01, payload, 1, uint16(i+1))
		require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
	}
	require.Eventually(t, func() bool { // it is cut off in the end
		cl, ok := b.server.Clients.Get(":stuck")
		return !ok || cl.Closed()
	}, patience, 10*time.Millisecond)
}

// batches keeps what is of one topic only when there is much of it, as a busy
// intake does, and everything else at once.
type batches struct {
	topic string
	acks  []func() // of one connection, so of one goroutine
}

func (in *batches) Take(m collector.Message) bool {
	if m.Topic != in.topic {
		m.Ack()
		return true
	}
	if in.acks = append(in.acks, m.Ack); len(in.acks) == 10_000 {
		for _, ack := range in.acks {
			ack()
		}
		in.acks = in.acks[:0]
	}
	return true
}

func TestANodeThatDoesNotReadItsAcksHoldsNobodyUp(t *testing.T) {
	b, _ := start(t, Config{WriteWithin: time.Second, StopWithin: time.Millisecond}, &batches{topic: "yards/heron-point/hives/stuck"})
	stuck := connect(t, b, 4, node("stuck"))
	var batch bytes.Buffer
	for i := range 20_000 {
		pk := packets.Packet{ProtocolVersion: 4, FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1}, TopicName: "yards/heron-point/hives/stuck", PacketID: uint16(i + 1)}
		require.NoError(t, pk.PublishEncode(&batch))
	}
	gone := make(chan struct{})
	go func() { // publishes and never reads, until it is cut off
		defer close(gone)
		for {
			if _, err := stuck.conn.Write(batch.Bytes()); err != nil {
				return
			}
		}
	}()
	w := connect(t, b, 4, node("n1"))
	for i := range 100 {
		w.publish(topicH01, "one", 1, uint16(i+1))
		require.Equal(t, packets.Puback, w.receive().FixedHeader.Type)
	}
	select {
	case <-gone:
	case <-time.After(patience):
		t.Fatalf("a node that does not read its acks is not cut off after %d of them", b.server.Info.Clone().PacketsSent)
	}
}

func TestAPacketTooLargeEndsItsConnectionAlone(t *testing.T) {
	b, _ := start(t, Config{}, instant{})
	w, other := connect(t, b, 4, node("n1")), connect(t, b, 4, node("n2"))
	_, err := w.conn.Write([]byte{packets.Publish<<4 | 2, 0xff, 0xff, 0xff, 0x7f}) // claims 256 MiB
	require.NoError(t, err)
	_, err = w.read()
	require.Error(t, err)
	other.publish(topicH01, "one", 1, 1)
	require.Equal(t, packets.Puback, other.receive().FixedHeader.Type)
}

func TestAConnectionThatSaysNothingIsClosed(t *testing.T) {
	b, _ := start(t, Config{ConnectWithin: 50 * time.Millisecond}, instant{})
	conn, err := net.Dial("tcp", b.Addr().String())
	require.NoError(t, err)
	defer conn.Close()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(patience)))
	_, err = conn.Read(make([]byte, 1))
	require.Error(t, err)
	require.NotErrorIs(t, err, os.ErrDeadlineExceeded, "the test's own patience ran out")
}

func TestConnectionsAreBounded(t *testing.T) {
	b, _ := start(t, Config{MaxClients: 2}, instant{})
	connect(t, b, 4, node("n1"))
	second := connect(t, b, 4, node("n2"))
	third := dial(t, b, 4, node("n3"))
	_, err := third.read()
	require.Error(t, err)
	require.NoError(t, second.conn.Close())
	require.Eventually(t, func() bool {
		conn, err := net.Dial("tcp", b.Addr().String())
		if err != nil {
			return false
		}
		defer conn.Close()
		w := &wire{t: t, conn: conn, in: bufio.NewReader(conn), version: 4}
		hello := node("n4")
		hello.ProtocolName = []byte("MQTT")
		w.send(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Connect}, Connect: hello})
		_, err = w.read()
		return err == nil
	}, patience, 10*time.Millisecond, "room is free again once one has left")
}

func TestAStopSendsTheAcksThatAreDue(t *testing.T) {
	forEachVersion(t, func(t *testing.T, version byte) {
		in := &heldIntake{messages: make(chan collector.Message, 10)}
		b, stop := start(t, Config{}, in)
		w := connect(t, b, version, node("n1"))
		w.publish(topicH01, "one", 1, 7)
		m := in.next(t)
		stopped := make(chan struct{})
		go func() { defer close(stopped); stop() }()
		require.Eventually(t, func() bool {
			b.mu.Lock()
			defer b.mu.Unlock()
			return b.closing
		}, patience, time.Millisecond)
		w.publish(topicH01, "too late", 1, 8)
		w.nothingBefore()
		m.Ack()
		ack := w.receive()
		require.Equal(t, packets.Puback, ack.FixedHeader.Type)
		require.EqualValues(t, 7, ack.PacketID)
		<-stopped
		require.Empty(t, in.messages, "nothing is taken after the stop")
		for {
			pk, err := w.read()
			if err != nil {
				break
			}
			require.NotEqual(t, packets.Puback, pk.FixedHeader.Type)
		}
	})
}

func TestAStopDoesNotWaitForAcksForEver(t *testing.T) {
	in := &heldIntake{messages: make(chan collector.Message, 10)}
	b, stop := start(t, Config{StopWithin: 50 * time.Millisecond}, in)
	w := connect(t, b, 4, node("n1"))
	w.publish(topicH01, "one", 1, 7)
	m := in.next(t)
	stop()
	m.Ack() // late, and harmless
	for {
		pk, err := w.read()
		if err != nil {
			break
		}
		require.NotEqual(t, packets.Puback, pk.FixedHeader.Type)
	}
}

// BenchmarkPublish measures the broker and an intake that keeps nothing: a
// message of QoS 1 from the wire to the ack on the wire.
func BenchmarkPublish(b *testing.B) {
	for name, in := range map[string]Intake{"count": instant{}, "intake": newIntake(b)} {
		b.Run(name, func(b *testing.B) { benchmarkPublish(b, in) })
	}
}

func newIntake(b *testing.B) Intake {
	in := collector.New(discard{}, collector.NewPlacement(nil, true), collector.Options{}, time.Now, slog.New(slog.DiscardHandler), nil)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	b.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			b.Error(err)
		}
	})
	return in
}

type discard struct{}

func (discard) Keep(_ context.Context, rs []outyard.Reading) ([]outyard.Reading, error) {
	return rs, nil
}
func (discard) Refuse(context.Context, []outyard.Refused) error { return nil }

func benchmarkPublish(b *testing.B, in Intake) {
	br, err := New(Config{Listen: "127.0.0.1:0"}, in, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- br.Run(ctx) }()
	payload := []byte(`[{"bt":1772344800,"n":"weight","u":"kg","v":41.25},{"n":"inside-temp","u":"Cel","v":34.6},{"n":"inside-rh","u":"%RH","v":61.5},{"n":"battery","u":"V","v":3.91}]`)
	const senders, window = 4, 1000
	b.ResetTimer()
	var wg sync.WaitGroup
	for s := range senders {
		wg.Go(func() {
			conn, err := net.Dial("tcp", br.Addr().String())
			if err != nil {
				b.Error(err)
				return
			}
			defer conn.Close()
			var hello, publish bytes.Buffer
			pk := packets.Packet{ProtocolVersion: 4, FixedHeader: packets.FixedHeader{Type: packets.Connect},
				Connect: packets.ConnectParams{ProtocolName: []byte("MQTT"), ClientIdentifier: fmt.Sprint(s), Clean: true}}
			_ = pk.ConnectEncode(&hello)
			_, _ = conn.Write(hello.Bytes())
			in := bufio.NewReaderSize(conn, 1<<16)
			_, _ = in.Discard(4)
			for sent := 0; sent < b.N/senders; {
				publish.Reset()
				n := min(window, b.N/senders-sent)
				for i := range n {
					pk := packets.Packet{ProtocolVersion: 4, FixedHeader: packets.FixedHeader{Type: packets.Publish, Qos: 1}, TopicName: topicH01, Payload: payload, PacketID: uint16(i + 1)}
					_ = pk.PublishEncode(&publish)
				}
				if _, err := conn.Write(publish.Bytes()); err != nil {
					b.Error(err)
					return
				}
				if _, err := in.Discard(4 * n); err != nil {
					b.Error(err)
					return
				}
				sent += n
			}
		})
	}
	wg.Wait()
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "messages/s")
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}
