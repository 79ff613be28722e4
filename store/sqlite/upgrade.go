package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"outyard/store"
)

// An Upgrade is the bringing up to date of a store that an older program wrote.
type Upgrade struct {
	From, To int64  // schemas
	Backup   string // the file in which the store is kept as it was
}

// keptUpgrades is how many stores of before an upgrade are kept in the folder.
const keptUpgrades = 3

// upgradeName begins the names of those, before the schema and the time at
// which the file was last written.
const upgradeName = "outyard-schema-"

// Schema is the version of the schema that this program writes.
func Schema() int64 {
	names, err := migrations.ReadDir("migrations")
	if err != nil {
		return 0 // they are embedded: there is no way that they could be away
	}
	last := names[len(names)-1].Name() // in order of name
	n, _ := strconv.ParseInt(last[:strings.IndexByte(last, '_')], 10, 64)
	return n
}

// upgrade brings the schema up to date, and before that puts a copy of the
// store beside it, so that the program of before can be gone back to. Without
// the copy nothing is changed.
func (s *Store) upgrade(ctx context.Context, upgrading []func(Upgrade)) error {
	from, err := schemaOf(ctx, s.write)
	if err != nil {
		return because(err, "store %s: read its schema", s.path)
	}
	if from == 0 || from >= Schema() { // new; or there is nothing to do, or nothing that may be done
		return s.newer(migrate(ctx, s.write))
	}
	info, err := os.Stat(s.path)
	if err != nil {
		return fmt.Errorf("store %s: %w: %w", s.path, store.ErrUnavailable, err)
	}
	u := Upgrade{From: from, To: Schema(), Backup: filepath.Join(filepath.Dir(s.path),
		fmt.Sprintf("%s%d-%s.db", upgradeName, from, info.ModTime().UTC().Format("20060102T150405Z")))}
	for _, say := range upgrading {
		say(u)
	}
	err = s.Backup(ctx, u.Backup)
	if errors.Is(err, ErrThere) { // of an attempt that was cut short, before anything was changed
		err = Verify(ctx, u.Backup)
	}
	if err != nil {
		return because(err, "store %s is of schema %d, and is not brought up to %d, since the copy that is made of it first (%s, some %d MB) cannot be: "+
			"make room there, or go on with the outyard that wrote it; nothing was changed", s.path, from, u.To, u.Backup, info.Size()>>20+1)
	}
	if err := migrate(ctx, s.write); err != nil {
		return because(err, "store %s: bring schema %d up to %d; as it was, it is kept in %s", s.path, from, u.To, u.Backup)
	}
	return s.thinOut(u.Backup)
}

// newer adds to the refusal of a store that a newer program wrote which copies
// this program could go back to.
func (s *Store) newer(err error) error {
	if !errors.Is(err, store.ErrNewer) {
		return because(err, "store %s: bring up to date", s.path)
	}
	for _, old := range s.beforeUpgrades() {
		if old.schema <= Schema() {
			return fmt.Errorf("store %s: %w; %s is one", s.path, err, old.path)
		}
	}
	return fmt.Errorf("store %s: %w", s.path, err)
}

// An oldStore is the copy of a store from before an upgrade.
type oldStore struct {
	path   string
	schema int64
	stamp  string
}

// beforeUpgrades are the copies in the folder, the newest first.
func (s *Store) beforeUpgrades() []oldStore {
	files, err := os.ReadDir(filepath.Dir(s.path))
	if err != nil {
		return nil // the store itself cannot be read then, which is said
	}
	var all []oldStore
	for _, f := range files {
		name, ours := strings.CutPrefix(f.Name(), upgradeName)
		name, db := strings.CutSuffix(name, ".db")
		schema, stamp, both := strings.Cut(name, "-")
		n, err := strconv.ParseInt(schema, 10, 64)
		if ours && db && both && err == nil {
			all = append(all, oldStore{filepath.Join(filepath.Dir(s.path), f.Name()), n, stamp})
		}
	}
	slices.SortFunc(all, func(a, b oldStore) int {
		return cmp.Or(cmp.Compare(b.schema, a.schema), cmp.Compare(b.stamp, a.stamp))
	})
	return all
}

// thinOut takes the oldest copies away, so that they do not fill the disk over
// the years.
func (s *Store) thinOut(keep string) error {
	kept := 1
	for _, old := range s.beforeUpgrades() {
		if old.path == keep {
			continue
		}
		if kept++; kept <= keptUpgrades {
			continue
		}
		if err := os.Remove(old.path); err != nil {
			return fmt.Errorf("store %s: take away an old copy: %w", s.path, err)
		}
	}
	return nil
}

// schemaOf is the version of the schema of a file; 0 when it has none yet.
func schemaOf(ctx context.Context, db *sql.DB) (int64, error) {
	var tables int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name = ?`, versionTable).Scan(&tables); err != nil || tables == 0 {
		return 0, err
	}
	var schema int64
	err := db.QueryRowContext(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&schema)
	return schema, err
}
