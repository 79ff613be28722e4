package robbing

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"outyard"
	"outyard/analysis/robust"
)

// A Watch follows one yard, day by day.
type Watch struct {
	yard  outyard.Yard
	set   Settings
	hives map[outyard.HiveID]*state
	order []*state // as first seen
	last  outyard.Date
	began bool
}

// A state is what is known of one hive.
type state struct {
	hive  outyard.HiveID
	usual *robust.Window // daylight changes against the yard's, without robbing
	p     float64        // that it is being robbed
	// The run of days of loss that may turn out to be robbing.
	run   []loss
	spell []spell
}

// A loss is a day's that robbers may have made.
type loss struct {
	date       outyard.Date
	kg         float64
	mateKg     float64 // the most that another hive gained meanwhile; NaN unknown
	from, till time.Time
}

// A spell is robbing that was told.
type spell struct {
	losses []loss
	p      float64 // the surest it was
	now    float64
	over   time.Time
	mates  int  // hives of the yard that were weighed besides
	soFar  bool // the last day is not over
}

// NewWatch returns a watch that has seen nothing yet.
func NewWatch(yard outyard.Yard, set Settings) *Watch {
	return &Watch{yard: yard, set: set, hives: map[outyard.HiveID]*state{}}
}

// Day takes the next day.
func (w *Watch) Day(d Day) {
	if w.began && !w.last.Before(d.Date) {
		return // a day that is past is changed by a new Watch
	}
	if gap := d.Date.Sub(w.last); w.began && gap > 1 {
		for _, s := range w.order {
			s.p *= math.Pow(w.set.StayChance, float64(gap-1)) // nobody saw them
		}
	}
	w.began, w.last = true, d.Date
	common := commonKg(d.Hives)
	excess := make([]float64, len(d.Hives)) // of loss, over the hive's usual
	for i, h := range d.Hives {
		excess[i] = w.excessKg(h, common)
	}
	for i, h := range d.Hives {
		s := w.of(h.Hive)
		mateKg := outyard.Unknown
		for k := range d.Hives {
			if gained := -excess[k]; k != i && outyard.Known(gained) && !(gained <= mateKg) {
				mateKg = gained
			}
		}
		w.judge(s, d, h, excess[i], mateKg, common)
	}
}

func (w *Watch) of(hive outyard.HiveID) *state {
	s := w.hives[hive]
	if s == nil {
		s = &state{hive: hive, usual: robust.NewWindow(w.set.UsualDays)}
		w.hives[hive] = s
		w.order = append(w.order, s)
	}
	return s
}

// commonKg is what the daylight did to the yard's hives together; of one or
// two nothing can be said to be common.
func commonKg(hives []HiveDay) float64 {
	var kg []float64
	for _, h := range hives {
		if outyard.Known(h.ChangeKg) {
			kg = append(kg, h.ChangeKg)
		}
	}
	if len(kg) < 3 {
		return outyard.Unknown
	}
	return robust.Median(kg)
}

// against is a hive's change against the yard's, or its own where there is no
// yard to speak of.
func against(h HiveDay, common float64) float64 {
	if outyard.Known(common) {
		return h.ChangeKg - common
	}
	return h.ChangeKg
}

// excessKg is by how much more than usual the hive lost by daylight.
func (w *Watch) excessKg(h HiveDay, common float64) float64 {
	usual := 0.0
	if s := w.hives[h.Hive]; s != nil && s.usual.Known() >= fewestUsual {
		usual = s.usual.Median()
	}
	return usual - against(h, common)
}

// fewestUsual is from how many days what is usual can be told.
const fewestUsual = 4

// noiseKg is how far a hive's days stray from its usual.
func (w *Watch) noiseKg(s *state, d Day, h HiveDay, common float64) float64 {
	noise := w.set.NoiseKg
	if n := float64(s.usual.Known()); n >= fewestUsual {
		noise = math.Sqrt((fewestUsual*noise*noise + n*math.Pow(s.usual.MAD(), 2)) / (fewestUsual + n))
	}
	noise = max(noise, w.set.NoiseFloorKg)
	// Wood and lids dry by day after rain, each a little differently, and a
	// hive without a yard shows all of it.
	wet := 0.15
	if !outyard.Known(common) {
		wet = 0.4
	}
	if !(d.Weather.RainMm <= 0) { // unknown: it may have rained
		noise = math.Hypot(noise, wet*ramp(orElse(d.Weather.RainMm, 3), 0, 6))
	}
	// Work leaves its own error, and honey taken leaves wet combs behind.
	if outyard.Known(h.HandledKg) {
		noise = math.Hypot(noise, 0.03*h.HandledKg)
	}
	return noise
}

