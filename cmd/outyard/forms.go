package main

import (
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"time"

	"github.com/parquet-go/parquet-go"

	"outyard"
)

// A form is how things of one sort are written to a file: T as the program
// knows them, P as a row of Parquet, with a tag a column.
type form[T, P any] struct {
	header []string
	cells  func(T) []string // of CSV, in the header's order; empty for what is not known
	object func(T) any      // of JSON; what is not known is left out
	row    func(T) P
}

// parquetRowGroup bounds what is held in memory before it is written.
const parquetRowGroup = 100_000

// writer returns functions that append one thing, and that finish the file.
func (f form[T, P]) writer(format string, w io.Writer) (write func(T) error, end func() error) {
	switch format {
	case "jsonl":
		enc := json.NewEncoder(w)
		enc.SetEscapeHTML(false)
		return func(v T) error { return enc.Encode(f.object(v)) }, func() error { return nil }
	case "parquet":
		file := parquet.NewGenericWriter[P](w, parquet.Compression(&parquet.Snappy), parquet.MaxRowsPerRowGroup(parquetRowGroup))
		return func(v T) error {
			_, err := file.Write([]P{f.row(v)})
			return err
		}, file.Close
	}
	file := csv.NewWriter(w)
	err := file.Write(f.header)
	return func(v T) error {
			if err != nil {
				return err
			}
			return file.Write(f.cells(v))
		}, func() error {
			file.Flush()
			return file.Error()
		}
}

func (f form[T, P]) writeAll(format string, w io.Writer, all []T) error {
	write, end := f.writer(format, w)
	for _, v := range all {
		if err := write(v); err != nil {
			return err
		}
	}
	return end()
}

// instant is RFC 3339 in UTC; empty for the zero time.
func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// rounded cuts what is finer than anybody can know.
func rounded(v float64, decimals int) float64 {
	scale := math.Pow10(decimals)
	return math.Round(v*scale) / scale
}

// maybe is nil for what is not known.
func maybe(v float64, decimals int) *float64 {
	if !outyard.Known(v) {
		return nil
	}
	v = rounded(v, decimals)
	return &v
}

// cellOf is empty for what is not known.
func cellOf(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

// asJSON writes a list or a group of numbers into one cell.
func asJSON(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return ""
	}
	return string(b)
}

// A readingRow has the columns of the readings file.
type readingRow struct {
	Time         time.Time `json:"time" parquet:"time,timestamp(millisecond)"`
	Yard         string    `json:"yard" parquet:"yard,dict"`
	Hive         string    `json:"hive" parquet:"hive,dict"`
	WeightKg     *float64  `json:"weight_kg,omitempty" parquet:"weight_kg,optional"`
	InsideTempC  *float64  `json:"inside_temp_c,omitempty" parquet:"inside_temp_c,optional"`
	InsideRHPct  *float64  `json:"inside_rh_pct,omitempty" parquet:"inside_rh_pct,optional"`
	BatteryV     *float64  `json:"battery_v,omitempty" parquet:"battery_v,optional"`
	SignalDBm    *float64  `json:"signal_dbm,omitempty" parquet:"signal_dbm,optional"`
	OutsideTempC *float64  `json:"outside_temp_c,omitempty" parquet:"outside_temp_c,optional"`
	OutsideRHPct *float64  `json:"outside_rh_pct,omitempty" parquet:"outside_rh_pct,optional"`
	RainMm       *float64  `json:"rain_mm,omitempty" parquet:"rain_mm,optional"`
	WindMs       *float64  `json:"wind_ms,omitempty" parquet:"wind_ms,optional"`
}

// readingForm has no CSV: that is the readings file, which csvfile writes.
var readingForm = form[outyard.Reading, readingRow]{
	object: func(r outyard.Reading) any { return rowOfReading(r) },
	row:    rowOfReading,
}

func rowOfReading(r outyard.Reading) readingRow {
	known := func(q outyard.Quantity) *float64 {
		if v := r.Values[q]; outyard.Known(v) {
			v = q.Round(v)
			return &v
		}
		return nil
	}
	return readingRow{
		Time: r.Time.UTC(), Yard: string(r.Yard), Hive: string(r.Hive),
		WeightKg: known(outyard.Weight), InsideTempC: known(outyard.InsideTemp), InsideRHPct: known(outyard.InsideRH),
		BatteryV: known(outyard.Battery), SignalDBm: known(outyard.Signal),
		OutsideTempC: known(outyard.OutsideTemp), OutsideRHPct: known(outyard.OutsideRH),
		RainMm: known(outyard.Rain), WindMs: known(outyard.Wind),
	}
}

// A findingRow has a finding's lists and numbers as they are in its JSON.
type findingRow struct {
	ID         string     `parquet:"id"`
	Kind       string     `parquet:"kind,dict"`
	Yard       string     `parquet:"yard,dict"`
	Hive       string     `parquet:"hive,dict"`
	Onset      time.Time  `parquet:"onset,timestamp(millisecond)"`
	End        *time.Time `parquet:"end,optional,timestamp(millisecond)"`
	ToldAt     *time.Time `parquet:"told_at,optional,timestamp(millisecond)"`
	Severity   string     `parquet:"severity,dict"`
	Confidence float64    `parquet:"confidence"`
	Summary    string     `parquet:"summary"`
	Advice     []string   `parquet:"advice,list"`
	Caution    []string   `parquet:"caution,list"`
	Facts      string     `parquet:"facts"`
	State      string     `parquet:"state,dict"`
}

