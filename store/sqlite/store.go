// Package sqlite keeps readings, and all else that the daemon must not
// forget, in one file beside it, so that a keeper with two hives needs no
// other server. What is kept is on stable storage before the call returns:
// that is what an acknowledgement to a node waits for.
package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"outyard/store"

	"modernc.org/sqlite"
)

// File is the name of the store's file in the data folder.
const File = "outyard.db"

// A Store keeps everything in one SQLite file. It is safe for concurrent use:
// writes wait for each other, readers wait for nobody.
type Store struct {
	path string
	lock io.Closer // nil when opened for reading
	read *sql.DB

	windowRows int // how many readings EachReading holds at a time
	// All writes go over one connection, so that its prepared statements
	// stay, and so that no two transactions ever meet.
	write   *sql.DB
	writer  *sql.Conn
	writing chan struct{} // holds a token while somebody writes
	closed  bool          // changed with the token held
	keeping *keeping

	refusedLimit refusedLimit
}

// Open opens the store in the data folder dir for a daemon: it makes the
// folder if need be, keeps other daemons out of it, and brings a file that an
// older program wrote up to date, of which upgrading are told before: that may
// take a while, since a copy is kept of what it was. The errors it wraps are [store.ErrInUse],
// [store.ErrNewer], [store.ErrDamaged], [store.ErrNoRoom] and
// [store.ErrUnavailable].
func Open(ctx context.Context, dir string, upgrading ...func(Upgrade)) (_ *Store, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("data folder %s: %w: %w", dir, store.ErrUnavailable, err)
	}
	s := &Store{path: filepath.Join(dir, File), windowRows: windowRows,
		writing: make(chan struct{}, 1), refusedLimit: defaultRefusedLimit}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	if s.lock, err = lockFolder(dir); err != nil {
		return nil, err
	}
	// fdatasync is as durable as fsync for what a commit needs, and does not
	// wait for the file's timestamps. Where there is none, fsync stays.
	if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
		return nil, fmt.Errorf("store %s: choose fdatasync: %w", s.path, err)
	}
	if s.write, err = connect(s.path, "rwc", writerPragmas); err != nil {
		return nil, err
	}
	s.write.SetMaxOpenConns(1)
	if err := s.upgrade(ctx, upgrading); err != nil {
		return nil, err
	}
	if s.writer, err = s.write.Conn(ctx); err != nil {
		return nil, because(err, "store %s: open for writing", s.path)
	}
	if s.keeping, err = newKeeping(s.writer); err != nil {
		return nil, because(err, "store %s: prepare to keep readings", s.path)
	}
	if err := s.openReaders(); err != nil {
		return nil, err
	}
	return s, nil
}

// OpenForReading opens the store in dir for a command that only reads, while a
// daemon may be writing to it. What would write returns an error. The errors it
// wraps are [store.ErrNotFound] when there is no store in dir,
// [store.ErrNewer], [store.ErrOlder], [store.ErrDamaged] and
// [store.ErrUnavailable].
func OpenForReading(ctx context.Context, dir string) (_ *Store, err error) {
	s := &Store{path: filepath.Join(dir, File), windowRows: windowRows}
	if _, err := os.Stat(s.path); errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("store %s: %w: is this the daemon's data folder?", s.path, store.ErrNotFound)
	} else if err != nil {
		return nil, fmt.Errorf("store %s: %w: %w", s.path, store.ErrUnavailable, err)
	}
	if err := s.openReaders(); err != nil {
		return nil, err
	}
	if err := checkVersion(ctx, s.read, true); err != nil {
		s.Close()
		return nil, because(err, "store %s", s.path)
	}
	return s, nil
}

// Close waits for a write under way, then closes the store. What is asked of it
// later gets an error.
func (s *Store) Close() error {
	if s.writing != nil {
		s.writing <- struct{}{}
		defer func() { <-s.writing }()
	}
	if s.closed {
		return nil
	}
	s.closed = true
	var errs []error
	if s.read != nil {
		errs = append(errs, s.read.Close())
	}
	if s.keeping != nil {
		errs = append(errs, s.keeping.close(s.writer))
	}
	if s.writer != nil {
		errs = append(errs, s.writer.Close())
	}
	if s.write != nil {
		errs = append(errs, s.write.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// durable makes a commit durable (FULL: the log is synced at each) and keeps
// memory and the log small: a larger page cache saves no time that can be
// measured, since the system has one of its own.
var durable = []string{
	"journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)",
	"cache_size(-1500)", "wal_autocheckpoint(1000)", "journal_size_limit(16777216)",
}

// writerPragmas are the daemon's. A reader never blocks the writer in WAL; the
// timeout is for commands and tools that have the file open besides.
var writerPragmas = slices.Concat(durable, []string{"busy_timeout(10000)"})

// besidePragmas are a command's that writes beside a daemon. SQLite gives turns
// to nobody, so that under a burst on a slow card it may be long until the
// command meets the moment between two commits of the daemon's.
var besidePragmas = slices.Concat(durable, []string{"busy_timeout(60000)"})

var readerPragmas = []string{"query_only(1)", "busy_timeout(10000)", "cache_size(-300)"}

func (s *Store) openReaders() (err error) {
	if s.read, err = connect(s.path, "rw", readerPragmas); err != nil {
		return err
	}
	s.read.SetMaxOpenConns(max(4, runtime.GOMAXPROCS(0)))
	s.read.SetMaxIdleConns(2)
	return nil
}

func connect(path, mode string, pragmas []string) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	opts := url.Values{"mode": {mode}, "_pragma": pragmas, "_txlock": {"immediate"}, "_dqs": {"0"}}
	if mode == "rw" {
		opts.Del("_txlock")
	}
	name := url.URL{Scheme: "file", Path: filepath.ToSlash(abs), RawQuery: opts.Encode()}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	return db, nil
}

// exclusively runs f while nobody else writes. A context that ends while we
// wait gives up; once f runs it is not interrupted, for a write takes
// milliseconds and an interrupted connection would have to be thrown away.
func (s *Store) exclusively(ctx context.Context, f func(ctx context.Context) error) error {
	if s.writer == nil {
		return fmt.Errorf("store %s is open for reading only", s.path)
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case s.writing <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-s.writing }()
	if s.closed {
		return fmt.Errorf("store %s is closed: %w", s.path, store.ErrUnavailable)
	}
	return f(context.WithoutCancel(ctx))
}

// inTx runs f in a transaction of its own, which is on stable storage when
// inTx returns nil and has left no trace when it does not.
func (s *Store) inTx(ctx context.Context, f func(ctx context.Context, tx *sql.Tx) error) error {
	return s.exclusively(ctx, func(ctx context.Context) error {
		tx, err := s.writer.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer tx.Rollback()
		if err := f(ctx, tx); err != nil {
			return err
		}
		return tx.Commit()
	})
}

// rowsOf runs a query and hands each of its rows to scan.
func (s *Store) rowsOf(ctx context.Context, query string, args []any, scan func(*sql.Rows) error) error {
	rows, err := s.read.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
