package analysis

import (
	"math"
	"slices"
	"sort"
	"time"

	"outyard"
	"outyard/analysis/activity"
	"outyard/analysis/air"
	"outyard/analysis/brood"
	"outyard/analysis/condition"
	"outyard/analysis/honey"
	"outyard/analysis/instruments"
	"outyard/analysis/robust"
	"outyard/analysis/steps"
	"outyard/analysis/sun"
)

// A hive is one hive's season so far.
type hive struct {
	id      outyard.HiveID
	yard    outyard.Yard
	set     *Settings // the course's
	newest  time.Time
	weighed time.Time // of the last sample with a weight
	counted time.Time // the end of the last day that is counted
	stream  *condition.Stream
	detect  *steps.Detector
	samples condition.Memory
	events  []*event          // every departure, by time
	told    []outyard.Finding // what events[:done] mean, which change no more
	done    int
	shapes  shapes
	darkAt  time.Time // when it was last asked whether it is dark
	dark    bool
	air     *air.Days
	warmth  []brood.Hour // of the date counted last
	stores  *honey.Watch
	nights  honey.Nights
	water   wetDays
	moving  []instruments.Span // when its scale's zero moved by itself
	lidKg   float64            // NaN when the keeper has not said
	// Robbing on a day that is not counted, and when to ask of it again.
	robbery  *outyard.Finding
	robbedOn outyard.Date
	askAt    time.Time
	addedTo  time.Time // the last day on which something was put on it
}

// An event is a departure and what it is taken for.
type event struct {
	steps.Event
	around steps.Circumstances // as last seen
	alone  steps.Verdict       // by its own path only
	said   saying
	probe  struct{ known, brood bool } // see broodProbe
}

// broodProbe says whether the probe hung in the brood before the event. That
// is past, and found out once.
func (e *event) broodProbe(h *hive) bool {
	if !e.probe.known {
		e.probe.known, e.probe.brood = true, h.broodProbe(e.Before)
	}
	return e.probe.brood
}

// A saying is what a finding would tell of an event: while it is the same,
// nothing is new.
type saying struct {
	cause    steps.Cause
	percent  int
	settled  bool
	start    time.Time
	end      time.Time
	netGrams int
	warmedDK int
}

func (e *event) says() saying {
	return saying{e.Verdict.Cause, int(math.Round(100 * e.Verdict.P[e.Verdict.Cause])), e.Settled, e.Start, e.End,
		int(math.Round(1000 * e.NetKg())), int(math.Round(10 * e.WarmedK))}
}

func newHive(id outyard.HiveID, yard outyard.Yard, journal []outyard.Entry, set *Settings) *hive {
	config, _ := yard.Hive(id)
	config.ID = id
	return &hive{id: id, yard: yard, set: set, lidKg: lidKg(config.Equipment), stream: condition.NewStream(set.Condition),
		detect: steps.NewDetector(set.Steps), samples: condition.Memory{For: keepFor}, air: air.NewDays(yard.Zone, airOf(config, set.Air)), stores: honey.NewWatch(yard, config, journal, set.Honey)}
}

// airOf is how the air of a hive is judged whose keeper has said how thick its
// walls are.
func airOf(h outyard.Hive, set air.Settings) air.Settings {
	if h.WallMm > 0 {
		set.WallM = h.WallMm / 1000
	}
	return set
}

// lidKg is what a hive's lid weighs with its inner cover; a stone on it comes
// and goes with the season.
func lidKg(equipment []outyard.Part) float64 {
	kg := 0.0
	for _, p := range equipment {
		switch in, _ := p.Info(); p {
		case "lid", "migratory-lid", "inner-cover":
			kg += in.EmptyKg
		}
	}
	if kg == 0 {
		return outyard.Unknown
	}
	return kg
}

// observe takes the hive's next reading. What the yard's hives gained between
// two instants is asked of usualKg.
func (h *hive) observe(r outyard.Reading, usualKg func(from, to time.Time) float64) {
	h.newest = r.Time
	if r.Time.Sub(h.darkAt) > darkFor {
		h.darkAt, h.dark = r.Time, sun.ElevationDeg(h.yard.Latitude, h.yard.Longitude, r.Time) < nightDeg
	}
	s, ok := h.stream.Next(r, h.dark)
	if !ok {
		return
	}
	h.samples.Add(s)
	if !outyard.Known(s.WeightKg) {
		return
	}
	courseKg := outyard.Unknown
	if !h.weighed.IsZero() && s.Time.Sub(h.weighed) >= steps.Silence {
		courseKg = usualKg(h.weighed, s.Time)
	}
	h.weighed = s.Time
	if d := h.detect.Next(s, h.stream.NoiseKg(), courseKg); d != nil {
		if n := len(h.events); n == 0 || h.events[n-1].Departure != d {
			h.events = append(h.events, &event{Event: steps.Event{Departure: d},
				around: steps.Circumstances{Busy: activity.Unknown()}})
		}
	}
}

