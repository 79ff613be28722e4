package csvfile

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"

	"outyard"
)

var equateUnknown = cmpopts.EquateNaNs()

var atSix = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

func reading(yard outyard.YardID, hive outyard.HiveID, at time.Time, values map[outyard.Quantity]float64) outyard.Reading {
	r := outyard.NewReading(yard, hive, at)
	for q, v := range values {
		r.Values[q] = v
	}
	return r
}

func readAll(t *testing.T, file io.Reader) (rows []Row, bad []error) {
	t.Helper()
	r, err := NewReader(file)
	require.NoError(t, err)
	for {
		row, err := r.Read()
		if err == io.EOF {
			return rows, bad
		}
		var rowErr *RowError
		if err != nil {
			require.ErrorAs(t, err, &rowErr)
			bad = append(bad, err)
			if !rowErr.Usable {
				continue
			}
		}
		rows = append(rows, row)
	}
}

func row(r outyard.Reading, arrival time.Time) Row { return Row{Reading: r, Arrival: arrival} }

// anyZone leaves out of a comparison how the file gave the time.
var anyZone = cmpopts.IgnoreFields(Row{}, "Zone")

func TestReadKeepsTheOffsetOfTheTime(t *testing.T) {
	rows, bad := readAll(t, strings.NewReader("time,yard,hive,weight_kg\n2026-02-28T22:00:00-07:00,y,h,40\n2026-02-28T22:00:00Z,y,h,40\n"))
	require.Empty(t, bad)
	for i, wantHours := range []int{-7, 0} {
		_, offsetSec := rows[i].Reading.Time.In(rows[i].Zone).Zone()
		require.Equal(t, wantHours*3600, offsetSec)
	}
}

func TestRead(t *testing.T) {
	cases := []struct {
		name string
		file string
		want []Row
	}{
		{"columns may come in any order, and a cell may be empty",
			"weight_kg,hive,time,inside_rh_pct,yard\n41.25,h01,2026-03-01T06:00:00Z,,heron-point\n",
			[]Row{row(reading("heron-point", "h01", atSix, map[outyard.Quantity]float64{outyard.Weight: 41.25}), atSix)}},
		{"a row without a hive is the yard's weather",
			"time,yard,hive,outside_temp_c,outside_rh_pct,rain_mm,wind_ms\n2026-03-01T06:00:00Z,heron-point,,8.4,91,0.2,3.1\n",
			[]Row{row(reading("heron-point", "", atSix, map[outyard.Quantity]float64{outyard.OutsideTemp: 8.4, outyard.OutsideRH: 91, outyard.Rain: 0.2, outyard.Wind: 3.1}), atSix)}},
		// The international pound of 1959 is 0.45359237 kg, so 90 lb are
		// 40.8233133 kg; 32 °F is 0 °C and 95 °F is 35 °C, both exact.
		{"pounds and degrees Fahrenheit become ours",
			"time,yard,hive,weight_lb,inside_temp_f,outside_temp_f\n2026-03-01T06:00:00Z,y,h,90,95,32\n",
			[]Row{row(reading("y", "h", atSix, map[outyard.Quantity]float64{outyard.Weight: 40.823, outyard.InsideTemp: 35, outyard.OutsideTemp: 0}), atSix)}},
		{"grams become kilograms",
			"time,yard,hive,weight_g\n2026-03-01T06:00:00Z,y,h,41250\n",
			[]Row{row(reading("y", "h", atSix, map[outyard.Quantity]float64{outyard.Weight: 41.25}), atSix)}},
		{"a local time with its offset becomes UTC, a fraction of a second is rounded",
			"time,yard,hive,weight_kg\n2026-02-28T22:00:00.4-08:00,y,h,40\n",
			[]Row{row(reading("y", "h", atSix, map[outyard.Quantity]float64{outyard.Weight: 40}), atSix)}},
		{"the arrival column says when a late row came",
			"time,yard,hive,weight_kg,arrival\n2026-03-01T06:00:00Z,y,h,40,2026-03-02T06:00:00+01:00\n2026-03-01T06:00:00Z,y,h2,40,\n",
			[]Row{
				row(reading("y", "h", atSix, map[outyard.Quantity]float64{outyard.Weight: 40}), time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)),
				row(reading("y", "h2", atSix, map[outyard.Quantity]float64{outyard.Weight: 40}), atSix)}},
		{"a byte order mark, carriage returns, quotes and spaces do not matter",
			"\xef\xbb\xbftime, yard,hive,weight_kg\r\n\"2026-03-01T06:00:00Z\", y ,h, 40.5\r\n",
			[]Row{row(reading("y", "h", atSix, map[outyard.Quantity]float64{outyard.Weight: 40.5}), atSix)}},
		{"a file with a header alone has no rows", "time,yard\n", nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			rows, bad := readAll(t, strings.NewReader(c.file))
			require.Empty(t, bad)
			require.Empty(t, cmp.Diff(c.want, rows, equateUnknown, anyZone))

			var zipped bytes.Buffer
			z := gzip.NewWriter(&zipped)
			_, err := io.WriteString(z, c.file)
			require.NoError(t, err)
			require.NoError(t, z.Close())
			rows, bad = readAll(t, &zipped)
			require.Empty(t, bad)
			require.Empty(t, cmp.Diff(c.want, rows, equateUnknown, anyZone), "gzipped")
		})
	}
}

