// Package client takes readings from an MQTT broker of the keeper's own, for
// those who have one. It exists beside collector/broker because such a broker
// may be shared, may be elsewhere, and must not lose what it holds while we
// are away.
//
// It subscribes at QoS 1 in a session that outlives the connection, under a
// fixed client id, and acknowledges a publication only once it is kept: what
// was not, the broker sends again. How much a broker holds for us meanwhile is
// its own setting. Mosquitto sends no more than 20 unacknowledged and drops
// what it queues beyond 1,000 unless told "max_inflight_messages 0" and
// "max_queued_messages 0" (or a high bound), and forgets all of it when it is
// restarted without "persistence true". To a node, such a broker acknowledges
// before we have seen anything: that promise is the broker's.
package client

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"

	"outyard"
	"outyard/collector"
	"outyard/collector/mapping"
)

// Intake is where publications go. It calls a message's Ack once it is kept.
type Intake interface {
	Take(collector.Message) bool
}

// Config is what a Client needs to know.
type Config struct {
	// URL is the broker's: tcp, tls, ws or wss, with user and password in it
	// where the broker wants them.
	URL string
	// ClientID names the session at the broker: "outyard" by default. Two
	// daemons at one broker need two.
	ClientID string
	Prefix   string       // goes before "yards/" in topics
	Mappings *mapping.Set // whose topics are subscribed to as well; may be nil
	// Yards, if not nil, are those whose readings are subscribed to, for one
	// of several daemons that share the broker's yards: those of all by default.
	Yards func() []outyard.YardID
	// TLS makes what a connection of tls or wss is encrypted by, anew for each;
	// nil: the system's roots, TLS 1.2 and up.
	TLS func() *tls.Config
	// StopWithin is how long a stop waits for acks that are due: 10 s.
	StopWithin time.Duration
}

// ports by scheme: of IANA's registry, and as usual for web sockets.
var ports = map[string]string{"tcp": "1883", "mqtt": "1883", "tls": "8883", "ssl": "8883", "mqtts": "8883", "ws": "80", "wss": "443"}

// PortOf is the port that is meant where an address of that scheme names none.
func PortOf(scheme string) string { return ports[scheme] }

const (
	// keepAlive is how often an idle connection is proved; the broker says
	// "down" for us when 1.5 times of it have passed in silence (MQTT 3.1.1
	// §3.1.2.10).
	keepAlive    = 30 * time.Second
	answerWithin = 10 * time.Second // what a broker may take to answer
	maxReconnect = 30 * time.Second
)

// A Client is the daemon as a client of a broker.
type Client struct {
	cfg    Config
	shown  string // the URL, without its password
	state  string // the topic of our state
	intake Intake
	now    func() time.Time
	log    *slog.Logger
	paho   paho.Client
	slow   time.Duration // for an answer to a subscription: then it is said

	mu       sync.Mutex
	health   error
	stopping bool
	unacked  int           // taken and not acknowledged yet
	settled  chan struct{} // closed when stopping and unacked is 0
	due      []func()      // acks to be sent
	wake     chan struct{} // something is due

	subscribing sync.Mutex
	subscribed  []string // what the broker is known to have of us
}

// New makes a client. It connects once Run runs.
func New(cfg Config, intake Intake, now func() time.Time, log *slog.Logger, reg prometheus.Registerer) (*Client, error) {
	u, err := address(cfg.URL)
	if err != nil {
		return nil, err
	}
	state := collector.StateTopicOf(cfg.ClientID)
	cfg.ClientID = cmp.Or(cfg.ClientID, collector.DefaultClientID)
	cfg.StopWithin = cmp.Or(cfg.StopWithin, 10*time.Second)
	if cfg.TLS == nil {
		cfg.TLS = defaultTLS
	}
	c := &Client{cfg: cfg, shown: u.Redacted(), state: state, intake: intake, now: now, log: log,
		slow: answerWithin, settled: make(chan struct{}), wake: make(chan struct{}, 1)}
	c.health = fmt.Errorf("broker %s: not connected yet", c.shown)
	if cfg.Yards != nil { // the session may be of before that was so
		c.subscribed = []string{collector.ReadingsFilter(cfg.Prefix)}
	}

	opts := paho.NewClientOptions()
	opts.AddBroker(u.String())
	opts.SetClientID(cfg.ClientID)
	opts.SetTLSConfig(cfg.TLS())
	opts.SetConnectionAttemptHandler(func(*url.URL, *tls.Config) *tls.Config { return cfg.TLS() })
	opts.SetProtocolVersion(4) // MQTT 3.1.1
	opts.SetCleanSession(false)
	opts.SetStore(newPending())
	opts.SetKeepAlive(keepAlive)
	opts.SetPingTimeout(answerWithin)
	opts.SetConnectTimeout(answerWithin)
	opts.SetWriteTimeout(answerWithin)
	if !opensItself(u.Scheme) {
		opts.SetCustomOpenConnectionFn(opener(cfg.TLS))
	}
	opts.SetAutoReconnect(true)
	opts.SetMaxReconnectInterval(maxReconnect)
	opts.SetWill(state, "down", 1, true)
	// Else the library acknowledges as soon as the handler returns.
	opts.SetAutoAckDisabled(true)
	// In order, one after the other: the handler blocks while the intake is
	// full, which makes the broker wait. Out of order each message would have
	// a goroutine of its own, as many as the broker cares to send.
	opts.SetOrderMatters(true)
	// The default handler, since the broker sends what it held for us before
	// we have subscribed anew.
	opts.SetDefaultPublishHandler(c.take)
	opts.SetOnConnectHandler(c.connected)
	opts.SetConnectionLostHandler(func(_ paho.Client, err error) {
		c.setHealth(fmt.Errorf("broker %s: connection lost: %w", c.shown, err))
		c.log.Warn("connection to broker lost", "broker", c.shown, "error", err)
	})
	c.paho = paho.NewClient(opts)
	promauto.With(reg).NewGaugeFunc(prometheus.GaugeOpts{
		Name: "outyard_client_up",
		Help: "1 while the broker is connected and sends us what nodes publish.",
	}, func() float64 {
		if c.Healthy() == nil {
			return 1
		}
		return 0
	})
	return c, nil
}

