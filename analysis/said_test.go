package analysis

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestHowAFindingIsSaid(t *testing.T) {
	f := outyard.Finding{Confidence: 1, Facts: map[string]any{
		"change_kg": -2.123456789, "warmed_k": outyard.Unknown, "hives": 3, "reasons": []string(nil), "state": "empty"}}
	say(&f)
	require.Equal(t, 0.99, f.Confidence, "nothing is certain")
	facts, err := json.Marshal(f.Facts)
	require.NoError(t, err, "JSON has no NaN")
	require.JSONEq(t, `{"change_kg": -2.123, "hives": 3, "reasons": [], "state": "empty"}`, string(facts))

	doubt := outyard.Finding{Confidence: 0}
	say(&doubt)
	require.Equal(t, 0.01, doubt.Confidence)
}
