package influx

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

type metrics struct {
	batches, readings, refused              prometheus.Counter
	writeAway, writeServer, writeTurnedAway prometheus.Counter
	writeSeconds                            prometheus.Histogram
}

// newMetrics registers the store's metrics; with reg nil it only makes them.
func newMetrics(reg prometheus.Registerer, s *Store) (*metrics, error) {
	failed := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "outyard_influx_errors_total",
		Help: "Writes that did not go through and are tried again: the server was away or too slow, had an error of its own, or turned us away (token, bucket, a limit, everything refused).",
	}, []string{"why"})
	m := &metrics{
		batches: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "outyard_influx_batches_total",
			Help: "Batches handed on to the time-series server.",
		}),
		readings: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "outyard_influx_readings_total",
			Help: "Readings that the time-series server took.",
		}),
		refused: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "outyard_influx_refused_total",
			Help: "Readings, or parts of one, that the time-series server refused for good; they are among the refused, with its reason.",
		}),
		writeAway:       failed.WithLabelValues("away"),
		writeServer:     failed.WithLabelValues("server"),
		writeTurnedAway: failed.WithLabelValues("turned-away"),
		writeSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name:    "outyard_influx_write_seconds",
			Help:    "Time that the server took to take a batch.",
			Buckets: prometheus.ExponentialBuckets(0.005, 2, 13),
		}),
	}
	if reg == nil {
		return m, nil
	}
	all := []prometheus.Collector{m.batches, m.readings, m.refused, failed, m.writeSeconds,
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "outyard_influx_queue_readings",
			Help: "Readings that wait to be handed on to the time-series server.",
		}, func() float64 {
			n, _, err := s.waiting()
			if err != nil {
				return math.NaN()
			}
			return float64(n)
		}),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: "outyard_influx_queue_oldest_seconds",
			Help: "How long the oldest reading has waited to be handed on; 0 when none waits.",
		}, func() float64 {
			n, since, err := s.waiting()
			switch {
			case err != nil:
				return math.NaN()
			case n == 0:
				return 0
			}
			return max(s.now().Sub(since).Seconds(), 0)
		}),
	}
	var errs []error
	for _, c := range all {
		errs = append(errs, reg.Register(c))
	}
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("metrics of the time-series store: %w", err)
	}
	return m, nil
}

// waiting is what the queue holds, for whoever watches the daemon.
func (s *Store) waiting() (readings int64, since time.Time, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	return s.queue.Length(ctx)
}
