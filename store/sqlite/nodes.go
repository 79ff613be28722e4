package sqlite

import (
	"context"
	"database/sql"
	"errors"

	"outyard"
	"outyard/store"
)

// NodesChanged counts the changes of nodes, those by other processes among
// them: while it stays the same, so do they.
func (s *Store) NodesChanged(ctx context.Context) (times int64, err error) {
	err = s.read.QueryRowContext(ctx, `SELECT times FROM nodes_changed`).Scan(&times)
	return times, because(err, "look whether nodes have changed")
}

// Nodes returns the nodes that may come to our own broker, by name.
func (s *Store) Nodes(ctx context.Context) ([]outyard.Node, error) {
	var nodes []outyard.Node
	err := s.rowsOf(ctx, `SELECT n.user, n.secret, n.added_ns, coalesce(g.yard, ''), coalesce(g.hive, '')
		FROM nodes n LEFT JOIN grounds g ON g.user = n.user ORDER BY n.user, g.yard, g.hive`, nil, func(rows *sql.Rows) error {
		var n outyard.Node
		var g outyard.Ground
		if err := rows.Scan(&n.User, &n.Secret, instant{&n.Added}, &g.Yard, &g.Hive); err != nil {
			return err
		}
		if len(nodes) == 0 || nodes[len(nodes)-1].User != n.User {
			nodes = append(nodes, n)
		}
		if g.Yard != "" {
			last := &nodes[len(nodes)-1]
			last.Grounds = append(last.Grounds, g)
		}
		return nil
	})
	return nodes, because(err, "read nodes")
}

// AddNode adds a node. It wraps [store.ErrExists].
func (s *Store) AddNode(ctx context.Context, n outyard.Node) error {
	err := s.changeNodes(ctx, func(ctx context.Context, tx *sql.Tx) error {
		done, err := tx.ExecContext(ctx, `INSERT INTO nodes (user, secret, added_ns) VALUES (?,?,?) ON CONFLICT DO NOTHING`, n.User, n.Secret, nanos(n.Added))
		if err != nil {
			return err
		}
		if added, err := done.RowsAffected(); err != nil || added == 0 {
			return errors.Join(err, store.ErrExists)
		}
		for _, g := range n.Grounds {
			if _, err := tx.ExecContext(ctx, `INSERT INTO grounds (user, yard, hive) VALUES (?,?,?) ON CONFLICT DO NOTHING`, n.User, string(g.Yard), string(g.Hive)); err != nil {
				return err
			}
		}
		return nil
	})
	return because(err, "add node %s", n.User)
}

// SetNodeSecret gives a node another secret, by its hash. It wraps
// [store.ErrNotFound].
func (s *Store) SetNodeSecret(ctx context.Context, user, secret string) error {
	return s.changeNode(ctx, "secret of node %s", user, `UPDATE nodes SET secret = ?2 WHERE user = ?1`, secret)
}

// RemoveNode removes a node. It wraps [store.ErrNotFound].
func (s *Store) RemoveNode(ctx context.Context, user string) error {
	return s.changeNode(ctx, "remove node %s", user, `DELETE FROM nodes WHERE user = ?1`)
}

// changeNode runs a statement about the node whose name is its first argument.
func (s *Store) changeNode(ctx context.Context, doing, user, query string, more ...any) error {
	err := s.changeNodes(ctx, func(ctx context.Context, tx *sql.Tx) error {
		done, err := tx.ExecContext(ctx, query, append([]any{user}, more...)...)
		if err != nil {
			return err
		}
		if n, err := done.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, store.ErrNotFound)
		}
		return nil
	})
	return because(err, doing, user)
}

func (s *Store) changeNodes(ctx context.Context, change func(context.Context, *sql.Tx) error) error {
	return s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := change(ctx, tx); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE nodes_changed SET times = times + 1`)
		return err
	})
}
