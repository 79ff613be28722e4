// Package steps finds every departure of a hive's weight from its slow course
// and weighs what could have made it: the keeper's work, a swarm, foragers,
// water, a knock, a fault. It exists because a scale alone cannot tell a swarm
// from a visit; the path of the weight, the hour, the weather, the brood
// nest's temperature and the neighbours can.
package steps

import (
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/condition"
	"outyard/analysis/robust"
)

// Settings are the thresholds of this package. They are common practice or
// chosen on simulated seasons; none is from a standard.
type Settings struct {
	// MinStepKg is the smallest change between two samples that is looked at:
	// above a puff of wind, below a lid.
	MinStepKg float64
	// RateKgPerHour is how fast a strong colony's foragers or a strong flow
	// may change the weight without anything having happened.
	RateKgPerHour float64
	// FallKgPerHour is the same downward: foragers leave within the hour, but
	// no more of them than there are, and nothing dries as fast as a flow comes.
	FallKgPerHour float64
	// NoiseFactor is how many standard deviations of the scale's noise are
	// taken for noise.
	NoiseFactor float64
	// SettleSpan is how long the weight must be quiet before a departure is
	// taken to be over.
	SettleSpan time.Duration
	// SettleKg is the range that still counts as quiet, besides noise and
	// the natural rate.
	SettleKg float64
	// MaxSpan ends a departure that does not settle: longer than any visit
	// that a keeper makes to one hive.
	MaxSpan time.Duration
	// SameVisit is the longest pause within one visit.
	SameVisit time.Duration

	// SwarmMinKg and SwarmMaxKg bound what leaves with a swarm: 10,000 to
	// 20,000 bees at 0.13 g are 1.3 to 2.6 kg (Seeley, Morse & Visscher 1979
	// for the count); casts are lighter, very strong colonies heavier.
	SwarmMinKg, SwarmMaxKg float64
	// OverturnedKg is the least that is missed when a hive is knocked over or
	// carried off: the lightest hive with its bees.
	OverturnedKg float64
	// SmallGrossKg: below this gross weight a hive is a nucleus without the
	// bees to spare for a swarm. Floor, box, combs and lid alone are 15 kg.
	SmallGrossKg float64
	// NoProbeNats is what a fall counts for a swarm where no probe in the hive
	// could speak against it, and in part where one hardly could, besides what
	// TellSwarmAt allows: nothing but falls in doubt would be left to tell of.
	NoProbeNats float64
	// TellSwarmAt is the probability from which a swarm is told. A keeper rather
	// telephones or drives for nothing than loses a swarm, so that three
	// in ten are enough; how sure it is, is said.
	TellSwarmAt float64
	// KeepSwarmAt is the probability from which it stays told once the days after
	// were looked at: nobody drives for it any more, so that it should be likelier
	// than not.
	KeepSwarmAt float64
}

// DefaultSettings returns the defaults.
func DefaultSettings() Settings {
	return Settings{
		MinStepKg: 0.25, RateKgPerHour: 0.5, FallKgPerHour: 0.2, NoiseFactor: 5,
		SettleSpan: 20 * time.Minute, SettleKg: 0.15, MaxSpan: 6 * time.Hour, SameVisit: 75 * time.Minute,
		SwarmMinKg: 0.8, SwarmMaxKg: 5, OverturnedKg: 6, SmallGrossKg: 18, NoProbeNats: 0.7, TellSwarmAt: 0.3, KeepSwarmAt: 0.5,
	}
}

