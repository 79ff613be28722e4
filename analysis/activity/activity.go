// Package activity measures how busy a colony is by day against the rest of
// its yard, from the course of its weight: foragers out and back, nectar in.
// It exists because a hive that lost its swarm goes on with fewer foragers,
// and one from which the keeper took a comb does not, though both fell by the
// same weight: what the days after show, no scale could show at the time.
package activity

import (
	"math"
	"slices"

	"outyard"
)

// A Shape is a hive's weight at each hour of a local day, the keeper's work and
// other steps taken out; NaN where unknown. Only differences within it count.
type Shape [24]float64

// The hours from which and up to which bees may be about.
const (
	firstHour = 5
	lastHour  = 22
)

// NewShape knows nothing yet.
func NewShape() Shape {
	var s Shape
	for i := range s {
		s[i] = outyard.Unknown
	}
	return s
}

// A Day is one day of the hive in question, of the yard's others, and of the
// air outside.
type Day struct {
	Own   Shape
	Mates []Shape
	TempC Shape
	After bool // the day is after what happened, not before
	Apart int  // by how many days
}

// nearDays is within how many days what a day counts falls to a third: colonies
// grow, flows end, mates swarm, so that the days next to the fall show best what
// changed with it (chosen on simulated seasons).
const nearDays = 1.5

// weight is how much the day counts, 1 for those next to what happened.
func (d Day) weight() float64 { return math.Exp(-float64(max(0, d.Apart-1)) / nearDays) }

// A Change is how much busier the hive is after than it was before, against
// its yard: 1 for as busy, 0.5 for half.
type Change struct {
	Ratio    float64 // NaN unknown
	Before   float64 // how busy it was before, 1 for as busy as the yard's usual hive
	Standard float64 // its standard error
	Mates    bool    // the yard's other hives were there to compare with
}

// Unknown is the change of which nothing is known.
func Unknown() Change { return Change{Ratio: outyard.Unknown, Standard: outyard.Unknown} }

// Compare weighs the days before against those after. Each hour's weight, less
// the day's mean, is taken for a share of what the yard's hives show at that
// hour (their median) plus what the air's temperature does to the scale; the
// share before and the share after are found by least squares. Without other
// hives the mean day before stands for the yard, at the mercy of the weather.
func Compare(days []Day) Change {
	unknown := Unknown()
	mates := false
	for _, d := range days {
		mates = mates || len(d.Mates) > 0
	}
	var usual Shape
	if !mates {
		usual = meanBefore(days)
	}
	// Normal equations of y = b0 x (before) + b1 x (after) + c t.
	var a [3][3]float64
	var v [3]float64
	var rows [][4]float64
	var weights []float64
	before, after := 0, 0
	for _, d := range days {
		yard := usual
		if mates {
			if len(d.Mates) == 0 {
				continue
			}
			yard = median(d.Mates)
		}
		x, y, t := centred(yard, d.Own, d.TempC)
		if len(x) < (lastHour-firstHour)*2/3 {
			continue
		}
		if d.After {
			after++
		} else {
			before++
		}
		weight := d.weight()
		for i := range x {
			r := [4]float64{0, 0, t[i], y[i]}
			if d.After {
				r[1] = x[i]
			} else {
				r[0] = x[i]
			}
			rows, weights = append(rows, r), append(weights, weight)
			for j := range 3 {
				for k := range 3 {
					a[j][k] += weight * r[j] * r[k]
				}
				v[j] += weight * r[j] * r[3]
			}
		}
	}
	if before == 0 || after == 0 {
		return unknown
	}
	if a[2][2] == 0 {
		a[2][2] = 1 // no temperature known: its share stays 0
	}
	inv, ok := inverse(a)
	if !ok {
		return unknown
	}
	var b [3]float64
	for j := range 3 {
		for k := range 3 {
			b[j] += inv[j][k] * v[k]
		}
	}
	ss, n := 0.0, 0.0
	for i, r := range rows {
		e := r[3] - b[0]*r[0] - b[1]*r[1] - b[2]*r[2]
		ss, n = ss+weights[i]*e*e, n+weights[i]
	}
	// Neighbouring hours err alike: about one in four counts.
	const alike = 4
	variance := alike * ss / max(1, n-3)
	if b[0] <= 0.1 || b[0] < 2*math.Sqrt(variance*inv[0][0]) {
		return unknown // too little flight before to tell
	}
	ratio := b[1] / b[0]
	return Change{
		Ratio:    ratio,
		Before:   b[0],
		Standard: math.Sqrt(variance*(inv[1][1]+ratio*ratio*inv[0][0])) / b[0],
		Mates:    mates,
	}
}

// centred takes the hours that yard and own both know, each less its mean. An
// unknown temperature counts as the day's mean.
func centred(yard, own, tempC Shape) (x, y, t []float64) {
	var sx, sy, st, nt float64
	for h := firstHour; h < lastHour; h++ {
		if !outyard.Known(yard[h] + own[h]) {
			continue
		}
		x, y, t = append(x, yard[h]), append(y, own[h]), append(t, tempC[h])
		sx, sy = sx+yard[h], sy+own[h]
		if outyard.Known(tempC[h]) {
			st, nt = st+tempC[h], nt+1
		}
	}
	n := float64(len(x))
	for i := range x {
		x[i] -= sx / n
		y[i] -= sy / n
		if outyard.Known(t[i]) {
			t[i] -= st / nt
		} else {
			t[i] = 0
		}
	}
	return x, y, t
}

// median is the middle of several hives at each hour, each less its own mean.
func median(shapes []Shape) Shape {
	level := make([]Shape, 0, len(shapes))
	for _, s := range shapes {
		sum, n := 0.0, 0.0
		for h := firstHour; h < lastHour; h++ {
			if outyard.Known(s[h]) {
				sum, n = sum+s[h], n+1
			}
		}
		if n < lastHour-firstHour {
			continue // a mean over other hours would shift the rest
		}
		for h := range s {
			s[h] -= sum / n
		}
		level = append(level, s)
	}
	out := NewShape()
	for h := firstHour; h < lastHour; h++ {
		var at []float64
		for _, s := range level {
			at = append(at, s[h])
		}
		if len(at) > 0 {
			slices.Sort(at)
			out[h] = (at[(len(at)-1)/2] + at[len(at)/2]) / 2
		}
	}
	return out
}

func meanBefore(days []Day) Shape {
	var own []Shape
	for _, d := range days {
		if !d.After {
			own = append(own, d.Own)
		}
	}
	return median(own)
}

// inverse of a symmetric three by three matrix; false when it has none.
func inverse(a [3][3]float64) (inv [3][3]float64, ok bool) {
	minor := func(r, c int) float64 {
		r1, r2, c1, c2 := (r+1)%3, (r+2)%3, (c+1)%3, (c+2)%3
		return a[r1][c1]*a[r2][c2] - a[r1][c2]*a[r2][c1]
	}
	det := a[0][0]*minor(0, 0) + a[0][1]*minor(0, 1) + a[0][2]*minor(0, 2)
	if math.Abs(det) < 1e-12 {
		return inv, false
	}
	for r := range 3 {
		for c := range 3 {
			inv[c][r] = minor(r, c) / det
		}
	}
	return inv, true
}
