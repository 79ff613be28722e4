package robust

import (
	"math"
	"slices"
)

// A Window holds the last so many values of a series, in order of value as
// well as of time, so that the median and the MAD of a sliding window cost
// little more than one insertion: a new value and the one that it pushes out
// shift only what lies between them. An unknown value takes up its place in
// time, and no more.
type Window struct {
	ring   []float64 // by time, a circle
	first  int       // index in ring of the oldest
	size   int
	sorted []float64 // what is known, by value
}

// NewWindow returns an empty window for width values, at least one.
func NewWindow(width int) *Window {
	width = max(width, 1)
	return &Window{ring: make([]float64, width), sorted: make([]float64, 0, width)}
}

// Push adds the newest value; when the window is full the oldest leaves.
func (w *Window) Push(v float64) {
	if !isKnown(v) {
		v = math.NaN()
	}
	if w.size == len(w.ring) {
		old := w.ring[w.first]
		w.ring[w.first] = v
		w.first = (w.first + 1) % len(w.ring)
		w.replace(old, v)
		return
	}
	w.ring[(w.first+w.size)%len(w.ring)] = v
	w.size++
	w.replace(math.NaN(), v)
}

// Drop forgets the oldest value: for windows that span a time rather than a
// number of values.
func (w *Window) Drop() {
	if w.size == 0 {
		return
	}
	old := w.ring[w.first]
	w.first = (w.first + 1) % len(w.ring)
	w.size--
	w.replace(old, math.NaN())
}

// Clone returns a copy that goes its own way from here.
func (w *Window) Clone() *Window {
	c := *w
	c.ring = slices.Clone(w.ring)
	c.sorted = append(make([]float64, 0, len(w.ring)), w.sorted...)
	return &c
}

// Reset forgets all values and keeps the room.
func (w *Window) Reset() {
	w.first, w.size, w.sorted = 0, 0, w.sorted[:0]
}

// Len is the number of values held, unknown ones included.
func (w *Window) Len() int { return w.size }

// Known is the number of known values held.
func (w *Window) Known() int { return len(w.sorted) }

// At is the value pushed i before the newest; NaN where there is none.
func (w *Window) At(i int) float64 {
	if i < 0 || i >= w.size {
		return math.NaN()
	}
	return w.ring[(w.first+w.size-1-i)%len(w.ring)]
}

// Median is the median of the known values.
func (w *Window) Median() float64 {
	n := len(w.sorted)
	if n == 0 {
		return math.NaN()
	}
	if n%2 == 1 {
		return w.sorted[n/2]
	}
	return between(w.sorted[n/2-1], w.sorted[n/2])
}

// Quantile is as [Quantile], of the known values.
func (w *Window) Quantile(p float64) float64 { return quantileOfSorted(p, w.sorted) }

// MAD is as [MAD], of the known values. The distances from the median rise
// both ways from the middle, so the one that is wanted is found by halving
// rather than by sorting them.
func (w *Window) MAD() float64 {
	n := len(w.sorted)
	if n == 0 {
		return math.NaN()
	}
	median := w.Median()
	upper := w.nthDistance(median, n/2)
	if n%2 == 1 {
		return MADScale * upper
	}
	return MADScale * between(w.nthDistance(median, n/2-1), upper)
}

// nthDistance is the value at index k of the sorted distances from at, where
// at lies in the middle of the values.
func (w *Window) nthDistance(at float64, k int) float64 {
	n := len(w.sorted)
	mid := n / 2
	// The k+1 nearest values are a run of the sorted ones: take of them so many
	// from below mid that no value left out is nearer than one taken.
	lo, hi := max(0, k+1-(n-mid)), min(mid, k+1)
	for lo < hi {
		below := lo + (hi-lo)/2
		// Taking one more from below is right while that one is nearer than the
		// farthest taken from above.
		if at-w.sorted[mid-1-below] < w.sorted[mid+k-below]-at {
			lo = below + 1
		} else {
			hi = below
		}
	}
	far := 0.0
	if lo > 0 {
		far = at - w.sorted[mid-lo]
	}
	if lo < k+1 {
		far = max(far, w.sorted[mid+k-lo]-at)
	}
	return far
}

// replace takes old out of the sorted values and puts v in; NaN stands for none.
func (w *Window) replace(old, v float64) {
	s := w.sorted
	switch oldKnown, newKnown := isKnown(old), isKnown(v); {
	case oldKnown && newKnown:
		from, _ := slices.BinarySearch(s, old)
		to, _ := slices.BinarySearch(s, v)
		if to > from {
			to-- // old's own place becomes free
			copy(s[from:to], s[from+1:to+1])
		} else {
			copy(s[to+1:from+1], s[to:from])
		}
		s[to] = v
	case oldKnown:
		from, _ := slices.BinarySearch(s, old)
		w.sorted = slices.Delete(s, from, from+1)
	case newKnown:
		to, _ := slices.BinarySearch(s, v)
		w.sorted = slices.Insert(s, to, v)
	}
}

// A Hampel filter finds single values that do not belong: ones farther from
// the median of their neighbours than so many MADs (Hampel 1974, J. Am. Stat.
// Assoc. 69:383; Davies & Gather 1993). It judges a value once as many have
// come after it as before, so it lags by half its window.
type Hampel struct {
	window *Window
	half   int
	limit  float64
	floor  float64
	pushed int
	judged int
}

// NewHampel returns a filter that looks half values to each side and calls
// wild what is more than limit MADs from their median. The MAD is never taken
// to be less than floor, in the unit of the values: a scale that shows the
// same figure for hours has a MAD of zero, and one digit's change is not wild.
func NewHampel(half int, limit, floor float64) *Hampel {
	half = max(half, 1)
	return &Hampel{window: NewWindow(2*half + 1), half: half, limit: limit, floor: max(floor, 0)}
}

// A Judged value has been seen among its neighbours.
type Judged struct {
	Value  float64 // as it was pushed
	Median float64 // of its neighbours and itself
	Wild   bool
}

// Push takes the next value and returns the judgement of the one that came
// half a window before, once there is one.
func (h *Hampel) Push(v float64) (Judged, bool) {
	h.window.Push(v)
	h.pushed++
	if h.pushed <= h.half {
		return Judged{}, false
	}
	h.judged++
	return h.judge(h.half), true
}

// Flush returns the judgements still outstanding at the end of a series, and
// makes the filter ready for another.
func (h *Hampel) Flush() []Judged {
	var last []Judged
	for h.judged < h.pushed {
		for h.window.Len() > h.pushed-h.judged+h.half {
			h.window.Drop()
		}
		last = append(last, h.judge(h.pushed-1-h.judged))
		h.judged++
	}
	h.window.Reset()
	h.pushed, h.judged = 0, 0
	return last
}

func (h *Hampel) judge(back int) Judged {
	j := Judged{Value: h.window.At(back), Median: h.window.Median()}
	j.Wild = math.Abs(j.Value-j.Median) > h.limit*max(h.window.MAD(), h.floor)
	return j
}
