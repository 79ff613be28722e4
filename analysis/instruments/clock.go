package instruments

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
)

// ClockSettings are the thresholds by which a node's clock is taken to be off
// (common practice, no source).
type ClockSettings struct {
	// Least, 30 min: what differs by less does no harm to a day, and no zone of
	// time is nearer to another.
	Least time.Duration
	// Spread, 5 min: to within so much the differences must be the same. Held
	// back readings grow older or younger, a clock stays as wrong as it is.
	Spread time.Duration
	// Apart, 5 min: what arrives within it is looked at once: a backlog that
	// comes in a burst is one difference.
	Apart time.Duration
	// Times, 6: in a row must differ alike for a clock to be off, and SoundTimes,
	// 3, must not for it to be right again.
	Times, SoundTimes int
}

// DefaultClockSettings returns the defaults.
func DefaultClockSettings() ClockSettings {
	return ClockSettings{Least: 30 * time.Minute, Spread: 5 * time.Minute, Apart: 5 * time.Minute, Times: 6, SoundTimes: 3}
}

// Clocks compares the times that nodes give with when their readings arrive. It
// is no part of a course: when a reading arrived is not kept, and a course that
// is begun anew could not know of it.
type Clocks struct {
	yard     outyard.Yard
	set      ClockSettings
	nodes    []*timekeeper // by hive; the weather's first
	revision uint64
	since    time.Time // when With was first asked
	backlog  backlog
}

// A backlog is what a yard's nodes had to hold back and now send.
type backlog struct {
	onTime  time.Time // when something last came that was not held back
	cut     time.Time // when it last did before nothing did for long,
	resumed time.Time // and when it did again
	since   time.Time // the cut that the backlog is from: what fell silent before has other reasons
	arrived time.Time // when the last of it came
	told    time.Time // from when on silences that it hid are told; zero: none is hidden
}

// A timekeeper is a node with a clock.
type timekeeper struct {
	hive   outyard.HiveID
	newest []difference // Times of them
	past   []clockFault
}

// A difference is by how much a node's time is ahead of its arrival.
type difference struct {
	arrived time.Time
	ahead   time.Duration
}

// A clockFault is a spell of wrong time, by the time of arrival.
type clockFault struct {
	onset, end time.Time // end is zero while it lasts
	ahead      time.Duration
}

// clockOff is what a finding of a clock says is at fault.
const clockOff = "clock"

// NewClocks begins to watch the clocks of a yard's nodes. What was found of them
// before goes on.
func NewClocks(yard outyard.Yard, set ClockSettings, known []outyard.Finding) *Clocks {
	c := &Clocks{yard: yard, set: set}
	for _, f := range known {
		if f.Kind != outyard.SensorFault || f.State == outyard.Withdrawn || f.Facts["fault"] != clockOff {
			continue
		}
		n := c.node(f.Hive)
		n.past = append(n.past, clockFault{f.Onset, f.End, time.Duration(f.Fact("clock_ahead_minutes") * float64(time.Minute))})
	}
	for _, n := range c.nodes {
		slices.SortFunc(n.past, func(a, b clockFault) int { return a.onset.Compare(b.onset) })
	}
	return c
}

func (c *Clocks) node(hive outyard.HiveID) *timekeeper {
	i, known := slices.BinarySearchFunc(c.nodes, hive, func(n *timekeeper, h outyard.HiveID) int { return cmp.Compare(n.hive, h) })
	if !known {
		c.nodes = slices.Insert(c.nodes, i, &timekeeper{hive: hive})
	}
	return c.nodes[i]
}

// Arrived takes the time of a hive's reading, or the weather's, and when it
// arrived, in order of arrival.
func (c *Clocks) Arrived(hive outyard.HiveID, at, arrived time.Time) {
	n := c.node(hive)
	ahead := at.Sub(arrived)
	if n.open() == nil {
		c.backlog.take(-ahead, arrived)
	}
	if k := len(n.newest); k > 0 && arrived.Sub(n.newest[k-1].arrived) < c.set.Apart {
		n.newest[k-1].ahead = max(n.newest[k-1].ahead, ahead) // a delay only takes from it
		return
	}
	c.judge(n) // those before, of which nothing more comes
	if len(n.newest) == c.set.Times {
		n.newest = append(n.newest[:0], n.newest[1:]...)
	}
	n.newest = append(n.newest, difference{arrived, ahead})
}

func (b *backlog) take(held time.Duration, arrived time.Time) {
	long := DefaultSettings().SilentLeast
	if held <= long {
		if arrived.Sub(b.onTime) > long {
			b.cut, b.resumed = b.onTime, arrived
		}
		b.onTime = arrived
		return
	}
	if arrived.Sub(b.arrived) > long {
		b.since = b.onTime
		if arrived.Sub(b.resumed) <= long { // the newest came first
			b.since = b.cut
		}
	}
	b.arrived = arrived
}

// hides says that a node's silence goes back to the time of a backlog that the
// yard's other nodes have begun to send: this one has its usual time to do so,
// or to go on with it.
func (b *backlog) hides(silent outyard.Finding, now time.Time) bool {
	usual := time.Duration(silent.Fact("cadence_minutes") * float64(time.Minute))
	due := b.arrived.Add(DefaultSettings().limit(usual))
	if b.arrived.IsZero() || silent.Hive == "" && silent.State != outyard.Open || !now.Before(due) || silent.Onset.Add(2*usual).Before(b.since) {
		return false
	}
	if b.told.IsZero() || due.Before(b.told) {
		b.told = due
	}
	return true
}