// A weighing is what a day's daylight says of a hive.
type weighing struct {
	known            bool
	lossKg           float64
	prior, posterior float64 // that it is being robbed, without and with the day's weight
}

// weigh weighs a day for both cases. strayKg is by how much the loss may be off
// besides.
func (w *Watch) weigh(s *state, d Day, h HiveDay, excess, mateKg, common, strayKg float64) weighing {
	set := w.set
	flying := d.Weather.flying(set)
	start, stay := set.StartChance*flying, set.StayIdle+(set.StayChance-set.StayIdle)*flying
	if d.Flow > 0.5 {
		start = 0
	}
	x := weighing{prior: s.p*stay + (1-s.p)*start, lossKg: min(excess, -h.ChangeKg)}
	x.known = outyard.Known(x.lossKg)
	x.posterior = x.prior
	if x.known {
		nats := w.nats(d, h, x.lossKg, excess, mateKg, math.Hypot(strayKg, w.noiseKg(s, d, h, common)))
		if nats < 0 {
			// In rain robbers take nothing, too.
			nats = math.Log(flying*math.Exp(nats) + 1 - flying)
		}
		x.posterior = x.prior / (x.prior + (1-x.prior)*math.Exp(-nats))
	}
	return x
}

// runOf are the days of loss that may be of the same robbing as a date's.
func (s *state) runOf(date outyard.Date) []loss {
	if n := len(s.run); n > 0 && date.Sub(s.run[n-1].date) > longestPause {
		return nil
	}
	return s.run
}

// judge moves a hive's chain on by a day.
func (w *Watch) judge(s *state, d Day, h HiveDay, excess, mateKg, common float64) {
	set := w.set
	x := w.weigh(s, d, h, excess, mateKg, common, 0)
	s.p = x.posterior
	if x.known && x.lossKg >= set.LeastKg && x.posterior > x.prior {
		from, till := lossHours(h, d.Dawn, d.Dusk)
		s.run = append(s.runOf(d.Date), loss{d.Date, x.lossKg, mateKg, from, till})
	}
	switch {
	case s.open() && s.p < set.OverAt:
		l := &s.spell[len(s.spell)-1]
		l.now, l.over = s.p, l.losses[len(l.losses)-1].till
		s.run = nil
	case s.open(), s.p >= set.TellAt && len(s.run) > 0:
		if !s.open() {
			s.spell = append(s.spell, spell{})
		}
		l := &s.spell[len(s.spell)-1]
		l.losses, l.p, l.now, l.mates = s.run, max(l.p, s.p), s.p, len(d.Hives)-1
	}
	if x.known && d.Flow <= 0.5 && s.p < set.OverAt && s.p <= x.prior {
		s.usual.Push(against(h, common))
	}
}

// open says that robbing was told and is not over.
func (s *state) open() bool { return len(s.spell) > 0 && s.spell[len(s.spell)-1].over.IsZero() }

// SoFar says of a hive, while the day is not over, whether it is being robbed;
// false while that is not likely, and while the day's end told it already. The
// day ends with what is known of it, and outKg is what foragers that are not
// home yet may weigh: so much of the loss is taken to be theirs, give or take as
// much. What was told earlier on this day stands until it is as unlikely as
// robbing that is over. The watch keeps nothing of it: the day's end decides.
func (w *Watch) SoFar(d Day, hive outyard.HiveID, outKg float64, told bool) (outyard.Finding, bool) {
	s := w.hives[hive]
	if s == nil || s.open() || w.began && !w.last.Before(d.Date) {
		return outyard.Finding{}, false
	}
	leastKg, tellAt := w.set.LeastKg, w.set.TellSoonAt
	if told {
		leastKg, tellAt = leastKg/2, w.set.OverAt
	}
	d.Hives = slices.Clone(d.Hives)
	common := commonKg(d.Hives)
	at, mateKg := -1, outyard.Unknown
	for i, h := range d.Hives {
		if h.Hive == hive {
			at = i
		} else if gained := -w.excessKg(h, common); outyard.Known(gained) && !(gained <= mateKg) {
			mateKg = gained
		}
	}
	if at < 0 || !outyard.Known(sharpness(d.Hives[at].Hours)) {
		return outyard.Finding{}, false // too few hours to see that it goes by and by
	}
	h := d.Hives[at]
	h.ChangeKg += outKg
	x := w.weigh(s, d, h, w.excessKg(h, common), mateKg, common, outKg)
	if !x.known || x.lossKg < leastKg || x.posterior < tellAt {
		return outyard.Finding{}, false
	}
	from, till := lossHours(h, d.Dawn, d.Dusk)
	losses := append(slices.Clone(s.runOf(d.Date)), loss{d.Date, x.lossKg, mateKg, from, till})
	return w.finding(s, spell{losses: losses, p: x.posterior, now: x.posterior, mates: len(d.Hives) - 1, soFar: true}), true
}

