package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"time"
)

// The limits that a slow or idle client meets, and how long requests under
// way may take once we are asked to stop.
const (
	headerTimeout = 5 * time.Second
	readTimeout   = 15 * time.Second
	writeTimeout  = 60 * time.Second
	idleTimeout   = 2 * time.Minute
	stopTimeout   = 5 * time.Second
	maxHeader     = 32 << 10
)

// limits are what a client meets that is slow, idle or one of very many.
type limits struct {
	header, read, write, idle time.Duration
	connections               int
}

// mostConnections are far more than the browsers and programs of a club have
// open, and as many as a small computer has memory for.
const mostConnections = 2000

// Serve answers on the listener until ctx is done, then lets requests under
// way finish and returns nil. It closes the listener.
// A nil log is silent.
func Serve(ctx context.Context, l net.Listener, h http.Handler, log *slog.Logger) error {
	return serve(ctx, l, h, log, limits{headerTimeout, readTimeout, writeTimeout, idleTimeout, mostConnections})
}

func serve(ctx context.Context, l net.Listener, h http.Handler, log *slog.Logger, most limits) error {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	var open atomic.Int64
	srv := &http.Server{
		Handler: h, ReadHeaderTimeout: most.header, ReadTimeout: most.read, WriteTimeout: most.write,
		// A stream ends with us; everything else is finished first.
		BaseContext: func(net.Listener) context.Context {
			return context.WithValue(context.WithoutCancel(ctx), stoppingKey{}, ctx.Done())
		},
		ConnState: func(c net.Conn, state http.ConnState) {
			switch state {
			case http.StateNew:
				if open.Add(1) > int64(most.connections) {
					_ = c.Close() // nothing was promised to it
				}
			case http.StateClosed, http.StateHijacked:
				open.Add(-1)
			}
		},
		IdleTimeout: most.idle, MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(quietHandshakes{log.Handler()}, slog.LevelWarn),
	}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	select {
	case err := <-ended:
		return fmt.Errorf("serve pages on %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	// The caller's context is over; what is under way gets a little longer.
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	err := srv.Shutdown(stop)
	if err != nil {
		err = errors.Join(fmt.Errorf("stop pages on %s: %w", l.Addr(), err), srv.Close())
	}
	if e := <-ended; !errors.Is(e, http.ErrServerClosed) {
		err = errors.Join(err, e)
	}
	return err
}

// quietHandshakes takes news of failed handshakes for what it is: the daily
// bread of an address that others can reach.
type quietHandshakes struct{ slog.Handler }

func (q quietHandshakes) Handle(ctx context.Context, r slog.Record) error {
	if strings.HasPrefix(r.Message, "http: TLS handshake error") {
		r.Level = slog.LevelDebug
		if !q.Enabled(ctx, r.Level) {
			return nil
		}
	}
	return q.Handler.Handle(ctx, r)
}