// Due is when With will say something else although nothing arrives; zero for
// never.
func (c *Clocks) Due() time.Time { return c.backlog.told }

// Pass lets time pass.
func (c *Clocks) Pass(now time.Time) {
	if due := c.Due(); !due.IsZero() && !now.Before(due) {
		c.backlog.told = time.Time{}
		c.revision++
	}
}

// judge says whether a node's clock is off, or right again.
func (c *Clocks) judge(n *timekeeper) {
	open := n.open()
	if open == nil {
		if len(n.newest) < c.set.Times {
			return
		}
		first := n.newest[0].ahead
		for _, d := range n.newest {
			if d.ahead.Abs() < c.set.Least || (d.ahead-first).Abs() > c.set.Spread {
				return
			}
		}
		n.past = append(n.past, clockFault{onset: n.newest[0].arrived.Truncate(time.Second), ahead: first.Round(time.Minute)})
		c.revision++
		return
	}
	if len(n.newest) < c.set.SoundTimes {
		return
	}
	sound := n.newest[len(n.newest)-c.set.SoundTimes:]
	for _, d := range sound {
		if d.ahead.Abs() >= c.set.Least {
			return
		}
	}
	open.end = sound[0].arrived.Truncate(time.Second)
	c.revision++
}

func (n *timekeeper) open() *clockFault {
	if k := len(n.past); k > 0 && n.past[k-1].end.IsZero() {
		return &n.past[k-1]
	}
	return nil
}

// Revision changes when With may say something else.
func (c *Clocks) Revision() uint64 { return c.revision }

// With adds the clocks that are off to what else is found as of now. A node is
// not silent that only dates back what it sends, nor was it when its clock was
// set right.
func (c *Clocks) With(found []outyard.Finding, now time.Time) []outyard.Finding {
	if c.since.IsZero() {
		c.since = now
	}
	found = slices.DeleteFunc(found, func(f outyard.Finding) bool {
		return f.Kind == outyard.Silent && c.backlog.hides(f, now)
	})
	added := false
	for _, n := range c.nodes {
		for _, o := range n.past {
			found = slices.DeleteFunc(found, func(f outyard.Finding) bool {
				return f.Kind == outyard.Silent && f.Hive == n.hive && c.explains(n, o, f, now)
			})
			found, added = append(found, c.finding(n.hive, o)), true
		}
	}
	if added {
		slices.SortStableFunc(found, func(a, b outyard.Finding) int { return a.Onset.Compare(b.Onset) })
	}
	return found
}

// explains says that a node's silence is no more than its clock's being behind.
func (c *Clocks) explains(n *timekeeper, o clockFault, silent outyard.Finding, now time.Time) bool {
	switch {
	case o.ahead > 0:
		return false
	case !o.end.IsZero():
		return (silent.End.Sub(o.end)).Abs() < c.set.Least && (silent.Onset.Sub(o.end.Add(o.ahead))).Abs() < c.set.Least
	case silent.State != outyard.Open: // set right just now, as will be seen
		return !silent.Onset.Before(o.onset.Add(o.ahead)) && (silent.End.Sub(silent.Onset)+o.ahead).Abs() < c.set.Least
	}
	usual := time.Duration(silent.Fact("cadence_minutes") * float64(time.Minute))
	heard := c.since // nothing has arrived yet since a restart: it has its usual time
	if len(n.newest) > 0 {
		heard = n.newest[len(n.newest)-1].arrived
	}
	return now.Sub(heard) <= DefaultSettings().limit(usual)
}

func (c *Clocks) finding(hive outyard.HiveID, o clockFault) outyard.Finding {
	who, way := "this hive's node", "ahead"
	if hive == "" {
		who = "the yard's weather node"
	}
	if o.ahead < 0 {
		way = "behind"
	}
	off := spoken(o.ahead.Abs())
	f := outyard.Finding{
		Kind: outyard.SensorFault, Yard: c.yard.ID, Hive: hive, Onset: o.onset, Severity: outyard.Soon, Confidence: 0.9, State: outyard.Open,
		Summary: fmt.Sprintf("The clock of %s is %s %s since %s: what it measures is dated wrongly.", who, off, way, o.onset.In(c.yard.Zone).Format("2 January 15:04")),
		Advice: []string{"Set the node's clock, to UTC, or have it send no times: then the time of arrival counts.",
			"If the clock is right, the node holds its readings back by as much: a swarm would be told of too late."},
		Facts: map[string]any{"fault": clockOff, "clock_ahead_minutes": math.Round(o.ahead.Minutes()),
			"reasons": []string{fmt.Sprintf("its readings arrive %s after the time that they give, one like the other", off)}},
	}
	if hive != "" {
		f.Caution = []string{stingCaution}
	}
	if o.ahead > 0 {
		f.Facts["reasons"] = []string{fmt.Sprintf("its readings arrive %s before the time that they give, one like the other", off)}
		f.Advice = f.Advice[:1]
	}
	if !o.end.IsZero() {
		f.State, f.End = outyard.Over, o.end
		f.Summary = fmt.Sprintf("The clock of %s was %s %s from %s to %s: what it measured then is dated wrongly.", who, off, way,
			o.onset.In(c.yard.Zone).Format("2 January"), o.end.In(c.yard.Zone).Format("2 January"))
	}
	return f
}
