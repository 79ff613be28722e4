package air

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// Odds weigh what a hive's days say into the logarithm of the odds that it is
// damp. Rises are in units of what is usual just now, at most MostRise of
// them, jumps in units of what the hive moves by from day to day, at most
// MostJump; trends are Kendall's tau, -1 to 1; stands and wetness are natural
// logarithms. Of two defaults the first is with a weather node, the second
// without; what weighs nought with one only serves the other.
type Odds struct {
	// Start, -2.3 and -1.6: where the odds begin.
	Start float64
	// Rise, 0.55 and 0.8, weighs the rise of the vapour.
	Rise float64
	// Wetter, 0 and 0.45, weighs that of the wetness.
	Wetter float64
	// Jump, 0.48 and 0, weighs the jump of the vapour over the days just before.
	Jump float64
	// WetJump, 0.3 and 0, weighs that of the wetness over the weeks before.
	WetJump float64
	// Dew, 1.7 and 0, weighs for what share of the day there is dew on the wall.
	Dew float64
	// Rising, 0 and 2.2, weighs the trend of the vapour in the last TrendDays.
	Rising float64
	// Wetting, 0 and 0.5, weighs that of the wetness.
	Wetting float64
	// OwnRising, 0.8 and 0.8, weighs the trend of the hive's own vapour,
	// whatever the others do: when they stop to brood it stands higher than they
	// without having changed.
	OwnRising float64
	// Stands, 1.5 and 5, weighs how far above the others its vapour stands.
	Stands float64
	// StandsWet, 0 and 2, weighs how far its wetness does.
	StandsWet float64
	// Wall, 0 and 2.5, weighs how wet the wall is at all, or the air at the
	// probe.
	Wall float64
	// PerK, -0.15 and -0.14, weighs the warmth inside, by the kelvin, of the hive
	// or of the middle of the others, where that is more: what warms a nest dries
	// it, and a hive that loses its nest in the time of brood is not damp.
	PerK float64
	// Noise, 0.08 and 0.03: what a healthy hive's vapour moves by anyway.
	Noise float64
	// WetNoise, 0.04 and 0.03: the same of its wetness.
	WetNoise float64
	// Few, 0.8 and 2: how much less the odds are where there are fewer others
	// than Settings.LeastPeers, for the middle of one or two is as unsteady as
	// they.
	Few float64
	// Alone, 0 and 4: the same of a hive without others.
	Alone float64
	// Holds, 0.3 and 0.12: the rise of the vapour below which a hive that was
	// called damp, and whose odds have turned, is so no more: nothing came of it.
	Holds float64
}

// weigh says how likely the hive is damp by its days up to today.
func (j *Judge) weigh(s *subject, ev *evidence) {
	set := j.set
	ev.logOdds = j.logOdds(s, ev)
	if j.dries(s, ev) {
		ev.logOdds = -set.MostADay
	}
	// Page's cumulative sum (1954, Biometrika 41:100): a doubtful rise is told
	// once its days together are enough, a clear one within days.
	if outyard.Known(ev.logOdds) {
		s.sum = max(0, s.sum+min(max(ev.logOdds, -set.MostADay), set.MostADay))
	}
	ev.sum = s.sum
	if ev.sum < set.EnoughSum {
		return
	}
	trend := last(s.course.vapour, set.WindowDays/2)
	x := make([]float64, len(trend))
	for i := range x {
		x[i] = float64(i)
	}
	ev.slopePa = robust.TheilSen(x, trend, 0.95).Slope * ev.pa
	ev.pRising = robust.MannKendall(trend).PRising
}

// logOdds is the logarithm of the odds that the hive is damp, by today's
// course; NaN where it has none.
func (j *Judge) logOdds(s *subject, ev *evidence) float64 {
	set, c := j.set, &s.course
	w := set.odds(ev.weatherKnown)
	vapour, wet := ev.holds, ev.wets
	x := w.Start
	switch {
	case ev.by != others && !vapour.own:
		return outyard.Unknown // nothing at all to compare with yet
	case ev.by != others:
		x -= w.Alone
	case ev.peers < set.LeastPeers:
		x -= w.Few
	}
	if !vapour.own {
		vapour.before, vapour.lately = set.StrangerHolds, set.StrangerHolds
		wet.before, wet.lately = set.StrangerWetter, set.StrangerWetter
	}
	holds, wets := j.unrest(s)
	rise := j.rise(vapour, holds, w.Noise)
	x += w.Rise*rise + w.Wetter*j.rise(wet, wets, w.WetNoise)
	trend := w.Rising*tau(last(c.vapour, set.TrendDays)) + w.Wetting*tau(last(c.wetness, set.TrendDays)) + w.OwnRising*tau(last(c.own, set.TrendDays))
	if trend > 0 {
		trend *= min(max(rise, 0), set.TrendRise) / set.TrendRise
	}
	x += trend
	x += w.Jump*j.jump(c.vapour, nearDays, set.JumpNoise) + w.WetJump*j.jump(c.wetness, farDays, set.WetJumpNoise)
	if outyard.Known(ev.dewHours) {
		x += w.Dew * ev.dewHours / 24
	}
	if ev.by == others {
		x += w.Stands*within(vapour.now, set.MostStands) + w.StandsWet*within(wet.now, set.MostWet)
	}
	return x + w.Wall*within(ev.wetness, set.MostWet) + w.PerK*max(ev.insideC, c.peersC())
}