func TestHeaderErrors(t *testing.T) {
	cases := []struct {
		name, file string
		want       []string
	}{
		{"an unknown column is refused by name", "time,yard,hive,weight_st\n", []string{`unknown column "weight_st"`, "weight_lb"}},
		{"all mistakes are told at once", "tme,yard,hive,humidity\n", []string{`"tme"`, `"humidity"`, `no column "time"`}},
		{"the same quantity twice is refused", "time,yard,weight_kg,weight_lb\n", []string{`"weight_kg" and "weight_lb" both give the weight`}},
		{"the same column twice is refused", "time,yard,time,rain_mm,rain_mm\n", []string{`"time" is there twice`, `"rain_mm" is there twice`}},
		{"an empty file says what the first line must be", "", []string{"empty", "time,yard,hive,weight_kg,inside_temp_c,inside_rh_pct,battery_v,signal_dbm,outside_temp_c,outside_rh_pct,rain_mm,wind_ms"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := NewReader(strings.NewReader(c.file))
			for _, want := range c.want {
				require.ErrorContains(t, err, want)
			}
		})
	}
}

func TestRowErrors(t *testing.T) {
	const head = "time,yard,hive,weight_kg,inside_rh_pct\n"
	const good = "2026-03-01T06:00:00Z,y,h,40.5,71\n"
	cases := []struct {
		name, row string
		want      []string
		usable    bool
	}{
		{"a time that is not RFC 3339", "2026-03-01 06:00,y,h,40,70\n", []string{"line 3", `time "2026-03-01 06:00"`, "2026-05-01T06:10:00Z"}, false},
		{"a clock that was never set", "1999-12-31T23:59:59Z,y,h,40,70\n", []string{"line 3", "before 2000"}, false},
		{"a bad yard", "2026-03-01T06:00:00Z,Y 1,h,40,70\n", []string{`yard "Y 1"`, "ids are"}, false},
		{"a bad hive", "2026-03-01T06:00:00Z,y,h_1,40,70\n", []string{`hive "h_1"`, "ids are"}, false},
		{"a decimal comma", "2026-03-01T06:00:00Z,y,h,\"40,5\",70\n", []string{`weight_kg "40,5"`, "41.25"}, true},
		{"a word for unknown", "2026-03-01T06:00:00Z,y,h,NaN,70\n", []string{`weight_kg "NaN"`, "empty the cell"}, true},
		{"a hexadecimal number", "2026-03-01T06:00:00Z,y,h,0x2p4,70\n", []string{`weight_kg "0x2p4"`, "not a decimal number"}, true},
		{"a value that no scale gives", "2026-03-01T06:00:00Z,y,h,40500,70\n", []string{`weight_kg "40500"`, "outside -50 to 500 kg"}, true},
		{"the weight of a yard", "2026-03-01T06:00:00Z,y,,40,70\n", []string{`weight_kg "40"`, "fill in the hive"}, true},
		{"too few cells", "2026-03-01T06:00:00Z,y,h,40\n", []string{"line 3", "has 4 cells, the header has 5"}, false},
		{"a stray quote", "2026-03-01T06:00:00Z,y,h,4\"0,70\n", []string{"line 3", "quotes"}, false},
	}
	for _, c := range cases {
		t.Run(c.name+" is named, and the rows around it are read", func(t *testing.T) {
			rows, bad := readAll(t, strings.NewReader(head+good+c.row+good))
			require.Len(t, bad, 1)
			for _, want := range c.want {
				require.ErrorContains(t, bad[0], want)
			}
			if !c.usable {
				require.Len(t, rows, 2)
				return
			}
			require.Len(t, rows, 3)
			require.True(t, math.IsNaN(rows[1].Reading.Values[outyard.Weight]))
			require.Equal(t, 70.0, rows[1].Reading.Values[outyard.InsideRH], "the cells beside the bad one")
		})
	}
}

