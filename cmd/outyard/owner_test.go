//go:build unix

package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestRootLeavesTheDaemonsFolderAlone(t *testing.T) {
	tests := []struct {
		name      string
		us, owner int
		want      string // empty: nothing against it
	}{
		{"the owner writes", 1000, 1000, ""},
		{"root writes to its own", 0, 0, ""},
		{"root does not write to a daemon's", 0, 123456789, "put sudo -u #123456789 in front"},
		{"what another may is for the system to say", 1000, 0, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := ownerError("bees", tt.us, tt.owner)
			if tt.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, tt.want)
		})
	}
	require.NoError(t, asOwner(t.TempDir()))
	require.NoError(t, asOwner(filepath.Join(t.TempDir(), "not-there-yet")))
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	require.Error(t, asOwner(filepath.Join(file, "bees")))
}
