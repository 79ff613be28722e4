package main

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/csvfile"
	"outyard/simulator"
)

// errEnough ends a play.
var errEnough = errors.New("enough")

// TestTheDemonstrationTellsWhatItShows replays the demonstration at its full
// length, as its daemon hears it: thirteen months, and two days more. Whoever
// changes a chance in it sees here what the keeper is told then.
func TestTheDemonstrationTellsWhatItShows(t *testing.T) {
	now := simulator.DemoNow(time.Date(2026, time.November, 25, 7, 0, 0, 0, time.UTC))
	until := now.Add(52 * time.Hour)
	demo := simulator.Demo(demoSeed, now)
	yards := map[outyard.YardID]*season{}
	for _, y := range demo.Yards() {
		yards[y.ID] = newSeason(y)
	}
	_, err := demo.Send(func(s simulator.Sent) error {
		if s.Arrival.After(until) {
			return errEnough
		}
		yards[s.Reading.Yard].add(csvfile.Row{Reading: s.Reading, Arrival: s.Arrival, Zone: time.UTC})
		return nil
	})
	require.ErrorIs(t, err, errEnough)
	found, _, err := replayYards(yards, nil, until)
	require.NoError(t, err)

	first, second := simulator.YardID(1), simulator.YardID(2)
	told := func(kind outyard.Kind, yard outyard.YardID, hive outyard.HiveID, from, to time.Time) outyard.Finding {
		t.Helper()
		for _, f := range found {
			if f.Kind == kind && f.Yard == yard && f.Hive == hive && f.State != outyard.Withdrawn && f.Onset.After(from) && f.Onset.Before(to) {
				return f
			}
		}
		require.Fail(t, "not told", "%s %s %s from %s to %s", kind, yard, hive, from, to)
		return outyard.Finding{}
	}
	for _, live := range []struct {
		yard  outyard.YardID
		hive  string
		after time.Duration
	}{{first, "h03", 165 * time.Minute}, {second, "h01", 50*time.Hour + 5*time.Minute}} {
		left := now.Add(live.after) // as simulator.DemoOptions says
		f := told(outyard.Swarm, live.yard, outyard.HiveID(live.hive), left.Add(-30*time.Minute), left.Add(30*time.Minute))
		require.Less(t, f.ToldAt.Sub(left), 21*time.Minute, "two readings of ten minutes")
		require.Greater(t, f.Confidence, 0.9, "nobody is shown what is a toss-up")
	}
	year := now.Year()
	day := func(year int, month time.Month, day int) time.Time {
		return time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	}
	told(outyard.Swarm, first, "h02", day(year-1, time.May, 28), day(year-1, time.May, 30))
	told(outyard.Swarm, first, "h02", day(year-1, time.June, 6), day(year-1, time.June, 8))
	for _, d := range []struct {
		yard     outyard.YardID
		hive     outyard.HiveID
		from, to time.Time
	}{
		{second, "h04", day(year-1, time.November, 10), day(year-1, time.December, 20)},
		{first, "h05", day(year, time.January, 15), day(year, time.February, 15)},
	} {
		f := told(outyard.Damp, d.yard, d.hive, d.from, d.to)
		require.Equal(t, outyard.Over, f.State)
	}
	for _, f := range found {
		require.False(t, f.Kind == outyard.Swarm && f.Yard == second && f.State != outyard.Withdrawn && f.Onset.Before(now) && (f.Hive == "h03" || f.Hive == "h02"),
			"a split, or a short visit: %s", f.Summary)
	}
}
