package main

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/collector/csvfile"
	"outyard/simulator"
	"outyard/store"
	"outyard/store/sqlite"
)

// backlogSeason is some days in May in one yard: the keeper works, a hive swarms,
// and for five hours around a noon the radio is out, so that readings of all
// hives come late and in one heap.
func backlogSeason() simulator.Scenario {
	at := func(day, hour, minute int) time.Time {
		return time.Date(2026, time.May, day, hour, minute, 0, 0, time.UTC)
	}
	return simulator.Invent(21, simulator.Options{
		Start: at(14, 12, 0), Days: 6, Yards: 1, HivesPerYard: 3, Cadence: 20 * time.Minute, Calm: true,
		Script: []simulator.Event{
			{Kind: simulator.FineWeather, Time: at(14, 7, 0), End: at(23, 7, 0)},
			{Kind: outyard.Silent, What: simulator.Backlog, Yard: simulator.YardID(1), Time: at(18, 17, 0), End: at(18, 22, 0)},
			{Kind: outyard.Swarm, Yard: simulator.YardID(1), Hive: simulator.HiveID(2), Time: at(18, 19, 30), Kg: 2.2},
			{Kind: outyard.Handling, What: string(outyard.BoxOn), Yard: simulator.YardID(1), Hive: simulator.HiveID(1), Time: at(17, 17, 0)},
		},
	})
}

// replayed is what replay says of rows, told with their arrival.
func replayed(t *testing.T, season simulator.Scenario, sent []simulator.Sent, until time.Time, journal ...outyard.Entry) []outyard.Finding {
	t.Helper()
	dir := t.TempDir()
	file := func(name string) string { return filepath.Join(dir, name) }
	config, err := seasonConfig(season.Yards())
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file("outyard.yaml"), config, 0o600))
	var readings bytes.Buffer
	rows := csvfile.NewArrivalWriter(&readings)
	for _, s := range sent {
		require.NoError(t, rows.WriteRow(csvfile.Row{Reading: s.Reading, Arrival: s.Arrival}))
	}
	require.NoError(t, rows.Flush())
	require.NoError(t, os.WriteFile(file("readings.csv"), readings.Bytes(), 0o600))
	var notes bytes.Buffer
	for _, e := range journal {
		require.NoError(t, json.NewEncoder(&notes).Encode(e))
	}
	require.NoError(t, os.WriteFile(file("journal.jsonl"), notes.Bytes(), 0o600))
	code, _, stderr := inProcess(t, "replay", "--config", file("outyard.yaml"), "--readings", file("readings.csv"),
		"--journal", file("journal.jsonl"), "--findings", file("findings.jsonl"), "--until", until.Format(time.RFC3339))
	require.Zero(t, code, stderr)
	lines, err := os.ReadFile(file("findings.jsonl"))
	require.NoError(t, err)
	var found []outyard.Finding
	for dec := json.NewDecoder(bytes.NewReader(lines)); dec.More(); {
		var f outyard.Finding
		require.NoError(t, dec.Decode(&f))
		found = append(found, f)
	}
	return found
}

// lived is what a watcher tells of the same rows as they come.
func lived(t *testing.T, season simulator.Scenario, sent []simulator.Sent, until time.Time) (found []outyard.Finding) {
	t.Helper()
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		from := sent[0].Arrival.Add(-time.Minute)
		now := func() time.Time { return from.Add(time.Since(began)) }
		db, err := sqlite.Open(t.Context(), dir)
		require.NoError(t, err)
		watch := alerts.NewWatcher(db, new(scales).newCourse, alerts.Options{Yards: season.Yards()}, now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- watch.Run(ctx) }()
		reach := func(at time.Time) {
			if d := at.Sub(now()); d > 0 {
				<-time.After(d)
			}
			synctest.Wait()
		}
		for len(sent) > 0 {
			heap := 1 // what arrives at one instant is committed at once
			for heap < len(sent) && sent[heap].Arrival.Equal(sent[0].Arrival) {
				heap++
			}
			reach(sent[0].Arrival)
			var readings []outyard.Reading
			for _, s := range sent[:heap] { // as the intake does
				early := s.Reading.Time.Sub(s.Arrival)
				if early.Abs() >= outyard.MaxAhead {
					watch.Untimely(s.Reading, now())
				}
				if early <= outyard.MaxAhead {
					readings = append(readings, s.Reading)
				}
			}
			fresh, err := db.Keep(t.Context(), readings)
			require.NoError(t, err)
			watch.Kept(fresh, now())
			synctest.Wait()
			sent = sent[heap:]
		}
		reach(until.Add(time.Minute)) // at the next full minute it looks at the clock
		cancel()
		require.NoError(t, <-ended)
		found, _, err = db.Findings(t.Context(), store.Query{})
		require.NoError(t, err)
		require.NoError(t, db.Close())
	})
	slices.SortStableFunc(found, func(a, b outyard.Finding) int { return a.ToldAt.Compare(b.ToldAt) })
	return found
}

