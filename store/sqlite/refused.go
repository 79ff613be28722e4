package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"slices"

	"outyard"
)

// refusedLimit bounds what is kept of messages that could not be read, so that
// a node gone mad fills no disk.
type refusedLimit struct {
	messages, bytes int64
}

var defaultRefusedLimit = refusedLimit{messages: 100_000, bytes: 100 << 20}

// refusedBytes is what a refused message counts for.
const refusedBytes = `(octet_length(topic) + octet_length(payload) + octet_length(reason))`

const refusedColumns = `topic, payload, arrived_ns, retained, reason, unplaced, yard, hive`

// Refuse keeps messages that could not be read or placed, whole. There is room
// for 100,000 of them or 100 MiB; beyond that the oldest are dropped, and
// counted. Their ID is given by the store. A copy that a broker retained is kept
// once, however often it is sent.
func (s *Store) Refuse(ctx context.Context, messages []outyard.Refused) error {
	if len(messages) == 0 {
		return nil
	}
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		var came refusedTotals
		messages, err := newlyRetained(ctx, tx, messages)
		if err != nil {
			return err
		}
		err = putEach(ctx, tx, `INSERT INTO refused (`+refusedColumns+`) VALUES (?,?,?,?,?,?,?,?)`, messages,
			func(m outyard.Refused) ([]any, error) {
				came.count(m.Unplaced)
				came.bytes += int64(len(m.Topic) + len(m.Payload) + len(m.Reason))
				payload := m.Payload
				if payload == nil {
					payload = []byte{} // an empty message, not an unknown one
				}
				return []any{m.Topic, payload, nanos(m.Arrived), m.Retained, m.Reason, m.Unplaced, string(m.Yard), string(m.Hive)}, nil
			})
		if err != nil {
			return err
		}
		if err := came.addTo(ctx, tx, 1); err != nil {
			return err
		}
		return s.dropOldest(ctx, tx)
	})
	return because(err, "keep %d refused messages", len(messages))
}

// newlyRetained leaves out retained copies that are there already: a broker
// sends them again whenever we connect.
func newlyRetained(ctx context.Context, tx *sql.Tx, messages []outyard.Refused) ([]outyard.Refused, error) {
	var fresh []outyard.Refused
	for _, m := range messages {
		there := m.Retained && slices.ContainsFunc(fresh, func(f outyard.Refused) bool {
			return f.Retained && f.Topic == m.Topic && bytes.Equal(f.Payload, m.Payload)
		})
		if m.Retained && !there {
			err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM refused WHERE retained AND topic = ? AND payload = ?)`, m.Topic, m.Payload).Scan(&there)
			if err != nil {
				return nil, err
			}
		}
		if !there {
			fresh = append(fresh, m)
		}
	}
	return fresh, nil
}

// dropOldest deletes refused messages until the rest is in bounds.
func (s *Store) dropOldest(ctx context.Context, tx *sql.Tx) error {
	var messages, bytes int64
	if err := tx.QueryRowContext(ctx, `SELECT refused + unplaced, bytes FROM refused_keep`).Scan(&messages, &bytes); err != nil {
		return err
	}
	if messages <= s.refusedLimit.messages && bytes <= s.refusedLimit.bytes {
		return nil
	}
	rows, err := tx.QueryContext(ctx, `SELECT id, `+refusedBytes+` FROM refused ORDER BY id`)
	if err != nil {
		return err
	}
	defer rows.Close()
	var id, size int64
	for rows.Next() && (messages > s.refusedLimit.messages || bytes > s.refusedLimit.bytes) {
		if err := rows.Scan(&id, &size); err != nil {
			return err
		}
		messages--
		bytes -= size
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if err := rows.Close(); err != nil {
		return err
	}
	gone, err := deleteRefused(ctx, tx, `id <= ?`, id)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE refused_keep SET dropped = dropped + ?`, gone)
	return err
}

// Refused returns refused messages, the newest first, at most limit of them
// (0: all): every one, or with unplaced given only those that are or are not,
// and with before given only those with a lower id.
func (s *Store) Refused(ctx context.Context, before int64, limit int, unplaced *bool) ([]outyard.Refused, error) {
	var c conditions
	if unplaced != nil {
		c.add("unplaced = ?", *unplaced)
	}
	if before > 0 {
		c.add("id < ?", before)
	}
	order := ` ORDER BY id DESC`
	if limit > 0 {
		order += fmt.Sprintf(` LIMIT %d`, limit)
	}
	var items []outyard.Refused
	err := s.rowsOf(ctx, `SELECT id, `+refusedColumns+` FROM refused`+c.where()+order, c.args, func(rows *sql.Rows) error {
		var m outyard.Refused
		err := rows.Scan(&m.ID, &m.Topic, &m.Payload, instant{&m.Arrived}, &m.Retained, &m.Reason, &m.Unplaced, &m.Yard, &m.Hive)
		items = append(items, m)
		return err
	})
	return items, because(err, "read refused messages")
}

// RefusedCounts returns how many messages are kept that could not be read, how
// many that have no place yet, and how many were ever dropped for lack of room.
func (s *Store) RefusedCounts(ctx context.Context) (refused, unplaced, dropped int64, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT refused, unplaced, dropped FROM refused_keep`).Scan(&refused, &unplaced, &dropped)
	return refused, unplaced, dropped, because(err, "count refused messages")
}

// Forget deletes refused messages, because they were read after all or the
// keeper wants to be rid of them. Ids that are not there are no error.
func (s *Store) Forget(ctx context.Context, ids []int64) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		for _, id := range ids {
			if _, err := deleteRefused(ctx, tx, `id = ?`, id); err != nil {
				return err
			}
		}
		return nil
	})
	return because(err, "forget %d refused messages", len(ids))
}

// refusedTotals is a number of refused messages and what they take up.
type refusedTotals struct{ refused, unplaced, bytes int64 }

func (t *refusedTotals) count(unplaced bool) {
	if unplaced {
		t.unplaced++
	} else {
		t.refused++
	}
}

func (t refusedTotals) addTo(ctx context.Context, tx *sql.Tx, sign int64) error {
	_, err := tx.ExecContext(ctx, `UPDATE refused_keep SET refused = refused + ?, unplaced = unplaced + ?, bytes = bytes + ?`,
		sign*t.refused, sign*t.unplaced, sign*t.bytes)
	return err
}

// deleteRefused deletes the messages for which a condition on the id holds, and
// says how many there were.
func deleteRefused(ctx context.Context, tx *sql.Tx, condition string, id int64) (int64, error) {
	var gone refusedTotals
	err := tx.QueryRowContext(ctx, `SELECT count(*) FILTER (WHERE NOT unplaced), count(*) FILTER (WHERE unplaced),
		coalesce(sum(`+refusedBytes+`), 0) FROM refused WHERE `+condition, id).Scan(&gone.refused, &gone.unplaced, &gone.bytes)
	if err != nil {
		return 0, err
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM refused WHERE `+condition, id); err != nil {
		return 0, err
	}
	return gone.refused + gone.unplaced, gone.addTo(ctx, tx, -1)
}
