package main

import (
	"slices"
	"sort"
	"time"

	"outyard"
)

// A past is what has arrived of a season so far, as a store would have kept
// it: a quantity of a hive at one instant counts once, and the first value wins.
type past struct {
	season *season
	hives  []hivePast // as in season.hives
}

// A hivePast is what has arrived of one hive: rows of the season.
type hivePast struct {
	byTime []int32
	// What came after something later, until it is sorted in: the row of its
	// second.
	late map[int64]int32
}

func newPast(s *season) *past { return &past{s, make([]hivePast, len(s.hives))} }

// take keeps the i-th row. It says whether it was news, as a row that is there
// twice is not.
func (p *past) take(i int32) (news bool) {
	r := p.season.row(i)
	a := &p.hives[r.hive]
	if n := len(a.byTime); n == 0 || p.season.row(a.byTime[n-1]).second < r.second {
		a.byTime = append(a.byTime, i)
		return true
	}
	if k := p.from(a, r.second); p.season.row(a.byTime[k]).second == r.second {
		return complete(p.season.row(a.byTime[k]), r)
	}
	if k, kept := a.late[r.second]; kept {
		return complete(p.season.row(k), r)
	}
	if a.late == nil {
		a.late = map[int64]int32{}
	}
	a.late[r.second] = i
	return true
}

// from is the place of the hive's first row at a second or later.
func (p *past) from(a *hivePast, second int64) int {
	return sort.Search(len(a.byTime), func(k int) bool { return p.season.row(a.byTime[k]).second >= second })
}

// complete adds what was not known before. It says whether there was any.
func complete(kept, r *row) (news bool) {
	for q, v := range r.values {
		if outyard.Known(v) && !outyard.Known(kept.values[q]) {
			kept.values[q], news = v, true
		}
	}
	return news
}

// since returns the rows later than an instant, in order of time and hive; all
// of them for the zero time.
func (p *past) since(t time.Time) []int32 {
	var parts [][]int32
	n := 0
	for _, hive := range slices.Sorted(slices.Values(p.season.hives)) {
		a := &p.hives[p.season.place[hive]]
		if len(a.late) > 0 {
			for _, i := range a.late {
				a.byTime = append(a.byTime, i)
			}
			slices.SortFunc(a.byTime, func(i, j int32) int { return int(p.season.row(i).second - p.season.row(j).second) })
			a.late = nil
		}
		if part := a.byTime[p.from(a, t.Unix()+1):]; len(part) > 0 {
			parts, n = append(parts, part), n+len(part)
		}
	}
	all := make([]int32, 0, n)
	for len(parts) > 0 {
		first := 0 // of those with the same time the first hive's
		for i := range parts {
			if p.season.row(parts[i][0]).second < p.season.row(parts[first][0]).second {
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
