package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"outyard"
	"outyard/store"
)

// Tell keeps findings, days, alerts and messages, all or none: what was told
// and that it was told never part. A message whose key is known is left alone.
func (s *Store) Tell(ctx context.Context, news store.News) error {
	err := s.inTx(ctx, func(ctx context.Context, tx *sql.Tx) error {
		if err := putFindings(ctx, tx, news.Findings); err != nil {
			return err
		}
		if err := putDays(ctx, tx, news.Days); err != nil {
			return err
		}
		if err := putAlerts(ctx, tx, news.Alerts); err != nil {
			return err
		}
		if err := putHistory(ctx, tx, news.History); err != nil {
			return err
		}
		return putMessages(ctx, tx, news.Messages)
	})
	return because(err, "tell %d findings, %d days, %d alerts, %d messages",
		len(news.Findings), len(news.Days), len(news.Alerts), len(news.Messages))
}

// putEach runs one statement for each item.
func putEach[T any](ctx context.Context, tx *sql.Tx, query string, items []T, args func(T) ([]any, error)) error {
	if len(items) == 0 {
		return nil
	}
	st, err := tx.PrepareContext(ctx, query)
	if err != nil {
		return err
	}
	defer st.Close()
	for _, it := range items {
		a, err := args(it)
		if err != nil {
			return err
		}
		if _, err := st.ExecContext(ctx, a...); err != nil {
			return err
		}
	}
	return nil
}

func putFindings(ctx context.Context, tx *sql.Tx, findings []outyard.Finding) error {
	return putEach(ctx, tx, `INSERT INTO findings (id, onset_ns, yard, hive, kind, state, finding) VALUES (?,?,?,?,?,?,?)
		ON CONFLICT (id) DO UPDATE SET onset_ns = excluded.onset_ns, yard = excluded.yard, hive = excluded.hive,
		kind = excluded.kind, state = excluded.state, finding = excluded.finding`,
		findings, func(f outyard.Finding) ([]any, error) {
			if f.ID == "" || f.Onset.IsZero() {
				return nil, fmt.Errorf("finding %q of %s %s: want an id and an onset", f.ID, f.Yard, f.Hive)
			}
			b, err := json.Marshal(f)
			if err != nil {
				return nil, fmt.Errorf("finding %s: %w", f.ID, err)
			}
			return []any{f.ID, nanos(f.Onset), string(f.Yard), string(f.Hive), string(f.Kind), string(f.State), string(b)}, nil
		})
}

func putDays(ctx context.Context, tx *sql.Tx, days []outyard.Day) error {
	return putEach(ctx, tx, `INSERT INTO days (date, yard, hive, `+dayColumns+`) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)
		ON CONFLICT (yard, hive, date) DO UPDATE SET gain_kg = excluded.gain_kg, handled_kg = excluded.handled_kg,
		night_loss_kg = excluded.night_loss_kg, stores_kg = excluded.stores_kg, mould_index = excluded.mould_index,
		wall_rh_pct = excluded.wall_rh_pct, brood_temp_c = excluded.brood_temp_c, coverage = excluded.coverage,
		wall_wet_hours = excluded.wall_wet_hours, dew_hours = excluded.dew_hours, dew_margin_k = excluded.dew_margin_k,
		days_to_mould = excluded.days_to_mould, days_to_visible = excluded.days_to_visible`,
		days, func(d outyard.Day) ([]any, error) {
			return []any{d.Date.String(), string(d.Yard), string(d.Hive), number(d.GainKg), number(d.HandledKg), number(d.NightLossKg),
				number(d.StoresKg), number(d.MouldIndex), number(d.WallRHPct), number(d.BroodTempC), number(d.Coverage),
				number(d.WallWetHours), number(d.DewHours), number(d.DewMarginK), number(d.DaysToMould), number(d.DaysToVisible)}, nil
		})
}

func putAlerts(ctx context.Context, tx *sql.Tx, alerts []outyard.Alert) error {
	return putEach(ctx, tx, `INSERT INTO alerts (finding, state, since_ns, until_ns, reminded_ns, by_keeper, told_as) VALUES (?,?,?,?,?,?,?)
		ON CONFLICT (finding) DO UPDATE SET state = excluded.state, since_ns = excluded.since_ns,
		until_ns = excluded.until_ns, reminded_ns = excluded.reminded_ns, by_keeper = excluded.by_keeper, told_as = excluded.told_as`,
		alerts, func(a outyard.Alert) ([]any, error) {
			return []any{a.Finding, string(a.State), nanos(a.Since), nanos(a.Until), nanos(a.Reminded), a.By, string(a.ToldAs)}, nil
		})
}

func putHistory(ctx context.Context, tx *sql.Tx, history []outyard.Transition) error {
	return putEach(ctx, tx, `INSERT INTO transitions (finding, at_ns, event, state, until_ns, by_keeper) VALUES (?,?,?,?,?,?)`,
		history, func(t outyard.Transition) ([]any, error) {
			return []any{t.Finding, nanos(t.At), t.Event, string(t.State), nanos(t.Until), t.By}, nil
		})
}

func putMessages(ctx context.Context, tx *sql.Tx, messages []outyard.Message) error {
	return putEach(ctx, tx, `INSERT INTO messages (key, `+messageColumns+`) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)
		ON CONFLICT (key) DO NOTHING`,
		messages, func(m outyard.Message) ([]any, error) {
			if m.Key == "" {
				return nil, fmt.Errorf("message %q for %s: want a key", m.Subject, m.Route)
			}
			ids, err := json.Marshal(m.Findings)
			if err != nil {
				return nil, err
			}
			return []any{m.Key, m.Route, m.Target, string(ids), m.Subject, m.Text, m.HTML, nanos(m.Queued), nanos(m.NotAfter),
				nanos(m.Due), m.Attempts, m.LastErr, nanos(m.Sent)}, nil
		})
}
