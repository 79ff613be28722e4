package broker

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"fmt"
	"net"
	"net/netip"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"outyard"
	"outyard/collector"
	"outyard/guessing"
)

// Nodes knows the nodes that may come in. What it says may change at any time,
// also by another process.
type Nodes interface {
	// NodesChanged counts their changes: while it stays the same, so do they.
	NodesChanged(context.Context) (int64, error)
	Nodes(context.Context) ([]outyard.Node, error)
}

// Bounds of guessing, and of what is remembered of it. What succeeds costs
// nothing, and an address that many nodes share is as good as any other.
const (
	// An address may be wrong about one node so often at once, and then once
	// in so long.
	wrongAboutOne, againAboutOne = 10, 10 * time.Second
	// And about all nodes together: a gateway may have many of them behind it.
	wrongAtAll, againAtAll = 100, time.Second
	mostRemembered         = 10_000
	logEvery               = 10 * time.Second
	lookWithin             = 5 * time.Second // for the list of nodes
	lookEvery              = time.Second
)

// guests knows who may come in.
type guests struct {
	b     *Broker
	known atomic.Pointer[map[string]outyard.Node]
	// perNode and perAddress slow guessing down.
	perNode, perAddress *guessing.Allowance
	told, failed        reporter

	mu    sync.Mutex // held to look whether the list is as it was
	times int64
	read  bool // the list has been read at least once

	stretching sync.Mutex // one secret at a time is worked out
	proofs     *proofs
}

func newGuests(b *Broker) *guests {
	g := &guests{b: b, perNode: guessing.NewAllowance(wrongAboutOne, againAboutOne, mostRemembered), perAddress: guessing.NewAllowance(wrongAtAll, againAtAll, mostRemembered),
		told: reporter{every: logEvery}, failed: reporter{every: logEvery}, proofs: newProofs()}
	g.known.Store(&map[string]outyard.Node{})
	return g
}

// node returns a node as it is now.
func (g *guests) node(user string) (outyard.Node, bool) {
	n, ok := (*g.known.Load())[user]
	return n, ok
}

// look reads the list of nodes if it has changed, and says whether it has.
// When that cannot be done, the list as it was holds.
func (g *guests) look() (changed bool) {
	if g.b.cfg.Nodes == nil {
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), lookWithin)
	defer cancel()
	times, err := g.b.cfg.Nodes.NodesChanged(ctx)
	if err == nil && g.read && times == g.times {
		return false
	}
	var nodes []outyard.Node
	if err == nil {
		nodes, err = g.b.cfg.Nodes.Nodes(ctx)
	}
	if err != nil {
		if ok, left := g.failed.allow(g.b.cfg.WallClock()); ok {
			g.b.log.Error("cannot look which nodes may come in: those known before may", "error", err, "not_logged_before", left)
		}
		return false
	}
	known := make(map[string]outyard.Node, len(nodes))
	for _, n := range nodes {
		known[n.User] = n
	}
	g.known.Store(&known)
	g.proofs.keep(known)
	g.times, g.read = times, true
	return true
}

// watch looks for changes until ctx ends, and sends away who may not stay. It
// does so once more a moment later, for whoever was just coming in.
func (g *guests) watch(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	again := false
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		changed := g.look()
		if changed || again {
			g.sendAway()
		}
		again = changed
	}
}

// sendAway disconnects nodes that are none any more, or have another secret.
func (g *guests) sendAway() {
	for _, cl := range g.b.server.Clients.GetAll() {
		who := guestOf(cl.Net.Conn)
		if cl.Net.Inline || who == nil || who.user == "" || cl.Closed() {
			continue
		}
		if n, ok := g.node(who.user); ok && (who.secret == "" || who.secret == n.Secret) {
			continue
		}
		g.b.log.Info("node sent away: it was removed, or has another secret now", "node", who.user)
		if err := g.b.server.DisconnectClient(cl, packets.ErrNotAuthorized); err != nil {
			g.b.log.Debug("disconnect", "client", cl.ID, "error", err)
		}
	}
}

// admit says whether a client may come in. If so its connection knows from then
// on who it is.
func (g *guests) admit(cl *mqtt.Client, pk packets.Packet) packets.Code {
	p, ok := cl.Net.Conn.(*porch)
	if !ok {
		return packets.ErrUnspecifiedError
	}
	user, secret := string(pk.Connect.Username), pk.Connect.Password
	named := pk.Connect.UsernameFlag && user != ""
	if g.b.cfg.NameFromCertificate {
		name := p.commonName()
		switch _, known := g.fresh(name); {
		case name == "":
			return g.turnAway(cl, "", "its certificate has no common name", packets.ErrNotAuthorized)
		case named && user != name:
			return g.turnAway(cl, "", "its certificate is another's", packets.ErrNotAuthorized)
		case !known:
			return g.turnAway(cl, "", "no node has the common name of its certificate", packets.ErrNotAuthorized)
		}
		p.guest.Store(&guest{user: name})
		return packets.CodeSuccess
	}
	if !named {
		if !g.b.anonymous {
			return g.turnAway(cl, "", "it has neither name nor secret", packets.ErrNotAuthorized)
		}
		p.guest.Store(&guest{})
		return packets.CodeSuccess
	}

	now, from := g.b.cfg.WallClock(), addressOf(p)
	about := from + " " + user
	if len(user) > 63 { // nobody's, and not to be remembered
		about = from
	}
	if g.perNode.Wait(about, now) > 0 || g.perAddress.Wait(from, now) > 0 {
		return g.turnAway(cl, user, "too many wrong secrets from its address: it has to wait", packets.ErrConnectionRateExceeded)
	}
	n, known := g.fresh(user)
	if !known || !g.isSecret(n, secret) {
		g.perNode.Spend(about, now)
		g.perAddress.Spend(from, now)
		why := "wrong secret"
		if !known {
			why, user = "no node of that name", ""
		}
		return g.turnAway(cl, user, why, packets.ErrBadUsernameOrPassword)
	}
	p.guest.Store(&guest{user: user, secret: n.Secret})
	return packets.CodeSuccess
}

