package main

import (
	"context"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"

	"outyard"
)

// dropEvery is how often it is looked whether a day has passed since the last
// drop, or it went wrong.
const dropEvery = time.Hour

// dropOld drops readings that are older than so many days, at the start and
// then once a day.
func dropOld(days int, drop func(context.Context, time.Time) (map[outyard.YardID]int64, error), now func() time.Time, log *slog.Logger, reg prometheus.Registerer) runner {
	dropped := promauto.With(reg).NewCounter(prometheus.CounterOpts{
		Name: "outyard_store_readings_dropped_total",
		Help: "Readings dropped for their age, as the config asks.",
	})
	return func(ctx context.Context) error {
		tick := time.NewTicker(dropEvery)
		defer tick.Stop()
		var last time.Time
		for {
			if before := now().AddDate(0, 0, -days).UTC().Truncate(24 * time.Hour); before.After(last) {
				yards, err := drop(ctx, before)
				for yard, n := range yards {
					dropped.Add(float64(n))
					log.Info("old readings dropped, as the config asks", "yard", yard, "readings", n, "before", before, "days", days)
				}
				switch {
				case err == nil:
					last = before
				case ctx.Err() == nil:
					log.Error("old readings not dropped; it is tried again", "error", err, "again_in", dropEvery)
				}
			}
			select {
			case <-ctx.Done():
				return nil
			case <-tick.C:
			}
		}
	}
}
