// Package influx keeps readings in an InfluxDB server, for those who have one
// already and want the readings beside all else that they measure. Servers are
// away at times, and a node that was told "kept" forgets: so readings are kept
// on stable storage here first, in a queue, and handed on from there.
package influx

import (
	"context"
	"fmt"
	"log/slog"
	"net/url"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/prometheus/client_golang/prometheus"

	"outyard"
	"outyard/store/sqlite"
)

// A Config says where the server is.
type Config struct {
	URL string // such as http://127.0.0.1:8086
	Org string // empty for InfluxDB 1.8
	// Bucket is, for InfluxDB 1.8, the database and its retention policy, such
	// as outyard/autogen. It has to be there.
	Bucket string
	Token  string // for InfluxDB 1.8, user:password, or empty
}

// A Store keeps readings in the server, and all else in the SQLite store that
// it is opened on, whose other methods it has. Readings that still wait in the
// queue are read together with those in the server. It is safe for concurrent
// use.
type Store struct {
	*sqlite.Store // but for readings
	queue         *sqlite.Queue

	server  string // for errors and logs; says nothing that is secret
	bucket  string
	client  influxdb2.Client
	writing api.WriteAPIBlocking
	asking  string // where queries are sent

	now     func() time.Time
	log     *slog.Logger
	metrics *metrics

	limits limits
	nudged chan struct{} // holds a token when something may have been queued
}

// limits are what tests make smaller.
type limits struct {
	batch        int           // readings in a write, at most
	gather       time.Duration // how long a batch waits for more to come
	backoff      time.Duration // after the first write that went wrong, doubled after each
	maxBackoff   time.Duration
	write        time.Duration // how long the server may take over a batch
	windowRows   int           // readings that EachReading holds, or so
	suspectLimit int           // points that a server refuses before it is clear that it takes nothing
}

var defaultLimits = limits{
	batch:        5000, // what the server's makers advise (docs.influxdata.com, "Optimize writes")
	gather:       time.Second,
	backoff:      time.Second,
	maxBackoff:   time.Minute,
	write:        30 * time.Second, // far beyond what a batch takes
	windowRows:   32_768,           // some 4 MB, as in sqlite
	suspectLimit: 64,
}

// requestTimeout is far beyond what a window of readings takes.
const requestTimeout = time.Minute

// Open opens a store of readings in the server of c, with its queue in db,
// which has to stay open longer. The server may be away: nothing is asked of
// it. When db was opened for reading, so is the store.
func Open(ctx context.Context, c Config, db *sqlite.Store, now func() time.Time, log *slog.Logger, reg prometheus.Registerer) (*Store, error) {
	u, err := url.Parse(c.URL)
	if err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https") {
		return nil, fmt.Errorf("time-series server %q is not a web address: want one such as http://127.0.0.1:8086", redacted(u))
	}
	if c.Bucket == "" {
		return nil, fmt.Errorf("time-series server %s: no bucket is given", redacted(u))
	}
	queue, err := db.Queue(ctx)
	if err != nil {
		return nil, err
	}
	client := influxdb2.NewClientWithOptions(c.URL, c.Token, influxdb2.DefaultOptions().
		SetApplicationName("outyard").SetPrecision(time.Second).SetHTTPRequestTimeout(uint(requestTimeout/time.Second)))
	s := &Store{
		Store: db, queue: queue,
		server: redacted(u), bucket: c.Bucket, client: client, writing: client.WriteAPIBlocking(c.Org, c.Bucket),
		asking: client.HTTPService().ServerAPIURL() + "query?" + url.Values{"org": {c.Org}}.Encode(),
		now:    now, log: log, limits: defaultLimits, nudged: make(chan struct{}, 1),
	}
	if s.metrics, err = newMetrics(reg, s); err != nil {
		queue.Close()
		return nil, err
	}
	return s, nil
}

// redacted is an address without its password.
func redacted(u *url.URL) string {
	if u == nil {
		return ""
	}
	return u.Redacted()
}

// Close ends connections to the server. It leaves the SQLite store open.
func (s *Store) Close() error {
	s.client.Close()
	return s.queue.Close()
}

// Times that the server can hold, of nanoseconds in an int64, are a little
// wider than this.
var (
	earliest = time.Date(1678, 1, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2262, 1, 1, 0, 0, 0, 0, time.UTC)
)

// Keep keeps readings, all or none, and returns once they are in the queue, on
// stable storage; whether the server is there makes no difference. What it
// returns, and the errors, are those of [sqlite.Store.Keep].
func (s *Store) Keep(ctx context.Context, rs []outyard.Reading) (fresh []outyard.Reading, err error) {
	for i := range rs {
		if t := rs[i].Time; t.Before(earliest) || !t.Before(latest) {
			return nil, fmt.Errorf("reading %d of %s %s: time %s is outside the years %d to %d", i+1, rs[i].Yard, rs[i].Hive,
				t.Format(time.RFC3339), earliest.Year(), latest.Year()-1)
		}
	}
	fresh, err = s.queue.Add(ctx, rs, s.now())
	if len(fresh) > 0 {
		select {
		case s.nudged <- struct{}{}:
		default: // a nudge is waiting already
		}
	}
	return fresh, err
}
