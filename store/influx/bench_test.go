package influx

import (
	"fmt"
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/stretchr/testify/require"
)

// year makes a year of ten-minute readings of four quantities.
func year(hive outyard.HiveID) []outyard.Reading {
	rs := make([]outyard.Reading, 52_560)
	for i := range rs {
		rs[i] = outyard.NewReading("mill-lane", hive, noon.Add(time.Duration(i)*10*time.Minute))
		rs[i].Values[outyard.Weight] = float64(40_000+i%9000) / 1000
		rs[i].Values[outyard.InsideTemp] = float64(3400+i%97) / 100
		rs[i].Values[outyard.InsideRH] = float64(5500+i%1009) / 100
		rs[i].Values[outyard.Battery] = 3.9
	}
	return rs
}

// BenchmarkHandOn: how fast a queue that grew while the server was away becomes
// empty, of readings with four quantities.
func BenchmarkHandOn(b *testing.B) {
	server := sharedServer(b)
	s := open(b, Config{URL: server.url, Bucket: server.newBucket(b)})
	n := 0
	for b.Loop() {
		b.StopTimer()
		rs := year(outyard.HiveID(fmt.Sprintf("h%02d", n/len(year("h")))))
		for i := 0; i < len(rs); i += 1000 {
			_, err := s.Keep(b.Context(), rs[i:min(i+1000, len(rs))])
			require.NoError(b, err)
		}
		n += len(rs)
		h := handing{Store: s, size: s.limits.batch, most: s.limits.batch}
		b.StartTimer()
		for more := true; more; {
			var err error
			more, err = h.batch(b.Context())
			require.NoError(b, err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkYear(b *testing.B) {
	server := sharedServer(b)
	s := open(b, Config{URL: server.url, Bucket: server.newBucket(b)})
	_, err := s.Keep(b.Context(), year("h01"))
	require.NoError(b, err)
	run(b, s)
	handedOn(b, s)
	b.Run("chart", func(b *testing.B) {
		for b.Loop() {
			buckets, err := s.Series(b.Context(), "mill-lane", "h01", outyard.Weight, noon, noon.Add(365*24*time.Hour), 1000)
			require.NoError(b, err)
			require.Equal(b, 1000, len(buckets))
		}
	})
	b.Run("readings", func(b *testing.B) {
		for b.Loop() {
			require.Equal(b, 52_560, count(b, s, store.Query{Yard: "mill-lane"}))
		}
		b.ReportMetric(float64(b.N*52_560)/b.Elapsed().Seconds(), "readings/s")
	})
	b.Run("newest", func(b *testing.B) {
		for b.Loop() {
			rs, err := s.Newest(b.Context())
			require.NoError(b, err)
			require.Len(b, rs, 1)
		}
	})
}