// nightDeg is the sun's height under which no bee flies: the end of civil
// twilight.
const nightDeg = -6

// darkFor is how long it is taken to be as dark as it was: the sun's height
// costs more than all else that is done with a reading.
const darkFor = 15 * time.Minute

// restlessFor is how long after a departure what follows may still change
// what it is taken for.
const restlessFor = 6 * time.Hour

// restless says whether a departure is so recent that it has to be weighed anew.
func (h *hive) restless() bool {
	n := len(h.events)
	return n > 0 && h.newest.Sub(h.events[n-1].End) <= restlessFor
}

// within returns the elements from one instant up to, not including, another.
func within[T any](s []T, from, to time.Time, at func(T) time.Time) []T {
	i := sort.Search(len(s), func(i int) bool { return !at(s[i]).Before(from) })
	j := i + sort.Search(len(s)-i, func(j int) bool { return !at(s[i+j]).Before(to) })
	return s[i:j]
}

// recent returns the events that ended at t or later.
func (h *hive) recent(t time.Time) []*event {
	i := len(h.events)
	for i > 0 && !h.events[i-1].End.Before(t) {
		i--
	}
	return h.events[i:]
}

// changeKg is what the hive's weight changed by between two instants, from the
// samples nearest to them; NaN when there are none within the half hour.
func (h *hive) changeKg(from, to time.Time) float64 {
	const off = 30 * time.Minute
	return h.samples.WeightKg(to, off) - h.samples.WeightKg(from, off)
}

// The warmth of a brood nest: it is kept at 32 to 36 °C (COLOSS standard
// methods). At its centre a day swings by less than a degree (from memory), at
// its edge by more; elsewhere in the hive the warmth follows the day's.
const (
	nestMinC, nestMaxC = 32.0, 37.0
	nestSwingK         = 1.5
)

// broodProbe says whether the probe hung in the warmth of a brood nest on the
// day up to an instant: as warm, and as steady.
func (h *hive) broodProbe(before time.Time) bool {
	var c []float64
	for _, s := range h.samples.Between(before.Add(-24*time.Hour), before.Add(-30*time.Minute)) {
		if outyard.Known(s.InsideTempC) {
			c = append(c, s.InsideTempC)
		}
	}
	if len(c) < 6 {
		return false
	}
	slices.Sort(c)
	middle, swing := c[len(c)/2], c[len(c)*9/10]-c[len(c)/10]
	return middle > nestMinC && middle < nestMaxC && swing < nestSwingK
}

// explainAround weighs anew what may have changed with hive h's newest
// sample: its own recent departures, and, when one of those began or ended,
// those of the yard's other hives at the same time.
func (c *Course) explainAround(h *hive) {
	c.explain(h, h.newest.Add(-restlessFor))
	last := h.events[len(h.events)-1]
	if h.newest.Sub(last.End) > h.set.Steps.SettleSpan*2 {
		return
	}
	for _, other := range c.order {
		if other != h {
			c.explain(other, last.Before.Add(-neighbourhood))
		}
	}
}

// neighbourhood is how far apart two hives' turns on one visit to the yard
// may be.
const neighbourhood = 90 * time.Minute

// returnWithin is how soon a swarm that lost its queen is back.
const returnWithin = 2 * time.Hour

// explain weighs a hive's departures that ended since an instant.
func (c *Course) explain(h *hive, since time.Time) {
	recent := h.recent(since)
	alone := make([]steps.Circumstances, len(recent))
	for i, e := range recent {
		alone[i] = c.circumstances(h, e)
		e.alone = steps.Explain(e.Departure, alone[i], c.set.Steps)
	}
	for i, e := range recent {
		busy := e.around.Busy
		e.around = c.inCompany(alone[i], h, e)
		e.around.Busy = busy
		e.Verdict = steps.Explain(e.Departure, e.around, c.set.Steps)
		if s := e.says(); s != e.said {
			e.said = s
			c.revision++
		}
	}
}

// settledAfter is when what an event is taken for changes no more.
const settledAfter = (aftermathDays + 2) * 24 * time.Hour

