package web

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"strconv"

	"outyard"
)

// dailyColumns are the numbers of the daily table, in its order and by its
// names.
var dailyColumns = []struct {
	name string
	of   func(outyard.Day) float64
}{
	{"gain_kg", func(d outyard.Day) float64 { return d.GainKg }},
	{"handled_kg", func(d outyard.Day) float64 { return d.HandledKg }},
	{"night_loss_kg", func(d outyard.Day) float64 { return d.NightLossKg }},
	{"stores_kg", func(d outyard.Day) float64 { return d.StoresKg }},
	{"mould_index", func(d outyard.Day) float64 { return d.MouldIndex }},
	{"wall_rh_pct", func(d outyard.Day) float64 { return d.WallRHPct }},
	{"brood_temp_c", func(d outyard.Day) float64 { return d.BroodTempC }},
	{"coverage", func(d outyard.Day) float64 { return d.Coverage }},
}

// hiveCSV is a hive's daily table as a file, for the stretch that the page
// shows. What is not known is an empty cell.
func (s *site) hiveCSV(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.Now()
	yard, hive := outyard.YardID(r.PathValue("yard")), outyard.HiveID(r.PathValue("hive"))
	p, err := s.place(ctx, yard, hive)
	if err != nil {
		return err
	}
	sp, err := s.hiveSpan(ctx, p, hive, r.URL.Query(), now)
	if err != nil {
		return err
	}
	days, err := s.allDays(ctx, sp.daysQuery(yard, hive))
	if err != nil {
		return fmt.Errorf("days of %s/%s: %w", yard, hive, err)
	}
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	row := []string{"date", "yard", "hive"}
	for _, c := range dailyColumns {
		row = append(row, c.name)
	}
	_ = out.Write(row) // a buffer takes all
	for _, d := range days {
		row = append(row[:0], d.Date.String(), string(d.Yard), string(d.Hive))
		for _, c := range dailyColumns {
			cell := ""
			if v := c.of(d); outyard.Known(v) {
				cell = strconv.FormatFloat(v, 'f', -1, 64)
			}
			row = append(row, cell)
		}
		_ = out.Write(row)
	}
	out.Flush()
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="daily-%s-%s-%s-%s.csv"`, yard, hive, sp.FirstDay(), sp.LastDay()))
	_, _ = w.Write(b.Bytes()) // who has left cannot be told
	return nil
}
