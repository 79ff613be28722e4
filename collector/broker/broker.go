// Package broker is outyard's own MQTT broker, so that a keeper needs no other
// server. It exists, rather than a broker of somebody else's, because an
// in-process hook can hold back the acknowledgement of a publication until
// what it says is on stable storage, which costs next to nothing here and a
// hop over the network elsewhere.
//
// It takes MQTT 3.1.1 and 5, at QoS 0, 1 and 2. Its rules:
//   - A publication of QoS 1 is answered with PUBACK, and one of QoS 2 with
//     PUBREC, once it is kept. The rest of QoS 2 follows as usual.
//   - Other subscribers get it after that, and never a retained copy: an old
//     reading must not be taken for a new one. A subscriber that cannot keep
//     up loses messages; it holds nobody else up.
//   - Nobody but the daemon writes below "outyard/".
//   - A node that gives its name and secret, or shows a certificate, writes its
//     own ground and reads the findings of that. Who gives no name may come in
//     where only this machine can, and read and write everything else.
//   - Topics of this machine that are neither ours nor those of readings, and
//     mistyped ones below a node's own yard, are taken and kept as refused, with the right form named, rather than cut off: MQTT 3.1.1
//     knows no other refusal than to close the connection, again and again,
//     which tells the owner of a mistyped topic nothing.
package broker

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"

	"outyard/collector"
	"outyard/collector/mapping"
	"outyard/collector/senml"
)

// Intake is where publications go. It calls a message's Ack once it is kept.
type Intake interface {
	Take(collector.Message) bool
}

// Config is what a Broker needs to know; the zero value of each number stands
// for the default that its comment names.
type Config struct {
	Listen string // host:port; port 0 takes a free one
	Prefix string // goes before "yards/" in topics
	// Mappings, if not nil, are for topics that bring readings too.
	Mappings *mapping.Set
	// Nodes are those that may come in with a name and a secret; nil: none. On
	// a loopback address everybody on this machine may come in besides,
	// without a name, unless NodesOnly is set.
	Nodes     Nodes
	NodesOnly bool
	// TLS is what connections are encrypted by; nil: they are not.
	TLS *tls.Config
	// NameFromCertificate says that the common name of a client's certificate
	// is the name of its node, and that it needs no secret besides. TLS then
	// demands a certificate.
	NameFromCertificate bool
	// WithoutTLS and WithoutCredentials say that the keeper knows what that
	// means on an address that others can reach.
	WithoutTLS, WithoutCredentials bool
	// WallClock is what deadlines of connections go by: the clock given to New
	// by default. They differ where the daemon's day is quickened.
	WallClock func() time.Time
	// MaxClients bounds the connections: 20,000.
	MaxClients int
	// MaxInflight bounds what waits for one subscriber's acks: 1,024.
	MaxInflight int
	// MaxPending bounds what waits to be written to one client: 1,024.
	MaxPending int
	// ConnectWithin is how long a new connection may take to introduce
	// itself, and WriteWithin how long a client may take to read what it is
	// sent before it is cut off: 10 s each.
	ConnectWithin, WriteWithin time.Duration
	// StopWithin is how long a stop waits for acks that are due: 10 s.
	StopWithin time.Duration
}

func (c *Config) setDefaults() {
	c.Prefix = collector.Prefix(c.Prefix)
	c.MaxClients = cmp.Or(c.MaxClients, 20_000)
	c.MaxInflight = cmp.Or(c.MaxInflight, 1_024)
	c.MaxPending = cmp.Or(c.MaxPending, 1_024)
	c.ConnectWithin = cmp.Or(c.ConnectWithin, 10*time.Second)
	c.WriteWithin = cmp.Or(c.WriteWithin, 10*time.Second)
	c.StopWithin = cmp.Or(c.StopWithin, 10*time.Second)
}

const (
	listenerID = "mqtt"
	// maxPacket is what a pack may hold and the topic and properties beside it.
	maxPacket = senml.MaxPackBytes + 1<<12
	// maxSession is how long the session of a client that is gone is kept.
	maxSession = 24 * time.Hour
)

