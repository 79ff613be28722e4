package main

import (
	"cmp"
	"runtime"
	"runtime/debug"
	"strconv"

	"github.com/spf13/cobra"

	"outyard/store/sqlite"
)

// version is what a release is called, and revision of which state of the source
// it is; the linker sets them (make release). Without them, what the toolchain
// noted of the source stands.
var version, revision string

func newVersion() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "version",
		Short: "Say which version this is, and which schema of the store it writes",
		Args:  cobra.NoArgs,
	}
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		name, of := built()
		return show(cmd.OutOrStdout(), format, []string{"version", "revision", "go", "platform", "schema"},
			[][]string{{name, of, runtime.Version(), runtime.GOOS + "/" + runtime.GOARCH, strconv.FormatInt(sqlite.Schema(), 10)}})
	}
	return cmd
}

// built says what the release is called, or else what the toolchain noted, and
// of which revision of the source it is.
func built() (name, of string) {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return cmp.Or(version, "unknown"), cmp.Or(revision, "unknown")
	}
	name = cmp.Or(version, info.Main.Version, "unknown")
	if revision != "" {
		return name, revision
	}
	of, changed := "unknown", ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			of = s.Value
		case "vcs.modified":
			if s.Value == "true" {
				changed = " and changes"
			}
		}
	}
	return name, of + changed
}
