package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"

	"outyard"
	"outyard/alerts"
	"outyard/collector"
	"outyard/collector/client"
	"outyard/collector/mapping"
	"outyard/configs"
	"outyard/store/sqlite"
)

// A reloader reads the config again when it is asked to, and puts in force what
// can change while the daemon runs: yards, hives, mappings and who is told. One
// with a mistake changes nothing.
//
// It is asked, by SIGHUP, and does not watch the file: a config is often more
// than one file and saved in more than one step, and half of a change would be
// put in force, or complained of.
type reloader struct {
	asked <-chan os.Signal
	load  func() (configs.Config, error)
	boss  *supervisor
	log   *slog.Logger
	now   func() time.Time

	state    *sqlite.Store
	db       fullStore
	places   *register
	watch    *alerts.Watcher
	outbox   *alerts.Outbox
	morning  *alerts.Morning
	mappings *mapping.Set
	intake   *collector.Intake
	theirs   *client.Client // nil: there is none

	following sync.WaitGroup
	draining  sync.Mutex // one at a time

	mu      sync.Mutex
	inForce configs.Config
	wrong   string

	successful prometheus.Gauge
	at         prometheus.Gauge
}

// register gives the reloader its metrics, of a config that was read at the start.
func (r *reloader) register(reg prometheus.Registerer) {
	r.successful = promauto.With(reg).NewGauge(prometheus.GaugeOpts{
		Name: "outyard_config_last_reload_successful",
		Help: "1 while the config that was read last is in force, 0 while it has mistakes and the one before still is.",
	})
	r.at = promauto.With(reg).NewGauge(prometheus.GaugeOpts{
		Name: "outyard_config_last_reload_success_timestamp_seconds",
		Help: "When the config in force was read, in seconds since 1970.",
	})
	r.successful.Set(1)
	r.at.Set(float64(r.now().Unix()))
}

// Run reads the config again whenever that is asked, until ctx ends.
func (r *reloader) Run(ctx context.Context) error {
	defer r.following.Wait()
	r.following.Go(func() { r.drain(ctx) })
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.asked:
		}
		r.boss.reloading()
		err := r.reload(ctx)
		r.note(err)
		r.boss.tell("READY=1")
	}
}

// reload puts the config in force as it is now.
func (r *reloader) reload(ctx context.Context) error {
	read, err := r.load()
	if err != nil {
		return err
	}
	next, fixed := r.config().Next(read)
	if err := takeOver(ctx, next, r.state, r.db, r.now, r.log); err != nil {
		return err
	}
	places, err := newRegister(ctx, next, r.db)
	if err != nil {
		return err
	}
	if err := r.mappings.Replace(next.Mappings); err != nil {
		return err
	}
	changed, gone := r.places.replace(places)
	routes := routesOf(next)
	r.watch.Tell(routes)
	r.outbox.Tell(routes)
	r.morning.Tell(routes)
	for _, id := range gone {
		r.watch.Remove(id)
	}
	ids := make([]outyard.YardID, len(changed))
	for i, y := range changed {
		r.watch.Place(y)
		ids[i] = y.ID
	}
	r.mu.Lock()
	r.inForce = next
	r.mu.Unlock()
	if r.theirs != nil {
		r.following.Go(func() { // it may take long, behind what a broker holds
			if r.theirs.Refilter() {
				r.drain(ctx)
			}
		})
	}
	if len(fixed) > 0 {
		r.log.Warn("config read again: these keys take a restart, and are as they were", "keys", fixed)
	}
	r.log.Info("config read again and in force", "yards", len(next.Yards), "changed", ids, "no_longer_followed", gone, "mappings", len(next.Mappings), "tell", len(next.Tell))
	if err := r.place(ctx); err != nil && ctx.Err() == nil {
		r.log.Error("what had no place and has one now is still kept as unplaced", "error", err)
	}
	return nil
}

// place takes up what was kept as unplaced and has a place now.
func (r *reloader) place(ctx context.Context) error {
	unplaced := true
	waiting, err := r.db.Refused(ctx, 0, 0, &unplaced)
	if err != nil {
		return fmt.Errorf("read what has no place: %w", err)
	}
	var ids []int64
	for _, m := range waiting {
		if _, placed := r.places.Place(m.Yard, m.Hive); placed {
			ids = append(ids, m.ID)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	kept, still, err := retryRefused(ctx, r.intake, r.db, ids)
	r.log.Info("what had no place has one now", "messages_kept", kept, "still_refused", len(still))
	return err
}

// note remembers how it went, for the pages and the metrics, and logs each
// mistake.
func (r *reloader) note(err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.wrong = ""
	if err == nil {
		r.successful.Set(1)
		r.at.Set(float64(r.now().Unix()))
		return
	}
	r.successful.Set(0)
	r.wrong = err.Error()
	var mistakes *configs.Mistakes
	if !errors.As(err, &mistakes) {
		r.log.Error("config not read again; the one of before is still in force", "error", err)
		return
	}
	for _, m := range mistakes.List {
		r.log.Error("mistake in the config; the one of before is still in force", "mistake", m.String())
	}
}

// config is the one in force.
func (r *reloader) config() configs.Config {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.inForce
}

// complaint is what is wrong with the config that was read last.
func (r *reloader) complaint() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.wrong
}
