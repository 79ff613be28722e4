package client

import (
	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A pending store holds what the broker has not confirmed yet, in memory. It
// takes and gives copies: after a connection is back, the library marks what
// the store gives out as sent again, and would so write to a packet that is on
// its way out just then.
type pending struct{ paho.Store }

func newPending() pending { return pending{paho.NewMemoryStore()} }

func (s pending) Put(key string, p packets.ControlPacket) { s.Store.Put(key, copied(p)) }

func (s pending) Get(key string) packets.ControlPacket { return copied(s.Store.Get(key)) }

// copied is the packet, or a copy of it if it is of the kind that is marked.
func copied(p packets.ControlPacket) packets.ControlPacket {
	if pub, ok := p.(*packets.PublishPacket); ok {
		another := *pub
		return &another
	}
	return p
}
