// Package analysis says what a yard's readings mean: which hive swarmed, was
// worked on, goes damp; where nectar comes in. It is pure: no clock, no store,
// no goroutine. A season is folded reading by reading, so that the live daemon
// and a replay of its files cannot come to different findings.
package analysis

import (
	"cmp"
	"errors"
	"maps"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/air"
	"outyard/analysis/brood"
	"outyard/analysis/condition"
	"outyard/analysis/flow"
	"outyard/analysis/gain"
	"outyard/analysis/honey"
	"outyard/analysis/instruments"
	"outyard/analysis/robbing"
	"outyard/analysis/steps"
)

// Settings are the thresholds of all analyses.
type Settings struct {
	Condition condition.Settings
	Steps     steps.Settings
	Gain      gain.Settings
	Water     gain.WaterSettings
	Air       air.Settings
	Brood     brood.Settings
	Flow      flow.Settings
	Silence   instruments.Settings
	Battery   instruments.BatterySettings
	Fault     instruments.FaultSettings
	Honey     honey.Settings
	Robbing   robbing.Settings
	// LeastConfidence is how likely what a finding says must be, 0 to 1, for it
	// to be known of at all: one in twenty teaches the keeper to look away. A
	// swarm is told from less than even odds, so that the least is no higher.
	LeastConfidence float64
}

// DefaultSettings returns the defaults of every analysis.
func DefaultSettings() Settings {
	return Settings{
		Condition: condition.DefaultSettings(),
		Steps:     steps.DefaultSettings(),
		Gain:      gain.DefaultSettings(),
		Water:     gain.DefaultWaterSettings(),
		Air:       air.DefaultSettings(),
		Brood:     brood.DefaultSettings(),
		Flow:      flow.DefaultSettings(),
		Silence:   instruments.DefaultSettings(),
		Battery:   instruments.DefaultBatterySettings(),
		Fault:     instruments.DefaultFaultSettings(),
		Honey:     honey.DefaultSettings(),
		Robbing:   robbing.DefaultSettings(),

		LeastConfidence: 0.05,
	}
}

// ErrLate says that a reading is older than what its hive gave before, or than
// a day that is already counted: the past has changed, and the season must be
// folded anew from the store.
var ErrLate = errors.New("reading changes what was already evaluated")

// closeHour is the local hour at which the day before is counted: late enough
// for readings about midnight to be in, early enough for the morning's plans.
// Readings up to closeNeeds are what the count looks at.
const (
	closeHour  = 6
	closeNeeds = 4
)

// A Course is one yard's season as it unfolds.
type Course struct {
	yard    outyard.Yard
	journal []outyard.Entry // by time
	set     Settings

	hives   map[outyard.HiveID]*hive
	order   []*hive // by id
	weather weather
	usual   usual
	airs    shapes   // the air's temperature
	nights  [2]night // asked for last

	newest   time.Time    // the newest instant seen
	first    outyard.Date // the first date that is not counted yet
	counts   hourOfDate   // when it is
	needs    hourOfDate   // from when on readings may still come
	began    bool
	counted  bool // at least one day is
	judge    *air.Judge
	nests    *brood.Watch
	water    *gain.Water
	flows    *flow.Watch
	robbers  *robbing.Watch
	silence  *instruments.Silence
	battery  *instruments.Batteries
	faults   *instruments.Faults
	days     []outyard.Day
	revision uint64
}

