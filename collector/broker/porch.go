package broker

import (
	"crypto/tls"
	"errors"
	"net"
	"sync/atomic"

	"github.com/mochi-mqtt/server/v2/packets"
)

// A porch is a connection as the server sees it, after TLS if there is any. It
// follows the packets as they come, since the server makes room for a whole
// packet as soon as it is announced: thousands who announce much and send
// nothing would fill the memory.
type porch struct {
	net.Conn
	door *door
	// guest is who it turned out to be, once it was let in.
	guest atomic.Pointer[guest]

	// Of the reading side alone:
	introduced bool   // the first packet, CONNECT, is whole
	header     []byte // of a packet, as far as it has come
	rest       int64  // bytes of the packet that are still to come

	held   atomic.Int64 // of the door's, for a packet that is not whole yet
	closed atomic.Bool
}

// A guest is who a connection is.
type guest struct {
	user   string // empty: nobody in particular
	secret string // the hash that the secret was held against; empty where a certificate was enough
}

// maxConnect is far more than what a client introduces itself with, in bytes:
// until it is known, nothing more is taken from it.
const maxConnect = 16 << 10

// maxHeld bounds the packets that are announced and not whole yet, of all
// connections together, in bytes: 64 backlogs of the largest size.
const maxHeld = 64 * maxPacket

var (
	errNoMQTT  = errors.New("what came is no MQTT CONNECT packet")
	errTooMuch = errors.New("introduced itself at too great a length")
	errNoRoom  = errors.New("too many packets are announced and not whole yet")
	errLength  = errors.New("length of a packet is malformed")
)

// Read reads, and follows the packets.
func (p *porch) Read(b []byte) (int, error) {
	n, err := p.Conn.Read(b)
	if wrong := p.follow(b[:n]); wrong != nil {
		return 0, wrong
	}
	return n, err
}

func (p *porch) follow(b []byte) error {
	for len(b) > 0 {
		if p.rest > 0 {
			n := min(p.rest, int64(len(b)))
			p.rest, b = p.rest-n, b[n:]
			if p.rest == 0 {
				p.whole()
			}
			continue
		}
		p.header = append(p.header, b[0])
		b = b[1:]
		if !p.introduced && p.header[0] != packets.Connect<<4 {
			return errNoMQTT
		}
		if len(p.header) == 1 || p.header[len(p.header)-1]&0x80 != 0 {
			if len(p.header) > 4 { // MQTT 5.0 §1.5.5: four bytes at most
				return errLength
			}
			continue
		}
		for i, c := range p.header[1:] {
			p.rest |= int64(c&0x7f) << (7 * i)
		}
		p.header = p.header[:0]
		if !p.introduced && p.rest > maxConnect {
			return errTooMuch
		}
		if p.rest == 0 {
			p.whole()
		} else if p.rest > int64(len(b)) { // the end is still to come
			if p.rest > maxPacket {
				continue // the server closes it, and makes no room
			}
			p.held.Store(p.rest)
			held := p.door.held.Add(p.rest)
			if p.closed.Load() { // meanwhile, and nobody would let go of it
				p.letGo()
			}
			if held > maxHeld {
				return errNoRoom
			}
		}
	}
	return nil
}

// whole notes that a packet has come to its end.
func (p *porch) whole() {
	p.introduced = true
	p.letGo()
}

func (p *porch) letGo() {
	if n := p.held.Swap(0); n > 0 {
		p.door.held.Add(-n)
	}
}

func (p *porch) Close() error {
	p.closed.Store(true)
	p.letGo()
	return p.Conn.Close()
}

// commonName is what a client's certificate calls it; empty where it has none.
// The certificate has been verified.
func (p *porch) commonName() string {
	c, ok := p.Conn.(*tls.Conn)
	if !ok {
		return ""
	}
	chains := c.ConnectionState().VerifiedChains
	if len(chains) == 0 {
		return ""
	}
	return chains[0][0].Subject.CommonName
}

// guestOf is who a client of the server is; nil before it was let in.
func guestOf(conn net.Conn) *guest {
	p, ok := conn.(*porch)
	if !ok {
		return nil
	}
	return p.guest.Load()
}
