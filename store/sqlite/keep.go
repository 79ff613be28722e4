package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"outyard"
)

// Keep keeps readings, all or none, and returns once they are on stable
// storage. The key is yard, hive, time and quantity: what is kept already
// stays as it is, so the first value wins, also within rs. It returns what was
// new, in the order of rs: quantities that were kept before are unknown in it,
// readings with nothing new are left out, and values are as kept, rounded to
// the step of their quantity, so that who works with them sees what a reader
// of the store will see. It wraps [outyard.ErrBadID], [store.ErrNoRoom] and
// [store.ErrUnavailable].
func (s *Store) Keep(ctx context.Context, rs []outyard.Reading) (fresh []outyard.Reading, err error) {
	if len(rs) == 0 {
		return nil, ctx.Err()
	}
	err = s.exclusively(ctx, func(context.Context) error {
		return s.writer.Raw(func(any) (err error) {
			fresh, err = s.keeping.keep(rs)
			return err
		})
	})
	if err != nil {
		return nil, because(err, "keep %d readings", len(rs))
	}
	return fresh, nil
}

// keeping is the writer's prepared statements for readings. It talks to the
// driver directly: database/sql's own bookkeeping would cost as much as the
// insert. It must be used by one goroutine at a time, with the writer's
// connection held.
type keeping struct {
	begin, commit, rollback driver.StmtExecContext
	findStretch, addStretch statement
	tables                  [len(tables)]tableStatements
	ids                     map[stretch]int64 // of stretches known to be in the file
	added                   []stretch         // in this transaction
	order                   []keyed
	args                    []driver.NamedValue
	old                     []driver.Value
	statements              []driver.Stmt
}

type statement interface {
	driver.StmtExecContext
	driver.StmtQueryContext
}

type tableStatements struct {
	table
	insert, find, fill statement
}

// keyed is a reading by its place in the batch.
type keyed struct {
	key int64
	at  int
}

func newKeeping(writer *sql.Conn) (*keeping, error) {
	k := &keeping{ids: make(map[stretch]int64)}
	err := k.preparing(writer, func(prepare func(query string) statement) {
		k.begin = prepare(`BEGIN IMMEDIATE`)
		k.commit = prepare(`COMMIT`)
		k.rollback = prepare(`ROLLBACK`)
		k.findStretch = prepare(`SELECT id FROM stretches WHERE yard = ? AND hive = ? AND period = ?`)
		k.addStretch = prepare(`INSERT INTO stretches (yard, hive, period) VALUES (?, ?, ?)`)
		for i, t := range tables {
			k.tables[i] = tableStatements{
				table:  t,
				insert: prepare(`INSERT OR IGNORE INTO ` + t.name + ` (` + t.columnList("", "") + `, key) VALUES (` + t.placeholders() + `, ?)`),
				find:   prepare(`SELECT ` + t.columnList("", "") + ` FROM ` + t.name + ` WHERE key = ?`),
				fill:   prepare(`UPDATE ` + t.name + ` SET ` + t.columnList("", " = ?") + ` WHERE key = ?`),
			}
		}
	})
	return k, err
}

// preparing calls all with a function that prepares a statement on the
// writer's connection; after the first error the others are not prepared.
// Queries have plain question marks: the driver looks numbered parameters up
// by name, once a row.
func (k *keeping) preparing(writer *sql.Conn, all func(prepare func(query string) statement)) error {
	return writer.Raw(func(conn any) (err error) {
		all(func(query string) statement {
			if err != nil {
				return nil
			}
			var ps driver.Stmt
			if ps, err = conn.(driver.ConnPrepareContext).PrepareContext(context.Background(), query); err != nil {
				return nil
			}
			k.statements = append(k.statements, ps)
			return ps.(statement)
		})
		return err
	})
}

func (t table) placeholders() string {
	b := make([]byte, 0, 2*len(t.quantities))
	for range t.quantities {
		b = append(b, ",?"...)
	}
	return string(b[1:])
}

func (k *keeping) close(writer *sql.Conn) error {
	return writer.Raw(func(any) error {
		var errs []error
		for _, st := range k.statements {
			errs = append(errs, st.Close())
		}
		return errors.Join(errs...)
	})
}

func (k *keeping) keep(rs []outyard.Reading) (_ []outyard.Reading, err error) {
	if _, err := k.exec(k.begin); err != nil {
		return nil, err
	}
	k.added = k.added[:0]
	defer func() {
		if err == nil {
			return
		}
		for _, s := range k.added {
			delete(k.ids, s)
		}
		// SQLite has rolled back by itself after some errors, and then has
		// nothing left to roll back: its complaint would hide the cause.
		_, _ = k.exec(k.rollback)
	}()

	k.order = k.order[:0]
	for i := range rs {
		if rs[i].Empty() {
			continue
		}
		key, err := k.keyFor(&rs[i])
		if err != nil {
			return nil, fmt.Errorf("reading %d of %s %s: %w", i+1, rs[i].Yard, rs[i].Hive, err)
		}
		k.order = append(k.order, keyed{key, i})
	}
	// In order of the key a page is written once, not once for each of its
	// rows: several times faster, and easier on flash cards.
	slices.SortFunc(k.order, func(a, b keyed) int {
		return cmp.Or(cmp.Compare(a.key, b.key), cmp.Compare(a.at, b.at))
	})

	kept := make([]outyard.Reading, len(rs))
	for _, o := range k.order {
		kept[o.at] = outyard.NewReading(rs[o.at].Yard, rs[o.at].Hive, rs[o.at].Time)
	}
	for i := range k.tables {
		for _, o := range k.order {
			if err := k.keepRow(&k.tables[i], o.key, &rs[o.at], &kept[o.at]); err != nil {
				return nil, fmt.Errorf("reading %d of %s %s: %w", o.at+1, rs[o.at].Yard, rs[o.at].Hive, err)
			}
		}
	}
	if _, err := k.exec(k.commit); err != nil {
		return nil, err
	}
	return slices.DeleteFunc(kept, func(r outyard.Reading) bool { return r.Yard == "" || r.Empty() }), nil
}

