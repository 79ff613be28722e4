package main

import (
	"maps"
	"slices"
	"sort"
	"time"

	"outyard"
)

// A past is what has arrived of a yard so far, as a store would have kept it:
// a quantity of a hive at one instant counts once, and the first value wins.
type past map[outyard.HiveID]*hivePast

// A hivePast is what has arrived of one hive.
type hivePast struct {
	byTime []outyard.Reading
	// What came after something later, until it is sorted in: where it stands
	// in late, by its time in ns.
	late []outyard.Reading
	at   map[int64]int
}

// take keeps a reading. It says whether it was news, as a row that is there
// twice is not.
func (p past) take(r outyard.Reading) (news bool) {
	a := p[r.Hive]
	if a == nil {
		a = &hivePast{at: map[int64]int{}}
		p[r.Hive] = a
	}
	if n := len(a.byTime); n == 0 || a.byTime[n-1].Time.Before(r.Time) {
		a.byTime = append(roomy(a.byTime), r)
		return true
	}
	i, kept := slices.BinarySearchFunc(a.byTime, r, func(a, b outyard.Reading) int { return a.Time.Compare(b.Time) })
	if kept {
		return complete(&a.byTime[i], r)
	}
	if i, kept := a.at[r.Time.UnixNano()]; kept {
		return complete(&a.late[i], r)
	}
	a.at[r.Time.UnixNano()] = len(a.late)
	a.late = append(a.late, r)
	return true
}

// complete adds what was not known before. It says whether there was any.
func complete(kept *outyard.Reading, r outyard.Reading) (news bool) {
	for q, v := range r.Values {
		if outyard.Known(v) && !outyard.Known(kept.Values[q]) {
			kept.Values[q], news = v, true
		}
	}
	return news
}

// since returns the readings later than an instant, in order of time and hive;
// all of them for the zero time.
func (p past) since(t time.Time) []outyard.Reading {
	var parts [][]outyard.Reading
	n := 0
	for _, hive := range slices.Sorted(maps.Keys(p)) {
		a := p[hive]
		if len(a.late) > 0 {
			a.byTime = append(a.byTime, a.late...)
			slices.SortFunc(a.byTime, func(a, b outyard.Reading) int { return a.Time.Compare(b.Time) })
			a.late, a.at = nil, map[int64]int{}
		}
		i := sort.Search(len(a.byTime), func(i int) bool { return a.byTime[i].Time.After(t) })
		if part := a.byTime[i:]; len(part) > 0 {
			parts, n = append(parts, part), n+len(part)
		}
	}
	all := make([]outyard.Reading, 0, n)
	for len(parts) > 0 {
		first := 0 // of those with the same time the first hive's
		for i := range parts {
			if parts[i][0].Time.Before(parts[first][0].Time) {
				first = i
			}
		}
		all = append(all, parts[first][0])
		if parts[first] = parts[first][1:]; len(parts[first]) == 0 {
			parts = slices.Delete(parts, first, first+1)
		}
	}
	return all
}

// roomy returns a slice with room for one more, twice as large where it was
// full: append takes a quarter more of a long one, and copies a season over
// and over.
func roomy[T any](s []T) []T {
	if len(s) < cap(s) {
		return s
	}
	return append(make([]T, 0, max(64, 2*len(s))), s...)
}
