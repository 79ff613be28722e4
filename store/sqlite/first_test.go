package sqlite

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// writeFirst makes the first of olderFiles that is not there: its migrations
// alone, filled by the writing of today. A file left as it is proves more: make it again only for
// more to be in it.
var writeFirst = flag.Bool("write-first", false, "write the files of older schemas that are not there; read at this flag why not to write one again")

// olderFiles are stores of the schemas before today's, the first one first.
var olderFiles = []string{filepath.Join("testdata", "first.db"), filepath.Join("testdata", "second.db")}

// What each of olderFiles holds: something in every table of the first schema.
var (
	firstWeights = weights("h01", noon, 50)
	firstWeather = func() outyard.Reading {
		r := outyard.NewReading("mill-lane", "", noon.Add(time.Second))
		r.Values[outyard.OutsideTemp], r.Values[outyard.Rain] = -3.25, 0.2
		return r
	}()
	firstFinding = outyard.Finding{ID: "swarm-mill-lane-h01-20270512T1210Z", Kind: outyard.Swarm, Yard: "mill-lane", Hive: "h01",
		Onset: noon.Add(10 * time.Minute), ToldAt: noon.Add(20 * time.Minute), Severity: outyard.Soon, Confidence: 0.9,
		Summary: "2.1 kg of bees left at noon", Advice: []string{"look for the cluster"},
		Facts: map[string]any{"change_kg": -2.1}, State: outyard.Open}
	firstDay = outyard.Day{Date: outyard.DateOf(noon, time.UTC), Yard: "mill-lane", Hive: "h01", GainKg: 1.25, HandledKg: outyard.Unknown,
		NightLossKg: 0.3, StoresKg: 12.5, MouldIndex: outyard.Unknown, WallRHPct: outyard.Unknown, BroodTempC: 34.5, Coverage: 1}
	firstAlert   = outyard.Alert{Finding: firstFinding.ID, State: outyard.AlertTold, Since: noon.Add(20 * time.Minute)}
	firstMessage = outyard.Message{Key: "k1", Route: "keeper", Findings: []string{firstFinding.ID}, Subject: "A swarm", Text: "It left.",
		HTML: "<p>It left.</p>", Queued: noon.Add(20 * time.Minute), Due: noon.Add(21 * time.Minute)}
	firstEntry = outyard.Entry{ID: "entry-1", Time: noon.Add(-time.Hour), Yard: "mill-lane", Hive: "h01", Kind: outyard.BoxOn,
		Kg: 4.5, Part: "deep", Note: "Wabenhonig für Jörg"}
	firstRefused = outyard.Refused{ID: 1, Topic: "yards/mill-lane/hives/h99", Payload: []byte("[{"), Arrived: noon,
		Reason: "not JSON", Yard: "mill-lane", Hive: "h99"}
)

func makeOlder(t *testing.T, schema int64, name string) {
	dir, ctx := t.TempDir(), t.Context()
	s := &Store{path: filepath.Join(dir, File), windowRows: windowRows, writing: make(chan struct{}, 1), refusedLimit: defaultRefusedLimit}
	var err error
	s.write, err = connect(s.path, "rwc", writerPragmas)
	require.NoError(t, err)
	s.write.SetMaxOpenConns(1)
	p, err := provider(s.write)
	require.NoError(t, err)
	_, err = p.UpTo(ctx, schema)
	require.NoError(t, err)
	s.writer, err = s.write.Conn(ctx)
	require.NoError(t, err)
	s.keeping, err = newKeeping(s.writer)
	require.NoError(t, err)
	require.NoError(t, s.openReaders())

	_, err = s.Keep(ctx, append([]outyard.Reading{firstWeather}, firstWeights...))
	require.NoError(t, err)
	require.NoError(t, s.Tell(ctx, store.News{Findings: []outyard.Finding{firstFinding}, Days: []outyard.Day{firstDay},
		Alerts: []outyard.Alert{firstAlert}, Messages: []outyard.Message{firstMessage}}))
	_, err = s.AddEntry(ctx, firstEntry)
	require.NoError(t, err)
	require.NoError(t, s.Refuse(ctx, []outyard.Refused{firstRefused}))
	require.NoError(t, s.Close())

	file, err := os.ReadFile(s.path)
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
	require.NoError(t, os.WriteFile(name, file, 0o644))
}

