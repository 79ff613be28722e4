package collector

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"

	"outyard"
)

type metrics struct {
	readingsKept, readingsDuplicate                 prometheus.Counter
	messagesKept, messagesRefused, messagesUnplaced prometheus.Counter
	commitErrors                                    prometheus.Counter
	commitSeconds, ackSeconds                       prometheus.Histogram
	newest                                          *newest
}

func newMetrics(reg prometheus.Registerer, now func() time.Time, queued func() int, yards []outyard.YardID) *metrics {
	register := promauto.With(reg)
	readings := register.NewCounterVec(prometheus.CounterOpts{
		Name: "outyard_collector_readings_total",
		Help: "Readings committed: kept as new, or duplicates of what was kept before.",
	}, []string{"result"})
	messages := register.NewCounterVec(prometheus.CounterOpts{
		Name: "outyard_collector_messages_total",
		Help: "Messages committed: kept as readings, refused in whole or in part, or unplaced.",
	}, []string{"result"})
	m := &metrics{
		readingsKept:      readings.WithLabelValues("kept"),
		readingsDuplicate: readings.WithLabelValues("duplicate"),
		messagesKept:      messages.WithLabelValues("kept"),
		messagesRefused:   messages.WithLabelValues("refused"),
		messagesUnplaced:  messages.WithLabelValues("unplaced"),
		commitErrors: register.NewCounter(prometheus.CounterOpts{
			Name: "outyard_collector_commit_errors_total",
			Help: "Commits that the store did not do; each is tried again.",
		}),
		commitSeconds: register.NewHistogram(prometheus.HistogramOpts{
			Name:    "outyard_collector_commit_seconds",
			Help:    "Time that a commit took.",
			Buckets: prometheus.ExponentialBuckets(0.001, 2, 14),
		}),
		ackSeconds: register.NewHistogram(prometheus.HistogramOpts{
			Name:    "outyard_collector_ack_seconds",
			Help:    "Time from the arrival of a message to its acknowledgement.",
			Buckets: prometheus.ExponentialBuckets(0.001, 2, 14),
		}),
		newest: newNewest(now, yards),
	}
	register.NewGaugeFunc(prometheus.GaugeOpts{
		Name: "outyard_collector_queue_messages",
		Help: "Messages taken that wait for a commit.",
	}, func() float64 { return float64(queued()) })
	if reg != nil {
		reg.MustRegister(m.newest)
	}
	return m
}

// kept counts a commit, whose readings are in order of yard.
func (m *metrics) kept(b *batch, fresh int) {
	m.readingsKept.Add(float64(fresh))
	m.readingsDuplicate.Add(float64(len(b.readings) - fresh))
	m.newest.note(b.readings)
	m.messagesKept.Add(float64(len(b.acks) - len(b.refused)))
	for _, r := range b.refused {
		if r.Unplaced {
			m.messagesUnplaced.Inc()
		} else {
			m.messagesRefused.Inc()
		}
	}
}

// newest tells the age of each yard's newest reading. Yards are those of the
// config: what a node invents becomes no label.
type newest struct {
	now  func() time.Time
	desc *prometheus.Desc

	mu sync.Mutex
	at map[outyard.YardID]time.Time // zero until one came
}

func newNewest(now func() time.Time, yards []outyard.YardID) *newest {
	n := &newest{now: now, at: make(map[outyard.YardID]time.Time, len(yards)), desc: prometheus.NewDesc(
		"outyard_collector_newest_reading_age_seconds",
		"Age of the newest reading that came from a yard since the daemon started, by the clock of its node.",
		[]string{"yard"}, nil)}
	for _, y := range yards {
		n.at[y] = time.Time{}
	}
	return n
}

func (n *newest) note(rs []outyard.Reading) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for i := 0; i < len(rs); {
		yard, at := rs[i].Yard, rs[i].Time
		for ; i < len(rs) && rs[i].Yard == yard; i++ {
			if rs[i].Time.After(at) {
				at = rs[i].Time
			}
		}
		if was, configured := n.at[yard]; configured && at.After(was) {
			n.at[yard] = at
		}
	}
}

// Describe is that of a prometheus.Collector.
func (n *newest) Describe(to chan<- *prometheus.Desc) { to <- n.desc }

// Collect is that of a prometheus.Collector.
func (n *newest) Collect(to chan<- prometheus.Metric) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for yard, at := range n.at {
		if !at.IsZero() {
			to <- prometheus.MustNewConstMetric(n.desc, prometheus.GaugeValue, n.now().Sub(at).Seconds(), string(yard))
		}
	}
}
