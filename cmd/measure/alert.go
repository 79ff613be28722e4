package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"

	"outyard"
	"outyard/alerts"
	"outyard/analysis"
	"outyard/collector"
	"outyard/collector/broker"
	"outyard/simulator"
	"outyard/store"
	"outyard/store/sqlite"
)

// The day on which alerts are measured: a thousand hives in May, of which one
// a yard swarms, or is knocked over, in the hours after noon.
const (
	alertYards  = 100
	alertHives  = 10 // in each
	alertKnocks = 30 // yards in which a hive is knocked over; in the others one swarms
	alertDays   = 4  // to know each hive by
	alertPace   = 1_000
)

var (
	alertZone  = time.FixedZone("", -7*3600) // the simulator's district in summer
	alertNoon  = time.Date(2026, time.May, 20, 12, 0, 0, 0, alertZone)
	alertUntil = alertNoon.Add(150 * time.Minute)
)

// alertSeason invents that day and those before.
func alertSeason() simulator.Scenario {
	opt := simulator.Options{Start: alertNoon.AddDate(0, 0, -alertDays), End: alertUntil, Yards: alertYards, HivesPerYard: alertHives, Calm: true, NoKeeper: true}
	for y := range alertYards {
		ev := simulator.Event{Kind: outyard.Swarm, Kg: 2.2, Yard: simulator.YardID(y + 1), Hive: simulator.HiveID(y%alertHives + 1), Time: alertNoon.Add(time.Duration(10+y%80) * time.Minute)}
		if y < alertKnocks {
			ev.Kind = outyard.KnockedOver
		}
		opt.Script = append(opt.Script, ev)
	}
	return simulator.Invent(1, opt)
}

// alert measures how long after the publication of the reading that decides
// an alert is in the outbox.
func alert(ctx context.Context, b *bench) error {
	season := alertSeason()
	dir := filepath.Join(b.dir, "alert")
	live, err := keepUntilNoon(ctx, season, dir)
	if err != nil {
		return err
	}
	p, err := beginAs(ctx, "watching-broker", dir)
	if err != nil {
		return err
	}
	defer p.stop()
	addr, err := p.expect(ctx, "ready ")
	if err != nil {
		return err
	}
	n, err := dial(ctx, addr, "nodes")
	if err != nil {
		return err
	}
	sentAt := make(map[string]int64, len(live)) // ns from 1970, by what was sent
	places := make([]string, len(live))
	for i, r := range live {
		n.add(r)
		places[i] = sentKey(r)
	}
	acks := make(chan error, 1)
	go func() { acks <- n.readAcks() }()
	begun := time.Now()
	for i, key := range places {
		if wait := time.Until(begun.Add(time.Duration(i) * time.Second / alertPace)); wait > 0 {
			time.Sleep(wait)
		}
		sentAt[key] = time.Now().UnixNano()
		if err := n.send(); err != nil {
			return err
		}
	}
	if err := errors.Join(<-acks, n.leave()); err != nil {
		return err
	}
	took := map[outyard.Kind][]time.Duration{}
	var all []time.Duration
	const quiet = 3 * time.Second // after which no more is on its way
	for {
		heard, cancel := context.WithTimeout(ctx, quiet)
		line, err := p.expect(heard, "alert ")
		cancel()
		if err != nil {
			if errors.Is(heard.Err(), context.DeadlineExceeded) && ctx.Err() == nil {
				break
			}
			return err
		}
		var at int64
		var kind outyard.Kind
		var key string
		if _, err := fmt.Sscan(line, &at, &kind, &key); err != nil {
			return fmt.Errorf("alert said %q: %w", line, err)
		}
		sent, ok := sentAt[key]
		if !ok {
			return fmt.Errorf("alert %q was decided by a reading that was not sent", line)
		}
		took[kind] = append(took[kind], time.Duration(at-sent))
		all = append(all, time.Duration(at-sent))
	}
	for _, kind := range []outyard.Kind{outyard.Swarm, outyard.KnockedOver} {
		if len(took[kind]) == 0 {
			return fmt.Errorf("no alert of kind %s", kind)
		}
		b.note(string(kind)+" alerts", float64(len(took[kind])), "")
	}
	b.note("from publish to outbox, median", percentile(all, 50)/1e9, "s")
	b.add("from publish to outbox, p99", percentile(all, 99)/1e9, "s", atMost, 1)
	return p.stop()
}

// sentKey names a reading without a space.
func sentKey(r outyard.Reading) string {
	return fmt.Sprintf("%s/%s/%d", r.Yard, r.Hive, r.Time.Unix())
}

