package sqlite

import (
	"context"
	"crypto/rand"
	"database/sql"
	"strings"

	"outyard"
	"outyard/store"
)

const entryColumns = `id, time_ns, yard, hive, kind, kg, part, note`

// AddEntry writes an entry into the journal and returns it as kept. One
// without an id gets one; one whose id is there already is left as it was, so
// that a journal can be read in twice.
func (s *Store) AddEntry(ctx context.Context, e outyard.Entry) (outyard.Entry, error) {
	if err := e.Check(); err != nil {
		return outyard.Entry{}, err
	}
	if e.ID == "" {
		e.ID = strings.ToLower(rand.Text()[:16]) // 80 bits: no two alike
	}
	var kept outyard.Entry
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) (err error) {
		_, err = tx.ExecContext(ctx, `INSERT INTO journal (version, `+entryColumns+`) VALUES (1,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING`,
			e.ID, nanos(e.Time), string(e.Yard), string(e.Hive), string(e.Kind), number(e.Kg), e.Part, e.Note)
		if err != nil {
			return err
		}
		kept, err = scanEntry(tx.QueryRowContext(ctx, `SELECT `+entryColumns+` FROM journal WHERE id = ? AND replaced_ns IS NULL`, e.ID))
		return err
	})
	return kept, because(err, "add journal entry for %s %s", e.Yard, e.Hive)
}

// Entries returns the journal's entries, by time, and what Query.After of the
// next page is, empty at the end.
func (s *Store) Entries(ctx context.Context, q store.Query) (items []outyard.Entry, next string, err error) {
	var c conditions
	c.add("replaced_ns IS NULL")
	c.place(q)
	c.during("time_ns", q)
	if q.Kind != "" {
		c.add("kind = ?", string(q.Kind))
	}
	var at int64
	var id string
	more, err := after(q, &at, &id)
	if err != nil {
		return nil, "", err
	}
	if more {
		c.add("(time_ns, id) > (?, ?)", at, id)
	}
	err = s.rowsOf(ctx, `SELECT `+entryColumns+` FROM journal`+c.where()+` ORDER BY time_ns, id`+page(q), c.args,
		func(rows *sql.Rows) error {
			e, err := scanEntry(rows)
			items = append(items, e)
			return err
		})
	if err != nil {
		return nil, "", because(err, "read journal")
	}
	return cut(q, items, func(e outyard.Entry) []any { return []any{nanos(e.Time), e.ID} })
}

func scanEntry(row interface{ Scan(...any) error }) (e outyard.Entry, err error) {
	err = row.Scan(&e.ID, instant{&e.Time}, &e.Yard, &e.Hive, &e.Kind, float{&e.Kg}, &e.Part, &e.Note)
	return e, err
}
