package sqlite

import (
	"context"
	"database/sql/driver"
	"fmt"
	"time"

	"outyard"
	"outyard/store"
)

// Series returns what a chart of the given width in pixels needs of one
// quantity from from to before to: for each pixel the first, last, lowest and
// highest value and when they were. Pixels without a value are left out. The
// hive is empty for the yard's weather.
func (s *Store) Series(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, q outyard.Quantity,
	from, to time.Time, pixels int) ([]store.Bucket, error) {
	if q < 0 || q >= outyard.NumQuantities || pixels < 1 || pixels > maxPixels || !from.Before(to) {
		return nil, fmt.Errorf("series of quantity %d from %s to %s in %d pixels: want a quantity, a span and a width",
			int(q), from.Format(time.RFC3339), to.Format(time.RFC3339), pixels)
	}
	stretches, err := s.stretchesFor(ctx, store.Query{Yard: yard, Hive: hive, Weather: hive == "", From: from, To: to})
	if err != nil {
		return nil, because(err, "read %s of %s %s", q, yard, hive)
	}
	// Streaming the column and folding it here beats grouping in SQLite, which
	// sorts what is in order already: BenchmarkSeries, and DESIGN.md.
	fold := folding{q: q, grid: newGrid(from, to, pixels), at: -1}
	query := `SELECT key, ` + columns[q].name + ` FROM ` + tableOf(q).name +
		` WHERE key >= ? AND key < ? AND ` + columns[q].name + ` IS NOT NULL ORDER BY key`
	err = s.inReadTx(ctx, func(tx *readTx) error {
		for _, st := range stretches {
			lo, hi := keyRange(st.id, st.period, secondAtOrAfter(from), secondAtOrAfter(to))
			if err := tx.each(query, 2, func(row []driver.Value) bool {
				key, _ := row[0].(int64)
				n, _ := row[1].(int64)
				fold.add(unixOf(st.period, key), n)
				return true
			}, lo, hi); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, because(err, "read %s of %s %s", q, yard, hive)
	}
	fold.finish()
	return fold.buckets, nil
}

// maxPixels is wider than any screen or sheet of paper.
const maxPixels = 1 << 20

// A grid divides the seconds [from, from+span) into pixels.
type grid struct{ from, span, pixels int64 }

func newGrid(from, to time.Time, pixels int) grid {
	start := secondAtOrAfter(from)
	return grid{start, max(secondAtOrAfter(to)-start, 1), int64(pixels)}
}

// pixel is where a second falls.
func (g grid) pixel(unix int64) int64 { return (unix - g.from) * g.pixels / g.span }

// start is the first second that falls into a pixel.
func (g grid) start(pixel int64) int64 { return g.from + (pixel*g.span+g.pixels-1)/g.pixels }

// folding gathers values in order of time into buckets.
type folding struct {
	q       outyard.Quantity
	grid    grid
	buckets []store.Bucket

	at                            int64 // the pixel being filled; -1 before the first
	before                        int64 // seconds before this fall into it
	firstAt, lastAt, minAt, maxAt int64
	first, last, lowest, highest  int64
}

func (f *folding) add(unix, n int64) {
	if f.at < 0 || unix >= f.before {
		f.finish()
		f.open(unix, n)
	}
	f.last, f.lastAt = n, unix
	if n < f.lowest {
		f.lowest, f.minAt = n, unix
	}
	if n > f.highest {
		f.highest, f.maxAt = n, unix
	}
}

func (f *folding) open(unix, n int64) {
	f.at = f.grid.pixel(unix)
	f.before = f.grid.start(f.at + 1)
	f.first, f.firstAt = n, unix
	f.lowest, f.minAt, f.highest, f.maxAt = n, unix, n, unix
}

func (f *folding) finish() {
	if f.at < 0 {
		return
	}
	at := func(unix int64) time.Time { return time.Unix(unix, 0).UTC() }
	f.buckets = append(f.buckets, store.Bucket{
		From:    at(f.grid.start(f.at)),
		FirstAt: at(f.firstAt), LastAt: at(f.lastAt), MinAt: at(f.minAt), MaxAt: at(f.maxAt),
		First: fromSteps(f.q, f.first), Last: fromSteps(f.q, f.last),
		Min: fromSteps(f.q, f.lowest), Max: fromSteps(f.q, f.highest),
	})
}
