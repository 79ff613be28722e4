package main

import (
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// metricName is a metric of ours, as rules and documents write it.
var metricName = regexp.MustCompile(`\boutyard_[a-z_]*[a-z]\b`)

// ofHistogram is what Prometheus adds to a histogram's name.
var ofHistogram = regexp.MustCompile(`_(bucket|sum|count)$`)

// TestMetricsThatAreSpokenOf: what the rules watch and the documents explain is
// there, and what is there is explained.
func TestMetricsThatAreSpokenOf(t *testing.T) {
	dir := t.TempDir()
	// Everything that has metrics is wired; what it speaks to need not be there.
	d := startDaemon(t, dir, "OUTYARD_STORE_KIND=influx", "OUTYARD_STORE_INFLUX_URL=http://127.0.0.1:1", "OUTYARD_STORE_INFLUX_BUCKET=none",
		"OUTYARD_MQTT_BROKER=tcp://127.0.0.1:1", "OUTYARD_MQTT_EMBEDDED_LISTEN=127.0.0.1:0", "OUTYARD_STORE_DROP_READINGS_AFTER_DAYS=500", "OUTYARD_METRICS_PER_HIVE=true",
		"OUTYARD_YARDS=[{id: home, latitude: 48.8, longitude: -123.3, timezone: America/Vancouver, hives: [{id: h1}]}]")
	publish(t, d.mqtt, "yards/home/hives/h1", `[{"n":"weight","u":"kg","v":41.2},{"n":"inside-temp","u":"Cel","v":34.6},{"n":"inside-rh","u":"%RH","v":58},{"n":"battery","u":"V","v":3.9}]`)
	d.get("/healthz")
	// A label's first value makes a metric seen.
	seesAt(t, d.pages+"/metrics", "outyard_collector_newest_reading_age_seconds{", "outyard_web_request_seconds_count{")
	_, text := d.get("/metrics")
	there := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^# TYPE (outyard_\w+) `).FindAllStringSubmatch(text, -1) {
		there[m[1]] = true
	}
	// Who was turned away is counted when somebody has been.
	there["outyard_broker_turned_away_total"] = true
	// A hive's findings are there when it has some.
	there["outyard_hive_open_findings"] = true

	explained := map[string]bool{}
	for _, file := range []string{"prometheus/outyard.rules.yaml", "prometheus/outyard.rules.test.yaml", "README.md", "../configs/README.md", "../README.md"} {
		text, err := os.ReadFile(filepath.Join("..", "..", "deploy", file))
		require.NoError(t, err)
		for _, name := range metricName.FindAllString(string(text), -1) {
			require.True(t, there[name] || there[ofHistogram.ReplaceAllString(name, "")], "%s speaks of %s, which the daemon does not have", file, name)
			if file == "README.md" {
				explained[name] = true
			}
		}
	}
	require.Equal(t, slices.Sorted(maps.Keys(there)), slices.Sorted(maps.Keys(explained)), "deploy/README.md explains each metric")
}
