package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"time"

	"outyard/web"
)

// openDebug opens the listener of the profiler, on this machine alone: what it
// shows is for whoever looks for a fault, and it can be asked to work hard.
func openDebug(at string, log *slog.Logger) (runner, error) {
	socket, err := net.Listen("tcp", at)
	if err != nil {
		return nil, fmt.Errorf("listen for debugging on %s: %w", at, err)
	}
	if !web.IsLoopback(socket.Addr()) {
		return nil, errors.Join(fmt.Errorf("debug %s is open to other machines: use 127.0.0.1, and reach it through a tunnel", at), socket.Close())
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/debug/pprof/", pprof.Index)
	mux.HandleFunc("/debug/pprof/cmdline", pprof.Cmdline)
	mux.HandleFunc("/debug/pprof/profile", pprof.Profile)
	mux.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
	mux.HandleFunc("/debug/pprof/trace", pprof.Trace)
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	return func(ctx context.Context) error {
		log.Info("debugging", "pprof", "http://"+socket.Addr().String()+"/debug/pprof/")
		defer context.AfterFunc(ctx, func() { _ = server.Close() })() // a profile under way is cut off
		if err := server.Serve(socket); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serve debugging: %w", err)
		}
		return nil
	}, nil
}
