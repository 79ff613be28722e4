package sqlite

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

func TestOldReadingsAreDroppedAndNothingElse(t *testing.T) {
	s, err := Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer s.Close()
	ctx := t.Context()
	keep := func(rs ...outyard.Reading) {
		t.Helper()
		fresh, err := s.Keep(ctx, rs)
		require.NoError(t, err)
		require.Len(t, fresh, len(rs))
	}
	times := func(yard outyard.YardID) (all []time.Time) {
		t.Helper()
		require.NoError(t, s.EachReading(ctx, store.Query{Yard: yard}, func(r outyard.Reading) error {
			all = append(all, r.Time)
			return nil
		}))
		return all
	}
	since, err := s.DroppedBefore(ctx)
	require.NoError(t, err)
	require.True(t, since.IsZero(), "nothing was ever dropped")

	// Years of weights, over several stretches, and more than go at once.
	day := 24 * time.Hour
	var weights, weather []outyard.Reading
	for i := range 3 * dropAtOnce {
		r := outyard.NewReading("mill-lane", "h01", noon.Add(-time.Duration(i)*2*time.Hour))
		r.Values[outyard.Weight] = 40
		weights = append(weights, r)
	}
	for i := range 900 {
		r := outyard.NewReading("mill-lane", "", noon.Add(-time.Duration(i)*day))
		r.Values[outyard.Rain] = 1
		weather = append(weather, r)
	}
	long := outyard.NewReading("far", "h09", noon.Add(-700*day))
	long.Values[outyard.Weight] = 30
	keep(weights...)
	keep(weather...)
	keep(long)
	require.NoError(t, s.Tell(ctx, store.News{Findings: []outyard.Finding{firstFinding}, Days: []outyard.Day{firstDay}}))
	_, err = s.AddEntry(ctx, firstEntry)
	require.NoError(t, err)

	before := noon.Add(-400 * day)
	dropped, err := s.DropReadings(ctx, before)
	require.NoError(t, err)
	require.Equal(t, map[outyard.YardID]int64{"mill-lane": 3*dropAtOnce - 400*12 - 1 + 900 - 401, "far": 1}, dropped)
	left := times("mill-lane")
	require.True(t, len(left) == 400*12+1+401, "%d are left", len(left))
	require.Equal(t, before, left[0], "that of the very second stays")
	require.Empty(t, times("far"))
	since, err = s.DroppedBefore(ctx)
	require.NoError(t, err)
	require.Equal(t, before, since)

	newest, err := s.Newest(ctx)
	require.NoError(t, err)
	require.Len(t, newest, 2, "h01 and the weather; of h09 nothing is known any more")
	first, last, ok, err := s.Span(ctx, "mill-lane")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, []time.Time{before, noon}, []time.Time{first, last})
	_, _, ok, err = s.Span(ctx, "far")
	require.NoError(t, err)
	require.False(t, ok)

	findings, _, err := s.Findings(ctx, store.Query{})
	require.NoError(t, err)
	require.Len(t, findings, 1)
	days, _, err := s.Days(ctx, store.Query{})
	require.NoError(t, err)
	require.Len(t, days, 1)
	entries, _, err := s.Entries(ctx, store.Query{})
	require.NoError(t, err)
	require.Len(t, entries, 1)

	// Again: there is nothing left to drop, and the time does not go back.
	dropped, err = s.DropReadings(ctx, before.Add(-100*day))
	require.NoError(t, err)
	require.Empty(t, dropped)
	since, err = s.DroppedBefore(ctx)
	require.NoError(t, err)
	require.Equal(t, before, since)
	// What comes after all is kept, under a stretch of its own again.
	keep(long)
	require.Equal(t, []time.Time{long.Time}, times("far"))
	dropped, err = s.DropReadings(ctx, before)
	require.NoError(t, err)
	require.Equal(t, map[outyard.YardID]int64{"far": 1}, dropped)
}
