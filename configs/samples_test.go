package configs

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/collector/mapping"
)

// TestSamplesAreReadByTheirExamples: each sample is beside an example that
// reads it, and a number of each is worked out by hand.
func TestSamplesAreReadByTheirExamples(t *testing.T) {
	sent := time.Date(2027, 5, 12, 18, 40, 0, 0, time.UTC)
	type values map[outyard.Quantity]float64
	cases := []struct {
		sample, config, topic string
		yard                  outyard.YardID
		hive                  outyard.HiveID
		counts                float64
		want                  values
	}{
		// 94.6 °F is 34.78 °C.
		{"flat-json.json", "flat-json.yaml", "scales/home/h01", "home", "h01", outyard.Unknown,
			values{outyard.Weight: 41.25, outyard.InsideTemp: 34.78, outyard.InsideRH: 61, outyard.Battery: 3.91}},
		{"radio-gateway.json", "radio-gateway.yaml", "gateway/barn/up/json/70B3D5A1", "mill-creek", "h01", outyard.Unknown,
			values{outyard.Weight: 38.42, outyard.InsideTemp: 34.1, outyard.Battery: 3.61, outyard.Signal: -97}},
		// 0x02c1ae, 0x0d54, 0x7b, 0x0e1a.
		{"radio-gateway-bytes.json", "radio-gateway.yaml", "gateway/barn/up/bytes/70B3D5B2", "mill-creek", "h02", 180654,
			values{outyard.InsideTemp: 34.12, outyard.InsideRH: 61.5, outyard.Battery: 3.61, outyard.Signal: -97}},
	}
	files, err := filepath.Glob("samples/*")
	require.NoError(t, err)
	require.Len(t, cases, len(files), "a sample that no case reads")
	for _, c := range cases {
		t.Run(c.sample, func(t *testing.T) {
			cfg, err := Load(c.config, nil)
			require.NoError(t, err)
			set, err := mapping.NewSet(cfg.Mappings)
			require.NoError(t, err)
			payload, err := os.ReadFile(filepath.Join("samples", c.sample))
			require.NoError(t, err)
			rows, err := set.Read(nil, c.topic, payload, sent.Add(time.Minute))
			require.NoError(t, err)
			require.Len(t, rows, 1)

			want := outyard.NewReading(c.yard, c.hive, sent)
			for q, v := range c.want {
				want.Values[q] = v
			}
			require.Empty(t, cmp.Diff(want, rows[0].Reading, cmpopts.EquateNaNs()))
			require.Empty(t, cmp.Diff(c.counts, rows[0].Counts, cmpopts.EquateNaNs()))
			require.NoError(t, want.Check(sent))
			for _, y := range cfg.Yards {
				if y.ID == c.yard {
					_, there := y.Hive(c.hive)
					require.True(t, there, "the example has a place for it")
				}
			}
		})
	}
}
