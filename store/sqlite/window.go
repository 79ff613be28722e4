package sqlite

import (
	"context"
	"math"
	"slices"

	"outyard"
	"outyard/store"
)

// The width of a window is fitted to how many readings it holds.
const (
	firstWidth = 86_400 // seconds
	windowRows = 4_096  // half a megabyte: each yard that is read holds as much, several times over
)

// A window holds the readings of some stretches between two instants. It moves
// through time, skipping the gaps, so that readings of many hives come in order
// of time without a cursor held open for each.
type window struct {
	cursors         []cursor // by yard, hive and period
	from, to        int64    // seconds
	width           int64
	limit           int
	readings        []outyard.Reading
	order           []uint64 // seconds into the window << 32 | index in readings
	inside, outside []outyard.Reading
}

// A cursor is how far a stretch has been read, in each table.
type cursor struct {
	numbered
	end   int64              // before this key
	next  [len(tables)]int64 // from this key
	after [len(tables)]int64 // from here once the window has been handed on
}

// newWindow returns a window on what q asks for that holds rows readings or so.
func newWindow(stretches []numbered, q store.Query, rows int) *window {
	from, to := int64(math.MinInt64>>1), int64(math.MaxInt64>>1)
	if !q.From.IsZero() {
		from = secondAtOrAfter(q.From)
	}
	if !q.To.IsZero() {
		to = secondAtOrAfter(q.To)
	}
	// Never fewer than a single second may hold, for narrower than that a
	// window cannot be; and enough that a look at each stretch pays.
	w := &window{width: firstWidth, limit: max(rows, 2*len(stretches))}
	for _, st := range stretches {
		lo, hi := keyRange(st.id, st.period, from, to)
		c := cursor{numbered: st, end: hi}
		for i := range c.after {
			c.after[i] = lo
		}
		w.cursors = append(w.cursors, c)
	}
	return w
}

// advance moves the window on to the next readings; false when there are none.
func (w *window) advance() bool {
	w.from = math.MaxInt64
	for i := range w.cursors {
		c := &w.cursors[i]
		c.next = c.after
		for _, key := range c.next {
			if key < c.end {
				w.from = min(w.from, unixOf(c.period, key))
			}
		}
	}
	if w.from == math.MaxInt64 {
		return false
	}
	w.to = w.from + w.width
	return true
}

// load fills the window. It stops and says so when it would hold too many.
func (s *Store) load(ctx context.Context, w *window) (full bool, err error) {
	w.readings = w.readings[:0]
	err = s.inReadTx(ctx, func(tx *readTx) error {
		for i := range w.cursors {
			if err := w.read(tx, &w.cursors[i]); err != nil {
				return err
			}
			if full = len(w.readings) > w.limit; full {
				return nil
			}
		}
		return nil
	})
	return full, err
}

// read appends what the window shows of one stretch.
func (w *window) read(tx *readTx, c *cursor) error {
	_, hi := keyRange(c.id, c.period, w.from, w.to)
	hi = min(hi, c.end)
	w.inside, w.outside = w.inside[:0], w.outside[:0]
	for i, rows := range []*[]outyard.Reading{&w.inside, &w.outside} {
		if c.next[i] >= hi {
			continue
		}
		var err error
		if *rows, c.after[i], err = tx.appendRows(*rows, tables[i], c.numbered, c.next[i], hi, c.end, w.limit); err != nil {
			return err
		}
	}
	w.readings = appendMerged(w.readings, w.inside, w.outside)
	return nil
}

// narrow makes the window smaller, to be loaded again.
func (w *window) narrow() {
	w.width = max(w.width/8, 1)
	for i := range w.cursors {
		w.cursors[i].after = w.cursors[i].next
	}
}

// settle puts the readings in order of time; those of one instant stay in the
// order of their stretches, which is that of yard and hive. It makes a window
// that holds few readings wider for the next time.
func (w *window) settle() {
	w.order = w.order[:0]
	for i := range w.readings {
		w.order = append(w.order, uint64(w.readings[i].Time.Unix()-w.from)<<32|uint64(i))
	}
	slices.Sort(w.order)
	if len(w.readings) < w.limit/4 {
		w.width = min(w.width*2, 1<<periodBits)
	}
}
