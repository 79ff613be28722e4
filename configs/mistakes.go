package configs

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// A Mistake is one thing that is wrong with a config, where it stands, and what
// to do about it.
type Mistake struct {
	From string // the file, the environment variable or the flag
	Line int    // in the file; 0 where there is none
	Text string
}

func (m Mistake) String() string {
	if m.Line > 0 {
		return fmt.Sprintf("%s:%d: %s", m.From, m.Line, m.Text)
	}
	return m.From + ": " + m.Text
}

// Mistakes is everything that is wrong with a config.
type Mistakes struct {
	List []Mistake // by place
}

// Error gives one line a mistake.
func (ms *Mistakes) Error() string {
	lines := make([]string, len(ms.List))
	for i, m := range ms.List {
		lines[i] = m.String()
	}
	return strings.Join(lines, "\n")
}

func (ms *Mistakes) add(from string, line int, format string, args ...any) {
	ms.List = append(ms.List, Mistake{from, line, fmt.Sprintf(format, args...)})
}

// sort puts the file's mistakes first, from top to bottom.
func (ms *Mistakes) sort() {
	slices.SortStableFunc(ms.List, func(a, b Mistake) int {
		if (a.Line == 0) != (b.Line == 0) {
			return cmp.Compare(b.Line, a.Line)
		}
		return cmp.Compare(a.Line, b.Line)
	})
}

// nearest returns the one of names that s was most likely meant to be, or
// nothing when none is near: at most a third of the letters are wrong, or s is
// how a single one of them begins.
func nearest(s string, names []string) string {
	s = strings.ToLower(s)
	best, least := "", max(1, len(s)/3)+1
	var begun []string
	for _, name := range names {
		n := strings.ToLower(name)
		if d := distance(s, n); d < least {
			best, least = name, d
		}
		if len(s) >= 3 && strings.HasPrefix(n, s) {
			begun = append(begun, name)
		}
	}
	if best == "" && len(begun) == 1 {
		return begun[0]
	}
	return best
}

// distance counts the letters to put in, take out, change or swap with the next
// one to make a into b (optimal string alignment).
func distance(a, b string) int {
	before := make([]int, len(b)+1) // the row of two letters ago
	above := make([]int, len(b)+1)
	row := make([]int, len(b)+1)
	for j := range row {
		above[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := above[j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			row[j] = min(change, above[j]+1, row[j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, above, row = above, row, before
	}
	return above[len(b)]
}

// meant is the end of a message: which name was probably meant, or else which
// there are.
func meant(s string, names []string) string {
	if n := nearest(s, names); n != "" {
		return "did you mean " + n + "?"
	}
	return "want " + oneOf(names)
}

func oneOf(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}
