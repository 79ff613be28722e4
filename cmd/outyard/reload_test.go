package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// reload has a daemon read its config again.
func (p *process) reload(config string) {
	p.t.Helper()
	require.NoError(p.t, os.WriteFile(filepath.Join(p.cmd.Dir, "outyard.yaml"), []byte(config), 0o600))
	require.NoError(p.t, p.cmd.Process.Signal(syscall.SIGHUP))
}

// logs waits until a line of the log has all of the words.
func (p *process) logs(words ...string) {
	p.t.Helper()
	require.True(p.t, within(patience, func() bool {
		for line := range strings.Lines(p.log.String()) {
			if containsAll(line, words) {
				return true
			}
		}
		return false
	}), "the log has no line with %q", words)
}

// TestReload changes the config of a daemon that runs, by real signals.
func TestReload(t *testing.T) {
	const head = "yards:\n"
	home := func(hives string) string {
		return "  - {id: home, name: Behind the house, latitude: 48.80, longitude: -123.30, timezone: America/Vancouver, hives: [" + hives + "]}\n"
	}
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(head+home("{id: h01}")), 0o600))
	boss := newBoss(t)
	d := startDaemon(t, dir, ownBroker, "NOTIFY_SOCKET="+boss.at)
	boss.hears("READY=1")
	d.sees("/metrics", "outyard_config_last_reload_successful 1")
	begin := time.Now().Add(-time.Hour).Unix()
	send := func(hive string, kg float64) {
		publish(t, d.mqtt, "yards/home/hives/"+hive, fmt.Sprintf(`[{"n":"weight","u":"kg","v":%.1f,"t":%d}]`, kg, begin))
	}
	send("h01", 41.1)
	send("h02", 42.2) // has no place yet
	d.sees("/metrics", `outyard_collector_messages_total{result="unplaced"} 1`)

	// A hive more, with a mapping of its own and a name: what waited has its place.
	d.reload(head + home("{id: h01}, {id: h02, name: By the fence}") + `
mappings:
  - {name: flat, topic: scales/+/+, yard: {level: 2}, hive: {level: 3}, time: {field: ts, format: unix}, quantities: {weight: {field: w, unit: kg}}}
tell: [{name: me, to: ["log:"]}]
`)
	boss.hears("RELOADING=1", "MONOTONIC_USEC=")
	boss.hears("READY=1")
	d.logs("config read again and in force", `"changed":["home"]`, `"tell":1`)
	d.logs("what had no place has one now", `"messages_kept":1`)
	d.sees("/api/v1/readings", `"weight_kg":42.2`)
	d.sees("/yards/home", "By the fence")
	publish(t, d.mqtt, "scales/home/h01", fmt.Sprintf(`{"ts":%d,"w":43.3}`, begin+60))
	d.sees("/api/v1/readings", `"weight_kg":43.3`)

	// A config with mistakes is refused whole, and each is named.
	d.reload("lissen: 127.0.0.1:1\n" + head + home("{id: h01}, {id: h02}, {id: h03}") + "tell: [{name: me, to: [carrier-pigeon]}]\n")
	d.logs(`"level":"ERROR"`, "mistake in the config", "outyard.yaml:1: ", "did you mean listen?")
	d.logs(`"level":"ERROR"`, "mistake in the config", "outyard.yaml:4: ", "tell[0].to[0]")
	d.sees("/metrics", "outyard_config_last_reload_successful 0")
	d.sees("/", "The config has mistakes", "did you mean listen?")
	d.sees("/yards/home", "By the fence")
	send("h03", 44.4)
	d.sees("/metrics", `outyard_collector_messages_total{result="unplaced"} 2`)

	// Mended; what takes a restart is named, and stays as it was.
	d.reload("listen: 127.0.0.1:1\nmqtt: {topic_prefix: farm}\n" + head + home("{id: h02}, {id: h03}"))
	d.logs("these keys take a restart", `"keys":["mqtt.topic_prefix"]`)
	d.sees("/metrics", "outyard_config_last_reload_successful 1")
	d.sees("/api/v1/readings", `"weight_kg":41.1`, `"weight_kg":44.4`) // a hive that is gone keeps its data
	send("h01", 45.5)
	d.sees("/metrics", `outyard_collector_messages_total{result="unplaced"} 3`)
	require.Zero(t, d.stop())
	require.Len(t, stored(t, dir), 4)
}