// A Broker is a listening broker. Nothing is accepted until Run runs.
type Broker struct {
	cfg    Config
	intake Intake
	now    func() time.Time
	log    *slog.Logger
	server *mqtt.Server
	door   *door
	guests *guests
	// anonymous says that who names nobody may come in.
	anonymous bool

	ackers sync.Map // *mqtt.Client to *acker

	mu       sync.Mutex
	closing  bool          // no more is taken
	closed   bool          // no more is written
	unacked  int           // publications taken and not acknowledged yet
	settled  chan struct{} // closed when closing and unacked is 0
	forwards chan forward  // kept publications for other subscribers
	writers  sync.WaitGroup

	forwardsDropped prometheus.Counter
	turnedAway      *prometheus.CounterVec
}

// New opens the address, so that one that is taken is told at once.
func New(cfg Config, intake Intake, now func() time.Time, log *slog.Logger, reg prometheus.Registerer) (*Broker, error) {
	cfg.setDefaults()
	if cfg.WallClock == nil {
		cfg.WallClock = now
	}
	socket, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen for MQTT on %s: %w", cfg.Listen, err)
	}
	addr, ok := socket.Addr().(*net.TCPAddr)
	loopback := ok && addr.IP.IsLoopback()
	if !loopback && cfg.TLS == nil && !cfg.WithoutTLS {
		return nil, errors.Join(
			fmt.Errorf("listen for MQTT on %s: others can reach that address, and what nodes send there, their secrets too, would be open to whoever listens in: give mqtt.embedded.tls a certificate, or listen on 127.0.0.1, or say listen_without: [tls] if you know that network", cfg.Listen),
			socket.Close())
	}
	b := &Broker{cfg: cfg, intake: intake, now: now, log: log,
		anonymous: (loopback && !cfg.NodesOnly || cfg.WithoutCredentials) && !cfg.NameFromCertificate,
		door:      &door{Listener: socket, cfg: &cfg, open: make(map[*guarded]struct{})},
		settled:   make(chan struct{}), forwards: make(chan forward, cfg.MaxPending)}
	b.guests = newGuests(b)
	b.server = mqtt.New(&mqtt.Options{
		Capabilities: &mqtt.Capabilities{
			MaximumClients:               int64(cfg.MaxClients),
			MaximumMessageExpiryInterval: int64(maxSession / time.Second),
			MaximumSessionExpiryInterval: uint32(maxSession / time.Second),
			MaximumClientWritesPending:   int32(cfg.MaxPending),
			MaximumPacketSize:            maxPacket,
			ReceiveMaximum:               uint16(min(cfg.MaxInflight, 65535)),
			MaximumInflight:              uint16(min(cfg.MaxInflight, 65535)),
			// An alias would be put in place of the topic only after the
			// check of who may write there.
			TopicAliasMaximum:      0,
			SharedSubAvailable:     1,
			MinimumProtocolVersion: 3,
			MaximumQos:             2,
			RetainAvailable:        1,
			WildcardSubAvailable:   1,
			SubIDAvailable:         1,
		},
		ClientNetReadBufferSize:  8 << 10,
		ClientNetWriteBufferSize: 4 << 10,
		Logger:                   slog.New(quiet{log.Handler()}),
		SysTopicResendInterval:   60, // each round stops the world to look at memory
		InlineClient:             true,
	})
	if err := b.server.AddHook(&hook{b: b}, nil); err != nil {
		return nil, errors.Join(err, socket.Close())
	}
	if err := b.server.AddListener(leaving{listeners.NewNet(listenerID, b.door), b}); err != nil {
		return nil, errors.Join(err, socket.Close())
	}
	b.register(reg)
	return b, nil
}

func (b *Broker) register(reg prometheus.Registerer) {
	register := promauto.With(reg)
	register.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "outyard_broker_clients",
		Help: "Clients connected to the embedded broker.",
	}, func() float64 { return float64(atomic.LoadInt64(&b.server.Info.ClientsConnected)) })
	register.NewCounterFunc(prometheus.CounterOpts{
		Name: "outyard_broker_dropped_total",
		Help: "Messages that a slow subscriber lost; the store has them.",
	}, func() float64 {
		return float64(atomic.LoadInt64(&b.server.Info.MessagesDropped) + atomic.LoadInt64(&b.server.Info.InflightDropped))
	})
	b.turnedAway = register.NewCounterVec(prometheus.CounterOpts{
		Name: "outyard_broker_turned_away_total",
		Help: "Connections that were not let in for their credentials, and publications outside of what their node may write.",
	}, []string{"what"})
	b.forwardsDropped = register.NewCounter(prometheus.CounterOpts{
		Name: "outyard_broker_forwards_dropped_total",
		Help: "Kept messages that no other subscriber was sent, since forwarding lagged behind; the store has them.",
	})
}

