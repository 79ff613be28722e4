package instruments

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/timekeeping"
)

// Clocks compares the times that nodes give with when their readings arrive. It
// is no part of a course: when a reading arrived is not kept, and a course that
// is begun anew could not know of it.
type Clocks struct {
	yard     outyard.Yard
	set      timekeeping.Settings
	nodes    []*timekeeper // by hive; the weather's first
	revision uint64
	since    time.Time // when Heard was first asked
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
	hive outyard.HiveID
	timekeeping.Node
	heard time.Time // when anything arrived from it
	past  []clockFault
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
func NewClocks(yard outyard.Yard, set timekeeping.Settings, known []outyard.Finding) *Clocks {
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
// arrived, in order of arrival. It says whether the node's clock is off.
func (c *Clocks) Arrived(hive outyard.HiveID, at, arrived time.Time) (off bool) {
	if c.node(hive).open() == nil {
		c.backlog.take(arrived.Sub(at), arrived)
	}
	return c.Unkept(hive, at, arrived)
}

// Unkept is Arrived of a reading that is not kept, for its time or since one of
// that time is there already: nothing of it is a backlog.
func (c *Clocks) Unkept(hive outyard.HiveID, at, arrived time.Time) (off bool) {
	n := c.node(hive)
	n.heard = arrived
	n.Note(at, arrived, c.set)
	c.judge(n)
	return n.open() != nil
}

// Heard tells of each node when something last arrived from it and whether its
// clock is off, for a course that was begun anew as of now. A node with a clock
// that was off before this program started has its usual time to be heard of.
func (c *Clocks) Heard(now time.Time, tell func(hive outyard.HiveID, arrived time.Time, off bool)) {
	if c.since.IsZero() {
		c.since = now
	}
	for _, n := range c.nodes {
		off := n.open() != nil
		if n.heard.IsZero() && off {
			tell(n.hive, c.since, off)
		} else if !n.heard.IsZero() {
			tell(n.hive, n.heard, off)
		}
	}
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
		if ahead, since := n.Ahead(c.set); ahead.Abs() >= c.set.Least {
			n.past = append(n.past, clockFault{onset: since.Truncate(time.Second), ahead: ahead.Round(time.Minute)})
			c.revision++
		}
		return
	}
	if since, sound := n.Sound(c.set); sound {
		open.end = since.Truncate(time.Second)
		c.revision++
	}
}

func (n *timekeeper) open() *clockFault {
	if k := len(n.past); k > 0 && n.past[k-1].end.IsZero() {
		return &n.past[k-1]
	}
	return nil
}

// Revision changes when With may say something else.
func (c *Clocks) Revision() uint64 { return c.revision }

// With adds the clocks that are off to what else is found as of now. A node was
// not silent, nor the yard with it, for its clock's being set right.
func (c *Clocks) With(found []outyard.Finding, now time.Time) []outyard.Finding {
	found = slices.DeleteFunc(found, func(f outyard.Finding) bool {
		return f.Kind == outyard.Silent && c.backlog.hides(f, now)
	})
	added := false
	for _, n := range c.nodes {
		for _, o := range n.past {
			found = slices.DeleteFunc(found, func(f outyard.Finding) bool {
				return f.Kind == outyard.Silent && (f.Hive == n.hive || f.Hive == "") && c.explains(o, f)
			})
			found, added = append(found, c.finding(n.hive, o)), true
		}
	}
	if added {
		slices.SortStableFunc(found, func(a, b outyard.Finding) int { return a.Onset.Compare(b.Onset) })
	}
	return found
}

// explains says that a silence that is over is no more than the gap that a
// clock left when it was set right: what it sent while it was ahead was refused,
// and while it was behind it fell short of the time.
func (c *Clocks) explains(o clockFault, silent outyard.Finding) bool {
	near := c.set.Least + time.Duration(silent.Fact("cadence_minutes")*float64(time.Minute))
	about := func(a, b time.Time) bool { return a.Sub(b).Abs() < near }
	switch {
	case silent.State == outyard.Open:
		return false
	case o.ahead > 0:
		return about(silent.Onset, o.onset) && (o.end.IsZero() || about(silent.End, o.end))
	case !o.end.IsZero():
		return about(silent.End, o.end) && about(silent.Onset, o.end.Add(o.ahead))
	}
	// Set right just now, as will be seen.
	return !silent.Onset.Before(o.onset.Add(o.ahead)) && (silent.End.Sub(silent.Onset)+o.ahead).Abs() < near
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
	const year = 365 * 24 * time.Hour
	if o.ahead < -5*year {
		off = "years" // never set
	}
	f := outyard.Finding{
		Kind: outyard.SensorFault, Yard: c.yard.ID, Hive: hive, Onset: o.onset, Severity: outyard.Soon, Confidence: 0.9, State: outyard.Open,
		Summary: fmt.Sprintf("The clock of %s is %s %s since %s: what it measures is dated wrongly.", who, off, way, o.onset.In(c.yard.Zone).Format("2 January 15:04")),
		Advice: []string{"Set the node's clock, to UTC, or have it send no times: then the time of arrival counts.",
			"If the clock is right, the node holds its readings back by as much: a swarm would be told of too late."},
		Facts: map[string]any{"fault": clockOff, "clock_ahead_minutes": math.Round(o.ahead.Minutes()),
			"reasons": []string{fmt.Sprintf("its readings arrive %s after the time that they give, one like the other", off)}},
	}
	if o.ahead > 0 {
		f.Facts["reasons"] = []string{fmt.Sprintf("its readings arrive %s before the time that they give, one like the other", off)}
		f.Advice = f.Advice[:1]
	}
	refused := o.ahead > outyard.MaxAhead || off == "years"
	if refused {
		f.Summary = fmt.Sprintf("The clock of %s is %s %s since %s: what it sends is refused, and nothing is known meanwhile.", who, off, way, o.onset.In(c.yard.Zone).Format("2 January 15:04"))
		f.Advice = []string{f.Advice[0], "What was refused stays kept as it came, on the page of what was refused."}
	}
	f.Caution = []string{stingCaution, driveCaution}
	if hive == "" {
		f.Caution = []string{mastCaution, driveCaution}
	}
	if !o.end.IsZero() {
		f.State, f.End = outyard.Over, o.end
		then := "what it measured then is dated wrongly"
		if refused {
			then = "what it sent then was refused"
		}
		f.Summary = fmt.Sprintf("The clock of %s was %s %s from %s to %s: "+then+".", who, off, way,
			o.onset.In(c.yard.Zone).Format("2 January"), o.end.In(c.yard.Zone).Format("2 January"))
	}
	return f
}
