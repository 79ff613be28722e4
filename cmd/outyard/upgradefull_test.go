package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard/store/sqlite"
)

// TestNoRoomForAnUpgrade starts a newer outyard on an older store and a disk
// that has little room or none. It says what to do, the store is as it was, and
// with room again all is brought up to date.
func TestNoRoomForAnUpgrade(t *testing.T) {
	first, err := os.ReadFile("../../store/sqlite/testdata/schema-1.db")
	require.NoError(t, err)
	// The start itself needs a little, for the index that is shared with commands
	// (32 KiB); the copy takes as much as the store.
	rooms := []struct {
		name string
		left int64 // bytes, on a file system of its own
	}{
		{"none at all", 0},
		{"too little for the copy", 48 << 10},
		{"enough for half of the copy", 32<<10 + int64(len(first))/2},
	}
	requireAsItWas := func(t *testing.T, data, complaints string) {
		t.Helper()
		require.Regexp(t, "make room|free some", complaints, "what to do")
		after, err := os.ReadFile(filepath.Join(data, sqlite.File))
		require.NoError(t, err)
		require.Equal(t, first, after, "the store is as it was")
		left, err := filepath.Glob(filepath.Join(data, ".outyard-schema-*"))
		require.NoError(t, err)
		require.Empty(t, left, "half a copy takes the room of others")
		copies, err := filepath.Glob(filepath.Join(data, "outyard-schema-*"))
		require.NoError(t, err)
		require.Empty(t, copies, "half a copy looks like one")
	}
	requireUpgraded := func(t *testing.T, dir string) {
		t.Helper()
		d := startDaemon(t, dir, ownBroker)
		require.Zero(t, d.stop())
		require.Len(t, stored(t, dir), 51)
	}
	for _, room := range rooms {
		t.Run("a full file system, "+room.name, func(t *testing.T) {
			dir := t.TempDir()
			data := filepath.Join(dir, "outyard-data")
			disk, may := ownFileSystem(t, data)
			if !may {
				return // it has said so; a limit below is tried everywhere
			}
			require.NoError(t, os.WriteFile(filepath.Join(data, sqlite.File), first, 0o600))
			leave := filepath.Join(data, "leave")
			require.NoError(t, os.WriteFile(leave, make([]byte, room.left), 0o600))
			disk.fill(nil)
			require.NoError(t, os.Remove(leave))
			code, _, stderr := outyardIn(t, dir, []string{ownBroker}, "serve", "--listen", "127.0.0.1:0")
			require.Equal(t, exitFailed, code, stderr)
			require.Contains(t, stderr, "no room left on the disk")
			requireAsItWas(t, data, stderr)
			disk.free(nil)
			requireUpgraded(t, dir)
		})
	}
	t.Run("files that may not grow", func(t *testing.T) {
		dir := t.TempDir()
		data := filepath.Join(dir, "outyard-data")
		require.NoError(t, os.Mkdir(data, 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(data, sqlite.File), first, 0o600))
		cmd := exec.Command(program(t, "prlimit"), "--fsize="+strconv.Itoa(len(first)/2), "outyard", "serve", "--listen", "127.0.0.1:0")
		cmd.Dir, cmd.Env = dir, append(plainEnv(), ownBroker)
		said, err := cmd.CombinedOutput()
		require.Error(t, err, string(said))
		require.Equal(t, exitFailed, cmd.ProcessState.ExitCode(), string(said))
		requireAsItWas(t, data, string(said))
		require.Contains(t, string(said), "or go on with the outyard that wrote it; nothing was changed")
		requireUpgraded(t, dir)
	})
}
