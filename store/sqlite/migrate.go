package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"

	"outyard/store"

	"github.com/pressly/goose/v3"
)

//go:embed migrations/*.sql
var migrations embed.FS

// migrate brings the schema up to date, forward only. It does not touch a file
// that a newer program wrote.
func migrate(ctx context.Context, db *sql.DB) error {
	if err := checkVersion(ctx, db, false); err != nil {
		return err
	}
	p, err := provider(db)
	if err != nil {
		return err
	}
	_, err = p.Up(ctx)
	return err
}

func provider(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectSQLite3, db, files, goose.WithDisableGlobalRegistry(true))
}

// versionTable is where the versions that were applied are noted.
const versionTable = goose.DefaultTablename

// checkVersion compares the schema of the file with ours. An older one is an
// error only when the caller is not going to bring it up to date.
func checkVersion(ctx context.Context, db *sql.DB, exactly bool) error {
	theirs, err := schemaOf(ctx, db)
	if err != nil {
		return err
	}
	switch ours := Schema(); {
	case theirs > ours:
		return fmt.Errorf("schema %d, this program knows %d: %w", theirs, ours, store.ErrNewer)
	case theirs < ours && exactly:
		return fmt.Errorf("schema %d, this program needs %d: %w", theirs, ours, store.ErrOlder)
	}
	return nil
}
