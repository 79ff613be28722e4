package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"

	"outyard"
	"outyard/store"
)

// Findings returns the findings whose onset q asks for, the newest first, and
// what Query.After of the next page is, empty at the end. Empty lists of a
// finding come back nil.
func (s *Store) Findings(ctx context.Context, q store.Query) (items []outyard.Finding, next string, err error) {
	var c conditions
	c.narrow(q, "onset_ns", "kind", "state")
	var onset int64
	var id string
	more, err := after(q, &onset, &id)
	if err != nil {
		return nil, "", err
	}
	if more {
		c.add("(onset_ns < ? OR onset_ns = ? AND id > ?)", onset, onset, id)
	}
	err = s.rowsOf(ctx, `SELECT finding FROM findings`+c.where()+` ORDER BY onset_ns DESC, id`+page(q), c.args,
		func(rows *sql.Rows) error {
			f, err := scanFinding(rows)
			items = append(items, f)
			return err
		})
	if err != nil {
		return nil, "", because(err, "read findings")
	}
	return cut(q, items, func(f outyard.Finding) []any { return []any{nanos(f.Onset), f.ID} })
}

// Finding returns the finding of that id; false when there is none.
func (s *Store) Finding(ctx context.Context, id string) (outyard.Finding, bool, error) {
	f, err := scanFinding(s.read.QueryRowContext(ctx, `SELECT finding FROM findings WHERE id = ?`, id))
	if errors.Is(err, sql.ErrNoRows) {
		return outyard.Finding{}, false, nil
	}
	return f, err == nil, because(err, "read finding %s", id)
}

func scanFinding(row interface{ Scan(...any) error }) (f outyard.Finding, err error) {
	var b []byte
	if err := row.Scan(&b); err != nil {
		return f, err
	}
	if err := json.Unmarshal(b, &f); err != nil {
		return f, err
	}
	if len(f.Advice) == 0 {
		f.Advice = nil
	}
	if len(f.Caution) == 0 {
		f.Caution = nil
	}
	if len(f.Facts) == 0 {
		f.Facts = nil
	}
	for name, v := range f.Facts {
		f.Facts[name] = typed(v)
	}
	return f, nil
}

// typed gives a list back the type that it had before it was JSON: facts are
// numbers, text, truths, and lists of the first two.
func typed(fact any) any {
	list, ok := fact.([]any)
	if !ok || len(list) == 0 {
		return fact
	}
	switch list[0].(type) {
	case float64:
		return all[float64](list)
	case string:
		return all[string](list)
	}
	return fact
}

func all[T any](list []any) any {
	ts := make([]T, len(list))
	for i, v := range list {
		t, ok := v.(T)
		if !ok {
			return list
		}
		ts[i] = t
	}
	return ts
}

// Alerts returns every alert, by finding.
func (s *Store) Alerts(ctx context.Context) ([]outyard.Alert, error) {
	var items []outyard.Alert
	err := s.rowsOf(ctx, `SELECT finding, state, since_ns, until_ns, reminded_ns, by_keeper, told_as FROM alerts ORDER BY finding`, nil,
		func(rows *sql.Rows) error {
			var a outyard.Alert
			err := rows.Scan(&a.Finding, &a.State, instant{&a.Since}, instant{&a.Until}, instant{&a.Reminded}, &a.By, &a.ToldAs)
			items = append(items, a)
			return err
		})
	return items, because(err, "read alerts")
}

// History returns what became of a finding's alert, step by step.
func (s *Store) History(ctx context.Context, finding string) ([]outyard.Transition, error) {
	var items []outyard.Transition
	err := s.rowsOf(ctx, `SELECT finding, at_ns, event, state, until_ns, by_keeper FROM transitions WHERE finding = ? ORDER BY id`, []any{finding},
		func(rows *sql.Rows) error {
			var t outyard.Transition
			err := rows.Scan(&t.Finding, instant{&t.At}, &t.Event, &t.State, instant{&t.Until}, &t.By)
			items = append(items, t)
			return err
		})
	return items, because(err, "read history of alert %s", finding)
}
