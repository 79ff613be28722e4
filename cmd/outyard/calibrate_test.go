package main

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestCalibrationByTwoWeights(t *testing.T) {
	tests := []struct {
		name        string
		points      [2]calibrationPoint
		kgPerCount  float64
		raw, wantKg float64
	}{
		// Worked by hand from w = k·c + b.
		{"an empty scale and 20 kg", [2]calibrationPoint{{0, 84_213}, {20, 512_613}}, 4.668534e-5, 900_000, 38.0853},
		{"the same, below its zero", [2]calibrationPoint{{0, 84_213}, {20, 512_613}}, 4.668534e-5, 80_000, -0.1967},
		{"the heavier weight first", [2]calibrationPoint{{20, 512_613}, {0, 84_213}}, 4.668534e-5, 900_000, 38.0853},
		{"10 and 40 kg", [2]calibrationPoint{{10, 298_413}, {40, 940_413}}, 4.672897e-5, 700_000, 28.7657},
		{"a cell whose counts go down", [2]calibrationPoint{{0, -84_213}, {20, -512_613}}, -4.668534e-5, -900_000, 38.0853},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := calibration{points: tt.points, usualKg: usualLoadKg, errorKg: usualErrorKg, tempC: outyard.ScaleTempC}
			s, err := c.scale()
			require.NoError(t, err)
			require.InDelta(t, tt.kgPerCount, 1/s.PerKgRaw, 1e-11)
			require.InDelta(t, tt.wantKg, s.WeightKg(tt.raw, outyard.Unknown), 1e-4)
			for _, p := range tt.points {
				require.InDelta(t, p.kg, s.WeightKg(p.raw, outyard.Unknown), 1e-9)
			}
		})
	}
}

func TestCalibrationAtAnotherTemperature(t *testing.T) {
	c := calibration{points: [2]calibrationPoint{{0, 84_213}, {20, 512_613}}, usualKg: usualLoadKg, perDegreeKg: 0.004, tempC: 5}
	s, err := c.scale()
	require.NoError(t, err)
	require.InDelta(t, 20, s.WeightKg(512_613, 5), 1e-9, "at the temperature of the calibration it is right")
	// 15 °C warmer the zero has moved by 15 · 0.004 kg, and that is taken off.
	require.InDelta(t, 20-0.06, s.WeightKg(512_613, 20), 1e-9)
	// 46.300 kg shown at 5 °C by a scale calibrated at 20: 46.300 + 0.004·15.
	at20 := outyard.Scale{ZeroRaw: 0, PerKgRaw: 1000, PerDegreeKg: 0.004}
	require.InDelta(t, 46.360, at20.WeightKg(46_300, 5), 1e-9)
}

func TestCalibrationSaysItsError(t *testing.T) {
	c := calibration{points: [2]calibrationPoint{{0, 84_213}, {20, 512_613}}, errorKg: 0.05}
	require.InDelta(t, 0.05, c.errorAt(0), 1e-12)
	require.InDelta(t, 0.05, c.errorAt(20), 1e-12)
	require.InDelta(t, 0.05/math.Sqrt2, c.errorAt(10), 1e-12, "in the middle each counts half")
	require.InDelta(t, 0.05*math.Sqrt(1+4), c.errorAt(40), 1e-12, "twice as far out: one point once, the other twice")
}

func TestCalibrationRefuses(t *testing.T) {
	tests := []struct {
		name   string
		points [2]calibrationPoint
		want   string
	}{
		{"a scale that did not move", [2]calibrationPoint{{0, 84_213}, {20, 84_213}}, "both weights gave 84213 counts"},
		{"counts that are no counts of a cell", [2]calibrationPoint{{0, 2}, {20, 1}}, "one count would be 20 kg"},
		{"weights too near each other", [2]calibrationPoint{{0, 84_213}, {7.9, 250_000}}, "the weights are 7.9 kg apart, less than 20 % of the usual 40 kg"},
		{"one weight twice", [2]calibrationPoint{{20, 84_213}, {20, 84_300}}, "the weights are 0 kg apart"},
		{"counts beyond any number", [2]calibrationPoint{{0, -math.MaxFloat64}, {20, math.MaxFloat64}}, "beyond what a scale can show"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, err := calibration{points: tt.points, usualKg: usualLoadKg, tempC: outyard.ScaleTempC}.scale()
			require.ErrorContains(t, err, tt.want)
			require.Equal(t, outyard.Scale{}, s, "nothing that could be used by mistake")
		})
	}
}
