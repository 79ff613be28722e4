package main

import (
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestTheProfilerIsThereWhenAskedFor, and on this machine alone.
func TestTheProfilerIsThereWhenAskedFor(t *testing.T) {
	d := startDaemon(t, t.TempDir(), ownBroker, "OUTYARD_DEBUG=127.0.0.1:0", "OUTYARD_LOG_LEVEL=debug")
	d.logs("debugging", "/debug/pprof/")
	at := regexp.MustCompile(`"pprof":"([^"]+)"`).FindStringSubmatch(d.log.String())
	require.Len(t, at, 2)
	seesAt(t, at[1], "goroutine")
	status, _ := d.get("/debug/pprof/")
	require.Equal(t, 404, status, "not on the pages")
	require.Zero(t, d.stop())

	code, _, stderr := outyardIn(t, t.TempDir(), []string{ownBroker}, "serve", "--listen", "127.0.0.1:0", "--debug", "0.0.0.0:0")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "--debug: debug is \"0.0.0.0:0\": want an address of this machine alone, such as 127.0.0.1:6060")
}