// findings says what the hive's departures mean.
func (h *hive) findings() []outyard.Finding {
	// What is days old changes no more; a visit is not cut in two.
	final := h.done
	for i := h.done; i < len(h.events) && h.newest.Sub(h.events[i].End) > settledAfter; i++ {
		if i+1 < len(h.events) && h.events[i+1].Before.Sub(h.events[i].End) > h.set.Steps.SameVisit {
			final = i + 1
		}
	}
	if final > h.done {
		h.told = append(h.told, h.mean(h.events[h.done:final])...)
		h.done = final
	}
	found := slices.Concat(h.told, h.mean(h.events[final:]))
	for i := range found {
		h.cease(&found[i])
	}
	return found
}

// swarmNews is how long a swarm is something to go out for: it hangs for an
// hour or two, seldom for a night (common practice, no source).
const swarmNews = 24 * time.Hour

// cease ends what has ceased: a swarm that has flown on by now, and an
// overturned hive that weighs again what it did. A swarm goes by the days that
// are counted, at which whoever asks looks again.
func (h *hive) cease(f *outyard.Finding) {
	switch {
	case f.State != outyard.Open:
	case f.Kind == outyard.Swarm && h.counted.Sub(f.Onset) > swarmNews:
		f.State, f.End = outyard.Over, f.Onset.Add(swarmNews)
	case f.Kind == outyard.KnockedOver || f.Facts["fault"] == steps.NoWeight:
		before, after := f.Fact("before_kg"), f.Fact("after_kg")
		for _, e := range h.events {
			if e.Start.After(f.Onset) && e.Settled && e.AfterKg > (before+after)/2 {
				f.State, f.End = outyard.Over, e.End
				return
			}
		}
	}
}

func (h *hive) mean(events []*event) []outyard.Finding {
	all := make([]steps.Event, len(events))
	for i, e := range events {
		all[i] = e.Event
	}
	found := steps.Findings(all, h.yard.Zone, h.set.Steps)
	for i := range found {
		found[i].Yard, found[i].Hive = h.yard.ID, h.id
	}
	return found
}

// worked says that an event shows, by its own path, the marks of the keeper's
// work.
func (e *event) worked() bool {
	return e.alone.Cause == steps.KeepersWork && e.alone.P[steps.KeepersWork] > 0.8
}

// abrupt says that more was moved than bees or a shower could: seen at several
// hives of a yard within the hour it is the keeper going round, for three
// swarms at once are rarer by far.
func (e *event) abrupt() bool {
	return max(math.Abs(e.NetKg()), e.LiftKg(), e.PushKg()) > 0.9 &&
		e.alone.Cause != steps.Water && e.alone.Cause != steps.Fault
}

// likeSwarm is the most that an event counts for a mark of the keeper when a
// swarm could have left just such a path: on a fine day several hives of a yard
// may swarm, and what the keeper takes mostly shows a lift at one of them.
const likeSwarm = 0.3

// mark is how much an event counts for a mark of the keeper in the yard: as
// much as it is no swarm by its own path.
func (e *event) mark(set steps.Settings) float64 {
	mark := 1 - e.alone.P[steps.SwarmLeft] - e.alone.P[steps.SwarmCameBack]
	if steps.CleanFall(e.Departure, set) {
		return min(mark, likeSwarm)
	}
	return mark
}

// An after-swarm leaves some 7 to 14 days after the prime one (from memory), and
// others within days after it.
const (
	castFirst = 6 * 24 * time.Hour
	castLast  = 17 * 24 * time.Hour
)

// circumstances gathers what is known around an event, but for what other
// events are taken for, so that two guesses do not prop each other up.
func (c *Course) circumstances(h *hive, e *event) steps.Circumstances {
	from, to := e.Before.Add(-time.Hour), e.End.Add(time.Hour)
	x := steps.Circumstances{
		SolarHour:    sun.SolarHour(c.yard.Longitude, e.Start),
		SunDeg:       sun.ElevationDeg(c.yard.Latitude, c.yard.Longitude, e.Start),
		SwarmSeason:  swarmSeason(c.yard.Latitude, e.Start),
		OutsideTempC: c.weather.mean(outyard.OutsideTemp, from, to),
		RainMm:       c.weather.rainMm(from, to),
		WindMS:       c.weather.mean(outyard.Wind, from, to),
		Quiet:        h.newest.Sub(e.QuietFrom),
		BroodProbe:   e.broodProbe(h),
		LidKg:        h.lidKg,
	}
	x.CommonKg, x.YardKg = c.commonKg(h, e.Before, e.End)
	for _, j := range within(c.journal, e.Start.Add(-3*time.Hour), e.Start.Add(3*time.Hour), func(j outyard.Entry) time.Time { return j.Time }) {
		if j.Hive == "" || j.Hive == h.id {
			x.Journal = append(x.Journal, j)
		}
	}
	x.Stood = x.Quiet
	net := e.NetKg()
	for _, later := range h.recent(e.End) {
		if later != e && !later.Before.Before(e.QuietFrom) {
			x.Stood = min(x.Stood, later.Before.Sub(e.QuietFrom))
		}
		if later != e && later.Before.Sub(e.End) < 4*time.Hour && later.NetKg()*net < 0 {
			// A box put on an hour later is not a swarm come back.
			back := -later.NetKg() / net
			x.BackShare = max(x.BackShare, min(back, 2-back))
		}
	}
	return x
}

