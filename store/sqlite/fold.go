package sqlite

import (
	"fmt"
	"time"

	"outyard"
	"outyard/store"
)

// A Fold makes a chart's buckets of values that come in order of time, as
// [Store.Series] does, for a store whose readings lie elsewhere.
type Fold struct{ folding }

// NewFold begins a chart of q from from to before to, so many pixels wide.
func NewFold(q outyard.Quantity, from, to time.Time, pixels int) (*Fold, error) {
	if q < 0 || q >= outyard.NumQuantities || pixels < 1 || pixels > maxPixels || !from.Before(to) {
		return nil, fmt.Errorf("series of quantity %d from %s to %s in %d pixels: want a quantity, a span and a width",
			int(q), from.Format(time.RFC3339), to.Format(time.RFC3339), pixels)
	}
	return &Fold{folding{q: q, grid: newGrid(from, to, pixels), at: -1}}, nil
}

// Add takes the next value, which it rounds to the step of the quantity. The
// time must be within the chart, and after that of the value before.
func (f *Fold) Add(at time.Time, v float64) error {
	n, err := toSteps(f.q, v)
	if err != nil {
		return err
	}
	f.add(at.Unix(), n)
	return nil
}

// Buckets ends the chart.
func (f *Fold) Buckets() []store.Bucket {
	f.finish()
	return f.buckets
}
