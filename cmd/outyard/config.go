package main

import (
	"errors"
	"os"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"outyard"
	"outyard/configs"
)

// loadConfig loads the config that the command was given, or that is in its
// usual place; without any, the defaults are in force, so that a newcomer can
// do everything before writing one. Flags that were set override keys of the
// same name.
func loadConfig(cmd *cobra.Command, flags ...*pflag.Flag) (configs.Config, error) {
	named, err := cmd.Flags().GetString("config")
	if err != nil {
		return configs.Config{}, err
	}
	path, err := configs.Find(named)
	if err != nil && !errors.Is(err, configs.ErrNoFile) {
		return configs.Config{}, err
	}
	return configs.Load(path, os.Environ(), flags...)
}

// places knows which yards and hives there are.
type places struct {
	auto  bool // whatever sends is placed
	known map[outyard.YardID]map[outyard.HiveID]bool
}

func placesOf(cfg configs.Config) places {
	p := places{auto: cfg.AutoYards, known: map[outyard.YardID]map[outyard.HiveID]bool{}}
	for _, y := range cfg.Yards {
		// The yard's own weather has no hive.
		p.known[y.ID] = map[outyard.HiveID]bool{"": true}
		for _, h := range y.Hives {
			p.known[y.ID][h.ID] = true
		}
	}
	return p
}

func (p places) has(yard outyard.YardID, hive outyard.HiveID) bool {
	return p.auto || p.known[yard][hive]
}
