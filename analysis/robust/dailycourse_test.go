package robust

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func hours(n int, f func(h float64) float64) []float64 {
	y := make([]float64, n)
	for h := range y {
		y[h] = f(float64(h))
	}
	return y
}

func TestAStraightLineLeavesNothing(t *testing.T) { // definition, Meikle et al. 2008
	y := hours(24*7, func(h float64) float64 { return 0.01 * h })
	d := Detrended25h(y)
	for h, v := range d {
		if h < 12 || h >= len(y)-12 {
			same(t, nan, v, 0)
			continue
		}
		same(t, 0, v, 1e-9)
	}

	y[70], y[75] = nan, nan // a gap must not bend the line
	for h, v := range Detrended25h(y) {
		if isKnown(v) {
			same(t, 0, v, 1e-9)
		} else {
			require.True(t, h < 12 || h >= len(y)-12 || h == 70 || h == 75)
		}
	}
}

// A mean of 25 points passes a sine of 24 with gain sin(25π/24)/(25 sin(π/24)),
// which is -0.0400, so what is left is 1.0400 times as large.
func TestADailySineComesOut4PercentLarger(t *testing.T) {
	y := hours(24*14, func(h float64) float64 { return 30 + 0.5*math.Cos(2*math.Pi*(h-17)/24) })
	s := FitDailySine(Detrended25h(y))
	same(t, 0.5200, s.Amplitude, 1e-4)
	same(t, 17, s.PhaseH, 1e-6)
	same(t, 0, s.Mean, 1e-9)
}

func TestAStepOf2KgShowsHalfOnEachSide(t *testing.T) { // 12/25 and 13/25 of 2 kg, by hand
	y := hours(24*4, func(h float64) float64 {
		if h < 48 {
			return 40
		}
		return 38
	})
	d := Detrended25h(y)
	same(t, 0.96, d[47], 1e-9)
	same(t, -0.96, d[48], 1e-9)
	same(t, 0, d[47-12], 1e-9)
}

func TestADailySineNeedsThreeDays(t *testing.T) {
	y := hours(72, func(h float64) float64 { return math.Sin(2 * math.Pi * h / 24) })
	same(t, 1, FitDailySine(y).Amplitude, 1e-9)
	same(t, 6, FitDailySine(y).PhaseH, 1e-9)
	y[5] = nan
	same(t, nan, FitDailySine(y).Amplitude, 0)

	gappy := hours(24*10, func(h float64) float64 {
		if int(h)%3 == 1 {
			return nan
		}
		return 2 + math.Cos(2*math.Pi*h/24)
	})
	s := FitDailySine(gappy)
	same(t, 1, s.Amplitude, 1e-9)
	same(t, 2, s.Mean, 1e-9)

	noonOnly := hours(24*100, func(h float64) float64 {
		if int(h)%24 != 12 {
			return nan
		}
		return 3
	})
	same(t, nan, FitDailySine(noonOnly).Amplitude, 0)
	same(t, nan, FitDailySine(nil).Amplitude, 0)
}
