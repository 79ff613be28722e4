package flow

import (
	"math"

	"outyard"
)

// The states of the hidden Markov model (Rabiner 1989, Proc. IEEE 77:257):
// dearth at a few rates of loss, flow at a few strengths. Only the two groups
// are reported; the levels within them spare a guess of how strong a flow is
// before it is known.
const (
	dearths = 3
	flows   = 5
	states  = dearths + flows
)

var (
	// Net gain of the average hive in a dearth, kg/day: a trickle on a fine
	// day that is no flow yet, usual use (0.1-0.3, common practice), and the
	// days on which a flow's nectar dries.
	dearthKg = [dearths]float64{0.1, -0.1, -0.35}
	// Net gain of the average hive on a good day of flow, kg/day: from the
	// weakest that scales can tell to strong (classes of common practice:
	// weak 0.2-1, good 1-3, strong above).
	flowKg = [flows]float64{0.32, 0.65, 1.3, 2.6, 5.2}
	// How flows begin: weak more often than strong, since bloom opens by and by.
	entry = [flows]float64{0.4, 0.28, 0.18, 0.1, 0.04}
)

const (
	// Within a state the level drifts.
	dearthDrift, flowDrift = 0.1, 0.2
	// A day of flow brings its level give or take this share.
	flowSpread = 0.45
	// Bees stay home now and then for causes that no weather record shows;
	// oftener when there is no record, or when weather is marginal.
	idleKnown, idleUnknown, idleMarginal = 0.08, 0.22, 0.3
	// No winter is so sure that nothing could ever bloom in it.
	outOfSeason = 0.02
	// Net loss of the average hive on a day without flight.
	idleKg, idleSpreadKg = -0.1, 0.15
	// Tails of Student's t: a day in a hundred is odd.
	degrees = 4
	// No day may be so odd that it alone decides: e to the minus this.
	oddestLog = -7
)

type distribution [states]float64

// A step is one day as the model sees it.
type step struct {
	date     outyard.Date
	gain     pooled
	flight   float64 // NaN for unknown weather
	rainMm   float64
	season   float64      // what the season leaves of the chance of bloom
	emission distribution // likelihood of the day's gain in each state
	filtered distribution // chance of each state after this day
}

func (d *distribution) flow() float64 {
	sum := 0.0
	for _, p := range d[dearths:] {
		sum += p
	}
	return sum
}

func (d *distribution) scale() {
	sum := 0.0
	for _, p := range d {
		sum += p
	}
	for i := range d {
		d[i] /= sum
	}
}

// atFirst is what is known before the first day: most days are no flow.
func atFirst() distribution {
	var d distribution
	for i := range dearths {
		d[i] = 0.8 / dearths
	}
	for i := range flows {
		d[dearths+i] = 0.2 * entry[i]
	}
	return d
}

// transition is the chance of coming from state i to state j on a day of so
// much flight, in that season.
func (s Settings) transition(flight, season float64) [states][states]float64 {
	if math.IsNaN(flight) {
		flight = 0.7
	}
	// A flow does not begin on a day on which no bee flies, though bloom opens
	// whether or not it rains.
	begins := (0.4 + 0.6*flight) * max(season, outOfSeason) / s.DearthDays
	ends := 1 / s.FlowDays
	var a [states][states]float64
	for i := range dearths {
		for j := range dearths {
			a[i][j] = (1 - begins) * dearthDrift / (dearths - 1)
		}
		a[i][i] = (1 - begins) * (1 - dearthDrift)
		for j := range flows {
			a[i][dearths+j] = begins * entry[j]
		}
	}
	for i := range flows {
		from := dearths + i
		leaves := 0.0
		to := func(state int, chance float64) {
			a[from][state] = chance
			leaves += chance
		}
		for j := range dearths {
			to(j, ends/dearths)
		}
		for j := range flows {
			switch {
			case j == i-1 || j == i+1:
				to(dearths+j, (1-ends)*flowDrift/2)
			case j > i+1: // another bloom opens
				to(dearths+j, begins*entry[j])
			}
		}
		a[from][from] = 1 - leaves
	}
	return a
}

