package main

import (
	"context"
	"fmt"

	"github.com/prometheus/client_golang/prometheus"

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
}

// openReadings puts the readings where the config wants them. What must run
// for that is added to runs; done is called when nothing more is asked of it.
func openReadings(ctx context.Context, cfg configs.Config, state *sqlite.Store, d daemon, reg prometheus.Registerer, runs *[]runner) (db fullStore, done func() error, err error) {
	if cfg.Store.Kind != configs.InfluxStore {
		return state, func() error { return nil }, nil
	}
	at := cfg.Store.Influx
	server, err := influx.Open(ctx, influx.Config{URL: at.URL, Org: at.Org, Bucket: at.Bucket, Token: at.Token.Reveal()}, state, d.now, d.log, reg)
	if err != nil {
		return nil, nil, fmt.Errorf("store of readings at %s: %w", at.URL, err)
	}
	*runs = append(*runs, server.Run)
	return server, server.Close, nil
}