// keyFor is the row key of a reading; it gives a hive's new period its number.
func (k *keeping) keyFor(r *outyard.Reading) (int64, error) {
	unix := r.Time.Round(time.Second).Unix()
	if unix < firstUnix || unix > lastUnix {
		return 0, fmt.Errorf("time %d s from 1970 is outside the years 1 to 9999", unix)
	}
	s := stretch{r.Yard, r.Hive, periodOf(unix)}
	id, ok := k.ids[s]
	if ok {
		return keyOf(id, unix), nil
	}
	if err := s.yard.Check(); err != nil {
		return 0, err
	}
	if s.hive != "" {
		if err := s.hive.Check(); err != nil {
			return 0, err
		}
	}
	id, ok, err := k.find(s)
	if err != nil {
		return 0, err
	}
	if !ok {
		res, err := k.exec(k.addStretch, string(s.yard), string(s.hive), s.period)
		if err != nil {
			return 0, err
		}
		if id, err = res.LastInsertId(); err != nil {
			return 0, err
		}
		k.added = append(k.added, s)
	}
	k.ids[s] = id
	return keyOf(id, unix), nil
}

func (k *keeping) find(s stretch) (id int64, ok bool, err error) {
	ok, err = k.row(k.findStretch, 1, string(s.yard), string(s.hive), s.period)
	if err != nil || !ok {
		return 0, false, err
	}
	id, ok = k.old[0].(int64)
	return id, ok, nil
}

// keepRow keeps what a table has columns for of r, and notes in kept what of
// it was new.
func (k *keeping) keepRow(t *tableStatements, key int64, r, kept *outyard.Reading) error {
	args := k.args[:0]
	known := false
	for i, q := range t.quantities {
		arg := driver.NamedValue{Ordinal: i + 1}
		if v := r.Values[q]; outyard.Known(v) {
			n, err := toSteps(q, v)
			if err != nil {
				return err
			}
			arg.Value = n
			known = true
		}
		args = append(args, arg)
	}
	if !known {
		return nil
	}
	args = append(args, driver.NamedValue{Ordinal: len(args) + 1, Value: key})
	k.args = args

	res, err := t.insert.ExecContext(context.Background(), args)
	if err != nil {
		return err
	}
	inserted, err := res.RowsAffected()
	if err != nil {
		return err
	}
	if inserted == 0 {
		return k.fillIn(t, key, kept)
	}
	for i, q := range t.quantities {
		if n, ok := args[i].Value.(int64); ok {
			kept.Values[q] = fromSteps(q, n)
		}
	}
	return nil
}

// fillIn adds to a row that is there the quantities that it lacks. k.args
// holds those of the reading that came again.
func (k *keeping) fillIn(t *tableStatements, key int64, kept *outyard.Reading) error {
	args := slices.Clone(k.args)
	found, err := k.row(t.find, len(t.quantities), key)
	if err != nil {
		return err
	}
	if !found {
		return fmt.Errorf("row %d of %s is neither new nor there", key, t.name)
	}
	added := false
	for i, q := range t.quantities {
		if k.old[i] != nil {
			args[i].Value = k.old[i]
		} else if n, ok := args[i].Value.(int64); ok {
			kept.Values[q] = fromSteps(q, n)
			added = true
		}
	}
	if !added {
		return nil
	}
	_, err = t.fill.ExecContext(context.Background(), args)
	return err
}

func (k *keeping) exec(st driver.StmtExecContext, args ...any) (driver.Result, error) {
	return st.ExecContext(context.Background(), k.named(args))
}

// row reads the first row of a query into k.old.
func (k *keeping) row(st driver.StmtQueryContext, width int, args ...any) (found bool, err error) {
	rows, err := st.QueryContext(context.Background(), k.named(args))
	if err != nil {
		return false, err
	}
	k.old = slices.Grow(k.old[:0], width)[:width]
	err = rows.Next(k.old)
	if closeErr := rows.Close(); err == nil {
		err = closeErr
	}
	if errors.Is(err, io.EOF) {
		return false, nil
	}
	return err == nil, err
}

func (k *keeping) named(args []any) []driver.NamedValue {
	k.args = k.args[:0]
	for i, a := range args {
		k.args = append(k.args, driver.NamedValue{Ordinal: i + 1, Value: a})
	}
	return k.args
}
