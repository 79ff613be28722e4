package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"outyard/store"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// because puts what was being done before an error, and the sentinel that the
// error amounts to within it.
func because(err error, doing string, args ...any) error {
	if err == nil {
		return nil
	}
	what := fmt.Sprintf(doing, args...)
	if kind := kindOf(err); kind != nil {
		return fmt.Errorf("%s: %w: %w", what, kind, err)
	}
	return fmt.Errorf("%s: %w", what, err)
}

// kindOf tells apart what SQLite's result codes mean to a caller, nil where
// they mean nothing in particular (https://sqlite.org/rescode.html).
func kindOf(err error) error {
	for _, known := range []error{store.ErrNoRoom, store.ErrUnavailable, store.ErrDamaged,
		store.ErrInUse, context.Canceled, context.DeadlineExceeded} {
		if errors.Is(err, known) {
			return nil // said already
		}
	}
	if errors.Is(err, sql.ErrConnDone) {
		return store.ErrUnavailable
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return nil
	}
	// The index that is shared between processes could not be enlarged, as a
	// rule for want of room.
	if e.Code() == sqlite3.SQLITE_IOERR_SHMSIZE {
		return store.ErrNoRoom
	}
	switch e.Code() & 0xff { // the low byte is the primary code
	case sqlite3.SQLITE_FULL:
		return store.ErrNoRoom
	case sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM,
		sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_PROTOCOL:
		return store.ErrUnavailable
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return store.ErrDamaged
	}
	return nil
}
