package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
)

func newRefused() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "refused [ID...]",
		Short: "List messages that could not be read or placed, and try them again",
		Long: `Lists the messages that could not be read, and those of yards and hives that are
not in the config, each kept whole with its reason, the newest first. Once the
cause is mended, --retry reads them again as if they came anew at their old
time, keeps what they say, and forgets those that could be read whole; --forget
throws them away. Both take all of them, or those with the IDs; the daemon has
to be stopped for that, and may run while they are listed.`,
		Example: "  outyard refused\n  outyard refused --retry\n  outyard refused --forget 17 18",
	}
	format := chooseFormat(cmd)
	var retry, forget bool
	var limit int
	cmd.Flags().BoolVar(&retry, "retry", false, "read them again, keep what they say, forget those read whole")
	cmd.Flags().BoolVar(&forget, "forget", false, "throw them away")
	cmd.Flags().IntVar(&limit, "limit", 100, "list at most this many; 0: all")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		ids, err := messageIDs(args)
		switch {
		case err != nil:
			return err
		case retry && forget:
			return useWrongly("--retry and --forget: choose one of them")
		case retry:
			return changeRefused(cmd, ids, retryRefused)
		case forget:
			return changeRefused(cmd, ids, forgetRefused)
		case limit < 0:
			return useWrongly("--limit %d: want how many to list, or 0 for all", limit)
		}
		return listRefused(cmd, ids, limit, format)
	}
	return cmd
}

func messageIDs(args []string) ([]int64, error) {
	var ids []int64
	for _, a := range args {
		id, err := strconv.ParseInt(a, 10, 64)
		if err != nil {
			return nil, useWrongly("%q: want the ID of a message, as outyard refused lists it", a)
		}
		ids = append(ids, id)
	}
	return ids, nil
}

// chosen are the messages with those ids, or all.
func chosen(messages []outyard.Refused, ids []int64) ([]outyard.Refused, error) {
	if len(ids) == 0 {
		return messages, nil
	}
	var found []outyard.Refused
	for _, m := range messages {
		if slices.Contains(ids, m.ID) {
			found = append(found, m)
		}
	}
	for _, id := range ids {
		if !slices.ContainsFunc(found, func(m outyard.Refused) bool { return m.ID == id }) {
			return nil, fmt.Errorf("no refused message has the ID %d: outyard refused lists them", id)
		}
	}
	return found, nil
}

func listRefused(cmd *cobra.Command, ids []int64, limit int, format *oneOf) error {
	if len(ids) > 0 {
		limit = 0
	}
	return withStore(cmd, func(ctx context.Context, _ configs.Config, db *sqlite.Store) error {
		messages, err := db.Refused(ctx, limit, nil)
		if err != nil {
			return err
		}
		if messages, err = chosen(messages, ids); err != nil {
			return err
		}
		refused, unplaced, dropped, err := db.RefusedCounts(ctx)
		if err != nil {
			return err
		}
		if len(messages) == 0 && format.word == "table" {
			_, err = fmt.Fprintln(cmd.OutOrStdout(), "no message is refused")
		} else {
			err = show(cmd.OutOrStdout(), format, refusedHeader, refusedRows(messages))
		}
		if more := refused + unplaced - int64(len(messages)); more > 0 && len(ids) == 0 {
			fmt.Fprintf(cmd.ErrOrStderr(), "%d older ones are not listed: --limit 0 lists all\n", more)
		}
		if dropped > 0 {
			fmt.Fprintf(cmd.ErrOrStderr(), "%d were dropped for lack of room, the oldest first\n", dropped)
		}
		return err
	})
}

var refusedHeader = []string{"id", "arrived", "why", "topic", "bytes", "reason"}

func refusedRows(messages []outyard.Refused) [][]string {
	rows := make([][]string, len(messages))
	for i, m := range messages {
		why := "refused"
		if m.Unplaced {
			why = "unplaced"
		}
		rows[i] = []string{strconv.FormatInt(m.ID, 10), instant(m.Arrived), why, m.Topic, strconv.Itoa(len(m.Payload)), m.Reason}
	}
	return rows
}

// changeRefused opens the store for writing and does a thing to the messages
// with those ids, or to all, in the order in which they came.
func changeRefused(cmd *cobra.Command, ids []int64, do func(*cobra.Command, configs.Config, *sqlite.Store, []outyard.Refused) error) (err error) {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return err
	}
	db, err := sqlite.Open(cmd.Context(), cfg.Data)
	if errors.Is(err, store.ErrInUse) {
		return fmt.Errorf("%w: stop the daemon, try again, and start it again", err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	messages, err := db.Refused(cmd.Context(), 0, nil)
	if err != nil {
		return err
	}
	if messages, err = chosen(messages, ids); err != nil {
		return err
	}
	slices.Reverse(messages)
	return do(cmd, cfg, db, messages)
}

func retryRefused(cmd *cobra.Command, cfg configs.Config, db *sqlite.Store, messages []outyard.Refused) error {
	intake, err := newRereader(cfg, db)
	if err != nil {
		return err
	}
	kept, still, err := intake.Retry(cmd.Context(), messages)
	// What is kept is forgotten even where the rest went wrong, or the command
	// was stopped.
	err = errors.Join(err, db.Forget(context.WithoutCancel(cmd.Context()), kept))
	fmt.Fprintf(cmd.OutOrStdout(), "kept %d, still refused %d\n", len(kept), len(still))
	for i, m := range still {
		if i == maxComplaints {
			fmt.Fprintf(cmd.ErrOrStderr(), "%d more are still refused, and not named one by one\n", len(still)-i)
			break
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "%d: %s\n", m.ID, m.Reason)
	}
	switch {
	case err != nil:
		return err
	case len(still) > 0:
		return errors.New("not everything could be read: mend what is named above and try again, or --forget it")
	}
	return nil
}

func forgetRefused(cmd *cobra.Command, _ configs.Config, db *sqlite.Store, messages []outyard.Refused) error {
	ids := make([]int64, len(messages))
	for i, m := range messages {
		ids[i] = m.ID
	}
	if err := db.Forget(cmd.Context(), ids); err != nil {
		return err
	}
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "forgot %d\n", len(ids))
	return err
}