// address reads a broker's, and gives it the port that is usual where it has none.
func address(broker string) (*url.URL, error) {
	u, err := url.Parse(broker)
	if err != nil {
		return nil, errors.New("broker address is no URL: want one such as tls://broker.example:8883") // err would show a password
	}
	port, known := ports[u.Scheme]
	if !known || u.Hostname() == "" {
		return nil, fmt.Errorf("broker address %s: want tcp, tls, ws or wss and a host, such as tls://broker.example:8883", u.Redacted())
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

func defaultTLS() *tls.Config { return &tls.Config{MinVersion: tls.VersionTLS12} }

// Healthy says why nothing comes from the broker, if so.
func (c *Client) Healthy() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.health
}

func (c *Client) setHealth(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.health = err
}

// Publish sends a message of the daemon's own, and waits until the broker has
// it. It is for anything below "outyard/".
func (c *Client) Publish(topic string, payload []byte, retain bool) error {
	if err := c.wait(c.paho.Publish(topic, 1, retain, payload)); err != nil {
		return fmt.Errorf("publish %s at broker %s: %w", topic, c.shown, err)
	}
	return nil
}

func (c *Client) wait(token paho.Token) error {
	if !token.WaitTimeout(answerWithin) {
		return fmt.Errorf("no answer within %s", answerWithin)
	}
	return token.Error()
}

// connected runs after each connect. It subscribes each time: the broker may
// have lost the session.
func (c *Client) connected(paho.Client) {
	if !c.refilter() {
		return
	}
	if err := c.Publish(c.state, []byte("up"), true); err != nil {
		c.log.Warn("say up", "error", err)
	}
}

// filters are the topics that readings come under.
func (c *Client) filters() []string {
	if c.cfg.Yards == nil {
		return append([]string{collector.ReadingsFilter(c.cfg.Prefix)}, c.cfg.Mappings.Filters()...)
	}
	var filters []string
	for _, yard := range c.cfg.Yards() {
		filters = append(filters, collector.YardFilter(c.cfg.Prefix, yard))
	}
	return append(filters, c.cfg.Mappings.Filters()...)
}

// Refilter subscribes to what yards and mappings are now, and no longer to what
// they were, if we are connected: else that happens at the next connect. It
// returns false when the broker would not have it, which is said where it looks
// for our health.
func (c *Client) Refilter() bool { return !c.paho.IsConnectionOpen() || c.refilter() }

func (c *Client) refilter() bool {
	c.subscribing.Lock()
	defer c.subscribing.Unlock()
	filters := c.filters()
	err := c.subscribe(filters)
	if err != nil {
		err = fmt.Errorf("broker %s: %w", c.shown, err)
		c.setHealth(err)
		c.log.Error("cannot subscribe", "error", err)
		return false
	}
	c.unsubscribe(slices.DeleteFunc(c.subscribed, func(f string) bool { return slices.Contains(filters, f) }))
	c.subscribed = filters
	c.setHealth(nil)
	c.log.Info("connected to broker", "broker", c.shown, "subscribed", filters)
	return true
}

// unsubscribe takes topics off. What comes under them all the same, should the
// broker not do it, is kept as unplaced.
func (c *Client) unsubscribe(filters []string) {
	if len(filters) == 0 {
		return
	}
	if err := c.wait(c.paho.Unsubscribe(filters...)); err != nil {
		c.log.Warn("broker does not confirm that it sends no more of what was taken off", "broker", c.shown, "unsubscribed", filters, "error", err)
	}
}

// subscribe asks for all that the filters match, and is content with nothing
// less.
func (c *Client) subscribe(filters []string) error {
	const atLeastOnce = 1 // QoS
	if len(filters) == 0 {
		return nil
	}
	wanted := make(map[string]byte, len(filters))
	for _, f := range filters {
		wanted[f] = atLeastOnce
	}
	// The answer comes behind what the broker held for us while we were away,
	// however long that takes. A connection that is lost ends the wait.
	token := c.paho.SubscribeMultiple(wanted, nil)
	if !token.WaitTimeout(c.slow) {
		c.setHealth(fmt.Errorf("broker %s: connected, and has not confirmed yet that it will send us what nodes publish", c.shown))
		c.log.Warn("broker has not confirmed the subscription yet; what it held for us may come first", "broker", c.shown, "subscribed", filters)
		<-token.Done()
	}
	if err := token.Error(); err != nil {
		return fmt.Errorf("subscribe to %s: %w", strings.Join(filters, ", "), err)
	}
	return granted(token, filters)
}

// granted says whether a broker has let us have what we subscribed to.
func granted(token paho.Token, filters []string) error {
	const refused = 0x80 // MQTT 3.1.1 §3.9.3
	sub, ok := token.(*paho.SubscribeToken)
	for _, f := range filters {
		if ok && sub.Result()[f] == refused {
			return fmt.Errorf("subscribe to %s: not allowed: let our user read it", f)
		}
	}
	return nil
}

// take hands a publication to the intake.
func (c *Client) take(_ paho.Client, m paho.Message) {
	c.mu.Lock()
	if c.stopping {
		c.mu.Unlock()
		return // the broker keeps it for the next start
	}
	c.unacked++
	c.mu.Unlock()
	taken := c.intake.Take(collector.Message{Topic: m.Topic(), Payload: m.Payload(), Arrived: c.now(), Retained: m.Retained(), Ack: func() {
		c.mu.Lock()
		c.due = append(c.due, m.Ack)
		c.mu.Unlock()
		select {
		case c.wake <- struct{}{}:
		default:
		}
	}})
	if !taken {
		c.settle(1)
	}
}

// acknowledge sends the acks that are due. It has a goroutine of its own,
// since the library writes each before it returns.
func (c *Client) acknowledge(ctx context.Context) {
	for {
		select {
		case <-c.wake:
		case <-ctx.Done():
			return
		}
		c.mu.Lock()
		due := c.due
		c.due = nil
		c.mu.Unlock()
		for _, ack := range due {
			ack() // of a connection that is gone: nothing, and it is sent again
		}
		c.settle(len(due))
	}
}

func (c *Client) settle(n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.unacked -= n
	if c.stopping && c.unacked == 0 && n > 0 {
		close(c.settled)
	}
}

// Run connects, and again whenever the connection is lost, until ctx ends.
// Then it takes nothing more, sends the acks that are due, says "down" and
// leaves; the broker keeps the session.
func (c *Client) Run(ctx context.Context) error {
	acking, stopAcking := context.WithCancel(context.Background())
	var acker sync.WaitGroup
	acker.Go(func() { c.acknowledge(acking) })
	defer acker.Wait()
	defer stopAcking()

	if !c.connect(ctx) {
		return nil
	}
	<-ctx.Done()

	c.mu.Lock()
	c.stopping = true
	if c.unacked == 0 {
		close(c.settled)
	}
	c.mu.Unlock()
	timer := time.NewTimer(c.cfg.StopWithin)
	defer timer.Stop()
	select {
	case <-c.settled:
	case <-timer.C:
		c.log.Warn("stop without acknowledging what the store has not confirmed; the broker will send it again")
	}
	if c.paho.IsConnectionOpen() { // a clean leave is one after which no last will is sent
		if err := c.Publish(c.state, []byte("down"), true); err != nil {
			c.log.Warn("say down", "error", err)
		}
	}
	const quiesceMillis = 250 // for packets that are being written
	c.paho.Disconnect(quiesceMillis)
	return nil
}

// connect connects for the first time; the library does it after that. It
// returns false if ctx ends before.
func (c *Client) connect(ctx context.Context) bool {
	for wait := time.Second; ; wait = min(2*wait, maxReconnect) {
		token := c.paho.Connect()
		select {
		case <-token.Done():
		case <-ctx.Done():
			c.paho.Disconnect(0)
			return false
		}
		err := token.Error()
		if err == nil {
			return true
		}
		c.setHealth(fmt.Errorf("broker %s: %w", c.shown, err))
		c.log.Error("cannot connect to broker", "broker", c.shown, "error", err, "again_in", wait)
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return false
		}
	}
}
