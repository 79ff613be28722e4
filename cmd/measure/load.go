package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"strconv"
	"sync"
	"time"

	"outyard"
	"outyard/collector/senml"
)

// The load: what 60 hives have gathered in some weeks out of reach, in order of
// time, each message a pack of four quantities.
const (
	loadYards       = 6
	loadHives       = 10 // in each
	loadConnections = 60 // nodes
	cadence         = 10 * time.Minute
	// window is how many messages a node sends ahead of their acks.
	window = 64
)

func loadYard(i int) outyard.YardID { return outyard.YardID(fmt.Sprintf("yard-%02d", i)) }
func loadHive(i int) outyard.HiveID { return outyard.HiveID(fmt.Sprintf("h%02d", i)) }

// invented is what a healthy hive of an ordinary weight sends: a daily swing,
// a slow gain, and a scale's noise, which is drawn from the numbers of hive and
// round alone. It is to cost next to nothing; seasons are the simulator's.
func invented(yard outyard.YardID, hive outyard.HiveID, n int, at time.Time) outyard.Reading {
	r := outyard.NewReading(yard, hive, at)
	unix := at.Unix()
	noise := uint64(unix)*0x9e3779b97f4a7c15 + uint64(n)*0xbf58476d1ce4e5b9
	noise ^= noise >> 29
	day := math.Sin(2 * math.Pi * float64(unix%86400) / 86400)
	r.Values[outyard.Weight] = 34 + float64(n%25) + float64(unix%31_536_000)/3e6 + 0.2*day + float64(noise%21)/1000
	r.Values[outyard.InsideTemp] = 34.5 + 0.2*day + float64(noise>>8%30)/100
	r.Values[outyard.InsideRH] = 60 + 4*day + float64(noise>>16%200)/100
	r.Values[outyard.Battery] = 3.9 + 0.05*day + float64(noise>>24%10)/1000
	for q, v := range r.Values {
		r.Values[q] = outyard.Quantity(q).Round(v)
	}
	return r
}

func topicOf(r outyard.Reading) string {
	if r.Hive == "" {
		return "yards/" + string(r.Yard) + "/weather"
	}
	return "yards/" + string(r.Yard) + "/hives/" + string(r.Hive)
}

// load publishes so many messages to a broker and says how it went. With a
// pace, in messages a second, it sends no faster than that.
func load(ctx context.Context, args []string) error {
	if len(args) != 3 {
		return errors.New("load: want ADDRESS MESSAGES PACE")
	}
	messages, err := strconv.Atoi(args[1])
	pace, err2 := strconv.Atoi(args[2])
	if err := errors.Join(err, err2); err != nil {
		return err
	}
	nodes, err := connectNodes(ctx, args[0], messages)
	if err != nil {
		return err
	}
	fmt.Println("ready")
	begun := time.Now()
	var acks []time.Duration
	if pace == 0 {
		err = flood(nodes)
	} else {
		acks, err = pacedLoad(ctx, nodes, pace)
	}
	if err != nil {
		return err
	}
	took := time.Since(begun)
	for _, n := range nodes {
		if err := n.leave(); err != nil {
			return err
		}
	}
	p99 := percentile(acks, 99)
	fmt.Printf("sent %g %g %g\n", took.Seconds(), percentile(acks, 50)/1e6, p99/1e6)
	return nil
}

// connectNodes connects the nodes and gives each its share of the messages.
func connectNodes(ctx context.Context, addr string, messages int) ([]*node, error) {
	nodes := make([]*node, loadConnections)
	for i := range nodes {
		var err error
		if nodes[i], err = dial(ctx, addr, fmt.Sprintf("node-%02d", i)); err != nil {
			return nil, err
		}
	}
	const hives = loadYards * loadHives
	rounds := (messages + hives - 1) / hives
	newest := time.Now().UTC().Truncate(cadence)
	for m := range messages {
		// A node's hives report one after another.
		round, hive := m/hives, m%hives
		at := newest.Add(-time.Duration(rounds-1-round)*cadence - time.Duration(hive)*time.Second)
		r := invented(loadYard(hive/loadHives), loadHive(hive%loadHives), hive, at)
		nodes[hive*loadConnections/hives].add(r)
	}
	return nodes, nil
}

// flood lets every node send all it has, as fast as it is acknowledged.
func flood(nodes []*node) error {
	var all sync.WaitGroup
	errs := make([]error, len(nodes))
	for i, n := range nodes {
		all.Go(func() { errs[i] = n.flood() })
	}
	all.Wait()
	return errors.Join(errs...)
}