// Addr is the address that it listens on.
func (b *Broker) Addr() net.Addr { return b.door.Addr() }

// Publish sends a message of the daemon's own to all who subscribe to it, and
// with retain to all who will. It is for anything below "outyard/".
func (b *Broker) Publish(topic string, payload []byte, retain bool) error {
	if err := b.server.Publish(topic, payload, retain, 1); err != nil {
		return fmt.Errorf("publish %s: %w", topic, err)
	}
	return nil
}

// Run serves until ctx ends. Then it takes nothing more, lets what was taken
// be acknowledged, says "down" and closes all connections.
func (b *Broker) Run(ctx context.Context) error {
	forwarding, stopForwarding := context.WithCancel(context.Background())
	var forwarder sync.WaitGroup
	forwarder.Go(func() { b.forward(forwarding) })
	if b.cfg.Nodes != nil {
		b.guests.look()
		forwarder.Go(func() { b.guests.watch(forwarding) })
	}
	defer forwarder.Wait()
	defer stopForwarding()

	if err := b.Publish(collector.StateTopic, []byte("up"), true); err != nil {
		return errors.Join(err, b.door.Close())
	}
	if err := b.server.Serve(); err != nil {
		return errors.Join(fmt.Errorf("serve MQTT: %w", err), b.door.Close())
	}
	<-ctx.Done()

	b.mu.Lock()
	b.closing = true
	if b.unacked == 0 {
		close(b.settled)
	}
	b.mu.Unlock()
	timer := time.NewTimer(b.cfg.StopWithin)
	defer timer.Stop()
	select {
	case <-b.settled:
	case <-timer.C:
		b.log.Warn("stop without acknowledging what the store has not confirmed; its senders will send it again")
	}
	b.mu.Lock()
	b.closed = true
	b.mu.Unlock()
	b.writers.Wait()

	b.door.hurry()
	b.sayDown()
	return b.server.Close()
}

// A leaving listener sends its clients away itself when it is closed. The
// server's own way reads the list of its clients under a lock that it takes
// twice, and so waits for ever where a client leaves by itself in between.
type leaving struct {
	*listeners.Net
	b *Broker
}

func (l leaving) Close(listeners.CloseFn) { l.Net.Close(l.b.sendAway) }

// sendAway disconnects the clients of a listener.
func (b *Broker) sendAway(listener string) {
	for id, cl := range b.server.Clients.GetAll() {
		if cl.Net.Listener != listener || cl.Closed() {
			continue
		}
		// It answers with the reason that it was given, too.
		if err := b.server.DisconnectClient(cl, packets.ErrServerShuttingDown); err != nil {
			b.log.Debug("disconnect", "client", id, "error", err)
		}
	}
}

// sayDown tells those who watch our state. It writes to them itself, since
// what is queued for them now would go down with the connections.
func (b *Broker) sayDown() {
	for id := range b.server.Topics.Subscribers(collector.StateTopic).Subscriptions {
		cl, ok := b.server.Clients.Get(id)
		if !ok || cl.Net.Inline || cl.Closed() {
			continue
		}
		err := cl.WritePacket(packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Publish},
			TopicName: collector.StateTopic, Payload: []byte("down")})
		if err != nil {
			b.log.Debug("say down", "client", id, "error", err)
		}
	}
}

// bringsReadings says whether a topic is one of readings.
func (b *Broker) bringsReadings(topic string) bool {
	return strings.HasPrefix(topic, b.cfg.Prefix+"yards/") || b.cfg.Mappings.Matches(topic)
}

// take hands a publication to the intake.
func (b *Broker) take(cl *mqtt.Client, pk packets.Packet) {
	b.mu.Lock()
	if b.closing {
		b.mu.Unlock()
		return
	}
	b.unacked++
	b.mu.Unlock()

	a, _ := b.ackers.Load(cl)
	to, _ := a.(*acker)
	id, qos, topic, payload := pk.PacketID, pk.FixedHeader.Qos, pk.TopicName, pk.Payload
	taken := b.intake.Take(collector.Message{Topic: topic, Payload: payload, Arrived: b.now(), Ack: func() {
		if qos > 0 && to != nil {
			to.ack(id, qos)
		}
		if b.bringsReadings(topic) && atomic.LoadInt64(&b.server.Info.Subscriptions) > 0 {
			select {
			case b.forwards <- forward{topic, payload, qos}:
			default:
				b.forwardsDropped.Inc()
			}
		}
		b.settle()
	}})
	if !taken {
		b.settle()
	}
}