// saidOf is what has to be the same of a finding however its readings came.
type saidOf struct {
	Kind       outyard.Kind
	Yard       outyard.YardID
	Hive       outyard.HiveID
	Onset, End time.Time
	State      outyard.State
	Severity   outyard.Severity
	Summary    string
	Facts      string
}

func said(t *testing.T, found []outyard.Finding) []saidOf {
	t.Helper()
	var all []saidOf
	for _, f := range found {
		if f.State == outyard.Withdrawn {
			f.End = time.Time{} // when it was withdrawn, which is not about the hive
		}
		facts, err := json.Marshal(f.Facts)
		require.NoError(t, err)
		all = append(all, saidOf{f.Kind, f.Yard, f.Hive, f.Onset.UTC(), f.End.UTC(), f.State, f.Severity, f.Summary, string(facts)})
	}
	slices.SortFunc(all, func(a, b saidOf) int { return bytes.Compare(asKey(a), asKey(b)) })
	return all
}

func asKey(s saidOf) []byte {
	return []byte(s.Onset.Format(time.RFC3339) + string(s.Kind) + string(s.Hive) + string(s.State))
}

func TestLiveIsReplay(t *testing.T) {
	season := backlogSeason()
	sent := arrivals(t, season)
	until := sent[len(sent)-1].Arrival
	// A morning of one hive comes a day late, long after what followed it: then
	// the past is told anew.
	from, to := time.Date(2026, time.May, 17, 16, 0, 0, 0, time.UTC), time.Date(2026, time.May, 17, 19, 0, 0, 0, time.UTC)
	late := 0
	for i, s := range sent {
		if s.Reading.Hive == simulator.HiveID(1) && s.Reading.Time.After(from) && s.Reading.Time.Before(to) {
			sent[i].Arrival = to.Add(24*time.Hour + 30*time.Minute)
			late++
		}
	}
	require.NotZero(t, late)
	slices.SortStableFunc(sent, func(a, b simulator.Sent) int { return a.Arrival.Compare(b.Arrival) })
	live, again := lived(t, season, sent, until), replayed(t, season, sent, until)
	require.NotEmpty(t, again)
	require.True(t, slices.ContainsFunc(again, func(f outyard.Finding) bool { return f.Kind == outyard.Swarm && f.State != outyard.Withdrawn }), "the season has a swarm to find")
	require.True(t, slices.ContainsFunc(sent, func(s simulator.Sent) bool { return s.Arrival.Sub(s.Reading.Time) > time.Hour }), "and a backlog to come late")
	require.Equal(t, said(t, again), said(t, live))
	ids := func(found []outyard.Finding) (all []string) {
		for _, f := range found {
			all = append(all, f.ID)
		}
		slices.Sort(all)
		return all
	}
	require.Equal(t, ids(again), ids(live))
}

// TestAClockThatIsOffIsTold has nodes date their readings wrongly for most of a
// day: that is told live and replayed, and no node is silent for it.
func TestAClockThatIsOffIsTold(t *testing.T) {
	from, to := time.Date(2026, time.May, 16, 6, 0, 0, 0, time.UTC), time.Date(2026, time.May, 17, 4, 0, 0, 0, time.UTC)
	third := simulator.HiveID(3)
	for _, c := range []struct {
		says  string
		of    func(outyard.HiveID) bool
		ahead time.Duration
		nodes int
	}{
		{"three hours behind", func(h outyard.HiveID) bool { return h == third }, -3 * time.Hour, 1},
		{"so far behind that it tells of times that are known", func(h outyard.HiveID) bool { return h == third }, -20 * time.Hour, 1},
		{"ahead: what it sends is refused", func(h outyard.HiveID) bool { return h == third }, 2 * time.Hour, 1},
		{"the weather's", func(h outyard.HiveID) bool { return h == "" }, -3 * time.Hour, 1},
		{"all of a yard, which is not silent either", func(outyard.HiveID) bool { return true }, -9 * time.Hour, 4},
	} {
		t.Run(c.says, func(t *testing.T) {
			season := backlogSeason()
			sent := arrivals(t, season)
			until := sent[len(sent)-1].Arrival
			for i, s := range sent {
				if c.of(s.Reading.Hive) && s.Reading.Time.After(from) && s.Reading.Time.Before(to) {
					sent[i].Reading.Time = s.Reading.Time.Add(c.ahead)
				}
			}
			again := replayed(t, season, sent, until)
			standing := func(found []outyard.Finding) []outyard.Finding {
				return slices.DeleteFunc(slices.Clone(found), func(f outyard.Finding) bool { return f.State == outyard.Withdrawn })
			}
			require.Equal(t, said(t, standing(again)), said(t, standing(lived(t, season, sent, until))))
			clocks := 0
			for _, f := range again {
				wrongly := f.Kind == outyard.Silent && f.ToldAt.Before(to.Add(12*time.Hour)) // the radio is out later
				require.False(t, wrongly, "%s %s %s", f.ToldAt, f.State, f.Summary)
				if f.Facts["fault"] != "clock" || f.State == outyard.Withdrawn {
					continue
				}
				clocks++
				require.True(t, c.of(f.Hive))
				require.Equal(t, c.ahead.Minutes(), f.Facts["clock_ahead_minutes"])
				require.Equal(t, outyard.Over, f.State)
				require.WithinDuration(t, from, f.Onset, 30*time.Minute)
				require.WithinDuration(t, to, f.End, 30*time.Minute)
			}
			require.Equal(t, c.nodes, clocks)
		})
	}
}

