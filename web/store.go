package web

import (
	"context"
	"time"

	"outyard"
	"outyard/store"
)

// A Query narrows what is asked of the store.
type Query = store.Query

// Readings is the part of the store that charts and exports need.
type Readings interface {
	// EachReading calls each in order of time, yard, hive, and stops at its
	// first error, which it returns.
	EachReading(ctx context.Context, q Query, each func(outyard.Reading) error) error
	// Series comes down to at most a bucket a pixel; empty ones are left out.
	Series(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, quantity outyard.Quantity, from, to time.Time, pixels int) ([]store.Bucket, error)
	// Newest is the newest reading of each hive and each yard's weather.
	Newest(ctx context.Context) ([]outyard.Reading, error)
}

// Results is the part of the store that holds what was made of the readings.
// Findings come newest onset first, days by date, yard and hive; next is
// empty at the end.
type Results interface {
	Findings(ctx context.Context, q Query) (items []outyard.Finding, next string, err error)
	Finding(ctx context.Context, id string) (f outyard.Finding, found bool, err error)
	Days(ctx context.Context, q Query) (items []outyard.Day, next string, err error)
	Alerts(ctx context.Context) ([]outyard.Alert, error)
	// History is what became of a finding's alert, step by step.
	History(ctx context.Context, finding string) ([]outyard.Transition, error)
	// Told are alerts with their findings, the one that changed last first, and
	// Steps what happened to alerts, the last first. Their State is the alert's.
	Told(ctx context.Context, q Query) (items []store.Told, next string, err error)
	Steps(ctx context.Context, q Query) (items []store.Step, next string, err error)
}

// Journal is the part of the store that holds what the keeper wrote.
type Journal interface {
	AddEntry(ctx context.Context, e outyard.Entry) (outyard.Entry, error)
	Entries(ctx context.Context, q Query) (items []outyard.Entry, next string, err error)
	// FixEntry wraps [store.ErrNotFound]; EntryVersions are the one that holds
	// last.
	FixEntry(ctx context.Context, e outyard.Entry, now time.Time) error
	EntryVersions(ctx context.Context, id string) ([]store.EntryVersion, error)
}

// Post is the part of the store that knows what did not get through, either
// way.
type Post interface {
	Undelivered(ctx context.Context, olderThan time.Time) ([]outyard.Message, error)
	// MessagesAbout are those that speak of any of the findings, the oldest
	// first, without their looks.
	MessagesAbout(ctx context.Context, findings []string) ([]outyard.Message, error)
	// Refused are the newest first, those before an id or, 0, all; unplaced nil:
	// both sorts.
	Refused(ctx context.Context, before int64, limit int, unplaced *bool) ([]outyard.Refused, error)
	RefusedCounts(ctx context.Context) (refused, unplaced, dropped int64, err error)
}

// Store is what the pages are made from.
type Store interface {
	Readings
	Results
	Journal
	Post
}
