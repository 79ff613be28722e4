package sqlite

import (
	"context"
	"database/sql"
	"strings"

	"outyard"
	"outyard/store"
)

// Told returns the alerts that q asks for, each with its finding, the one that
// changed last first. State compares with the state of the alert, and from and
// to with when it came to it.
func (s *Store) Told(ctx context.Context, q store.Query) (items []store.Told, next string, err error) {
	var c conditions
	c.narrow(q, "a.since_ns", "f.kind", "a.state")
	var since int64
	var id string
	more, err := after(q, &since, &id)
	if err != nil {
		return nil, "", err
	}
	if more {
		c.add("(a.since_ns < ? OR a.since_ns = ? AND a.finding > ?)", since, since, id)
	}
	err = s.rowsOf(ctx, `SELECT f.finding, a.finding, a.state, a.since_ns, a.until_ns, a.reminded_ns FROM alerts a JOIN findings f ON f.id = a.finding`+
		c.where()+` ORDER BY a.since_ns DESC, a.finding`+page(q), c.args,
		func(rows *sql.Rows) error {
			var t store.Told
			var err error
			a := &t.Alert
			t.Finding, err = scanFinding(withMore{rows, []any{&a.Finding, &a.State, instant{&a.Since}, instant{&a.Until}, instant{&a.Reminded}}})
			items = append(items, t)
			return err
		})
	if err != nil {
		return nil, "", because(err, "read alerts with their findings")
	}
	return cut(q, items, func(t store.Told) []any { return []any{nanos(t.Alert.Since), t.Alert.Finding} })
}

// withMore scans what stands in a row after what its user asks for.
type withMore struct {
	rows *sql.Rows
	more []any
}

func (w withMore) Scan(into ...any) error { return w.rows.Scan(append(into, w.more...)...) }

// Steps returns the steps in the lives of alerts that q asks for, the last
// first. State compares with the state that the step led to.
func (s *Store) Steps(ctx context.Context, q store.Query) (items []store.Step, next string, err error) {
	var c conditions
	c.narrow(q, "t.at_ns", "f.kind", "t.state")
	var id int64
	more, err := after(q, &id)
	if err != nil {
		return nil, "", err
	}
	if more {
		c.add("t.id < ?", id)
	}
	var ids []int64
	err = s.rowsOf(ctx, `SELECT t.id, t.finding, t.at_ns, t.event, t.state, t.until_ns, f.yard, f.hive, f.kind FROM transitions t JOIN findings f ON f.id = t.finding`+
		c.where()+` ORDER BY t.id DESC`+page(q), c.args,
		func(rows *sql.Rows) error {
			var t store.Step
			var id int64
			err := rows.Scan(&id, &t.Finding, instant{&t.At}, &t.Event, &t.State, instant{&t.Until}, &t.Yard, &t.Hive, &t.Kind)
			items, ids = append(items, t), append(ids, id)
			return err
		})
	if err != nil {
		return nil, "", because(err, "read the history of alerts")
	}
	return cut(q, items, func(store.Step) []any { return []any{ids[q.Limit-1]} })
}

// MessagesAbout returns the messages that speak of any of the findings, the
// oldest first, without their looks.
func (s *Store) MessagesAbout(ctx context.Context, findings []string) ([]outyard.Message, error) {
	if len(findings) == 0 {
		return nil, nil
	}
	args := make([]any, len(findings))
	for i, id := range findings {
		args[i] = id
	}
	var c conditions
	c.add(`EXISTS (SELECT 1 FROM json_each(messages.findings) WHERE value IN (?`+strings.Repeat(", ?", len(findings)-1)+`))`, args...)
	ms, err := s.messages(ctx, c, ` ORDER BY queued_ns, key`, 0)
	for i := range ms {
		ms[i].Text, ms[i].HTML = "", ""
	}
	return ms, because(err, "read messages about %d findings", len(findings))
}
