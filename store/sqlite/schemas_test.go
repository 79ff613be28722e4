package sqlite

import (
	"flag"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// writeOlder makes the files of older schemas that are not there: by their
// migrations alone, filled by the writing of today. A file left as it is proves
// more: make one again only for more to be in it, and make that of today's
// schema before a migration is added to it.
var writeOlder = flag.Bool("write-older", false, "write the files of schemas up to today's that are not there; read at this flag why not to write one again")

// olderFile is a store of that schema, filled by a program of then.
func olderFile(schema int64) string {
	return filepath.Join("testdata", fmt.Sprintf("schema-%d.db", schema))
}

// What each of the files holds: something in every table of the first schema.
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
		NightLossKg: 0.3, StoresKg: 12.5, MouldIndex: outyard.Unknown, WallRHPct: outyard.Unknown, BroodTempC: 34.5, Coverage: 1,
		WallWetHours: outyard.Unknown, DewHours: outyard.Unknown, DewMarginK: outyard.Unknown, DaysToMould: outyard.Unknown, DaysToVisible: outyard.Unknown}
	firstAlert   = outyard.Alert{Finding: firstFinding.ID, State: outyard.AlertTold, Since: noon.Add(20 * time.Minute), ToldAs: outyard.Soon}
	firstMessage = outyard.Message{Key: "k1", Route: "keeper", Findings: []string{firstFinding.ID}, Subject: "A swarm", Text: "It left.",
		HTML: "<p>It left.</p>", Queued: noon.Add(20 * time.Minute), Due: noon.Add(21 * time.Minute)}
	firstEntry = outyard.Entry{ID: "entry-1", Time: noon.Add(-time.Hour), Yard: "mill-lane", Hive: "h01", Kind: outyard.BoxOn,
		Kg: 4.5, Part: "deep", Note: "Wabenhonig für Jörg"}
	firstRefused = outyard.Refused{ID: 1, Topic: "yards/mill-lane/hives/h99", Payload: []byte("[{"), Arrived: noon,
		Reason: "not JSON", Yard: "mill-lane", Hive: "h99"}

	// From the second schema on.
	secondQueued = weights("h02", noon.Add(time.Hour), 3)
	// From the third.
	thirdStep = outyard.Transition{Finding: firstFinding.ID, At: noon.Add(22 * time.Minute), Event: "told", State: outyard.AlertTold}
	thirdLink = "link-1"
	// From the fourth.
	fourthRefused = outyard.Refused{ID: 2, Topic: "yards/mill-lane/weather", Payload: []byte("[]"), Arrived: noon.Add(time.Minute),
		Retained: true, Reason: "a broker retained it", Yard: "mill-lane"}
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
	if schema >= 2 {
		q, err := s.Queue(ctx)
		require.NoError(t, err)
		require.Len(t, add(t, q, secondQueued...), len(secondQueued))
		require.NoError(t, q.Close())
	}
	if schema >= 3 {
		require.NoError(t, s.Tell(ctx, store.News{History: []outyard.Transition{thirdStep}}))
		require.NoError(t, s.UseLink(ctx, thirdLink, noon.Add(time.Hour), noon))
	}
	if schema >= 4 {
		require.NoError(t, s.Refuse(ctx, []outyard.Refused{fourthRefused}))
	}
	require.NoError(t, s.Close())

	file, err := os.ReadFile(s.path)
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
	require.NoError(t, os.WriteFile(name, file, 0o644))
}

// TestOlderSchemas opens files that have the schemas before today's: each is
// brought up to date, everything is still there, and more can be added.
func TestOlderSchemas(t *testing.T) {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	require.NoError(t, err)
	for _, name := range names {
		schema, err := strconv.ParseInt(filepath.Base(name)[:5], 10, 64)
		require.NoError(t, err)
		t.Run(filepath.Base(olderFile(schema)), func(t *testing.T) {
			if _, err := os.Stat(olderFile(schema)); err != nil && *writeOlder {
				makeOlder(t, schema, olderFile(schema))
			}
			if schema < Schema() {
				openOlder(t, schema, olderFile(schema))
			}
		})
	}
}

