package main

import (
	"context"
	"errors"
	"time"

	"outyard"
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
func (a answers) retry(ctx context.Context, ids []int64) (kept int, still []outyard.Refused, err error) {
	return retryRefused(ctx, a.intake, a.state, ids)
}

func (a answers) forget(ctx context.Context, ids []int64) (int, error) {
	return forgetRefused(ctx, a.state, ids)
}
