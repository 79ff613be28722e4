package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"outyard"
	"outyard/store"
)

const messageColumns = `route, target, findings, subject, text, html, queued_ns, not_after_ns, due_ns, attempts, last_err, sent_ns`

// Due returns messages that wait and are to be tried by now, the longest due
// first, at most limit of them (0: all). Those that are worthless by now are
// left out.
func (s *Store) Due(ctx context.Context, now time.Time, limit int) ([]outyard.Message, error) {
	var c conditions
	c.add("sent_ns IS NULL")
	c.add("(due_ns IS NULL OR due_ns <= ?)", nanos(now))
	c.add("(not_after_ns IS NULL OR not_after_ns >= ?)", nanos(now))
	ms, err := s.messages(ctx, c, ` ORDER BY due_ns, queued_ns, key`, limit)
	return ms, because(err, "read messages due")
}

// Undelivered returns the messages queued before olderThan that still wait,
// the oldest first, worthless by now or not.
func (s *Store) Undelivered(ctx context.Context, olderThan time.Time) ([]outyard.Message, error) {
	var c conditions
	c.add("sent_ns IS NULL")
	c.add("queued_ns < ?", nanos(olderThan))
	ms, err := s.messages(ctx, c, ` ORDER BY queued_ns, key`, 0)
	return ms, because(err, "read undelivered messages")
}

func (s *Store) messages(ctx context.Context, c conditions, order string, limit int) ([]outyard.Message, error) {
	if limit > 0 {
		order += fmt.Sprintf(` LIMIT %d`, limit)
	}
	var items []outyard.Message
	err := s.rowsOf(ctx, `SELECT key, `+messageColumns+` FROM messages`+c.where()+order, c.args, func(rows *sql.Rows) error {
		var m outyard.Message
		var ids []byte
		err := rows.Scan(&m.Key, &m.Route, &m.Target, &ids, &m.Subject, &m.Text, &m.HTML, instant{&m.Queued}, instant{&m.NotAfter},
			instant{&m.Due}, &m.Attempts, &m.LastErr, instant{&m.Sent})
		if err != nil {
			return err
		}
		if err := json.Unmarshal(ids, &m.Findings); err != nil {
			return fmt.Errorf("message %s: findings: %w", m.Key, err)
		}
		items = append(items, m)
		return nil
	})
	return items, err
}

// Delivered says that a message got through. Its key stays known; its looks
// are not needed again and go. It wraps [store.ErrNotFound].
func (s *Store) Delivered(ctx context.Context, key string, at time.Time) error {
	return s.changeMessage(ctx, key, `UPDATE messages SET sent_ns = ?, html = '', last_err = '' WHERE key = ?`, nanos(at), key)
}

// Postpone says that an attempt came to nothing, and when to try again. It
// wraps [store.ErrNotFound].
func (s *Store) Postpone(ctx context.Context, key string, due time.Time, lastErr string) error {
	return s.changeMessage(ctx, key, `UPDATE messages SET due_ns = ?, attempts = attempts + 1, last_err = ? WHERE key = ?`, nanos(due), lastErr, key)
}

// HoldBack puts a message off that has not been tried, and says why. It wraps
// [store.ErrNotFound].
func (s *Store) HoldBack(ctx context.Context, key string, due time.Time, why string) error {
	return s.changeMessage(ctx, key, `UPDATE messages SET due_ns = ?, last_err = ? WHERE key = ?`, nanos(due), why, key)
}

func (s *Store) changeMessage(ctx context.Context, key, query string, args ...any) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		res, err := tx.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n > 0 {
			return err
		}
		return store.ErrNotFound
	})
	return because(err, "message %s", key)
}
