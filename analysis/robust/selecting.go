package robust

import (
	"math"
	"slices"
)

// medianInPlace reorders x.
func medianInPlace(x []float64) float64 {
	n := len(x)
	if n == 0 {
		return math.NaN()
	}
	upper := nth(x, n/2)
	if n%2 == 1 {
		return upper
	}
	return between(slices.Max(x[:n/2]), upper)
}

// between is the mean of two values that does not overflow.
func between(a, b float64) float64 { return a/2 + b/2 }

// nth returns the value that would stand at index k were x sorted, and leaves
// nothing larger before it and nothing smaller after it: Hoare's selection
// (Comm. ACM 4:321, 1961) with the median of three as pivot. It takes a time in
// proportion to len(x), where sorting takes log(len(x)) times as long.
func nth(x []float64, k int) float64 {
	lo, hi := 0, len(x)-1
	for lo < hi {
		if hi-lo < 12 { // too short for partitions to pay
			slices.Sort(x[lo : hi+1])
			break
		}
		pivot := middleOf(x[lo], x[lo+(hi-lo)/2], x[hi])
		i, j := lo, hi
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default: // all between j and i equal the pivot
			return x[k]
		}
	}
	return x[k]
}

func middleOf(a, b, c float64) float64 { return max(min(a, b), min(max(a, b), c)) }