var findingForm = form[outyard.Finding, findingRow]{
	header: []string{"id", "kind", "yard", "hive", "onset", "end", "told_at", "severity", "confidence", "summary", "advice", "caution", "facts", "state"},
	cells: func(f outyard.Finding) []string {
		r := rowOfFinding(f)
		return []string{r.ID, r.Kind, r.Yard, r.Hive, instant(f.Onset), instant(f.End), instant(f.ToldAt), r.Severity,
			strconv.FormatFloat(r.Confidence, 'f', -1, 64), r.Summary, asJSON(r.Advice), asJSON(r.Caution), r.Facts, r.State}
	},
	object: func(f outyard.Finding) any { return f },
	row:    rowOfFinding,
}

func rowOfFinding(f outyard.Finding) findingRow {
	when := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		t = t.UTC()
		return &t
	}
	facts := map[string]any{}
	for name, v := range f.Facts {
		if x, ok := v.(float64); !ok || outyard.Known(x) {
			facts[name] = v
		}
	}
	return findingRow{
		ID: f.ID, Kind: string(f.Kind), Yard: string(f.Yard), Hive: string(f.Hive),
		Onset: f.Onset.UTC(), End: when(f.End), ToldAt: when(f.ToldAt), Severity: string(f.Severity), Confidence: f.Confidence,
		Summary: f.Summary, Advice: append([]string{}, f.Advice...), Caution: append([]string{}, f.Caution...),
		Facts: asJSON(facts), State: string(f.State),
	}
}

// A dayRow has the columns of the daily table.
type dayRow struct {
	Date        string   `json:"date" parquet:"date"`
	Yard        string   `json:"yard" parquet:"yard,dict"`
	Hive        string   `json:"hive" parquet:"hive,dict"`
	GainKg      *float64 `json:"gain_kg,omitempty" parquet:"gain_kg,optional"`
	HandledKg   *float64 `json:"handled_kg,omitempty" parquet:"handled_kg,optional"`
	NightLossKg *float64 `json:"night_loss_kg,omitempty" parquet:"night_loss_kg,optional"`
	StoresKg    *float64 `json:"stores_kg,omitempty" parquet:"stores_kg,optional"`
	MouldIndex  *float64 `json:"mould_index,omitempty" parquet:"mould_index,optional"`
	WallRHPct   *float64 `json:"wall_rh_pct,omitempty" parquet:"wall_rh_pct,optional"`
	BroodTempC  *float64 `json:"brood_temp_c,omitempty" parquet:"brood_temp_c,optional"`
	Coverage    *float64 `json:"coverage,omitempty" parquet:"coverage,optional"`
}

var dayForm = form[outyard.Day, dayRow]{
	header: []string{"date", "yard", "hive", "gain_kg", "handled_kg", "night_loss_kg", "stores_kg", "mould_index", "wall_rh_pct", "brood_temp_c", "coverage"},
	cells: func(d outyard.Day) []string {
		r := rowOfDay(d)
		return []string{r.Date, r.Yard, r.Hive, cellOf(r.GainKg), cellOf(r.HandledKg), cellOf(r.NightLossKg), cellOf(r.StoresKg),
			cellOf(r.MouldIndex), cellOf(r.WallRHPct), cellOf(r.BroodTempC), cellOf(r.Coverage)}
	},
	object: func(d outyard.Day) any { return rowOfDay(d) },
	row:    rowOfDay,
}

func rowOfDay(d outyard.Day) dayRow {
	return dayRow{
		Date: d.Date.String(), Yard: string(d.Yard), Hive: string(d.Hive),
		GainKg: maybe(d.GainKg, 3), HandledKg: maybe(d.HandledKg, 3), NightLossKg: maybe(d.NightLossKg, 3), StoresKg: maybe(d.StoresKg, 1),
		MouldIndex: maybe(d.MouldIndex, 3), WallRHPct: maybe(d.WallRHPct, 1), BroodTempC: maybe(d.BroodTempC, 2), Coverage: maybe(d.Coverage, 3),
	}
}

// An entryRow is a line of the journal.
type entryRow struct {
	ID   string    `parquet:"id"`
	Time time.Time `parquet:"time,timestamp(millisecond)"`
	Yard string    `parquet:"yard,dict"`
	Hive string    `parquet:"hive,dict"`
	Kind string    `parquet:"kind,dict"`
	Kg   *float64  `parquet:"kg,optional"`
	Part string    `parquet:"part,dict"`
	Note string    `parquet:"note"`
	By   string    `parquet:"by,dict"`
}

var entryForm = form[outyard.Entry, entryRow]{
	header: []string{"id", "time", "yard", "hive", "kind", "kg", "part", "note", "by"},
	cells: func(e outyard.Entry) []string {
		r := rowOfEntry(e)
		return []string{r.ID, instant(r.Time), r.Yard, r.Hive, r.Kind, cellOf(r.Kg), r.Part, r.Note, r.By}
	},
	object: func(e outyard.Entry) any { return e },
	row:    rowOfEntry,
}

func rowOfEntry(e outyard.Entry) entryRow {
	return entryRow{ID: e.ID, Time: e.Time.UTC(), Yard: string(e.Yard), Hive: string(e.Hive), Kind: string(e.Kind),
		Kg: maybe(e.Kg, 3), Part: e.Part, Note: e.Note, By: e.By}
}
