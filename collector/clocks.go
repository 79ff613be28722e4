package collector

import (
	"cmp"
	"log/slog"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"outyard"
	"outyard/timekeeping"
)

const (
	// clockForgotten is when a node that sends no more has no clock to speak of
	// (common practice, no source).
	clockForgotten = 3 * 24 * time.Hour
	// clockUntimely is from when on a message is not of about now.
	clockUntimely = outyard.MaxAhead
	// clockLogEvery bounds the log lines about one clock.
	clockLogEvery = 24 * time.Hour
)

// clockSettings say what a clock that is off is, here as in what keepers are
// told.
var clockSettings = timekeeping.DefaultSettings()

// A Place is a hive or, without one, a yard's weather.
type Place struct {
	Yard outyard.YardID
	Hive outyard.HiveID
}

// clocks knows how far the clocks of nodes are off.
type clocks struct {
	now   func() time.Time
	yards func() []outyard.YardID // of the config: what a node invents becomes no label
	desc  *prometheus.Desc

	mu sync.Mutex
	of map[Place]*clock
}

// A clock is what the last messages from a place say of their node's clock.
type clock struct {
	timekeeping.Node
	off    time.Duration
	logged time.Time
}

func newClocks(reg prometheus.Registerer, now func() time.Time, yards func() []outyard.YardID) *clocks {
	c := &clocks{now: now, yards: yards, of: map[Place]*clock{}, desc: prometheus.NewDesc(
		"outyard_collector_clock_offset_seconds",
		"How far the clock of the node with the worst one in a yard is ahead, below 0 behind; 0 while none is steadily off.",
		[]string{"yard"}, nil)}
	if reg != nil {
		reg.MustRegister(c)
	}
	return c
}

// note takes the difference of one message. say is true when the clock is off
// and that has not been logged for a day.
func (c *clocks) note(p Place, newest, arrived time.Time) (off time.Duration, say bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k := c.of[p]
	if k == nil {
		if len(c.of) >= maxPlaces {
			return 0, false
		}
		k = new(clock)
		c.of[p] = k
	}
	k.note(newest, arrived)
	if k.off == 0 || arrived.Sub(k.logged) < clockLogEvery {
		return k.off, false
	}
	k.logged = arrived
	return k.off, true
}

// note finds how far the clock is off.
func (k *clock) note(newest, arrived time.Time) {
	k.Note(newest, arrived, clockSettings)
	k.off = 0
	if by, _ := k.Ahead(clockSettings); by.Abs() >= clockSettings.Notable {
		k.off = by.Round(time.Second)
	}
}

// offset is how far a clock is off, as far as it has been heard of late.
func (c *clocks) offset(p Place) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.of[p].offset(c.now())
}

func (k *clock) offset(now time.Time) time.Duration {
	if k == nil || now.Sub(k.Arrived()) >= clockForgotten {
		return 0
	}
	return k.off
}

// Describe is that of a prometheus.Collector.
func (c *clocks) Describe(to chan<- *prometheus.Desc) { to <- c.desc }

// Collect is that of a prometheus.Collector.
func (c *clocks) Collect(to chan<- prometheus.Metric) {
	now := c.now()
	c.mu.Lock()
	defer c.mu.Unlock()
	worst := map[outyard.YardID]time.Duration{}
	for p, k := range c.of {
		off, was := k.offset(now), worst[p.Yard]
		if cmp.Or(cmp.Compare(off.Abs(), was.Abs()), cmp.Compare(off, was)) > 0 {
			worst[p.Yard] = off
		}
	}
	for _, yard := range c.yards() {
		to <- prometheus.MustNewConstMetric(c.desc, prometheus.GaugeValue, worst[yard].Seconds(), string(yard))
	}
}

// ClockOff says how far the clock of a place's node is ahead, below zero behind,
// when it has been off by a steady amount of late, and else 0. It knows what has
// come since the daemon started.
func (in *Intake) ClockOff(yard outyard.YardID, hive outyard.HiveID) time.Duration {
	return in.clocks.offset(Place{yard, hive})
}

// watchClocks compares the newest reading of each place in a message with its
// arrival. Readings of one place stand together, in order of time. Where none is
// kept, newest is what the message says.
func (in *Intake) watchClocks(rs []outyard.Reading, newest outyard.Reading, arrived time.Time) {
	if refused := newest.Time.Sub(arrived) > outyard.MaxAhead || newest.Time.Before(outyard.Earliest); newest.Yard != "" && (refused || len(rs) == 0) {
		rs = []outyard.Reading{newest}
	}
	for of := range runs(rs) {
		r := of[len(of)-1]
		off, say := in.clocks.note(of.place(), r.Time, arrived)
		if in.opts.Untimely != nil && r.Time.Sub(arrived).Abs() >= clockUntimely {
			in.opts.Untimely(r, arrived)
		}
		if say {
			way := "ahead"
			if off < 0 {
				way = "behind"
			}
			in.log.Warn("clock of a node is off", slog.String("yard", string(r.Yard)), slog.String("hive", string(r.Hive)),
				way, off.Abs(), "cure", "set the node's clock, or leave times out of its messages")
		}
	}
}
