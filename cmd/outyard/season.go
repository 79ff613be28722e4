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
	parts [][]row                  // partLength each, the last of fewer
	// arrivals says that the file tells when rows arrived.
	arrivals bool
}

// partLength is a power of two. Rows lie in parts, since one long slice is
// copied over and over while it grows.
const partLength = 1 << 12

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
	s.arrivals = s.arrivals || !r.Arrival.Equal(r.Reading.Time)
	if n := len(s.parts); n == 0 || len(s.parts[n-1]) == partLength {
		s.parts = append(s.parts, make([]row, 0, partLength))
	}
	last := &s.parts[len(s.parts)-1]
	*last = append(*last, row{r.Reading.Time.Unix(), r.Arrival.Unix(), int32(r.Arrival.Nanosecond()), hive, r.Reading.Values})
}

func (s *season) row(i int32) *row { return &s.parts[i/partLength][i%partLength] }

func (s *season) length() int {
	if len(s.parts) == 0 {
		return 0
	}
	return (len(s.parts)-1)*partLength + len(s.parts[len(s.parts)-1])
}

// reading is the i-th row's, whose time is to the second (see [outyard.NewReading]).
func (s *season) reading(i int32) outyard.Reading {
	r := s.row(i)
	return outyard.Reading{Yard: s.yard.ID, Hive: s.hives[r.hive], Time: time.Unix(r.second, 0).UTC(), Values: r.values}
}

func (s *season) arrival(i int32) time.Time {
	r := s.row(i)
	return time.Unix(r.arrivedSecond, int64(r.arrivedNs)).UTC()
}

// byArrival is the order in which the rows arrived; what arrived at once by
// time and hive.
func (s *season) byArrival() []int32 {
	order := make([]int32, s.length())
	for i := range order {
		order[i] = int32(i)
	}
	before := func(i, j int32) int {
		a, b := s.row(i), s.row(j)
		return cmp.Or(cmp.Compare(a.arrivedSecond, b.arrivedSecond), cmp.Compare(a.arrivedNs, b.arrivedNs),
			cmp.Compare(a.second, b.second), cmp.Compare(s.hives[a.hive], s.hives[b.hive]), cmp.Compare(i, j))
	}
	if !slices.IsSortedFunc(order, before) {
		slices.SortFunc(order, before)
	}
	return order
}
