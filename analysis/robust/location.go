package robust

import "math"

// The usual tuning constants: with normally distributed values both means are
// 95 % as good as the plain one (Holland & Welsch 1977, Commun. Stat. A6:813).
const (
	huberTuning    = 1.345
	biweightTuning = 4.685
)

// HuberMean is a mean in which values far from the rest count no more than
// ones 1.345 MAD away (Huber 1964, Ann. Math. Stat. 35:73). It needs no
// majority of exactly good values to be smooth, unlike the median, but a wild
// value still pulls a little.
func HuberMean(x []float64) float64 {
	return reweighted(x, func(r float64) float64 {
		return min(1, huberTuning/math.Abs(r))
	})
}

// BiweightMean is a mean in which values more than 4.685 MAD away do not count
// at all (Tukey's biweight; Mosteller & Tukey 1977, Data Analysis and
// Regression): a hive that swarmed has no say in what the yard gained.
func BiweightMean(x []float64) float64 {
	return reweighted(x, func(r float64) float64 {
		u := r / biweightTuning
		if math.Abs(u) >= 1 {
			return 0
		}
		return (1 - u*u) * (1 - u*u)
	})
}

// reweighted iterates a weighted mean from the median, with the MAD held fixed.
func reweighted(x []float64, weight func(deviations float64) float64) float64 {
	const rounds, close = 50, 1e-10
	at, scale := MedianMAD(x)
	if !(scale > 0) { // half the values or more are equal: they are the answer
		return at
	}
	for range rounds {
		var sum, weights float64
		for _, v := range x {
			if !isKnown(v) {
				continue
			}
			w := 1.0
			if v != at {
				w = weight((v - at) / scale)
			}
			sum += w * v
			weights += w
		}
		next := sum / weights
		done := math.Abs(next-at) < close*scale
		at = next
		if done {
			break
		}
	}
	return at
}
