package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// TestReplayOfOddScales replays, as a user would, what scales and keepers with
// little to tell bring about: no panic, no number that is none in any output,
// the unknown said as unknown, and nothing told that only a scale can do.
func TestReplayOfOddScales(t *testing.T) {
	const lb = 0.45359237
	parts := ", equipment: [floor, deep-10, deep-10, inner-cover, lid]"
	begin := time.Date(2027, time.May, 10, 7, 0, 0, 0, time.UTC) // midnight of the yard
	const perDay, changes = 96, 5*96 + 48                        // at noon of the sixth day
	// usual is a hive that gains a little, with foragers out by day.
	usual := func(i int) float64 {
		h := float64(i%perDay) / 4
		return 45 + 0.1*float64(i)/perDay - 0.2*math.Max(0, math.Sin((h-8)/11*math.Pi)) + 0.01*float64(i*7%5-2)
	}
	later := func(f func(kg float64) float64) func(i int) (float64, bool) {
		return func(i int) (float64, bool) {
			if i >= changes {
				return f(usual(i)), true
			}
			return usual(i), true
		}
	}
	for _, c := range []struct {
		name   string
		hives  string // after "- id: h01"
		days   int
		kg     func(i int) (float64, bool) // false: not heard
		others int                         // hives of the yard besides, all usual
		// what is to be seen of h01
		stores bool // stores are known in the end
		wild   bool // gains of the days about the change may be anything or unknown
	}{
		{"a hive with no equipment list", "", 12, func(i int) (float64, bool) { return usual(i), true }, 2, false, false},
		{"a yard with one hive", parts, 12, func(i int) (float64, bool) { return usual(i), true }, 0, true, false},
		{"a gap of three weeks", parts, 40, func(i int) (float64, bool) { return usual(i), i < changes || i >= changes+21*perDay }, 2, true, true},
		{"from kilograms to grams", parts, 20, later(func(kg float64) float64 { return 1000 * kg }), 2, false, true},
		{"from kilograms to pounds", parts, 20, later(func(kg float64) float64 { return kg / lb }), 2, false, true},
		{"from kilograms to pounds in a yard with one hive", parts, 20, later(func(kg float64) float64 { return kg / lb }), 0, false, true},
		{"below nought", parts, 12, func(i int) (float64, bool) { return usual(i) - 60, true }, 2, false, false},
		{"below nought from one moment on", parts, 20, later(func(kg float64) float64 { return -kg }), 2, false, true},
		{"all equal", parts, 12, func(int) (float64, bool) { return 45, true }, 2, true, false},
		{"all nought", parts, 12, func(int) (float64, bool) { return 0, true }, 2, false, false},
		{"one reading only", parts, 12, func(i int) (float64, bool) { return usual(i), i == changes }, 2, false, false},
		{"one reading only, in a yard with one hive", parts, 1, func(i int) (float64, bool) { return usual(i), i == 0 }, 0, false, false},
		{"two readings a day apart", parts, 12, func(i int) (float64, bool) { return usual(i), i == changes || i == changes+perDay }, 2, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			config := "yards:\n  - id: home\n    latitude: 48.8\n    longitude: -123.3\n    timezone: America/Vancouver\n    hives:\n      - {id: h01" + c.hives + "}\n"
			rows := strings.Builder{}
			rows.WriteString("time,yard,hive,weight_kg\n")
			for n := range c.others {
				config += fmt.Sprintf("      - {id: h%02d}\n", n+2)
			}
			for i := range c.days * perDay {
				at := begin.Add(time.Duration(i) * 15 * time.Minute)
				if kg, heard := c.kg(i); heard {
					fmt.Fprintf(&rows, "%s,home,h01,%.2f\n", at.Format(time.RFC3339), kg)
				}
				for n := range c.others {
					fmt.Fprintf(&rows, "%s,home,h%02d,%.2f\n", at.Add(time.Duration(n+1)*time.Second).Format(time.RFC3339), n+2, usual(i)-3)
				}
			}
			for name, text := range map[string]string{"outyard.yaml": config, "readings.csv": rows.String()} {
				require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
			}
			code, _, stderr := outyardIn(t, dir, nil, "replay", "--config", "outyard.yaml", "--readings", "readings.csv",
				"--findings", "findings.jsonl", "--daily", "daily.csv", "--until", begin.AddDate(0, 0, c.days+2).Format(time.RFC3339))
			// Grams are beyond what a hive can weigh: the rows are named and left out.
			require.Contains(t, []int{0, exitFailed}, code, stderr)
			require.Equal(t, code == exitFailed, strings.Contains(stderr, "left out"), stderr)
			requireFindings(t, filepath.Join(dir, "findings.jsonl"))
			days := requireTable(t, filepath.Join(dir, "daily.csv"), 3)
			known := false
			for _, d := range days {
				if d["hive"] != "h01" {
					continue
				}
				known = d["stores_kg"] != ""
				if c.hives == "" {
					require.Empty(t, d["stores_kg"], "%s: without parts nothing is known of stores", d["date"])
				}
				if v, err := strconv.ParseFloat(d["gain_kg"], 64); err == nil && !c.wild {
					require.Less(t, math.Abs(v), 1.0, "%s: gain of %s", c.name, d["date"])
				}
			}
			require.Equal(t, c.stores, known, "stores at the end")

			// The same, imported, for what the keeper asks of it.
			code, _, stderr = outyardIn(t, dir, nil, "import", "readings.csv")
			require.Contains(t, []int{0, exitFailed}, code, stderr)
			for _, args := range [][]string{{"yards", "--format", "json"}, {"round", "--format", "csv"}, {"round"}, {"export", "--what", "daily", "--format", "jsonl"}} {
				code, stdout, stderr := outyardIn(t, dir, nil, args...)
				require.Zero(t, code, stderr)
				requireNumbers(t, stdout)
			}
		})
	}
}

