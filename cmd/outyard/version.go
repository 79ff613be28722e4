package main

import (
	"cmp"
	"runtime"
	"runtime/debug"
	"strconv"

	"github.com/spf13/cobra"

	"outyard/store/sqlite"
)

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

// built says what the toolchain noted of the version when it built this.
func built() (version, revision string) {
	version, revision = "unknown", "unknown"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return version, revision
	}
	version = cmp.Or(info.Main.Version, version)
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
	return version, revision + changed
}