// keepUntilNoon keeps what arrived until noon, and returns the rest.
func keepUntilNoon(ctx context.Context, season simulator.Scenario, dir string) (live []outyard.Reading, err error) {
	db, err := sqlite.Open(ctx, dir)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	var before []outyard.Reading
	flush := func() error {
		_, err := db.Keep(ctx, before)
		before = before[:0]
		return err
	}
	_, err = season.Send(func(s simulator.Sent) error {
		switch {
		case s.Reading.Empty():
			return nil
		case s.Arrival.After(alertNoon):
			live = append(live, s.Reading)
			return nil
		}
		if before = append(before, s.Reading); len(before) < 50_000 {
			return nil
		}
		return flush()
	})
	return live, errors.Join(err, flush())
}

// watchingBroker is the daemon's line from its broker to its outbox, with the
// clock of the season. It says of each
// message in the outbox when it came there and which reading decided it.
func watchingBroker(ctx context.Context, args []string) error {
	if len(args) != 1 {
		return errors.New("want the folder of the store")
	}
	db, err := sqlite.Open(ctx, args[0])
	if err != nil {
		return err
	}
	defer db.Close()
	clock := newSeasonClock(alertNoon)
	now := clock.now
	yards := alertSeason().Yards()
	decided := &deciders{by: map[string]string{}}
	watch := alerts.NewWatcher(told{db, decided}, decided.newCourse, alerts.Options{
		Yards: yards, Routes: []alerts.Route{{Name: "keeper", To: []string{"log:"}, Yards: []string{"*"}, From: outyard.Soon}},
	}, now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	in := collector.New(db, collector.NewPlacement(yards, false), collector.Options{Kept: func(fresh []outyard.Reading, arrived time.Time) {
		for _, r := range fresh {
			clock.reach(r.Time)
		}
		watch.Kept(fresh, arrived)
	}}, now, complaints(), prometheus.NewRegistry())
	own, err := broker.New(broker.Config{Listen: "127.0.0.1:0", WallClock: time.Now}, in, now, complaints(), prometheus.NewRegistry())
	if err != nil {
		return err
	}
	g, ctx := errgroup.WithContext(ctx)
	for _, run := range []func(context.Context) error{in.Run, watch.Run, own.Run} {
		g.Go(func() error { return run(ctx) })
	}
	g.Go(func() error {
		for wait := time.NewTicker(10 * time.Millisecond); decided.begun.Load() < alertYards; <-wait.C {
			if ctx.Err() != nil {
				return nil
			}
		}
		fmt.Println("ready", own.Addr())
		return nil
	})
	return g.Wait()
}

// A seasonClock goes on by itself, and jumps ahead to each new time that a
// node tells.
type seasonClock struct {
	mu   sync.Mutex
	at   time.Time // of the season
	then time.Time // when that was
}

func newSeasonClock(at time.Time) *seasonClock { return &seasonClock{at: at.UTC(), then: time.Now()} }

func (c *seasonClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at.Add(time.Since(c.then))
}

func (c *seasonClock) reach(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at.After(c.at.Add(time.Since(c.then))) {
		c.at, c.then = at, time.Now()
	}
}

// deciders notes which reading decided each finding.
type deciders struct {
	begun atomic.Int64 // courses that have been read from the store
	mu    sync.Mutex
	by    map[string]string // sentKey of a reading, by kind, yard and hive
}

func findingKey(f outyard.Finding) string {
	return strings.Join([]string{string(f.Kind), string(f.Yard), string(f.Hive)}, " ")
}

func (d *deciders) newCourse(yard outyard.Yard, journal []outyard.Entry) alerts.Course {
	return &notedCourse{Course: analysis.NewCourse(yard, journal, analysis.DefaultSettings()), d: d}
}

// A notedCourse notes what the newest reading was when a finding came up.
type notedCourse struct {
	*analysis.Course
	d      *deciders
	newest string
	begun  bool
}

func (c *notedCourse) Observe(r outyard.Reading) error {
	c.newest = sentKey(r)
	return c.Course.Observe(r)
}

func (c *notedCourse) Findings() []outyard.Finding {
	found := c.Course.Findings()
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	for _, f := range found {
		if key := findingKey(f); c.d.by[key] == "" {
			c.d.by[key] = c.newest
		}
	}
	return found
}

// Advance is called first once the course has been fed from the store.
func (c *notedCourse) Advance(now time.Time) {
	if !c.begun {
		c.begun = true
		c.d.begun.Add(1)
	}
	c.Course.Advance(now)
}

// told says what has come into the outbox.
type told struct {
	*sqlite.Store
	d *deciders
}

func (t told) Tell(ctx context.Context, n store.News) error {
	if err := t.Store.Tell(ctx, n); err != nil {
		return err
	}
	at := time.Now().UnixNano()
	for _, m := range n.Messages {
		for _, f := range n.Findings {
			if len(m.Findings) > 0 && f.ID == m.Findings[0] && (f.Kind == outyard.Swarm || f.Kind == outyard.KnockedOver) {
				t.d.mu.Lock()
				by := t.d.by[findingKey(f)]
				t.d.mu.Unlock()
				fmt.Println("alert", at, f.Kind, by)
			}
		}
	}
	return nil
}