// peersC is the middle of the warmth in the hives that this one is measured
// against; far below any where there are none.
func (c *course) peersC() float64 {
	var x [maxOthers]float64
	n := 0
	for _, o := range c.peers {
		if outyard.Known(o.insideC) {
			x[n] = o.insideC
			n++
		}
	}
	if n == 0 {
		return math.Inf(-1)
	}
	return middle(x[:n])
}

func (s *Settings) odds(weatherKnown bool) *Odds {
	if weatherKnown {
		return &s.Weather
	}
	return &s.NoWeather
}

// A moved is how far a hive has come from where it stood before and lately.
type moved struct{ before, lately float64 }

// rise is by how many times what is usual just now a series has risen, the
// mean of its rise over the earlier days and over the last of them.
func (j *Judge) rise(s stand, unrest moved, noise float64) float64 {
	of := func(by, unrest float64) float64 {
		if !outyard.Known(unrest) {
			unrest = 2 * noise
		}
		return within(by/math.Hypot(math.Hypot(noise, unrest), j.set.SwayTimes*s.sway), j.set.MostRise)
	}
	return (of(s.now-s.before, unrest.before) + of(s.now-s.lately, unrest.lately)) / 2
}

// A past is a span of days ago, the later end not included.
type past struct{ from, to int }

// Against what a series jumps: the days just before, or the weeks.
var (
	nearDays = past{3, 10}
	farDays  = past{5, 18}
)

// of is the median of a series in that past.
func (p past) of(x []float64) float64 {
	return robust.Median(x[max(0, len(x)-p.to):max(0, len(x)-p.from)])
}

// jump is how far a series' last two days lie above its past, in units of what
// it moves by from one day to the next; 0 where it is not known.
func (j *Judge) jump(x []float64, before past, noise float64) float64 {
	x = last(x, j.set.WindowDays)
	by := past{0, 2}.of(x) - before.of(x)
	if !outyard.Known(by) {
		return 0
	}
	moves := make([]float64, 0, len(x))
	for i := 1; i < len(x)-nearDays.from; i++ {
		moves = append(moves, math.Abs(x[i]-x[i-1]))
	}
	usual := robust.Median(moves)
	if !outyard.Known(usual) {
		usual = noise
	}
	return within(by/math.Hypot(noise, usual), j.set.MostJump)
}

// unrest is how far the hives that s is measured against have come, in the
// middle: much when colonies go into winter or begin to brood, each in its own
// week, little in between. NaN
// where there is none to ask: of two hives each moves as the other does.
func (j *Judge) unrest(s *subject) (vapour, wet moved) {
	var x [4][maxOthers]float64
	n := 0
	for _, o := range s.course.peers {
		h, w := o.course.holds, o.course.wets
		if !o.now || !h.own || o.open() != nil || !outyard.Known(h.now+w.now) {
			continue
		}
		x[0][n], x[1][n] = math.Abs(h.now-h.before), math.Abs(h.now-h.lately)
		x[2][n], x[3][n] = math.Abs(w.now-w.before), math.Abs(w.now-w.lately)
		n++
	}
	if n == 0 || len(s.course.peers) < 2 {
		return moved{outyard.Unknown, outyard.Unknown}, moved{outyard.Unknown, outyard.Unknown}
	}
	return moved{middle(x[0][:n]), middle(x[1][:n])}, moved{middle(x[2][:n]), middle(x[3][:n])}
}

// tau is Kendall's: the share of pairs that rise less that of pairs that fall;
// 0 where there are too few.
func tau(x []float64) float64 {
	const leastPairs = 10
	rise, pairs := 0, 0
	for i, a := range x {
		for _, b := range x[i+1:] {
			if !outyard.Known(b - a) {
				continue
			}
			pairs++
			if b > a {
				rise++
			} else if b < a {
				rise--
			}
		}
	}
	if pairs < leastPairs {
		return 0
	}
	return float64(rise) / float64(pairs)
}

// dries says whether nectar dries in the hive: the yard brought some in, or the
// hive did and has the warmth for it; rain on one lid looks like a gain, too.
func (j *Judge) dries(s *subject, ev *evidence) bool {
	for _, kg := range last(j.mostGain, j.set.DryingDays) {
		if kg > j.set.YardGainKg {
			return true
		}
	}
	if ev.insideC < j.set.CoolC {
		return false
	}
	for k := range j.set.DryingDays {
		if s.back(k).GainKg > j.set.HiveGainKg {
			return true
		}
	}
	return false
}

// middleGain is the middle gain of the yard's hives today.
func (j *Judge) middleGain() float64 {
	x := make([]float64, 0, len(j.order))
	for _, s := range j.order {
		x = append(x, s.back(0).GainKg)
	}
	return robust.Median(x)
}

// within brings x into -most to most.
func within(x, most float64) float64 { return min(max(x, -most), most) }
