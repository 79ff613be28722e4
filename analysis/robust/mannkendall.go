package robust

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Trend is what the Mann-Kendall test says of a series.
type Trend struct {
	N        int     // values that it rests on
	S        float64 // pairs that rise less pairs that fall
	Variance float64 // of S, were there no trend
	Z        float64 // S in standard deviations, with the continuity correction
	P        float64 // chance of so large an |S| without a trend
	PRising  float64 // chance of so large an S without a trend
	PFalling float64 // chance of so small an S without a trend
}

// MannKendall tests whether a series rises or falls, whatever the shape (Mann
// 1945, Econometrica 13:245; Kendall 1975, with the variance for ties). The
// normal approximation is good from 10 values on. Values are taken to be
// independent: with hourly weather they are not, so give it daily ones.
func MannKendall(y []float64) Trend {
	k := known(y)
	n := float64(len(k))
	nan := math.NaN()
	tr := Trend{N: len(k), S: nan, Variance: nan, Z: nan, P: nan, PRising: nan, PFalling: nan}
	if len(k) < 2 {
		return tr
	}
	rise := 0
	for i, a := range k {
		for _, b := range k[i+1:] {
			if b > a {
				rise++
			} else if b < a {
				rise--
			}
		}
	}
	tr.S = float64(rise)
	tr.Variance = (n*(n-1)*(2*n+5) - tieSum(k)) / 18
	switch {
	case rise == 0 || tr.Variance <= 0:
		tr.Z = 0
	default:
		tr.Z = (tr.S - math.Copysign(1, tr.S)) / math.Sqrt(tr.Variance)
	}
	tr.PFalling = distuv.UnitNormal.CDF(tr.Z)
	tr.PRising = distuv.UnitNormal.CDF(-tr.Z)
	tr.P = min(1, 2*min(tr.PFalling, tr.PRising))
	return tr
}