// settle counts a publication as done with.
func (b *Broker) settle() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unacked--
	if b.closing && b.unacked == 0 {
		close(b.settled)
	}
}

// A forward is a kept publication on its way to other subscribers.
type forward struct {
	topic   string
	payload []byte
	qos     byte
}

// forward sends kept publications on. It has a goroutine of its own, since the
// server waits for a subscriber of QoS 1 that is being written to.
func (b *Broker) forward(ctx context.Context) {
	for {
		select {
		case f := <-b.forwards:
			if err := b.server.Publish(f.topic, f.payload, false, f.qos); err != nil {
				b.log.Debug("forward", "topic", f.topic, "error", err)
			}
		case <-ctx.Done():
			return
		}
	}
}

// An acker writes the acks of one connection. Those that come due while it
// writes go out together in one write.
type acker struct {
	b  *Broker
	cl *mqtt.Client

	mu      sync.Mutex
	due     []dueAck
	writing bool
}

type dueAck struct {
	id  uint16
	qos byte
}

func (a *acker) ack(id uint16, qos byte) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.cl.Closed() {
		return // its session sends the message again, and is told then
	}
	a.due = append(a.due, dueAck{id, qos})
	if a.writing {
		return
	}
	a.b.mu.Lock()
	defer a.b.mu.Unlock()
	if a.b.closed {
		return
	}
	a.writing = true
	a.b.writers.Go(a.write)
}

func (a *acker) write() {
	var due []dueAck
	var out []byte
	for {
		a.mu.Lock()
		due, a.due = a.due, due[:0]
		if len(due) == 0 {
			a.due, a.writing = nil, false
			a.mu.Unlock()
			return
		}
		a.mu.Unlock()
		out = out[:0]
		for _, d := range due {
			out = a.append(out, d)
		}
		a.cl.Lock() // whole packets, not in the midst of another
		_, err := a.cl.Net.Conn.Write(out)
		a.cl.Unlock()
		if err != nil {
			a.cl.Stop(err)
			continue
		}
		atomic.AddInt64(&a.b.server.Info.BytesSent, int64(len(out)))
		atomic.AddInt64(&a.b.server.Info.PacketsSent, int64(len(due)))
	}
}

// append appends the packet that an ack is, the same in MQTT 3.1.1 and 5: a
// reason of success and no properties may be left out (MQTT 5.0 §3.4.2.1,
// §3.5.2.1).
func (a *acker) append(out []byte, d dueAck) []byte {
	if d.qos == 1 {
		return append(out, packets.Puback<<4, 2, byte(d.id>>8), byte(d.id))
	}
	// The server answers the PUBREL to come with a PUBCOMP of success only
	// for an id that it knows to be in the midst of QoS 2.
	rec := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Pubrec}, PacketID: d.id, Created: a.b.now().Unix()}
	if a.cl.State.Inflight.Set(rec) {
		atomic.AddInt64(&a.b.server.Info.Inflight, 1)
	}
	return append(out, packets.Pubrec<<4, 2, byte(d.id>>8), byte(d.id))
}

// A hook is what the server asks about each client and publication.
type hook struct {
	mqtt.HookBase
	b *Broker
}

func (h *hook) ID() string { return "outyard" }

func (h *hook) Provides(what byte) bool {
	return bytes.IndexByte([]byte{mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnSessionEstablished,
		mqtt.OnDisconnect, mqtt.OnACLCheck, mqtt.OnPublish}, what) >= 0
}

// OnConnect finds out who it is. It answers itself, since upon OnConnectAuthenticate
// the server has one answer only.
func (h *hook) OnConnect(cl *mqtt.Client, pk packets.Packet) error {
	h.b.mu.Lock()
	closing := h.b.closing
	h.b.mu.Unlock()
	code := packets.ErrServerUnavailable
	if !closing {
		code = h.b.guests.admit(cl, pk)
	}
	if code != packets.CodeSuccess {
		return errors.Join(code, h.b.server.SendConnack(cl, code, false, nil))
	}
	user := guestOf(cl.Net.Conn).user
	// Each node has client ids of its own, or one could take another's
	// session, or send it away. A name has no colon, so none are the same.
	cl.ID = user + ":" + cl.ID
	if user != "" {
		// Its session ends with its connection: it publishes, and what it was
		// not told is on the pages. So no node can fill the memory with
		// sessions that it leaves behind.
		cl.Properties.Clean = true
		cl.Properties.Props.SessionExpiryInterval = 0
		cl.Properties.Will.WillDelayInterval = 0
	}
	h.checkWill(cl)
	return nil
}

