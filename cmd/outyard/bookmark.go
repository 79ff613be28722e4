package main

import (
	"slices"
	"time"

	"outyard/analysis"
)

// bookmarks keep a yard's course as it stood some days and weeks ago, so that a
// late reading is folded in from the last one before it, and not from the
// season's beginning. A bookmark stands between two instants of a season that
// was folded in order of time: the course of readings as they arrived knows
// the same, but may have weighed it in another order.
type bookmarks struct {
	kept  []bookmark // by time
	since time.Time  // the earliest time of what arrived since the last fold
}

// A bookmark is a course that knows all that happened up to at.
type bookmark struct {
	at     time.Time
	course *analysis.Course
}

// marksBack is how far back bookmarks are left, so that of readings that are
// later than one, most need not go back to the next: a day of a radio that was
// out, a node's weekly turn, a month until somebody fetched its card.
var marksBack = [...]time.Duration{24 * time.Hour, 4 * 24 * time.Hour, 12 * 24 * time.Hour, 45 * 24 * time.Hour}

// changed says that what happened at t is known otherwise than at the last fold.
func (b *bookmarks) changed(t time.Time) {
	if b.since.IsZero() || t.Before(b.since) {
		b.since = t
	}
}

// refold returns the course of all that arrived, in order of time.
func (b *bookmarks) refold(anew func() *analysis.Course, arrived *past) *analysis.Course {
	still := 0
	for still < len(b.kept) && b.kept[still].at.Before(b.since) {
		still++
	}
	b.kept = slices.Delete(b.kept, still, len(b.kept))
	var course *analysis.Course
	var from time.Time
	if still > 0 {
		course, from = b.kept[still-1].course.Fork(), b.kept[still-1].at
	} else {
		course = anew()
	}
	rows := arrived.since(from)
	if len(rows) == 0 {
		return course
	}
	newest := arrived.season.reading(rows[len(rows)-1]).Time
	next := len(marksBack) - 1 // the bookmark to be left next
	last := from
	for _, i := range rows {
		r := arrived.season.reading(i)
		passed := false
		for ; next >= 0 && newest.Sub(r.Time) < marksBack[next]; next-- {
			passed = true
		}
		if passed && r.Time.After(last) && !last.Equal(from) {
			b.kept = append(b.kept, bookmark{last, course.Fork()})
		}
		_ = course.Observe(r) // in order of time nothing is late
		last = r.Time
	}
	b.thin(newest)
	b.since = time.Time{}
	return course
}

// thin leaves, for each distance that is kept, the last bookmark at least so
// far back.
func (b *bookmarks) thin(now time.Time) {
	var kept []bookmark
	for i, m := range b.kept {
		for _, back := range marksBack {
			if now.Sub(m.at) >= back && (i+1 == len(b.kept) || now.Sub(b.kept[i+1].at) < back) {
				kept = append(kept, m)
				break
			}
		}
	}
	b.kept = kept
}
