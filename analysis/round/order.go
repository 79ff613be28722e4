package round

import (
	"math"
	"math/bits"
	"slices"

	"outyard"
)

const (
	// earthKm is the mean radius (IUGG).
	earthKm = 6371.0
	// A way by road is this much longer than the straight line: common
	// practice, no source.
	detour = 1.5
	// On country roads, all stops and turns counted: common practice, no source.
	kmPerMinute = 50.0 / 60
	// Up to so many yards the order is the best one; above, a good one.
	mostExact = 11
)

// inDrivingOrder puts the urgent stops before the others, each in a short
// order: from home through the urgent ones, on through the others, and home.
func inDrivingOrder(yards []outyard.Yard, urgent, soon []*Stop) []*Stop {
	// Where two orders are equally short, the config's is taken.
	byConfig := func(a, b *Stop) int {
		ia := slices.IndexFunc(yards, func(y outyard.Yard) bool { return y.ID == a.Yard.ID })
		ib := slices.IndexFunc(yards, func(y outyard.Yard) bool { return y.ID == b.Yard.ID })
		if ia != ib {
			return ia - ib
		}
		if a.Yard.ID < b.Yard.ID {
			return -1
		}
		return 1
	}
	slices.SortFunc(urgent, byConfig)
	slices.SortFunc(soon, byConfig)

	fromHome := func(s *Stop) float64 { return s.Yard.TripMinutes }
	nowhere := func(*Stop) float64 { return 0 }
	end := fromHome
	if len(soon) > 0 {
		end = nowhere
	}
	out := shortest(urgent, fromHome, end)
	start := fromHome
	if n := len(out); n > 0 {
		last := out[n-1]
		start = func(s *Stop) float64 { return minutesBetween(last.Yard, s.Yard) }
	}
	return append(out, shortest(soon, start, fromHome)...)
}

// timeDrive gives each stop its drive and returns the whole of it.
func timeDrive(stops []Stop) float64 {
	if len(stops) == 0 {
		return outyard.Unknown
	}
	sum, known := 0.0, true
	for i := range stops {
		y := stops[i].Yard
		switch {
		case i > 0:
			stops[i].DriveMinutes = minutesBetween(stops[i-1].Yard, y)
		case y.TripMinutes > 0:
			stops[i].DriveMinutes = y.TripMinutes
		default:
			known = false
		}
		sum += stops[i].DriveMinutes
	}
	last := stops[len(stops)-1].Yard.TripMinutes
	if !known || last <= 0 {
		return outyard.Unknown
	}
	return sum + last
}

// minutesBetween estimates the drive from one yard to another. What is known
// of the drives from home bounds it: no way is longer than the one by home,
// nor shorter than their difference.
func minutesBetween(a, b outyard.Yard) float64 {
	m := kmBetween(a, b) * detour / kmPerMinute
	if a.TripMinutes > 0 && b.TripMinutes > 0 {
		m = min(max(m, math.Abs(a.TripMinutes-b.TripMinutes)), a.TripMinutes+b.TripMinutes)
	}
	return m
}

// kmBetween is the great-circle distance by the haversine formula, exact to
// 0.6 % for the Earth is no ball.
func kmBetween(a, b outyard.Yard) float64 {
	rad := func(deg float64) float64 { return deg * math.Pi / 180 }
	half := func(x float64) float64 { s := math.Sin(x / 2); return s * s }
	h := half(rad(b.Latitude-a.Latitude)) + math.Cos(rad(a.Latitude))*math.Cos(rad(b.Latitude))*half(rad(b.Longitude-a.Longitude))
	return 2 * earthKm * math.Asin(math.Min(1, math.Sqrt(h)))
}

// shortest orders stops so that the way from the start through all of them to
// the end is short.
func shortest(stops []*Stop, start, end func(*Stop) float64) []*Stop {
	n := len(stops)
	if n == 0 {
		return nil
	}
	w := ways{start: make([]float64, n), end: make([]float64, n), between: make([][]float64, n)}
	for i, a := range stops {
		w.start[i], w.end[i], w.between[i] = start(a), end(a), make([]float64, n)
		for j, b := range stops {
			w.between[i][j] = minutesBetween(a.Yard, b.Yard)
		}
	}
	order := w.good()
	if n <= mostExact {
		order = w.best()
	}
	out := make([]*Stop, n)
	for i, at := range order {
		out[i] = stops[at]
	}
	return out
}

// ways are the minutes between places.
type ways struct {
	start, end []float64
	between    [][]float64
}

func (w ways) minutes(order []int) float64 {
	sum := w.start[order[0]] + w.end[order[len(order)-1]]
	for i := 1; i < len(order); i++ {
		sum += w.between[order[i-1]][order[i]]
	}
	return sum
}

// best is the shortest order, after Held and Karp 1962 (J. SIAM 10): the
// shortest way through a set that ends at one of it, for ever larger sets.
func (w ways) best() []int {
	n := len(w.start)
	type leg struct {
		minutes float64
		from    int
	}
	legs := make([][]leg, 1<<n)
	for set := 1; set < 1<<n; set++ {
		legs[set] = make([]leg, n)
		for last := range n {
			rest := set &^ (1 << last)
			switch {
			case set&(1<<last) == 0:
			case rest == 0:
				legs[set][last] = leg{w.start[last], -1}
			default:
				l := leg{math.Inf(1), -1}
				for before := range n {
					if rest&(1<<before) == 0 {
						continue
					}
					if m := legs[rest][before].minutes + w.between[before][last]; m < l.minutes {
						l = leg{m, before}
					}
				}
				legs[set][last] = l
			}
		}
	}
	set, last := 1<<n-1, 0
	for i := range n {
		if legs[set][i].minutes+w.end[i] < legs[set][last].minutes+w.end[last] {
			last = i
		}
	}
	order := make([]int, bits.OnesCount(uint(set)))
	for i := n - 1; i >= 0; i-- {
		order[i] = last
		before := legs[set][last].from
		set &^= 1 << last
		last = before
	}
	return order
}

// good is an order without a pair of ways that would be shorter crosswise: the
// nearest next, and then stretches turned round while that helps (2-opt: Croes
// 1958, Operations Research 6).
func (w ways) good() []int {
	n := len(w.start)
	order, left := make([]int, 0, n), make([]int, n)
	for i := range left {
		left[i] = i
	}
	for len(left) > 0 {
		away := w.start
		if len(order) > 0 {
			away = w.between[order[len(order)-1]]
		}
		nearest := 0
		for i := range left {
			if away[left[i]] < away[left[nearest]] {
				nearest = i
			}
		}
		order = append(order, left[nearest])
		left = slices.Delete(left, nearest, nearest+1)
	}
	const worth = 1e-9 // minutes: less is rounding, and would go on for ever
	for better := true; better; {
		better = false
		for i := range n {
			for j := i + 1; j < n; j++ {
				if w.into(order, i, order[j])+w.outOf(order, j, order[i]) < w.into(order, i, order[i])+w.outOf(order, j, order[j])-worth {
					slices.Reverse(order[i : j+1])
					better = true
				}
			}
		}
	}
	return order
}

// into is the way to place, were it the i-th of the order; outOf the way on
// from it.
func (w ways) into(order []int, i, place int) float64 {
	if i == 0 {
		return w.start[place]
	}
	return w.between[order[i-1]][place]
}

func (w ways) outOf(order []int, i, place int) float64 {
	if i == len(order)-1 {
		return w.end[place]
	}
	return w.between[place][order[i+1]]
}