// checkWill takes away a last will that its client may not publish, which the
// server would not ask about, and lets none be retained.
func (h *hook) checkWill(cl *mqtt.Client) {
	will := &cl.Properties.Will
	if atomic.LoadUint32(&will.Flag) == 0 {
		return
	}
	if !h.b.bringsReadings(will.TopicName) || !h.OnACLCheck(cl, will.TopicName, true) || h.outside(cl, will.TopicName, will.Payload) != nil {
		h.b.log.Debug("last will dropped", "client", cl.ID, "topic", will.TopicName)
		*will = mqtt.Will{}
	}
	will.Retain = false
}

// OnConnectAuthenticate is asked after OnConnect, which lets in only whom it
// knows.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, _ packets.Packet) bool {
	return guestOf(cl.Net.Conn) != nil
}

// OnSessionEstablished comes when all that could still go wrong has not.
func (h *hook) OnSessionEstablished(cl *mqtt.Client, _ packets.Packet) {
	h.b.ackers.Store(cl, &acker{b: h.b, cl: cl})
}

func (h *hook) OnDisconnect(cl *mqtt.Client, _ error, _ bool) { h.b.ackers.Delete(cl) }

// OnACLCheck says what a client may read, where topic may be a filter too, and
// write. Without a name it may do all that a node of this machine needs; what is
// written is sorted further by the intake: see the package comment.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	who := guestOf(cl.Net.Conn)
	switch {
	case cl.Net.Inline:
		return true
	case who == nil:
		return false
	case !write:
		return who.user == "" || h.b.guests.mayRead(who.user, topic)
	case strings.HasPrefix(topic, collector.OwnTopics) || strings.HasPrefix(topic, "$"):
		return false
	case who.user == "" || h.b.guests.mayWrite(who.user, topic):
		return true
	}
	h.tellOutside(cl, who.user, topic, "not a topic of its own")
	return false
}

// outside says why a message is none that its client may publish, by what is in
// it.
func (h *hook) outside(cl *mqtt.Client, topic string, payload []byte) error {
	who := guestOf(cl.Net.Conn)
	if who.user == "" {
		return nil
	}
	err := h.b.guests.mayPublish(who.user, topic, payload)
	if err != nil {
		h.tellOutside(cl, who.user, topic, err.Error())
	}
	return err
}

func (h *hook) tellOutside(cl *mqtt.Client, user, topic, why string) {
	h.b.turnedAway.WithLabelValues("publication").Inc()
	if ok, left := h.b.guests.told.allow(h.b.cfg.WallClock()); ok {
		h.b.log.Warn("node may not write there", "node", user, "topic", topic, "reason", why, "from", cl.Net.Remote, "not_logged_before", left)
	}
}

// OnPublish takes a publication. ErrRejectPacket is the one answer upon which
// the server sends no ack of its own: of every other error the server, after
// this hook, says that all is well, or on MQTT 5 what the error says.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline { // our own
		return pk, nil
	}
	if h.outside(cl, pk.TopicName, pk.Payload) != nil {
		h.refuse(cl, pk)
		return pk, packets.ErrRejectPacket
	}
	h.b.take(cl, pk)
	return pk, packets.ErrRejectPacket
}

// refuse answers a publication as the server does one to a topic that is not
// allowed (MQTT 5.0 §3.4.2.1, §3.5.2.1; MQTT 3.1.1 §3.3.5.2).
func (h *hook) refuse(cl *mqtt.Client, pk packets.Packet) {
	if pk.FixedHeader.Qos == 0 {
		return
	}
	if cl.Properties.ProtocolVersion < 5 {
		_ = h.b.server.DisconnectClient(cl, packets.ErrNotAuthorized) // it answers with the reason that it was given
		return
	}
	ack := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: pk.PacketID, ReasonCode: packets.ErrNotAuthorized.Code}
	if pk.FixedHeader.Qos == 2 {
		ack.FixedHeader.Type = packets.Pubrec
	}
	if err := cl.WritePacket(ack); err != nil {
		cl.Stop(err)
	}
}
