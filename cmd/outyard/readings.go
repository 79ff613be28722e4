package main

import (
	"context"
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"outyard"
	"outyard/configs"
	"outyard/store"
	"outyard/store/influx"
	"outyard/store/sqlite"
)

// A readingStore is where readings are kept, wherever that is.
type readingStore interface {
	Keep(ctx context.Context, rs []outyard.Reading) (fresh []outyard.Reading, err error)
	EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error
	Series(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, q outyard.Quantity, from, to time.Time, pixels int) ([]store.Bucket, error)
	Newest(ctx context.Context) ([]outyard.Reading, error)
	Span(ctx context.Context, yard outyard.YardID) (first, last time.Time, ok bool, err error)
}

// state is what is always kept in SQLite: everything but, perhaps, readings.
type state = *sqlite.Store

// A fullStore is all that is kept: readings where the config wants them, all
// else in SQLite.
type fullStore struct {
	state
	readings readingStore
}

func (s fullStore) Keep(ctx context.Context, rs []outyard.Reading) ([]outyard.Reading, error) {
	return s.readings.Keep(ctx, rs)
}

func (s fullStore) EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error {
	return s.readings.EachReading(ctx, q, each)
}

func (s fullStore) Series(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, q outyard.Quantity, from, to time.Time, pixels int) ([]store.Bucket, error) {
	return s.readings.Series(ctx, yard, hive, q, from, to, pixels)
}

func (s fullStore) Newest(ctx context.Context) ([]outyard.Reading, error) {
	return s.readings.Newest(ctx)
}

func (s fullStore) Span(ctx context.Context, yard outyard.YardID) (first, last time.Time, ok bool, err error) {
	return s.readings.Span(ctx, yard)
}

// openReadings puts the readings where the config wants them.
func openReadings(ctx context.Context, cfg configs.Config, db *sqlite.Store, d daemon, reg prometheus.Registerer, runs *[]runner) (fullStore, error) {
	if cfg.Store.Kind != configs.InfluxStore {
		return fullStore{db, db}, nil
	}
	at := cfg.Store.Influx
	server, err := influx.Open(ctx, influx.Config{URL: at.URL, Org: at.Org, Bucket: at.Bucket, Token: at.Token.Reveal()}, db, d.now, d.log, reg)
	if err != nil {
		return fullStore{}, fmt.Errorf("store of readings at %s: %w", at.URL, err)
	}
	*runs = append(*runs, server.Run)
	return fullStore{db, server}, nil
}
