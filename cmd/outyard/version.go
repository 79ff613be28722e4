package main

import (
	"cmp"
	"runtime"
	"runtime/debug"
	"strconv"

	"github.com/spf13/cobra"

	"outyard/store/sqlite"
)

// version is what a release is called; the linker sets it (make release).
// Without it, what the toolchain noted of the source stands.
var version string

func newVersion() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Say which version this is, and which schema of the store it writes",
		Args:  cobra.NoArgs,
	}
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		version, revision := built()
		return show(cmd.OutOrStdout(), format, []string{"version", "revision", "go", "platform", "schema"},
			[][]string{{version, revision, runtime.Version(), runtime.GOOS + "/" + runtime.GOARCH, strconv.FormatInt(sqlite.Schema(), 10)}})
	}
	return cmd
}

// built says what the release is called, or else what the toolchain noted, and
// of which revision of the source it is.
func built() (name, revision string) {
	name, revision = version, "unknown"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return cmp.Or(name, "unknown"), revision
	}
	name = cmp.Or(name, info.Main.Version, "unknown")
	changed := ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			revision = s.Value
		case "vcs.modified":
			if s.Value == "true" {
				changed = " and changes"
			}
		}
	}
	return name, revision + changed
}
