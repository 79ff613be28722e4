package robust

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Line is a straight line fitted to points.
type Line struct {
	Slope     float64
	Low, High float64 // confidence interval of the slope
	Intercept float64 // value at x = 0
	N         int     // points that it rests on
}

// At is the line's value at x.
func (l Line) At(x float64) float64 { return l.Intercept + l.Slope*x }

// TheilSen fits a line through points of which up to 29 % may be wild: its
// slope is the median of the slopes of all pairs with different x (Theil 1950;
// Sen 1968, J. Am. Stat. Assoc. 63:1379), its intercept the median of what the
// slope leaves. The interval for the slope, at a confidence level such as 0.95,
// is the one of Sen's equation 2.6 with ties in x and y allowed for; it takes
// the points to be independent, so for daily values it is somewhat narrow.
// Points with an unknown coordinate are skipped. With fewer than two different
// x all is NaN.
func TheilSen(x, y []float64, level float64) Line {
	px, py := knownPoints(x, y)
	nan := math.NaN()
	line := Line{Slope: nan, Low: nan, High: nan, Intercept: nan, N: len(px)}
	slopes := pairSlopes(px, py)
	if len(slopes) == 0 {
		return line
	}
	line.Slope = medianInPlace(slopes)
	line.Low, line.High = senInterval(slopes, px, py, level)
	line.Intercept = intercept(line.Slope, px, py)
	return line
}

// Intercept is the value at x = 0 of the line that [TheilSen] fits, without
// what its interval costs.
func Intercept(x, y []float64) float64 {
	px, py := knownPoints(x, y)
	slopes := pairSlopes(px, py)
	if len(slopes) == 0 {
		return math.NaN()
	}
	return intercept(medianInPlace(slopes), px, py)
}

// intercept reorders y.
func intercept(slope float64, x, y []float64) float64 {
	for i := range y {
		y[i] -= slope * x[i]
	}
	return medianInPlace(y)
}

func knownPoints(x, y []float64) (px, py []float64) {
	n := min(len(x), len(y))
	px, py = make([]float64, 0, n), make([]float64, 0, n)
	for i := range n {
		if isKnown(x[i]) && isKnown(y[i]) {
			px, py = append(px, x[i]), append(py, y[i])
		}
	}
	return px, py
}

func pairSlopes(x, y []float64) []float64 {
	n := len(x)
	slopes := make([]float64, 0, n*(n-1)/2)
	for i := range n {
		xi, yi := x[i], y[i]
		for j := i + 1; j < n; j++ {
			if dx := x[j] - xi; dx != 0 {
				slopes = append(slopes, (y[j]-yi)/dx)
			}
		}
	}
	return slopes
}

// senInterval expects slopes as medianInPlace leaves them.
func senInterval(slopes, x, y []float64, level float64) (low, high float64) {
	if !(level > 0 && level < 1) {
		return math.NaN(), math.NaN()
	}
	n := float64(len(x))
	variance := (n*(n-1)*(2*n+5) - tieSum(x) - tieSum(y)) / 18
	half := distuv.UnitNormal.Quantile(0.5+level/2) * math.Sqrt(max(variance, 0))
	count := float64(len(slopes))
	lo := int(math.RoundToEven((count-half)/2)) - 1
	hi := int(math.RoundToEven((count + half) / 2))
	lo, hi = max(lo, 0), min(hi, len(slopes)-1)
	return nth(slopes, lo), nth(slopes, hi)
}

// tieSum is the sum over groups of t equal values of t(t-1)(2t+5), by which
// ties lessen the variance of Kendall's S (Kendall 1975, Rank Correlation
// Methods, ch. 4).
func tieSum(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	sum := 0.0
	for i := 0; i < len(s); {
		j := i
		for j < len(s) && s[j] == s[i] {
			j++
		}
		t := float64(j - i)
		sum += t * (t - 1) * (2*t + 5)
		i = j
	}
	return sum
}