// pacedLoad sends so many messages a second, one node after another, and
// returns how long each ack took.
func pacedLoad(ctx context.Context, nodes []*node, pace int) ([]time.Duration, error) {
	var readers sync.WaitGroup
	errs := make([]error, len(nodes))
	for i, n := range nodes {
		readers.Go(func() { errs[i] = n.readAcks() })
	}
	left := true
	begun := time.Now()
	for m := 0; left; {
		left = false
		for _, n := range nodes {
			if n.sent == len(n.packets) {
				continue
			}
			left = true
			if wait := time.Until(begun.Add(time.Duration(m) * time.Second / time.Duration(pace))); wait > 0 {
				select {
				case <-time.After(wait):
				case <-ctx.Done():
					return nil, context.Cause(ctx)
				}
			}
			if err := n.send(); err != nil {
				return nil, err
			}
			m++
		}
	}
	readers.Wait()
	var took []time.Duration
	for _, n := range nodes {
		took = append(took, n.took...)
	}
	return took, errors.Join(errs...)
}

// A node is a client that does no more than publish at QoS 1. Its packets are
// made before it sends, so that it takes little from what it loads.
type node struct {
	conn    net.Conn
	in      *bufio.Reader
	packets [][]byte
	sent    int

	mu     sync.Mutex
	sentAt []time.Time // in paced loads
	took   []time.Duration
}

// answerWithin is how long a broker may keep a node waiting.
const answerWithin = 30 * time.Second

// dial connects as MQTT 3.1.1 has it (§3.1, §3.2).
func dial(ctx context.Context, addr, id string) (*node, error) {
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", addr)
	if err != nil {
		return nil, err
	}
	n := &node{conn: conn, in: bufio.NewReaderSize(conn, 4<<10)}
	const connect, connack, cleanSession = 0x10, 0x20, 0x02
	packet := []byte{connect, byte(12 + len(id)), 0, 4, 'M', 'Q', 'T', 'T', 4, cleanSession, 0, 0, 0, byte(len(id))}
	answer := make([]byte, 4)
	_, err = conn.Write(append(packet, id...))
	if err == nil {
		err = n.read(answer)
	}
	if err == nil && (answer[0] != connack || answer[3] != 0) {
		err = fmt.Errorf("answered %x", answer)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("connect %s to %s: %w", id, addr, err), conn.Close())
	}
	return n, nil
}

func (n *node) read(b []byte) error {
	if err := n.conn.SetReadDeadline(time.Now().Add(answerWithin)); err != nil {
		return err
	}
	_, err := io.ReadFull(n.in, b)
	return err
}

// add gives the node a reading to send.
func (n *node) add(r outyard.Reading) {
	n.packets = append(n.packets, publication(topicOf(r), senml.Encode([]outyard.Reading{r}), packetID(len(n.packets))))
}

// packetID is the id of a node's message by its place: 1 to 65,535 in turn.
func packetID(place int) uint16 { return uint16(place%math.MaxUint16) + 1 }

// publication is a PUBLISH packet of QoS 1 (MQTT 3.1.1 §3.3).
func publication(topic string, payload []byte, id uint16) []byte {
	const publish, qos1 = 0x30, 0x02
	b := append(make([]byte, 0, 8+len(topic)+len(payload)), publish|qos1)
	b = binary.AppendUvarint(b, uint64(2+len(topic)+2+len(payload))) // the same scheme as §2.2.3
	b = binary.BigEndian.AppendUint16(b, uint16(len(topic)))
	b = append(b, topic...)
	b = binary.BigEndian.AppendUint16(b, id)
	return append(b, payload...)
}

// flood sends everything, a window ahead of the acks.
func (n *node) flood() error {
	var out []byte
	for acked := 0; acked < len(n.packets); {
		out = out[:0]
		for n.sent < len(n.packets) && n.sent-acked < window {
			out = append(out, n.packets[n.sent]...)
			n.sent++
		}
		if len(out) > 0 {
			if _, err := n.conn.Write(out); err != nil {
				return err
			}
		}
		for more := true; more; more = n.in.Buffered() >= 4 {
			if err := n.readAck(acked); err != nil {
				return err
			}
			acked++
		}
	}
	return nil
}

// readAck reads the ack of a message by its place: they come in order
// (MQTT 3.1.1 [MQTT-4.6.0-2]).
func (n *node) readAck(place int) error {
	const puback = 0x40
	ack := make([]byte, 4)
	if err := n.read(ack); err != nil {
		return fmt.Errorf("ack of message %d: %w", place+1, err)
	}
	if id := binary.BigEndian.Uint16(ack[2:]); ack[0] != puback || id != packetID(place) {
		return fmt.Errorf("ack of message %d: got %x", place+1, ack)
	}
	return nil
}

// send sends the next message and notes when.
func (n *node) send() error {
	n.mu.Lock()
	n.sentAt = append(n.sentAt, time.Now())
	n.mu.Unlock()
	_, err := n.conn.Write(n.packets[n.sent])
	n.sent++
	return err
}

// readAcks reads the acks of all messages and notes how long each took.
func (n *node) readAcks() error {
	for place := range n.packets {
		if err := n.readAck(place); err != nil {
			return err
		}
		n.mu.Lock()
		n.took = append(n.took, time.Since(n.sentAt[place]))
		n.mu.Unlock()
	}
	return nil
}

// leave disconnects (MQTT 3.1.1 §3.14).
func (n *node) leave() error {
	_, err := n.conn.Write([]byte{0xe0, 0})
	return errors.Join(err, n.conn.Close())
}
