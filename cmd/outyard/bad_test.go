package main

import (
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard/store/sqlite"
)

// TestNothingVanishes sends what cannot be read among what can: it is counted,
// logged with the reason, kept whole, and in nobody's way.
func TestNothingVanishes(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(`
yards:
  - id: home
    latitude: 48.80
    longitude: -123.30
    timezone: America/Vancouver
    hives:
      - id: h1
`), 0o600))
	const right, wrong = "yards/home/hives/h1", "yard/home/hive/h1"
	messages := []struct {
		name, topic, payload, reason string
		unplaced                     bool
	}{
		{"a pack cut short", right, `[{"n":"weight","u":"kg","v":41.2`, "", false},
		{"no pack at all", right, `41.2 kg`, "", false},
		{"an unknown unit", right, `[{"n":"weight","u":"stone","v":6.5}]`, `unit "stone"`, false},
		{"a unit of something else", right, `[{"n":"weight","u":"Cel","v":34.6}]`, `unit "Cel"`, false},
		{"an unknown quantity", right, `[{"n":"heaviness","u":"kg","v":41.2}]`, `heaviness`, false},
		{"a mistyped topic", wrong, `[{"n":"weight","u":"kg","v":41.2}]`, `topic "yard/home/hive/h1": want yards/YARD/hives/HIVE`, false},
		{"a topic with a bad id", "yards/home/hives/H1", `[{"n":"weight","u":"kg","v":41.2}]`, "ids are 1 to 63 of a-z", false},
		{"a hive that the config does not know", "yards/home/hives/h2", `[{"n":"weight","u":"kg","v":41.2}]`, "hive h2 is not in the config: add it to the hives of yard home", true},
		{"a yard that the config does not know", "yards/mill-creek/weather", `[{"n":"rain","u":"mm","v":1}]`, "yard mill-creek is not in the config: add it to the yards, or set yards to auto", true},
	}
	d := startDaemon(t, dir, ownBroker)
	for i, m := range messages {
		publish(t, d.mqtt, m.topic, m.payload)
		if i == 1 { // the log says at most one such thing every ten seconds
			require.True(t, within(patience, func() bool {
				for _, l := range d.log.all() {
					if l.Level == "WARN" && l.Topic == right && l.Reason != "" {
						return true
					}
				}
				return false
			}), "the log names topic and reason")
		}
	}
	// The good half of a pack is kept, the whole of it refused.
	publish(t, d.mqtt, right, `[{"n":"weight","u":"kg","v":41.2},{"n":"inside-temp","u":"Fahr","v":94}]`)
	d.sees("/api/v1/readings", `"weight_kg":41.2`)
	d.sees("/metrics",
		`outyard_collector_messages_total{result="refused"} 8`, `outyard_collector_messages_total{result="unplaced"} 2`,
		`outyard_collector_readings_total{result="kept"} 1`)
	d.sees("/", "<strong>8</strong> that could not be read", "<strong>2</strong> from a yard or hive that is not in the config")
	require.Zero(t, d.stop())
	require.Len(t, stored(t, dir), 1)

	db, err := sqlite.OpenForReading(t.Context(), filepath.Join(dir, "outyard-data"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	refused, err := db.Refused(t.Context(), 0, 0, nil)
	require.NoError(t, err)
	require.Len(t, refused, len(messages)+1)
	for i, m := range messages {
		got := refused[len(refused)-1-i] // the newest comes first
		require.Equal(t, m.topic, got.Topic, m.name)
		require.Equal(t, m.payload, string(got.Payload), "%s is kept whole", m.name)
		require.Contains(t, got.Reason, m.reason, m.name)
		require.NotEmpty(t, got.Reason, m.name)
		require.Equal(t, m.unplaced, got.Unplaced, m.name)
		require.False(t, got.Arrived.IsZero())
	}
}

// TestEveryMetricExplainsItself reads what a monitoring server would.
func TestEveryMetricExplainsItself(t *testing.T) {
	theirs := startMosquitto(t)
	d := startDaemon(t, t.TempDir(), ownBroker, "OUTYARD_MQTT_BROKER=tcp://"+theirs.addr)
	d.sees("/readyz", "ready")
	publish(t, d.mqtt, "yards/home/hives/h1", `[{"n":"weight","u":"kg","v":41.2}]`)
	status, body := d.get("/healthz")
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, "alive\n", body)
	status, text := d.get("/metrics")
	require.Equal(t, http.StatusOK, status)

	// What the alert rules and dashboards go by must not go away unnoticed.
	for _, name := range []string{
		"outyard_collector_readings_total", "outyard_collector_messages_total", "outyard_collector_commit_seconds",
		"outyard_collector_commit_errors_total", "outyard_collector_ack_seconds", "outyard_collector_queue_messages",
		"outyard_alerts_evaluation_seconds", "outyard_alerts_raise_seconds", "outyard_alerts_messages_failed_total",
		"outyard_alerts_oldest_undelivered_seconds", "outyard_broker_clients", "outyard_broker_dropped_total",
		"outyard_client_up", "outyard_web_request_seconds", "process_resident_memory_bytes", "go_goroutines",
	} {
		require.Contains(t, text, "# TYPE "+name+" ", name)
	}
	require.Contains(t, text, "outyard_client_up 1\n")
	help := regexp.MustCompile(`(?m)^# HELP (outyard_\S+) (.*)$`).FindAllStringSubmatch(text, -1)
	require.NotEmpty(t, help)
	for _, h := range help {
		name, words := h[1], h[2]
		require.True(t, strings.HasSuffix(words, "."), "%s: help is a sentence: %q", name, words)
		require.Regexp(t, "_(total|seconds|messages|readings|bytes|clients|up|info|successful)$", name, "it ends in its unit")
	}
	// Nothing that a node can invent becomes a label.
	require.NotContains(t, text, `"h1"`)
	require.NotContains(t, text, `"home"`)
	require.Zero(t, d.stop())
}

