package main

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/csvfile"
)

func TestWhatArrivedIsKeptAsAStoreWould(t *testing.T) {
	reading := func(hive outyard.HiveID, minute int, kg, tempC float64) outyard.Reading {
		r := outyard.NewReading("heron-point", hive, time.Date(2027, 5, 12, 9, minute, 0, 0, time.UTC))
		r.Values[outyard.Weight], r.Values[outyard.InsideTemp] = kg, tempC
		return r
	}
	unknown := outyard.Unknown
	rows := []struct {
		name string
		r    outyard.Reading
		news bool
	}{
		{"the first", reading("h01", 10, 40, unknown), true},
		{"one of another hive", reading("h02", 10, 50, 34), true},
		{"the next", reading("h01", 30, 41, unknown), true},
		{"the first again", reading("h01", 10, 40, unknown), false},
		{"another value of it: the first wins", reading("h01", 10, 44, unknown), false},
		{"its temperature, in a row of its own", reading("h01", 10, unknown, 34.5), true},
		{"one between, late", reading("h01", 20, 40.5, unknown), true},
		{"the late one again", reading("h01", 20, 40.5, unknown), false},
		{"its temperature", reading("h01", 20, unknown, 34.6), true},
	}
	file := newSeason(outyard.Yard{ID: "heron-point"})
	for _, c := range rows {
		file.add(csvfile.Row{Reading: c.r, Arrival: c.r.Time})
	}
	p := newPast(file)
	for i, c := range rows {
		require.Equal(t, c.news, p.take(int32(i)), c.name)
	}
	since := func(at time.Time) (all []outyard.Reading) {
		for _, i := range p.since(at) {
			all = append(all, file.reading(i))
		}
		return all
	}
	want := []outyard.Reading{reading("h01", 10, 40, 34.5), reading("h02", 10, 50, 34), reading("h01", 20, 40.5, 34.6), reading("h01", 30, 41, unknown)}
	require.Empty(t, cmp.Diff(want, since(time.Time{}), cmpopts.EquateNaNs()))
	require.Empty(t, cmp.Diff(want[2:], since(want[0].Time), cmpopts.EquateNaNs()), "later than the first")
	require.False(t, p.take(7), "sorted in, it is known still")
}
