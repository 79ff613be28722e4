// Package storetest says what a store has to do, as tests that every store
// passes: one that keeps readings only runs [RunReadings], one that keeps the
// daemon's state too runs [Run].
package storetest

import (
	"context"
	"testing"
	"time"

	"outyard"
	"outyard/store"
)

// Readings is what keeps readings.
type Readings interface {
	Keep(ctx context.Context, rs []outyard.Reading) (fresh []outyard.Reading, err error)
	EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error
	Series(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, q outyard.Quantity, from, to time.Time, pixels int) ([]store.Bucket, error)
	Newest(ctx context.Context) ([]outyard.Reading, error)
	Span(ctx context.Context, yard outyard.YardID) (first, last time.Time, ok bool, err error)
}

// State is what keeps findings, days, alerts, the outbox, the journal and what
// was refused.
type State interface {
	Tell(ctx context.Context, news store.News) error
	Findings(ctx context.Context, q store.Query) (items []outyard.Finding, next string, err error)
	Finding(ctx context.Context, id string) (outyard.Finding, bool, error)
	Days(ctx context.Context, q store.Query) (items []outyard.Day, next string, err error)
	Alerts(ctx context.Context) ([]outyard.Alert, error)
	History(ctx context.Context, finding string) ([]outyard.Transition, error)
	Told(ctx context.Context, q store.Query) (items []store.Told, next string, err error)
	Steps(ctx context.Context, q store.Query) (items []store.Step, next string, err error)
	MessagesAbout(ctx context.Context, findings []string) ([]outyard.Message, error)
	LinkUsed(ctx context.Context, id string) (bool, error)
	UseLink(ctx context.Context, id string, expires, now time.Time) error

	AddEntry(ctx context.Context, e outyard.Entry) (outyard.Entry, error)
	Entries(ctx context.Context, q store.Query) (items []outyard.Entry, next string, err error)
	FixEntry(ctx context.Context, e outyard.Entry, now time.Time) error
	EntryVersions(ctx context.Context, id string) ([]store.EntryVersion, error)

	Due(ctx context.Context, now time.Time, limit int) ([]outyard.Message, error)
	Undelivered(ctx context.Context, olderThan time.Time) ([]outyard.Message, error)
	Delivered(ctx context.Context, key string, at time.Time) error
	Postpone(ctx context.Context, key string, due time.Time, lastErr string) error
	HoldBack(ctx context.Context, key string, due time.Time, why string) error

	Refuse(ctx context.Context, messages []outyard.Refused) error
	Refused(ctx context.Context, before int64, limit int, unplaced *bool) ([]outyard.Refused, error)
	RefusedCounts(ctx context.Context) (refused, unplaced, dropped int64, err error)
	Forget(ctx context.Context, ids []int64) error
}

// Store keeps everything.
type Store interface {
	Readings
	State
}

// Run runs the whole suite. open returns a new, empty store, which it closes
// when the test that it was opened for ends.
func Run(t *testing.T, open func(t *testing.T) Store) {
	t.Run("readings", func(t *testing.T) {
		RunReadings(t, func(t *testing.T) Readings { return open(t) })
	})
	t.Run("state", func(t *testing.T) {
		RunState(t, func(t *testing.T) State { return open(t) })
	})
}
