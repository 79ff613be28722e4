package sqlite

import (
	"testing"

	"outyard"
	"outyard/store"

	"github.com/stretchr/testify/require"
)

func TestNodes(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	changed := func() int64 {
		times, err := s.NodesChanged(t.Context())
		require.NoError(t, err)
		return times
	}
	require.Zero(t, changed())
	heron := outyard.Node{User: "heron", Secret: "hash-h", Added: noon, Grounds: []outyard.Ground{{Yard: "heron-point"}, {Yard: "salal-hill", Hive: "h02"}}}
	bare := outyard.Node{User: "bare", Secret: "hash-b", Added: noon}
	require.NoError(t, s.AddNode(t.Context(), heron))
	require.NoError(t, s.AddNode(t.Context(), bare))
	require.EqualValues(t, 2, changed())
	require.ErrorIs(t, s.AddNode(t.Context(), outyard.Node{User: "heron", Secret: "other", Added: noon}), store.ErrExists)
	require.EqualValues(t, 2, changed(), "what went wrong changed nothing")
	nodes, err := s.Nodes(t.Context())
	require.NoError(t, err)
	requireSame(t, []outyard.Node{bare, heron}, nodes)

	// A command changes them while the daemon runs, and the daemon sees it.
	beside, err := OpenBeside(t.Context(), dir)
	require.NoError(t, err)
	require.NoError(t, beside.SetNodeSecret(t.Context(), "heron", "hash-2"))
	require.NoError(t, beside.RemoveNode(t.Context(), "bare"))
	require.NoError(t, beside.Close())
	require.EqualValues(t, 4, changed())
	heron.Secret = "hash-2"
	nodes, err = s.Nodes(t.Context())
	require.NoError(t, err)
	requireSame(t, []outyard.Node{heron}, nodes)
	require.ErrorIs(t, s.SetNodeSecret(t.Context(), "bare", "x"), store.ErrNotFound)
	require.ErrorIs(t, s.RemoveNode(t.Context(), "bare"), store.ErrNotFound)
	require.NoError(t, s.RemoveNode(t.Context(), "heron"))
	require.NoError(t, s.AddNode(t.Context(), outyard.Node{User: "heron", Secret: "hash-3", Added: noon}))
	nodes, err = s.Nodes(t.Context())
	require.NoError(t, err)
	require.Empty(t, nodes[0].Grounds, "the ground of the one that was removed went with it")
}
