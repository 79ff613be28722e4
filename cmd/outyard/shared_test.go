package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestDaemonsShareABroker has two daemons at one Mosquitto, each with its own
// yards and a name of its own; a reload of the one gives it a yard of the
// other's before that stops, and no message is missing.
func TestDaemonsShareABroker(t *testing.T) {
	theirs := startMosquitto(t)
	yard := func(id string) string {
		return "  - {id: " + id + ", latitude: 48.80, longitude: -123.30, timezone: America/Vancouver, hives: [{id: h01}]}\n"
	}
	config := func(name, yards string) string {
		return "mqtt: {broker: 'tcp://" + theirs.addr + "', client_id: " + name + ", own_yards_only: true}\nyards:\n" + yards
	}
	start := func(name, yards string) *process {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(config(name, yards)), 0o600))
		d := startDaemon(t, dir)
		d.sees("/readyz", "ready")
		return d
	}
	north, south := start("north", yard("alder-slip")+yard("heron-point")), start("south", yard("mill-lane"))
	require.Equal(t, "up", retained(t, theirs.addr, "outyard/state/north"))
	begin := time.Now().Add(-time.Hour).Unix()
	send := func(id string, minute int64, kg float64) {
		publish(t, theirs.addr, "yards/"+id+"/hives/h01", fmt.Sprintf(`[{"n":"weight","u":"kg","v":%.1f,"t":%d}]`, kg, begin+60*minute))
	}
	send("alder-slip", 0, 41.1)
	send("heron-point", 0, 42.1)
	send("mill-lane", 0, 43.1)
	north.sees("/api/v1/readings", `"weight_kg":41.1`, `"weight_kg":42.1`)
	south.sees("/api/v1/readings", `"weight_kg":43.1`)

	// The one takes it up before the other lets go: no message falls between.
	south.reload(config("south", yard("mill-lane")+yard("heron-point")))
	south.logs("connected to broker", "yards/mill-lane/#", "yards/heron-point/#")
	send("heron-point", 1, 42.2)
	north.reload(config("north", yard("alder-slip")))
	north.logs("config read again and in force", `"no_longer_followed":["heron-point"]`)
	north.logs("connected to broker", `"subscribed":["yards/alder-slip/#"]`)
	require.Zero(t, north.stop())
	require.Equal(t, "down", retained(t, theirs.addr, "outyard/state/north"))
	send("heron-point", 2, 42.3)
	send("alder-slip", 2, 41.2)
	south.sees("/api/v1/readings", `"weight_kg":42.2`, `"weight_kg":42.3`)

	// What came for the one that was stopped waits for it at the broker.
	again := startDaemon(t, north.cmd.Dir)
	again.sees("/api/v1/readings", `"weight_kg":41.2`)
	for _, d := range []*process{again, south} {
		d.sees("/metrics", `outyard_collector_messages_total{result="unplaced"} 0`)
		require.Zero(t, d.stop())
	}
	require.Len(t, stored(t, south.cmd.Dir), 3)
}
