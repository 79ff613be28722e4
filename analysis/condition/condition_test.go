package condition

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var midnight = time.Date(2027, 5, 22, 0, 0, 0, 0, time.UTC)

// feed gives a stream one weight a cadence and returns its samples.
func feed(s *Stream, every time.Duration, night bool, weightsKg ...float64) []Sample {
	var out []Sample
	for i, kg := range weightsKg {
		r := outyard.NewReading("alder-spit", "h1", midnight.Add(time.Duration(i)*every))
		r.Values[outyard.Weight] = kg
		if sm, ok := s.Next(r, night); ok {
			out = append(out, sm)
		}
	}
	return out
}

func TestWhatASampleHolds(t *testing.T) {
	for _, c := range []struct {
		name      string
		every     time.Duration
		weightsKg []float64
		last      Sample // of which the weights are compared
	}{
		{"a reading every ten minutes is a sample", 10 * time.Minute, []float64{40, 40.2}, Sample{WeightKg: 40.2, LowKg: 40.2, HighKg: 40.2, StepKg: 0.2}},
		{"five a minute apart are their median", time.Minute, []float64{40, 41, 40, 40.1, 39.9, 40.2}, Sample{WeightKg: 40.1, LowKg: 39.9, HighKg: 41, StepKg: -1}},
		{"the greatest step between two readings is kept, over a sample's edge too", time.Minute, []float64{40, 38, 38, 38, 38, 38}, Sample{WeightKg: 38, LowKg: 38, HighKg: 38, StepKg: -2}},
		{"what no hive weighs is left out", 10 * time.Minute, []float64{40, 400}, Sample{WeightKg: outyard.Unknown, LowKg: outyard.Unknown, HighKg: outyard.Unknown}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := feed(NewStream(DefaultSettings()), c.every, false, c.weightsKg...)
			last := got[len(got)-1]
			for what, x := range map[string][2]float64{
				"weight": {c.last.WeightKg, last.WeightKg}, "low": {c.last.LowKg, last.LowKg},
				"high": {c.last.HighKg, last.HighKg}, "step": {c.last.StepKg, last.StepKg},
			} {
				if !outyard.Known(x[0]) {
					require.False(t, outyard.Known(x[1]), what)
					continue
				}
				require.InDelta(t, x[0], x[1], 1e-9, what)
			}
		})
	}
}

// The noise learnt from nights is the scale's own, whatever it loses meanwhile.
func TestNoiseIsLearntFromNights(t *testing.T) {
	for _, noiseKg := range []float64{0.01, 0.03, 0.1} {
		rng := rand.New(rand.NewPCG(1, 2))
		kg := make([]float64, 800)
		for i := range kg {
			kg[i] = 40 - 0.003*float64(i) + noiseKg*rng.NormFloat64()
		}
		night := NewStream(DefaultSettings())
		feed(night, 10*time.Minute, true, kg...)
		require.InEpsilon(t, noiseKg, night.NoiseKg(), 0.25)
		day := NewStream(DefaultSettings())
		feed(day, 10*time.Minute, false, kg...)
		require.InDelta(t, DefaultSettings().NoiseStartKg, day.NoiseKg(), 1e-6, "days teach nothing: bees come and go")
	}
}

// A scale that shows steps of 100 g stands still for nights on end, and is not
// good to a gram for that: rounding errs by step/√12.
func TestACoarseScaleIsNoQuietOne(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	kg := make([]float64, 800)
	for i := range kg {
		kg[i] = math.Round(10*(40-0.003*float64(i)+0.005*rng.NormFloat64())) / 10
	}
	s := NewStream(DefaultSettings())
	feed(s, 10*time.Minute, true, kg...)
	require.InDelta(t, 0.1/math.Sqrt(12), s.NoiseKg(), 0.01)
}

func TestTheFiguresOfABrokenSensorAreNoClimate(t *testing.T) {
	for _, c := range []struct {
		name              string
		tempC, rhPct      float64
		wantTempC, wantRH float64
	}{
		{"a brood nest", 34.8, 62, 34.8, 62},
		{"a probe that is gone", -127, 62, outyard.Unknown, 62},
		{"a probe that was just switched on", 85, 62, outyard.Unknown, 62},
		{"a wet sensor reads a little over", 12, 104, 12, 100},
		{"a worn-out one reads far over", 12, 119, 12, outyard.Unknown},
		{"or below nothing", 12, -6, 12, outyard.Unknown},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := outyard.NewReading("alder-spit", "h1", midnight)
			r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = c.tempC, c.rhPct
			got, ok := NewStream(DefaultSettings()).Next(r, false)
			require.True(t, ok)
			require.Equal(t, outyard.Known(c.wantTempC), outyard.Known(got.InsideTempC))
			require.Equal(t, outyard.Known(c.wantRH), outyard.Known(got.InsideRHPct))
			if outyard.Known(c.wantRH) {
				require.Equal(t, c.wantRH, got.InsideRHPct)
			}
		})
	}
}
