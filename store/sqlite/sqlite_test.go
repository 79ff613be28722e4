package sqlite

import (
	"bytes"
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"outyard"
	"outyard/store"
	"outyard/store/storetest"

	"github.com/stretchr/testify/require"
)

// open opens the store in dir and closes it when the test ends.
func open(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Store { return open(t, t.TempDir()) })
}

var noon = time.Date(2027, 5, 12, 12, 0, 0, 0, time.UTC)

// weights makes n readings of one hive, a minute apart.
func weights(hive outyard.HiveID, from time.Time, n int) []outyard.Reading {
	rs := make([]outyard.Reading, n)
	for i := range rs {
		rs[i] = outyard.NewReading("mill-lane", hive, from.Add(time.Duration(i)*time.Minute))
		rs[i].Values[outyard.Weight] = float64(40_000+i) / 1000
	}
	return rs
}

func count(t testing.TB, s *Store, q store.Query) (n int) {
	t.Helper()
	require.NoError(t, s.EachReading(t.Context(), q, func(outyard.Reading) error { n++; return nil }))
	return n
}

func TestReopened(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "made", "on the way?#%") // names that an address would trip over
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	_, err = s.Keep(t.Context(), weights("h01", noon, 10))
	require.NoError(t, err)
	require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{{Topic: "t", Arrived: noon}}))
	require.NoError(t, s.Tell(t.Context(), store.News{Alerts: []outyard.Alert{{Finding: "f", State: outyard.AlertTold}}}))
	require.NoError(t, s.Close())
	require.NoError(t, s.Close(), "closing twice is closing once")

	_, err = s.Keep(t.Context(), weights("h02", noon, 1))
	require.ErrorIs(t, err, store.ErrUnavailable, "a closed store keeps nothing")
	require.Error(t, s.EachReading(t.Context(), store.Query{}, func(outyard.Reading) error { return nil }))

	s = open(t, dir)
	require.Equal(t, 10, count(t, s, store.Query{}))
	fresh, err := s.Keep(t.Context(), weights("h01", noon, 11))
	require.NoError(t, err)
	require.Len(t, fresh, 1, "what was kept before the restart is not new")
	refused, _, _, err := s.RefusedCounts(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 1, refused)
	as, err := s.Alerts(t.Context())
	require.NoError(t, err)
	require.Len(t, as, 1)

	in, err := os.Stat(dir)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), in.Mode().Perm())
}

func TestOneDaemonAFolder(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	_, err = Open(t.Context(), dir)
	require.ErrorIs(t, err, store.ErrInUse)
	require.ErrorContains(t, err, dir)
	require.ErrorContains(t, err, strconv.Itoa(os.Getpid()), "the error says which process has it")
	require.NoError(t, s.Close())
	open(t, dir)
}

func TestReadWhileADaemonWrites(t *testing.T) {
	dir := t.TempDir()
	_, err := OpenForReading(t.Context(), dir)
	require.ErrorIs(t, err, store.ErrNotFound)
	require.NoFileExists(t, filepath.Join(dir, File))

	daemon := open(t, dir)
	reader, err := OpenForReading(t.Context(), dir)
	require.NoError(t, err)
	defer reader.Close()
	for i := range 3 {
		_, err = daemon.Keep(t.Context(), weights("h01", noon.Add(time.Duration(i)*time.Hour), 60))
		require.NoError(t, err)
		require.Equal(t, 60*(i+1), count(t, reader, store.Query{}))
	}
	_, err = reader.Keep(t.Context(), weights("h01", noon, 1))
	require.ErrorContains(t, err, "for reading only")
	require.ErrorContains(t, reader.Tell(t.Context(), store.News{}), "for reading only")
}

