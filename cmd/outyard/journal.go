package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/analysis/honey"
	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
)

func newJournal() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "journal",
		Short: "Note what was done or seen at the hives, or list it",
		Args:  cobra.ArbitraryArgs,
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return useWrongly("name what to do: add, list, fix or history")
			}
			return useWrongly("unknown command %q: want add, list, fix or history", args[0])
		},
	}
	cmd.AddCommand(newJournalAdd(), newJournalList(), newJournalFix(), newJournalHistory())
	return cmd
}

func newJournalAdd() *cobra.Command {
	var kinds []string
	for _, k := range outyard.EntryKinds {
		kinds = append(kinds, string(k))
	}
	var e outyard.Entry
	var yard, hive, at string
	var reading, tempC float64
	cmd := &cobra.Command{
		Use:   "add KIND",
		Short: "Note what was done or seen",
		Long: `Notes what was done or seen. KIND is one of
  ` + strings.Join(kinds, ", ") + `.
While a daemon runs it is asked to do so, and what it knows of the yard follows.`,
		Example: "  outyard journal add box-on --yard heron-point --hive h01 --part medium-10 --note \"second super\"",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			e.Kind, e.Yard, e.Hive = outyard.EntryKind(args[0]), outyard.YardID(yard), outyard.HiveID(hive)
			if yard == "" {
				return useWrongly("say at which yard, with --yard")
			}
			if cmd.Flags().Changed("kg") {
				if math.IsNaN(e.Kg) || math.IsInf(e.Kg, 0) {
					return useWrongly("--kg %v: want a number", e.Kg)
				}
			} else {
				e.Kg = outyard.Unknown
			}
			if e.Time, err = readInstant("at", at); err != nil {
				return err
			}
			if e.Time.IsZero() {
				e.Time = time.Now().UTC().Round(time.Second)
			}
			if cmd.Flags().Changed("refractometer") {
				if !cmd.Flags().Changed("refractometer-temp") {
					tempC = outyard.Unknown
				}
				m, err := honey.Measure(reading, tempC)
				if err != nil {
					return usageError{err}
				}
				e.Note = m.Noted(e.Note)
			} else if cmd.Flags().Changed("refractometer-temp") {
				return useWrongly("--refractometer-temp wants --refractometer")
			}
			if err := e.Check(); err != nil {
				return usageError{err}
			}
			if e.Part != "" {
				if err := outyard.Part(e.Part).Check(); err != nil {
					return usageError{err}
				}
			}
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			if !placesOf(cfg).has(e.Yard, e.Hive) {
				if e.Hive == "" {
					return fmt.Errorf("yard %s is not in the config: add it there", e.Yard)
				}
				return fmt.Errorf("hive %s of yard %s is not in the config: add it there", e.Hive, e.Yard)
			}
			kept, err := noteEntry(cmd, cfg, e)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "noted as %s\n", kept.ID)
			if cmd.Flags().Changed("refractometer") && err == nil {
				_, err = fmt.Fprintln(cmd.OutOrStdout(), e.Note)
			}
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&yard, "yard", "", "at the yard with this `ID`")
	f.StringVar(&hive, "hive", "", "at the hive with this `ID`; left out for the whole yard")
	f.Float64Var(&e.Kg, "kg", 0, "how many `KG` were put on or, negative, taken off")
	f.StringVar(&e.Part, "part", "", "which `PART` was put on or taken off, such as medium-10")
	f.StringVar(&e.Note, "note", "", "a `TEXT` of your own")
	f.Float64Var(&reading, "refractometer", 0, "a `READING` of honey, as refractive index (1.4915) or Brix (80.5): its water is noted")
	f.Float64Var(&tempC, "refractometer-temp", 20, "the refractometer's temperature in `CELSIUS`, where it does not correct for it by itself")
	f.StringVar(&at, "at", "", "when, as RFC 3339 `TIME` (default now)")
	return cmd
}

// noteEntry puts an entry into the store, or, while a daemon has that, has the
// daemon do it.
func noteEntry(cmd *cobra.Command, cfg configs.Config, e outyard.Entry) (kept outyard.Entry, err error) {
	db, err := openState(cmd, cfg)
	if errors.Is(err, store.ErrInUse) {
		err = askDaemon(cmd.Context(), cfg, http.MethodPost, "/api/v1/journal", e, &kept)
		return kept, err
	}
	if err != nil {
		return kept, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return db.AddEntry(cmd.Context(), e)
}

func newJournalList() *cobra.Command {
	var of asked
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List what was noted",
		Args:  cobra.NoArgs,
	}
	of.flags(cmd)
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) (err error) {
		q, err := of.query()
		if err != nil {
			return err
		}
		cfg, err := loadConfig(cmd)
		if err != nil {
			return err
		}
		db, err := sqlite.OpenForReading(cmd.Context(), cfg.Data)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, db.Close()) }()
		entries, _, err := db.Entries(cmd.Context(), q)
		if err != nil {
			return err
		}
		rows := make([][]string, len(entries))
		for i, e := range entries {
			rows[i] = entryForm.cells(e)
		}
		return show(cmd.OutOrStdout(), format, entryForm.header, rows)
	}
	return cmd
}