// emit is the likelihood of a pooled gain in each state; all alike when there
// is none.
func (s Settings) emit(g pooled, flight, season, rainMm float64) distribution {
	var e distribution
	if math.IsNaN(g.gainKg) {
		for i := range e {
			e[i] = 1
		}
		return e
	}
	noise := g.noiseKg
	if outyard.Known(rainMm) {
		noise = math.Hypot(noise, min(s.RainNoiseKgPerMm*rainMm, 0.3))
	}
	idle := idleKnown + idleMarginal*(1-flight)
	if math.IsNaN(flight) {
		flight, idle = 0.9, idleUnknown
	}
	idle = 1 - (1-idle)*season // whatever came in then was hardly nectar
	atHome := studentT(g.gainKg, idleKg, math.Hypot(noise, idleSpreadKg))
	for i, level := range dearthKg {
		mean := level
		if level > idleKg {
			mean = level*flight + idleKg*(1-flight)
		}
		e[i] = studentT(g.gainKg, mean, noise)
	}
	for i, level := range flowKg {
		mean := level*flight + idleKg*(1-flight)
		spread := math.Hypot(noise, flowSpread*level*flight)
		spread = math.Hypot(spread, 0.3*level*(1-flight))
		e[dearths+i] = (1-idle)*studentT(g.gainKg, mean, spread) + idle*atHome
	}
	top := 0.0
	for _, v := range e {
		top = max(top, v)
	}
	// The less room the season leaves, the likelier is it that any gain, great
	// ones first, has another cause that no state stands for.
	floor := math.Exp(oddestLog * max(season, outOfSeason))
	for i := range e {
		e[i] = max(e[i]/top, floor)
	}
	return e
}

// studentT is the density of Student's t with [degrees] degrees of freedom,
// but for a factor that is the same for all.
func studentT(x, mean, scale float64) float64 {
	z := (x - mean) / scale
	return math.Pow(1+z*z/degrees, -(degrees+1)/2.0) / scale
}

// next is the forward step: the chance of each state after one more day.
func next(before distribution, a *[states][states]float64, e *distribution) distribution {
	var after distribution
	for j := range states {
		sum := 0.0
		for i := range states {
			sum += before[i] * a[i][j]
		}
		after[j] = sum * e[j]
	}
	after.scale()
	return after
}

// likeliest is the most likely course of states over steps that began from
// before (Viterbi 1967).
func (s Settings) likeliest(before distribution, steps []step) []int {
	n := len(steps)
	best := make([]distribution, n)
	from := make([][states]int8, n)
	last := before
	for t := range steps {
		a := s.transition(steps[t].flight, steps[t].season)
		for j := range states {
			for i := range states {
				if v := last[i] * a[i][j]; v > best[t][j] {
					best[t][j], from[t][j] = v, int8(i)
				}
			}
			best[t][j] *= steps[t].emission[j]
		}
		best[t].scale() // only ratios matter; keeps clear of underflow
		last = best[t]
	}
	course := make([]int, n)
	at := 0
	for j := range states {
		if last[j] > last[at] {
			at = j
		}
	}
	for t := n - 1; t >= 0; t-- {
		course[t] = at
		at = int(from[t][at])
	}
	return course
}

// A smoothed day is what is known of a day from those after it as well.
type smoothed struct {
	flow   float64 // chance that it was of a flow
	begins float64 // chance that it was a flow's first day
	ends   float64 // chance that the day before was a flow's last
}

// smooth looks back over steps that began from before (the forward-backward
// algorithm).
func (s Settings) smooth(before distribution, steps []step) []smoothed {
	out := make([]smoothed, len(steps))
	var beta distribution
	for i := range beta {
		beta[i] = 1
	}
	for t := len(steps) - 1; t >= 0; t-- {
		prior := before
		if t > 0 {
			prior = steps[t-1].filtered
		}
		a := s.transition(steps[t].flight, steps[t].season)
		var earlier distribution
		total := 0.0
		for i := range states {
			for j := range states {
				onward := a[i][j] * steps[t].emission[j] * beta[j]
				earlier[i] += onward
				p := prior[i] * onward
				total += p
				switch wasFlow, isFlow := i >= dearths, j >= dearths; {
				case isFlow && !wasFlow:
					out[t].begins += p
					out[t].flow += p
				case isFlow:
					out[t].flow += p
				case wasFlow:
					out[t].ends += p
				}
			}
		}
		out[t].flow /= total
		out[t].begins /= total
		out[t].ends /= total
		earlier.scale()
		beta = earlier
	}
	return out
}