// A Departure is a stretch in which the weight left its slow course.
type Departure struct {
	Before  time.Time // the last quiet sample before it
	Start   time.Time // the first sample that departed
	Fell    time.Time // half way between the two samples of the largest fall; zero where none fell
	End     time.Time // the first sample of the new quiet, or the newest so far
	Settled bool      // the new quiet has come
	Cut     bool      // it was ended by MaxSpan or a gap, not by quiet
	Wild    bool      // the scale had shown one weight after another in the hours before

	BaseKg    float64 // level before
	AfterKg   float64 // level after, or the newest so far
	LowestKg  float64
	HighestKg float64
	Reversals int           // changes of direction by more than a lid's weight or so
	StepShare float64       // the largest change between two readings as a share of the net change
	StepSpan  time.Duration // how far apart those two were
	Samples   int           // from Start to the newest
	Away      int           // of them, those before the new quiet: the samples that stood off it
	QuietFrom time.Time     // since when the newest samples agree
	Cadence   time.Duration
	NoiseKg   float64

	WarmedK float64 // rise of the inside temperature at or just before Start above the time before; NaN unknown
	CooledK float64 // fall during it; NaN unknown
	MovesK  float64 // how much that temperature moves by itself from sample to sample, standard deviation
}

// NetKg is what the departure changed for good, as far as is known.
func (d *Departure) NetKg() float64 { return d.AfterKg - d.BaseKg }

// LiftKg is how far the weight went below both levels: boxes or the lid set
// aside and put back.
func (d *Departure) LiftKg() float64 { return min(d.BaseKg, d.AfterKg) - d.LowestKg }

// PushKg is how far the weight went above both levels.
func (d *Departure) PushKg() float64 { return d.HighestKg - max(d.BaseKg, d.AfterKg) }

// Onset is when it began, as far as the samples tell: half way between the
// last quiet sample and the first that departed.
func (d *Departure) Onset() time.Time {
	return d.Before.Add(d.Start.Sub(d.Before) / 2).Truncate(time.Second)
}

// Span is the time from the last quiet sample to the new quiet.
func (d *Departure) Span() time.Duration { return d.End.Sub(d.Before) }

// A Detector finds the departures in one hive's samples, given in order.
type Detector struct {
	set    Settings
	recent []condition.Sample // the last hours, newest last
	quiet  int                // how many of the newest of them are quiet
	open   *Departure
	path   []condition.Sample // of the open departure
}

// lookBack is how long samples are kept for levels and temperatures.
const lookBack = 12 * time.Hour

// NewDetector begins a hive's season.
func NewDetector(set Settings) *Detector { return &Detector{set: set} }

// allowanceKg is how much the weight may change by itself within span, in the
// direction of changeKg.
func (d *Detector) allowanceKg(changeKg float64, span time.Duration, noiseKg float64) float64 {
	h, rate := span.Hours(), d.set.RateKgPerHour
	if changeKg < 0 {
		rate = d.set.FallKgPerHour
	}
	// Over long gaps nights, rain and idle hours bring the rate down: great
	// flows bring two or three kilograms a day, and dearth with robbers about
	// takes one (common practice, no source).
	aDay := 0.1
	if changeKg < 0 {
		aDay = 0.04
	}
	natural := min(rate*h, 1+aDay*h)
	return d.set.MinStepKg + natural + d.set.NoiseFactor*noiseKg
}

// Silence is the gap between two samples from which what the colony did
// meanwhile is taken from its yard.
const Silence = 12 * time.Hour

// departed says whether a sample, after another, is more than a colony makes.
// After a silence it is compared with what the yard's other hives did, which
// tells a box that was put on from a flow; hives differ by half.
func (d *Detector) departed(s, last condition.Sample, noiseKg, courseKg float64) bool {
	span := s.Time.Sub(last.Time)
	from := carried(last.WeightKg, courseKg)
	change := s.WeightKg - from
	allow := d.allowanceKg(change, span, noiseKg)
	if span >= Silence && outyard.Known(courseKg) {
		allow = min(allow, d.set.MinStepKg+1+0.5*math.Abs(courseKg)+0.01*span.Hours()+d.set.NoiseFactor*noiseKg)
	}
	return math.Abs(change) > allow || from-s.LowKg > 2*allow || s.HighKg-from > 2*allow
}

// carried is a weight with the colony's own course added, where that is known.
func carried(kg, courseKg float64) float64 {
	if outyard.Known(courseKg) {
		return kg + courseKg
	}
	return kg
}