// inCompany adds what other events about it are taken for.
func (c *Course) inCompany(x steps.Circumstances, h *hive, e *event) steps.Circumstances {
	net := e.NetKg()
	x.AllAtOnce = c.allAtOnce(h, e)
	for _, o := range h.recent(e.Before.Add(-castLast)) {
		if e.Before.Sub(o.Before) >= castFirst {
			x.Swarmed = max(x.Swarmed, o.Verdict.P[steps.SwarmLeft])
		}
	}
	for _, o := range h.recent(e.Before.Add(-neighbourhood)) {
		if undoes := math.Abs(o.NetKg()+net) < 0.4*math.Abs(net); o != e && !undoes && o.Before.Sub(e.End) <= neighbourhood {
			x.WorkedNear = x.WorkedNear || o.worked()
		}
		if o != e && o.End.Before(e.Start) && e.Start.Sub(o.End) < returnWithin && math.Abs(o.NetKg()+net) < 0.4*net {
			x.SwarmBefore = x.SwarmBefore || o.Verdict.Cause == steps.SwarmLeft || o.Verdict.Cause == steps.SwarmCameBack
		}
	}
	for _, other := range c.order {
		if other == h || other.unsure(e.Before, e.End) {
			continue
		}
		if other.newest.After(e.Start) {
			x.Neighbours++
		}
		gap, mark := neighbourhood+1, 0.0
		for _, o := range other.recent(e.Before.Add(-neighbourhood)) {
			if o.abrupt() {
				apart := max(0, o.Before.Sub(e.End), e.Before.Sub(o.End))
				gap = min(gap, apart)
				if apart <= neighbourhood {
					mark = max(mark, o.mark(c.set.Steps))
				}
			}
		}
		if gap > neighbourhood {
			continue
		}
		if x.NeighboursWorked == 0 || gap < x.NeighbourGap {
			x.NeighbourGap = gap
		}
		x.NeighboursWorked++
		x.NeighbourMarks += mark
	}
	return x
}

// commonKg is the median change over a while of the yard's other hives whose
// scales are not known to move by themselves, without and with those that
// departed themselves; that of all needs two.
func (c *Course) commonKg(h *hive, from, to time.Time) (quietKg, allKg float64) {
	var quiet, all []float64
	for _, other := range c.order {
		if other == h || other.unsure(from, to) {
			continue
		}
		if ch := other.changeKg(from, to); outyard.Known(ch) {
			all = append(all, ch)
			if math.Abs(ch) < 1.5 {
				quiet = append(quiet, ch)
			}
		}
	}
	quietKg, allKg = outyard.Unknown, outyard.Unknown
	if len(quiet) > 0 {
		slices.Sort(quiet)
		quietKg = quiet[len(quiet)/2]
	}
	if len(all) > 1 {
		allKg = robust.Median(all)
	}
	return quietKg, allKg
}

// swarmSeason is how usual swarms are at a time of year, 1 at the height and
// below 0 when there are none: in temperate
// climates most leave within the weeks of spring and early summer, with
// stragglers until autumn (common practice, no source). South of the equator
// it is half a year later; within the tropics any time will do.
func swarmSeason(latitude float64, t time.Time) float64 {
	if math.Abs(latitude) < 23.4 {
		return 0.7
	}
	if latitude < 0 {
		t = t.AddDate(0, 6, 0)
	}
	// The middle of each month, January first; straight lines between.
	usual := [12]float64{-1.5, -1.2, 0.1, 0.8, 1, 1, 0.8, 0.4, 0.2, -0.5, -1.5, -1.5}
	at := float64(t.YearDay()-15) / 30.44
	i := int(math.Floor(at))
	f := at - float64(i)
	return usual[(i+12)%12]*(1-f) + usual[(i+13)%12]*f
}