// NewCourse begins a yard's season with what the keeper wrote about it.
func NewCourse(yard outyard.Yard, journal []outyard.Entry, set Settings) *Course {
	c := &Course{yard: yard, set: set, hives: map[outyard.HiveID]*hive{}, weather: weather{set: set.Condition},
		judge: air.NewJudge(yard, set.Air), nests: brood.NewWatch(yard, set.Brood), flows: flow.NewWatch(yard, set.Flow), water: gain.NewWater(set.Water), robbers: robbing.NewWatch(yard, set.Robbing),
		silence: instruments.NewSilence(yard, set.Silence), battery: instruments.NewBatteries(yard, set.Battery),
		faults: instruments.NewFaults(yard, set.Fault)}
	for _, e := range journal {
		if e.Yard == yard.ID {
			c.journal = append(c.journal, e)
		}
	}
	slices.SortStableFunc(c.journal, func(a, b outyard.Entry) int { return a.Time.Compare(b.Time) })
	return c
}

// Observe takes a reading of the yard. The readings of one hive, and those of
// the weather, come in order of time; between hives any order will do, up to
// the count of a day. A reading that comes too late for this is not taken, and
// ErrLate says so.
func (c *Course) Observe(r outyard.Reading) error {
	h := c.hives[r.Hive]
	switch {
	case c.counted && r.Time.Before(c.countNeeds(c.first)),
		r.Hive == "" && !c.weather.newest.Before(r.Time),
		h != nil && !h.newest.Before(r.Time):
		return ErrLate
	}
	c.Advance(r.Time)
	if c.silence.Heard(r.Hive, r.Time) {
		c.revision++
	}
	if !c.counted {
		if date := outyard.DateOf(r.Time, c.yard.Zone); !c.began || date.Before(c.first) {
			c.began, c.first = true, date
		}
	}
	c.battery.Observe(r)
	r, changed := c.faults.Observe(r)
	if changed {
		c.revision++
	}
	c.weather.add(r)
	if r.Hive == "" {
		return nil
	}
	if h == nil {
		h = newHive(r.Hive, c.yard, c.journal, &c.set)
		c.hives[r.Hive] = h
		c.order = append(c.order, h)
		slices.SortFunc(c.order, func(a, b *hive) int { return cmp.Compare(a.id, b.id) })
	}
	h.observe(r, c.usual.between)
	if h.restless() {
		c.explainAround(h)
	}
	if h.weighed.Equal(r.Time) {
		c.watchDaylight(h)
	}
	return nil
}

// Arrived says when a reading of a hive, or of the weather, arrived, and whether
// its node's clock is known to be off. Whoever knows says so once the reading is
// observed; whether a node is silent hangs on it.
func (c *Course) Arrived(hive outyard.HiveID, arrived time.Time, off bool) {
	if c.silence.Arrived(hive, arrived, off) {
		c.revision++
	}
}

// Advance says that it is now at least now: days that are over are counted.
func (c *Course) Advance(now time.Time) {
	if now.After(c.newest) {
		c.newest = now
	}
	if c.silence.Pass(c.newest) {
		c.revision++
	}
	for c.began && !c.newest.Before(c.countAt(c.first)) {
		c.count(c.first)
		c.first = c.first.Add(1)
		c.counted = true
	}
}

// Due is the next instant at which time alone changes something: the count of
// the first date that is not counted, or when a node that is not heard from
// is silent. It is zero before the first reading.
// Whoever drives a course advances it at each such instant, so that a season
// told live and one told from its files change at the same moments.
func (c *Course) Due() time.Time {
	if !c.began {
		return time.Time{}
	}
	due := c.countAt(c.first)
	if silent := c.silence.Due(); !silent.IsZero() && silent.Before(due) {
		return silent
	}
	return due
}

// countAt is when a date is counted: the morning after.
func (c *Course) countAt(d outyard.Date) time.Time {
	return c.counts.at(d.Add(1), closeHour, c.yard.Zone)
}

// countNeeds is the instant up to which the count of the day before d looks.
func (c *Course) countNeeds(d outyard.Date) time.Time {
	return c.needs.at(d, closeNeeds, c.yard.Zone)
}

// An hourOfDate is an hour of the date that was asked for last: each reading
// asks for the same ones.
type hourOfDate struct {
	date outyard.Date
	time time.Time
}