// fresh returns a node as it is in the store.
func (g *guests) fresh(user string) (outyard.Node, bool) {
	g.look()
	return g.node(user)
}

// turnAway logs, now and then, who is not let in. A name that no node has is not
// logged: it may be a secret in the wrong place.
func (g *guests) turnAway(cl *mqtt.Client, node, why string, code packets.Code) packets.Code {
	g.b.turnedAway.WithLabelValues("connection").Inc()
	if ok, left := g.told.allow(g.b.cfg.WallClock()); ok {
		id := cl.ID
		if len(id) > 64 {
			id = id[:64]
		}
		g.b.log.Warn("node not let in", "reason", why, "node", node, "client", id, "from", cl.Net.Remote, "not_logged_before", left)
	}
	if cl.Properties.ProtocolVersion < 5 { // MQTT 3.1.1 §3.2.2.3 has six codes only
		switch code {
		case packets.ErrConnectionRateExceeded:
			return packets.ErrServerUnavailable
		case packets.ErrNotAuthorized:
			return packets.ErrBadUsernameOrPassword // the server makes "not authorized" of it
		}
	}
	return code
}

// isSecret says whether a node's secret is that. One that is dear to work out
// is worked out once.
func (g *guests) isSecret(n outyard.Node, secret []byte) bool {
	if isMade(n.Secret) {
		return isSecret(secret, n.Secret)
	}
	if g.proofs.has(n, secret) {
		return true
	}
	g.stretching.Lock()
	defer g.stretching.Unlock()
	if g.proofs.has(n, secret) { // another connection of it was first
		return true
	}
	if !isSecret(secret, n.Secret) {
		return false
	}
	g.proofs.add(n, secret)
	return true
}

// addressOf is where a connection comes from: an IPv6 network of /64 is one
// place, since each may take any address in its own.
func addressOf(c net.Conn) string {
	at, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return c.RemoteAddr().String()
	}
	return guessing.Place(at.Addr())
}

// proofs are the secrets that have been worked out, under a key of this process
// alone, one a node at most.
type proofs struct {
	key []byte

	mu    sync.Mutex
	found map[string]proof // by node
}

type proof struct {
	hash string // that it was held against
	mac  []byte
}

func newProofs() *proofs {
	p := &proofs{key: make([]byte, 32), found: map[string]proof{}}
	_, _ = rand.Read(p.key) // it never fails: crypto/rand ends the program first
	return p
}

func (p *proofs) mac(secret []byte) []byte {
	m := hmac.New(sha256.New, p.key)
	m.Write(secret)
	return m.Sum(nil)
}

func (p *proofs) has(n outyard.Node, secret []byte) bool {
	p.mu.Lock()
	f := p.found[n.User]
	p.mu.Unlock()
	return f.hash == n.Secret && f.mac != nil && hmac.Equal(f.mac, p.mac(secret))
}

func (p *proofs) add(n outyard.Node, secret []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.found[n.User] = proof{n.Secret, p.mac(secret)}
}

// keep forgets what is of no node.
func (p *proofs) keep(known map[string]outyard.Node) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for user := range p.found {
		if _, ok := known[user]; !ok {
			delete(p.found, user)
		}
	}
}

// mayWrite says whether a user may write to a topic. Of a topic of mappings only
// the message says whose it is: mayPublish looks.
func (g *guests) mayWrite(user, topic string) bool {
	n, ok := g.node(user)
	if !ok {
		return false
	}
	rest, ok := strings.CutPrefix(topic, g.b.cfg.Prefix+"yards/")
	if !ok {
		return g.b.cfg.Mappings.Matches(topic)
	}
	id, rest, _ := strings.Cut(rest, "/")
	yard := outyard.YardID(id)
	if n.MayWriteAll(yard) {
		return true // and a mistyped rest is kept as refused, and told
	}
	hive, ok := strings.CutPrefix(rest, "hives/")
	return ok && hive != "" && n.MayWrite(yard, outyard.HiveID(hive))
}

// mayPublish says why a user may not publish a message under a topic that it
// may write to. A message that no place can be told from passes: it is kept as
// refused, with the reason, and is no reading.
func (g *guests) mayPublish(user, topic string, payload []byte) error {
	if strings.HasPrefix(topic, g.b.cfg.Prefix+"yards/") {
		return nil
	}
	places, err := g.b.cfg.Mappings.Places(topic, payload)
	if err != nil {
		return nil
	}
	n, _ := g.node(user)
	for _, at := range places {
		if !n.MayWrite(at.Yard, at.Hive) {
			return fmt.Errorf("it is about %s", outyard.Ground(at))
		}
	}
	return nil
}

const findings = collector.OwnTopics + "findings/"

// mayRead says whether a user may read what a filter matches: the daemon's state
// and the findings of its own ground.
func (g *guests) mayRead(user, filter string) bool {
	n, ok := g.node(user)
	if !ok {
		return false
	}
	if filter == collector.StateTopic {
		return true
	}
	rest, ok := strings.CutPrefix(filter, findings)
	if !ok {
		return false
	}
	yard, hive, _ := strings.Cut(rest, "/")
	return n.MayWriteAll(outyard.YardID(yard)) || hive != "" && n.MayWrite(outyard.YardID(yard), outyard.HiveID(hive))
}
