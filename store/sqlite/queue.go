package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"fmt"
	"slices"
	"strings"
	"time"

	"outyard"
	"outyard/store"
)

// A Queue holds readings on their way to another server, on stable storage, for
// as long as that server is away. It remembers which it ever took, so that
// twice is once without asking the server. It is safe for concurrent use, but
// readings are taken from its head by one goroutine.
type Queue struct {
	s  *Store
	in *queueing // nil when the store is open for reading only
}

// Queue returns the store's queue, to be closed before the store is.
func (s *Store) Queue(ctx context.Context) (*Queue, error) {
	q := &Queue{s: s}
	if s.writer == nil {
		return q, nil
	}
	err := s.exclusively(ctx, func(context.Context) (err error) {
		q.in, err = newQueueing(s.writer)
		return err
	})
	return q, because(err, "store %s: prepare to queue readings", s.path)
}

// Close sets free what the queue holds of the store. The readings stay.
func (q *Queue) Close() error {
	if q.in == nil {
		return nil
	}
	return q.s.exclusively(context.Background(), func(context.Context) error {
		return q.in.close(q.s.writer)
	})
}

// Add queues readings, all or none, and returns once they are on stable
// storage. What it returns, and the errors, are those of [Store.Keep]; at is
// when the readings are taken.
func (q *Queue) Add(ctx context.Context, rs []outyard.Reading, at time.Time) (fresh []outyard.Reading, err error) {
	if len(rs) == 0 {
		return nil, ctx.Err()
	}
	err = q.s.exclusively(ctx, func(context.Context) error {
		return q.s.writer.Raw(func(any) (err error) {
			fresh, err = q.in.add(rs, at.Unix())
			return err
		})
	})
	if err != nil {
		return nil, because(err, "queue %d readings", len(rs))
	}
	return fresh, nil
}

// queued is the table of what waits.
var queued = table{"queue", allQuantities()}

func allQuantities() []outyard.Quantity {
	qs := make([]outyard.Quantity, outyard.NumQuantities)
	for i := range qs {
		qs[i] = outyard.Quantity(i)
	}
	return qs
}

// queueing is the writer's prepared statements for the queue. It numbers
// stretches as keeping does, in a table of its own: a stretch in the other one
// is there only when a reading is.
type queueing struct {
	keeping
	take, taken, takeMore, put statement
}

func newQueueing(writer *sql.Conn) (*queueing, error) {
	k := &queueing{keeping: keeping{ids: make(map[stretch]int64)}}
	err := k.preparing(writer, func(prepare func(query string) statement) {
		k.begin = prepare(`BEGIN IMMEDIATE`)
		k.commit = prepare(`COMMIT`)
		k.rollback = prepare(`ROLLBACK`)
		k.findStretch = prepare(`SELECT id FROM queue_stretches WHERE yard = ? AND hive = ? AND period = ?`)
		k.addStretch = prepare(`INSERT INTO queue_stretches (yard, hive, period) VALUES (?, ?, ?)`)
		k.take = prepare(`INSERT OR IGNORE INTO queue_taken (key, quantities) VALUES (?, ?)`)
		k.taken = prepare(`SELECT quantities FROM queue_taken WHERE key = ?`)
		k.takeMore = prepare(`UPDATE queue_taken SET quantities = quantities | ? WHERE key = ?`)
		k.put = prepare(`INSERT INTO queue (` + queued.columnList("", "") + `, key, taken_s) VALUES (` + queued.placeholders() + `, ?, ?)`)
	})
	return k, err
}

func (k *queueing) add(rs []outyard.Reading, at int64) (_ []outyard.Reading, err error) {
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
		_, _ = k.exec(k.rollback) // as in keep
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
	// In order of the key, for the sake of queue_taken, and of a server that
	// likes each series' points together.
	slices.SortFunc(k.order, func(a, b keyed) int {
		return cmp.Or(cmp.Compare(a.key, b.key), cmp.Compare(a.at, b.at))
	})

	kept := make([]outyard.Reading, len(rs))
	for _, o := range k.order {
		if kept[o.at], err = k.addReading(o.key, &rs[o.at], at); err != nil {
			return nil, fmt.Errorf("reading %d of %s %s: %w", o.at+1, rs[o.at].Yard, rs[o.at].Hive, err)
		}
	}
	if _, err := k.exec(k.commit); err != nil {
		return nil, err
	}
	return slices.DeleteFunc(kept, func(r outyard.Reading) bool { return r.Yard == "" || r.Empty() }), nil
}

