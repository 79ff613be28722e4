package csvfile

import (
	"bufio"
	"compress/gzip"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"outyard"
)

// A Row is one line of the file.
type Row struct {
	Reading outyard.Reading
	// Arrival is when the reading reached the program: its own time where the
	// file does not say.
	Arrival time.Time
	// Zone is the offset in which the file gives the time.
	Zone *time.Location
}

// A RowError says what is wrong with one row. Reading can go on after it.
type RowError struct {
	Line   int    // of the file, from 1; the header is a line
	Column string // empty when it is about the whole row
	Value  string
	Err    error // what is wrong, and what to do
	// Usable says that the row which came with the error holds the rest of
	// the line: only the cell at fault is unknown in it.
	Usable bool
}

func (e *RowError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("line %d: %v", e.Line, e.Err)
	}
	return fmt.Sprintf("line %d: %s %q: %v", e.Line, e.Column, e.Value, e.Err)
}

func (e *RowError) Unwrap() error { return e.Err }

// A column is what the cells below one name of the header mean.
type column struct {
	name    string
	of      outyard.Quantity      // where the column is a quantity, else -1
	convert func(float64) float64 // nil where the unit is ours already
}

// A Reader reads a readings file row by row.
type Reader struct {
	rows    *csv.Reader
	columns []column

	time, yard, hive, arrival int // places in a line, -1 for none

	yards map[string]outyard.YardID // ids met and found good
	hives map[string]outyard.HiveID
}

// NewReader reads the header, of plain text or gzip, and says which of its
// columns are not understood, are there twice, or are missing.
func NewReader(r io.Reader) (*Reader, error) {
	text, err := plain(r)
	if err != nil {
		return nil, err
	}
	rows := csv.NewReader(text)
	rows.ReuseRecord = true
	names, err := rows.Read()
	if err == io.EOF {
		return nil, errors.New("readings file is empty: its first line must name the columns: " + header)
	}
	if err != nil {
		return nil, fmt.Errorf("header of readings file: %w", err)
	}
	rd := &Reader{rows: rows, time: -1, yard: -1, hive: -1, arrival: -1,
		yards: make(map[string]outyard.YardID), hives: make(map[string]outyard.HiveID)}
	if bad := rd.readHeader(names); len(bad) > 0 {
		return nil, fmt.Errorf("header of readings file: %s", strings.Join(bad, "; "))
	}
	return rd, nil
}

// whole says of a gzipped file that it ends too soon.
type whole struct{ io.Reader }

func (w whole) Read(p []byte) (int, error) {
	n, err := w.Reader.Read(p)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = fmt.Errorf("the gzipped file is cut short: fetch it again; what came before the cut is good: %w", io.ErrUnexpectedEOF)
	}
	return n, err
}

// plain undoes gzip, told by its first two bytes (RFC 1952 §2.3.1), and drops
// the byte order mark that spreadsheets put before UTF-8.
func plain(r io.Reader) (io.Reader, error) {
	text := bufio.NewReaderSize(r, 1<<16)
	if magic, _ := text.Peek(2); string(magic) == "\x1f\x8b" {
		z, err := gzip.NewReader(text)
		if err != nil {
			return nil, fmt.Errorf("gzipped readings file: %w", err)
		}
		text = bufio.NewReaderSize(whole{z}, 1<<16)
	}
	if bom, _ := text.Peek(3); string(bom) == "\xef\xbb\xbf" {
		if _, err := text.Discard(3); err != nil {
			return nil, err
		}
	}
	return text, nil
}

// readHeader finds the columns, and says what is wrong with them.
func (r *Reader) readHeader(names []string) (bad []string) {
	var given [outyard.NumQuantities]string
	for i, name := range names {
		name = strings.TrimSpace(name)
		place := func(p *int) {
			if *p >= 0 {
				bad = append(bad, fmt.Sprintf("column %q is there twice", name))
			}
			*p = i
		}
		c := column{name: name, of: -1}
		switch name {
		case timeColumn:
			place(&r.time)
		case yardColumn:
			place(&r.yard)
		case hiveColumn:
			place(&r.hive)
		case arrivalColumn:
			place(&r.arrival)
		default:
			q, convert, ok := quantityColumn(name)
			switch {
			case !ok:
				bad = append(bad, fmt.Sprintf("unknown column %q: want some of %s", name, known))
			case given[q] == name:
				bad = append(bad, fmt.Sprintf("column %q is there twice", name))
			case given[q] != "":
				bad = append(bad, fmt.Sprintf("columns %q and %q both give the %s: leave one out", given[q], name, q))
			default:
				given[q] = name
				c.of, c.convert = q, convert
			}
		}
		r.columns = append(r.columns, c)
	}
	if r.time < 0 {
		bad = append(bad, fmt.Sprintf("no column %q", timeColumn))
	}
	if r.yard < 0 {
		bad = append(bad, fmt.Sprintf("no column %q", yardColumn))
	}
	return bad
}

func quantityColumn(name string) (q outyard.Quantity, convert func(float64) float64, ok bool) {
	for q := range outyard.NumQuantities {
		if q.Info().Column == name {
			return q, nil, true
		}
	}
	for _, a := range alternates {
		if a.column == name {
			return a.of, a.convert, true
		}
	}
	return 0, nil, false
}

