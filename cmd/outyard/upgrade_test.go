package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard/store/sqlite"
)

// TestAnOlderStoreIsBroughtUpToDate starts a daemon on a store of the first
// schema: it says so, and what the store was is beside it, to be gone back to.
func TestAnOlderStoreIsBroughtUpToDate(t *testing.T) {
	dir := t.TempDir()
	data := filepath.Join(dir, "outyard-data")
	require.NoError(t, os.Mkdir(data, 0o700))
	first, err := os.ReadFile("../../store/sqlite/testdata/schema-1.db")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(data, sqlite.File), first, 0o600))

	code, _, stderr := outyardIn(t, dir, nil, "export")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "written by an older outyard: start the daemon once to bring it up to date")

	boss := newBoss(t)
	d := startDaemon(t, dir, ownBroker, "NOTIFY_SOCKET="+boss.at)
	boss.hears("EXTEND_TIMEOUT_USEC=", "bringing the store up to date")
	require.Contains(t, d.log.String(), `"from_schema":1`)
	require.Zero(t, d.stop())
	require.Len(t, stored(t, dir), 51)

	copies, err := filepath.Glob(filepath.Join(data, "outyard-schema-1-*.db"))
	require.NoError(t, err)
	require.Len(t, copies, 1)
	require.NoError(t, sqlite.Verify(t.Context(), copies[0]))
	d = startDaemon(t, dir, ownBroker)
	require.NotContains(t, d.log.String(), "brought up to date")
	require.Zero(t, d.stop())

	// It can be gone back to.
	code, stdout, stderr := outyardIn(t, dir, nil, "restore", copies[0], "--force")
	require.Zero(t, code, stderr)
	require.Contains(t, stdout, "the store that was there is now")
}
