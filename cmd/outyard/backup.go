package main

import (
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
)

func newBackup() *cobra.Command {
	return &cobra.Command{
		Use:   "backup FILE",
		Short: "Write a copy of the store to a file; a daemon may run meanwhile",
		Long: `Writes the whole store (readings, journal, findings, alerts, refused messages)
as it is at one instant to FILE, and looks whether the copy can be read. A
daemon may go on writing meanwhile. A file that is there is not replaced. Of
readings in a time-series server it has those that still wait for it. The config
is not in it, nor what lies beside the store: without link.key, links in
messages that are out do nothing where the copy is restored, and new ones work.`,
		Example: "  outyard backup outyard-$(date +%F).db",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			db, err := sqlite.OpenForReading(cmd.Context(), cfg.Data)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, db.Close()) }()
			err = db.Backup(cmd.Context(), args[0])
			if errors.Is(err, sqlite.ErrThere) {
				return fmt.Errorf("%w: name a new file", err)
			}
			if err != nil {
				return err
			}
			if cfg.Store.Kind == configs.InfluxStore {
				fmt.Fprintf(cmd.ErrOrStderr(), "%s: readings that the time-series server has taken are not in it: back them up there\n", args[0])
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: whole, and checked\n", args[0])
			return err
		},
	}
}

func newRestore() *cobra.Command {
	var force bool
	cmd := &cobra.Command{
		Use:   "restore FILE",
		Short: "Put a backup in the place of the store; the daemon must be stopped",
		Long: `Checks a file that backup wrote and puts it in the place of the store. The
daemon must be stopped. A store that is there is left alone, unless --force is
given: then it is kept beside it under a name that ends in the time.`,
		Example: "  systemctl stop outyard && sudo -u outyard outyard restore outyard-2027-05-14.db --force",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := loadConfig(cmd)
			if err != nil {
				return err
			}
			if err := asOwner(cfg.Data); err != nil {
				return err
			}
			old, err := sqlite.Restore(cmd.Context(), args[0], cfg.Data, force, time.Now())
			switch {
			case errors.Is(err, sqlite.ErrThere):
				return fmt.Errorf("%w: with --force it is kept under another name", err)
			case errors.Is(err, store.ErrDamaged):
				return fmt.Errorf("%s is no backup, or damaged: name another file that backup wrote; the store is as it was", args[0])
			case errors.Is(err, store.ErrInUse):
				return fmt.Errorf("%w: stop the daemon, restore, and start it again", err)
			case err != nil:
				return err
			}
			if old != "" {
				fmt.Fprintf(cmd.OutOrStdout(), "the store that was there is now %s\n", old)
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: restored into %s\n", args[0], cfg.Data)
			return err
		},
	}
	cmd.Flags().BoolVar(&force, "force", false, "also when there is a store: it is kept under another name")
	return cmd
}
