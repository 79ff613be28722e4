package influx

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTryAsksARealServer(t *testing.T) {
	s := sharedServer(t)
	saw, err := Try(t.Context(), Config{URL: s.url, Bucket: s.newBucket(t)})
	require.NoError(t, err)
	require.Contains(t, saw, "takes writes to bucket")

	_, err = Try(t.Context(), Config{URL: s.url, Bucket: "nowhere/autogen"})
	require.ErrorContains(t, err, "no bucket nowhere/autogen")
}
