package csvfile

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"time"

	"outyard"
)

// A Writer writes a readings file: every column in one order, time in UTC,
// each number as short as its quantity's resolution allows, so that the same
// readings always give the same bytes.
type Writer struct {
	w        *bufio.Writer
	line     []byte
	headed   bool
	arrivals bool // each row says when it reached the program
}

// NewWriter returns a Writer onto w. [Writer.Flush] must be called at the end.
func NewWriter(w io.Writer) *Writer {
	return &Writer{w: bufio.NewWriterSize(w, 1<<16)}
}

// NewArrivalWriter returns a Writer whose file has the column arrival too, for
// [Writer.WriteRow].
func NewArrivalWriter(w io.Writer) *Writer {
	rows := NewWriter(w)
	rows.arrivals = true
	return rows
}

// Write appends one reading, after the header if it is the first. Where the
// file has the column arrival, its cell stays empty.
func (w *Writer) Write(r outyard.Reading) error { return w.WriteRow(Row{Reading: r}) }

// WriteRow appends one row, after the header if it is the first. Its arrival
// is left out of a file without that column, and when it is zero.
func (w *Writer) WriteRow(row Row) error {
	r := &row.Reading
	if err := w.head(); err != nil {
		return err
	}
	if err := r.Yard.Check(); err != nil {
		return fmt.Errorf("write reading of %s: %w", r.Time.Format(time.RFC3339), err)
	}
	if r.Hive != "" {
		if err := r.Hive.Check(); err != nil {
			return fmt.Errorf("write reading of %s: %w", r.Time.Format(time.RFC3339), err)
		}
	}
	b := r.Time.UTC().AppendFormat(w.line[:0], time.RFC3339)
	b = append(b, ',')
	b = append(b, r.Yard...)
	b = append(b, ',')
	b = append(b, r.Hive...)
	for q, v := range r.Values {
		b = append(b, ',')
		if outyard.Known(v) {
			b = strconv.AppendFloat(b, outyard.Quantity(q).Round(v), 'f', -1, 64)
		}
	}
	if w.arrivals {
		b = append(b, ',')
		if !row.Arrival.IsZero() {
			b = row.Arrival.UTC().AppendFormat(b, time.RFC3339)
		}
	}
	w.line = append(b, '\n')
	_, err := w.w.Write(w.line)
	return err
}

// Flush writes what is still held back; the header too, of a file without
// readings.
func (w *Writer) Flush() error {
	if err := w.head(); err != nil {
		return err
	}
	return w.w.Flush()
}

func (w *Writer) head() error {
	if w.headed {
		return nil
	}
	w.headed = true
	columns := header
	if w.arrivals {
		columns += "," + arrivalColumn
	}
	_, err := w.w.WriteString(columns + "\n")
	return err
}
