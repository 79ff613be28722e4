package collector

import (
	"iter"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"

	"outyard"
)

type metrics struct {
	readingsKept, readingsLate, readingsDuplicate   prometheus.Counter
	messagesKept, messagesRefused, messagesUnplaced prometheus.Counter
	commitErrors                                    prometheus.Counter
	commitSeconds, ackSeconds                       prometheus.Histogram
	newest                                          *newest
}

func newMetrics(reg prometheus.Registerer, now func() time.Time, queued func() int, yards func() []outyard.YardID) *metrics {
	register := promauto.With(reg)
	readings := register.NewCounterVec(prometheus.CounterOpts{
		Name: "outyard_collector_readings_total",
		Help: "Readings committed: kept as new and in order; late, which are kept too, but are older than what the same hive has given since the daemon started; or duplicates of what was kept before.",
	}, []string{"result"})
	messages := register.NewCounterVec(prometheus.CounterOpts{
		Name: "outyard_collector_messages_total",
		Help: "Messages committed: kept as readings, refused in whole or in part, or unplaced.",
	}, []string{"result"})
	m := &metrics{
		readingsKept:      readings.WithLabelValues("kept"),
		readingsLate:      readings.WithLabelValues("late"),
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

// kept counts a commit. Its readings, and those of them that were new, are in
// order of yard, hive and time.
func (m *metrics) kept(b *batch, fresh []outyard.Reading) {
	late := m.newest.late(fresh)
	m.newest.note(b.readings)
	m.readingsKept.Add(float64(len(fresh) - late))
	m.readingsLate.Add(float64(late))
	m.readingsDuplicate.Add(float64(len(b.readings) - len(fresh)))
	m.messagesKept.Add(float64(len(b.acks) - len(b.refused)))
	for _, r := range b.refused {
		if r.Unplaced {
			m.messagesUnplaced.Inc()
		} else {
			m.messagesRefused.Inc()
		}
	}
}

// maxPlaces bounds what is remembered of single hives, should somebody invent
// them: far more than one daemon is for.
const maxPlaces = 100_000

// newest knows the newest reading of each hive, and tells the age of each
// yard's. Yards are those of the config: what a node invents becomes no label.
type newest struct {
	now   func() time.Time
	yards func() []outyard.YardID
	desc  *prometheus.Desc

	mu sync.Mutex
	of map[Place]time.Time // at most maxPlaces
}

func newNewest(now func() time.Time, yards func() []outyard.YardID) *newest {
	return &newest{now: now, yards: yards, of: map[Place]time.Time{}, desc: prometheus.NewDesc(
		"outyard_collector_newest_reading_age_seconds",
		"Age of the newest reading that came from a yard since the daemon started, by the clock of its node.",
		[]string{"yard"}, nil)}
}

// late is how many readings are older than what their hive gave in an earlier
// commit. They are in order of hive.
func (n *newest) late(rs []outyard.Reading) (late int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for of := range runs(rs) {
		newest := n.of[of.place()]
		for _, r := range of {
			if r.Time.Before(newest) {
				late++
			}
		}
	}
	return late
}

// note takes the readings of a commit, which are in order of hive and time.
func (n *newest) note(rs []outyard.Reading) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for of := range runs(rs) {
		place, at := of.place(), of[len(of)-1].Time
		if was, known := n.of[place]; at.After(was) && (known || len(n.of) < maxPlaces) {
			n.of[place] = at
		}
	}
}

// A run is readings of one hive, or of one yard's weather, never empty.
type run []outyard.Reading

func (r run) place() Place { return Place{r[0].Yard, r[0].Hive} }

// runs parts readings, in order of hive, into runs.
func runs(rs []outyard.Reading) iter.Seq[run] {
	return func(yield func(run) bool) {
		for i, from := 0, 0; i < len(rs); i++ {
			if i+1 < len(rs) && rs[i+1].Yard == rs[from].Yard && rs[i+1].Hive == rs[from].Hive {
				continue
			}
			if !yield(rs[from : i+1]) {
				return
			}
			from = i + 1
		}
	}
}

// Describe is that of a prometheus.Collector.
func (n *newest) Describe(to chan<- *prometheus.Desc) { to <- n.desc }

// Collect is that of a prometheus.Collector.
func (n *newest) Collect(to chan<- prometheus.Metric) {
	n.mu.Lock()
	defer n.mu.Unlock()
	ofYard := map[outyard.YardID]time.Time{}
	for place, at := range n.of {
		if at.After(ofYard[place.Yard]) {
			ofYard[place.Yard] = at
		}
	}
	for _, yard := range n.yards() {
		if at := ofYard[yard]; !at.IsZero() {
			to <- prometheus.MustNewConstMetric(n.desc, prometheus.GaugeValue, n.now().Sub(at).Seconds(), string(yard))
		}
	}
}
