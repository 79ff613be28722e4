package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"outyard/store"
)

// ErrThere says that a file would have been overwritten.
var ErrThere = errors.New("there is one already")

// Backup writes the store as it is at one instant to a file of its own, and
// looks whether it can be read. A daemon may go on writing meanwhile. It wraps
// [ErrThere] when there is a file of that name.
func (s *Store) Backup(ctx context.Context, path string) (err error) {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("backup %s: %w", path, ErrThere)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("backup: %w", err)
	}
	// Under another name until it is whole, so that a backup cut short is
	// never taken for one.
	part, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer os.Remove(part.Name()) // gone already when all went well
	defer part.Close()
	// A reader's connection may write nothing; into another file is writing.
	db, err := connect(s.path, "rw", []string{"busy_timeout(10000)", "cache_size(-2000)"})
	if err != nil {
		return err
	}
	defer db.Close()
	if _, err := db.ExecContext(ctx, `VACUUM INTO ?`, part.Name()); err != nil {
		return because(err, "back store %s up into %s", s.path, path)
	}
	if err := Verify(ctx, part.Name()); err != nil {
		return err
	}
	if err := part.Sync(); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	// Unlike a rename, a link does not replace what has come there meanwhile.
	if err := os.Link(part.Name(), path); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	return syncFolder(filepath.Dir(path))
}

// Verify says whether a file is a whole store that this program can open: the
// errors it wraps are [store.ErrNotFound], [store.ErrDamaged], which is also
// said of a file that is something else, and [store.ErrNewer].
func Verify(ctx context.Context, path string) error {
	switch info, err := os.Stat(path); {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("store %s: %w", path, store.ErrNotFound)
	case err != nil:
		return fmt.Errorf("store %s: %w: %w", path, store.ErrUnavailable, err)
	case info.IsDir():
		return fmt.Errorf("store %s: is a folder: name the file that backup wrote", path)
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return fmt.Errorf("store %s: %w", path, err)
	}
	// Immutable: nothing is written beside it, and it may lie in a folder that
	// is for reading only.
	name := url.URL{Scheme: "file", Path: filepath.ToSlash(abs), RawQuery: "mode=ro&immutable=1"}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return fmt.Errorf("store %s: %w", path, err)
	}
	defer db.Close()
	var tables int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name IN ('readings', ?)`, versionTable).Scan(&tables); err != nil {
		return because(err, "store %s", path)
	}
	if tables < 2 {
		return fmt.Errorf("store %s: %w: it is a database of something else", path, store.ErrDamaged)
	}
	if err := checkVersion(ctx, db, false); err != nil {
		return because(err, "store %s", path)
	}
	var found string
	if err := db.QueryRowContext(ctx, `PRAGMA integrity_check(1)`).Scan(&found); err != nil {
		return because(err, "check store %s", path)
	}
	if found != "ok" {
		return fmt.Errorf("store %s: %w: %s", path, store.ErrDamaged, found)
	}
	return nil
}

// Restore puts a backup in the place of the store in dir, once it is sure that
// it can be read. A store that is there is an error that wraps [ErrThere],
// unless aside is true: then it is kept under another name, which is returned.
// It wraps [store.ErrInUse] while a daemon has the folder.
func Restore(ctx context.Context, backup, dir string, aside bool, now time.Time) (old string, err error) {
	if err := Verify(ctx, backup); err != nil {
		return "", err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", fmt.Errorf("data folder %s: %w: %w", dir, store.ErrUnavailable, err)
	}
	lock, err := lockFolder(dir)
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	path := filepath.Join(dir, File)
	_, err = os.Lstat(path)
	there := err == nil
	if there && !aside {
		return "", fmt.Errorf("store %s: %w", path, ErrThere)
	}

	// The whole copy lies beside its place before the old one leaves it.
	copied := path + ".restoring"
	defer os.Remove(copied) // gone already when all went well
	if err := copyFile(copied, backup); err != nil {
		return "", fmt.Errorf("restore %s: %w", backup, err)
	}
	if err := Verify(ctx, copied); err != nil {
		return "", err
	}
	if there {
		old = fmt.Sprintf("%s.before-%s", path, now.UTC().Format("20060102T150405Z"))
		if err := putAside(ctx, path, old); err != nil {
			return "", err
		}
	}
	if err := os.Rename(copied, path); err != nil {
		return old, fmt.Errorf("restore %s: %w", backup, err)
	}
	return old, syncFolder(dir)
}

// putAside gives a store another name, with what of it is still in its log.
func putAside(ctx context.Context, path, old string) error {
	if _, err := os.Lstat(old); err == nil {
		return fmt.Errorf("put store %s aside as %s: %w", path, old, ErrThere)
	}
	// With the log in the file, nothing can be lost between the renames. A
	// store may be restored because it is damaged: then the log goes along.
	if db, err := connect(path, "rw", writerPragmas); err == nil {
		_, _ = db.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
		_ = db.Close()
	}
	for _, part := range []string{"-wal", "-shm", ""} {
		err := os.Rename(path+part, old+part)
		if err != nil && !(part != "" && errors.Is(err, fs.ErrNotExist)) {
			return fmt.Errorf("put store %s aside: %w", path, err)
		}
	}
	return nil
}

func copyFile(to, from string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return out.Sync()
}

// syncFolder makes the names in a folder as durable as the files.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return fmt.Errorf("sync folder %s: %w", dir, err)
	}
	return nil
}
