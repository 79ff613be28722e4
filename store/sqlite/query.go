package sqlite

import (
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"outyard"
	"outyard/store"
)

// conditions gathers the terms of a WHERE clause.
type conditions struct {
	terms []string
	args  []any
}

func (c *conditions) add(term string, args ...any) {
	c.terms = append(c.terms, term)
	c.args = append(c.args, args...)
}

// place adds what q says of yard and hive.
func (c *conditions) place(q store.Query) {
	if q.Yard != "" {
		c.add("yard = ?", string(q.Yard))
	}
	if q.Hive != "" || q.Weather {
		c.add("hive = ?", string(q.Hive))
	}
}

// during adds what q says of time, for a column of nanoseconds.
func (c *conditions) during(column string, q store.Query) {
	if !q.From.IsZero() {
		c.add(column+" >= ?", nanos(q.From))
	}
	if !q.To.IsZero() {
		c.add(column+" < ?", nanos(q.To))
	}
}

// narrow adds all that q says, by the columns that hold time, kind and state.
func (c *conditions) narrow(q store.Query, time, kind, state string) {
	c.place(q)
	c.during(time, q)
	if q.Kind != "" {
		c.add(kind+" = ?", string(q.Kind))
	}
	if q.State != "" {
		c.add(state+" = ?", string(q.State))
	}
}

func (c *conditions) where() string {
	if len(c.terms) == 0 {
		return ""
	}
	return " WHERE " + strings.Join(c.terms, " AND ")
}

// page is the LIMIT clause: one item more than asked for tells whether there
// is a next page.
func page(q store.Query) string {
	if q.Limit <= 0 {
		return ""
	}
	return fmt.Sprintf(" LIMIT %d", q.Limit+1)
}

// cut takes the extra item off a page, and says what the next one begins
// after: the sort key of the last item that is left.
func cut[T any](q store.Query, items []T, sortKey func(T) []any) ([]T, string, error) {
	if q.Limit <= 0 || len(items) <= q.Limit {
		return items, "", nil
	}
	items = items[:q.Limit]
	b, err := json.Marshal(sortKey(items[len(items)-1]))
	return items, base64.RawURLEncoding.EncodeToString(b), err
}

// after reads a cursor into the parts of a sort key; false when q has none.
func after(q store.Query, parts ...any) (bool, error) {
	if q.After == "" {
		return false, nil
	}
	b, err := base64.RawURLEncoding.DecodeString(q.After)
	if err != nil {
		return false, fmt.Errorf("cursor %q: %w", q.After, store.ErrBadCursor)
	}
	var raw []json.RawMessage
	if err := json.Unmarshal(b, &raw); err != nil || len(raw) != len(parts) {
		return false, fmt.Errorf("cursor %q: %w", q.After, store.ErrBadCursor)
	}
	for i, p := range parts {
		if err := json.Unmarshal(raw[i], p); err != nil {
			return false, fmt.Errorf("cursor %q: %w", q.After, store.ErrBadCursor)
		}
	}
	return true, nil
}

// Instants that an int64 of nanoseconds can hold: the years 1678 to 2261.
var (
	firstNano = time.Unix(0, -1<<63).UTC()
	lastNano  = time.Unix(0, 1<<63-1).UTC()
)

// nanos is how an instant is kept: NULL for none. One beyond what can be kept
// becomes the nearest that can.
func nanos(t time.Time) any {
	switch {
	case t.IsZero():
		return nil
	case t.Before(firstNano):
		t = firstNano
	case t.After(lastNano):
		t = lastNano
	}
	return t.UnixNano()
}

// instant scans what nanos wrote.
type instant struct{ *time.Time }

func (i instant) Scan(v any) error {
	var n sql.NullInt64
	if err := n.Scan(v); err != nil {
		return err
	}
	*i.Time = time.Time{}
	if n.Valid {
		*i.Time = time.Unix(0, n.Int64).UTC()
	}
	return nil
}

// number is how a float is kept: NULL for unknown.
func number(v float64) any {
	if !outyard.Known(v) {
		return nil
	}
	return v
}

// float scans what number wrote.
type float struct{ *float64 }

func (f float) Scan(v any) error {
	var n sql.NullFloat64
	if err := n.Scan(v); err != nil {
		return err
	}
	*f.float64 = outyard.Unknown
	if n.Valid {
		*f.float64 = n.Float64
	}
	return nil
}
