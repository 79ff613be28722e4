package sqlite

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"outyard/store"

	"github.com/stretchr/testify/require"
)

// crashFolder, when set, makes this test binary a writer that commits until it
// is killed.
const crashFolder = "OUTYARD_TEST_CRASH_FOLDER"

const crashBatch = 50

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashFolder); dir != "" {
		if err := commitForever(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

// commitForever prints the number of each commit once Keep has returned, which
// is when a node would be told that its readings are kept.
func commitForever(dir string) error {
	s, err := Open(context.Background(), dir)
	if err != nil {
		return err
	}
	// Fold the log into the file every few commits rather than every few
	// hundred, so that kills fall into that too.
	if _, err := s.writer.ExecContext(context.Background(), `PRAGMA wal_autocheckpoint = 20`); err != nil {
		return err
	}
	next, err := strconv.Atoi(os.Getenv(crashFolder + "_NEXT"))
	if err != nil {
		return err
	}
	for ; ; next++ {
		if _, err := s.Keep(context.Background(), weights("h01", commitTime(next), crashBatch)); err != nil {
			return err
		}
		if _, err := fmt.Println(next); err != nil {
			return err
		}
	}
}

func commitTime(commit int) time.Time {
	return noon.Add(time.Duration(commit) * crashBatch * time.Minute)
}

func TestKilledAtAnyMoment(t *testing.T) {
	dir := t.TempDir()
	next := 0
	for _, commits := range []int{1, 40, 7, 200, 23, 2} {
		acked := killedAfter(t, dir, next, commits)
		require.GreaterOrEqual(t, acked-next+1, commits)

		s, err := Open(t.Context(), dir)
		require.NoError(t, err, "the killed process holds no lock")
		for c := range acked + 1 {
			if n := count(t, s, store.Query{From: commitTime(c), To: commitTime(c + 1)}); n != crashBatch {
				t.Fatalf("commit %d of %d acknowledged holds %d readings, want %d", c, acked, n, crashBatch)
			}
		}
		var check string
		require.NoError(t, s.writer.QueryRowContext(t.Context(), `PRAGMA integrity_check`).Scan(&check))
		require.Equal(t, "ok", check)
		total := count(t, s, store.Query{})
		require.Zero(t, total%crashBatch, "no commit is half there")
		require.NoError(t, s.Close())
		next = total / crashBatch
	}
}

// killedAfter starts a writer, kills it once it has told of so many commits,
// and returns the last one that it told of.
func killedAfter(t *testing.T, dir string, next, commits int) (acked int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	self, err := os.Executable()
	require.NoError(t, err)
	child := exec.CommandContext(ctx, self) // which kills it when ctx ends
	child.Env = append(os.Environ(), crashFolder+"="+dir, crashFolder+"_NEXT="+strconv.Itoa(next))
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	acked = next - 1
	for lines := bufio.NewScanner(out); lines.Scan(); {
		acked, err = strconv.Atoi(lines.Text())
		require.NoError(t, err)
		if acked-next+1 == commits {
			require.NoError(t, child.Process.Kill())
		}
	}
	require.Error(t, child.Wait(), "it was killed")
	require.NoError(t, ctx.Err(), "in time")
	return acked
}