// Next takes a sample whose weight is known, and what the colony may be thought
// to have gained since the one before, NaN where nothing is known of that. It
// returns the departure that the sample began, went on with or ended; nil while
// all is quiet.
func (d *Detector) Next(s condition.Sample, noiseKg, courseKg float64) *Departure {
	defer d.remember(s)
	if d.open != nil {
		return d.follow(s, noiseKg, courseKg)
	}
	if len(d.recent) == 0 {
		return nil
	}
	last := d.recent[len(d.recent)-1]
	departed := d.departed(s, last, noiseKg, courseKg)
	from := len(d.recent) - 1
	if !departed {
		// A fall spread over several samples, each within its allowance.
		for i := from - 1; i >= 0 && i >= len(d.recent)-d.quiet && s.Time.Sub(d.recent[i].Time) <= 35*time.Minute; i-- {
			change := s.WeightKg - d.recent[i].WeightKg
			if math.Abs(change) > d.allowanceKg(change, s.Time.Sub(d.recent[i].Time), noiseKg) {
				departed, from = true, i
			}
		}
	}
	if !departed {
		d.quiet++
		return nil
	}
	d.begin(from, noiseKg)
	d.open.BaseKg = carried(d.open.BaseKg, courseKg)
	return d.follow(s, noiseKg, courseKg)
}

// begin opens a departure after the sample at index from of the recent ones.
func (d *Detector) begin(from int, noiseKg float64) {
	before := d.recent[from]
	level := []float64{before.WeightKg}
	for i := from - 1; i >= 0 && i >= len(d.recent)-d.quiet && len(level) < 3 && before.Time.Sub(d.recent[i].Time) <= 30*time.Minute; i-- {
		level = append(level, d.recent[i].WeightKg)
	}
	base := before.WeightKg
	if len(level) == 3 {
		slices.Sort(level)
		base = level[1]
	}
	d.open = &Departure{Before: before.Time, BaseKg: base, LowestKg: base, HighestKg: base, NoiseKg: noiseKg, Wild: d.wild(from),
		WarmedK: outyard.Unknown, CooledK: outyard.Unknown}
	d.path = append(d.path[:0], d.recent[from:]...)
}

// wildMoves are more changes by an empty hive's weight and more than a keeper
// makes at one hive on a day (common practice, no source); no gust shakes a hive
// by that.
const wildMoves = 8

// wild says that the scale showed anything in the hours up to a recent sample.
func (d *Detector) wild(upTo int) bool {
	moves := 0
	for i := 1; i <= upTo; i++ {
		if math.Abs(d.recent[i].WeightKg-d.recent[i-1].WeightKg) > d.set.OverturnedKg {
			moves++
		}
	}
	return moves >= wildMoves
}