// laterRows are what programs of then wrote into tables that the files have
// empty: as SQL, since the writing of today may be another.
var laterRows = []struct {
	schema int64 // from which on
	insert string
}{
	{5, `INSERT INTO keepers (name, role, password, added_ns, seen_ns) VALUES ('maren', 'keeper', '$argon2id$of-then', 1810100000000000000, NULL)`},
	{5, `INSERT INTO sessions (hash, keeper, made_ns, seen_ns) VALUES (x'5e551011', 'maren', 1810100000000000000, 1810110000000000000)`},
	{5, `INSERT INTO tokens (id, hash, keeper, label, scope, made_ns) VALUES ('t1', x'70ce4e', 'maren', 'club dashboard', 'read', 1810100000000000000)`},
	{6, `INSERT INTO nodes (user, secret, added_ns) VALUES ('mill-gateway', 'sha256$of-then', 1810100000000000000)`},
	{6, `INSERT INTO grounds (user, yard, hive) VALUES ('mill-gateway', 'mill-lane', '')`},
	{8, `INSERT INTO taken_over (source, yard, at_ns) VALUES ('/srv/outyard-north', 'mill-lane', 1810100000000000000)`},
}

// A table as a program of then left it: its columns, and their values as text,
// a line a row.
type oldTable struct {
	columns string
	rows    []string
}

// tablesOf reads all that a file has, but for what SQLite and the migrations
// note themselves. Of the tables that are given only their columns are read.
func tablesOf(t *testing.T, path string, of map[string]oldTable) map[string]oldTable {
	t.Helper()
	db, err := connect(path, "rw", readerPragmas)
	require.NoError(t, err)
	defer db.Close()
	list := func(query string, args ...any) (all []string) {
		rows, err := db.QueryContext(t.Context(), query, args...)
		require.NoError(t, err, query)
		defer rows.Close()
		for rows.Next() {
			var text string
			require.NoError(t, rows.Scan(&text))
			all = append(all, text)
		}
		require.NoError(t, rows.Err())
		return all
	}
	tables := map[string]oldTable{}
	for _, name := range list(`SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name != ?`, versionTable) {
		columns := of[name].columns
		if columns == "" && of == nil {
			columns = list(`SELECT group_concat('quote("' || name || '")', ' || '','' || ') FROM pragma_table_info(?)`, name)[0]
		}
		if columns != "" {
			tables[name] = oldTable{columns, list(`SELECT ` + columns + ` FROM "` + name + `" ORDER BY 1`)}
		}
	}
	return tables
}

func openOlder(t *testing.T, schema int64, name string) {
	file, err := os.ReadFile(name)
	require.NoError(t, err, "make it: go test ./store/sqlite -run TestOlderSchemas -write-older")
	dir := t.TempDir()
	path := filepath.Join(dir, File)
	require.NoError(t, os.WriteFile(path, file, 0o600))
	db, err := connect(path, "rw", []string{"foreign_keys(1)"})
	require.NoError(t, err)
	for _, later := range laterRows {
		if later.schema <= schema {
			_, err := db.ExecContext(t.Context(), later.insert)
			require.NoError(t, err, later.insert)
		}
	}
	require.NoError(t, db.Close())
	before := tablesOf(t, path, nil)
	for name, table := range before {
		require.NotEmpty(t, table.rows, "nothing is in %s: what would be lost of it is not seen", name)
	}
	require.NoError(t, os.Chtimes(path, noon, noon))
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
		refused, err := s.Refused(ctx, 0, 0, nil)
		require.NoError(t, err)
		wantRefused := []outyard.Refused{firstRefused}
		if schema >= 4 {
			wantRefused = []outyard.Refused{fourthRefused, firstRefused}
		}
		requireSame(t, wantRefused, refused)
		n, unplaced, dropped, err := s.RefusedCounts(ctx)
		require.NoError(t, err)
		require.Equal(t, []int64{int64(len(wantRefused)), 0, 0}, []int64{n, unplaced, dropped})
		q, err := s.Queue(ctx)
		require.NoError(t, err)
		queued := head(t, q, 10)
		require.NoError(t, q.Close())
		history, err := s.History(ctx, firstFinding.ID)
		require.NoError(t, err)
		used, err := s.LinkUsed(ctx, thirdLink)
		require.NoError(t, err)
		if schema >= 2 {
			require.Len(t, queued, len(secondQueued))
			for i, q := range queued {
				requireSame(t, secondQueued[i], q.Reading)
			}
		}
		if schema >= 3 {
			requireSame(t, []outyard.Transition{thirdStep}, history)
			require.True(t, used)
		}
	}

	kept := filepath.Join(dir, fmt.Sprintf("outyard-schema-%d-20270512T120000Z.db", schema))
	var upgrades []Upgrade
	s, err := Open(t.Context(), dir, func(u Upgrade) { upgrades = append(upgrades, u) })
	require.NoError(t, err)
	require.Equal(t, []Upgrade{{From: schema, To: Schema(), Backup: kept}}, upgrades)
	requireFirst(s)
	requireOf(t, kept, schema)
	requireSameRows(t, before, tablesOf(t, path, before))
	requireSameRows(t, before, tablesOf(t, kept, nil))
	fresh, err := s.Keep(t.Context(), all)
	require.NoError(t, err)
	require.Empty(t, fresh, "what was kept then is not new now")
	require.NoError(t, s.Close())

	s, err = Open(t.Context(), dir, func(Upgrade) { t.Error("once more, though nothing is to be done") })
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	requireFirst(s)
	fresh, err = s.Keep(t.Context(), weights("h02", noon, 3))
	require.NoError(t, err)
	require.Len(t, fresh, 3)
	require.Len(t, add(t, queueOf(t, s), firstWeights...), len(firstWeights), "what later schemas brought is there, and empty")
	require.NoError(t, s.Tell(t.Context(), store.News{History: []outyard.Transition{thirdStep}}))
	reader, err := OpenForReading(t.Context(), dir)
	require.NoError(t, err)
	require.NoError(t, reader.Close())
	require.NoError(t, Verify(t.Context(), filepath.Join(dir, File)))
}

