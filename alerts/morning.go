package alerts

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"outyard"
	"outyard/analysis/round"
	"outyard/store"
)

// MorningStore is the part of the store that the round's mail needs.
type MorningStore interface {
	Findings(ctx context.Context, q store.Query) (items []outyard.Finding, next string, err error)
	// Tell leaves a message alone whose key it knows.
	Tell(ctx context.Context, n store.News) error
}

// MorningOptions are what a morning needs besides the store.
type MorningOptions struct {
	Routes []Route
	Yards  func() []outyard.Yard
	Writer Writer
	// Queued is called, and must not block, when messages are in the outbox.
	Queued func()
}

// A Morning tells each route that wants it the day's round at its hour.
type Morning struct {
	store MorningStore
	opts  MorningOptions
	now   func() time.Time
	log   *slog.Logger

	routes atomic.Pointer[[]Route]
}

const (
	// lateRound is how long after its hour a round is still worth sending, by
	// a daemon that was not running then.
	lateRound = 6 * time.Hour
	// roundWorth is how long it is tried: in the evening nobody sets out.
	roundWorth = 12 * time.Hour
)

// NewMorning returns a morning. It does nothing until Run.
func NewMorning(db MorningStore, opts MorningOptions, now func() time.Time, log *slog.Logger) *Morning {
	m := &Morning{store: db, opts: opts, now: now, log: log}
	m.Tell(opts.Routes)
	return m
}

// Tell puts other routes in force, from the next minute on.
func (m *Morning) Tell(routes []Route) { m.routes.Store(&routes) }

// Run tells the rounds that fall due until ctx is done.
func (m *Morning) Run(ctx context.Context) error {
	done := map[string]outyard.Date{} // the last morning of each route
	t := time.NewTicker(time.Minute)
	defer t.Stop()
	for {
		for _, r := range *m.routes.Load() {
			date, due, ok := m.due(r)
			if !ok || done[r.Name] == date {
				continue
			}
			if err := m.tell(ctx, r, date, due); err != nil {
				if ctx.Err() == nil {
					m.log.Error("round not told; it is tried again in a minute", "route", r.Name, "err", err)
				}
				continue
			}
			done[r.Name] = date
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

// due says which day's round of a route is to be told now, if any. The hour is
// on the clock of the first yard that the route is for.
func (m *Morning) due(r Route) (outyard.Date, time.Time, bool) {
	if r.Round == nil {
		return outyard.Date{}, time.Time{}, false
	}
	zone := time.UTC
	yards := m.yardsOf(r)
	if i := slices.IndexFunc(yards, func(y outyard.Yard) bool { return y.Zone != nil }); i >= 0 {
		zone = yards[i].Zone
	}
	now := m.now()
	date := outyard.DateOf(now, zone)
	due := time.Date(date.Year, date.Month, date.Day, 0, int(*r.Round/time.Minute), 0, 0, zone)
	return date, due, !now.Before(due) && now.Sub(due) < lateRound
}

func (m *Morning) yardsOf(r Route) []outyard.Yard {
	return slices.DeleteFunc(slices.Clone(m.opts.Yards()), func(y outyard.Yard) bool { return !r.of(y.ID) })
}

// tell queues the round of a day for each address of a route. A day on which
// nothing is to be told is noted all the same, under the same key: what comes
// up an hour later is not the morning's, not even after a restart.
func (m *Morning) tell(ctx context.Context, r Route, date outyard.Date, due time.Time) error {
	open, _, err := m.store.Findings(ctx, store.Query{State: outyard.Open})
	if err != nil {
		return fmt.Errorf("read what is open: %w", err)
	}
	open = slices.DeleteFunc(open, func(f outyard.Finding) bool { return !r.of(f.Yard) })
	now := m.now()
	plan := round.Plan(m.yardsOf(r), open, now)
	w := m.opts.Writer
	w.Units = r.Units
	words, err := w.Round(plan)
	if err != nil {
		return err
	}
	var news store.News
	for target := range r.To {
		msg := outyard.Message{Key: fmt.Sprintf("%s|%d|round|%s", r.Name, target, date), Route: r.Name, Target: target,
			Subject: words.Subject, Text: words.Text, HTML: words.HTML, Queued: now, Due: now, NotAfter: due.Add(roundWorth)}
		if len(plan.Stops) == 0 && !r.RoundAlways {
			msg.Sent = now
		}
		news.Messages = append(news.Messages, msg)
	}
	if err := m.store.Tell(ctx, news); err != nil {
		return fmt.Errorf("queue the round of %s: %w", date, err)
	}
	m.log.Info("round", "route", r.Name, "date", date.String(), "stops", len(plan.Stops))
	if m.opts.Queued != nil {
		m.opts.Queued()
	}
	return nil
}
