package web

import (
	"bytes"
	"image/png"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestEvidenceIsDrawnForAMail(t *testing.T) {
	db := seed(t)
	yard := func(id outyard.YardID) outyard.Yard {
		for _, y := range testYards() {
			if y.ID == id {
				return y
			}
		}
		return outyard.Yard{ID: id}
	}
	drawn := map[outyard.Kind]bool{}
	for _, f := range testFindings() {
		b, shows, err := Evidence(t.Context(), db, yard(f.Yard), f, testNow)
		require.NoError(t, err)
		if name, _ := evidence(f.Kind); name == "" || f.Hive == "" && name != "gain" {
			require.Empty(t, b, f.Kind)
			continue
		}
		if b == nil {
			continue // nothing was measured to show it by
		}
		picture, err := png.Decode(bytes.NewReader(b))
		require.NoError(t, err)
		require.Equal(t, 2*evidencePx, picture.Bounds().Dx())
		require.Less(t, len(b), 150<<10, "a mail over a thin line")
		require.NotEmpty(t, shows)
		drawn[f.Kind] = true
	}
	for _, k := range []outyard.Kind{outyard.Swarm, outyard.Damp, outyard.FlowStart} {
		require.True(t, drawn[k], k)
	}
	b, _, err := Evidence(t.Context(), db, yard("nowhere"), outyard.Finding{Kind: outyard.Swarm, Yard: "nowhere", Hive: "h01", Onset: testNow}, testNow)
	require.NoError(t, err)
	require.Empty(t, b, "nothing to see is no picture, and no error")
}
