package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/analysis/air"
	"outyard/analysis/flow"
	"outyard/analysis/round"
	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
)

func newRound() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "round",
		Short: "Say which yards are worth a drive today, why, and what to carry",
		Long: `Plans today's round from what is open: first the yards where somebody should go
if he can, then the others, each in a short driving order from their
coordinates and trip_minutes; why each, what to carry for all of them, and what
to take care of. It is what the page and the morning mail say. A daemon may run
meanwhile. The CSV has a row for each reason; the JSON is that of the API.`,
		Example: "  outyard round\n  outyard round --format json",
		Args:    cobra.NoArgs,
	}
	var at string
	cmd.Flags().StringVar(&at, "at", "", "as of this RFC 3339 `TIME` (default now), of what is open today")
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		now, err := readInstant("at", at)
		if err != nil {
			return err
		}
		if now.IsZero() {
			now = time.Now()
		}
		return withStore(cmd, func(ctx context.Context, cfg configs.Config, db *sqlite.Store) error {
			open, _, err := db.Findings(ctx, store.Query{State: outyard.Open})
			if err != nil {
				return err
			}
			places, err := newRegister(ctx, cfg, db)
			if err != nil {
				return err
			}
			return showRound(cmd.OutOrStdout(), format, round.Plan(places.all(), open, now))
		})
	}
	return cmd
}

