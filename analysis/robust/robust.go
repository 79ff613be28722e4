// Package robust holds the statistics that gonum lacks and that hive data
// need: estimates that one lifted lid, one rain shower or one stuck sensor
// cannot bend. A hive on a scale is disturbed on most days that matter, so
// means and least squares speak of the disturbance rather than of the bees.
//
// Values that are not known (NaN, and what no instrument measures: an
// infinity) are skipped; where nothing is left the answer is NaN. No function
// changes the slice that it is given.
package robust

import (
	"math"
	"slices"
)

// MADScale makes the median absolute deviation of normally distributed values
// equal their standard deviation: 1/Φ⁻¹(3/4) (Rousseeuw & Croux 1993, J. Am.
// Stat. Assoc. 88:1273). With it "3" means what keepers of control charts mean.
const MADScale = 1.4826022185056018

// Median is the middle value, the mean of the two middle ones for an even number.
func Median(x []float64) float64 { return medianInPlace(known(x)) }

// Quantile is the value below which the share p (0 to 1) of x lies, with
// linear interpolation between neighbours (type 7 of Hyndman & Fan 1996, Am.
// Stat. 50:361). gonum's linear interpolation is their type 4, which for small
// samples sits half a step low.
func Quantile(p float64, x []float64) float64 {
	k := known(x)
	slices.Sort(k)
	return quantileOfSorted(p, k)
}

// MAD is the median absolute deviation from the median, times [MADScale].
func MAD(x []float64) float64 {
	_, mad := MedianMAD(x)
	return mad
}

// MedianMAD returns both the median and the MAD for the price of one copy.
func MedianMAD(x []float64) (median, mad float64) {
	k := known(x)
	median = medianInPlace(k)
	for i, v := range k {
		k[i] = math.Abs(v - median)
	}
	return median, MADScale * medianInPlace(k)
}

// Count is how many of x are known.
func Count(x []float64) int {
	n := 0
	for _, v := range x {
		if isKnown(v) {
			n++
		}
	}
	return n
}

func isKnown(v float64) bool { return v-v == 0 } // false for NaN and both infinities

// known copies what is known of x.
func known(x []float64) []float64 {
	k := make([]float64, 0, len(x))
	for _, v := range x {
		if isKnown(v) {
			k = append(k, v)
		}
	}
	return k
}

func quantileOfSorted(p float64, sorted []float64) float64 {
	if len(sorted) == 0 || !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	at := p * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}
