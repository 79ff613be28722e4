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

// checkVersion compares the schema of the file with ours. An older one is an
// error only when the caller is not going to bring it up to date.
func checkVersion(ctx context.Context, db *sql.DB, exactly bool) error {
	p, err := provider(db)
	if err != nil {
		return err
	}
	sources := p.ListSources()
	ours := sources[len(sources)-1].Version

	var tables int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name = ?`, goose.DefaultTablename).Scan(&tables); err != nil {
		return err
	}
	var theirs int64
	if tables > 0 {
		if err := db.QueryRowContext(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&theirs); err != nil {
			return err
		}
	}
	switch {
	case theirs > ours:
		return fmt.Errorf("schema %d, this program knows %d: %w", theirs, ours, store.ErrNewer)
	case theirs < ours && exactly:
		return fmt.Errorf("schema %d, this program needs %d: %w", theirs, ours, store.ErrOlder)
	}
	return nil
}
