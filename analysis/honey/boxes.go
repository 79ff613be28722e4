package honey

import (
	"math"
	"slices"
	"time"

	"outyard"
)

// Equipment is what stands on the scale at an instant: the hive's parts as
// configured, then what the journal put on and took off, in order of time. An
// entry without a part changes nothing here. The journal may be of all hives.
func Equipment(hive outyard.HiveID, configured []outyard.Part, journal []outyard.Entry, at time.Time) []outyard.Part {
	parts := slices.Clone(configured)
	ordered := slices.Clone(journal)
	slices.SortStableFunc(ordered, func(a, b outyard.Entry) int { return a.Time.Compare(b.Time) })
	for _, e := range ordered {
		part := outyard.Part(e.Part)
		if e.Hive != hive || e.Time.After(at) || e.Part == "" {
			continue
		}
		if _, ok := part.Info(); !ok {
			continue
		}
		switch e.Kind {
		case outyard.BoxOn:
			parts = putOn(parts, part)
		case outyard.BoxOff, outyard.HoneyTaken:
			parts = takeOff(parts, part)
		}
	}
	return parts
}

// putOn sets a box on top of the boxes, below covers and lid.
func putOn(parts []outyard.Part, part outyard.Part) []outyard.Part {
	top := 0
	for i, p := range parts {
		if isBox(p) || p == "floor" || p == "queen-excluder" {
			top = i + 1
		}
	}
	return slices.Insert(parts, top, part)
}

// takeOff takes the uppermost of its kind.
func takeOff(parts []outyard.Part, part outyard.Part) []outyard.Part {
	for i, p := range slices.Backward(parts) {
		if p == part {
			return slices.Delete(parts, i, i+1)
		}
	}
	return parts
}

func isBox(p outyard.Part) bool {
	in, ok := p.Info()
	return ok && in.HoneyKg > 0
}

// boxes are what the parts amount to.
type boxes struct {
	tare   Amount  // kg, empty
	supers float64 // kg of honey that the boxes above the brood nest hold
	nest   float64 // kg of honey that the brood boxes would hold without brood
	known  bool    // at least one box is named
}

// nest says whether the box at an index is the brood nest's: the lowest,
// whatever its depth, and every other of a kind usually given to it, unless a
// queen excluder lies below.
func nest(parts []outyard.Part, i int) bool {
	in, _ := parts[i].Info()
	return topBox(parts[:i]) < 0 || in.Brood && !slices.Contains(parts[:i], "queen-excluder")
}

// boxesOf adds parts up.
func boxesOf(parts []outyard.Part, partError float64) boxes {
	var b boxes
	variance := 0.0
	for i, p := range parts {
		in, ok := p.Info()
		if !ok {
			continue
		}
		b.tare.Value += in.EmptyKg
		variance += math.Pow(partError*in.EmptyKg, 2)
		if in.HoneyKg <= 0 {
			continue
		}
		if nest(parts, i) {
			b.nest += in.HoneyKg
		} else {
			b.supers += in.HoneyKg
		}
		b.known = true
	}
	b.tare.Error = math.Sqrt(variance)
	return b
}

// roomKg is the honey that the boxes take beside the brood.
func (b boxes) roomKg(date outyard.Date, latitude float64) float64 {
	return b.supers + nestShare.on(date, latitude)*b.nest
}

// size is how big a colony the brood boxes let grow, 1 for two deep ones.
func (b boxes) size() float64 {
	const twoDeepsKg, least = 54.4, 0.3
	return min(1, least+(1-least)*b.nest/twoDeepsKg)
}

func countBoxes(parts []outyard.Part) (n int) {
	for _, p := range parts {
		if isBox(p) {
			n++
		}
	}
	return n
}

// topBox is the index of the uppermost box, -1 where there is none.
func topBox(parts []outyard.Part) int {
	for i, p := range slices.Backward(parts) {
		if isBox(p) {
			return i
		}
	}
	return -1
}
