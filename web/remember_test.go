package web

import (
	"context"
	"errors"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

func TestASeriesIsRememberedUntilItsHiveSends(t *testing.T) {
	feed := NewFeed()
	m := newMemory(feed)
	asked := 0
	ask := func(context.Context) ([]store.Bucket, error) {
		asked++
		return []store.Bucket{{First: float64(asked)}}, nil
	}
	first := func(q question) float64 {
		s, err := m.series(t.Context(), q, ask)
		require.NoError(t, err)
		got := s[0].First
		s[0].First = -1 // whoever draws may do with it what he likes
		return got
	}
	one := question{at: hiveAt{"heron-point", "h01"}, pixels: 365}
	two := question{at: hiveAt{"heron-point", "h02"}, pixels: 365}

	require.Equal(t, 1.0, first(one))
	require.Equal(t, 1.0, first(one), "remembered")
	require.Equal(t, 2.0, first(two), "another hive is another question")
	feed.Kept([]outyard.Reading{{Yard: "heron-point", Hive: "h01"}})
	require.Equal(t, 3.0, first(one), "the hive has sent")
	require.Equal(t, 2.0, first(two), "the other has not")

	_, err := m.series(t.Context(), question{}, func(context.Context) ([]store.Bucket, error) { return nil, errors.New("the disk is gone") })
	require.ErrorContains(t, err, "the disk is gone")
	require.Equal(t, 4.0, first(question{}), "an error is not remembered")
}

func TestWhatIsRememberedIsBounded(t *testing.T) {
	m := newMemory(NewFeed())
	const each = mostBuckets / 10
	for i := range 25 {
		_, err := m.series(t.Context(), question{pixels: i}, func(context.Context) ([]store.Bucket, error) {
			return make([]store.Bucket, each), nil
		})
		require.NoError(t, err)
	}
	require.LessOrEqual(t, m.buckets, mostBuckets)
	_, ok := m.recall(question{pixels: 24}, 0)
	require.True(t, ok, "the newest is there")
	_, ok = m.recall(question{pixels: 3}, 0)
	require.False(t, ok, "the oldest is not")
}

func TestManyReadersAskOnce(t *testing.T) {
	m := newMemory(NewFeed())
	asked, waiting := 0, make(chan struct{})
	var all sync.WaitGroup
	for range 10 {
		all.Go(func() {
			s, err := m.series(t.Context(), question{pixels: 1}, func(context.Context) ([]store.Bucket, error) {
				<-waiting
				asked++
				return make([]store.Bucket, 3), nil
			})
			if err != nil || len(s) != 3 {
				t.Errorf("%d buckets, %v", len(s), err)
			}
		})
	}
	close(waiting)
	all.Wait()
	require.Equal(t, 1, asked)
}

func TestOneWhoLeavesDoesNotTakeTheAnswerFromOthers(t *testing.T) {
	m := newMemory(NewFeed())
	gone, leave := context.WithCancel(t.Context())
	leave()
	_, err := m.series(gone, question{}, func(ctx context.Context) ([]store.Bucket, error) { return nil, ctx.Err() })
	require.NoError(t, err)
}
