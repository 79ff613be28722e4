package outyard_test

import (
	"maps"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestEveryPackageSaysOnceWhyItExists: with none, a reader is left to guess;
// with two, go doc runs them together.
func TestEveryPackageSaysOnceWhyItExists(t *testing.T) {
	for _, pkg := range packages(t) {
		var in []string // files with a package comment
		code := false
		for _, name := range slices.Sorted(maps.Keys(pkg.files)) {
			file := pkg.files[name]
			if strings.HasSuffix(name, "_test.go") {
				require.Nil(t, file.Doc, "%s/%s: a test file needs no package comment", pkg.folder, name)
				continue
			}
			code = true
			if file.Doc == nil {
				continue
			}
			in = append(in, name)
			begin := "Package " + file.Name.Name + " "
			if file.Name.Name == "main" {
				begin = "Command " + path.Base(pkg.folder) + " "
			}
			require.True(t, strings.HasPrefix(file.Doc.Text(), begin), "%s/%s: want a package comment that begins %q", pkg.folder, name, begin)
		}
		if code {
			require.Len(t, in, 1, "package comments in folder %q", pkg.folder)
		}
	}
}
