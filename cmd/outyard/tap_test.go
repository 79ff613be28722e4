package main

import (
	"io"
	"net"
	"sync"
	"testing"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/require"
)

// A tap stands between the daemon and another's broker and hears which messages
// the broker hands over and which of them the daemon acknowledges.
type tap struct {
	t      *testing.T
	addr   string // for the daemon to connect to
	broker string

	mu           sync.Mutex
	acknowledged map[string]bool // by topic and payload
	handed       int             // messages handed over
	again        int             // of these, those that the broker had handed over before
}

// tapBroker listens on a free port for as long as the test runs.
func tapBroker(t *testing.T, broker string) *tap {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	tp := &tap{t: t, addr: listener.Addr().String(), broker: broker, acknowledged: map[string]bool{}}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			daemon, err := listener.Accept()
			if err != nil {
				return // the test is over
			}
			all.Go(func() { tp.carry(daemon) })
		}
	})
	t.Cleanup(func() {
		_ = listener.Close()
		all.Wait() // after the daemon and the broker, which were started later or end later
	})
	return tp
}

// carry hands on what the two say to each other until one of them is gone.
func (tp *tap) carry(daemon net.Conn) {
	defer daemon.Close()
	broker, err := net.Dial("tcp", tp.broker)
	if err != nil {
		return // stopped just now: the daemon will try again
	}
	defer broker.Close()
	// The daemon answers what it was handed, so what is under way is put down
	// before it is handed on.
	var mu sync.Mutex
	underWay := map[uint16]string{}
	var both sync.WaitGroup
	both.Go(func() {
		defer daemon.Close()
		handOn(daemon, broker, func(p packets.ControlPacket) {
			if m, ok := p.(*packets.PublishPacket); ok && m.Qos > 0 {
				mu.Lock()
				defer mu.Unlock()
				underWay[m.MessageID] = message(m.TopicName, string(m.Payload))
				tp.hand(m.Dup)
			}
		})
	})
	both.Go(func() {
		defer broker.Close()
		handOn(broker, daemon, func(p packets.ControlPacket) {
			if a, ok := p.(*packets.PubackPacket); ok {
				mu.Lock()
				defer mu.Unlock()
				tp.acknowledge(underWay[a.MessageID])
			}
		})
	})
	both.Wait()
}

// handOn lets hear have each packet before it goes on.
func handOn(to io.Writer, from io.Reader, hear func(packets.ControlPacket)) {
	for {
		p, err := packets.ReadPacket(from)
		if err != nil {
			return
		}
		hear(p)
		if p.Write(to) != nil {
			return
		}
	}
}

func message(topic, payload string) string { return topic + " " + payload }

func (tp *tap) hand(again bool) {
	tp.mu.Lock()
	defer tp.mu.Unlock()
	tp.handed++
	if again {
		tp.again++
	}
}

func (tp *tap) acknowledge(message string) {
	tp.mu.Lock()
	defer tp.mu.Unlock()
	tp.acknowledged[message] = true
}

func (tp *tap) count() (acknowledged, handed, again int) {
	tp.mu.Lock()
	defer tp.mu.Unlock()
	return len(tp.acknowledged), tp.handed, tp.again
}

// acked says whether the daemon has acknowledged a message.
func (tp *tap) acked(topic, payload string) bool {
	tp.mu.Lock()
	defer tp.mu.Unlock()
	return tp.acknowledged[message(topic, payload)]
}