func (h *hourOfDate) at(d outyard.Date, hour int, zone *time.Location) time.Time {
	if h.date != d || h.time.IsZero() {
		*h = hourOfDate{d, time.Date(d.Year, d.Month, d.Day, hour, 0, 0, 0, zone)}
	}
	return h.time
}

// Scales is what a degree of warmth adds to what each hive's scale shows, kg,
// with its standard error, as learnt so far from hours in which no bee flies;
// a hive that was never weighed has none. Where it is sure it is taken out of
// the gains. It takes weeks to learn.
func (c *Course) Scales() map[outyard.HiveID]gain.PerDegree {
	all := make(map[outyard.HiveID]gain.PerDegree, len(c.order))
	for _, h := range c.order {
		if !h.weighed.IsZero() {
			all[h.id] = c.water.PerDegree(h.id)
		}
	}
	return all
}

// Revision changes whenever Findings or Days may have changed.
func (c *Course) Revision() uint64 { return c.revision }

// Days returns the daily table so far, by date and hive, but for what Forget
// dropped.
func (c *Course) Days() []outyard.Day { return c.days }

// DaysSince returns the rows of the daily table from a date on.
func (c *Course) DaysSince(d outyard.Date) []outyard.Day {
	i, _ := slices.BinarySearchFunc(c.days, d, func(row outyard.Day, d outyard.Date) int { return row.Date.Sub(d) })
	return c.days[i:]
}

// Forget drops the rows of the daily table from before a date, for whoever has
// stored them: they change no more once they are as old as settledAfter.
func (c *Course) Forget(before outyard.Date) {
	if n := len(c.days) - len(c.DaysSince(before)); n > 0 {
		c.days = slices.Clone(c.days[n:])
	}
}

// Findings returns what is known now, by onset, without ids and times of
// telling, which are the teller's.
func (c *Course) Findings() []outyard.Finding {
	var all []outyard.Finding
	for _, h := range c.order {
		all = append(all, h.findings()...)
		all = append(all, h.stores.Findings()...)
		if h.robbery != nil {
			robbery := *h.robbery
			robbery.Facts = maps.Clone(robbery.Facts)
			all = append(all, robbery)
		}
	}
	all = c.asOne(all)
	all = append(all, c.judge.Findings()...)
	all = append(all, c.nests.Findings()...)
	for _, f := range c.flows.Findings() {
		c.ripen(&f)
		all = append(all, f)
	}
	all = append(all, c.robbers.Findings()...)
	all = append(all, c.silence.Findings()...)
	all = append(all, c.battery.Findings()...)
	all = append(all, c.faults.Findings()...)
	all = slices.DeleteFunc(all, func(f outyard.Finding) bool { return f.Confidence < c.set.LeastConfidence })
	all = slices.DeleteFunc(all, func(f outyard.Finding) bool {
		h := c.hives[f.Hive]
		return h != nil && h.doubtful(&f)
	})
	for i := range all {
		say(&all[i])
	}
	slices.SortStableFunc(all, func(a, b outyard.Finding) int {
		return cmp.Or(a.Onset.Compare(b.Onset), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Hive, b.Hive))
	})
	return all
}

// Evaluate folds a whole season at once: what a Course says of the readings up
// to asOf. The readings may be in any order.
func Evaluate(yard outyard.Yard, journal []outyard.Entry, readings []outyard.Reading, asOf time.Time, set Settings) ([]outyard.Finding, []outyard.Day) {
	rs := slices.Clone(readings)
	slices.SortStableFunc(rs, func(a, b outyard.Reading) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Hive, b.Hive))
	})
	c := NewCourse(yard, journal, set)
	for _, r := range rs {
		if !r.Time.After(asOf) {
			// In order of time nothing is late; a second reading of one
			// instant is not taken, as in the store.
			_ = c.Observe(r)
		}
	}
	c.Advance(asOf)
	return c.Findings(), c.Days()
}
