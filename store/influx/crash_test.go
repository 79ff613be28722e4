package influx

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"outyard/store"
	"outyard/store/sqlite"

	"github.com/stretchr/testify/require"
)

// crashFolder, when set, makes this test binary a daemon that keeps readings
// while the server is away, until it is killed.
const crashFolder = "OUTYARD_TEST_CRASH_FOLDER"

const crashBatch = 50

func keepForever(dir string) error {
	db, err := sqlite.Open(context.Background(), dir)
	if err != nil {
		return err
	}
	// Nothing listens on port 1.
	s, err := Open(context.Background(), Config{URL: "http://127.0.0.1:1", Bucket: "b"}, db, time.Now, slog.New(slog.DiscardHandler), nil)
	if err != nil {
		return err
	}
	for n := 0; ; n++ {
		if _, err := s.Keep(context.Background(), weights("h01", noon.Add(time.Duration(n)*crashBatch*time.Minute), crashBatch)); err != nil {
			return err
		}
		if _, err := fmt.Println(n); err != nil { // now a node would be told
			return err
		}
	}
}

func TestKilledWithReadingsInTheQueue(t *testing.T) {
	dir := t.TempDir()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	self, err := os.Executable()
	require.NoError(t, err)
	daemon := exec.CommandContext(ctx, self) // which kills it when ctx ends
	daemon.Env = append(os.Environ(), crashFolder+"="+dir)
	daemon.Stderr = os.Stderr
	out, err := daemon.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, daemon.Start())
	acked := -1
	for lines := bufio.NewScanner(out); lines.Scan(); {
		acked, err = strconv.Atoi(lines.Text())
		require.NoError(t, err)
		if acked == 40 {
			require.NoError(t, daemon.Process.Kill())
		}
	}
	require.Error(t, daemon.Wait(), "it was killed")
	require.NoError(t, ctx.Err(), "in time")
	require.GreaterOrEqual(t, acked, 40)

	db, err := sqlite.Open(t.Context(), dir)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	server := sharedServer(t)
	s := openOn(t, Config{URL: server.url, Bucket: server.newBucket(t)}, db)
	run(t, s)
	handedOn(t, s)
	n := count(t, s, store.Query{})
	require.GreaterOrEqual(t, n, (acked+1)*crashBatch, "every reading that was acknowledged arrives")
	require.Zero(t, n%crashBatch, "no commit is half there")
}
