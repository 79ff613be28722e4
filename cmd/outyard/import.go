package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"outyard"
	"outyard/collector/csvfile"
	"outyard/configs"
	"outyard/store"
)

func newImport() *cobra.Command {
	return &cobra.Command{
		Use:   "import FILE",
		Short: "Take a readings file into the store; - is standard input",
		Long: `Takes a readings file, plain or gzipped, into the store. What is there already
stays as it is, so that a second import changes nothing. A row that cannot be
read is reported with its line; the good rest is kept, and the command fails at
its end.`,
		Example: "  outyard import readings.csv\n  zcat old.csv.gz | outyard import -",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			in, closeIn, err := openInput(cmd, args[0])
			if err != nil {
				return err
			}
			defer closeIn()
			name, size := args[0], int64(0)
			if name == "-" {
				name = "standard input"
			}
			if f, ok := in.(*os.File); ok {
				if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
					size = info.Size()
				}
			}
			bar := newBar(cmd.ErrOrStderr(), "import", size, progressbar.OptionShowBytes(true))
			rows, err := csvfile.NewReader(bar.reading(in))
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			db, done, err := openToWrite(cmd, cfg)
			if errors.Is(err, store.ErrInUse) {
				return fmt.Errorf("%w: stop the daemon, import, and start it again", err)
			}
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, done()) }()

			im := importer{keep: db.Keep, places: placesOf(cfg), unplaced: map[place]int{}, now: time.Now(), name: name, complain: cmd.ErrOrStderr()}
			err = im.take(cmd.Context(), rows)
			bar.done()
			im.sum()
			fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n", name, im.counts())
			if cfg.Store.Kind == configs.InfluxStore && im.kept > 0 {
				fmt.Fprintf(cmd.ErrOrStderr(), "%s: what was kept waits here for the time-series server: the daemon hands it on once it runs\n", name)
			}
			switch {
			case errors.Is(err, context.Canceled):
				return errors.New("stopped before the end: import the file again for the rest")
			case err != nil:
				return fmt.Errorf("%s: %w", name, err)
			case im.refused+im.cells > 0:
				return fmt.Errorf("%s: not everything could be kept: mend what is named above and import the file again", name)
			}
			return nil
		},
	}
}

// openInput opens a file, or standard input for "-".
func openInput(cmd *cobra.Command, name string) (io.Reader, func(), error) {
	if name == "-" {
		return cmd.InOrStdin(), func() {}, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, nil, err
	}
	return f, func() { f.Close() }, nil // read only: closing it loses nothing
}

const (
	// importBatch rows are committed together: few enough to lose little time
	// to a stop, many enough that the disk is not waited for at each.
	importBatch = 5000
	// maxComplaints is how many bad rows are named one by one.
	maxComplaints = 100
)

// An importer takes the rows of one file into a store.
type importer struct {
	keep     func(context.Context, []outyard.Reading) ([]outyard.Reading, error)
	places   places
	now      time.Time
	name     string
	complain io.Writer

	kept, duplicate, empty int
	refused                int           // rows
	cells                  int           // of rows that were kept but for one cell
	unplaced               map[place]int // rows of yards and hives that the config does not know
	ahead                  int           // rows whose time has not come yet

	batch []outyard.Reading
}

type place struct {
	yard outyard.YardID
	hive outyard.HiveID
}

// take reads to the end, whatever single rows are like.
func (im *importer) take(ctx context.Context, rows *csvfile.Reader) error {
	for {
		row, err := rows.Read()
		if err == io.EOF {
			return im.flush(ctx)
		}
		var bad *csvfile.RowError
		switch {
		case err == nil:
		case !errors.As(err, &bad):
			// Nothing can be read after it; what came before is good.
			return errors.Join(im.flush(ctx), err)
		case bad.Usable:
			im.cells++
			im.say(err)
		default:
			im.refused++
			im.say(err)
			continue
		}
		if err := im.add(ctx, row.Reading); err != nil {
			return err
		}
	}
}

func (im *importer) say(err error) {
	switch n := im.refused + im.cells; {
	case n <= maxComplaints:
		fmt.Fprintf(im.complain, "%s: %v\n", im.name, err)
	case n == maxComplaints+1:
		fmt.Fprintf(im.complain, "%s: more rows are bad, and not named one by one\n", im.name)
	}
}

func (im *importer) add(ctx context.Context, r outyard.Reading) error {
	switch {
	case r.Empty():
		im.empty++
		return nil
	case !im.places.has(r.Yard, r.Hive):
		im.refused++
		im.unplaced[place{r.Yard, r.Hive}]++
		return nil
	case r.Time.Sub(im.now) > outyard.MaxAhead:
		// Kept: invented seasons lie where they like.
		im.ahead++
	}
	im.batch = append(im.batch, r)
	if len(im.batch) < importBatch {
		return nil
	}
	return im.flush(ctx)
}

func (im *importer) flush(ctx context.Context) error {
	if len(im.batch) == 0 {
		return ctx.Err()
	}
	fresh, err := im.keep(ctx, im.batch)
	if err != nil {
		return err
	}
	im.kept += len(fresh)
	im.duplicate += len(im.batch) - len(fresh)
	im.batch = im.batch[:0]
	return nil
}

// sum reports what is about many rows at once.
func (im *importer) sum() {
	strangers := slices.SortedFunc(maps.Keys(im.unplaced), func(a, b place) int {
		return cmp.Or(cmp.Compare(a.yard, b.yard), cmp.Compare(a.hive, b.hive))
	})
	for i, p := range strangers {
		if i == maxComplaints {
			fmt.Fprintf(im.complain, "%s: %d more yards and hives are not in the config\n", im.name, len(strangers)-i)
			break
		}
		what := "yard " + string(p.yard)
		if p.hive != "" {
			what = fmt.Sprintf("hive %s of yard %s", p.hive, p.yard)
		}
		fmt.Fprintf(im.complain, "%s: rows refused: %d: %s is not in the config: add it there, or write yards: auto\n", im.name, im.unplaced[p], what)
	}
	if im.ahead > 0 {
		fmt.Fprintf(im.complain, "%s: rows kept although their time has not come yet: %d: right only for an invented season\n", im.name, im.ahead)
	}
}

func (im *importer) counts() string {
	s := fmt.Sprintf("kept %d, duplicate %d, refused %d", im.kept, im.duplicate, im.refused)
	if im.cells > 0 {
		s += fmt.Sprintf(", single cells refused %d", im.cells)
	}
	if im.empty > 0 {
		s += fmt.Sprintf(", empty %d", im.empty)
	}
	return s
}