func showRound(w io.Writer, format *oneOf, r round.Round) error {
	switch format.word {
	case "json":
		enc := json.NewEncoder(w)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		return enc.Encode(r)
	case "csv":
		var rows [][]string
		for _, s := range r.Stops {
			for _, why := range s.Reasons {
				f := why.Finding
				rows = append(rows, []string{string(f.Yard), string(f.Hive), string(f.Severity), string(f.Kind), instant(f.Onset),
					strconv.FormatFloat(f.Confidence, 'f', 2, 64), f.Summary})
			}
		}
		return show(w, format, []string{"yard", "hive", "severity", "kind", "onset", "confidence", "summary"}, rows)
	}
	var b strings.Builder
	for i, p := range r.Paragraphs() {
		if i > 0 {
			b.WriteString("\n")
		}
		for _, line := range p {
			b.WriteString(strings.Map(oneLine, line) + "\n")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func newYards() *cobra.Command {
	var to string
	var span int
	cmd := &cobra.Command{
		Use:   "yards",
		Short: "Compare what the yards gained in the last week",
		Long: `Compares the yards by the gain of their average hive: the median over the last
days, today left out, with the interval that holds it nine times in ten, and the
gain of the whole yard for each minute of driving, and what the average hive
gained over these days in all. Says which differences are more than chance, and
which are not, and which yard's place is damp, cold or late in the sun, by
ten days of the yards' weather at least. A daemon may run meanwhile.`,
		Example: "  outyard yards\n  outyard yards --days 30 --to 2027-06-01 --format csv",
		Args:    cobra.NoArgs,
	}
	cmd.Flags().StringVar(&to, "to", "", "to before this `DATE` (default today)")
	cmd.Flags().IntVar(&span, "days", 7, "over this many `DAYS`")
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if span < 1 || span > 3660 {
			return useWrongly("--days %d: want 1 to 3660", span)
		}
		var end outyard.Date
		if to != "" {
			var err error
			if end, err = outyard.ParseDate(to); err != nil {
				return usageError{fmt.Errorf("--to: %w", err)}
			}
		}
		return withStore(cmd, func(ctx context.Context, cfg configs.Config, db *sqlite.Store) error {
			places, err := newRegister(ctx, cfg, db)
			if err != nil {
				return err
			}
			yards := places.all()
			days, err := daysBefore(ctx, db, yards, end, span, time.Now())
			if err != nil {
				return err
			}
			out := cmd.OutOrStdout()
			if len(yards) == 0 && format.word == "table" {
				_, err := fmt.Fprintln(out, "no yard is in the config, and none has sent anything")
				return err
			}
			if err := showStandings(out, format, yards, flow.Standings(yards, days)); err != nil || format.word != "table" {
				return err
			}
			sayDifferences(out, flow.Differences(yards, days))
			return sayOfSites(ctx, out, db, yards, end, span, time.Now())
		})
	}
	return cmd
}

// sayOfSites says how the yards' places differ, where their weather tells.
func sayOfSites(ctx context.Context, out io.Writer, db *sqlite.Store, yards []outyard.Yard, end outyard.Date, span int, now time.Time) error {
	ids, all := make([]outyard.YardID, len(yards)), make([][]air.SiteDay, len(yards))
	for i, y := range yards {
		zone := y.Zone
		if zone == nil {
			zone = time.UTC
		}
		before := end
		if before == (outyard.Date{}) {
			before = outyard.DateOf(now, zone)
		}
		from := before.Add(-span)
		var weather []air.Outside
		err := db.EachReading(ctx, store.Query{Yard: y.ID, Weather: true, From: from.Start(zone), To: before.Start(zone)}, func(r outyard.Reading) error {
			weather = append(weather, air.Outside{Time: r.Time, TempC: r.Values[outyard.OutsideTemp], RHPct: r.Values[outyard.OutsideRH]})
			return nil
		})
		if err != nil {
			return err
		}
		days, _, err := db.Days(ctx, store.Query{Yard: y.ID, From: from.Start(time.UTC), To: before.Start(time.UTC)})
		if err != nil {
			return err
		}
		ids[i], all[i] = y.ID, air.SiteDays(zone, weather, days)
	}
	for i, s := range air.Sites(ids, all) {
		for _, say := range s.Says {
			fmt.Fprintf(out, "%s is %s\n", yards[i].Name, say)
		}
	}
	return nil
}

// daysBefore reads each yard's rows of the days before end, or before its own
// today where end is no date.
func daysBefore(ctx context.Context, db *sqlite.Store, yards []outyard.Yard, end outyard.Date, span int, now time.Time) ([]outyard.Day, error) {
	var all []outyard.Day
	for _, y := range yards {
		before := end
		if before == (outyard.Date{}) {
			zone := y.Zone
			if zone == nil {
				zone = time.UTC
			}
			before = outyard.DateOf(now, zone)
		}
		days, _, err := db.Days(ctx, store.Query{Yard: y.ID, From: before.Add(-span).Start(time.UTC), To: before.Start(time.UTC)})
		if err != nil {
			return nil, err
		}
		all = append(all, days...)
	}
	return all, nil
}

func showStandings(out io.Writer, format *oneOf, yards []outyard.Yard, standings []flow.Standing) error {
	rows := make([][]string, len(standings))
	for i, s := range standings {
		at := slices.IndexFunc(yards, func(y outyard.Yard) bool { return y.ID == s.Yard })
		from, last := "", ""
		if s.Days > 0 {
			from, last = s.From.String(), s.To.String()
		}
		rows[i] = []string{string(s.Yard), yards[at].Name, strconv.Itoa(s.Hives), strconv.Itoa(s.Days), from, last,
			cellOf(maybe(s.KgPerDay, 2)), cellOf(maybe(s.Low, 2)), cellOf(maybe(s.High, 2)), cellOf(maybe(s.KgPerTripMinute, 3)), cellOf(maybe(s.SeasonKg, 1))}
	}
	return show(out, format, []string{"yard", "name", "hives", "days", "from", "to", "kg_per_day", "low", "high", "kg_per_trip_minute", "total_kg"}, rows)
}

// sayDifferences says how the yards differ. Of many pairs those that show no
// difference are only counted.
func sayDifferences(out io.Writer, all []flow.Difference) {
	const few = 3
	alike := 0
	for i, d := range all {
		if i == 0 {
			fmt.Fprintln(out)
		}
		if d.Real || len(all) <= few {
			fmt.Fprintln(out, d.Summary)
		} else {
			alike++
		}
	}
	if alike > 0 {
		fmt.Fprintf(out, "Of %d pairs of yards %d show no difference that is more than chance.\n", len(all), alike)
	}
}

// withStore runs a command that only reads.
func withStore(cmd *cobra.Command, do func(context.Context, configs.Config, *sqlite.Store) error) (err error) {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return err
	}
	db, err := sqlite.OpenForReading(cmd.Context(), cfg.Data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return do(cmd.Context(), cfg, db)
}
