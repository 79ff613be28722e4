// Package condition brings a hive's raw readings to what the other analyses
// can trust: one sample every few minutes, without values that no hive can
// have, with the scale's own noise known.
package condition

import (
	"math"
	"slices"
	"time"

	"outyard"
)

// Settings are the thresholds of this package.
type Settings struct {
	// Cadence is the shortest distance of two samples. A node that sends more
	// often is brought down to it by medians, which wind and passing bees do
	// not move; five minutes still tell of a swarm in time.
	Cadence time.Duration
	// MinKg and MaxKg bound what a hive with its stand can weigh. What is
	// outside is a fault of the scale.
	MinKg, MaxKg float64
	// MinC and MaxC bound the air about a hive and in it: what is outside, such
	// as the -127 °C of a probe that is gone, is a fault of the sensor. Wax
	// melts at some 62 °C.
	MinC, MaxC float64
	// MaxRHPct is how far above 100 a humidity may read and still be damp air:
	// sensors are good to a few percent.
	MaxRHPct float64
	// NoiseStartKg is taken for a scale's noise until its nights have shown
	// it: common amplifiers give 5 to 50 g after averaging.
	NoiseStartKg float64
}

// DefaultSettings are common practice, no source.
func DefaultSettings() Settings {
	return Settings{Cadence: 5 * time.Minute, MinKg: -5, MaxKg: 250, MinC: -50, MaxC: 65, MaxRHPct: 106, NoiseStartKg: 0.03}
}

// TempC is a temperature, NaN when no air about a hive has it.
func (s Settings) TempC(c float64) float64 {
	if c < s.MinC || c > s.MaxC {
		return outyard.Unknown
	}
	return c
}

// RHPct is a relative humidity of at most 100, NaN when it is none.
func (s Settings) RHPct(pct float64) float64 {
	if pct < 0 || pct > s.MaxRHPct {
		return outyard.Unknown
	}
	return min(pct, 100)
}

// A Sample is a hive at one instant, as the analyses see it. NaN is unknown.
type Sample struct {
	Time        time.Time     // to the second
	WeightKg    float64       // median since the sample before
	LowKg       float64       // lowest since then
	HighKg      float64       // highest since then
	StepKg      float64       // largest change from one reading to the next since then
	StepSpan    time.Duration // how far apart those two readings were
	InsideTempC float64
	InsideRHPct float64
}

// A Stream turns one hive's readings, given in order of time, into samples.
type Stream struct {
	set      Settings
	last     time.Time // of the last sample
	weightKg []float64 // since then
	prevKg   float64   // the reading before, and when
	prevAt   time.Time
	stepKg   float64 // largest change since the last sample
	stepSpan time.Duration
	grainKg  float64 // the least change that the scale has shown, 0 for none yet
	tempC    []float64
	rhPct    []float64
	noise    noise
}

// NewStream begins a hive's season.
func NewStream(set Settings) *Stream {
	return &Stream{set: set, noise: noise{kg: set.NoiseStartKg}}
}

// Next takes a reading and returns the sample that it completes, if it does.
// night says that it is dark, when a colony moves nothing in or out.
func (s *Stream) Next(r outyard.Reading, night bool) (Sample, bool) {
	if w := r.Values[outyard.Weight]; outyard.Known(w) && w >= s.set.MinKg && w <= s.set.MaxKg {
		s.weightKg = append(s.weightKg, w)
		if step := w - s.prevKg; !s.prevAt.IsZero() && math.Abs(step) >= math.Abs(s.stepKg) {
			s.stepKg, s.stepSpan = step, r.Time.Sub(s.prevAt)
		}
		// A thousandth of a gram is arithmetic, not a scale.
		if change := math.Abs(w - s.prevKg); !s.prevAt.IsZero() && change > 1e-6 && (s.grainKg == 0 || change < s.grainKg) {
			s.grainKg = change
		}
		s.prevKg, s.prevAt = w, r.Time
	}
	if t := s.set.TempC(r.Values[outyard.InsideTemp]); outyard.Known(t) {
		s.tempC = append(s.tempC, t)
	}
	if h := s.set.RHPct(r.Values[outyard.InsideRH]); outyard.Known(h) {
		s.rhPct = append(s.rhPct, h)
	}
	// A tenth less than the cadence, for node clocks that jitter.
	if !s.last.IsZero() && r.Time.Sub(s.last) < s.set.Cadence*9/10 {
		return Sample{}, false
	}
	sm := Sample{
		Time:        r.Time.Truncate(time.Second),
		WeightKg:    outyard.Unknown,
		LowKg:       outyard.Unknown,
		HighKg:      outyard.Unknown,
		StepKg:      s.stepKg,
		StepSpan:    s.stepSpan,
		InsideTempC: mean(s.tempC),
		InsideRHPct: mean(s.rhPct),
	}
	if len(s.weightKg) > 0 {
		sm.LowKg, sm.HighKg = slices.Min(s.weightKg), slices.Max(s.weightKg)
		slices.Sort(s.weightKg)
		sm.WeightKg = s.weightKg[len(s.weightKg)/2]
	}
	s.noise.next(sm, night)
	s.last = r.Time
	s.weightKg, s.tempC, s.rhPct = s.weightKg[:0], s.tempC[:0], s.rhPct[:0]
	s.stepKg, s.stepSpan = 0, 0
	return sm, true
}

// NoiseKg is the standard deviation of a sample's weight about the truth, as
// the quiet nights show it. A scale that shows coarse steps may stand still all
// night: rounding to a step errs by step/√12, the standard deviation of a
// uniform law.
func (s *Stream) NoiseKg() float64 { return math.Hypot(s.noise.kg, s.grainKg/math.Sqrt(12)) }

func mean(x []float64) float64 {
	if len(x) == 0 {
		return outyard.Unknown
	}
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// noise learns a scale's noise floor from the second differences of three
// neighbouring samples by night, in which the slow loss of a night and a
// drift with temperature cancel.
type noise struct {
	kg     float64
	a, b   Sample // the two samples before
	diffKg []float64
}

// nightsOfNoise is how many second differences make an estimate: a night of
// ten-minute samples gives about thirty.
const nightsOfNoise = 60

func (n *noise) next(c Sample, night bool) {
	a, b := n.a, n.b
	n.a, n.b = b, c
	if !night || !outyard.Known(a.WeightKg+b.WeightKg+c.WeightKg) {
		return
	}
	step, before := c.Time.Sub(b.Time), b.Time.Sub(a.Time)
	if step > 2*before || before > 2*step || step > 90*time.Minute {
		return // a gap: not neighbours
	}
	n.diffKg = append(n.diffKg, math.Abs(a.WeightKg-2*b.WeightKg+c.WeightKg))
	if len(n.diffKg) < nightsOfNoise {
		return
	}
	slices.Sort(n.diffKg)
	// 1.4826 makes a median deviation a standard deviation under a normal
	// law; the second difference of white noise has six times its variance.
	kg := 1.4826 * n.diffKg[len(n.diffKg)/2] / math.Sqrt(6)
	n.kg = max(0.005, 0.5*n.kg+0.5*kg) // 5 g: the best amplifiers
	n.diffKg = n.diffKg[:0]
}
