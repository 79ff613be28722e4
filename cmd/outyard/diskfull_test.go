package main

import (
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A smallDisk is room that a daemon's data folder has and that can be used up.
type smallDisk struct {
	// says is what the daemon says when the room is used up.
	says string
	// fill uses up what is left, free gives it back.
	fill, free func(d *process)
}

// ownFileSystem puts a daemon's data on a file system of 16 MiB. It is false
// where we may not mount one, as in most containers.
func ownFileSystem(t *testing.T, data string) (smallDisk, bool) {
	t.Helper()
	require.NoError(t, os.Mkdir(data, 0o700))
	out, err := exec.Command(program(t, "mount"), "-t", "tmpfs", "-o", "size=16m", "tmpfs", data).CombinedOutput()
	if err != nil {
		t.Logf("no file system of its own, files that may not grow have to do: %v: %s", err, out)
		return smallDisk{}, false
	}
	t.Cleanup(func() {
		out, err := exec.Command(program(t, "umount"), "--lazy", data).CombinedOutput()
		require.NoError(t, err, string(out))
	})
	ballast := filepath.Join(data, "ballast")
	return smallDisk{
		says: "no room left on the disk",
		fill: func(*process) {
			f, err := os.Create(ballast)
			require.NoError(t, err)
			defer f.Close()
			piece := make([]byte, 4096)
			for err == nil {
				_, err = f.Write(piece)
			}
			require.ErrorIs(t, err, syscall.ENOSPC)
		},
		free: func(*process) { require.NoError(t, os.Remove(ballast)) },
	}, true
}

// limitedFiles lets no file of the daemon grow beyond what the largest has,
// which anybody may do anywhere.
func limitedFiles(t *testing.T, data string) smallDisk {
	limit := func(d *process, most string) {
		out, err := exec.Command(program(t, "prlimit"), "--pid", strconv.Itoa(d.cmd.Process.Pid), "--fsize="+most+":").CombinedOutput()
		require.NoError(t, err, string(out))
	}
	return smallDisk{
		says: "store unavailable: disk I/O error", // SQLite does not tell the cause
		fill: func(d *process) {
			files, err := os.ReadDir(data)
			require.NoError(t, err)
			var largest int64
			for _, f := range files {
				about, err := f.Info()
				require.NoError(t, err)
				largest = max(largest, about.Size())
			}
			limit(d, strconv.FormatInt(largest, 10))
		},
		free: func(d *process) { limit(d, "unlimited") },
	}
}

var commitErrors = regexp.MustCompile(`(?m)^outyard_collector_commit_errors_total (\S+)$`)

// metric reads one number of a daemon's metrics.
func (p *process) metric(line *regexp.Regexp) float64 {
	p.t.Helper()
	_, body := p.get("/metrics")
	found := line.FindStringSubmatch(body)
	require.NotNil(p.t, found, "no %s in the metrics", line)
	v, err := strconv.ParseFloat(found[1], 64)
	require.NoError(p.t, err)
	return v
}

// TestDiskFull fills the disk under a daemon while nodes send: it acknowledges
// nothing more and says why wherever one would look, and goes on by itself once
// there is room. Nothing that it ever acknowledged is missing.
func TestDiskFull(t *testing.T) {
	dir := t.TempDir()
	if disk, may := ownFileSystem(t, filepath.Join(dir, "outyard-data")); may {
		t.Run("a full file system", func(t *testing.T) { fullDisk(t, dir, disk) })
	}
	t.Run("files that may not grow", func(t *testing.T) {
		dir := t.TempDir()
		fullDisk(t, dir, limitedFiles(t, filepath.Join(dir, "outyard-data")))
	})
}

func fullDisk(t *testing.T, dir string, disk smallDisk) {
	d := startDaemon(t, dir, ownBroker)
	nodes := newScaleNodes(5)
	waiting := nodes[4] // sends one message, while the disk is full
	nodes = nodes[:4]
	probe := connect(t, d.mqtt)
	d.sees("/readyz", "ready")
	require.Zero(t, d.metric(commitErrors))

	load(t, nodes, d.mqtt, 1000, func() {
		disk.fill(d)
		filled := time.Now()
		var body string
		require.True(t, within(patience, func() (full bool) {
			var status int
			status, body = d.get("/readyz")
			return status == http.StatusServiceUnavailable
		}), "ready on a full disk")
		noticed := time.Since(filled)
		require.Contains(t, body, disk.says)
		status, _ := d.get("/healthz")
		require.Equal(t, http.StatusOK, status, "alive all the same")

		asked := d.metric(commitErrors)
		require.NotZero(t, asked)
		waiting.next = 1
		token := probe.Publish(waiting.topic(), 1, false, waiting.pack(0))
		require.True(t, within(patience, func() bool { return d.metric(commitErrors) >= asked+2 }), "the store is not asked again")
		require.False(t, isDone(token), "acknowledged, and there is no room for it")
		require.True(t, strings.Contains(d.log.String(), "nothing is acknowledged until it does") &&
			strings.Contains(d.log.String(), disk.says), "the log does not say it")
		d.sees("/", "Not working now", disk.says)

		disk.free(d)
		freed := time.Now()
		d.sees("/readyz", "ready")
		require.NoError(t, wait(t.Context(), token))
		waiting.acked = []int{0}
		t.Logf("noticed after %s, refused %.0f commits, went on %s after there was room",
			noticed.Round(time.Millisecond), d.metric(commitErrors), time.Since(freed).Round(time.Millisecond))
	})
	status, body := d.get("/")
	require.Equal(t, http.StatusOK, status)
	require.NotContains(t, body, disk.says)
	require.Zero(t, d.stop())
	requireKept(t, dir, append(nodes, waiting))
	acked := 1
	for _, n := range nodes {
		acked += len(n.acked)
	}
	t.Logf("%d messages acknowledged, all kept", acked)
}