// TestTheJournalOverrules: what looks like a swarm is none where the keeper
// wrote that she split the colony.
func TestTheJournalOverrules(t *testing.T) {
	season := backlogSeason()
	sent := arrivals(t, season)
	until := sent[len(sent)-1].Arrival
	split := outyard.Entry{Time: time.Date(2026, time.May, 18, 19, 30, 0, 0, time.UTC), Yard: simulator.YardID(1), Hive: simulator.HiveID(2),
		Kind: outyard.Split, Kg: outyard.Unknown}
	swarms := func(journal ...outyard.Entry) (n int) {
		for _, f := range replayed(t, season, sent, until, journal...) {
			if f.Kind == outyard.Swarm && f.State != outyard.Withdrawn {
				n++
			}
		}
		return n
	}
	require.Equal(t, 1, swarms())
	require.Zero(t, swarms(split))
	split.Hive = simulator.HiveID(3)
	require.Equal(t, 1, swarms(split), "a split of another hive says nothing of this one")
}

// TestAnyOrderEndsTheSame has the season's rows arrive in any order, far too
// late and at once: what is true in the end does not hang on that.
func TestAnyOrderEndsTheSame(t *testing.T) {
	season := backlogSeason()
	sent := arrivals(t, season)
	until := sent[len(sent)-1].Arrival
	standing := func(found []outyard.Finding) []outyard.Finding {
		return slices.DeleteFunc(found, func(f outyard.Finding) bool { return f.State == outyard.Withdrawn })
	}
	want := said(t, standing(replayed(t, season, sent, until)))
	require.NotEmpty(t, want)
	// Twelve heaps, each of readings from all of these days.
	dice := rand.New(rand.NewPCG(1, 2))
	shuffled := slices.Clone(sent)
	dice.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	heap := len(shuffled)/12 + 1
	for i := range shuffled {
		shuffled[i].Arrival = until.Add(-time.Duration(len(shuffled)/heap-i/heap) * time.Minute)
	}
	require.Equal(t, want, said(t, standing(replayed(t, season, shuffled, until))))
	require.Equal(t, want, said(t, standing(lived(t, season, shuffled, until))))
}

// TestExportKnowsNoOrder: what comes out does not tell how it came in.
func TestExportKnowsNoOrder(t *testing.T) {
	sent := arrivals(t, backlogSeason())
	dice := rand.New(rand.NewPCG(3, 4))
	shuffled := slices.Clone(sent)
	dice.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	ways := []struct {
		name string
		rows []simulator.Sent
	}{
		{"in order of arrival", sent},
		{"in any order", shuffled},
		{"each twice, in another order", append(slices.Clone(shuffled), sent...)},
	}
	var first string
	for _, way := range ways {
		t.Run(way.name, func(t *testing.T) {
			dir := t.TempDir()
			file := filepath.Join(dir, "readings.csv")
			writeReadings(t, file, way.rows)
			t.Setenv("OUTYARD_DATA", filepath.Join(dir, "data"))
			code, stdout, stderr := inProcess(t, "import", file)
			require.Zero(t, code, stderr)
			require.Contains(t, stdout, "refused 0")
			code, stdout, stderr = inProcess(t, "export")
			require.Zero(t, code, stderr)
			require.Equal(t, len(sent)+1, bytes.Count([]byte(stdout), []byte("\n")), "a header, and each reading once")
			if first == "" {
				first = stdout
			}
			require.True(t, first == stdout, "byte for byte the same")
			// What came out goes in, and comes out the same.
			require.NoError(t, os.WriteFile(file, []byte(stdout), 0o600))
			t.Setenv("OUTYARD_DATA", filepath.Join(dir, "again"))
			code, _, stderr = inProcess(t, "import", file)
			require.Zero(t, code, stderr)
			_, stdout, _ = inProcess(t, "export")
			require.True(t, first == stdout, "byte for byte the same after a second passage")
		})
	}
}
