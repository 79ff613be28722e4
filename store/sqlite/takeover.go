package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"outyard"
	"outyard/store"
)

// TakeOver copies what the store of another daemon knows of yards: journal,
// findings, what became of them and who was told, the daily table, refused
// messages, and through keep its readings. from is that daemon's data folder,
// which wraps [store.ErrInUse] while it runs, or a backup. Each yard is taken
// from there once; those that were not before are returned. Theirs is left as
// it is.
func (s *Store) TakeOver(ctx context.Context, from string, yards []outyard.YardID, now time.Time, keep func(context.Context, []outyard.Reading) error) (taken []outyard.YardID, err error) {
	source, err := filepath.Abs(from)
	if err != nil {
		return nil, fmt.Errorf("take over from %s: %w", from, err)
	}
	for _, yard := range yards {
		was, err := s.WasTakenOver(ctx, source, yard)
		if err != nil {
			return nil, err
		}
		if !was {
			taken = append(taken, yard)
		}
	}
	if len(taken) == 0 {
		return nil, nil
	}
	path := source
	if info, err := os.Stat(source); err == nil && info.IsDir() {
		path = filepath.Join(source, File)
		lock, err := lockFolder(source)
		if err != nil {
			return nil, fmt.Errorf("take over from %s: %w", from, err)
		}
		defer func() { err = errors.Join(err, lock.Close()) }()
	}
	// From a copy: theirs may be of an older schema, and stays as it is.
	dir, err := os.MkdirTemp(filepath.Dir(s.path), "taking-over-*")
	if err != nil {
		return nil, fmt.Errorf("take over from %s: %w", from, err)
	}
	defer os.RemoveAll(dir)
	if err := copyOf(ctx, path, filepath.Join(dir, File)); err != nil {
		return nil, because(err, "take over from %s", from)
	}
	if err := s.takeReadings(ctx, dir, taken, keep); err != nil {
		return nil, fmt.Errorf("take over from %s: %w", from, err)
	}
	if err := s.takeRest(ctx, filepath.Join(dir, File), source, taken, now); err != nil {
		return nil, because(err, "take over from %s", from)
	}
	return taken, nil
}

// copyOf writes a store, with what of it is in its log, to a file of its own.
func copyOf(ctx context.Context, path, to string) error {
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("store %s: %w", path, store.ErrNotFound)
	}
	db, err := connect(path, "rw", []string{"busy_timeout(10000)", "cache_size(-2000)"})
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, to); err != nil {
		return because(err, "copy store %s", path)
	}
	return Verify(ctx, to)
}

// takeBatch is how many readings are kept at once.
const takeBatch = 5000

// takeReadings hands on the readings in the copy, those that a time-series
// server has not got yet among them, and takes the refused messages.
func (s *Store) takeReadings(ctx context.Context, dir string, yards []outyard.YardID, keep func(context.Context, []outyard.Reading) error) (err error) {
	old, err := Open(ctx, dir) // brings it up to date
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, old.Close()) }()
	var batch []outyard.Reading
	flush := func() error {
		if len(batch) == 0 {
			return nil
		}
		err := keep(ctx, batch)
		batch = batch[:0]
		return err
	}
	for _, yard := range yards {
		if err := old.EachReading(ctx, store.Query{Yard: yard}, func(r outyard.Reading) error {
			if batch = append(batch, r); len(batch) < takeBatch {
				return nil
			}
			return flush()
		}); err != nil {
			return err
		}
	}
	queue, err := old.Queue(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, queue.Close()) }()
	for {
		waiting, err := queue.Head(ctx, takeBatch)
		if err != nil {
			return err
		}
		if len(waiting) == 0 {
			break
		}
		for _, q := range waiting {
			if slices.Contains(yards, q.Reading.Yard) {
				batch = append(batch, q.Reading)
			}
		}
		if err := errors.Join(flush(), queue.Drop(ctx, waiting[len(waiting)-1].ID, nil)); err != nil {
			return err
		}
	}
	refused, err := old.Refused(ctx, 0, 0, nil)
	if err != nil {
		return err
	}
	slices.Reverse(refused)
	refused = slices.DeleteFunc(refused, func(m outyard.Refused) bool { return !slices.Contains(yards, m.Yard) })
	return errors.Join(flush(), s.Refuse(ctx, refused))
}

// takeRest copies all else in one transaction, and notes that it did. What is
// here already stays as it is.
func (s *Store) takeRest(ctx context.Context, copied, source string, yards []outyard.YardID, now time.Time) error {
	list, err := json.Marshal(yards)
	if err != nil {
		return err
	}
	const (
		theYards    = `(SELECT value FROM json_each(?1))`
		theFindings = `(SELECT id FROM old.findings WHERE yard IN ` + theYards + `)`
	)
	statements := []string{
		`INSERT INTO transitions (finding, at_ns, event, state, until_ns, by_keeper)
			SELECT finding, at_ns, event, state, until_ns, by_keeper FROM old.transitions
			WHERE finding IN ` + theFindings + ` AND finding NOT IN (SELECT id FROM main.findings) ORDER BY id`,
		`INSERT OR IGNORE INTO alerts SELECT * FROM old.alerts WHERE finding IN ` + theFindings,
		`INSERT OR IGNORE INTO messages SELECT * FROM old.messages m
			WHERE EXISTS (SELECT 1 FROM json_each(m.findings) WHERE value IN ` + theFindings + `)`,
		`INSERT OR IGNORE INTO findings SELECT * FROM old.findings WHERE yard IN ` + theYards,
		`INSERT OR IGNORE INTO days SELECT * FROM old.days WHERE yard IN ` + theYards,
		`INSERT OR IGNORE INTO journal SELECT * FROM old.journal WHERE yard IN ` + theYards,
	}
	return s.exclusively(ctx, func(ctx context.Context) (err error) {
		if _, err := s.writer.ExecContext(ctx, `ATTACH ? AS old`, copied); err != nil {
			return err
		}
		defer func() {
			_, detached := s.writer.ExecContext(ctx, `DETACH old`)
			err = errors.Join(err, detached)
		}()
		tx, err := s.writer.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer tx.Rollback()
		for _, statement := range statements {
			if _, err := tx.ExecContext(ctx, statement, string(list)); err != nil {
				return err
			}
		}
		for _, yard := range yards {
			if err := noteTakenOver(ctx, tx, source, yard, now); err != nil {
				return err
			}
		}
		return tx.Commit()
	})
}

func noteTakenOver(ctx context.Context, tx *sql.Tx, source string, yard outyard.YardID, now time.Time) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO taken_over (source, yard, at_ns) VALUES (?,?,?) ON CONFLICT DO NOTHING`, source, string(yard), nanos(now))
	return err
}

// WasTakenOver says whether a yard, or with an empty one the source as a whole,
// has been taken over.
func (s *Store) WasTakenOver(ctx context.Context, source string, yard outyard.YardID) (bool, error) {
	var n int
	err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM taken_over WHERE source = ? AND yard = ?`, source, string(yard)).Scan(&n)
	return n > 0, because(err, "look up what was taken over from %s", source)
}

// NoteTakenOver remembers that a source has nothing left to take.
func (s *Store) NoteTakenOver(ctx context.Context, source string, now time.Time) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error { return noteTakenOver(ctx, tx, source, "", now) })
	return because(err, "note what was taken over from %s", source)
}
