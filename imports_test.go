package outyard_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// mayImport says what a top folder may import of ours, besides the words at the
// root and the packages below itself. Those in the middle of the line do not
// know each other; they meet in cmd.
var mayImport = map[string]string{
	"":        "",
	"configs": "", "simulator": "", "store": "", "deploy": "", "guessing": "", "timekeeping": "",
	"analysis": "timekeeping", "collector": "guessing timekeeping", "alerts": "analysis timekeeping", "web": "analysis guessing",
	"cmd": "alerts analysis collector configs simulator store timekeeping web",
}

// storeWords is what is asked of a store, and what comes back: words as well,
// that import nothing of ours but those at the root. Whoever asks a store may
// know them. The stores themselves are below it.
const storeWords = "outyard/store"

// kept out of the analyses: everything comes in as an argument and goes out as
// a result, or replay would not be the same as live.
var impure = []string{"database/sql", "log", "log/slog", "net", "os", "syscall"}

// clock is what in package time reads the clock or waits for it.
var clock = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer"}

func TestImportsPointOneWay(t *testing.T) {
	for _, pkg := range packages(t) {
		for _, name := range slices.Sorted(maps.Keys(pkg.files)) {
			require.Empty(t, breaches(pkg.folder, name, pkg.files[name]), path.Join(pkg.folder, name))
		}
	}
}

// breaches lists what in a file is against the rules. Tests may import more
// than what they test, since they use real parts; they may not wait for the
// clock, and may not leave themselves out.
func breaches(folder, name string, file *ast.File) []string {
	var found []string
	say := func(format string, args ...any) { found = append(found, fmt.Sprintf(format, args...)) }
	isTest := strings.HasSuffix(name, "_test.go")
	top, _, _ := strings.Cut(folder, "/")
	allowed, known := mayImport[top]
	if !known {
		say("folder %s is not in mayImport: say there what it may import", top)
	}

	timeName := "" // what the file calls package time
	for _, spec := range file.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			say("import %s: %v", spec.Path.Value, err)
			continue
		}
		if imported == "time" {
			timeName = "time"
			if spec.Name != nil {
				timeName = spec.Name.Name
			}
		}
		if isTest {
			continue
		}
		if ours, yes := strings.CutPrefix(imported, "outyard/"); yes {
			other, _, _ := strings.Cut(ours, "/")
			switch {
			case "outyard/"+folder == storeWords:
				say("imports %s: %s imports nothing of ours but the words at the root", imported, storeWords)
			case other == top || slices.Contains(strings.Fields(allowed), other):
			case imported == storeWords && top != "" && top != "analysis":
			default:
				say("imports %s: only %s may", imported, whoMay(other))
			}
		}
		if top == "analysis" && slices.ContainsFunc(impure, func(p string) bool {
			return imported == p || strings.HasPrefix(imported, p+"/")
		}) {
			say("imports %s: the analyses are pure", imported)
		}
	}

	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			if top == "analysis" && !isTest {
				say("starts a goroutine: the analyses are pure")
			}
		case *ast.SelectorExpr:
			of, _ := n.X.(*ast.Ident)
			switch what := n.Sel.Name; {
			case of == nil:
			case timeName != "" && of.Name == timeName:
				switch {
				case isTest && what == "Sleep":
					say("time.Sleep in a test: use synctest, a channel or a poll with a deadline")
				case isTest || top == "cmd":
				case what == "Now" || what == "Since" || what == "Until":
					say("time.%s outside cmd: take now as an argument", what)
				case top == "analysis" && slices.Contains(clock, what):
					say("time.%s: the analyses are pure", what)
				}
			case isTest && (what == "Skip" || what == "SkipNow" || what == "Skipf") && (of.Name == "t" || of.Name == "b" || of.Name == "f"):
				say("%s.%s: what is missing fails, and says what to install", of.Name, what)
			}
		}
		return true
	})
	return found
}

func whoMay(folder string) string {
	var who []string
	for top, allowed := range mayImport {
		if slices.Contains(strings.Fields(allowed), folder) {
			who = append(who, top)
		}
	}
	slices.Sort(who)
	return strings.Join(who, ", ")
}