// follow adds a sample to the open departure, and closes it when quiet is back.
func (d *Detector) follow(s condition.Sample, noiseKg, courseKg float64) *Departure {
	dep := d.open
	prev := d.path[len(d.path)-1]
	if gap := s.Time.Sub(prev.Time); dep.Samples > 0 && gap > 3*time.Hour {
		// Nobody saw how it ended. What is now as it was before was a wild
		// value, or has been put back.
		if math.Abs(s.WeightKg-dep.BaseKg) < math.Abs(s.WeightKg-dep.AfterKg) {
			dep.AfterKg = dep.BaseKg
		}
		dep.Cut, dep.Settled = true, true
		d.close()
		// What else happened meanwhile is a departure of its own.
		last := prev
		last.WeightKg = dep.AfterKg
		if !d.departed(s, last, noiseKg, courseKg) {
			return dep
		}
		d.begin(len(d.recent)-1, noiseKg)
		d.open.BaseKg, d.path[0] = carried(dep.AfterKg, courseKg), last
		return d.follow(s, noiseKg, courseKg)
	}
	if d.leftHot() && d.somethingElse(s, noiseKg) {
		// The keeper came upon a swarm: the work is a departure of its own.
		dep.Cut, dep.Settled = true, true
		d.close()
		d.begin(len(d.recent)-1, noiseKg)
		return d.follow(s, noiseKg, courseKg)
	}
	d.path = append(d.path, s)
	d.describe()
	// Quiet: the newest samples, at least two, agree over SettleSpan.
	i := len(d.path) - 1
	low, high := s.LowKg, s.HighKg
	for i > 1 && s.Time.Sub(d.path[i].Time) < d.set.SettleSpan*9/10 {
		p := d.path[i-1]
		low, high = min(low, p.LowKg), max(high, p.HighKg)
		if high-low > d.set.SettleKg+d.set.RateKgPerHour*s.Time.Sub(p.Time).Hours()+4*noiseKg {
			break
		}
		i--
	}
	dep.QuietFrom, dep.Away = d.path[i].Time, i-1
	switch {
	case s.Time.Sub(dep.QuietFrom) >= d.set.SettleSpan*9/10:
		level := make([]float64, 0, len(d.path)-i)
		for _, p := range d.path[i:] {
			level = append(level, p.WeightKg)
		}
		slices.Sort(level)
		dep.AfterKg = (level[(len(level)-1)/2] + level[len(level)/2]) / 2
		dep.End, dep.Settled = d.path[i].Time, true
		for _, p := range d.path[1:i] {
			// With a reading lost, quiet may have come before it could be seen.
			if math.Abs(p.WeightKg-dep.AfterKg) <= d.set.SettleKg+4*noiseKg {
				dep.Away--
			}
		}
		return d.close()
	case s.Time.Sub(dep.Before) > d.set.MaxSpan:
		dep.Cut, dep.Settled = true, true
		return d.close()
	}
	return dep
}

// hotK and hotMoves are the warmth from which a nest was hot as a swarm makes
// it: in kelvin and in the usual moves of its temperature. A swarm warms the
// nest by 1.5 to 3.5 K (from memory); a probe beside it shows less.
const (
	hotK     = 0.5
	hotMoves = 6
)

// leftHot says that the open departure so far is a clean fall of a swarm's
// weight out of a hot nest, and nothing else.
func (d *Detector) leftHot() bool {
	dep := d.open
	net := dep.NetKg()
	return dep.Samples > 0 && -net > 0.6*d.set.SwarmMinKg && -net < d.set.SwarmMaxKg &&
		max(dep.LiftKg(), dep.PushKg()) < d.set.MinStepKg && dep.WarmedK > hotK && dep.WarmedK > hotMoves*dep.MovesK
}

// somethingElse says that a sample is no part of a swarm's leaving, which goes
// on downward for twenty minutes and ends at what a swarm weighs.
func (d *Detector) somethingElse(s condition.Sample, noiseKg float64) bool {
	prev := d.path[len(d.path)-1]
	change, span := s.WeightKg-prev.WeightKg, s.Time.Sub(prev.Time)
	if math.Abs(change) < d.set.MinStepKg+d.allowanceKg(change, span, noiseKg) {
		return false
	}
	return change > 0 || d.open.BaseKg-s.WeightKg > d.set.SwarmMaxKg || s.Time.Sub(d.open.Before) > 20*time.Minute+2*span
}

func (d *Detector) close() *Departure {
	dep := d.open
	d.open = nil
	d.quiet = 0
	return dep
}

// describe brings the open departure's numbers up to its path.
func (d *Detector) describe() {
	dep, path := d.open, d.path
	newest := path[len(path)-1]
	dep.Start, dep.End, dep.AfterKg = path[1].Time, newest.Time, newest.WeightKg
	dep.Samples = len(path) - 1
	dep.Cadence = newest.Time.Sub(path[0].Time) / time.Duration(dep.Samples)
	dep.LowestKg, dep.HighestKg, dep.Reversals = dep.BaseKg, dep.BaseKg, 0
	largest, turn, dir := 0.0, path[0].WeightKg, 0.0
	fallKg := 0.0
	for i, s := range path[1:] {
		if kg := path[i].WeightKg - s.WeightKg; kg > fallKg {
			fallKg, dep.Fell = kg, path[i].Time.Add(s.Time.Sub(path[i].Time)/2).Truncate(time.Second)
		}
		dep.LowestKg, dep.HighestKg = min(dep.LowestKg, s.LowKg), max(dep.HighestKg, s.HighKg)
		if math.Abs(s.StepKg) > math.Abs(largest) {
			largest, dep.StepSpan = s.StepKg, s.StepSpan
		}
		if move := s.WeightKg - turn; math.Abs(move) > 0.5 { // a lid weighs more, a gust less
			if dir != 0 && move*dir < 0 {
				dep.Reversals++
			}
			dir, turn = move, s.WeightKg
		}
	}
	dep.StepShare = 1
	if net := dep.NetKg(); net*largest > 0 {
		dep.StepShare = min(1, largest/net)
	}
	d.temperatures()
}