// TestServeNamesEveryMistake: a daemon does not start on a config with
// mistakes, and names all of them.
func TestServeNamesEveryMistake(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), []byte(`listen: 127.0.0.1:0
lissten: 127.0.0.1:1
yards:
  - id: Home
    latitude: 148.80
    longitude: -123.30
    timezone: America/Vancouver
`), 0o600))
	code, stdout, stderr := outyardIn(t, dir, nil, "serve")
	require.Equal(t, exitFailed, code)
	require.Empty(t, stdout)
	for _, place := range []string{"outyard.yaml:2: ", "outyard.yaml:4: ", "outyard.yaml:5: "} {
		require.Contains(t, stderr, place)
	}
	require.Contains(t, stderr, "did you mean listen?")
	require.NoDirExists(t, filepath.Join(dir, "outyard-data"), "nothing is begun")

	// Doors that must not stand open, or are taken, are named with what to do.
	taken := startDaemon(t, t.TempDir(), ownBroker)
	tests := []struct {
		name string
		env  []string
		args []string
		want string
	}{
		{"pages for the whole network", []string{ownBroker}, []string{"--listen", "0.0.0.0:0"}, "listen on 127.0.0.1"},
		{"a broker for the whole network", []string{"OUTYARD_MQTT_EMBEDDED_LISTEN=0.0.0.0:0"}, []string{"--listen", "127.0.0.1:0"}, "listen on 127.0.0.1"},
		{"pages where somebody is already", []string{ownBroker}, []string{"--listen", strings.TrimPrefix(taken.pages, "http://")}, "address already in use"},
		{"a broker where somebody is already", []string{"OUTYARD_MQTT_EMBEDDED_LISTEN=" + taken.mqtt}, []string{"--listen", "127.0.0.1:0"}, "address already in use"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			code, _, stderr := outyardIn(t, t.TempDir(), tt.env, append([]string{"serve"}, tt.args...)...)
			require.Equal(t, exitFailed, code)
			require.Contains(t, stderr, tt.want)
		})
	}
}
