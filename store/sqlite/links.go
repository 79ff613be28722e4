package sqlite

import (
	"context"
	"database/sql"
	"time"
)

// LinkUsed says whether a link out of a message has been used.
func (s *Store) LinkUsed(ctx context.Context, id string) (bool, error) {
	var n int
	err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM used_links WHERE id = ?`, id).Scan(&n)
	return n > 0, because(err, "look up a link")
}

// UseLink remembers that a link has been used until it expires, and forgets
// those that have.
func (s *Store) UseLink(ctx context.Context, id string, expires, now time.Time) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM used_links WHERE expires_ns < ?`, nanos(now)); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO used_links (id, expires_ns, used_ns) VALUES (?,?,?) ON CONFLICT DO NOTHING`, id, nanos(expires), nanos(now))
		return err
	})
	return because(err, "remember that a link was used")
}
