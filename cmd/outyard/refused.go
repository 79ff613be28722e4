package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"outyard"
	"outyard/collector"
	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
	"outyard/web"
)

func newRefused() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "refused [ID...]",
		Short: "List messages that could not be read or placed, and try them again",
		Long: `Lists the messages that could not be read, and those of yards and hives that are
not in the config, each kept whole with its reason, the newest first. Once the
cause is mended, --retry reads them again as if they came anew at their old
time, keeps what they say, and forgets those that could be read whole; --forget
throws them away. Both take all of them, or those with the IDs. While a daemon
runs it is asked to do so, with the config that it has had since its start.`,
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
			return changeRefused(cmd, ids, true)
		case forget:
			return changeRefused(cmd, ids, false)
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
			return nil, fmt.Errorf("%d: %w: outyard refused lists them", id, web.ErrNotRefused)
		}
	}
	return found, nil
}

func listRefused(cmd *cobra.Command, ids []int64, limit int, format *oneOf) error {
	if len(ids) > 0 {
		limit = 0
	}
	return withStore(cmd, func(ctx context.Context, _ configs.Config, db *sqlite.Store) error {
		messages, err := db.Refused(ctx, 0, limit, nil)
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

// A refusedChange is what became of refused messages.
type refusedChange struct {
	kept, forgot, still int
	reasons             []outyard.Refused // why some are still refused, the first of them
}

// changeRefused does a thing to the messages with those ids, or to all: in the
// store, or, while a daemon has that, by asking the daemon.
func changeRefused(cmd *cobra.Command, ids []int64, retry bool) error {
	cfg, err := loadConfig(cmd)
	if err != nil {
		return err
	}
	did, err := changeInStore(cmd, cfg, ids, retry)
	byDaemon := errors.Is(err, store.ErrInUse)
	if byDaemon {
		did, err = changeByDaemon(cmd.Context(), cfg, ids, retry)
	}
	if !retry {
		if err == nil {
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "forgot %d\n", did.forgot)
		}
		return err
	}
	if err == nil || did.kept > 0 {
		fmt.Fprintf(cmd.OutOrStdout(), "kept %d, still refused %d\n", did.kept, did.still)
	}
	for i, m := range did.reasons {
		if i == maxComplaints {
			break
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "%d: %s\n", m.ID, m.Reason)
	}
	if more := did.still - min(len(did.reasons), maxComplaints); more > 0 {
		fmt.Fprintf(cmd.ErrOrStderr(), "%d more are still refused, and not named one by one\n", more)
	}
	switch {
	case err != nil:
		return err
	case did.still > 0 && byDaemon:
		return errors.New("not everything could be read by the daemon with the config of its start: mend what is named above, start the daemon again and try again, or --forget it")
	case did.still > 0:
		return errors.New("not everything could be read: mend what is named above and try again, or --forget it")
	}
	return nil
}

func changeInStore(cmd *cobra.Command, cfg configs.Config, ids []int64, retry bool) (did refusedChange, err error) {
	ctx := cmd.Context()
	db, done, err := openToWrite(cmd, cfg)
	if err != nil {
		return did, err
	}
	defer func() { err = errors.Join(err, done()) }()
	if !retry {
		did.forgot, err = forgetRefused(ctx, db, ids)
		return did, err
	}
	intake, err := newRereader(cfg, db)
	if err != nil {
		return did, err
	}
	did.kept, did.reasons, err = retryRefused(ctx, intake, db, ids)
	did.still = len(did.reasons)
	return did, err
}

// A refusedStore has the refused messages.
type refusedStore interface {
	Refused(ctx context.Context, before int64, limit int, unplaced *bool) ([]outyard.Refused, error)
	Forget(ctx context.Context, ids []int64) error
}

// retryRefused reads messages again, in the order in which they came. Those that
// are kept are forgotten as refused, even where the rest goes wrong; the others
// stay as they are.
func retryRefused(ctx context.Context, intake *collector.Intake, db refusedStore, ids []int64) (int, []outyard.Refused, error) {
	messages, err := chosenFrom(ctx, db, ids)
	if err != nil {
		return 0, nil, err
	}
	slices.Reverse(messages)
	kept, still, err := intake.Retry(ctx, messages)
	return len(kept), still, errors.Join(err, db.Forget(context.WithoutCancel(ctx), kept))
}

func forgetRefused(ctx context.Context, db refusedStore, ids []int64) (int, error) {
	messages, err := chosenFrom(ctx, db, ids)
	if err != nil {
		return 0, err
	}
	all := make([]int64, len(messages))
	for i, m := range messages {
		all[i] = m.ID
	}
	return len(all), db.Forget(ctx, all)
}

func chosenFrom(ctx context.Context, db refusedStore, ids []int64) ([]outyard.Refused, error) {
	all, err := db.Refused(ctx, 0, 0, nil)
	if err != nil {
		return nil, err
	}
	return chosen(all, ids)
}

// changeByDaemon asks the daemon that has the store open.
func changeByDaemon(ctx context.Context, cfg configs.Config, ids []int64, retry bool) (did refusedChange, err error) {
	what := "forget"
	if retry {
		what = "retry"
	}
	var ask struct {
		IDs []int64 `json:"ids,omitempty"`
	}
	ask.IDs = ids
	var answer struct {
		Kept, Forgot int
		StillRefused int `json:"still_refused"`
		Reasons      []struct {
			ID     int64
			Reason string
		}
	}
	if err := askDaemon(ctx, cfg, http.MethodPost, "/api/v1/refused/"+what, ask, &answer); err != nil {
		return did, err
	}
	did = refusedChange{kept: answer.Kept, forgot: answer.Forgot, still: answer.StillRefused}
	for _, r := range answer.Reasons {
		did.reasons = append(did.reasons, outyard.Refused{ID: r.ID, Reason: r.Reason})
	}
	return did, nil
}
