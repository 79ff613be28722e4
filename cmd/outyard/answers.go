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
	links  *alerts.Links // nil: there are none
	now    func() time.Time
}

func (a answers) acknowledge(ctx context.Context, finding, by string) error {
	_, err := a.watch.Acknowledge(ctx, finding, by)
	return noAlert(err)
}

func (a answers) snooze(ctx context.Context, finding string, until time.Time, by string) error {
	_, err := a.watch.Snooze(ctx, finding, until, by)
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

// openLink says what a link out of a message does.
func (a answers) openLink(ctx context.Context, token string) (web.Link, error) {
	link, err := a.readLink(token)
	if err != nil {
		return web.Link{}, err
	}
	used, err := a.state.LinkUsed(ctx, link.ID)
	switch {
	case err != nil:
		return web.Link{}, err
	case used:
		return web.Link{}, web.ErrLinkUsed
	}
	return web.Link{Finding: link.Finding, Mine: link.Act == alerts.LinkMine}, nil
}

// useLink remembers that a link was used.
func (a answers) useLink(ctx context.Context, token string) error {
	link, err := a.readLink(token)
	if err != nil {
		return err
	}
	return a.state.UseLink(ctx, link.ID, link.Expires, a.now())
}

func (a answers) readLink(token string) (alerts.Link, error) {
	if a.links == nil {
		return alerts.Link{}, web.ErrLinkForged
	}
	link, err := a.links.Read(token, a.now())
	switch {
	case errors.Is(err, alerts.ErrLinkExpired):
		return link, web.ErrLinkExpired
	case err != nil:
		return link, web.ErrLinkForged
	}
	return link, nil
}