// addReading puts into the queue what of r was never taken before, and returns
// it as it will be read.
func (k *queueing) addReading(key int64, r *outyard.Reading, at int64) (outyard.Reading, error) {
	kept := outyard.NewReading(r.Yard, r.Hive, r.Time)
	fresh := quantitiesOf(r)
	res, err := k.exec(k.take, key, fresh)
	if err != nil {
		return kept, err
	}
	inserted, err := res.RowsAffected()
	if err != nil {
		return kept, err
	}
	if inserted == 0 {
		found, err := k.row(k.taken, 1, key)
		if err != nil {
			return kept, err
		}
		before, ok := k.old[0].(int64)
		if !found || !ok {
			return kept, fmt.Errorf("row %d of queue_taken is neither new nor there", key)
		}
		if fresh &^= before; fresh == 0 {
			return kept, nil
		}
		if _, err := k.exec(k.takeMore, fresh, key); err != nil {
			return kept, err
		}
	}
	args := k.args[:0]
	for i, q := range queued.quantities {
		arg := driver.NamedValue{Ordinal: i + 1}
		if fresh&(1<<q) != 0 {
			n, err := toSteps(q, r.Values[q])
			if err != nil {
				return kept, err
			}
			arg.Value = n
			kept.Values[q] = fromSteps(q, n)
		}
		args = append(args, arg)
	}
	args = append(args, driver.NamedValue{Ordinal: len(args) + 1, Value: key}, driver.NamedValue{Ordinal: len(args) + 2, Value: at})
	k.args = args
	_, err = k.put.ExecContext(context.Background(), args)
	return kept, err
}

// quantitiesOf is the bit set of what is known of a reading.
func quantitiesOf(r *outyard.Reading) (set int64) {
	for q, v := range r.Values {
		if outyard.Known(v) {
			set |= 1 << q
		}
	}
	return set
}

// A Queued is a reading, or what came of it at one time, in the queue.
type Queued struct {
	ID int64
	outyard.Reading
}

// queuedColumns are what scanQueued reads, of queue q and queue_stretches s,
// after what the caller asks for besides.
var queuedColumns = `q.id, s.yard, s.hive, s.period, q.key, ` + queued.columnList("q.", "")

func scanQueued(rows *sql.Rows, before ...any) (Queued, error) {
	var st stretch
	var id, key int64
	var steps [outyard.NumQuantities]sql.NullInt64
	into := append(before, &id, &st.yard, &st.hive, &st.period, &key)
	for i := range steps {
		into = append(into, &steps[i])
	}
	if err := rows.Scan(into...); err != nil {
		return Queued{}, err
	}
	r := outyard.NewReading(st.yard, st.hive, time.Unix(unixOf(st.period, key), 0))
	for q, n := range steps {
		if n.Valid {
			r.Values[q] = fromSteps(outyard.Quantity(q), n.Int64)
		}
	}
	return Queued{id, r}, nil
}

// Head returns what has waited longest, at most limit rows of it.
func (q *Queue) Head(ctx context.Context, limit int) ([]Queued, error) {
	var head []Queued
	err := q.s.rowsOf(ctx, `SELECT `+queuedColumns+` FROM queue q JOIN queue_stretches s ON s.id = q.key >> 24 ORDER BY q.id LIMIT ?`, []any{limit},
		func(rows *sql.Rows) error {
			r, err := scanQueued(rows)
			head = append(head, r)
			return err
		})
	return head, because(err, "read the queue's head")
}

