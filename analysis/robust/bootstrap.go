package robust

import (
	"math"
	"math/rand/v2"
	"slices"
)

// A Bootstrap says how an interval is found by drawing again and again from
// the values themselves.
type Bootstrap struct {
	Level float64 // such as 0.9
	Draws int     // 1000 give a bound good to about a percentile and a half
	Block int     // values that are drawn together because neighbours in time are alike; 1 where they are not
	Seed  uint64  // the same seed gives the same interval
}

// Median returns the median of x and its interval, as [Bootstrap.Of] does.
func (b Bootstrap) Median(x []float64) (median, low, high float64) {
	return b.Of(x, medianInPlace)
}

// Of returns what estimate makes of the known values of x, and its percentile
// interval by the moving block bootstrap (Efron 1979, Ann. Stat. 7:1; blocks:
// Künsch 1989, Ann. Stat. 17:1217). x is in order of time; estimate may reorder
// the copies that it is given. With fewer than three known values the interval
// is unknown: two values drawn again and again say nothing about their spread.
func (b Bootstrap) Of(x []float64, estimate func([]float64) float64) (value, low, high float64) {
	k := known(x)
	value = estimate(slices.Clone(k))
	n := len(k)
	if n < 3 || b.Draws < 1 || !(b.Level > 0 && b.Level < 1) {
		return value, math.NaN(), math.NaN()
	}
	block := min(max(b.Block, 1), n)
	random := rand.New(rand.NewPCG(b.Seed, 0))
	drawn := make([]float64, b.Draws)
	draw := make([]float64, 0, n+block)
	for i := range drawn {
		draw = draw[:0]
		for len(draw) < n {
			from := random.IntN(n - block + 1)
			draw = append(draw, k[from:from+block]...)
		}
		drawn[i] = estimate(draw[:n])
	}
	slices.Sort(drawn)
	return value, quantileOfSorted(0.5-b.Level/2, drawn), quantileOfSorted(0.5+b.Level/2, drawn)
}

// PairedMedian is the median of the differences x[i]-y[i] and its interval.
// What both have in common, the weather above all, falls out; a pair with an
// unknown part is skipped.
func (b Bootstrap) PairedMedian(x, y []float64) (median, low, high float64) {
	d := make([]float64, min(len(x), len(y)))
	for i := range d {
		d[i] = x[i] - y[i]
	}
	return b.Median(d)
}
