package main

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
)

func TestOldReadingsAreDroppedOnceADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var (
			mu     sync.Mutex
			asked  []time.Time
			broken error
		)
		fail := func(err error) {
			mu.Lock()
			defer mu.Unlock()
			broken = err
		}
		calls := func() []time.Time {
			mu.Lock()
			defer mu.Unlock()
			return slices.Clone(asked)
		}
		drop := func(_ context.Context, before time.Time) (map[outyard.YardID]int64, error) {
			mu.Lock()
			defer mu.Unlock()
			asked = append(asked, before)
			if broken != nil {
				return nil, broken
			}
			return map[outyard.YardID]int64{"heron-point": 144}, nil
		}
		var log logBook
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		begun := time.Now() // midnight, UTC, in such a bubble
		go func() {
			done <- dropOld(400, drop, time.Now, slog.New(slog.NewJSONHandler(&log, nil)), prometheus.NewRegistry())(ctx)
		}()
		<-time.After(23 * time.Hour)
		synctest.Wait()
		require.Equal(t, []time.Time{begun.AddDate(0, 0, -400).UTC()}, calls(), "at the start, and not each hour")
		require.Contains(t, log.String(), `"msg":"old readings dropped, as the config asks","yard":"heron-point","readings":144`)
		fail(errors.New("no room left on the disk"))
		<-time.After(3 * time.Hour)
		synctest.Wait()
		require.Greater(t, len(calls()), 2, "what went wrong is tried again")
		require.Contains(t, log.String(), "no room left on the disk")
		fail(nil)
		<-time.After(10 * time.Hour)
		synctest.Wait()
		require.Equal(t, begun.AddDate(0, 0, -399).UTC(), calls()[len(calls())-1])
		tried := len(calls())
		<-time.After(10 * time.Hour)
		synctest.Wait()
		require.Len(t, calls(), tried, "and then not before the next day")
		cancel()
		require.NoError(t, <-done)
	})
}