// temperatures compares the inside temperature about the start with the hours
// before it. The nest warms up to some 18 minutes before a swarm leaves; with
// samples further apart than that, the last one before the fall is mostly
// older, and counts as usual.
func (d *Detector) temperatures() {
	dep := d.open
	early, span := 18*time.Minute, 2*time.Hour
	if gap := dep.Start.Sub(dep.Before); gap > early {
		early, span = 0, max(span, 5*gap)
	}
	var usual, hours, moves []float64
	peak, low := math.Inf(-1), math.Inf(1)
	var peakAt time.Time
	var prev condition.Sample
	hot := func(s condition.Sample) {
		if s.InsideTempC > peak {
			peak, peakAt = s.InsideTempC, s.Time
		}
	}
	for _, s := range d.recent {
		if !outyard.Known(s.InsideTempC) {
			continue
		}
		switch before := dep.Before.Sub(s.Time); {
		case before > early:
			if !prev.Time.IsZero() && s.Time.Sub(prev.Time) <= span/2 {
				moves = append(moves, math.Abs(s.InsideTempC-prev.InsideTempC))
			}
			prev = s
			if before <= span {
				usual, hours = append(usual, s.InsideTempC), append(hours, -before.Hours())
			}
		case !s.Time.After(dep.Start):
			hot(s)
		}
	}
	for _, s := range d.path[1:] {
		if outyard.Known(s.InsideTempC) {
			low = min(low, s.InsideTempC)
			if s.Time.Sub(dep.Start) <= 10*time.Minute {
				hot(s)
			}
		}
	}
	if len(usual) < 2 || len(moves) < 3 {
		return
	}
	// A probe away from the nest follows the day: carry its course on.
	slope := 0.0
	if line := robust.TheilSen(hours, usual, 0.95); line.Low > 0 || line.High < 0 {
		slope = line.Slope
	}
	slices.Sort(moves)
	// Differences of neighbours have twice the variance; the resolution of
	// common probes is near 0.1 °C.
	dep.MovesK = max(0.07, 1.4826*moves[len(moves)/2]/math.Sqrt2)
	// It is carried on from the last that was usual, not from the middle of
	// the hours before: a nest that was opened then warms up ever slower.
	last := max(0, len(usual)-3)
	course := func(at time.Time) float64 {
		return robust.Median(usual[last:]) + slope*(at.Sub(dep.Before).Hours()-robust.Median(hours[last:]))
	}
	// The course may bend: half of what it is carried on by is in doubt.
	dep.MovesK = math.Hypot(dep.MovesK, 0.5*(course(dep.Start)-robust.Median(usual[last:])))
	if !math.IsInf(peak, 0) {
		// A nest that only comes back to what it was before a visit has not
		// warmed up.
		dep.WarmedK = peak - max(course(peakAt), robust.Quantile(0.75, usual))
	}
	if !math.IsInf(low, 0) {
		dep.CooledK = course(dep.Start) - low
	}
}

func (d *Detector) remember(s condition.Sample) {
	d.recent = append(d.recent, s)
	drop := 0
	for drop < len(d.recent)-1 && s.Time.Sub(d.recent[drop].Time) > lookBack {
		drop++
	}
	if drop > 0 {
		d.recent = append(d.recent[:0], d.recent[drop:]...)
	}
}
