package analysis

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/simulator"
)

// A scale that swims says nothing of bees: neither a swarm, nor work, nor
// robbers, nor a gain of its own, nor one of the yard's.
func TestAScaleThatSwimsIsSetAside(t *testing.T) {
	const hive = "h02"
	from := time.Date(2026, time.June, 5, 8, 0, 0, 0, time.UTC)
	s := simulator.Invent(3, simulator.Options{Start: time.Date(2026, time.May, 20, 8, 0, 0, 0, time.UTC), Days: 45, Yards: 1, HivesPerYard: 4, Calm: true, NoKeeper: true,
		Script: []simulator.Event{{Kind: outyard.SensorFault, What: simulator.Swimming, Yard: simulator.YardID(1), Hive: hive, Time: from, End: from.AddDate(0, 0, 20)}}})
	c := NewCourse(s.Yards()[0], nil, DefaultSettings())
	_, err := s.Run(c.Observe)
	require.NoError(t, err)
	var faults []outyard.Finding
	for _, f := range c.Findings() {
		switch f.Kind {
		case outyard.SensorFault:
			faults = append(faults, f)
		case outyard.Swarm, outyard.Handling, outyard.Robbing:
			t.Errorf("%s %s: %s", f.Hive, f.Kind, f.Summary)
		}
	}
	require.Len(t, faults, 1)
	f := faults[0]
	require.Equal(t, outyard.HiveID(hive), f.Hive)
	require.Equal(t, "swimming", f.Facts["fault"])
	require.WithinRange(t, f.Onset, from.AddDate(0, 0, -3), from.AddDate(0, 0, 4))
	known, made := 0, 0
	for _, d := range c.Days() {
		at := d.Date.Start(s.Yards()[0].Zone)
		if d.Hive == hive && at.After(from.AddDate(0, 0, 8)) && at.Before(from.AddDate(0, 0, 19)) && outyard.Known(d.GainKg) {
			known++
		}
		if d.Hive == hive && d.HandledKg != 0 && at.After(f.Onset) {
			made++
			require.InDelta(t, d.HandledKg, c.hives[hive].byScaleKg(at, at.AddDate(0, 0, 1)), 1e-9, "%s: nobody was there, whatever the scale says", d.Date)
		}
	}
	require.Zero(t, known, "days of which a gain is said")
	require.Positive(t, made)
}

// A zero that takes days to move makes no swarm, and hides none.
func TestASwarmIsToldOfAScaleThatFollowsTheWarmth(t *testing.T) {
	const hive = "h02"
	from := time.Date(2026, time.May, 25, 8, 0, 0, 0, time.UTC)
	left := time.Date(2026, time.June, 14, 20, 0, 0, 0, time.UTC) // noon at the yard
	s := simulator.Invent(5, simulator.Options{Start: time.Date(2026, time.May, 10, 8, 0, 0, 0, time.UTC), Days: 45, Yards: 1, HivesPerYard: 4, Calm: true, NoKeeper: true,
		Script: []simulator.Event{
			{Kind: outyard.SensorFault, What: simulator.Warming, Yard: simulator.YardID(1), Hive: hive, Time: from, End: from.AddDate(0, 0, 32)},
			{Kind: simulator.FineWeather, Time: left.AddDate(0, 0, -1), End: left.AddDate(0, 0, 1)},
			{Kind: outyard.Swarm, Yard: simulator.YardID(1), Hive: hive, Time: left, Kg: 2.7},
		}})
	c := NewCourse(s.Yards()[0], nil, DefaultSettings())
	_, err := s.Run(c.Observe)
	require.NoError(t, err)
	faults, swarms := 0, 0
	for _, f := range c.Findings() {
		switch {
		case f.Hive != hive:
		case f.Kind == outyard.SensorFault && f.Onset.Before(left) && (f.End.IsZero() || f.End.After(left)):
			faults++
		case f.Kind == outyard.Swarm:
			require.WithinDuration(t, left, f.Onset, 15*time.Minute)
			swarms++
		}
	}
	require.Positive(t, faults, "the scale is known to move")
	require.Equal(t, 1, swarms)
}
