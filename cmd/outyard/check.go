package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"outyard/configs"
)

func newCheck() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Say what the config puts in force, or all that is wrong with it",
		Args:  cobra.NoArgs,
	}
	format := chooseFormat(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
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
		var rows [][]string
		for _, s := range cfg.Settings() {
			rows = append(rows, []string{s.Key, s.Value, s.From})
		}
		return show(cmd.OutOrStdout(), format, []string{"key", "value", "from"}, rows)
	}
	return cmd
}

// countedMistakes lists the mistakes, and says how many they are.
func countedMistakes(path string, m *configs.Mistakes) error {
	many := "1 mistake"
	if n := len(m.List); n != 1 {
		many = fmt.Sprintf("%d mistakes", n)
	}
	return &configs.Mistakes{List: append(m.List, configs.Mistake{From: path, Text: many})}
}
