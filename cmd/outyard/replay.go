package main

import (
	"bufio"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"os"
	"runtime"
	"slices"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"outyard"
	"outyard/alerts"
	"outyard/analysis"
	"outyard/analysis/instruments"
	"outyard/collector/csvfile"
	"outyard/configs"
	"outyard/timekeeping"
)

// newReplay is the command that runs the analyses over a file as the daemon
// would have run them live, with the file's own time as the clock.
func newReplay() *cobra.Command {
	var readingsFile, findingsFile, dailyFile, journalFile, until string
	c := &cobra.Command{
		Use:   "replay --readings FILE",
		Short: "Run the analyses over a readings file, as they would have run live",
		Long: `Run the analyses over a readings file, with the file's own time as the clock,
as the daemon would have run them live. A column "arrival" may say when a row
reached the daemon; without it a row arrived at its own time, and a node's clock
is judged by how its days run beside the yard's. Nothing is kept and nobody is
told. "-" stands for standard input or output.

A yard that is not in the config is taken as it comes: its days are those of the
offset in which the file gives its times, and its noon is guessed from that.`,
		Example: "  outyard replay --config outyard.yaml --readings season.csv.gz --findings findings.jsonl --daily daily.csv",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if readingsFile == "" {
				return useWrongly("name the file with --readings; - is standard input")
			}
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			end := time.Time{}
			if until != "" {
				if end, err = time.Parse(time.RFC3339, until); err != nil {
					return useWrongly("--until %q: want a time like 2027-05-22T12:00:00Z", until)
				}
			}
			journal, err := readJournal(journalFile)
			if err != nil {
				return err
			}
			in, closeIn, err := openInput(cmd, readingsFile)
			if err != nil {
				return err
			}
			defer closeIn()
			past, err := readSeasons(in, cfg, end, cmd.ErrOrStderr())
			if err != nil {
				return fmt.Errorf("%s: %w", readingsFile, err)
			}
			if until == "" {
				end = past.last
			}
			found, days, err := replayYards(past.yards, journal, end)
			if err != nil {
				return err
			}
			if err := writeOutput(cmd, findingsFile, func(w io.Writer) error { return findingForm.writeAll("jsonl", w, found) }); err != nil {
				return err
			}
			if err := writeOutput(cmd, dailyFile, func(w io.Writer) error { return dayForm.writeAll("csv", w, days) }); err != nil {
				return err
			}
			if findingsFile != "-" && dailyFile != "-" {
				summarise(cmd.OutOrStdout(), found)
			}
			if past.bad > 0 {
				return fmt.Errorf("%s: %d rows could not be read and were left out; the rest was replayed", readingsFile, past.bad)
			}
			return nil
		},
	}
	c.Flags().StringVar(&readingsFile, "readings", "", "readings `FILE`: CSV, plain or gzip")
	c.Flags().StringVar(&findingsFile, "findings", "", "write findings to `FILE`, one JSON object a line")
	c.Flags().StringVar(&dailyFile, "daily", "", "write the daily table to `FILE` as CSV")
	c.Flags().StringVar(&journalFile, "journal", "", "what the keeper did: `FILE` of JSON objects, one a line")
	c.Flags().StringVar(&until, "until", "", "stop at this `TIME`, as if it were now; left out, at the last arrival in the file")
	return c
}

// recorded is what a readings file tells.
type recorded struct {
	yards map[outyard.YardID]*season
	last  time.Time // when the last row of any yard arrived: a yard that ends before it is silent
	bad   int       // rows that could not be read
}

// readSeasons reads the file into yards, up to a time unless that is zero. A
// row that cannot be read is reported and left out.
func readSeasons(in io.Reader, cfg configs.Config, until time.Time, complain io.Writer) (recorded, error) {
	r, err := csvfile.NewReader(in)
	if err != nil {
		return recorded{}, err
	}
	s := recorded{yards: map[outyard.YardID]*season{}}
	for _, y := range cfg.Yards {
		s.yards[y.ID] = newSeason(y)
	}
	for row, err := range ahead(r) {
		if bad0 := new(csvfile.RowError); errors.As(err, &bad0) {
			s.bad++
			fmt.Fprintln(complain, bad0)
			if !bad0.Usable {
				continue
			}
		} else if err != nil {
			return recorded{}, err
		}
		if !until.IsZero() && row.Arrival.After(until) {
			continue
		}
		if row.Arrival.After(s.last) {
			s.last = row.Arrival
		}
		y := s.yards[row.Reading.Yard]
		if y == nil {
			y = newSeason(yardByDefault(row.Reading.Yard, row.Zone, row.Reading.Time))
			s.yards[row.Reading.Yard] = y
		}
		y.add(row)
	}
	return s, nil
}

// ahead reads rows on a goroutine of its own, since to read them takes as long
// as to sort them into yards.
func ahead(r *csvfile.Reader) iter.Seq2[csvfile.Row, error] {
	type read struct {
		row csvfile.Row
		err error
	}
	const batch, batches = 1024, 4
	return func(yield func(csvfile.Row, error) bool) {
		filled, done := make(chan []read, batches), make(chan struct{})
		var reading sync.WaitGroup
		defer reading.Wait()
		defer close(done)
		reading.Go(func() {
			defer close(filled)
			for over := false; !over; {
				rows := make([]read, 0, batch)
				for !over && len(rows) < batch {
					row, err := r.Read()
					over = err == io.EOF
					if bad := new(csvfile.RowError); err != nil && !errors.As(err, &bad) {
						over = true // reading cannot go on after it
					}
					if err != io.EOF {
						rows = append(rows, read{row, err})
					}
				}
				select {
				case filled <- rows:
				case <-done:
					return
				}
			}
		})
		for rows := range filled {
			for _, one := range rows {
				if !yield(one.row, one.err) {
					return
				}
			}
		}
	}
}