// requireSameRows holds that no migration has changed or lost a row: every value
// of then is there, to the letter. One that has to change a table says so here.
func requireSameRows(t *testing.T, before, after map[string]oldTable) {
	t.Helper()
	for name, table := range before {
		require.Equal(t, table.rows, after[name].rows, name)
	}
	require.Len(t, after, len(before))
}

// requireOf checks that a file is a whole store of that schema.
func requireOf(t *testing.T, path string, schema int64) {
	t.Helper()
	require.NoError(t, Verify(t.Context(), path))
	db, err := connect(path, "rw", readerPragmas)
	require.NoError(t, err)
	defer db.Close()
	is, err := schemaOf(t.Context(), db)
	require.NoError(t, err)
	require.Equal(t, schema, is)
}

func requireSame(t *testing.T, want, got any) {
	t.Helper()
	alike := cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })
	if diff := cmp.Diff(want, got, alike); diff != "" {
		t.Fatalf("not as it was (-was +is):\n%s", diff)
	}
}

// TestNoUpgradeWithoutACopy: where the copy cannot be made, nothing is changed,
// and it is said what to do.
func TestNoUpgradeWithoutACopy(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, File)
	file, err := os.ReadFile(olderFile(1))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, file, 0o600))
	require.NoError(t, os.Chtimes(path, noon, noon))
	inTheWay := filepath.Join(dir, "outyard-schema-1-20270512T120000Z.db")
	require.NoError(t, os.WriteFile(inTheWay, []byte("a copy that broke off"), 0o600))

	_, err = Open(t.Context(), dir)
	require.ErrorIs(t, err, store.ErrDamaged)
	require.ErrorContains(t, err, "is of schema 1, and is not brought up to")
	require.ErrorContains(t, err, "or go on with the outyard that wrote it; nothing was changed")
	requireOf(t, path, 1)

	require.NoError(t, os.Remove(inTheWay))
	require.NoError(t, os.WriteFile(inTheWay, file, 0o600)) // whole: of an attempt that was cut short later
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	requireOf(t, path, Schema())
	requireOf(t, inTheWay, 1)
}

func TestOldCopiesAreThinnedOut(t *testing.T) {
	dir := t.TempDir()
	file, err := os.ReadFile(olderFile(1))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, File), file, 0o600))
	require.NoError(t, os.Chtimes(filepath.Join(dir, File), noon, noon))
	stays := []string{"outyard-schema-1-20270512T120000Z.db", "outyard-schema-2-20270101T000000Z.db", "outyard-schema-1-20260101T000000Z.db",
		"outyard.db.before-20270101T000000Z", "outyard-schema-mine.db"}
	goes := []string{"outyard-schema-1-20250101T000000Z.db", "outyard-schema-1-20240101T000000Z.db"}
	for _, name := range slices.Concat(stays[1:], goes) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), nil, 0o600))
	}
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	for _, name := range stays {
		require.FileExists(t, filepath.Join(dir, name))
	}
	for _, name := range goes {
		require.NoFileExists(t, filepath.Join(dir, name))
	}
}