func TestSchemaOfAnotherProgram(t *testing.T) {
	change := func(t *testing.T, dir, statement string) {
		db, err := connect(filepath.Join(dir, File), "rwc", writerPragmas)
		require.NoError(t, err)
		_, err = db.ExecContext(t.Context(), statement)
		require.NoError(t, err)
		require.NoError(t, db.Close())
	}
	t.Run("a newer one is left alone", func(t *testing.T) {
		dir := t.TempDir()
		s, err := Open(t.Context(), dir)
		require.NoError(t, err)
		require.NoError(t, s.Close())
		change(t, dir, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)`)
		_, err = Open(t.Context(), dir)
		require.ErrorIs(t, err, store.ErrNewer)
		require.ErrorContains(t, err, fmt.Sprintf("schema 99, this program knows %d: the store was written by a newer outyard: use that one again", Schema()))
		before := filepath.Join(dir, "outyard-schema-1-20270512T120000Z.db")
		require.NoError(t, os.WriteFile(before, nil, 0o600))
		_, err = Open(t.Context(), dir)
		require.ErrorIs(t, err, store.ErrNewer)
		require.ErrorContains(t, err, "or restore a copy made before; "+before+" is one")
		_, err = OpenForReading(t.Context(), dir)
		require.ErrorIs(t, err, store.ErrNewer)
	})
	t.Run("an older one is not read before the daemon has brought it up to date", func(t *testing.T) {
		dir := t.TempDir()
		change(t, dir, `CREATE TABLE old (x)`)
		_, err := OpenForReading(t.Context(), dir)
		require.ErrorIs(t, err, store.ErrOlder)
		require.NoError(t, open(t, dir).Tell(t.Context(), store.News{}))
		s, err := OpenForReading(t.Context(), dir)
		require.NoError(t, err)
		require.NoError(t, s.Close())
	})
	t.Run("a file that is none is said to be damaged", func(t *testing.T) {
		dir := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(dir, File), bytes.Repeat([]byte("honey "), 1000), 0o600))
		_, err := Open(t.Context(), dir)
		require.ErrorIs(t, err, store.ErrDamaged)
		_, err = OpenForReading(t.Context(), dir)
		require.ErrorIs(t, err, store.ErrDamaged)
	})
}

func TestFullDisk(t *testing.T) {
	s := open(t, t.TempDir())
	_, err := s.Keep(t.Context(), weights("h01", noon, 100))
	require.NoError(t, err)
	var pages int
	require.NoError(t, s.writer.QueryRowContext(t.Context(), `PRAGMA page_count`).Scan(&pages))
	limit := func(n int) {
		_, err := s.writer.ExecContext(t.Context(), fmt.Sprintf(`PRAGMA max_page_count = %d`, n))
		require.NoError(t, err)
	}
	limit(pages + 2) // SQLite answers a file that may not grow as it does a full disk

	many := weights("h02", noon, 1000)
	fresh, err := s.Keep(t.Context(), many)
	require.ErrorIs(t, err, store.ErrNoRoom)
	require.Empty(t, fresh)
	require.Zero(t, count(t, s, store.Query{Hive: "h02"}), "nothing is half kept")
	err = s.Tell(t.Context(), store.News{Messages: []outyard.Message{{Key: "k", HTML: strings.Repeat("x", 1<<20)}}})
	require.ErrorIs(t, err, store.ErrNoRoom)
	require.ErrorIs(t, s.Refuse(t.Context(), []outyard.Refused{{Payload: make([]byte, 1<<20)}}), store.ErrNoRoom)
	ms, err := s.Due(t.Context(), noon, 0)
	require.NoError(t, err)
	require.Empty(t, ms)

	limit(1 << 30)
	fresh, err = s.Keep(t.Context(), many)
	require.NoError(t, err)
	require.Len(t, fresh, len(many), "with room again all of it is new")
	require.Equal(t, len(many), count(t, s, store.Query{Hive: "h02"}))
	require.Equal(t, 100, count(t, s, store.Query{Hive: "h01"}))
	newest, err := s.Newest(t.Context())
	require.NoError(t, err)
	require.Len(t, newest, 2)
}

func TestRefusedAreBounded(t *testing.T) {
	message := func(i, size int) outyard.Refused {
		return outyard.Refused{Topic: "ü", Payload: make([]byte, size), Arrived: noon, Reason: strconv.Itoa(i), Unplaced: i%3 == 0}
	}
	left := func(s *Store) (reasons string) {
		ms, err := s.Refused(t.Context(), 0, 0, nil)
		require.NoError(t, err)
		for _, m := range ms {
			reasons += m.Reason + " "
		}
		return strings.TrimSpace(reasons)
	}
	counts := func(s *Store) [3]int64 {
		r, u, d, err := s.RefusedCounts(t.Context())
		require.NoError(t, err)
		return [3]int64{r, u, d}
	}
	t.Run("in number", func(t *testing.T) {
		s := open(t, t.TempDir())
		s.refusedLimit.messages = 5
		for i := range 9 {
			require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{message(i, 10)}))
		}
		require.Equal(t, "8 7 6 5 4", left(s))
		require.Equal(t, [3]int64{4, 1, 4}, counts(s))
	})
	t.Run("in bytes, several at once", func(t *testing.T) {
		s := open(t, t.TempDir())
		s.refusedLimit.bytes = 100
		require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{message(1, 37), message(2, 37), message(3, 7)})) // 40 + 40 + 10
		require.Equal(t, "3 2 1", left(s))
		require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{message(4, 7)}))
		require.Equal(t, "4 3 2 1", left(s), "100 of 100 bytes is in bounds")
		require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{message(5, 38)}))
		require.Equal(t, "5 4 3", left(s))
		require.Equal(t, [3]int64{2, 1, 2}, counts(s))
		require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{message(6, 101)}))
		require.Equal(t, "", left(s), "one that is too large by itself is dropped, and counted, too")
		require.Equal(t, [3]int64{0, 0, 6}, counts(s))
	})
}

func TestWindowsOfAnySize(t *testing.T) {
	// Hives that report every second, every so often, and once in years, some
	// of them all at once: more than a small window should hold.
	s := open(t, t.TempDir())
	var rs []outyard.Reading
	add := func(hive int, at time.Time) {
		r := outyard.NewReading("mill-lane", outyard.HiveID(fmt.Sprintf("h%03d", hive)), at)
		r.Values[outyard.Battery] = 3.6
		if hive%3 == 0 {
			r.Values[outyard.Rain] = 0.5
		}
		rs = append(rs, r)
	}
	for i := range 300 {
		add(i, noon)
		add(0, noon.Add(time.Duration(i)*time.Second+time.Second))
		add(1, noon.Add(time.Duration(i)*time.Hour+time.Hour))
	}
	for i := range 8 {
		add(2, noon.AddDate(i-4, 0, 1))
	}
	_, err := s.Keep(t.Context(), rs)
	require.NoError(t, err)
	slices.SortFunc(rs, func(a, b outyard.Reading) int {
		return cmp.Or(a.Time.Compare(b.Time), strings.Compare(string(a.Hive), string(b.Hive)))
	})
	for _, rows := range []int{1, 5, 700, 1_000_000} {
		s.windowRows = rows
		for _, q := range []store.Query{{}, {Hive: "h000"}, {From: noon.Add(10 * time.Second), To: noon.Add(200 * time.Second)}} {
			var got, want []string
			require.NoError(t, s.EachReading(t.Context(), q, func(r outyard.Reading) error {
				got = append(got, fmt.Sprint(r))
				return nil
			}))
			for _, r := range rs {
				if q.Asks(r.Yard, r.Hive) && !r.Time.Before(q.From) && (q.To.IsZero() || r.Time.Before(q.To)) {
					want = append(want, fmt.Sprint(r))
				}
			}
			require.Equal(t, want, got, "%d rows, %+v", rows, q)
		}
	}
}

func TestViewsForOtherTools(t *testing.T) {
	s := open(t, t.TempDir())
	r := outyard.NewReading("mill-lane", "h01", noon)
	for q := range outyard.NumQuantities {
		r.Values[q] = float64(q) + 0.5
	}
	_, err := s.Keep(t.Context(), []outyard.Reading{r})
	require.NoError(t, err)
	for _, tb := range tables {
		for _, q := range tb.quantities {
			var at, yard, hive string
			var v float64
			require.NoError(t, s.read.QueryRowContext(t.Context(), `SELECT time, yard, hive, `+q.Info().Column+` FROM `+tb.name+`_in_units`).Scan(&at, &yard, &hive, &v))
			require.Equal(t, "2027-05-12 12:00:00 mill-lane h01", at+" "+yard+" "+hive)
			require.Equal(t, r.Values[q], v, q.String())
		}
	}
}

func TestEveryQuantityHasItsColumn(t *testing.T) {
	for q := range outyard.NumQuantities {
		require.Contains(t, tableOf(q).quantities, q, "%s", q)
		require.NotEmpty(t, columns[q].name)
		for _, v := range []float64{q.Info().Min, 0, q.Info().Max} {
			n, err := toSteps(q, v)
			require.NoError(t, err)
			require.InDelta(t, v, fromSteps(q, n), q.Info().Step/2, "%s", q)
		}
	}
}

func TestWritesAreDurable(t *testing.T) {
	s := open(t, t.TempDir())
	var mode string
	var sync int
	require.NoError(t, s.writer.QueryRowContext(t.Context(), `PRAGMA journal_mode`).Scan(&mode))
	require.NoError(t, s.writer.QueryRowContext(t.Context(), `PRAGMA synchronous`).Scan(&sync))
	require.Equal(t, "wal", mode)
	require.Equal(t, 2, sync, "2 is FULL: https://sqlite.org/pragma.html#pragma_synchronous")
}