// longestPause is how many days lie at most between two of one robbing: some
// days of rain.
const longestPause = 4

// nats is the natural logarithm of how much likelier the day's loss is with
// robbers than without.
func (w *Watch) nats(d Day, h HiveDay, lossKg, excess, mateKg, noise float64) float64 {
	set := w.set
	usual := distuv.Normal{Sigma: noise}
	stray := distuv.Normal{Sigma: math.Hypot(noise, set.StrayKg)}
	without := (1-set.StrayShare)*usual.Prob(excess) + set.StrayShare*stray.Prob(excess)
	// Whatever amount, small ones more often: a logarithmic scale between the
	// least and the most, blurred by the noise.
	with := 1e-3
	if x := max(lossKg, 0.05); x < 2*set.MostKg {
		with = usual.CDF(lossKg-set.LeastKg) / (max(x, set.LeastKg) * math.Log(set.MostKg/set.LeastKg))
	}
	nats := math.Log(max(with, 1e-6)) - math.Log(max(without, 1e-9))
	if nats <= 0 || lossKg < set.LeastKg/2 {
		return nats // no loss to speak of
	}
	nats -= 6 * ramp(sharpness(h.Hours), 0.7, 0.95)
	// What dries goes on drying by night.
	if dayHours := d.Dusk.Sub(d.Dawn).Hours(); outyard.Known(h.NightKgH) && dayHours > 0 {
		nats -= 4 * ramp(h.NightKgH*dayHours/lossKg, 0.4, 1)
	}
	nats -= 6 * (1 - ramp(d.Weather.flying(set), 0, 0.3))
	nats -= 3 * ramp(d.Flow, 0.3, 0.8)
	if outyard.Known(mateKg) {
		nats += 2 * ramp(mateKg/lossKg, 0.1, 0.4) * ramp(mateKg, noise, 3*noise)
	}
	return min(nats, mostNats)
}

// mostNats is what a single day may say at most: odds by judgement are never
// surer.
const mostNats = 12

// sharpness is the share of a day's loss that went within an hour: of what
// goes at once the mean of two hours' differences has all. NaN when too little
// is known.
func sharpness(hours []float64) float64 {
	most, last := 0.0, 0
	first := -1
	for i, kg := range hours {
		if !outyard.Known(kg) {
			continue
		}
		if first < 0 {
			first = i
		}
		last = i
	}
	if first < 0 || last-first < 4 {
		return outyard.Unknown
	}
	total := hours[first] - hours[last]
	if total <= 0 {
		return outyard.Unknown
	}
	for i := first; i+2 <= last; i++ {
		if fall := hours[i] - hours[i+2]; outyard.Known(fall) {
			most = max(most, fall)
		}
	}
	return most / total
}

// lossHours is from when to when a day's loss went: without its first and last
// tenth.
func lossHours(h HiveDay, dawn, dusk time.Time) (from, till time.Time) {
	from, till = dawn, dusk
	first, end := outyard.Unknown, outyard.Unknown
	for _, kg := range h.Hours {
		if outyard.Known(kg) {
			if !outyard.Known(first) {
				first = kg
			}
			end = kg
		}
	}
	if !(first > end) {
		return from, till
	}
	begun := false
	for i, kg := range h.Hours {
		if !outyard.Known(kg) {
			continue
		}
		gone := (first - kg) / (first - end)
		at := dawn.Add(time.Duration(i) * time.Hour)
		if gone < 0.1 {
			from, begun = at, false
		}
		if gone >= 0.9 && !begun {
			till, begun = at.Add(time.Hour), true
		}
	}
	return from, maxTime(till, from)
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// ramp is 0 at from and below, 1 at to and above, straight between; of the
// unknown nothing: 0.
func ramp(x, from, to float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return min(1, max(0, (x-from)/(to-from)))
}

func orElse(x, otherwise float64) float64 {
	if outyard.Known(x) {
		return x
	}
	return otherwise
}
