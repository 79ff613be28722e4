// Package brood says from the warmth in a hive what lives there: a brood nest,
// a cluster, or nothing any more. It exists because a queen that fails and a
// colony that dies in winter make no noise on a scale, and the warmth at the
// probe falls within days.
package brood

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// NestC is what a brood nest is held at: 33 to 36 °C (Kleinhenz et al. 2003).
const NestC = 34.5

// A State is what the warmth at the probe says of the hive.
type State string

// The states, as the keeper reads them.
const (
	Unknown State = ""
	Nest    State = "brood nest"
	Cluster State = "cluster"
	Empty   State = "empty"
)

// An Hour is the mean warmth of one hour in a hive and outside; NaN where not
// known.
type Hour struct{ InsideC, OutsideC float64 }

// A Day is what the hours of a day, or of a few, say.
type Day struct {
	InsideC, OutsideC float64 // mean, °C
	// Warmth is how much of the way from the air outside up to a brood nest the
	// probe is: near 1 in a nest, about a half in a cluster, nought in an empty
	// box. It asks the same of a bee in winter and in summer. NaN where nothing
	// is known, or where it is as hot outside as in a nest.
	Warmth float64
	// Coupling is by how much the probe warms for a kelvin outside, over the
	// day: near 0 in a nest, near 1 in an empty box; NaN where the air
	// outside hardly changed.
	Coupling float64
	Hours    int // that were known
}

const (
	leastHours = 12 // of a day that says anything
	hottestC   = 28 // outside: above it warmth tells no bees
	// Where the weather is not known, a mild day is taken for it.
	mildC = 15
	// leastSwingK is the standard deviation of the air outside over the hours
	// at which coupling is measured.
	leastSwingK = 1
	// colderK is how much colder than the air a hive can be over a day, shaded
	// and wet as it may stand.
	colderK = 4
	mostLag = 5 // hours by which wood and comb may be behind the air
)

// Look describes some hours, a day's as a rule, in order of time.
func Look(hours []Hour) Day {
	d := Day{InsideC: outyard.Unknown, OutsideC: outyard.Unknown, Warmth: outyard.Unknown, Coupling: outyard.Unknown}
	var in, out, outs float64
	for _, h := range hours {
		if !outyard.Known(h.InsideC) {
			continue
		}
		d.Hours++
		in += h.InsideC
		if outyard.Known(h.OutsideC) {
			out, outs = out+h.OutsideC, outs+1
		}
	}
	if d.Hours < leastHours {
		return d
	}
	air := float64(mildC)
	if outs >= leastHours {
		air = out / outs
	}
	inside := in / float64(d.Hours)
	if frozen(hours) || outs >= leastHours && inside < air-colderK {
		d.Hours = 0 // a probe that lies
		return d
	}
	d.InsideC = inside
	if outs >= leastHours {
		d.OutsideC = air
	}
	if air < hottestC {
		d.Warmth = (d.InsideC - air) / (NestC - air)
	}
	d.Coupling = coupling(hours)
	return d
}

// frozen says that the probe showed one figure all the time, other than that
// of a brood nest, which a coarse one may show for days.
func frozen(hours []Hour) bool {
	first := outyard.Unknown
	for _, h := range hours {
		switch {
		case !outyard.Known(h.InsideC):
		case !outyard.Known(first):
			first = h.InsideC
		case h.InsideC != first:
			return false
		}
	}
	return first < NestC-3 || first > NestC+2
}

// coupling is the slope of the warmth inside on that outside some hours
// before, at the lag at which they agree best.
func coupling(hours []Hour) float64 {
	slope, best := outyard.Unknown, math.Inf(-1)
	for lag := range mostLag + 1 {
		var n, sx, sy, sxx, syy, sxy float64
		for i := lag; i < len(hours); i++ {
			x, y := hours[i-lag].OutsideC, hours[i].InsideC
			if !outyard.Known(x + y) {
				continue
			}
			n, sx, sy, sxx, syy, sxy = n+1, sx+x, sy+y, sxx+x*x, syy+y*y, sxy+x*y
		}
		if n < leastHours {
			continue
		}
		vx, vy, c := sxx-sx*sx/n, syy-sy*sy/n, sxy-sx*sy/n
		if vx < n*leastSwingK*leastSwingK {
			continue
		}
		if r := c / math.Sqrt(vx*max(vy, 1e-9)); r > best {
			best, slope = r, c/vx
		}
	}
	return slope
}

// State is what lives there by this day alone: for a page that shows how it
// stands, not for a finding.
func (d Day) State() State {
	switch {
	case !outyard.Known(d.Warmth):
		return Unknown
	case d.Warmth >= 0.75 && d.InsideC >= 30 && !(d.Coupling > 0.5):
		return Nest
	case !outyard.Known(d.OutsideC):
		return Unknown
	case d.Warmth <= 0.12 && d.Coupling >= 0.65:
		return Empty
	case d.Warmth >= 0.2:
		return Cluster
	}
	return Unknown
}

// middle is the median of what is known, NaN of too little.
func middle(x []float64, least int) float64 {
	if robust.Count(x) < least {
		return outyard.Unknown
	}
	return robust.Median(x)
}