// replayYards replays each yard, as many side by side as there are cores.
func replayYards(yards map[outyard.YardID]*season, journal []outyard.Entry, until time.Time) ([]outyard.Finding, []outyard.Day, error) {
	order := slices.Sorted(maps.Keys(yards))
	found := make([][]outyard.Finding, len(order))
	days := make([][]outyard.Day, len(order))
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, id := range order {
		g.Go(func() error {
			found[i], days[i] = replayYard(yards[id], journal, until)
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return nil, nil, err
	}
	all, table := slices.Concat(found...), slices.Concat(days...)
	slices.SortStableFunc(all, func(a, b outyard.Finding) int {
		return cmp.Or(a.ToldAt.Compare(b.ToldAt), a.Onset.Compare(b.Onset), cmp.Compare(a.ID, b.ID))
	})
	slices.SortStableFunc(table, func(a, b outyard.Day) int { return a.Date.Sub(b.Date) })
	return all, table, nil
}

// replayYard lets a yard's rows arrive one after the other, and then time go by.
func replayYard(y *season, journal []outyard.Entry, until time.Time) ([]outyard.Finding, []outyard.Day) {
	set := analysis.DefaultSettings()
	set.Fault.ByCourse = !y.arrivals
	course := analysis.NewCourse(y.yard, journal, set)
	ledger := alerts.NewLedger(nil)
	clocks := instruments.NewClocks(y.yard, timekeeping.DefaultSettings(), nil)
	revision := course.Revision()
	tell := func(now time.Time) {
		if r := course.Revision() + clocks.Revision(); r != revision {
			revision = r
			ledger.Reconcile(clocks.With(course.Findings(), now), now)
		}
	}
	// Time alone changes something as well: a day is counted on the morning
	// after, whether a reading comes just then or not.
	pass := func(now time.Time) {
		for {
			due := course.Due()
			if d := clocks.Due(); due.IsZero() || !d.IsZero() && d.Before(due) {
				due = d
			}
			if due.IsZero() || !due.Before(now) {
				return
			}
			course.Advance(due)
			clocks.Pass(due)
			tell(due)
		}
	}
	var lateSince time.Time
	arrived, marks := newPast(y), bookmarks{}
	for rows := y.byArrival(); len(rows) > 0; {
		now := y.arrival(rows[0])
		pass(now)
		late := !lateSince.IsZero()
		for ; len(rows) > 0 && y.arrival(rows[0]).Equal(now); rows = rows[1:] {
			r := y.reading(rows[0])
			refused := r.Time.Sub(now) > outyard.MaxAhead // as by the daemon
			if refused || !arrived.take(rows[0]) {
				course.Arrived(r.Hive, now, clocks.Unkept(r.Hive, r.Time, now))
				tell(now)
			} else {
				marks.changed(r.Time)
				off := clocks.Arrived(r.Hive, r.Time, now)
				late = course.Observe(r) != nil || late
				course.Arrived(r.Hive, now, off)
				tell(now)
			}
		}
		if late && lateSince.IsZero() {
			lateSince = now
		}
		// A backlog trickles in: the past is folded anew when it has paused, or
		// twice a minute, as the daemon does.
		if late && (len(rows) == 0 || y.arrival(rows[0]).Sub(lateSince) > 30*time.Second) {
			lateSince = time.Time{}
			course = marks.refold(func() *analysis.Course { return analysis.NewCourse(y.yard, journal, set) }, arrived)
			clocks.Heard(now, course.Arrived)
			course.Advance(now)
			ledger.Reconcile(clocks.With(course.Findings(), now), now)
			revision = course.Revision() + clocks.Revision()
		}
	}
	pass(until)
	course.Advance(until)
	clocks.Pass(until)
	tell(until)
	return ledger.All(), course.Days()
}

// readJournal reads entries, one JSON object a line; no file is no entries.
func readJournal(path string) ([]outyard.Entry, error) {
	if path == "" {
		return nil, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("journal: %w", err)
	}
	defer f.Close()
	var entries []outyard.Entry
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		if len(lines.Bytes()) == 0 {
			continue
		}
		var e outyard.Entry
		if err := json.Unmarshal(lines.Bytes(), &e); err != nil {
			return nil, fmt.Errorf("journal %s line %d: %w", path, n, err)
		}
		if err := e.Check(); err != nil {
			return nil, fmt.Errorf("journal %s line %d: %w", path, n, err)
		}
		entries = append(entries, e)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	return entries, nil
}

// writeOutput writes to a file, to standard output for "-", nowhere for "".
func writeOutput(cmd *cobra.Command, path string, write func(io.Writer) error) error {
	switch path {
	case "":
		return nil
	case "-":
		return write(cmd.OutOrStdout())
	}
	return toFile(path, write)
}

// summarise prints how many findings of each kind there are.
func summarise(w io.Writer, found []outyard.Finding) {
	for _, kind := range outyard.Kinds {
		n, withdrawn := 0, 0
		for _, f := range found {
			if f.Kind == kind {
				n++
				if f.State == outyard.Withdrawn {
					withdrawn++
				}
			}
		}
		switch {
		case withdrawn > 0:
			fmt.Fprintf(w, "%-14s %d, of which %d withdrawn\n", kind, n, withdrawn)
		case n > 0:
			fmt.Fprintf(w, "%-14s %d\n", kind, n)
		}
	}
	if len(found) == 0 {
		fmt.Fprintln(w, "nothing found")
	}
}
