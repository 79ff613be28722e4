package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/spf13/cobra"

	"outyard/alerts"
	"outyard/collector"
	"outyard/configs"
	"outyard/store/influx"
	"outyard/store/sqlite"
	"outyard/web"
)

// A fullStore is all that is kept: readings where the config wants them, all
// else in SQLite.
type fullStore interface {
	collector.Store
	alerts.Store
	web.Store
	refusedStore
}

// openReadings puts the readings where the config wants them. What must run
// for that is added to runs; done is called when nothing more is asked of it.
func openReadings(ctx context.Context, cfg configs.Config, state *sqlite.Store, d daemon, reg prometheus.Registerer, runs *[]runner) (db fullStore, done func() error, err error) {
	if cfg.Store.Kind != configs.InfluxStore {
		return state, func() error { return nil }, nil
	}
	server, err := openInflux(ctx, cfg, state, d, reg)
	if err != nil {
		return nil, nil, err
	}
	*runs = append(*runs, server.Run)
	return server, server.Close, nil
}

func openInflux(ctx context.Context, cfg configs.Config, state *sqlite.Store, d daemon, reg prometheus.Registerer) (*influx.Store, error) {
	at := cfg.Store.Influx
	server, err := influx.Open(ctx, influx.Config{URL: at.URL, Org: at.Org, Bucket: at.Bucket, Token: at.Token.Reveal()}, state, d.now, d.log, reg)
	if err != nil {
		return nil, fmt.Errorf("store of readings at %s: %w", at.URL, err)
	}
	return server, nil
}

// openToRead opens what is kept for a command that only reads, wherever the
// readings are, while a daemon may be writing.
func openToRead(ctx context.Context, cfg configs.Config) (fullStore, func() error, error) {
	state, err := sqlite.OpenForReading(ctx, cfg.Data)
	return openFor(ctx, cfg, state, err)
}

// openToWrite opens what is kept for a command. Readings for a time-series
// server wait in the queue until the daemon runs.
func openToWrite(cmd *cobra.Command, cfg configs.Config) (fullStore, func() error, error) {
	state, err := openState(cmd, cfg)
	return openFor(cmd.Context(), cfg, state, err)
}

// openState opens all but the readings in a time-series server, to write to,
// and says so if that brings an older store up to date.
func openState(cmd *cobra.Command, cfg configs.Config) (*sqlite.Store, error) {
	if err := asOwner(cfg.Data); err != nil {
		return nil, err
	}
	return sqlite.Open(cmd.Context(), cfg.Data, func(u sqlite.Upgrade) {
		fmt.Fprintf(cmd.ErrOrStderr(), "the store of schema %d is brought up to %d; as it was, it is kept in %s\n", u.From, u.To, u.Backup)
	})
}

func openFor(ctx context.Context, cfg configs.Config, state *sqlite.Store, err error) (fullStore, func() error, error) {
	if err != nil {
		return nil, nil, err
	}
	if cfg.Store.Kind != configs.InfluxStore {
		return state, state.Close, nil
	}
	server, err := openInflux(ctx, cfg, state, daemon{now: time.Now, log: slog.New(slog.DiscardHandler)}, nil)
	if err != nil {
		return nil, nil, errors.Join(err, state.Close())
	}
	return server, func() error { return errors.Join(server.Close(), state.Close()) }, nil
}
