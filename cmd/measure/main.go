// Command measure measures the daemon at work: how fast it takes readings and
// at what price, what a message costs on disk, how soon an alert is on its way,
// how much memory it needs. It exists because Go's benchmarks measure functions
// in one process, while these figures are of whole processes over real sockets,
// with a real store and a real broker beside. Everything is on loopback, in a
// temporary folder, and bounded in count and time.
//
// Absolute figures swing with the machine and with what else it does, so each
// ratio is of runs that took turns within the same minute.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"
)

// A measurement takes one or more figures.
type measurement struct {
	name string
	what string
	take func(context.Context, *bench) error
}

var measurements = []measurement{
	{"ingest", "messages through the embedded broker into the store", ingest},
	{"outside", "messages from Mosquitto into the store", outside},
	{"disk", "what a message takes in the store", disk},
	{"paced", "1,000 messages a second, and their acks", paced},
	{"burst", "a backlog of weeks all at once into the daemon", burst},
	{"alert", "from the deciding reading to the outbox", alert},
	{"replay", "the analyses over a file", replay},
	{"daemon", "start, memory and pages with a year of 30 hives", daemon},
	{"many", "memory with 10,000 hives", many},
	{"soak", "a day of 10,000 hives, and the memory hour by hour", soak},
}

// longest is when a run is given up.
const longest = 10 * time.Minute

// tooLong is taken only where it is named.
const tooLong = "soak"

func main() {
	if len(os.Args) > 1 && os.Args[1] == actAs {
		ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM, os.Interrupt)
		err := profiled(os.Args[2:], func() error { return act(ctx, os.Args[2:]) })
		stop()
		exitOn(err)
		return
	}
	names := make([]string, len(measurements))
	for i, m := range measurements {
		names[i] = m.name
	}
	only := flag.String("only", "", "take these measurements only, `NAMES` with commas between: "+strings.Join(names, ", ")+"; all but "+tooLong+" without it")
	rounds := flag.Int("rounds", 3, "how often runs that are compared take turns")
	profiles := flag.String("profile", "", "write processor profiles of the parts into this `DIR`")
	flag.Parse()
	wanted := slices.DeleteFunc(slices.Clone(names), func(name string) bool { return name == tooLong })
	if *only != "" {
		wanted = strings.Split(*only, ",")
	}
	for _, name := range wanted {
		if !slices.Contains(names, name) {
			exitOn(fmt.Errorf("no measurement %q: want %s", name, strings.Join(names, ", ")))
		}
	}
	if flag.NArg() > 0 || *rounds < 1 || *rounds > 20 {
		exitOn(errors.New("want flags only, and 1 to 20 -rounds; see -h"))
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	limit := longest
	if slices.Contains(wanted, tooLong) {
		limit = soakLongest
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	if *profiles != "" {
		exitOn(os.Setenv(profileDir, *profiles)) // for the parts
	}
	exitOn(measure(ctx, wanted, *rounds))
}

func exitOn(err error) {
	if err != nil {
		fmt.Fprintf(os.Stderr, "measure: %v\n", err)
		os.Exit(1)
	}
}

// A bench is where measurements are taken.
type bench struct {
	dir    string // temporary
	rounds int
	built  string // the program outyard, once it was needed
	season string // folder of an invented season, once it was needed
	figures
}

func measure(ctx context.Context, wanted []string, rounds int) (err error) {
	dir, err := os.MkdirTemp("", "outyard-measure-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	b := &bench{dir: dir, rounds: rounds}
	fmt.Printf("%d cores, %s, load average %s\n", runtime.GOMAXPROCS(0), runtime.Version(), loadAverage())
	begun := time.Now()
	var errs []error
	for _, m := range measurements {
		if !slices.Contains(wanted, m.name) {
			continue
		}
		fmt.Printf("\n%s: %s\n", m.name, m.what)
		from := len(b.figures)
		if err := m.take(ctx, b); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", m.name, err))
			fmt.Printf("  not measured: %v\n", err)
		}
		b.figures[from:].print(os.Stdout)
	}
	fmt.Printf("\ntook %s; load average %s\n", time.Since(begun).Round(time.Second), loadAverage())
	if missed := b.missed(); missed > 0 {
		fmt.Printf("%d of %d targets missed\n", missed, b.targets())
	}
	return errors.Join(errs...)
}
