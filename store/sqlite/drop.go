package sqlite

import (
	"context"
	"database/sql"
	"time"

	"outyard"
	"outyard/store"
)

// dropAtOnce rows go in one transaction: few enough for what nodes send not to
// wait for long, many enough that a year goes in seconds.
const dropAtOnce = 5000

// DropReadings drops the readings from before that time, for good, and says of
// which yards how many. All else stays: findings, days, the journal. The room in
// the file is used again. A drop that is cut short leaves some for the next.
func (s *Store) DropReadings(ctx context.Context, before time.Time) (dropped map[outyard.YardID]int64, err error) {
	dropped = map[outyard.YardID]int64{}
	unix := secondAtOrAfter(before)
	// First it is noted, so that whoever reads what is left knows that there
	// was more.
	err = s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE readings_dropped SET before_s = max(coalesce(before_s, ?1), ?1)`, unix)
		return err
	})
	if err != nil {
		return dropped, because(err, "note that readings are dropped")
	}
	stretches, err := s.stretchesFor(ctx, store.Query{To: before})
	if err != nil {
		return dropped, because(err, "find readings to be dropped")
	}
	for _, st := range stretches {
		for {
			n, err := s.dropSome(ctx, st, unix)
			dropped[st.yard] += n
			if err != nil {
				return dropped, because(err, "drop readings of %s %s", st.yard, st.hive)
			}
			if n == 0 {
				break
			}
		}
	}
	for yard, n := range dropped {
		if n == 0 {
			delete(dropped, yard)
		}
	}
	return dropped, nil
}

// dropSome drops some of a stretch's readings from before a second, and the
// stretch with the last of them: it is there only while a reading is.
func (s *Store) dropSome(ctx context.Context, st numbered, unix int64) (n int64, err error) {
	lo, hi := keyRange(st.id, st.period, st.period<<periodBits, unix)
	_, end := keyRange(st.id, st.period, st.period<<periodBits, (st.period+1)<<periodBits)
	err = s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		left := false
		for _, t := range tables {
			res, err := tx.ExecContext(ctx, `DELETE FROM `+t.name+` WHERE key IN
				(SELECT key FROM `+t.name+` WHERE key >= ? AND key < ? ORDER BY key LIMIT ?)`, lo, hi, dropAtOnce)
			if err != nil {
				return err
			}
			some, err := res.RowsAffected()
			if err != nil {
				return err
			}
			n += some
			var more bool
			if err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM `+t.name+` WHERE key >= ? AND key < ?)`, lo, end).Scan(&more); err != nil {
				return err
			}
			left = left || more
		}
		if left {
			return nil
		}
		delete(s.keeping.ids, st.stretch)
		_, err := tx.ExecContext(ctx, `DELETE FROM stretches WHERE id = ?`, st.id)
		return err
	})
	return n, err
}

// DroppedBefore is the time from before which readings were dropped; zero when
// none ever were.
func (s *Store) DroppedBefore(ctx context.Context) (time.Time, error) {
	var unix sql.NullInt64
	err := s.read.QueryRowContext(ctx, `SELECT before_s FROM readings_dropped`).Scan(&unix)
	if err != nil || !unix.Valid {
		return time.Time{}, because(err, "read since when there are readings")
	}
	return time.Unix(unix.Int64, 0).UTC(), nil
}