// requireNumbers says that no text shows a number that is none.
func requireNumbers(t *testing.T, text string) {
	t.Helper()
	for _, none := range []string{"NaN", "Inf", "%!"} {
		require.NotContains(t, text, none)
	}
}

// requireFindings reads a file of findings: each is JSON of the contract's
// shape, and none tells of a swarm or a hive gone.
func requireFindings(t *testing.T, file string) {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	requireNumbers(t, string(text))
	for line := range bytes.Lines(text) {
		var f outyard.Finding
		require.NoError(t, json.Unmarshal(line, &f), "%s", line)
		require.NotContains(t, []outyard.Kind{outyard.Swarm, outyard.KnockedOver, outyard.Robbing}, f.Kind, f.Summary)
		require.True(t, f.Confidence > 0 && f.Confidence < 1, f.Summary)
	}
}

// requireTable reads a table whose cells, but for the first ones, are numbers
// or empty, and returns its rows by column.
func requireTable(t *testing.T, file string, names int) []map[string]string {
	t.Helper()
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	requireNumbers(t, string(text))
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, row := range rows[1:] {
		d := map[string]string{}
		for i, cell := range row {
			d[rows[0][i]] = cell
			if i >= names && cell != "" {
				_, err := strconv.ParseFloat(cell, 64)
				require.NoError(t, err, "%s: %q", rows[0][i], cell)
			}
		}
		out = append(out, d)
	}
	return out
}

// TestAYardEndsWithItsFile replays two yards in one file, one of which falls
// silent days before the other: it is said, as the daemon would have said it.
func TestAYardEndsWithItsFile(t *testing.T) {
	dir := t.TempDir()
	begin := time.Date(2027, time.May, 10, 7, 0, 0, 0, time.UTC)
	rows := strings.Builder{}
	rows.WriteString("time,yard,hive,weight_kg\n")
	for i := range 6 * 96 {
		at := begin.Add(time.Duration(i) * 15 * time.Minute)
		for _, yard := range []string{"heard", "unheard"} {
			for _, hive := range []string{"h01", "h02"} {
				if yard == "heard" || i < 3*96 {
					fmt.Fprintf(&rows, "%s,%s,%s,%.2f\n", at.Format(time.RFC3339), yard, hive, 45+0.01*float64(i%3))
				}
			}
		}
	}
	readings, findings := filepath.Join(dir, "readings.csv"), filepath.Join(dir, "findings.jsonl")
	require.NoError(t, os.WriteFile(readings, []byte(rows.String()), 0o600))
	code, _, stderr := outyardIn(t, dir, nil, "replay", "--readings", readings, "--findings", findings)
	require.Zero(t, code, stderr)

	written, err := os.ReadFile(findings)
	require.NoError(t, err)
	var f outyard.Finding
	require.NoError(t, json.Unmarshal(bytes.TrimSpace(written), &f), "one finding")
	require.Equal(t, outyard.Silent, f.Kind)
	require.Equal(t, outyard.YardID("unheard"), f.Yard)
	require.Empty(t, f.Hive, "the whole yard in one")
	require.Less(t, f.ToldAt.Sub(begin), 4*24*time.Hour, "told within the day")
}