func newJournalFix() *cobra.Command {
	var kind, yard, hive, at, part, note string
	var kg float64
	cmd := &cobra.Command{
		Use:   "fix ID",
		Short: "Put right what was noted; what it was is kept",
		Long: `Puts an entry right: what the flags name is changed, the rest stays. What the
entry was before is kept, and "journal history ID" shows it. While a daemon runs
it is asked to do so, and reads the yard anew; else it does at its next start.`,
		Example: "  outyard journal fix 7wq2k5nbx3zr --kg 6.1 --at 2026-05-14T18:40:00Z",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			given := cmd.Flags().Changed
			if !slices.ContainsFunc([]string{"kind", "yard", "hive", "kg", "part", "note", "at"}, given) {
				return useWrongly("say what to change, such as --kg 6.1")
			}
			when, err := readInstant("at", at)
			if err != nil {
				return err
			}
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			db, err := openState(cmd, cfg)
			byDaemon := errors.Is(err, store.ErrInUse)
			if byDaemon {
				db, err = sqlite.OpenForReading(cmd.Context(), cfg.Data)
			}
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, db.Close()) }()
			versions, err := db.EntryVersions(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			if len(versions) == 0 {
				return fmt.Errorf("there is no journal entry %s: journal list shows them all", args[0])
			}
			e := versions[len(versions)-1].Entry
			set := func(flag string, to *string, value string) {
				if given(flag) {
					*to = value
				}
			}
			set("kind", (*string)(&e.Kind), kind)
			set("yard", (*string)(&e.Yard), yard)
			set("hive", (*string)(&e.Hive), hive)
			set("part", &e.Part, part)
			set("note", &e.Note, note)
			if given("kg") {
				e.Kg = kg
			}
			if given("at") {
				e.Time = when
			}
			if err := e.Check(); err != nil {
				return usageError{err}
			}
			if given("part") && e.Part != "" {
				if err := outyard.Part(e.Part).Check(); err != nil {
					return usageError{err}
				}
			}
			if (given("yard") || given("hive")) && !placesOf(cfg).has(e.Yard, e.Hive) {
				return fmt.Errorf("hive %q of yard %s is not in the config: add it there", e.Hive, e.Yard)
			}
			if byDaemon {
				sent := e
				sent.ID = "" // it is in the address
				err = askDaemon(cmd.Context(), cfg, http.MethodPut, "/api/v1/journal/"+url.PathEscape(e.ID), sent, &e)
			} else {
				err = db.FixEntry(cmd.Context(), e, time.Now())
			}
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "fixed %s; journal history %s shows what it was\n", e.ID, e.ID)
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&kind, "kind", "", "it was a `KIND`, as of journal add")
	f.StringVar(&yard, "yard", "", "at the yard with this `ID`")
	f.StringVar(&hive, "hive", "", "at the hive with this `ID`; empty for the whole yard")
	f.Float64Var(&kg, "kg", 0, "how many `KG` were put on or, negative, taken off; NaN where that is not known")
	f.StringVar(&part, "part", "", "which `PART` was put on or taken off; empty for none")
	f.StringVar(&note, "note", "", "a `TEXT` of your own")
	f.StringVar(&at, "at", "", "when, as RFC 3339 `TIME`")
	return cmd
}

func newJournalHistory() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "history ID",
		Short: "List an entry as it was written and as it was fixed",
		Args:  cobra.ExactArgs(1),
	}
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return withStore(cmd, func(ctx context.Context, _ configs.Config, db *sqlite.Store) error {
			versions, err := db.EntryVersions(ctx, args[0])
			if err != nil {
				return err
			}
			if len(versions) == 0 {
				return fmt.Errorf("there is no journal entry %s: journal list shows them all", args[0])
			}
			rows := make([][]string, len(versions))
			for i, v := range versions {
				rows[i] = append(entryForm.cells(v.Entry), instant(v.Replaced))
			}
			return show(cmd.OutOrStdout(), format, append(slices.Clone(entryForm.header), "replaced"), rows)
		})
	}
	return cmd
}
