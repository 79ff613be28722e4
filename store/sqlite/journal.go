package sqlite

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"strings"
	"time"

	"outyard"
	"outyard/store"
)

const entryColumns = `id, time_ns, yard, hive, kind, kg, part, note, by_keeper`

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
		_, err = tx.ExecContext(ctx, `INSERT INTO journal (version, `+entryColumns+`) VALUES (1,?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING`,
			e.ID, nanos(e.Time), string(e.Yard), string(e.Hive), string(e.Kind), number(e.Kg), e.Part, e.Note, e.By)
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
	err = row.Scan(&e.ID, instant{&e.Time}, &e.Yard, &e.Hive, &e.Kind, float{&e.Kg}, &e.Part, &e.Note, &e.By)
	return e, err
}

// FixEntry puts an entry in the place of the one that has its id. What was
// there stays as an earlier version. It wraps [store.ErrNotFound].
func (s *Store) FixEntry(ctx context.Context, e outyard.Entry, now time.Time) error {
	if err := e.Check(); err != nil {
		return err
	}
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var version int64
		err := tx.QueryRowContext(ctx, `UPDATE journal SET replaced_ns = ? WHERE id = ? AND replaced_ns IS NULL RETURNING version`, nanos(now), e.ID).Scan(&version)
		if errors.Is(err, sql.ErrNoRows) {
			return store.ErrNotFound
		}
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO journal (version, `+entryColumns+`) VALUES (?,?,?,?,?,?,?,?,?,?)`, version+1,
			e.ID, nanos(e.Time), string(e.Yard), string(e.Hive), string(e.Kind), number(e.Kg), e.Part, e.Note, e.By)
		return err
	})
	return because(err, "fix journal entry %s", e.ID)
}

// EntryVersions returns an entry as it was written and as it was fixed, the
// one that holds last; none when there is no such entry.
func (s *Store) EntryVersions(ctx context.Context, id string) ([]store.EntryVersion, error) {
	var items []store.EntryVersion
	err := s.rowsOf(ctx, `SELECT `+entryColumns+`, replaced_ns FROM journal WHERE id = ? ORDER BY version`, []any{id}, func(rows *sql.Rows) error {
		var v store.EntryVersion
		err := rows.Scan(&v.ID, instant{&v.Time}, &v.Yard, &v.Hive, &v.Kind, float{&v.Kg}, &v.Part, &v.Note, &v.By, instant{&v.Replaced})
		items = append(items, v)
		return err
	})
	return items, because(err, "read journal entry %s", id)
}