// Read returns the next row, and io.EOF after the last. A *RowError is about
// this row alone: the next call goes on with the row after it.
func (r *Reader) Read() (Row, error) {
	cells, err := r.rows.Read()
	if err != nil {
		return Row{}, r.lineError(err, len(cells))
	}
	at, err := readTime(cells[r.time])
	if err != nil {
		return Row{}, r.cellError(r.time, cells, err)
	}
	yard, ok := r.yards[cells[r.yard]]
	if !ok {
		if yard, err = r.readYard(cells[r.yard]); err != nil {
			return Row{}, r.cellError(r.yard, cells, err)
		}
	}
	var hive outyard.HiveID
	if r.hive >= 0 && cells[r.hive] != "" {
		if hive, ok = r.hives[cells[r.hive]]; !ok {
			if hive, err = r.readHive(cells[r.hive]); err != nil {
				return Row{}, r.cellError(r.hive, cells, err)
			}
		}
	}
	row := Row{Reading: outyard.NewReading(yard, hive, at), Zone: at.Location()}
	if row.Reading.Time.Before(outyard.Earliest) {
		return Row{}, r.cellError(r.time, cells, fmt.Errorf("before %d: the node's clock was not set", outyard.Earliest.Year()))
	}
	row.Arrival = row.Reading.Time
	var first error // of the cells at fault; the others of the row are read
	if r.arrival >= 0 && cells[r.arrival] != "" {
		arrival, err := readTime(cells[r.arrival])
		if err != nil {
			return Row{}, r.cellError(r.arrival, cells, err)
		}
		row.Arrival = arrival.UTC()
	}
	for i := range r.columns {
		c := &r.columns[i]
		if c.of < 0 || cells[i] == "" {
			continue
		}
		v, err := c.value(cells[i])
		if err == nil && hive == "" && c.of == outyard.Weight && outyard.Known(v) {
			v, err = outyard.Unknown, errors.New("the row has no hive, and a yard's weather has no weight: fill in the hive")
		}
		if err != nil && first == nil {
			first = r.cellError(i, cells, err)
			first.(*RowError).Usable = true
		}
		row.Reading.Values[c.of] = v
	}
	return row, first
}

// value reads a number in the column's unit; unknown, with an error or for a
// cell of spaces.
func (c *column) value(cell string) (float64, error) {
	cell = strings.TrimSpace(cell)
	if cell == "" {
		return outyard.Unknown, nil
	}
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil || !outyard.Known(v) || strings.ContainsAny(cell, "xX") {
		return outyard.Unknown, errors.New("not a decimal number such as 41.25: empty the cell if nothing was measured")
	}
	if c.convert != nil {
		v = c.convert(v)
	}
	v = c.of.Round(v)
	if in := c.of.Info(); v < in.Min || v > in.Max {
		return outyard.Unknown, fmt.Errorf("outside %g to %g %s: check unit and sensor", in.Min, in.Max, in.Unit)
	}
	return v, nil
}

func readTime(cell string) (time.Time, error) {
	at, err := time.Parse(time.RFC3339, cell)
	if err != nil {
		if at, err = time.Parse(time.RFC3339, strings.TrimSpace(cell)); err != nil {
			return at, errors.New("not an RFC 3339 time such as 2026-05-01T06:10:00Z")
		}
	}
	return at, nil
}

func (r *Reader) readYard(cell string) (outyard.YardID, error) {
	// Cloned, since the cell is a piece of its whole line.
	id := outyard.YardID(strings.Clone(strings.TrimSpace(cell)))
	if err := id.Check(); err != nil {
		return "", err
	}
	remember(r.yards, cell, id)
	return id, nil
}

func (r *Reader) readHive(cell string) (outyard.HiveID, error) {
	id := outyard.HiveID(strings.Clone(strings.TrimSpace(cell)))
	if id != "" {
		if err := id.Check(); err != nil {
			return "", err
		}
	}
	remember(r.hives, cell, id)
	return id, nil
}

// maxRemembered bounds the ids kept at hand: more than any keeper has.
const maxRemembered = 1 << 16

func remember[ID ~string](ids map[string]ID, cell string, id ID) {
	if len(ids) >= maxRemembered {
		clear(ids)
	}
	ids[strings.Clone(cell)] = id
}

func (r *Reader) cellError(i int, cells []string, err error) error {
	line, _ := r.rows.FieldPos(i)
	return &RowError{Line: line, Column: r.columns[i].name, Value: strings.Clone(cells[i]), Err: err}
}

// lineError makes an error about one line one that reading can go on after,
// and leaves the others, such as that of a cut gzip, as they are.
func (r *Reader) lineError(err error, cells int) error {
	var p *csv.ParseError
	if !errors.As(err, &p) {
		return err
	}
	if errors.Is(err, csv.ErrFieldCount) {
		return &RowError{Line: p.StartLine, Err: fmt.Errorf("has %d cells, the header has %d: add commas for the empty ones", cells, len(r.columns))}
	}
	return &RowError{Line: p.StartLine, Err: fmt.Errorf("%w: double the quotes inside a quoted cell", p.Err)}
}
