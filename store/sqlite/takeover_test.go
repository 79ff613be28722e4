package sqlite

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

// TestTakeOver takes a yard from the backup of a daemon with an older schema,
// once: what changes here afterwards does not come back.
func TestTakeOver(t *testing.T) {
	ctx, from := t.Context(), filepath.Join(t.TempDir(), "north.db")
	file, err := os.ReadFile(olderFile(4))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(from, file, 0o600))
	dir := t.TempDir()
	s := open(t, dir)
	keep := func(ctx context.Context, rs []outyard.Reading) error {
		_, err := s.Keep(ctx, rs)
		return err
	}
	taken, err := s.TakeOver(ctx, from, []outyard.YardID{"mill-lane"}, noon, keep)
	require.NoError(t, err)
	require.Equal(t, []outyard.YardID{"mill-lane"}, taken)
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, f := range left {
		require.False(t, f.IsDir(), "nothing is left of the copy: %s", f.Name())
	}
	require.Equal(t, len(firstWeights)+1+len(secondQueued), count(t, s, store.Query{}), "what waited for a time-series server too")
	findings, _, err := s.Findings(ctx, store.Query{})
	require.NoError(t, err)
	requireSame(t, []outyard.Finding{firstFinding}, findings)
	alerts, err := s.Alerts(ctx)
	require.NoError(t, err)
	requireSame(t, []outyard.Alert{firstAlert}, alerts)
	history, err := s.History(ctx, firstFinding.ID)
	require.NoError(t, err)
	requireSame(t, []outyard.Transition{thirdStep}, history)
	due, err := s.Due(ctx, noon.Add(time.Hour), 0)
	require.NoError(t, err)
	requireSame(t, []outyard.Message{firstMessage}, due)
	days, _, err := s.Days(ctx, store.Query{})
	require.NoError(t, err)
	requireSame(t, []outyard.Day{firstDay}, days)
	entries, _, err := s.Entries(ctx, store.Query{})
	require.NoError(t, err)
	requireSame(t, []outyard.Entry{firstEntry}, entries)
	n, _, _, err := s.RefusedCounts(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 2, n)

	require.NoError(t, os.Remove(from), "it need not stay")
	taken, err = s.TakeOver(ctx, from, []outyard.YardID{"mill-lane"}, noon, keep)
	require.NoError(t, err)
	require.Empty(t, taken)
	_, err = s.TakeOver(ctx, from, []outyard.YardID{"mill-lane", "heron-point"}, noon, keep)
	require.ErrorIs(t, err, store.ErrNotFound)
	history, err = s.History(ctx, firstFinding.ID)
	require.NoError(t, err)
	require.Len(t, history, 1)
}

func TestNothingIsTakenFromADaemonThatRuns(t *testing.T) {
	theirs := t.TempDir()
	open(t, theirs)
	_, err := open(t, t.TempDir()).TakeOver(t.Context(), theirs, []outyard.YardID{"mill-lane"}, noon, nil)
	require.ErrorIs(t, err, store.ErrInUse)
}
