package sqlite

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"outyard"
)

// A readTx reads readings as they are at one instant. Like keeping, it talks
// to the driver directly, for a season is millions of values.
type readTx struct {
	ctx      context.Context
	conn     driver.Conn
	prepared map[string]driver.Stmt
}

// inReadTx runs f on a connection from the pool. f should be quick: while it
// runs, the log of what is written cannot be folded into the file.
func (s *Store) inReadTx(ctx context.Context, f func(*readTx) error) error {
	conn, err := s.read.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	return conn.Raw(func(c any) (err error) {
		tx := &readTx{ctx: ctx, conn: c.(driver.Conn), prepared: make(map[string]driver.Stmt)}
		if err := tx.exec(`BEGIN`); err != nil {
			return err
		}
		defer func() {
			for _, st := range tx.prepared {
				err = errors.Join(err, st.Close())
			}
			err = errors.Join(err, tx.exec(`ROLLBACK`)) // nothing was written
		}()
		return f(tx)
	})
}

func (tx *readTx) exec(query string) error {
	_, err := tx.conn.(driver.ExecerContext).ExecContext(context.Background(), query, nil)
	return err
}

// each runs a query whose parameters and columns are whole numbers, and hands
// over each row, nil where it has NULL, until it is told that it is enough.
func (tx *readTx) each(query string, width int, row func([]driver.Value) (more bool), args ...int64) error {
	st, ok := tx.prepared[query]
	if !ok {
		var err error
		if st, err = tx.conn.Prepare(query); err != nil {
			return err
		}
		tx.prepared[query] = st
	}
	named := make([]driver.NamedValue, len(args))
	for i, a := range args {
		named[i] = driver.NamedValue{Ordinal: i + 1, Value: a}
	}
	// Without the caller's context: when that ends we stop between rows, and
	// the connection stays fit for others.
	rows, err := st.(driver.StmtQueryContext).QueryContext(context.Background(), named)
	if err != nil {
		return err
	}
	defer rows.Close()
	values := make([]driver.Value, width)
	for n := 0; ; n++ {
		if n%1024 == 0 && tx.ctx.Err() != nil {
			return tx.ctx.Err()
		}
		err := rows.Next(values)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if !row(values) {
			return nil
		}
	}
}

// appendReadings appends a stretch's readings with keys in [lo, hi), in order
// of time.
func (tx *readTx) appendReadings(rs []outyard.Reading, st numbered, lo, hi int64) ([]outyard.Reading, error) {
	inside, _, err := tx.appendRows(nil, tables[0], st, lo, hi, hi, math.MaxInt)
	if err != nil {
		return nil, err
	}
	outside, _, err := tx.appendRows(nil, tables[1], st, lo, hi, hi, math.MaxInt)
	return appendMerged(rs, inside, outside), err
}

// appendMerged appends what two tables hold of one stretch, in order of time:
// rows of one instant become one reading.
func appendMerged(rs, inside, outside []outyard.Reading) []outyard.Reading {
	for len(inside) > 0 && len(outside) > 0 {
		switch c := inside[0].Time.Compare(outside[0].Time); {
		case c < 0:
			rs, inside = append(rs, inside[0]), inside[1:]
		case c > 0:
			rs, outside = append(rs, outside[0]), outside[1:]
		default:
			both := inside[0]
			for _, q := range tables[1].quantities {
				both.Values[q] = outside[0].Values[q]
			}
			rs, inside, outside = append(rs, both), inside[1:], outside[1:]
		}
	}
	rs = append(rs, inside...)
	return append(rs, outside...)
}

// appendRows appends what a table holds of a stretch under the keys [lo, hi),
// but stops soon after rs is longer than limit. next is the first key from hi
// to before end that there is a row under, end where there is none.
func (tx *readTx) appendRows(rs []outyard.Reading, t table, st numbered, lo, hi, end int64, limit int) (_ []outyard.Reading, next int64, err error) {
	next = end
	err = tx.each(`SELECT key, `+t.columnList("", "")+` FROM `+t.name+` WHERE key >= ? AND key < ? ORDER BY key`,
		1+len(t.quantities), func(row []driver.Value) bool {
			if key, _ := row[0].(int64); key >= hi {
				next = key
				return false
			}
			rs = append(rs, readingFrom(t, st.stretch, row))
			return len(rs) <= limit
		}, lo, end)
	return rs, next, err
}

// readingFrom makes a reading of a row: its key, then the table's columns.
func readingFrom(t table, st stretch, row []driver.Value) outyard.Reading {
	key, _ := row[0].(int64)
	r := outyard.NewReading(st.yard, st.hive, time.Unix(unixOf(st.period, key), 0))
	for i, q := range t.quantities {
		if n, ok := row[i+1].(int64); ok {
			r.Values[q] = fromSteps(q, n)
		}
	}
	return r
}

// last returns a stretch's newest reading.
func (tx *readTx) last(st numbered) (outyard.Reading, error) {
	_, end, err := tx.ends(st)
	if err != nil {
		return outyard.Reading{}, err
	}
	lo, hi := keyRange(st.id, st.period, end, end+1)
	rs, err := tx.appendReadings(nil, st, lo, hi)
	if err != nil {
		return outyard.Reading{}, err
	}
	return rs[0], nil
}

// ends returns the seconds of a stretch's first and last reading.
func (tx *readTx) ends(st numbered) (first, last int64, err error) {
	lo, hi := st.id<<periodBits, (st.id+1)<<periodBits
	least, greatest := hi, lo-1
	for _, t := range tables {
		// Two queries, for SQLite answers min and max from the ends of the
		// table only when asked for one of them.
		for _, pick := range []string{"min", "max"} {
			err := tx.each(`SELECT `+pick+`(key) FROM `+t.name+` WHERE key >= ? AND key < ?`, 1, func(row []driver.Value) bool {
				if key, ok := row[0].(int64); ok {
					least, greatest = min(least, key), max(greatest, key)
				}
				return true
			}, lo, hi)
			if err != nil {
				return 0, 0, err
			}
		}
	}
	if least > greatest {
		return 0, 0, fmt.Errorf("stretch %d of %s %s holds no reading", st.id, st.yard, st.hive)
	}
	return unixOf(st.period, least), unixOf(st.period, greatest), nil
}
