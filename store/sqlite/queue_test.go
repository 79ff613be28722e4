package sqlite

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/stretchr/testify/require"
)

func queueOf(t testing.TB, s *Store) *Queue {
	t.Helper()
	q, err := s.Queue(t.Context())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, q.Close()) })
	return q
}

func add(t testing.TB, q *Queue, rs ...outyard.Reading) (fresh []outyard.Reading) {
	t.Helper()
	fresh, err := q.Add(t.Context(), rs, noon)
	require.NoError(t, err)
	return fresh
}

func head(t testing.TB, q *Queue, limit int) []Queued {
	t.Helper()
	h, err := q.Head(t.Context(), limit)
	require.NoError(t, err)
	return h
}

func TestQueueIsTakenFromItsHead(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(t.Context(), dir)
	require.NoError(t, err)
	q, err := s.Queue(t.Context())
	require.NoError(t, err)
	n, _, err := q.Length(t.Context())
	require.NoError(t, err)
	require.Zero(t, n)

	rs := weights("h01", noon, 10)
	require.Len(t, add(t, q, rs[5:]...), 5)
	require.Len(t, add(t, q, rs...), 5, "five are in it already")
	h := head(t, q, 7)
	require.Len(t, h, 7)
	for i, want := range append(slices.Clone(rs[5:]), rs[:2]...) {
		require.Equal(t, fmt.Sprint(want), fmt.Sprint(h[i].Reading), "in the order in which they came")
	}
	require.NoError(t, q.Drop(t.Context(), h[6].ID, nil))
	n, oldest, err := q.Length(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 3, n)
	require.Equal(t, noon, oldest)
	require.Zero(t, count(t, s, store.Query{}), "what is queued is none of the store's own readings")

	require.NoError(t, q.Close())
	require.NoError(t, s.Close())
	q = queueOf(t, open(t, dir))
	require.Len(t, head(t, q, 100), 3, "and stays when the daemon stops")
	require.Empty(t, add(t, q, rs...), "what was ever taken is not new")
}

func TestQueueForgetsWhatWasRefused(t *testing.T) {
	q := queueOf(t, open(t, t.TempDir()))
	r := weights("h01", noon, 1)[0]
	r.Values[outyard.Battery] = 3.9
	add(t, q, r)
	weight := r
	weight.Values[outyard.Battery] = outyard.Unknown
	require.NoError(t, q.Drop(t.Context(), head(t, q, 1)[0].ID, []outyard.Reading{weight}))
	_, _, ok, err := q.Span(t.Context(), "mill-lane")
	require.NoError(t, err)
	require.True(t, ok)
	fresh := add(t, q, r)
	require.Equal(t, fmt.Sprint([]outyard.Reading{weight}), fmt.Sprint(fresh), "its weight may come again, its battery was taken")

	require.NoError(t, q.Drop(t.Context(), head(t, q, 1)[0].ID, []outyard.Reading{r}))
	_, _, ok, err = q.Span(t.Context(), "mill-lane")
	require.NoError(t, err)
	require.False(t, ok, "nothing of it is left")
	newest, err := q.Newest(t.Context())
	require.NoError(t, err)
	require.Empty(t, newest)
}

// TestQueueAnswersAsTheStoreDoes: what waits is found, and told to be new, just
// as if it had been kept here.
func TestQueueAnswersAsTheStoreDoes(t *testing.T) {
	s := open(t, t.TempDir())
	q := queueOf(t, s)
	r := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		rs := make([]outyard.Reading, 1+r.IntN(5))
		for i := range rs {
			rs[i] = outyard.NewReading([]outyard.YardID{"alder-bank", "mill-lane"}[r.IntN(2)], []outyard.HiveID{"", "h01"}[r.IntN(2)],
				noon.Add(time.Duration(r.IntN(100))*5*24*time.Hour))
			for n := r.IntN(4); n >= 0; n-- {
				rs[i].Values[r.IntN(int(outyard.NumQuantities))] = float64(r.IntN(40))
			}
		}
		want, err := s.Keep(t.Context(), rs)
		require.NoError(t, err)
		require.Equal(t, fmt.Sprint(want), fmt.Sprint(add(t, q, rs...)))
	}
	for range 100 {
		ask := store.Query{Yard: []outyard.YardID{"", "alder-bank"}[r.IntN(2)], Hive: []outyard.HiveID{"", "h01"}[r.IntN(2)]}
		ask.Weather = ask.Hive == "" && r.IntN(2) == 0
		if r.IntN(3) > 0 {
			ask.From = noon.Add(time.Duration(r.IntN(600)) * 24 * time.Hour)
		}
		if r.IntN(3) > 0 {
			ask.To = noon.Add(time.Duration(r.IntN(600)) * 24 * time.Hour)
		}
		var want []outyard.Reading
		require.NoError(t, s.EachReading(t.Context(), ask, func(r outyard.Reading) error { want = append(want, r); return nil }))
		got, more, err := q.Waiting(t.Context(), ask, 10_000)
		require.NoError(t, err)
		require.False(t, more)
		require.Equal(t, fmt.Sprint(want), fmt.Sprint(got), "%+v", ask)
		first, ok, err := q.First(t.Context(), ask)
		require.NoError(t, err)
		require.Equal(t, len(want) > 0, ok)
		if ok {
			require.Equal(t, want[0].Time, first)
		}
	}
	_, more, err := q.Waiting(t.Context(), store.Query{}, 50)
	require.NoError(t, err)
	require.True(t, more)

	want, err := s.Newest(t.Context())
	require.NoError(t, err)
	newest, err := q.Newest(t.Context())
	require.NoError(t, err)
	require.Len(t, newest, len(want))
	for i := range want {
		require.Equal(t, fmt.Sprint(want[i]), fmt.Sprint(newest[i].Reading))
		require.Zero(t, newest[i].HandedOn)
	}
	first, last, _, err := s.Span(t.Context(), "mill-lane")
	require.NoError(t, err)
	qFirst, qLast, _, err := q.Span(t.Context(), "mill-lane")
	require.NoError(t, err)
	require.Equal(t, []time.Time{first, last}, []time.Time{qFirst, qLast})

	h := head(t, q, 10_000)
	require.NoError(t, q.Drop(t.Context(), h[len(h)-1].ID, nil))
	handed, err := q.Newest(t.Context())
	require.NoError(t, err)
	for i := range want {
		require.True(t, handed[i].Empty())
		for j, v := range want[i].Values {
			require.Equal(t, outyard.Known(v), handed[i].HandedOn[j], "what was handed on of the newest is known")
		}
	}
}

func BenchmarkQueue(b *testing.B) {
	for _, batch := range []int{100, 1000} {
		b.Run(fmt.Sprintf("%d a commit", batch), func(b *testing.B) {
			q := queueOf(b, open(b, b.TempDir()))
			next := noon
			for b.Loop() {
				_, err := q.Add(b.Context(), weights("h01", next, batch), noon)
				require.NoError(b, err)
				next = next.Add(time.Duration(batch) * time.Minute)
			}
			b.ReportMetric(float64(b.N*batch)/b.Elapsed().Seconds(), "readings/s")
		})
	}
}
