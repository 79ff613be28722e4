package sqlite

import (
	"context"
	"database/sql"
	"time"

	"outyard"
	"outyard/store"
)

const dayColumns = `gain_kg, handled_kg, night_loss_kg, stores_kg, mould_index, wall_rh_pct, brood_temp_c, coverage,
	wall_wet_hours, dew_hours, dew_margin_k, days_to_mould, days_to_visible`

// Days returns rows of the daily table, by date, yard and hive, and what
// Query.After of the next page is, empty at the end. A date has no zone: From
// and To stand for the dates that they have in UTC, the latter left out.
func (s *Store) Days(ctx context.Context, q store.Query) (items []outyard.Day, next string, err error) {
	var c conditions
	c.place(q)
	if !q.From.IsZero() {
		c.add("date >= ?", outyard.DateOf(q.From, time.UTC).String())
	}
	if !q.To.IsZero() {
		c.add("date < ?", outyard.DateOf(q.To, time.UTC).String())
	}
	var date, yard, hive string
	more, err := after(q, &date, &yard, &hive)
	if err != nil {
		return nil, "", err
	}
	if more {
		c.add("(date, yard, hive) > (?, ?, ?)", date, yard, hive)
	}
	err = s.rowsOf(ctx, `SELECT date, yard, hive, `+dayColumns+` FROM days`+c.where()+` ORDER BY date, yard, hive`+page(q), c.args,
		func(rows *sql.Rows) error {
			var d outyard.Day
			var date string
			err := rows.Scan(&date, &d.Yard, &d.Hive, float{&d.GainKg}, float{&d.HandledKg}, float{&d.NightLossKg},
				float{&d.StoresKg}, float{&d.MouldIndex}, float{&d.WallRHPct}, float{&d.BroodTempC}, float{&d.Coverage},
				float{&d.WallWetHours}, float{&d.DewHours}, float{&d.DewMarginK}, float{&d.DaysToMould}, float{&d.DaysToVisible})
			if err != nil {
				return err
			}
			d.Date, err = outyard.ParseDate(date)
			items = append(items, d)
			return err
		})
	if err != nil {
		return nil, "", because(err, "read days")
	}
	return cut(q, items, func(d outyard.Day) []any { return []any{d.Date.String(), d.Yard, d.Hive} })
}
