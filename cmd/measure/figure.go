package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"text/tabwriter"
)

// A figure is what was measured, with its target.
type figure struct {
	what  string
	value float64
	unit  string
	bound bound
	limit float64
}

// A bound says on which side of its limit a figure should be.
type bound int

const (
	free    bound = iota // told, without a target
	atLeast              // the limit or more
	atMost               // the limit or less
)

func (f figure) met() bool {
	switch f.bound {
	case atLeast:
		return f.value >= f.limit
	case atMost:
		return f.value <= f.limit
	}
	return true
}

func (f figure) target() string {
	switch f.bound {
	case atLeast:
		return fmt.Sprintf("at least %s", number(f.limit))
	case atMost:
		return fmt.Sprintf("at most %s", number(f.limit))
	}
	return ""
}

// number prints three digits that count, or all before the point.
func number(v float64) string {
	switch a := math.Abs(v); {
	case v == math.Trunc(v) || a >= 100:
		return fmt.Sprintf("%.0f", v)
	case a >= 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.2f", v)
}

type figures []figure

func (fs *figures) add(what string, value float64, unit string, b bound, limit float64) {
	*fs = append(*fs, figure{what, value, unit, b, limit})
}

// note adds a figure without a target.
func (fs *figures) note(what string, value float64, unit string) { fs.add(what, value, unit, free, 0) }

func (fs figures) print(w io.Writer) {
	tab := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, f := range fs {
		verdict := ""
		switch {
		case f.bound == free:
		case f.met():
			verdict = "met"
		default:
			verdict = "MISSED"
		}
		fmt.Fprintf(tab, "  %s\t%s %s\t%s\t%s\n", f.what, number(f.value), f.unit, f.target(), verdict)
	}
	tab.Flush()
}

func (fs figures) missed() int { return fs.count(func(f figure) bool { return !f.met() }) }

func (fs figures) targets() int { return fs.count(func(f figure) bool { return f.bound != free }) }

func (fs figures) count(is func(figure) bool) (n int) {
	for _, f := range fs {
		if is(f) {
			n++
		}
	}
	return n
}

// percentile is the smallest value that p of 100 values do not exceed (the
// nearest rank); NaN of none. It sorts them.
func percentile[T ~int64 | ~float64](values []T, p float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	rank := int(math.Ceil(p / 100 * float64(len(values))))
	return float64(values[max(rank, 1)-1])
}

func median(values []float64) float64 { return percentile(slices.Clone(values), 50) }
