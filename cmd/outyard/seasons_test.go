package main

import (
	"bytes"
	"compress/gzip"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/csvfile"
	"outyard/simulator"
)

// seasons are invented, each for what it holds; testdata/seasons has their
// readings and what replay makes of them. The truth is in the sentence.
var seasons = []struct {
	name, truth string
	seed        uint64
	options     simulator.Options
}{
	{
		"may-swarm", "h02 swarms on 20 May at 12:30, the keeper puts a box on h01 and goes round the yard on 23 May", 11,
		simulator.Options{
			Start: time.Date(2026, time.May, 14, 12, 0, 0, 0, time.UTC), Days: 12, Yards: 1, HivesPerYard: 3,
			Cadence: 15 * time.Minute, Calm: true,
			Script: []simulator.Event{
				{Kind: simulator.FineWeather, Time: time.Date(2026, time.May, 18, 7, 0, 0, 0, time.UTC), End: time.Date(2026, time.May, 26, 7, 0, 0, 0, time.UTC)},
				{Kind: outyard.Swarm, Yard: simulator.YardID(1), Hive: simulator.HiveID(2), Time: time.Date(2026, time.May, 20, 19, 30, 0, 0, time.UTC), Kg: 2.2},
				{Kind: outyard.Handling, What: string(outyard.BoxOn), Yard: simulator.YardID(1), Hive: simulator.HiveID(1), Time: time.Date(2026, time.May, 23, 17, 0, 0, 0, time.UTC)},
			},
		},
	},
	{
		"november-damp", "h03 goes damp on 20 November, in a wet month for all", 12,
		simulator.Options{
			Start: time.Date(2026, time.October, 20, 12, 0, 0, 0, time.UTC), Days: 70, Yards: 1, HivesPerYard: 4,
			Cadence: time.Hour, Calm: true, NoKeeper: true,
			Script: []simulator.Event{
				{Kind: outyard.Damp, Yard: simulator.YardID(1), Hive: simulator.HiveID(3), Time: time.Date(2026, time.November, 20, 8, 0, 0, 0, time.UTC)},
			},
		},
	},
}

func TestSeasons(t *testing.T) {
	for _, s := range seasons {
		t.Run(s.name, func(t *testing.T) {
			dir := filepath.Join("..", "..", "testdata", "seasons", s.name)
			if *update {
				invent(t, dir, simulator.Invent(s.seed, s.options))
			}
			out := t.TempDir()
			findings, daily := filepath.Join(out, "findings.jsonl"), filepath.Join(out, "daily.csv")
			var stdout, stderr bytes.Buffer
			code := run(t.Context(), []string{"replay", "--config", filepath.Join(dir, "config.yaml"),
				"--readings", filepath.Join(dir, "readings.csv.gz"), "--findings", findings, "--daily", daily}, nil, &stdout, &stderr)
			require.Zero(t, code, stderr.String())
			for _, name := range []string{findings, daily} {
				got, err := os.ReadFile(name)
				require.NoError(t, err)
				golden := filepath.Join(dir, filepath.Base(name))
				if *update {
					require.NoError(t, os.WriteFile(golden, got, 0o666))
				}
				want, err := os.ReadFile(golden)
				require.NoError(t, err)
				require.Equal(t, string(want), string(got), "the truth: %s", s.truth)
			}
		})
	}
}

// invent writes a season's config and readings.
func invent(t *testing.T, dir string, season simulator.Scenario) {
	require.NoError(t, os.MkdirAll(dir, 0o777))
	config, err := seasonConfig(season.Yards())
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "config.yaml"), config, 0o666))
	var file bytes.Buffer
	zipped, err := gzip.NewWriterLevel(&file, gzip.BestCompression)
	require.NoError(t, err)
	rows := csvfile.NewWriter(zipped)
	_, err = season.Run(rows.Write)
	require.NoError(t, err)
	require.NoError(t, rows.Flush())
	require.NoError(t, zipped.Close())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "readings.csv.gz"), file.Bytes(), 0o666))
}
