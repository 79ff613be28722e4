package main

import (
	"cmp"
	"slices"
	"time"

	"outyard"
	"outyard/collector/csvfile"
)

// A season is a yard with the rows that a file has of it. A year of ten-minute
// rows of thirty hives are two million: they are kept in little space, and
// without pointers for the collector of garbage to follow over and over.
type season struct {
	yard  outyard.Yard
	hives []outyard.HiveID
	place map[outyard.HiveID]int32 // in hives
	rows  []row
}

type row struct {
	second, arrivedSecond int64 // since 1970
	arrivedNs             int32
	hive                  int32 // in season.hives
	values                [outyard.NumQuantities]float64
}

func newSeason(yard outyard.Yard) *season {
	return &season{yard: yard, place: map[outyard.HiveID]int32{}}
}

// add takes the file's next row of the yard.
func (s *season) add(r csvfile.Row) {
	hive, known := s.place[r.Reading.Hive]
	if !known {
		hive = int32(len(s.hives))
		s.hives = append(s.hives, r.Reading.Hive)
		s.place[r.Reading.Hive] = hive
		if _, known := s.yard.Hive(r.Reading.Hive); !known && r.Reading.Hive != "" {
			s.yard.Hives = append(s.yard.Hives, outyard.Hive{ID: r.Reading.Hive, Name: string(r.Reading.Hive)})
		}
	}
	s.rows = append(roomy(s.rows), row{r.Reading.Time.Unix(), r.Arrival.Unix(), int32(r.Arrival.Nanosecond()), hive, r.Reading.Values})
}

// reading is the i-th row's, whose time is to the second (see [outyard.NewReading]).
func (s *season) reading(i int32) outyard.Reading {
	r := &s.rows[i]
	return outyard.Reading{Yard: s.yard.ID, Hive: s.hives[r.hive], Time: time.Unix(r.second, 0).UTC(), Values: r.values}
}

func (s *season) arrival(i int32) time.Time {
	return time.Unix(s.rows[i].arrivedSecond, int64(s.rows[i].arrivedNs)).UTC()
}

// byArrival is the order in which the rows arrived; what arrived at once by
// time and hive.
func (s *season) byArrival() []int32 {
	order := make([]int32, len(s.rows))
	for i := range order {
		order[i] = int32(i)
	}
	before := func(i, j int32) int {
		a, b := &s.rows[i], &s.rows[j]
		return cmp.Or(cmp.Compare(a.arrivedSecond, b.arrivedSecond), cmp.Compare(a.arrivedNs, b.arrivedNs),
			cmp.Compare(a.second, b.second), cmp.Compare(s.hives[a.hive], s.hives[b.hive]), cmp.Compare(i, j))
	}
	if !slices.IsSortedFunc(order, before) {
		slices.SortFunc(order, before)
	}
	return order
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
