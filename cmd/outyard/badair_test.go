package main

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

// What a probe says that is not so, through a file and replay: it is taken
// without a word too many, told as a sensor's fault, and no damp is made of it.
func TestReplayOfWhatAProbeSaysThatIsNotSo(t *testing.T) {
	const tempAt, rhAt = 4, 5
	put := func(at int, v string) func([]string) { return func(row []string) { row[at] = v } }
	dir := filepath.Join("..", "..", "testdata", "seasons", "november-damp")
	packed, err := os.ReadFile(filepath.Join(dir, "readings.csv.gz"))
	require.NoError(t, err)
	unzip, err := gzip.NewReader(bytes.NewReader(packed))
	require.NoError(t, err)
	sound, err := csv.NewReader(unzip).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"inside_temp_c", "inside_rh_pct"}, sound[0][tempAt:rhAt+1])
	for _, c := range []struct {
		says  string
		hive  string // "" the weather
		spoil func(row []string)
		fault bool
	}{
		{"nothing is wrong", "h01", func([]string) {}, false},
		{"humidity of 0", "h01", put(rhAt, "0"), true},
		{"humidity of 100", "h01", put(rhAt, "100"), true},
		{"humidity of 101", "h01", put(rhAt, "101"), true},
		{"no humidity", "h01", put(rhAt, ""), true},
		{"an unplugged probe", "h01", put(tempAt, "85"), true},
		{"a probe that does not answer", "h01", put(tempAt, "-55"), true},
		{"degrees Fahrenheit", "h01", func(row []string) {
			if c, err := strconv.ParseFloat(row[tempAt], 64); err == nil {
				row[tempAt] = fmt.Sprintf("%.1f", c*1.8+32)
			}
		}, true},
		{"no outside data for two months", "", func(row []string) {
			row[8], row[9] = "", "" // the rain gauge still works
		}, true},
	} {
		t.Run(c.says, func(t *testing.T) {
			var file bytes.Buffer
			w := csv.NewWriter(&file)
			for i, row := range sound {
				row = append([]string(nil), row...)
				if i > 0 && row[2] == c.hive && row[0] >= "2026-11-01" {
					c.spoil(row)
				}
				require.NoError(t, w.Write(row))
			}
			w.Flush()
			out := t.TempDir()
			readings, findings := filepath.Join(out, "readings.csv"), filepath.Join(out, "findings.jsonl")
			require.NoError(t, os.WriteFile(readings, file.Bytes(), 0o666))
			var stdout, stderr bytes.Buffer
			code := run(t.Context(), []string{"replay", "--config", filepath.Join(dir, "config.yaml"), "--readings", readings,
				"--findings", findings, "--daily", filepath.Join(out, "daily.csv")}, nil, &stdout, &stderr)
			require.Zero(t, code, stderr.String())
			told, err := os.ReadFile(findings)
			require.NoError(t, err)
			faults := 0
			for dec := json.NewDecoder(bytes.NewReader(told)); dec.More(); {
				var f outyard.Finding
				require.NoError(t, dec.Decode(&f))
				switch {
				case f.Kind == outyard.SensorFault:
					faults++
					require.Equal(t, outyard.HiveID(c.hive), f.Hive, f.Summary)
				case f.Kind == outyard.Damp:
					require.Equal(t, outyard.HiveID("h03"), f.Hive, "the one that truly is: %s", f.Summary)
				}
			}
			require.Equal(t, c.fault, faults > 0, "%d faults told", faults)
			daily, err := os.ReadFile(filepath.Join(out, "daily.csv"))
			require.NoError(t, err)
			require.NotContains(t, string(daily), "NaN")
			require.NotContains(t, string(daily), "Inf")
		})
	}
}