func TestBreachesAreSeen(t *testing.T) {
	tests := []struct {
		name         string
		folder, file string
		src          string
		want         []string
	}{
		{"the collector knows no store", "collector/senml", "a.go", `import "outyard/store/sqlite"`,
			[]string{"imports outyard/store/sqlite: only cmd may"}},
		{"pages ask a store in its words", "web", "a.go", `import "outyard/store"`, nil},
		{"those words know no store", "store", "a.go", `import "outyard/store/sqlite"`,
			[]string{"imports outyard/store/sqlite: outyard/store imports nothing of ours but the words at the root"}},
		{"the analyses know neither", "analysis", "a.go", `import "outyard/store"`, []string{"imports outyard/store: only cmd may"}},
		{"its test uses a real one", "collector/senml", "a_test.go", `import "outyard/store/sqlite"`, nil},
		{"broker and pages share what makes guessing dear", "collector/broker", "a.go", `import "outyard/guessing"`, nil},
		{"a clock is judged in one place", "collector", "a.go", `import "outyard/timekeeping"`, nil},
		{"the store does not know of it", "store/sqlite", "a.go", `import "outyard/guessing"`,
			[]string{"imports outyard/guessing: only collector, web may"}},
		{"the collector knows its own decoder", "collector", "a.go", `import "outyard/collector/senml"`, nil},
		{"everybody knows the words", "store", "a.go", `import "outyard"`, nil},
		{"the words know nobody", "", "a.go", `import "outyard/configs"`, []string{"imports outyard/configs: only cmd may"}},
		{"alerts know the analyses", "alerts", "a.go", `import "outyard/analysis"`, nil},
		{"the simulator does not", "simulator", "a.go", `import "outyard/analysis/flow"`,
			[]string{"imports outyard/analysis/flow: only alerts, cmd, web may"}},
		{"the wiring knows all of them", "cmd/outyard", "a.go", `import ("outyard/alerts/mail"; "outyard/web")`, nil},
		{"a new folder has to be given its place", "pickle", "a.go", ``,
			[]string{"folder pickle is not in mayImport: say there what it may import"}},
		{"the analyses open no file", "analysis/flow", "a.go", `import "os/signal"`,
			[]string{"imports os/signal: the analyses are pure"}},
		{"they log nothing", "analysis", "a.go", `import "log/slog"`, []string{"imports log/slog: the analyses are pure"}},
		{"logarithms are no log", "analysis", "a.go", `import "math"`, nil},
		{"they start nothing", "analysis", "a.go", `func f() { go f() }`, []string{"starts a goroutine: the analyses are pure"}},
		{"they know no clock", "analysis", "a.go", `import "time"; var c = time.After(1)`, []string{"time.After: the analyses are pure"}},
		{"nobody reads the clock in the middle", "web", "a.go", `import "time"; var now = time.Now`,
			[]string{"time.Now outside cmd: take now as an argument"}},
		{"not under another name either", "store", "a.go", `import clock "time"; var d = clock.Since(clock.Time{})`,
			[]string{"time.Since outside cmd: take now as an argument"}},
		{"the wiring reads it", "cmd/outyard", "a.go", `import "time"; var now = time.Now`, nil},
		{"a ticker in the middle is fine", "alerts", "a.go", `import "time"; var c = time.Tick(1)`, nil},
		{"no test sleeps", "cmd/outyard", "a_test.go", `import "time"; func f() { time.Sleep(1) }`,
			[]string{"time.Sleep in a test: use synctest, a channel or a poll with a deadline"}},
		{"no test leaves itself out", "web", "a_test.go", `import "testing"; func TestA(t *testing.T) { t.Skip() }`,
			[]string{"t.Skip: what is missing fails, and says what to install"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			file, err := parser.ParseFile(token.NewFileSet(), tt.file, "package p\n"+tt.src, 0)
			require.NoError(t, err)
			require.Equal(t, tt.want, breaches(tt.folder, tt.file, file))
		})
	}
}

// A parsed package: the files of one folder.
type parsed struct {
	folder string // slashed, empty for the root
	files  map[string]*ast.File
}

// packages parses every Go file of the program. The files are read here, not
// by a child process, so that a test result that was kept is not taken for one
// of changed files.
func packages(t *testing.T) []parsed {
	t.Helper()
	byFolder := map[string]map[string]*ast.File{}
	err := filepath.WalkDir(".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if base := d.Name(); name != "." && (base == "testdata" || strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_")) {
				return fs.SkipDir
			}
			return nil
		}
		if filepath.Ext(name) != ".go" {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		folder := filepath.ToSlash(filepath.Dir(name))
		if folder == "." {
			folder = ""
		}
		if byFolder[folder] == nil {
			byFolder[folder] = map[string]*ast.File{}
		}
		byFolder[folder][d.Name()] = file
		return nil
	})
	require.NoError(t, err)
	require.Contains(t, byFolder, "")
	var all []parsed
	for _, folder := range slices.Sorted(maps.Keys(byFolder)) {
		all = append(all, parsed{folder, byFolder[folder]})
	}
	return all
}
