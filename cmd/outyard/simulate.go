package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"

	"outyard"
	"outyard/collector/csvfile"
	"outyard/configs"
	"outyard/simulator"
)

// Bounds of an invented season: more would be a slip of the finger.
const (
	maxSimulatedDays  = 3660
	maxSimulatedHives = 100_000
)

// simulation are the flags of simulate.
type simulation struct {
	seed         uint64
	days         int
	start        string
	yards, hives int
	out, broker  string
	quicken      float64
}

func newSimulate() *cobra.Command {
	var sim simulation
	cmd := &cobra.Command{
		Use:   "simulate",
		Short: "Invent a season: yards, readings and what really happened",
		Long: `Invents yards and their season. With --out it writes config.yaml, readings.csv
and labels.jsonl, which says what really happened; the same seed gives the same
files. With --broker it publishes the readings instead, as nodes would: in real
time from now on, or, quickened, the days up to now.`,
		Example: "  outyard simulate --seed 7 --days 120 --start 2026-04-01 --out season\n" +
			"  outyard simulate --seed 7 --days 30 --broker tcp://127.0.0.1:1883 --quicken 3600",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			opt, err := sim.options(time.Now())
			if err != nil {
				return err
			}
			season := simulator.Invent(sim.seed, opt)
			if sim.broker == "" {
				return writeSeason(cmd, season, sim.out)
			}
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			return publishSeason(cmd, season, sim, cfg.MQTT.TopicPrefix)
		},
	}
	f := cmd.Flags()
	f.Uint64Var(&sim.seed, "seed", 1, "another `N`, another season")
	f.IntVar(&sim.days, "days", 365, "how many days `D` it lasts")
	f.StringVar(&sim.start, "start", "", "the `DATE` on which it begins")
	f.IntVar(&sim.yards, "yards", 2, "how many yards `N` to invent")
	f.IntVar(&sim.hives, "hives", 6, "how many hives `N` in each")
	f.StringVar(&sim.out, "out", "", "write files into this `DIR`")
	f.StringVar(&sim.broker, "broker", "", "publish to the broker at this `URL`")
	f.Float64Var(&sim.quicken, "quicken", 1, "publish `K` times as fast as it happened")
	return cmd
}

func (s simulation) options(now time.Time) (simulator.Options, error) {
	opt := simulator.Options{Days: s.days, Yards: s.yards, HivesPerYard: s.hives}
	switch {
	case (s.out == "") == (s.broker == ""):
		return opt, useWrongly("say where the season goes: either --out DIR or --broker URL")
	case s.days < 1 || s.days > maxSimulatedDays:
		return opt, useWrongly("--days %d: want 1 to %d", s.days, maxSimulatedDays)
	case s.yards < 1 || s.hives < 1 || s.yards > maxSimulatedHives/s.hives:
		return opt, useWrongly("--yards %d --hives %d: want at least one of each, and at most %d hives in all", s.yards, s.hives, maxSimulatedHives)
	case !(s.quicken > 0 && s.quicken <= 1e9):
		return opt, useWrongly("--quicken %g: want more than 0, such as 60 for an hour a minute", s.quicken)
	}
	switch {
	case s.start != "":
		d, err := outyard.ParseDate(s.start)
		if err != nil {
			return opt, usageError{fmt.Errorf("--start: %w", err)}
		}
		// Any instant of that date where the invented yards are: the season
		// begins at the midnight before it. Noon in UTC is one, save at the
		// edges of the map.
		opt.Start = d.Start(time.UTC).Add(12 * time.Hour)
		return opt, nil
	case s.broker == "":
		return opt, nil // the same seed is the same season, whatever today is
	case s.quicken == 1:
		opt.Start = now
	default:
		opt.End = now // a node's clock that runs ahead would not be believed
	}
	return opt, nil
}

// writeSeason writes the season's files into dir.
func writeSeason(cmd *cobra.Command, season simulator.Scenario, dir string) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	config, err := seasonConfig(season.Yards())
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, "config.yaml"), config, 0o666); err != nil {
		return err
	}
	n := 0
	var labels []simulator.Label
	err = toFile(filepath.Join(dir, "readings.csv"), func(w io.Writer) (err error) {
		rows := csvfile.NewArrivalWriter(w)
		labels, err = playSeason(cmd, season.Record, season, func(s simulator.Sent) error {
			n++
			return rows.WriteRow(csvfile.Row{Reading: s.Reading, Arrival: s.Arrival})
		})
		return errors.Join(err, rows.Flush())
	})
	if err != nil {
		return err
	}
	err = toFile(filepath.Join(dir, "labels.jsonl"), func(w io.Writer) error { return simulator.WriteLabels(w, labels) })
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: config.yaml, readings.csv with %d readings, labels.jsonl with %d truths\n", dir, n, len(labels))
	return err
}

// playSeason plays the season, shows how far it is, and ends when it is told to.
func playSeason(cmd *cobra.Command, play func(func(simulator.Sent) error) ([]simulator.Label, error),
	season simulator.Scenario, each func(simulator.Sent) error) ([]simulator.Label, error) {
	from, to := season.Span()
	bar := newBar(cmd.ErrOrStderr(), "simulate", int64(to.Sub(from)/time.Second))
	defer bar.done()
	return play(func(s simulator.Sent) error {
		if err := cmd.Context().Err(); err != nil {
			return context.Cause(cmd.Context())
		}
		bar.at(int64(s.Arrival.Sub(from) / time.Second))
		return each(s)
	})
}

// toFile writes a file, and says so when its end does not reach the disk.
func toFile(path string, write func(io.Writer) error) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			err = fmt.Errorf("write %s: %w", path, err)
		}
	}()
	w := bufio.NewWriter(f)
	return errors.Join(write(w), w.Flush())
}

// seasonConfig is a config for the yards, in the shape that package configs
// reads.
func seasonConfig(yards []outyard.Yard) ([]byte, error) {
	type hive struct {
		ID        outyard.HiveID `yaml:"id"`
		Name      string         `yaml:"name"`
		Equipment []outyard.Part `yaml:"equipment,flow"`
	}
	type yard struct {
		ID          outyard.YardID `yaml:"id"`
		Name        string         `yaml:"name"`
		Latitude    float64        `yaml:"latitude"`
		Longitude   float64        `yaml:"longitude"`
		Timezone    string         `yaml:"timezone"`
		TripMinutes float64        `yaml:"trip_minutes"`
		Hives       []hive         `yaml:"hives"`
	}
	var shape struct {
		Yards []yard `yaml:"yards"`
	}
	for _, y := range yards {
		out := yard{y.ID, y.Name, y.Latitude, y.Longitude, y.Zone.String(), y.TripMinutes, nil}
		for _, h := range y.Hives {
			out.Hives = append(out.Hives, hive{h.ID, h.Name, h.Equipment})
		}
		shape.Yards = append(shape.Yards, out)
	}
	text, err := yaml.Marshal(shape)
	if err != nil {
		return nil, err
	}
	return append([]byte("# An invented season.\n"), text...), nil
}

// brokerPlace is what may be shown of a broker's address.
func brokerPlace(url string) string { return configs.Secret(url).Place() }
