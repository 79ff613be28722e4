// Package gain counts what a colony itself gained or lost: the daily table's
// weights, free of the keeper's work, of water in wood and on the lid, and of
// what warmth does to a scale.
package gain

import (
	"math"
	"time"

	"outyard"
	"outyard/analysis/condition"
	"outyard/analysis/robust"
)

// Settings are the thresholds of this package (common practice, no source).
type Settings struct {
	// LevelSpan is how far to each side of an instant samples help to say the
	// weight there. Long enough to average noise and gusts, short enough for
	// a night's loss to be a straight line.
	LevelSpan time.Duration
	// MinSamples are needed within it.
	MinSamples int
}

// DefaultSettings returns the defaults.
func DefaultSettings() Settings {
	return Settings{LevelSpan: 150 * time.Minute, MinSamples: 3}
}

// A Step is a change of weight that was not the colony's own.
type Step struct {
	From, To time.Time // the last quiet sample before, the first after
	Kg       float64
}

// LevelKg is the weight at an instant by a robust line (Theil 1950, Sen 1968)
// through the samples about it, with the steps that fall among them taken out
// as if they all lay on the other side of the instant than each sample. NaN
// when too little is known.
func LevelKg(samples []condition.Sample, steps []Step, at time.Time, set Settings) float64 {
	var hours, kg []float64
	before, after := false, false
	for _, s := range samples {
		gap := s.Time.Sub(at)
		if !outyard.Known(s.WeightKg) || gap.Abs() > set.LevelSpan {
			continue
		}
		w, disturbed := s.WeightKg, false
		for _, st := range steps {
			disturbed = disturbed || s.Time.After(st.From) && s.Time.Before(st.To)
			switch mid := st.From.Add(st.To.Sub(st.From) / 2); {
			case !mid.After(at) && s.Time.Before(mid):
				w += st.Kg
			case mid.After(at) && s.Time.After(mid):
				w -= st.Kg
			}
		}
		if disturbed {
			continue
		}
		before, after = before || gap <= 0, after || gap >= 0
		hours, kg = append(hours, gap.Hours()), append(kg, w)
	}
	if len(kg) < set.MinSamples {
		return outyard.Unknown
	}
	if !before || !after {
		// Only one side is known: carry its level, not its slope.
		return robust.Median(kg)
	}
	return robust.Intercept(hours, kg)
}

// Stepped is the sum of the steps whose middle lies from one instant up to,
// not including, another.
func Stepped(steps []Step, from, to time.Time) float64 {
	sum := 0.0
	for _, st := range steps {
		if mid := st.From.Add(st.To.Sub(st.From) / 2); !mid.Before(from) && mid.Before(to) {
			sum += st.Kg
		}
	}
	return sum
}

// NightLossKg is what the hive lost between dusk and dawn: evaporated nectar
// and what the colony breathed. NaN when too little is known.
func NightLossKg(samples []condition.Sample, steps []Step, dusk, dawn time.Time, set Settings) float64 {
	set.LevelSpan = time.Hour
	evening := LevelKg(samples, steps, dusk.Add(time.Hour), set)
	morning := LevelKg(samples, steps, dawn.Add(-time.Hour), set)
	return evening - morning + Stepped(steps, dusk.Add(time.Hour), dawn.Add(-time.Hour))
}

// Coverage is the share of the hours from one instant to another in which the
// hive gave at least one sample.
func Coverage(samples []condition.Sample, from, to time.Time) float64 {
	hours := int(math.Round(to.Sub(from).Hours()))
	if hours <= 0 {
		return 0
	}
	seen := make([]bool, hours)
	for _, s := range samples {
		if i := int(s.Time.Sub(from) / time.Hour); !s.Time.Before(from) && i < hours {
			seen[i] = true
		}
	}
	n := 0
	for _, ok := range seen {
		if ok {
			n++
		}
	}
	return float64(n) / float64(hours)
}
