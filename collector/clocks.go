package collector

import (
	"cmp"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"outyard"
)

// What makes a node's clock wrong, rather than its messages late or in a
// backlog: they come for a while with the same difference. All of it is common
// practice, no source.
const (
	// clockSlots differences are looked at, of which clockAgree have to be
	// within clockSpread of their median: one or two delayed by the network
	// change nothing.
	clockSlots  = 8
	clockAgree  = 6
	clockSpread = time.Minute
	// clockSlot is the least time from one difference to the next: a backlog
	// that comes in a burst is one difference, not eight that agree.
	clockSlot = 5 * time.Minute
	// clockOff is the difference that is said: less does no harm to a day's
	// gain, nor is it unusual between measuring and sending.
	clockOff = 3 * time.Minute
	// clockForgotten is when a node that sends no more has no clock to speak of.
	clockForgotten = 3 * 24 * time.Hour
	// clockLogEvery bounds the log lines about one clock.
	clockLogEvery = 24 * time.Hour
)

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
	slots  [clockSlots]clockSlotted
	n      int // slots begun; the newest is at (n-1) % clockSlots
	off    time.Duration
	logged time.Time
}

// A clockSlotted is one difference.
type clockSlotted struct {
	begun time.Time     // arrival
	ahead time.Duration // of the newest reading before its arrival; the most in the slot, since a delay only takes from it
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
	k.note(newest.Sub(arrived), arrived)
	if k.off == 0 || arrived.Sub(k.logged) < clockLogEvery {
		return k.off, false
	}
	k.logged = arrived
	return k.off, true
}

func (k *clock) note(ahead time.Duration, arrived time.Time) {
	if k.n > 0 {
		last := &k.slots[(k.n-1)%clockSlots]
		if arrived.Sub(last.begun).Abs() < clockSlot {
			if ahead > last.ahead {
				last.ahead = ahead
				k.judge()
			}
			return
		}
	}
	k.slots[k.n%clockSlots] = clockSlotted{arrived, ahead}
	k.n++
	k.judge()
}

// judge finds how far the clock is off: the median difference, where there are
// enough of them that agree.
func (k *clock) judge() {
	k.off = 0
	n := min(k.n, clockSlots)
	if n < clockAgree {
		return
	}
	var all [clockSlots]time.Duration
	for i := range n {
		all[i] = k.slots[i].ahead
	}
	slices.Sort(all[:n])
	median := (all[(n-1)/2] + all[n/2]) / 2
	agree := 0
	for _, a := range all[:n] {
		if (a - median).Abs() <= clockSpread {
			agree++
		}
	}
	if agree >= clockAgree && median.Abs() >= clockOff {
		k.off = median.Round(time.Second)
	}
}

// offset is how far a clock is off, as far as it has been heard of late.
func (c *clocks) offset(p Place) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.of[p].offset(c.now())
}

func (k *clock) offset(now time.Time) time.Duration {
	if k == nil || k.n == 0 || now.Sub(k.slots[(k.n-1)%clockSlots].begun) >= clockForgotten {
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
// arrival. Readings of one place stand together, in order of time.
func (in *Intake) watchClocks(rs []outyard.Reading, arrived time.Time) {
	for of := range runs(rs) {
		r := of[len(of)-1]
		if off, say := in.clocks.note(of.place(), r.Time, arrived); say {
			way := "ahead"
			if off < 0 {
				way = "behind"
			}
			in.log.Warn("clock of a node is off", slog.String("yard", string(r.Yard)), slog.String("hive", string(r.Hive)),
				way, off.Abs(), "cure", "set the node's clock, or leave times out of its messages")
		}
	}
}