func TestCutGzipIsNotTheEndOfTheFile(t *testing.T) {
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	_, err := io.WriteString(z, "time,yard,hive,weight_kg\n2026-03-01T06:00:00Z,y,h,40\n")
	require.NoError(t, err)
	require.NoError(t, z.Close())
	r, err := NewReader(bytes.NewReader(zipped.Bytes()[:zipped.Len()-4]))
	require.NoError(t, err)
	for err == nil {
		_, err = r.Read()
	}
	require.NotErrorIs(t, err, io.EOF)
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

func TestWrite(t *testing.T) {
	var file bytes.Buffer
	w := NewWriter(&file)
	for _, r := range []outyard.Reading{
		reading("heron-point", "", atSix, map[outyard.Quantity]float64{outyard.OutsideTemp: -0.001, outyard.Rain: 0.2}),
		reading("heron-point", "h01", atSix.In(time.FixedZone("", -8*3600)), map[outyard.Quantity]float64{outyard.Weight: 41.23456, outyard.Signal: -87, outyard.InsideTemp: 307.55 - 273.15}),
	} {
		require.NoError(t, w.Write(r))
	}
	require.ErrorIs(t, w.Write(outyard.NewReading("a,b", "", atSix)), outyard.ErrBadID)
	require.ErrorIs(t, w.Write(outyard.NewReading("a", "H", atSix)), outyard.ErrBadID)
	require.NoError(t, w.Flush())
	require.Equal(t, `time,yard,hive,weight_kg,inside_temp_c,inside_rh_pct,battery_v,signal_dbm,outside_temp_c,outside_rh_pct,rain_mm,wind_ms
2026-03-01T06:00:00Z,heron-point,,,,,,,0,,0.2,
2026-03-01T06:00:00Z,heron-point,h01,41.235,34.4,,,-87,,,,
`, file.String())
}

func TestWriteNothingIsAHeader(t *testing.T) {
	var file bytes.Buffer
	require.NoError(t, NewWriter(&file).Flush())
	require.Equal(t, header+"\n", file.String())
}

// What is read, written and read again is the same, and is the same bytes
// when written again.
func FuzzRead(f *testing.F) {
	f.Add([]byte("time,yard,hive,weight_kg,inside_temp_f\n2026-03-01T06:00:00Z,y,h,41.23456,95\n"))
	f.Add([]byte("\xef\xbb\xbftime,yard,rain_mm,arrival\r\n2026-02-28T22:00:00.5-08:00,y,0.2,2026-03-01T06:00:00Z\r\n"))
	f.Add([]byte("yard,time,hive,weight_lb\ny,2026-03-01T06:00:00Z,\"h\",\"90\"\n\"\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		first, err := usable(file)
		if err != nil {
			return // refusing is fine
		}
		text := write(t, first)
		again, err := usable(text)
		if err != nil {
			t.Fatalf("what was written does not read back: %v\n%s", err, text)
		}
		if diff := cmp.Diff(first, again, equateUnknown); diff != "" {
			t.Fatalf("read back differs (-first +again):\n%s", diff)
		}
		if twice := write(t, again); !bytes.Equal(text, twice) {
			t.Fatalf("written twice:\n%s\n%s", text, twice)
		}
	})
}

func write(t *testing.T, rs []outyard.Reading) []byte {
	var file bytes.Buffer
	w := NewWriter(&file)
	for _, r := range rs {
		if err := w.Write(r); err != nil {
			t.Fatalf("write what was read: %v", err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return file.Bytes()
}

// usable returns the readings of a file's rows that have no error at all.
func usable(file []byte) (rs []outyard.Reading, err error) {
	r, err := NewReader(bytes.NewReader(file))
	if err != nil {
		return nil, err
	}
	for {
		row, err := r.Read()
		var bad *RowError
		switch {
		case err == io.EOF:
			return rs, nil
		case errors.As(err, &bad):
			if bad.Line < 1 || bad.Err == nil {
				return nil, fmt.Errorf("an error that says nothing: %w", err)
			}
		case err != nil:
			return rs, err
		default:
			// RFC 3339 has no year of five digits.
			if row.Reading.Time.Year() <= 9999 {
				rs = append(rs, row.Reading)
			}
		}
	}
}

func BenchmarkRead(b *testing.B) {
	var file bytes.Buffer
	w := NewWriter(&file)
	const rows = 10_000
	for i := range rows {
		r := reading("heron-point", outyard.HiveID(fmt.Sprintf("h%02d", i%30)), atSix.Add(time.Duration(i)*time.Minute), map[outyard.Quantity]float64{
			outyard.Weight: 40 + float64(i%977)/1000, outyard.InsideTemp: 34.6, outyard.InsideRH: 61.25, outyard.Battery: 3.912})
		if err := w.Write(r); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		r, err := NewReader(bytes.NewReader(file.Bytes()))
		if err != nil {
			b.Fatal(err)
		}
		for {
			if _, err = r.Read(); err != nil {
				break
			}
			n++
		}
		if err != io.EOF {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkWrite(b *testing.B) {
	r := reading("heron-point", "h01", atSix, map[outyard.Quantity]float64{
		outyard.Weight: 41.251, outyard.InsideTemp: 34.6, outyard.InsideRH: 61.25, outyard.Battery: 3.912})
	w := NewWriter(io.Discard)
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Write(r); err != nil {
			b.Fatal(err)
		}
	}
}
