package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"outyard"
	"outyard/collector"
	"outyard/collector/client"
	"outyard/configs"
	"outyard/store/sqlite"
)

// takeOver takes what is known of our yards from the daemons that had them
// before, as far as that has not been done.
func takeOver(ctx context.Context, cfg configs.Config, state *sqlite.Store, db fullStore, now func() time.Time, log *slog.Logger) error {
	yards := collector.NewPlacement(cfg.Yards, false).Yards()
	for _, p := range cfg.TakeOver {
		kept := 0
		taken, err := state.TakeOver(ctx, p.Data, yards, now(), func(ctx context.Context, rs []outyard.Reading) error {
			fresh, err := db.Keep(ctx, rs)
			kept += len(fresh)
			return err
		})
		if err != nil {
			return fmt.Errorf("%w: is that daemon stopped, and its folder there for us to read and write?", err)
		}
		if len(taken) > 0 {
			log.Info("yards taken over", "from", p.Data, "yards", taken, "readings", kept)
		}
	}
	return nil
}

// drainAgain is the wait after a session could not be emptied.
const drainAgain = time.Minute

// drain empties the sessions that daemons that are no more have at the broker.
// It is done once we are subscribed to their yards ourselves.
func (r *reloader) drain(ctx context.Context) {
	r.draining.Lock()
	defer r.draining.Unlock()
	cfg := r.config()
	if r.theirs == nil {
		return
	}
	for _, p := range cfg.TakeOver {
		source := "mqtt:" + p.ClientID
		for p.ClientID != "" && ctx.Err() == nil {
			err, again := r.theirs.Healthy(), drainAgain
			if err != nil { // what comes from now on has to come to us first, which is not so yet
				again = time.Second
			} else if err = r.drainOne(ctx, cfg, p.ClientID, source); err == nil {
				break
			} else if ctx.Err() == nil {
				r.log.Error("what the broker holds for another daemon is not taken over yet; it is tried again", "client_id", p.ClientID, "error", err, "again_in", drainAgain)
			}
			timer := time.NewTimer(again)
			select {
			case <-timer.C:
			case <-ctx.Done():
				timer.Stop()
			}
		}
	}
}

func (r *reloader) drainOne(ctx context.Context, cfg configs.Config, clientID, source string) error {
	done, err := r.state.WasTakenOver(ctx, source, "")
	if err != nil || done {
		return err
	}
	theirs, err := clientConfig(cfg, r.mappings, nil, r.log)
	if err != nil {
		return err
	}
	theirs.ClientID = clientID
	if _, err := client.Drain(ctx, theirs, r.intake, r.now, r.log); err != nil {
		return err
	}
	return r.state.NoteTakenOver(ctx, source, r.now())
}
