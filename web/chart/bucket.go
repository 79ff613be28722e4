package chart

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// A Bucket is what the readings of one stretch of time come down to: the
// first, the last, the least and the most, and when each was. Drawn at that
// resolution they look as all the readings would (Jugel et al., "M4: a
// visualization-oriented time series data aggregation", VLDB 2014).
type Bucket struct {
	From                          time.Time
	FirstAt, LastAt, MinAt, MaxAt time.Time
	First, Last, Min, Max         float64
}

// To is when the last reading of the bucket was.
func (b Bucket) To() time.Time { return b.LastAt }

// A Point is one value at one instant.
type Point struct {
	At    time.Time
	Value float64
}

// Points are the bucket's four in order of time, each once.
func (b Bucket) Points() []Point {
	ps := []Point{{b.FirstAt, b.First}, {b.MinAt, b.Min}, {b.MaxAt, b.Max}, {b.LastAt, b.Last}}
	slices.SortStableFunc(ps, func(a, b Point) int { return a.At.Compare(b.At) })
	return slices.CompactFunc(ps, func(a, b Point) bool { return a.At.Equal(b.At) })
}

// One is a bucket of a single value, such as a day's.
func One(at time.Time, v float64) Bucket {
	return Bucket{From: at, FirstAt: at, LastAt: at, MinAt: at, MaxAt: at, First: v, Last: v, Min: v, Max: v}
}

// bucketOf puts points, in order of time, into one bucket.
func bucketOf(from time.Time, ps []Point) Bucket {
	least := slices.MinFunc(ps, func(a, b Point) int { return cmp.Compare(a.Value, b.Value) })
	most := slices.MaxFunc(ps, func(a, b Point) int { return cmp.Compare(a.Value, b.Value) })
	first, last := ps[0], ps[len(ps)-1]
	return Bucket{From: from, FirstAt: first.At, First: first.Value, LastAt: last.At, Last: last.Value,
		MinAt: least.At, Min: least.Value, MaxAt: most.At, Max: most.Value}
}

// Work is one time that the keeper worked on a hive.
type Work struct {
	From, To time.Time // To may be zero: an instant
	ChangeKg float64   // put on, or (negative) taken off; NaN: not known
}

func (w Work) to() time.Time {
	if w.To.Before(w.From) {
		return w.From
	}
	return w.To
}

// LeaveOut takes the keeper's work out of a weight: what was read while the
// hive was being handled is dropped, and what comes after is moved back by
// what was put on or taken off. The left end stays as it was weighed.
func LeaveOut(buckets []Bucket, work []Work) []Bucket {
	return reshape(buckets, work, true)
}

// Undisturbed drops what was read while the hive was being handled and moves
// nothing: the weights that say how high the axis must be.
func Undisturbed(buckets []Bucket, work []Work) []Bucket {
	return reshape(buckets, work, false)
}

func reshape(buckets []Bucket, work []Work, move bool) []Bucket {
	work = slices.Clone(work)
	slices.SortFunc(work, func(a, b Work) int { return a.From.Compare(b.From) })
	out := make([]Bucket, 0, len(buckets))
	for _, b := range buckets {
		kept := b.Points()[:0:0]
	points:
		for _, p := range b.Points() {
			for _, w := range work {
				if !p.At.After(w.From) {
					break
				}
				if p.At.Before(w.to()) {
					continue points
				}
				if move && !math.IsNaN(w.ChangeKg) {
					p.Value -= w.ChangeKg
				}
			}
			kept = append(kept, p)
		}
		if len(kept) > 0 {
			out = append(out, bucketOf(b.From, kept))
		}
	}
	return out
}

// Whole comes down to the one bucket that all of them make; none of none.
func Whole(buckets []Bucket) []Bucket {
	var all []Point
	for _, b := range buckets {
		all = append(all, b.Points()...)
	}
	if len(all) == 0 {
		return nil
	}
	return []Bucket{bucketOf(buckets[0].From, all)}
}

// gapAfter is how long nothing must be heard before a line breaks: three and
// a half times the usual step, so that one lost reading does not break it and
// two hours' silence of a ten-minute node does.
func gapAfter(buckets []Bucket) time.Duration {
	if len(buckets) < 2 {
		return math.MaxInt64
	}
	steps := make([]time.Duration, 0, len(buckets)-1)
	for i, b := range buckets[1:] {
		steps = append(steps, b.FirstAt.Sub(buckets[i].LastAt))
	}
	slices.Sort(steps)
	usual := steps[len(steps)/2]
	width := buckets[1].From.Sub(buckets[0].From)
	return max(usual*7/2, width, 90*time.Minute)
}

// runs splits buckets where the line breaks.
func runs(buckets []Bucket) [][]Bucket {
	if len(buckets) == 0 {
		return nil
	}
	gap := gapAfter(buckets)
	var out [][]Bucket
	start := 0
	for i := 1; i < len(buckets); i++ {
		if buckets[i].FirstAt.Sub(buckets[i-1].LastAt) > gap {
			out = append(out, buckets[start:i])
			start = i
		}
	}
	return append(out, buckets[start:])
}
