package activity

import (
	"math"

	"outyard"
)

// A PiecewiseDay is a day of a hive's weight as one unbroken line of five
// straight pieces: night, foragers leaving, late morning, the return with
// nectar, and the evening (Meikle et al. 2018, PLoS ONE 13(5):e0197589, from
// its abstract; that there are five pieces, and their bounds, from memory).
// Hours are counted from the day's beginning.
type PiecewiseDay struct {
	DepartH   float64 // when the foragers begin to leave
	LowestH   float64 // when the fall of their leaving ends
	ReturnH   float64 // when the rise of their coming home begins
	HomeH     float64 // when they are home
	DepartKg  float64 // mass of those who left: the fall from DepartH to LowestH
	ReturnKg  float64 // rise from ReturnH to HomeH: bees and what they carry
	NetKg     float64 // the line's end less its beginning
	NightKgH  float64 // slope before DepartH
	Residual  float64 // standard deviation of the weights about the line, kg
	RSquared  float64 // share of the weights' variance that the line explains
	KnotsKg   [6]float64
	Estimated bool // false: too little is known, and all numbers are NaN
}

// The bounds within which the knots are looked for.
const (
	earliestKnotH, latestKnotH = 4.0, 22.0
	shortestPieceH             = 0.75
	coarseKnotH, fineKnotH     = 1.0, 0.25
	piecewisePieces            = 5
	// Fewer weights, or a hole wider than this, leave a piece to chance.
	fewestPiecewise, widestHoleH = 20, 2.0
)

// Piecewise fits the day's line by least squares. hours are times since the
// day's beginning, 0 to 24, in order; kg the weights then, NaN where not known,
// with the keeper's work and other steps taken out. The knots are looked for on
// a grid of an hour, then of a quarter around the best.
//
// It needs the day to be seen: a day on which no bee flew has a line too, with
// a departure of about nought.
func Piecewise(hours, kg []float64) PiecewiseDay {
	h, w := known(hours, kg)
	if !seen(h) {
		return noPiecewise()
	}
	fit := newLineFit(h, w)
	best := math.Inf(1)
	var at [4]float64
	try := func(k [4]float64) {
		if k[0] < earliestKnotH || k[3] > latestKnotH || k[1]-k[0] < shortestPieceH || k[2]-k[1] < shortestPieceH || k[3]-k[2] < shortestPieceH {
			return
		}
		if _, ss, ok := fit.at(k); ok && ss < best {
			best, at = ss, k
		}
	}
	for a := earliestKnotH; a <= latestKnotH; a += coarseKnotH {
		for b := a + coarseKnotH; b <= latestKnotH; b += coarseKnotH {
			for c := b + coarseKnotH; c <= latestKnotH; c += coarseKnotH {
				for d := c + coarseKnotH; d <= latestKnotH; d += coarseKnotH {
					try([4]float64{a, b, c, d})
				}
			}
		}
	}
	// Downhill on the fine grid, two knots at a time, for they lean on each other.
	for moved := true; moved; {
		from := at
		for i := range 4 {
			for j := i; j < 4; j++ {
				for di := -4; di <= 4; di++ {
					for dj := -4; dj <= 4; dj++ {
						k := from
						k[i] += float64(di) * fineKnotH
						if j != i {
							k[j] += float64(dj) * fineKnotH
						}
						try(k)
					}
				}
			}
		}
		moved = at != from
	}
	y, ss, ok := fit.at(at)
	if !ok {
		return noPiecewise()
	}
	total := 0.0
	for _, v := range fit.kg {
		total += v * v
	}
	d := PiecewiseDay{DepartH: at[0], LowestH: at[1], ReturnH: at[2], HomeH: at[3],
		DepartKg: y[1] - y[2], ReturnKg: y[4] - y[3], NetKg: y[5] - y[0], NightKgH: (y[1] - y[0]) / at[0],
		Residual: math.Sqrt(ss / float64(len(w))), RSquared: outyard.Unknown, Estimated: true}
	if total > 0 {
		d.RSquared = 1 - ss/total
	}
	for i := range y {
		d.KnotsKg[i] = y[i] + fit.level
	}
	return d
}

func noPiecewise() PiecewiseDay {
	n := outyard.Unknown
	return PiecewiseDay{DepartH: n, LowestH: n, ReturnH: n, HomeH: n, DepartKg: n, ReturnKg: n, NetKg: n, NightKgH: n,
		Residual: n, RSquared: n, KnotsKg: [6]float64{n, n, n, n, n, n}}
}

func known(hours, kg []float64) (h, w []float64) {
	for i := range min(len(hours), len(kg)) {
		if outyard.Known(hours[i]) && outyard.Known(kg[i]) && hours[i] >= 0 && hours[i] <= 24 {
			h, w = append(h, hours[i]), append(w, kg[i])
		}
	}
	return h, w
}

// seen says that weights are spread over the whole day.
func seen(h []float64) bool {
	if len(h) < fewestPiecewise {
		return false
	}
	last := 0.0
	for _, t := range append(h[:len(h):len(h)], 24) {
		if t < last || t-last > widestHoleH {
			return false
		}
		last = t
	}
	return true
}

// A lineFit fits the heights of the line at midnight, at the four knots and at
// midnight again.
type lineFit struct {
	hours, kg []float64 // kg less level, their mean
	level     float64
}

func newLineFit(h, w []float64) *lineFit {
	f := &lineFit{hours: h, kg: make([]float64, len(w))}
	for _, v := range w {
		f.level += v / float64(len(w))
	}
	for i, v := range w {
		f.kg[i] = v - f.level
	}
	return f
}

// at returns the line's heights with the knots there, less the level, and the
// sum of squares that it leaves. The normal equations of hat functions have
// three diagonals, so they are solved from end to end (Thomas's algorithm).
func (f *lineFit) at(k [4]float64) (y [6]float64, ss float64, ok bool) {
	x := [6]float64{0, k[0], k[1], k[2], k[3], 24}
	var diagonal, beside, right [6]float64
	piece := 0
	for i, t := range f.hours {
		for piece < piecewisePieces-1 && t > x[piece+1] {
			piece++
		}
		b := (t - x[piece]) / (x[piece+1] - x[piece])
		a := 1 - b
		diagonal[piece] += a * a
		diagonal[piece+1] += b * b
		beside[piece] += a * b
		right[piece] += a * f.kg[i]
		right[piece+1] += b * f.kg[i]
		ss += f.kg[i] * f.kg[i]
	}
	var d [6]float64
	r := right
	d[0] = diagonal[0]
	for i := 1; i < 6; i++ {
		if d[i-1] < 1e-9 {
			return y, 0, false // a knot that no weight speaks of
		}
		m := beside[i-1] / d[i-1]
		d[i] = diagonal[i] - m*beside[i-1]
		r[i] -= m * r[i-1]
	}
	if d[5] < 1e-9 {
		return y, 0, false
	}
	y[5] = r[5] / d[5]
	for i := 4; i >= 0; i-- {
		y[i] = (r[i] - beside[i]*y[i+1]) / d[i]
	}
	for i := range y {
		ss -= right[i] * y[i]
	}
	return y, max(ss, 0), true
}
