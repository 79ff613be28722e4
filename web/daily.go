package web

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"strconv"
	"time"

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

// wallColumns are what the daily table further has of the wall, in the API.
var wallColumns = []struct {
	name string
	of   func(outyard.Day) float64
}{
	{"wall_wet_hours", func(d outyard.Day) float64 { return d.WallWetHours }},
	{"dew_hours", func(d outyard.Day) float64 { return d.DewHours }},
	{"dew_margin_k", func(d outyard.Day) float64 { return d.DewMarginK }},
	{"days_to_mould", func(d outyard.Day) float64 { return d.DaysToMould }},
	{"days_to_visible", func(d outyard.Day) float64 { return d.DaysToVisible }},
}

// hiveAsked is the hive of an address, and the stretch that its page shows.
func (s *site) hiveAsked(r *http.Request) (place, outyard.HiveID, span, error) {
	yard, hive := outyard.YardID(r.PathValue("yard")), outyard.HiveID(r.PathValue("hive"))
	p, err := s.place(r.Context(), yard, hive)
	if err != nil {
		return p, hive, span{}, err
	}
	sp, err := s.hiveSpan(r.Context(), p, hive, r.URL.Query(), s.Now())
	return p, hive, sp, err
}

// hiveCSV is a hive's daily table as a file, for the stretch that the page
// shows. What is not known is an empty cell.
func (s *site) hiveCSV(w http.ResponseWriter, r *http.Request) error {
	p, hive, sp, err := s.hiveAsked(r)
	if err != nil {
		return err
	}
	days, err := s.allDays(r.Context(), sp.daysQuery(p.ID, hive))
	if err != nil {
		return fmt.Errorf("days of %s/%s: %w", p.ID, hive, err)
	}
	return writeCSV(w, fmt.Sprintf("daily-%s-%s-%s-%s.csv", p.ID, hive, sp.FirstDay(), sp.LastDay()), func(out *csv.Writer) error {
		return writeDays(out, days)
	})
}

// yardCSV is the daily table of all hives of a yard as a file.
func (s *site) yardCSV(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.Now()
	p, err := s.place(ctx, outyard.YardID(r.PathValue("yard")), "")
	if err != nil {
		return err
	}
	sp := parseSpan(r.URL.Query(), lastDays(yardDays, now, p.zone()), now)
	days, err := s.allDays(ctx, sp.daysQuery(p.ID, ""))
	if err != nil {
		return fmt.Errorf("days of %s: %w", p.ID, err)
	}
	return writeCSV(w, fmt.Sprintf("daily-%s-%s-%s.csv", p.ID, sp.FirstDay(), sp.LastDay()), func(out *csv.Writer) error {
		return writeDays(out, days)
	})
}

func writeDays(out *csv.Writer, days []outyard.Day) error {
	row := []string{"date", "yard", "hive"}
	for _, c := range dailyColumns {
		row = append(row, c.name)
	}
	if err := out.Write(row); err != nil {
		return err
	}
	for _, d := range days {
		row = append(row[:0], d.Date.String(), string(d.Yard), string(d.Hive))
		for _, c := range dailyColumns {
			row = append(row, cell(c.of(d)))
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	return nil
}

// mostCSVReadings is how many readings a file from a page holds: two years at
// one in ten minutes. It is made whole in memory.
const mostCSVReadings = 110_000

// readingsCSV is what a hive sent in the stretch that the page shows, as the
// readings file that import takes.
func (s *site) readingsCSV(w http.ResponseWriter, r *http.Request) error {
	p, hive, sp, err := s.hiveAsked(r)
	if err != nil {
		return err
	}
	return writeCSV(w, fmt.Sprintf("readings-%s-%s-%s-%s.csv", p.ID, hive, sp.FirstDay(), sp.LastDay()), func(out *csv.Writer) error {
		row := []string{"time", "yard", "hive"}
		for q := range outyard.NumQuantities {
			row = append(row, q.Info().Column)
		}
		if err := out.Write(row); err != nil {
			return err
		}
		rows := 0
		return s.store.EachReading(r.Context(), Query{Yard: p.ID, Hive: hive, From: sp.From, To: sp.To}, func(rd outyard.Reading) error {
			if rows++; rows > mostCSVReadings {
				return &pageError{http.StatusBadRequest, "That is more than fits into one file from a page. Choose a shorter stretch, or use outyard export."}
			}
			row = append(row[:0], rd.Time.UTC().Format(time.RFC3339), string(rd.Yard), string(rd.Hive))
			for q := range outyard.NumQuantities {
				row = append(row, cell(rd.Values[q]))
			}
			return out.Write(row)
		})
	})
}

// cell is empty for what is not known.
func cell(v float64) string {
	if !outyard.Known(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// writeCSV answers with a file, made whole before a byte is sent.
func writeCSV(w http.ResponseWriter, name string, fill func(*csv.Writer) error) error {
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	if err := fill(out); err != nil {
		return err
	}
	out.Flush()
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s"`, name))
	_, _ = w.Write(b.Bytes()) // who has left cannot be told
	return nil
}
