package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/collector"
	"outyard/collector/mapping"
	"outyard/configs"
)

func newCheck() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Say what the config puts in force, or all that is wrong with it",
		Long: `Says what the config puts in force and where each value comes from, or all that
is wrong with it. With a sample, a message as a node sends it, says instead what
would be kept of it under its topic, or why it would be refused; nothing is.
With --connect it tries what the config names, and says what it saw: whether the
data folder can be written to, our certificates are for the name that others
look for, the time-series server takes readings, the broker lets us in and lets
us read, mail servers let us in, and webhooks are reached. Nothing is sent to
anybody, and no secret is shown.`,
		Example: "  outyard check\n  outyard check --connect\n  outyard check --sample message.json --topic yards/home/hives/h01",
		Args:    cobra.NoArgs,
	}
	format := chooseFormat(cmd)
	var sample, topic string
	cmd.Flags().StringVar(&sample, "sample", "", "`FILE` with one message; - is standard input")
	cmd.Flags().StringVar(&topic, "topic", "", "`TOPIC` that it is sent under")
	connect := cmd.Flags().Bool("connect", false, "try broker, store, mail and webhooks as well, and say what was seen")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if *connect && sample != "" {
			return useWrongly("--connect and --sample do not go together")
		}
		if (sample == "") != (topic == "") {
			return useWrongly("--sample and --topic go together")
		}
		if sample != "" {
			return checkSample(cmd, sample, topic, format)
		}
		named, err := cmd.Flags().GetString("config")
		if err != nil {
			return err
		}
		path, err := configs.Find(named)
		if err != nil {
			return err // with no file there is nothing to check
		}
		cfg, err := configs.Load(path, os.Environ())
		var mistakes *configs.Mistakes
		if errors.As(err, &mistakes) {
			return countedMistakes(path, mistakes)
		}
		if err != nil {
			return err
		}
		if old := cfg.OutOfDate(time.Now()); old != nil {
			return countedMistakes(path, old)
		}
		if *connect {
			return checkConnections(cmd, cfg, format)
		}
		var rows [][]string
		for _, s := range cfg.Settings() {
			rows = append(rows, []string{s.Key, s.Value, s.From})
		}
		return show(cmd.OutOrStdout(), format, []string{"key", "value", "from"}, rows)
	}
	return cmd
}

// checkSample shows what would be kept of a message that came now.
func checkSample(cmd *cobra.Command, sample, topic string, format *oneOf) error {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return err
	}
	in, closeIn, err := openInput(cmd, sample)
	if err != nil {
		return err
	}
	defer closeIn()
	payload, err := io.ReadAll(io.LimitReader(in, maxSampleBytes))
	if err != nil {
		return fmt.Errorf("%s: %w", sample, err)
	}
	intake, err := newRereader(cfg, nil)
	if err != nil {
		return err
	}
	rs, refused := intake.Read(collector.Message{Topic: topic, Payload: payload, Arrived: time.Now()})
	if len(rs) > 0 {
		header, rows := readingsTable(rs)
		if err := show(cmd.OutOrStdout(), format, header, rows); err != nil {
			return err
		}
	}
	switch {
	case refused == nil:
		return nil
	case refused.Unplaced:
		return fmt.Errorf("would be kept as unplaced: %s", refused.Reason)
	case len(rs) > 0:
		return fmt.Errorf("would be kept as above, and the message as refused for the rest: %s", refused.Reason)
	}
	return fmt.Errorf("would be refused: %s", refused.Reason)
}

// maxSampleBytes is one more than what any message may have: a larger one is
// refused with that reason.
const maxSampleBytes = mapping.MaxMessageBytes + 1

// newRereader is an intake that reads messages outside of the daemon.
func newRereader(cfg configs.Config, db collector.Store) (*collector.Intake, error) {
	set, err := mapping.NewSet(cfg.Mappings)
	if err != nil {
		return nil, err
	}
	return collector.New(db, collector.NewPlacement(cfg.Yards, cfg.AutoYards),
		collector.Options{Prefix: cfg.MQTT.TopicPrefix, Mappings: set}, time.Now, slog.New(slog.DiscardHandler), nil), nil
}

// readingsTable has the columns of the readings file that hold anything.
func readingsTable(rs []outyard.Reading) (header []string, rows [][]string) {
	header = []string{"time", "yard", "hive"}
	var shown []outyard.Quantity
	for q := range outyard.NumQuantities {
		if slices.ContainsFunc(rs, func(r outyard.Reading) bool { return outyard.Known(r.Values[q]) }) {
			shown = append(shown, q)
			header = append(header, q.Info().Column)
		}
	}
	for _, r := range rs {
		row := []string{instant(r.Time), string(r.Yard), string(r.Hive)}
		for _, q := range shown {
			row = append(row, cellOf(maybe(r.Values[q], 3)))
		}
		rows = append(rows, row)
	}
	return header, rows
}

// countedMistakes lists the mistakes, and says how many they are.
func countedMistakes(path string, m *configs.Mistakes) error {
	many := "1 mistake"
	if n := len(m.List); n != 1 {
		many = fmt.Sprintf("%d mistakes", n)
	}
	return &configs.Mistakes{List: append(m.List, configs.Mistake{From: path, Text: many})}
}