// Drop takes everything up to the row through from the head of the queue. Of
// what was refused for good, it forgets that it ever took it, so that the same
// may come again.
func (q *Queue) Drop(ctx context.Context, through int64, refused []outyard.Reading) error {
	err := q.s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM queue WHERE id <= ?`, through); err != nil {
			return err
		}
		for i := range refused {
			r := &refused[i]
			unix := r.Time.Unix()
			key := []any{unix & secondMask, string(r.Yard), string(r.Hive), periodOf(unix)}
			if _, err := tx.ExecContext(ctx, `UPDATE queue_taken SET quantities = quantities & ~? WHERE `+keyIs,
				append([]any{quantitiesOf(r)}, key...)...); err != nil {
				return err
			}
			if _, err := tx.ExecContext(ctx, `DELETE FROM queue_taken WHERE quantities = 0 AND `+keyIs, key...); err != nil {
				return err
			}
		}
		return nil
	})
	return because(err, "drop what was handed on from the queue")
}

// keyIs picks a reading by the second in the period, yard, hive and period.
const keyIs = `key = ? | (SELECT id << 24 FROM queue_stretches WHERE yard = ? AND hive = ? AND period = ?)`

// Waiting returns what waits of the readings that ask asks for, at most limit
// rows of it, and whether there are more. What came of one reading at several
// times is one again; they are in order of time, yard and hive.
func (q *Queue) Waiting(ctx context.Context, ask store.Query, limit int) (rs []outyard.Reading, more bool, err error) {
	c := waitingFor(ask)
	n := 0
	err = q.s.rowsOf(ctx, `SELECT `+queuedColumns+` FROM `+waiting+c.where()+` LIMIT ?`, append(c.args, limit+1), func(rows *sql.Rows) error {
		r, err := scanQueued(rows)
		if n++; n > limit {
			more = true
			return err
		}
		rs = append(rs, r.Reading)
		return err
	})
	if err != nil {
		return nil, false, because(err, "read what waits in the queue")
	}
	return joined(rs), more, nil
}

// WaitingOf hands over each value of one quantity that waits of the readings
// that ask asks for, in order of time within a hive.
func (q *Queue) WaitingOf(ctx context.Context, ask store.Query, quantity outyard.Quantity, each func(at time.Time, v float64)) error {
	c := waitingFor(ask)
	column := `q.` + columns[quantity].name
	c.add(column + ` IS NOT NULL`)
	err := q.s.rowsOf(ctx, `SELECT (s.period << 24) + q.key - (s.id << 24), `+column+` FROM `+waiting+c.where()+` ORDER BY s.yard, s.hive, s.period, q.key`,
		c.args, func(rows *sql.Rows) error {
			var unix, n int64
			if err := rows.Scan(&unix, &n); err != nil {
				return err
			}
			each(time.Unix(unix, 0).UTC(), fromSteps(quantity, n))
			return nil
		})
	return because(err, "read what waits in the queue")
}

// waiting is what waits, q, with the stretch that it belongs to, s.
const waiting = `queue_stretches s CROSS JOIN queue q ON q.key >= s.id << 24 AND q.key < (s.id + 1) << 24`

// waitingFor is the part of a query about what waits that says what is asked
// for.
func waitingFor(ask store.Query) conditions {
	c := conditions{}
	c.place(ask)
	for _, end := range []struct {
		compare string
		at      time.Time
	}{{">=", ask.From}, {"<", ask.To}} {
		if end.at.IsZero() {
			continue
		}
		second := secondAtOrAfter(end.at)
		// Whole stretches first; then, within one, seconds counted from its
		// beginning and kept within its keys.
		c.add(`q.key `+end.compare+` (s.id << 24) + min(max(? - (s.period << 24), 0), 1 << 24)`, second)
	}
	return c
}

// joined sorts readings by time, yard and hive, and makes one of those that are
// of one instant and place.
func joined(rs []outyard.Reading) []outyard.Reading {
	slices.SortFunc(rs, func(a, b outyard.Reading) int {
		return cmp.Or(a.Time.Compare(b.Time), strings.Compare(string(a.Yard), string(b.Yard)), strings.Compare(string(a.Hive), string(b.Hive)))
	})
	whole := rs[:0]
	for _, r := range rs {
		if n := len(whole); n > 0 && whole[n-1].Yard == r.Yard && whole[n-1].Hive == r.Hive && whole[n-1].Time.Equal(r.Time) {
			for i, v := range r.Values {
				if outyard.Known(v) {
					whole[n-1].Values[i] = v
				}
			}
			continue
		}
		whole = append(whole, r)
	}
	return whole
}

// First returns the time of the oldest reading that waits of those that ask
// asks for; false when none does.
func (q *Queue) First(ctx context.Context, ask store.Query) (at time.Time, ok bool, err error) {
	c := waitingFor(ask)
	var unix sql.NullInt64
	err = q.s.read.QueryRowContext(ctx, `SELECT min((s.period << 24) + q.key - (s.id << 24)) FROM `+waiting+c.where(), c.args...).Scan(&unix)
	return time.Unix(unix.Int64, 0).UTC(), unix.Valid, because(err, "read what waits in the queue")
}

// A Taken is a reading that the queue once took. Its values are those that
// still wait.
type Taken struct {
	outyard.Reading
	HandedOn [outyard.NumQuantities]bool
}

// Newest returns the newest reading that was ever taken of each hive and each
// yard's weather, by yard and hive.
func (q *Queue) Newest(ctx context.Context) ([]Taken, error) {
	var newest []Taken
	err := q.s.rowsOf(ctx, `SELECT t.quantities, coalesce(q.id, 0), s.yard, s.hive, s.period, t.key, `+queued.columnList("q.", "")+` FROM queue_stretches s
		JOIN queue_taken t ON t.key = (SELECT max(key) FROM queue_taken WHERE key >= s.id << 24 AND key < (s.id + 1) << 24)
		LEFT JOIN queue q ON q.key = t.key ORDER BY s.yard, s.hive, s.period`, nil, func(rows *sql.Rows) error {
		var quantities int64
		r, err := scanQueued(rows, &quantities)
		if err != nil {
			return err
		}
		last := len(newest) - 1
		switch {
		case last < 0 || newest[last].Yard != r.Yard || newest[last].Hive != r.Hive:
			newest = append(newest, Taken{Reading: r.Reading})
			last++
		case !newest[last].Time.Equal(r.Time): // of a later period
			newest[last] = Taken{Reading: r.Reading}
		default: // a further part of it
			newest[last].Reading = joined([]outyard.Reading{newest[last].Reading, r.Reading})[0]
		}
		for i, v := range newest[last].Values {
			newest[last].HandedOn[i] = quantities&(1<<i) != 0 && !outyard.Known(v)
		}
		return nil
	})
	return newest, because(err, "read newest readings taken")
}

// Span returns the times of the oldest and the newest reading that was ever
// taken of a yard; false when there was none.
func (q *Queue) Span(ctx context.Context, yard outyard.YardID) (first, last time.Time, ok bool, err error) {
	var from, to sql.NullInt64
	err = q.s.read.QueryRowContext(ctx, `SELECT
		min((period << 24) - (id << 24) + (SELECT min(key) FROM queue_taken WHERE key >= id << 24 AND key < (id + 1) << 24)),
		max((period << 24) - (id << 24) + (SELECT max(key) FROM queue_taken WHERE key >= id << 24 AND key < (id + 1) << 24))
		FROM queue_stretches WHERE yard = ?`, string(yard)).Scan(&from, &to)
	if err != nil || !from.Valid {
		return first, last, false, because(err, "read span of %s", yard)
	}
	return time.Unix(from.Int64, 0).UTC(), time.Unix(to.Int64, 0).UTC(), true, nil
}

// Length returns how many rows wait, and since when the oldest of them does.
func (q *Queue) Length(ctx context.Context) (rows int64, oldest time.Time, err error) {
	// Rows are added at one end and dropped at the other, so that none is
	// missing between.
	var first, last, taken sql.NullInt64
	err = q.s.read.QueryRowContext(ctx, `SELECT (SELECT min(id) FROM queue), (SELECT max(id) FROM queue),
		(SELECT taken_s FROM queue ORDER BY id LIMIT 1)`).Scan(&first, &last, &taken)
	if err != nil {
		return 0, time.Time{}, because(err, "measure the queue")
	}
	if !first.Valid {
		return 0, time.Time{}, nil
	}
	return last.Int64 - first.Int64 + 1, time.Unix(taken.Int64, 0).UTC(), nil
}
