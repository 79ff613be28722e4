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
// store: no connection is held while it runs. Of what is kept meanwhile it may
// see some.
func (s *Store) EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error {
	stretches, err := s.stretchesFor(ctx, q)
	if err != nil {
		return because(err, "read readings")
	}
	w := newWindow(stretches, q, s.windowRows)
	for w.advance() {
		full, err := s.load(ctx, w)
		if err != nil {
			return because(err, "read readings from %s", time.Unix(w.from, 0).UTC().Format(time.RFC3339))
		}
		if full {
			w.narrow()
			continue
		}
		w.settle()
		for _, o := range w.order {
			if err := each(w.readings[uint32(o)]); err != nil {
				return err
			}
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
