package web

import (
	"html"
	"io"
	"math"
	"net/http"
	"regexp"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

// year fills a store with a year of ten-minute readings of one hive and its
// yard's weather, and a finding a week.
func year(b *testing.B) *sqlite.Store {
	b.Helper()
	db, err := sqlite.Open(b.Context(), b.TempDir())
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, db.Close()) })
	var rs []outyard.Reading
	var news store.News
	for i := range 365 * 144 {
		at := testNow.Add(-time.Duration(365*144-i) * 10 * time.Minute)
		hours := float64(i) / 6
		w := outyard.NewReading("heron-point", "", at)
		w.Values[outyard.OutsideTemp], w.Values[outyard.OutsideRH] = 12+8*math.Sin(hours/24*2*math.Pi), 80
		r := outyard.NewReading("heron-point", "h01", at)
		r.Values[outyard.Weight] = 40 + 10*math.Sin(hours/1400) + 0.5*math.Sin(hours/24*2*math.Pi) + 0.01*float64(i%7)
		r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH], r.Values[outyard.Battery] = 34+0.1*float64(i%5), 60+float64(i%9), 3.9
		rs = append(rs, w, r)
		if len(rs) >= 5000 {
			_, err := db.Keep(b.Context(), rs)
			require.NoError(b, err)
			rs = rs[:0]
		}
		if i%144 == 0 {
			news.Days = append(news.Days, outyard.Day{Date: outyard.DateOf(at, pacific), Yard: "heron-point", Hive: "h01", GainKg: math.Sin(hours / 300),
				StoresKg: 15, MouldIndex: 0.5, WallRHPct: 75, BroodTempC: 34.5, Coverage: 1, HandledKg: 0, NightLossKg: 0.3})
		}
		if i%1008 == 500 {
			news.Findings = append(news.Findings, outyard.Finding{ID: at.Format(time.RFC3339), Kind: outyard.Handling, Yard: "heron-point", Hive: "h01", Onset: at,
				End: at.Add(20 * time.Minute), ToldAt: at, Severity: outyard.Note, Confidence: 0.9, State: outyard.Over, Summary: "Worked on.", Facts: map[string]any{"change_kg": 1.0}})
		}
	}
	_, err = db.Keep(b.Context(), rs)
	require.NoError(b, err)
	require.NoError(b, db.Tell(b.Context(), news))
	return db
}

// BenchmarkHiveYear is a hive's page with a year of ten-minute readings, and
// the slowest of its charts: each is to be served within 100 ms, p95.
func BenchmarkHiveYear(b *testing.B) {
	db := year(b)
	o := testOptions()
	o.Feed = NewFeed()
	srv, get := visit(b, db, o)
	const page = "/yards/heron-point/hives/h01?from=2026-05-15&to=2027-05-14"
	_, body, _ := get(page)
	urls := map[string]string{"page": page}
	for _, m := range regexp.MustCompile(`<img src="([^"]+/([a-z]+)\.svg[^"]*)"`).FindAllStringSubmatch(body, -1) {
		urls[m[2]] = html.UnescapeString(m[1])
	}
	require.Len(b, urls, 7, "the page and its six charts")
	for name, path := range urls {
		for _, when := range []string{"anew", "again"} {
			b.Run(name+"/"+when, func(b *testing.B) {
				var took []time.Duration
				for b.Loop() {
					if when == "anew" { // each hive has just sent
						o.Feed.Kept([]outyard.Reading{{Yard: "heron-point"}, {Yard: "heron-point", Hive: "h01"}})
					}
					start := time.Now()
					resp, err := srv.Client().Get(srv.URL + path)
					if err != nil {
						b.Fatal(err)
					}
					n, err := io.Copy(io.Discard, resp.Body)
					resp.Body.Close()
					if err != nil || resp.StatusCode != http.StatusOK || n < 1000 {
						b.Fatalf("%s: %d bytes, %s, %v", path, n, resp.Status, err)
					}
					took = append(took, time.Since(start))
				}
				slices.Sort(took)
				b.ReportMetric(float64(took[len(took)*95/100].Microseconds())/1000, "p95-ms")
			})
		}
	}
}
