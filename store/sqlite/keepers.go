package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"outyard"
	"outyard/store"
)

// HasKeepers says whether anybody has an account.
func (s *Store) HasKeepers(ctx context.Context) (bool, error) {
	var any bool
	err := s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM keepers)`).Scan(&any)
	return any, because(err, "look for accounts")
}

const keeperColumns = `k.name, k.role, k.added_ns, k.seen_ns`

func keeperFields(k *outyard.Keeper) []any {
	return []any{&k.Name, &k.Role, instant{&k.Added}, instant{&k.Seen}}
}

// Keepers returns everybody with an account, by name.
func (s *Store) Keepers(ctx context.Context) ([]outyard.Keeper, error) {
	var items []outyard.Keeper
	err := s.rowsOf(ctx, `SELECT `+keeperColumns+` FROM keepers k ORDER BY k.name`, nil, func(rows *sql.Rows) error {
		var k outyard.Keeper
		err := rows.Scan(keeperFields(&k)...)
		items = append(items, k)
		return err
	})
	return items, because(err, "read accounts")
}

// Keeper returns an account and the hash of its password. It wraps
// [store.ErrNotFound].
func (s *Store) Keeper(ctx context.Context, name string) (k outyard.Keeper, password string, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT `+keeperColumns+`, k.password FROM keepers k WHERE k.name = ?`, name).
		Scan(append(keeperFields(&k), &password)...)
	return k, password, because(found(err), "account %s", name)
}

// found tells "no such row" by the store's own error.
func found(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return store.ErrNotFound
	}
	return err
}

// AddKeeper adds an account. It wraps [store.ErrExists], and
// [store.ErrLastKeeper] for a first account that may not do everything.
func (s *Store) AddKeeper(ctx context.Context, k outyard.Keeper, password string) error {
	if err := k.Role.Check(); err != nil {
		return err
	}
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		done, err := tx.ExecContext(ctx, `INSERT INTO keepers (name, role, password, added_ns) VALUES (?,?,?,?) ON CONFLICT DO NOTHING`,
			k.Name, string(k.Role), password, nanos(k.Added))
		if err != nil {
			return err
		}
		if n, err := done.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, store.ErrExists)
		}
		return someoneKeeps(ctx, tx)
	})
	return because(err, "add account %s", k.Name)
}

// someoneKeeps wants one who may do everything, unless there is nobody at all.
func someoneKeeps(ctx context.Context, tx *sql.Tx) error {
	var all, full int
	if err := tx.QueryRowContext(ctx, `SELECT count(*), count(*) FILTER (WHERE role = ?) FROM keepers`, string(outyard.RoleKeeper)).Scan(&all, &full); err != nil {
		return err
	}
	if all > 0 && full == 0 {
		return store.ErrLastKeeper
	}
	return nil
}

// changeKeeper runs a statement about the one account of a name.
func changeKeeper(ctx context.Context, tx *sql.Tx, query string, args ...any) error {
	done, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n == 0 {
		return errors.Join(err, store.ErrNotFound)
	}
	return nil
}

// SetPassword gives an account another password, and ends all its sessions:
// whoever knew the old one is out. Its tokens stay. It wraps
// [store.ErrNotFound].
func (s *Store) SetPassword(ctx context.Context, name, password string) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := changeKeeper(ctx, tx, `UPDATE keepers SET password = ? WHERE name = ?`, password, name); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE keeper = ?`, name)
		return err
	})
	return because(err, "password of account %s", name)
}

// RehashPassword writes the same password down by a newer hash, if it is still
// kept as old. Sessions stay.
func (s *Store) RehashPassword(ctx context.Context, name, old, password string) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE keepers SET password = ? WHERE name = ? AND password = ?`, password, name, old)
		return err
	})
	return because(err, "password of account %s", name)
}

// SetRole gives an account another role, from the next request on. It wraps
// [store.ErrNotFound] and [store.ErrLastKeeper].
func (s *Store) SetRole(ctx context.Context, name string, role outyard.Role) error {
	if err := role.Check(); err != nil {
		return err
	}
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := changeKeeper(ctx, tx, `UPDATE keepers SET role = ? WHERE name = ?`, string(role), name); err != nil {
			return err
		}
		return someoneKeeps(ctx, tx)
	})
	return because(err, "role of account %s", name)
}

// RemoveKeeper removes an account with its sessions and tokens. What it wrote
// stays, under its name. It wraps [store.ErrNotFound], and
// [store.ErrLastKeeper] while there are others who may do less.
func (s *Store) RemoveKeeper(ctx context.Context, name string) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := changeKeeper(ctx, tx, `DELETE FROM keepers WHERE name = ?`, name); err != nil {
			return err
		}
		return someoneKeeps(ctx, tx)
	})
	return because(err, "remove account %s", name)
}

// mostSessions is how many browsers somebody can be signed in with. One more
// ends the oldest.
const mostSessions = 50

