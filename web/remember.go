package web

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"golang.org/x/sync/singleflight"

	"outyard"
	"outyard/store"
)

// A memory keeps the series that charts were drawn from, for as long as their
// hive sends nothing new: a page of a season and its charts, looked at on a
// phone and a moment later at the table, read the same tens of thousands of
// readings. Without a feed, which tells of what is new, it keeps nothing.
type memory struct {
	feed   *Feed
	asking singleflight.Group

	mu      sync.Mutex
	clock   int64 // counts the uses
	kept    map[question]*answered
	buckets int // of all that is kept
}

// A question is what is asked of the store.
type question struct {
	at       hiveAt
	quantity outyard.Quantity
	from, to int64 // ns since 1970
	pixels   int
}

type answered struct {
	series []store.Bucket
	asOf   uint64 // how often the hive had sent when it was asked
	used   int64
}

// mostBuckets bounds what is remembered to some 3 MiB: a year of a dozen hives.
const mostBuckets = 20_000

func newMemory(feed *Feed) *memory {
	return &memory{feed: feed, kept: map[question]*answered{}}
}

// series answers from what is remembered, or else by ask. Those who ask the
// same at the same time wait for one answer.
func (m *memory) series(ctx context.Context, q question, ask func(context.Context) ([]store.Bucket, error)) ([]store.Bucket, error) {
	if m.feed == nil {
		return ask(ctx)
	}
	asOf := m.feed.kept(q.at)
	if s, ok := m.recall(q, asOf); ok {
		return s, nil
	}
	// The answer is for all that wait: it does not end with the first of them.
	got, err, _ := m.asking.Do(fmt.Sprint(q, asOf), func() (any, error) {
		if s, ok := m.recall(q, asOf); ok { // meanwhile
			return s, nil
		}
		s, err := ask(context.WithoutCancel(ctx))
		if err == nil {
			m.keep(q, &answered{series: s, asOf: asOf})
		}
		return s, err
	})
	if err != nil {
		return nil, err
	}
	return slices.Clone(got.([]store.Bucket)), nil
}

func (m *memory) recall(q question, asOf uint64) ([]store.Bucket, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	a, ok := m.kept[q]
	if !ok || a.asOf != asOf {
		return nil, false
	}
	m.clock++
	a.used = m.clock
	return slices.Clone(a.series), true
}

func (m *memory) keep(q question, a *answered) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.forget(q)
	m.clock++
	a.used = m.clock
	m.kept[q] = a
	m.buckets += len(a.series)
	for m.buckets > mostBuckets {
		var oldest question
		least := m.clock + 1
		for q, a := range m.kept {
			if a.used < least {
				oldest, least = q, a.used
			}
		}
		m.forget(oldest)
	}
}

func (m *memory) forget(q question) {
	if a, ok := m.kept[q]; ok {
		m.buckets -= len(a.series)
		delete(m.kept, q)
	}
}
