// Command score measures the analyses on invented seasons whose truth is
// known: what share of what happened was found, how many findings were of
// nothing, how far the daily table is from the truth. It exists so that a
// claim about detection is one command away from being checked.
//
// The analyses were tuned on seeds 1 to 60, and those of air and instruments on
// 101 to 400 too; the default here are seeds that were set aside for reporting.
package main

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"sync"
	"time"

	"outyard/analysis"
	"outyard/simulator"
)

// Seeds used for tuning, and seeds that nobody looked at while tuning.
const (
	tuneFrom, tuneTo     = 1, 60
	reportFrom, reportTo = 1001, 1020
)

func main() {
	var (
		from    = flag.Uint64("from", reportFrom, "first `seed`")
		to      = flag.Uint64("to", reportTo, "last `seed`")
		tune    = flag.Bool("tune", false, "take the tuning seeds instead of the reporting ones")
		days    = flag.Int("days", 365, "length of each season in `days`")
		yards   = flag.Int("yards", 2, "yards a season")
		hives   = flag.Int("hives", 6, "hives a yard")
		cadence = flag.Duration("cadence", 10*time.Minute, "time between readings")
		verbose = flag.Bool("v", false, "print every miss and every false finding")
		stepG   = flag.Float64("step", 10, "smallest step that a scale shows, in `grams`")
		noSky   = flag.Bool("no-weather", false, "leave out the weather nodes")
		noTemp  = flag.Bool("no-temperature", false, "leave out what hangs in the hive: weight only")
		noParts = flag.Bool("no-equipment", false, "do not tell what stands on the scales")
		journal = flag.Bool("journal", false, "tell all of the keeper's work, as a perfect journal would")
	)
	flag.Parse()
	given := map[string]bool{}
	flag.Visit(func(f *flag.Flag) { given[f.Name] = true })
	if *tune && !given["from"] {
		*from = tuneFrom
	}
	if *tune && !given["to"] {
		*to = tuneTo
	}
	if flag.NArg() > 0 || *to < *from {
		fmt.Fprintln(os.Stderr, "score: want flags only, and -from not above -to; see -h")
		os.Exit(2)
	}
	opts := simulator.Options{Days: *days, Yards: *yards, HivesPerYard: *hives, Cadence: *cadence, QuantumKg: *stepG / 1000}
	total, err := scoreSeeds(*from, *to, opts, without{temp: *noTemp, weather: *noSky, equipment: *noParts, journal: !*journal})
	if err != nil {
		fmt.Fprintf(os.Stderr, "score: %v\n", err)
		os.Exit(1)
	}
	fmt.Printf("seeds %d to %d, %d days, %d yards of %d hives, a reading every %s in steps of %.0f g: %.0f hive-years of invented seasons\n",
		*from, *to, *days, *yards, *hives, *cadence, *stepG, total.hiveYears)
	total.print(os.Stdout)
	if *verbose {
		for _, line := range total.remarks {
			fmt.Println(line)
		}
	}
}

// scoreSeeds scores each seed's season, a few side by side, and adds up.
func scoreSeeds(from, to uint64, opts simulator.Options, not without) (*tally, error) {
	total := &tally{}
	var (
		mu    sync.Mutex
		first error
		wg    sync.WaitGroup
		slots = make(chan struct{}, runtime.GOMAXPROCS(0))
	)
	results := make([]*tally, to-from+1)
	for seed := from; seed <= to; seed++ {
		wg.Add(1)
		slots <- struct{}{}
		go func() {
			defer func() { <-slots; wg.Done() }()
			set := analysis.DefaultSettings()
			set.Fault.ByCourse = true // as in a replay of readings alone
			t, err := scoreSeason(seed, opts, not, set)
			mu.Lock()
			defer mu.Unlock()
			if err != nil && first == nil {
				first = fmt.Errorf("seed %d: %w", seed, err)
			}
			results[seed-from] = t
		}()
	}
	wg.Wait()
	if first != nil {
		return nil, first
	}
	for _, t := range results {
		total.add(t)
	}
	return total, nil
}
