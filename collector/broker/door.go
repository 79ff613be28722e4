package broker

import (
	"context"
	"crypto/tls"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// A door is a listener that sets bounds to what a connection may do: how many
// there are, how long one may take to introduce itself, and how long to read
// what it is sent. The server itself would wait for ever.
type door struct {
	net.Listener
	cfg *Config
	// held are the bytes of packets that are announced and not whole yet.
	held atomic.Int64

	mu    sync.Mutex
	open  map[*guarded]struct{}
	until time.Time // when all must be done, once hurried
}

// writeBuffer is what the system may hold for a client, in bytes.
const writeBuffer = 64 << 10

// Accept turns away connections beyond the bound.
func (d *door) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		g := &guarded{Conn: c, door: d}
		if d.enter(g) {
			if d.cfg.TLS != nil { // the handshake is part of the introduction
				return &porch{Conn: tls.Server(g, d.cfg.TLS), door: d}, nil
			}
			return &porch{Conn: g, door: d}, nil
		}
		_ = c.Close() // nothing was promised to it
	}
}

func (d *door) enter(g *guarded) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.open) >= d.cfg.MaxClients || !d.until.IsZero() {
		return false
	}
	// The server sets its own deadline, by the client's keep-alive, once the
	// client has introduced itself.
	if err := g.Conn.SetReadDeadline(d.cfg.WallClock().Add(d.cfg.ConnectWithin)); err != nil {
		return false
	}
	if tcp, ok := g.Conn.(*net.TCPConn); ok {
		// Else the system holds megabytes for a client that does not read.
		if err := tcp.SetWriteBuffer(writeBuffer); err != nil {
			return false
		}
	}
	d.open[g] = struct{}{}
	return true
}

// hurry gives all connections a second to finish.
func (d *door) hurry() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.until = d.cfg.WallClock().Add(time.Second)
	for g := range d.open {
		_ = g.Conn.SetDeadline(d.until) // fails where it is closed already
	}
}

// latest is t, or the moment when all must be done, if that is sooner.
func (d *door) latest(t time.Time) time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.until.IsZero() && (t.IsZero() || t.After(d.until)) { // zero: never
		return d.until
	}
	return t
}

// A guarded connection is closed when its client does not read.
type guarded struct {
	net.Conn
	door *door

	mu   sync.Mutex
	last time.Time // for writing, once somebody has set it
}

// Write closes the connection if it fails: part of a packet may be out.
func (g *guarded) Write(b []byte) (int, error) {
	until := g.door.latest(g.door.cfg.WallClock().Add(g.door.cfg.WriteWithin))
	g.mu.Lock()
	if !g.last.IsZero() && g.last.Before(until) {
		until = g.last
	}
	g.mu.Unlock()
	if err := g.Conn.SetWriteDeadline(until); err != nil {
		return 0, err
	}
	n, err := g.Conn.Write(b)
	if err != nil {
		_ = g.Close() // the first error is the one to tell
	}
	return n, err
}

// SetDeadline sets that for reading alone. The server moves it on with each
// packet it reads, and would so give a client that sends, but does not read,
// for ever to do it.
func (g *guarded) SetDeadline(t time.Time) error { return g.Conn.SetReadDeadline(g.door.latest(t)) }

// SetWriteDeadline sets when the last of it must be written: TLS says goodbye
// when it is closed, and must not wait for who does not listen.
func (g *guarded) SetWriteDeadline(t time.Time) error {
	g.mu.Lock()
	g.last = t
	g.mu.Unlock()
	return g.Conn.SetWriteDeadline(t)
}

func (g *guarded) Close() error {
	g.door.mu.Lock()
	delete(g.door.open, g)
	g.door.mu.Unlock()
	return g.Conn.Close()
}

// quiet passes on what the server logs, as news for whoever looks for it: to
// it each connection is an event and each lost one a warning. Packets are left
// out, which may hold secrets.
type quiet struct{ slog.Handler }

func (q quiet) Enabled(ctx context.Context, level slog.Level) bool {
	return q.Handler.Enabled(ctx, lowered(level))
}

func lowered(level slog.Level) slog.Level {
	if level < slog.LevelError {
		return slog.LevelDebug
	}
	return level
}

func (q quiet) Handle(ctx context.Context, r slog.Record) error {
	out := slog.NewRecord(r.Time, lowered(r.Level), "mqtt: "+r.Message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		if a.Key != "pk" && a.Key != "packet" {
			out.AddAttrs(a)
		}
		return true
	})
	return q.Handler.Handle(ctx, out)
}

func (q quiet) WithAttrs(attrs []slog.Attr) slog.Handler { return quiet{q.Handler.WithAttrs(attrs)} }

func (q quiet) WithGroup(name string) slog.Handler { return quiet{q.Handler.WithGroup(name)} }