// AddSession notes that somebody has signed in, under the hash of what his
// browser holds, in the place of the session under old, if there is one.
// Sessions that were not used since idle, or were made before oldest, are
// forgotten. password is the hash that the password was held against: it wraps
// [store.ErrNotFound] when that is not the account's any more.
func (s *Store) AddSession(ctx context.Context, hash, old []byte, name, password string, now, idle, oldest time.Time) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := changeKeeper(ctx, tx, `UPDATE keepers SET seen_ns = ? WHERE name = ? AND password = ?`, nanos(now), name, password); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE hash = ? OR seen_ns < ? OR made_ns < ?`, old, nanos(idle), nanos(oldest)); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO sessions (hash, keeper, made_ns, seen_ns) VALUES (?,?,?,?)`, hash, name, nanos(now), nanos(now)); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE keeper = ? AND hash NOT IN
			(SELECT hash FROM sessions WHERE keeper = ? ORDER BY made_ns DESC, hash LIMIT ?)`, name, name, mostSessions)
		return err
	})
	return because(err, "sign %s in", name)
}

// Session returns the session under a hash, whatever its age. It wraps
// [store.ErrNotFound].
func (s *Store) Session(ctx context.Context, hash []byte) (v store.Session, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT s.made_ns, s.seen_ns, `+keeperColumns+` FROM sessions s JOIN keepers k ON k.name = s.keeper WHERE s.hash = ?`, hash).
		Scan(append([]any{instant{&v.Made}, instant{&v.Seen}}, keeperFields(&v.Keeper)...)...)
	return v, because(found(err), "session")
}

// SeeSession notes that a session is in use.
func (s *Store) SeeSession(ctx context.Context, hash []byte, now time.Time) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `UPDATE sessions SET seen_ns = ? WHERE hash = ?`, nanos(now), hash); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE keepers SET seen_ns = ? WHERE name = (SELECT keeper FROM sessions WHERE hash = ?)`, nanos(now), hash)
		return err
	})
	return because(err, "note a session's use")
}

// EndSession forgets a session. One that is not there is no error.
func (s *Store) EndSession(ctx context.Context, hash []byte) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM sessions WHERE hash = ?`, hash)
		return err
	})
	return because(err, "end a session")
}

// AddToken keeps a token under its hash. It wraps [store.ErrNotFound] where
// there is no such account.
func (s *Store) AddToken(ctx context.Context, t store.Token, hash []byte) error {
	if err := t.Scope.Check(); err != nil {
		return err
	}
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return changeKeeper(ctx, tx, `INSERT INTO tokens (id, hash, keeper, label, scope, made_ns, expires_ns)
			SELECT ?,?,name,?,?,?,? FROM keepers WHERE name = ?`,
			t.ID, hash, t.Label, string(t.Scope), nanos(t.Made), nanos(t.Expires), t.Keeper.Name)
	})
	return because(err, "add a token of account %s", t.Keeper.Name)
}

const tokenColumns = `t.id, t.label, t.scope, t.made_ns, t.used_ns, t.expires_ns, ` + keeperColumns

func tokenFields(t *store.Token) []any {
	return append([]any{&t.ID, &t.Label, &t.Scope, instant{&t.Made}, instant{&t.Used}, instant{&t.Expires}}, keeperFields(&t.Keeper)...)
}

// Tokens returns the tokens of an account, or of all for an empty name, by
// account and age.
func (s *Store) Tokens(ctx context.Context, name string) ([]store.Token, error) {
	var items []store.Token
	err := s.rowsOf(ctx, `SELECT `+tokenColumns+` FROM tokens t JOIN keepers k ON k.name = t.keeper
		WHERE ?1 = '' OR k.name = ?1 ORDER BY k.name, t.made_ns, t.id`, []any{name}, func(rows *sql.Rows) error {
		var t store.Token
		err := rows.Scan(tokenFields(&t)...)
		items = append(items, t)
		return err
	})
	return items, because(err, "read tokens")
}

// Token returns the token under a hash, expired or not. It wraps
// [store.ErrNotFound].
func (s *Store) Token(ctx context.Context, hash []byte) (t store.Token, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT `+tokenColumns+` FROM tokens t JOIN keepers k ON k.name = t.keeper WHERE t.hash = ?`, hash).
		Scan(tokenFields(&t)...)
	return t, because(found(err), "token")
}

// UseToken notes that a token was used.
func (s *Store) UseToken(ctx context.Context, id string, now time.Time) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE tokens SET used_ns = ? WHERE id = ?`, nanos(now), id)
		return err
	})
	return because(err, "note a token's use")
}

// RemoveToken removes a token. It wraps [store.ErrNotFound].
func (s *Store) RemoveToken(ctx context.Context, id string) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		return changeKeeper(ctx, tx, `DELETE FROM tokens WHERE id = ?`, id)
	})
	return because(err, "remove token %s", id)
}

// OpenBeside opens the store in dir for a command that makes a small change to
// it, whether a daemon has it or not: with none it is [Open], with one it
// writes beside that, which SQLite keeps apart. It must not touch readings,
// whose keys the daemon remembers. The errors it wraps are those of [Open] and
// [OpenForReading], but for [store.ErrInUse].
func OpenBeside(ctx context.Context, dir string) (*Store, error) {
	s, err := Open(ctx, dir)
	if !errors.Is(err, store.ErrInUse) {
		return s, err
	}
	if s, err = OpenForReading(ctx, dir); err != nil {
		return nil, err
	}
	s.writing = make(chan struct{}, 1)
	if s.write, err = connect(s.path, "rw", besidePragmas); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	s.write.SetMaxOpenConns(1)
	if s.writer, err = s.write.Conn(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("store %s: open for writing: %w", s.path, err), s.Close())
	}
	return s, nil
}
