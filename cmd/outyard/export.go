package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/collector/csvfile"
	"outyard/configs"
	"outyard/store"
)

func newExport() *cobra.Command {
	var of asked
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Write what is kept to standard output",
		Long: `Writes readings, findings, the daily table or the journal to standard output.
Readings as csv are the file that import and replay take, sorted by time, yard
and hive. A daemon may run meanwhile.`,
		Example: "  outyard export --what daily --from 2027-05-01 --to 2027-06-01 > may.csv",
		Args:    cobra.NoArgs,
	}
	what := choose(cmd, "what", "what to write", "readings", "findings", "daily", "journal")
	format := choose(cmd, "format", "how to write it", "csv", "jsonl", "parquet")
	of.flags(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) (err error) {
		q, err := of.query()
		if err != nil {
			return err
		}
		out := cmd.OutOrStdout()
		if format.word == "parquet" && onTerminal(out) {
			return useWrongly("parquet is not for reading on a terminal: add > FILE")
		}
		cfg, err := loadConfig(cmd)
		if err != nil {
			return err
		}
		db, done, err := openToRead(cmd.Context(), cfg)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, done()) }()

		ctx := cmd.Context()
		if err := knowsYard(ctx, cfg, db, q.Yard); err != nil {
			return err
		}
		switch what.word {
		case "findings":
			return exportAll(ctx, q, db.Findings, findingForm, format.word, out)
		case "daily":
			return exportAll(ctx, q, db.Days, dayForm, format.word, out)
		case "journal":
			return exportAll(ctx, q, db.Entries, entryForm, format.word, out)
		}
		return exportReadings(ctx, cmd.ErrOrStderr(), q, db, format.word, out)
	}
	return cmd
}

// knowsYard says so when a yard is neither in the config nor in what is kept.
func knowsYard(ctx context.Context, cfg configs.Config, db fullStore, yard outyard.YardID) error {
	known := map[outyard.YardID]bool{"": true}
	for _, y := range cfg.Yards {
		known[y.ID] = true
	}
	newest, err := db.Newest(ctx)
	if err != nil {
		return err
	}
	for _, r := range newest {
		known[r.Yard] = true
	}
	if known[yard] {
		return nil
	}
	findings, _, err := db.Findings(ctx, store.Query{Yard: yard, Limit: 1})
	if err != nil {
		return err
	}
	entries, _, err := db.Entries(ctx, store.Query{Yard: yard, Limit: 1})
	if err != nil || len(findings)+len(entries) > 0 {
		return err
	}
	delete(known, "")
	var names []string
	for id := range known {
		names = append(names, string(id))
	}
	slices.Sort(names)
	if len(names) == 0 {
		return fmt.Errorf("yard %s is not known, nor is any other: nothing has been kept yet", yard)
	}
	return fmt.Errorf("yard %s is not known: want %s", yard, strings.Join(names, ", "))
}

// exportPage is how many findings, days or entries are in memory at once.
const exportPage = 5000

func exportAll[T, P any](ctx context.Context, q store.Query, list func(context.Context, store.Query) ([]T, string, error), form form[T, P], format string, w io.Writer) error {
	write, end := form.writer(format, w)
	q.Limit = exportPage
	for {
		page, next, err := list(ctx, q)
		if err != nil {
			return err
		}
		for _, v := range page {
			if err := write(v); err != nil {
				return err
			}
		}
		if next == "" {
			return end()
		}
		q.After = next
	}
}

// exportReadings streams, since there may be more than fit in memory.
func exportReadings(ctx context.Context, terminal io.Writer, q store.Query, db fullStore, format string, w io.Writer) error {
	var write func(outyard.Reading) error
	var end func() error
	if format == "csv" {
		file := csvfile.NewWriter(w)
		write, end = file.Write, file.Flush
	} else {
		write, end = readingForm.writer(format, w)
	}
	bar := newBar(terminal, "export", 0)
	defer bar.done()
	err := db.EachReading(ctx, q, func(r outyard.Reading) error {
		bar.add(1)
		return write(r)
	})
	return errors.Join(err, end())
}
