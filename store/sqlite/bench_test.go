package sqlite

import (
	"fmt"
	"os"
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/stretchr/testify/require"
)

// roundOf makes what n hives send at one instant, four quantities each, as
// thirty hives of an ordinary weight do.
func roundOf(n int, at time.Time) []outyard.Reading {
	rs := make([]outyard.Reading, n)
	i := int(at.Unix()/600) % 8000
	for h := range rs {
		rs[h] = outyard.NewReading("mill-lane", outyard.HiveID(fmt.Sprintf("h%03d", h)), at)
		rs[h].Values[outyard.Weight] = 34 + float64(h) + float64(i)/1000
		rs[h].Values[outyard.InsideTemp] = 33.5 + float64(i%150)/100
		rs[h].Values[outyard.InsideRH] = 55 + float64(i%900)/100
		rs[h].Values[outyard.Battery] = 3.9 - float64(i%500)/1000
	}
	return rs
}

func BenchmarkKeep(b *testing.B) {
	for _, batch := range []int{100, 1_000, 10_000} {
		b.Run(fmt.Sprintf("%d rows a commit", batch), func(b *testing.B) {
			s := open(b, b.TempDir())
			at, rows := noon, 0
			var rs []outyard.Reading
			for b.Loop() {
				b.StopTimer()
				for rs = rs[:0]; len(rs) < batch; at = at.Add(10 * time.Minute) {
					rs = append(rs, roundOf(30, at)...)
				}
				b.StartTimer()
				fresh, err := s.Keep(b.Context(), rs)
				if err != nil || len(fresh) != len(rs) {
					b.Fatal(len(fresh), err)
				}
				rows += len(rs)
			}
			b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

func BenchmarkKeepAgain(b *testing.B) {
	s := open(b, b.TempDir())
	rs := weights("h01", noon, 1000)
	_, err := s.Keep(b.Context(), rs)
	require.NoError(b, err)
	rows := 0
	for b.Loop() {
		fresh, err := s.Keep(b.Context(), rs)
		if err != nil || len(fresh) > 0 {
			b.Fatal(len(fresh), err)
		}
		rows += len(rs)
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "rows/s")
}

// fill fills a store with what so many hives send every ten minutes, as it
// comes from them in turn, and returns by how much its file grew.
func fill(tb testing.TB, s *Store, hives, rounds int) (rows int, size int64) {
	tb.Helper()
	empty := fileSize(tb, s)
	var rs []outyard.Reading
	for i := range rounds {
		rs = append(rs, roundOf(hives, noon.Add(time.Duration(i)*10*time.Minute))...)
		if len(rs) >= 1000 || i == rounds-1 {
			_, err := s.Keep(tb.Context(), rs)
			require.NoError(tb, err)
			rows += len(rs)
			rs = rs[:0]
		}
	}
	return rows, fileSize(tb, s) - empty
}

// fileSize is the size of the store's file with the log folded into it.
func fileSize(tb testing.TB, s *Store) int64 {
	tb.Helper()
	_, err := s.writer.ExecContext(tb.Context(), `PRAGMA wal_checkpoint(TRUNCATE)`)
	require.NoError(tb, err)
	in, err := os.Stat(s.path)
	require.NoError(tb, err)
	return in.Size()
}

func BenchmarkReadAYear(b *testing.B) {
	s := open(b, b.TempDir())
	rows, size := fill(b, s, 30, 52_560)
	end := noon.Add(52_560 * 10 * time.Minute)
	b.Run("as a chart of 1000 pixels", func(b *testing.B) {
		for b.Loop() {
			bs, err := s.Series(b.Context(), "mill-lane", "h015", outyard.Weight, noon, end, 1000)
			if err != nil || len(bs) != 1000 {
				b.Fatal(len(bs), err)
			}
		}
	})
	b.Run("of one hive", func(b *testing.B) {
		for b.Loop() {
			if n := count(b, s, store.Query{Hive: "h015"}); n != 52_560 {
				b.Fatal(n)
			}
		}
		b.ReportMetric(52_560*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Run("of all hives", func(b *testing.B) {
		for b.Loop() {
			if n := count(b, s, store.Query{}); n != rows {
				b.Fatal(n)
			}
		}
		b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
		b.ReportMetric(float64(size)/float64(rows), "bytes/row")
	})
}

func TestBytesARow(t *testing.T) {
	s := open(t, t.TempDir())
	rows, size := fill(t, s, 5, 3000)
	require.Less(t, float64(size)/float64(rows), 26.0, "bytes a row of four quantities")
}
