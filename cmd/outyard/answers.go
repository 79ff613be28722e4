package main

import (
	"context"
	"errors"
	"time"

	"outyard/alerts"
	"outyard/collector"
	"outyard/store/sqlite"
	"outyard/web"
)

// answers are what a page's buttons do.
type answers struct {
	watch  *alerts.Watcher
	intake *collector.Intake
	state  *sqlite.Store
}

func (a answers) acknowledge(ctx context.Context, finding string) error {
	_, err := a.watch.Acknowledge(ctx, finding)
	return noAlert(err)
}

func (a answers) snooze(ctx context.Context, finding string, until time.Time) error {
	_, err := a.watch.Snooze(ctx, finding, until)
	return noAlert(err)
}

// noAlert says in the pages' words that nobody is told of a finding.
func noAlert(err error) error {
	if errors.Is(err, alerts.ErrNoAlert) {
		return web.ErrNoAlert
	}
	return err
}

// retry has refused messages read again, now that the config may be mended.
// Those that are kept are forgotten as refused; the others stay as they are.
func (a answers) retry(ctx context.Context, ids []int64) error {
	all, err := a.state.Refused(ctx, 0, nil)
	if err != nil {
		return err
	}
	messages, err := chosen(all, ids)
	if err != nil {
		return err
	}
	kept, _, err := a.intake.Retry(ctx, messages)
	return errors.Join(err, a.state.Forget(context.WithoutCancel(ctx), kept))
}
