package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
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

// Serve answers on the listener until ctx is done, then lets requests under
// way finish and returns nil. It closes the listener.
// A nil log is silent.
func Serve(ctx context.Context, l net.Listener, h http.Handler, log *slog.Logger) error {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	srv := &http.Server{
		Handler: h, ReadHeaderTimeout: headerTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout,
		// A stream ends with us; everything else is finished first.
		BaseContext: func(net.Listener) context.Context {
			return context.WithValue(context.WithoutCancel(ctx), stoppingKey{}, ctx.Done())
		},
		IdleTimeout: idleTimeout, MaxHeaderBytes: maxHeader, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
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
