package influx

import (
	"context"
	"log/slog"
	"sync/atomic"
	"testing"
	"time"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
	"outyard/store/storetest"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"
)

var noon = time.Date(2027, 5, 12, 12, 0, 0, 0, time.UTC)

// open opens a store with a queue of its own, which is closed when the test
// ends.
func open(t testing.TB, c Config) *Store {
	t.Helper()
	db, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	return openOn(t, c, db)
}

func openOn(t testing.TB, c Config, db *sqlite.Store) *Store {
	t.Helper()
	s, err := Open(t.Context(), c, db, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	s.limits.gather = 2 * time.Millisecond
	s.limits.backoff = 10 * time.Millisecond
	s.limits.maxBackoff = 100 * time.Millisecond
	return s
}

// run hands on in the background until the test ends, or stop is called.
func run(t testing.TB, s *Store) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	var stopped atomic.Bool
	stop = func() {
		if stopped.CompareAndSwap(false, true) {
			cancel()
			require.NoError(t, <-done)
		}
	}
	t.Cleanup(stop)
	return stop
}

// handedOn waits until the queue is empty.
func handedOn(t testing.TB, s *Store) {
	t.Helper()
	require.Eventually(t, func() bool {
		n, _, err := s.queue.Length(context.Background())
		return err == nil && n == 0
	}, time.Minute, 2*time.Millisecond, "the queue does not become empty")
}

// atOnce is a store whose readings are in the server when Keep returns.
type atOnce struct {
	*Store
	t *testing.T
}

func (s atOnce) Keep(ctx context.Context, rs []outyard.Reading) ([]outyard.Reading, error) {
	fresh, err := s.Store.Keep(ctx, rs)
	handedOn(s.t, s.Store)
	return fresh, err
}

func TestStore(t *testing.T) {
	fresh := func(t *testing.T) *Store {
		server := sharedServer(t)
		return open(t, Config{URL: server.url, Bucket: server.newBucket(t)})
	}
	t.Run("while readings are handed on", func(t *testing.T) {
		storetest.Run(t, func(t *testing.T) storetest.Store {
			s := fresh(t)
			run(t, s)
			return s
		})
	})
	t.Run("all in the queue", func(t *testing.T) {
		storetest.RunReadings(t, func(t *testing.T) storetest.Readings { return fresh(t) })
	})
	t.Run("all in the server", func(t *testing.T) {
		storetest.RunReadings(t, func(t *testing.T) storetest.Readings {
			s := fresh(t)
			run(t, s)
			return atOnce{s, t}
		})
	})
}

// weights makes n readings of one hive, a minute apart.
func weights(hive outyard.HiveID, from time.Time, n int) []outyard.Reading {
	rs := make([]outyard.Reading, n)
	for i := range rs {
		rs[i] = outyard.NewReading("mill-lane", hive, from.Add(time.Duration(i)*time.Minute))
		rs[i].Values[outyard.Weight] = float64(40_000+i) / 1000
	}
	return rs
}

func count(t testing.TB, s *Store, q store.Query) (n int) {
	t.Helper()
	require.NoError(t, s.EachReading(t.Context(), q, func(outyard.Reading) error { n++; return nil }))
	return n
}