// TestOlderSchemas opens files that have the schemas before today's: each is
// brought up to date, everything is still there, and more can be added.
func TestOlderSchemas(t *testing.T) {
	for i, name := range olderFiles {
		schema := int64(i + 1)
		t.Run(filepath.Base(name), func(t *testing.T) {
			if _, err := os.Stat(name); err != nil && *writeFirst {
				makeOlder(t, schema, name)
			}
			openOlder(t, schema, name)
		})
	}
}

func openOlder(t *testing.T, schema int64, name string) {
	file, err := os.ReadFile(name)
	require.NoError(t, err)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, File), file, 0o600))
	_, err = OpenForReading(t.Context(), dir)
	require.ErrorIs(t, err, store.ErrOlder, "the file is of today's schema, and this test shows nothing")
	require.ErrorContains(t, err, fmt.Sprintf("schema %d,", schema))

	all := append([]outyard.Reading{}, firstWeights[0], firstWeather)
	all = append(all, firstWeights[1:]...)
	requireFirst := func(s *Store) {
		t.Helper()
		ctx := t.Context()
		var rs []outyard.Reading
		require.NoError(t, s.EachReading(ctx, store.Query{}, func(r outyard.Reading) error { rs = append(rs, r); return nil }))
		requireSame(t, all, rs)
		findings, _, err := s.Findings(ctx, store.Query{})
		require.NoError(t, err)
		requireSame(t, []outyard.Finding{firstFinding}, findings)
		days, _, err := s.Days(ctx, store.Query{})
		require.NoError(t, err)
		requireSame(t, []outyard.Day{firstDay}, days)
		alerts, err := s.Alerts(ctx)
		require.NoError(t, err)
		requireSame(t, []outyard.Alert{firstAlert}, alerts)
		due, err := s.Due(ctx, noon.Add(time.Hour), 0)
		require.NoError(t, err)
		requireSame(t, []outyard.Message{firstMessage}, due)
		entries, _, err := s.Entries(ctx, store.Query{})
		require.NoError(t, err)
		requireSame(t, []outyard.Entry{firstEntry}, entries)
		refused, err := s.Refused(ctx, 0, nil)
		require.NoError(t, err)
		requireSame(t, []outyard.Refused{firstRefused}, refused)
		n, unplaced, dropped, err := s.RefusedCounts(ctx)
		require.NoError(t, err)
		require.Equal(t, []int64{1, 0, 0}, []int64{n, unplaced, dropped})
	}

	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	requireFirst(s)
	fresh, err := s.Keep(t.Context(), all)
	require.NoError(t, err)
	require.Empty(t, fresh, "what was kept then is not new now")
	require.NoError(t, s.Close())

	s = open(t, dir) // once more, now that nothing is to be done
	requireFirst(s)
	fresh, err = s.Keep(t.Context(), weights("h02", noon, 3))
	require.NoError(t, err)
	require.Len(t, fresh, 3)
	require.Len(t, add(t, queueOf(t, s), firstWeights...), len(firstWeights), "what later schemas brought is there, and empty")
	require.NoError(t, s.Tell(t.Context(), store.News{History: []outyard.Transition{{Finding: firstFinding.ID, At: noon, Event: "told", State: outyard.AlertTold}}}))
	reader, err := OpenForReading(t.Context(), dir)
	require.NoError(t, err)
	require.NoError(t, reader.Close())
	require.NoError(t, Verify(t.Context(), filepath.Join(dir, File)))
}

func requireSame(t *testing.T, want, got any) {
	t.Helper()
	alike := cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })
	if diff := cmp.Diff(want, got, alike); diff != "" {
		t.Fatalf("not as it was (-was +is):\n%s", diff)
	}
}
