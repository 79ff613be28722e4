package robust

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// RunningMean25h is the running mean of hourly values over 25 hours, the 12
// before, the hour and the 12 after (Meikle et al. 2008, Apidologie 39:694).
// Where an hour is not known, the one as far to the other side is left out as
// well, so that a steady rise still comes out exactly; with less than half of
// the 25 left, or near the ends, the mean is NaN.
func RunningMean25h(hourly []float64) []float64 {
	const side = 12
	mean := make([]float64, len(hourly))
	for i := range mean {
		mean[i] = math.NaN()
		if i < side || i+side >= len(hourly) {
			continue
		}
		sum, n := 0.0, 0
		if isKnown(hourly[i]) {
			sum, n = hourly[i], 1
		}
		for d := 1; d <= side; d++ {
			if pair := hourly[i-d] + hourly[i+d]; isKnown(pair) {
				sum += pair
				n += 2
			}
		}
		if 2*n > 2*side+1 {
			mean[i] = sum / float64(n)
		}
	}
	return mean
}

// Detrended25h is what the running mean of 25 hours leaves: the daily course.
// A daily sine comes out 1.04 times as large, since the 25th hour lets 4 % of
// it into the mean, with its sign turned.
func Detrended25h(hourly []float64) []float64 {
	d := RunningMean25h(hourly)
	for i := range d {
		d[i] = hourly[i] - d[i]
	}
	return d
}

// A DailySine is a sine of 24 hours.
type DailySine struct {
	Amplitude float64 // half of the swing, in the unit of the values
	PhaseH    float64 // hour of the maximum, 0 to 24, counted from the first value
	Mean      float64
}

// FitDailySine fits a sine of 24 hours to hourly values by least squares;
// Meikle et al. 2008 fit it to weekly pieces of the detrended weight and read
// colony activity from the amplitude. Gaps are allowed, but as many hours as
// three whole days have must be known, among them 12 of the 24 hours of the
// clock, else all is NaN: noons alone tell no sine from a constant.
func FitDailySine(hourly []float64) DailySine {
	const fewest, fewestOfClock = 3 * 24, 12
	nan := math.NaN()
	none := DailySine{nan, nan, nan}
	n, ofClock := 0, 0
	var seen [24]bool
	for h, v := range hourly {
		if !isKnown(v) {
			continue
		}
		n++
		if !seen[h%24] {
			seen[h%24] = true
			ofClock++
		}
	}
	if n < fewest || ofClock < fewestOfClock {
		return none
	}
	design, want := mat.NewDense(n, 3, nil), mat.NewVecDense(n, nil)
	row := 0
	for h, v := range hourly {
		if !isKnown(v) {
			continue
		}
		sin, cos := math.Sincos(2 * math.Pi * float64(h) / 24)
		design.SetRow(row, []float64{cos, sin, 1})
		want.SetVec(row, v)
		row++
	}
	var fit mat.VecDense
	if err := fit.SolveVec(design, want); err != nil {
		return none
	}
	c, s := fit.AtVec(0), fit.AtVec(1)
	phase := math.Atan2(s, c) * 24 / (2 * math.Pi)
	return DailySine{Amplitude: math.Hypot(c, s), PhaseH: math.Mod(phase+24, 24), Mean: fit.AtVec(2)}
}
