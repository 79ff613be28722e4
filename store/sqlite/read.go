package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/store"
)

// EachReading hands the readings that q asks for to each, in order of time,
// yard and hive, until it returns an error, which EachReading then returns as
// it is. Memory stays bounded however many there are, and each may use the
// store: no connection is held while it runs.
func (s *Store) EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error {
	stretches, err := s.stretchesFor(ctx, q)
	if err != nil {
		return because(err, "read readings")
	}
	w := window{stretches: stretches}
	from, to := w.span(q)
	for width := int64(firstWindow); from < to; {
		end := min(from+width, to)
		limit := windowRows
		if end-from == 1 {
			limit = math.MaxInt // one second cannot be narrowed
		}
		full, err := s.load(ctx, &w, from, end, limit)
		if err != nil {
			return because(err, "read readings from %s", time.Unix(from, 0).UTC().Format(time.RFC3339))
		}
		if full {
			width = max((end-from)/8, 1)
			continue
		}
		w.sort(from)
		for _, o := range w.order {
			if err := each(w.readings[uint32(o)]); err != nil {
				return err
			}
		}
		from = end
		if len(w.readings) < windowRows/4 {
			width = min(width*2, 1<<periodBits)
		}
	}
	return nil
}

// Newest returns the newest reading of each hive and of each yard's weather,
// by yard and hive.
func (s *Store) Newest(ctx context.Context) ([]outyard.Reading, error) {
	stretches, err := s.stretchesFor(ctx, store.Query{})
	if err != nil {
		return nil, because(err, "read newest readings")
	}
	var newest []outyard.Reading
	err = s.inReadTx(ctx, func(tx *readTx) error {
		// By yard and hive, then period: the last of a hive has its newest,
		// for a stretch is only there when a reading is.
		for i, st := range stretches {
			if i+1 < len(stretches) && stretches[i+1].yard == st.yard && stretches[i+1].hive == st.hive {
				continue
			}
			r, err := tx.last(st)
			if err != nil {
				return err
			}
			newest = append(newest, r)
		}
		return nil
	})
	return newest, because(err, "read newest readings")
}

// Span returns the times of a yard's oldest and newest reading; false when it
// has none.
func (s *Store) Span(ctx context.Context, yard outyard.YardID) (first, last time.Time, ok bool, err error) {
	stretches, err := s.stretchesFor(ctx, store.Query{Yard: yard})
	if err != nil || len(stretches) == 0 {
		return first, last, false, because(err, "read span of %s", yard)
	}
	byPeriod := func(a, b numbered) int { return cmp.Compare(a.period, b.period) }
	oldest := slices.MinFunc(stretches, byPeriod).period
	newest := slices.MaxFunc(stretches, byPeriod).period
	from, to := int64(math.MaxInt64), int64(math.MinInt64)
	err = s.inReadTx(ctx, func(tx *readTx) error {
		for _, st := range stretches {
			if st.period != oldest && st.period != newest {
				continue
			}
			lo, hi, err := tx.ends(st)
			if err != nil {
				return err
			}
			from, to = min(from, lo), max(to, hi)
		}
		return nil
	})
	if err != nil {
		return first, last, false, because(err, "read span of %s", yard)
	}
	return time.Unix(from, 0).UTC(), time.Unix(to, 0).UTC(), true, nil
}

// numbered is a stretch with its number in the file.
type numbered struct {
	stretch
	id int64
}

// stretchesFor lists the stretches that may hold what q asks for, by yard,
// hive and period.
func (s *Store) stretchesFor(ctx context.Context, q store.Query) ([]numbered, error) {
	c := conditions{}
	c.place(q)
	if !q.From.IsZero() {
		c.add("period >= ?", periodOf(secondAtOrAfter(q.From)))
	}
	if !q.To.IsZero() {
		c.add("period <= ?", periodOf(secondAtOrAfter(q.To)-1))
	}
	var found []numbered
	err := s.rowsOf(ctx, `SELECT id, yard, hive, period FROM stretches`+c.where()+` ORDER BY yard, hive, period`, c.args,
		func(rows *sql.Rows) error {
			var n numbered
			err := rows.Scan(&n.id, &n.yard, &n.hive, &n.period)
			found = append(found, n)
			return err
		})
	return found, err
}

// secondAtOrAfter is the first whole second that is not before t: readings
// have whole seconds, so both ends of a range may be rounded up to one.
func secondAtOrAfter(t time.Time) int64 {
	unix := t.Unix()
	if t.Nanosecond() > 0 {
		unix++
	}
	return unix
}

// EachReading goes through time in windows that it widens while they hold few
// readings and narrows when one holds too many.
const (
	firstWindow = 86_400 // seconds
	windowRows  = 32_768 // some 4 MB
)

// A window holds the readings of some stretches between two instants.
type window struct {
	stretches []numbered
	readings  []outyard.Reading
	order     []uint64 // seconds into the window << 32 | index in readings
}

// span is the range of seconds that the stretches and q leave.
func (w *window) span(q store.Query) (from, to int64) {
	from, to = math.MaxInt64, math.MinInt64
	for _, st := range w.stretches {
		from = min(from, st.period<<periodBits)
		to = max(to, (st.period+1)<<periodBits)
	}
	if !q.From.IsZero() {
		from = max(from, secondAtOrAfter(q.From))
	}
	if !q.To.IsZero() {
		to = min(to, secondAtOrAfter(q.To))
	}
	return from, to
}

// sort puts the readings in order of time; those of one instant stay in the
// order of their stretches, which is that of yard and hive.
func (w *window) sort(from int64) {
	w.order = w.order[:0]
	for i := range w.readings {
		w.order = append(w.order, uint64(w.readings[i].Time.Unix()-from)<<32|uint64(i))
	}
	slices.Sort(w.order)
}

// load fills the window with the readings of the seconds [from, to). It stops
// and says so when there are more than limit.
func (s *Store) load(ctx context.Context, w *window, from, to int64, limit int) (full bool, err error) {
	w.readings = w.readings[:0]
	err = s.inReadTx(ctx, func(tx *readTx) (err error) {
		for _, st := range w.stretches {
			lo, hi := keyRange(st.id, st.period, from, to)
			if lo >= hi {
				continue
			}
			if w.readings, err = tx.appendRange(w.readings, st, lo, hi, limit); err != nil {
				return err
			}
			if full = len(w.readings) > limit; full {
				return nil
			}
		}
		return nil
	})
	return full, err
}
