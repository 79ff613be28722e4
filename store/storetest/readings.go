package storetest

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/stretchr/testify/require"
)

// noon is when most of these tests take place.
var noon = time.Date(2027, 5, 12, 12, 0, 0, 0, time.UTC)

// RunReadings runs the part of the suite that is about readings.
func RunReadings(t *testing.T, open func(t *testing.T) Readings) {
	for _, test := range []struct {
		name string
		run  func(t *testing.T, s Readings)
	}{
		{"what is kept comes back, to the step of each quantity", keptComesBack},
		{"an empty store holds nothing and says so", emptyStore},
		{"what was new is told part by part", freshParts},
		{"twice is once", twiceIsOnce},
		{"any order of arrival reads back alike, byte for byte", anyOrder},
		{"what is unknown stays unknown", unknownStays},
		{"a bad reading keeps the whole batch out", badReading},
		{"a query finds what it asks for", queries},
		{"readings come in order of time, yard and hive", order},
		{"years apart and a minute apart are read alike", sparseAndDense},
		{"a reader may stop, use the store, and be called off", readerStops},
		{"a chart shows what a plain reckoning finds", seriesAgrees},
		{"a chart that makes no sense is refused", seriesRefused},
		{"the newest reading of each hive and weather is known", newest},
		{"the span of a yard is known", span},
		{"readers and writers do not get in each other's way", concurrent},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(t, open(t)) })
	}
}

// reading makes a reading from pairs of quantity and value.
func reading(yard outyard.YardID, hive outyard.HiveID, at time.Time, pairs ...any) outyard.Reading {
	r := outyard.NewReading(yard, hive, at)
	for i := 0; i < len(pairs); i += 2 {
		r.Values[pairs[i].(outyard.Quantity)] = pairs[i+1].(float64)
	}
	return r
}

// line is a reading as text, every digit of it: equal readings give equal
// lines, which NaN does not let == say.
func line(r outyard.Reading) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s/%s", r.Time.Format(time.RFC3339Nano), r.Yard, r.Hive)
	for q, v := range r.Values {
		if outyard.Known(v) {
			fmt.Fprintf(&b, " %s=%v", outyard.Quantity(q), v)
		}
	}
	return b.String()
}

func lines(rs []outyard.Reading) []string {
	ls := []string{}
	for _, r := range rs {
		ls = append(ls, line(r))
	}
	return ls
}

func keep(t *testing.T, s Readings, rs ...outyard.Reading) []string {
	t.Helper()
	fresh, err := s.Keep(t.Context(), rs)
	require.NoError(t, err)
	return lines(fresh)
}

func read(t *testing.T, s Readings, q store.Query) []string {
	t.Helper()
	var rs []outyard.Reading
	require.NoError(t, s.EachReading(t.Context(), q, func(r outyard.Reading) error {
		rs = append(rs, r)
		return nil
	}))
	return lines(rs)
}

func keptComesBack(t *testing.T, s Readings) {
	r := reading("mill-lane", "h01", noon, outyard.Weight, 41.2, outyard.InsideTemp, -7.31, outyard.InsideRH, 100.0,
		outyard.Battery, 3.604, outyard.Signal, -87.5, outyard.OutsideTemp, -0.01, outyard.OutsideRH, 0.0, outyard.Rain, 0.25, outyard.Wind, 11.9)
	light := reading("mill-lane", "h02", noon, outyard.Weight, -0.4)
	heavy := reading("mill-lane", "h03", noon, outyard.Weight, 487.25)
	early := reading("mill-lane", "h03", outyard.Earliest, outyard.Weight, 50.0)
	late := reading("mill-lane", "h03", time.Date(2107, 2, 3, 4, 5, 6, 0, time.UTC), outyard.Weight, 1.0)
	want := lines([]outyard.Reading{early, r, light, heavy, late})
	require.ElementsMatch(t, want, keep(t, s, r, light, heavy, early, late))
	require.Equal(t, want, read(t, s, store.Query{}))

	for q := range outyard.NumQuantities {
		in := q.Info()
		for _, v := range []float64{in.Min, in.Max, (in.Min + in.Max) / 3} {
			at := noon.Add(time.Duration(q)*time.Hour + time.Duration(v*1000)*time.Second)
			fresh, err := s.Keep(t.Context(), []outyard.Reading{reading("ends", "h01", at, q, v)})
			require.NoError(t, err)
			require.Len(t, fresh, 1)
			require.InDelta(t, v, fresh[0].Values[q], in.Step*0.500001, "%s of %g", q, v)
			require.Equal(t, lines(fresh), read(t, s, store.Query{Yard: "ends", From: at, To: at.Add(time.Second)}),
				"what Keep says was kept is what is read")
		}
	}
}

func emptyStore(t *testing.T, s Readings) {
	require.Empty(t, keep(t, s))
	require.Empty(t, read(t, s, store.Query{}))
	rs, err := s.Newest(t.Context())
	require.NoError(t, err)
	require.Empty(t, rs)
	_, _, ok, err := s.Span(t.Context(), "mill-lane")
	require.NoError(t, err)
	require.False(t, ok)
	bs, err := s.Series(t.Context(), "mill-lane", "h01", outyard.Weight, noon, noon.Add(time.Hour), 10)
	require.NoError(t, err)
	require.Empty(t, bs)
}

func freshParts(t *testing.T, s Readings) {
	hive := func(pairs ...any) outyard.Reading { return reading("mill-lane", "h01", noon, pairs...) }
	for _, step := range []struct {
		name  string
		keep  []outyard.Reading
		fresh []outyard.Reading
		now   outyard.Reading
	}{
		{"a first reading is all new",
			[]outyard.Reading{hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0)},
			[]outyard.Reading{hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0)},
			hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0)},
		{"the same again is not",
			[]outyard.Reading{hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0)}, nil,
			hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0)},
		{"another value for what is known loses, a further quantity is new",
			[]outyard.Reading{hive(outyard.Weight, 99.0, outyard.InsideRH, 61.5)},
			[]outyard.Reading{hive(outyard.InsideRH, 61.5)},
			hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0, outyard.InsideRH, 61.5)},
		{"a quantity of the yard at the same instant is new",
			[]outyard.Reading{hive(outyard.OutsideTemp, 14.25)},
			[]outyard.Reading{hive(outyard.OutsideTemp, 14.25)},
			hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0, outyard.InsideRH, 61.5, outyard.OutsideTemp, 14.25)},
		{"within one batch the first value wins, and each reading tells its own part",
			[]outyard.Reading{
				hive(outyard.Weight, 12.0, outyard.Battery, 3.9),
				hive(outyard.Battery, 1.0, outyard.Signal, -70.0),
				hive(outyard.Battery, 2.0, outyard.Signal, -60.0, outyard.Rain, 0.5, outyard.OutsideTemp, 40.0),
			},
			[]outyard.Reading{
				hive(outyard.Battery, 3.9),
				hive(outyard.Signal, -70.0),
				hive(outyard.Rain, 0.5),
			},
			hive(outyard.Weight, 41.0, outyard.InsideTemp, 35.0, outyard.InsideRH, 61.5, outyard.Battery, 3.9, outyard.Signal, -70.0,
				outyard.OutsideTemp, 14.25, outyard.Rain, 0.5)},
	} {
		require.Equal(t, lines(step.fresh), keep(t, s, step.keep...), step.name)
		require.Equal(t, []string{line(step.now)}, read(t, s, store.Query{}), step.name)
	}

	later, sooner := reading("mill-lane", "h02", noon.Add(time.Hour), outyard.Weight, 30.0), reading("mill-lane", "h02", noon, outyard.Weight, 29.0)
	other := reading("alder-bank", "h01", noon, outyard.Weight, 28.0)
	require.Equal(t, lines([]outyard.Reading{later, sooner, other}), keep(t, s, later, sooner, other), "what is new comes in the order in which it was given")
}

// season invents readings of several hives and weather, some of them twice
// with other quantities, in order of time.
func season(r *rand.Rand, n int) []outyard.Reading {
	var rs []outyard.Reading
	at := noon
	for range n {
		at = at.Add(time.Duration(r.IntN(4)) * 97 * time.Second)
		rd := reading([]outyard.YardID{"alder-bank", "mill-lane"}[r.IntN(2)], []outyard.HiveID{"", "h01", "h02"}[r.IntN(3)], at)
		for q := range rd.Values {
			if r.IntN(3) == 0 {
				in := outyard.Quantity(q).Info()
				rd.Values[q] = in.Min + (in.Max-in.Min)*r.Float64()
			}
		}
		rs = append(rs, rd)
	}
	return rs
}

func twiceIsOnce(t *testing.T, s Readings) {
	rs := season(rand.New(rand.NewPCG(1, 1)), 500)
	keep(t, s, rs...)
	once := read(t, s, store.Query{})
	require.NotEmpty(t, once)
	require.Empty(t, keep(t, s, rs...))
	require.Empty(t, keep(t, s, rs[100:300]...))
	require.Equal(t, once, read(t, s, store.Query{}))
}

func anyOrder(t *testing.T, s Readings) {
	// Which value wins depends on which came first, so no quantity may come
	// twice here; a reading in two halves may.
	r := rand.New(rand.NewPCG(2, 2))
	seen := make(map[string]bool)
	var rs []outyard.Reading
	for _, rd := range season(r, 600) {
		id := fmt.Sprint(rd.Yard, rd.Hive, rd.Time)
		if seen[id] {
			continue
		}
		seen[id] = true
		one, two := rd, rd
		for q := range rd.Values {
			if q%2 == 0 {
				one.Values[q] = outyard.Unknown
			} else {
				two.Values[q] = outyard.Unknown
			}
		}
		rs = append(rs, one, two)
	}
	keepInBits := func(rs []outyard.Reading) {
		for len(rs) > 0 {
			n := min(1+r.IntN(60), len(rs))
			keep(t, s, rs[:n]...)
			rs = rs[n:]
		}
	}
	// The same season under several yards' names, each in another order.
	as := func(rs []outyard.Reading, name outyard.YardID) []outyard.Reading {
		rs = slices.Clone(rs)
		for i := range rs {
			rs[i].Hive += outyard.HiveID("x" + string(rs[i].Yard))
			rs[i].Yard = name
		}
		return rs
	}
	inOrder, backwards, shuffled := as(rs, "in-order"), as(rs, "backwards"), as(rs, "shuffled")
	slices.Reverse(backwards)
	r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	keepInBits(inOrder)
	keepInBits(backwards)
	keepInBits(shuffled)

	text := func(name outyard.YardID) string {
		return strings.ReplaceAll(strings.Join(read(t, s, store.Query{Yard: name}), "\n"), string(name), "yard")
	}
	want := text("in-order")
	require.Greater(t, strings.Count(want, "\n"), 300)
	require.Equal(t, want, text("backwards"))
	require.Equal(t, want, text("shuffled"))
}

func unknownStays(t *testing.T, s Readings) {
	nothing := reading("mill-lane", "h01", noon)
	infinite := reading("mill-lane", "h01", noon.Add(time.Hour), outyard.Weight, math.Inf(1), outyard.InsideTemp, math.Inf(-1))
	zero := reading("mill-lane", "h01", noon.Add(2*time.Hour), outyard.Weight, 0.0, outyard.Rain, 0.0)
	require.Equal(t, []string{line(zero)}, keep(t, s, nothing, infinite, zero))
	require.NoError(t, s.EachReading(t.Context(), store.Query{}, func(r outyard.Reading) error {
		for q, v := range r.Values {
			if q == int(outyard.Weight) || q == int(outyard.Rain) {
				require.Zero(t, v)
			} else {
				require.True(t, math.IsNaN(v), "%s is %v", outyard.Quantity(q), v)
			}
		}
		return nil
	}))
	require.Len(t, read(t, s, store.Query{}), 1)
}

func badReading(t *testing.T, s Readings) {
	good := reading("mill-lane", "h01", noon, outyard.Weight, 41.0)
	for _, bad := range []outyard.Reading{
		reading("", "h01", noon, outyard.Weight, 41.0),
		reading("Mill Lane", "h01", noon, outyard.Weight, 41.0),
		reading("mill-lane", "h/1", noon, outyard.Weight, 41.0),
		reading("mill-lane", "h02", noon, outyard.Weight, 1e300),
	} {
		fresh, err := s.Keep(t.Context(), []outyard.Reading{good, bad})
		require.Error(t, err, line(bad))
		require.Empty(t, fresh)
		require.Empty(t, read(t, s, store.Query{}), "nothing of the batch is kept")
	}
	_, err := s.Keep(t.Context(), []outyard.Reading{reading("Mill Lane", "h01", noon, outyard.Weight, 41.0)})
	require.ErrorIs(t, err, outyard.ErrBadID)
	require.Equal(t, []string{line(good)}, keep(t, s, good), "and the store goes on")
}

func queries(t *testing.T, s Readings) {
	var all []outyard.Reading
	for i := range 6 {
		at := noon.Add(time.Duration(i) * 10 * time.Minute)
		all = append(all,
			reading("alder-bank", "", at, outyard.OutsideTemp, 10.0+float64(i)),
			reading("alder-bank", "h01", at, outyard.Weight, 30.0+float64(i)),
			reading("alder-bank", "h02", at, outyard.Weight, 40.0+float64(i)),
			reading("mill-lane", "h01", at, outyard.Weight, 50.0+float64(i)))
	}
	keep(t, s, all...)
	for _, q := range []store.Query{
		{},
		{Yard: "alder-bank"},
		{Yard: "alder-bank", Hive: "h01"},
		{Yard: "alder-bank", Weather: true},
		{Hive: "h01"},
		{Weather: true},
		{Yard: "mill-lane", Weather: true},
		{Yard: "nowhere"},
		{From: noon.Add(20 * time.Minute)},
		{To: noon.Add(20 * time.Minute)},
		{From: noon.Add(10 * time.Minute), To: noon.Add(30 * time.Minute), Yard: "mill-lane"},
		{From: noon.Add(10*time.Minute + time.Nanosecond), To: noon.Add(20*time.Minute + time.Nanosecond)},
		{From: noon.Add(time.Hour), To: noon},
		{From: noon.AddDate(5, 0, 0)},
		{To: noon.AddDate(-5, 0, 0)},
	} {
		want := []string{}
		for _, r := range all {
			if q.Asks(r.Yard, r.Hive) && !r.Time.Before(q.From) && (q.To.IsZero() || r.Time.Before(q.To)) {
				want = append(want, line(r))
			}
		}
		require.Equal(t, want, read(t, s, q), "%+v", q)
	}
}

func order(t *testing.T, s Readings) {
	rs := season(rand.New(rand.NewPCG(3, 3)), 2000)
	keep(t, s, rs...)
	var last outyard.Reading
	require.NoError(t, s.EachReading(t.Context(), store.Query{}, func(r outyard.Reading) error {
		require.Negative(t, compare(last, r), "%s, then %s", line(last), line(r))
		last = r
		return nil
	}))
}

// compare orders readings as EachReading does.
func compare(a, b outyard.Reading) int {
	if c := a.Time.Compare(b.Time); c != 0 {
		return c
	}
	if c := strings.Compare(string(a.Yard), string(b.Yard)); c != 0 {
		return c
	}
	return strings.Compare(string(a.Hive), string(b.Hive))
}

func sparseAndDense(t *testing.T, s Readings) {
	var rs []outyard.Reading
	for i := range 9 { // one a year
		rs = append(rs, reading("mill-lane", "h01", noon.AddDate(i-4, 0, 0), outyard.Weight, 40.0+float64(i)))
	}
	for i := range 3000 { // then, among them, one a second of two hives
		at := noon.Add(time.Duration(i+1) * time.Second)
		rs = append(rs,
			reading("mill-lane", "h01", at, outyard.Weight, float64(20_000+i)/1000),
			reading("mill-lane", "h02", at, outyard.Weight, float64(30_000+i)/1000))
	}
	_, err := s.Keep(t.Context(), rs)
	require.NoError(t, err)
	slices.SortFunc(rs, compare)
	got := read(t, s, store.Query{})
	require.Len(t, got, len(rs))
	for i, r := range rs {
		require.Equal(t, line(r), got[i])
	}
}

func readerStops(t *testing.T, s Readings) {
	keep(t, s, season(rand.New(rand.NewPCG(4, 4)), 200)...)
	enough := errors.New("enough")
	seen := 0
	err := s.EachReading(t.Context(), store.Query{}, func(outyard.Reading) error {
		if seen++; seen == 3 {
			return enough
		}
		return nil
	})
	require.Equal(t, enough, err, "the reader's error comes back as it is")
	require.Equal(t, 3, seen)

	kept := 0
	require.NoError(t, s.EachReading(t.Context(), store.Query{Yard: "mill-lane"}, func(r outyard.Reading) error {
		r.Yard = "copy"
		kept += len(keep(t, s, r))
		return s.EachReading(t.Context(), store.Query{Yard: "copy", From: r.Time, To: r.Time.Add(time.Second)}, func(outyard.Reading) error { return nil })
	}))
	require.Len(t, read(t, s, store.Query{Yard: "mill-lane"}), kept)

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, s.EachReading(ctx, store.Query{}, func(outyard.Reading) error { return nil }), context.Canceled)
	_, err = s.Keep(ctx, []outyard.Reading{reading("mill-lane", "h01", noon.AddDate(1, 0, 0), outyard.Weight, 1.0)})
	require.ErrorIs(t, err, context.Canceled)
	require.Empty(t, read(t, s, store.Query{From: noon.AddDate(1, 0, 0)}))
}

func seriesAgrees(t *testing.T, s Readings) {
	r := rand.New(rand.NewPCG(5, 5))
	var rs []outyard.Reading
	at := noon
	for range 3000 {
		at = at.Add(time.Duration(1+r.IntN(60)*r.IntN(60)*r.IntN(60)) * time.Second)
		rd := reading("mill-lane", "h01", at, outyard.InsideTemp, 20.0)
		if r.IntN(5) > 0 {
			rd.Values[outyard.Weight] = float64(40_000+r.IntN(50)) / 1000 // few values, so that lows and highs recur
		}
		if r.IntN(2) == 0 {
			rd.Values[outyard.OutsideTemp] = float64(r.IntN(3000)) / 100
		}
		rs = append(rs, rd)
	}
	keep(t, s, rs...)
	keep(t, s, reading("mill-lane", "", noon.Add(time.Minute), outyard.OutsideTemp, 1.5))
	end := at.Sub(noon)
	require.Greater(t, end, 400*24*time.Hour, "the readings span several of whatever a store divides time into")
	for range 300 {
		a, b := noon.Add(time.Duration(r.Int64N(int64(end)))).Truncate(time.Second), noon.Add(time.Duration(r.Int64N(int64(end)))).Truncate(time.Second)
		if b.Before(a) {
			a, b = b, a
		}
		b = b.Add(time.Second)
		pixels := 1 + r.IntN(1500)
		q := []outyard.Quantity{outyard.Weight, outyard.OutsideTemp, outyard.Battery}[r.IntN(3)]
		got, err := s.Series(t.Context(), "mill-lane", "h01", q, a, b, pixels)
		require.NoError(t, err)
		require.Equal(t, plainly(rs, q, a, b, int64(pixels)), got, "%s from %s to %s in %d pixels", q, a, b, pixels)
	}
	got, err := s.Series(t.Context(), "mill-lane", "", outyard.OutsideTemp, noon, noon.Add(time.Hour), 2)
	require.NoError(t, err)
	at = noon.Add(time.Minute)
	require.Equal(t, []store.Bucket{{From: noon, FirstAt: at, LastAt: at, MinAt: at, MaxAt: at, First: 1.5, Last: 1.5, Min: 1.5, Max: 1.5}}, got)
}

// plainly reckons a series from readings in order of time: second i of a span
// of n falls into pixel i*pixels/n.
func plainly(rs []outyard.Reading, q outyard.Quantity, from, to time.Time, pixels int64) []store.Bucket {
	var buckets []store.Bucket
	last := int64(-1)
	span := int64(to.Sub(from) / time.Second)
	for _, r := range rs {
		v := r.Values[q]
		if !outyard.Known(v) || r.Time.Before(from) || !r.Time.Before(to) {
			continue
		}
		pixel := int64(r.Time.Sub(from)/time.Second) * pixels / span
		if pixel != last {
			first := int64(0) // the first second that falls into the pixel
			for first = pixel * span / pixels; first*pixels/span < pixel; first++ {
			}
			buckets = append(buckets, store.Bucket{From: from.Add(time.Duration(first) * time.Second), FirstAt: r.Time, MinAt: r.Time, MaxAt: r.Time, First: v, Min: v, Max: v})
			last = pixel
		}
		b := &buckets[len(buckets)-1]
		b.LastAt, b.Last = r.Time, v
		if v < b.Min {
			b.Min, b.MinAt = v, r.Time
		}
		if v > b.Max {
			b.Max, b.MaxAt = v, r.Time
		}
	}
	return buckets
}

func seriesRefused(t *testing.T, s Readings) {
	for _, c := range []struct {
		name   string
		q      outyard.Quantity
		to     time.Time
		pixels int
	}{
		{"no width", outyard.Weight, noon.Add(time.Hour), 0},
		{"no span", outyard.Weight, noon, 100},
		{"no such quantity", outyard.NumQuantities, noon.Add(time.Hour), 100},
	} {
		_, err := s.Series(t.Context(), "mill-lane", "h01", c.q, noon, c.to, c.pixels)
		require.Error(t, err, c.name)
	}
}

func newest(t *testing.T, s Readings) {
	w1 := reading("alder-bank", "", noon, outyard.OutsideTemp, 11.0, outyard.Battery, 3.3)
	w2 := reading("alder-bank", "", noon.Add(time.Hour), outyard.OutsideTemp, 12.0)
	h1 := reading("alder-bank", "h01", noon.AddDate(2, 0, 0), outyard.Weight, 41.0)
	old := reading("alder-bank", "h01", noon, outyard.Weight, 40.0)
	m := reading("mill-lane", "h01", noon.AddDate(-3, 0, 0), outyard.Weight, 30.0, outyard.Rain, 1.0)
	keep(t, s, w2, h1, old, m, w1)
	rs, err := s.Newest(t.Context())
	require.NoError(t, err)
	require.Equal(t, lines([]outyard.Reading{w2, h1, m}), lines(rs))
}

func span(t *testing.T, s Readings) {
	keep(t, s,
		reading("alder-bank", "h01", noon, outyard.Weight, 41.0),
		reading("alder-bank", "h02", noon.AddDate(-2, 0, 0), outyard.Weight, 41.0),
		reading("alder-bank", "h02", noon.AddDate(-2, 0, 3), outyard.Weight, 41.0),
		reading("alder-bank", "", noon.Add(time.Second), outyard.Rain, 0.0),
		reading("mill-lane", "h01", noon.AddDate(9, 0, 0), outyard.Weight, 41.0))
	first, last, ok, err := s.Span(t.Context(), "alder-bank")
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, noon.AddDate(-2, 0, 0), first)
	require.Equal(t, noon.Add(time.Second), last)
}

func concurrent(t *testing.T, s Readings) {
	const writers, commits, batch = 3, 20, 50
	errs := make(chan error, 2*writers)
	done := make(chan struct{})
	var writing, watching sync.WaitGroup
	for w := range writers {
		var acked atomic.Int64
		writing.Go(func() {
			for c := range commits {
				var rs []outyard.Reading
				for i := range batch {
					rs = append(rs, reading("mill-lane", outyard.HiveID(fmt.Sprintf("h%02d", w)), noon.Add(time.Duration(c*batch+i)*time.Minute), outyard.Weight, 40.0))
				}
				if fresh, err := s.Keep(t.Context(), rs); err != nil || len(fresh) != batch {
					errs <- fmt.Errorf("commit %d of writer %d: %d new, %w", c, w, len(fresh), err)
					return
				}
				acked.Add(batch)
			}
		})
		watching.Go(func() {
			for {
				n, want := int64(0), acked.Load()
				err := s.EachReading(t.Context(), store.Query{Hive: outyard.HiveID(fmt.Sprintf("h%02d", w))}, func(outyard.Reading) error { n++; return nil })
				if err == nil && n < want {
					err = fmt.Errorf("saw %d readings of %d that Keep had returned for", n, want)
				}
				if err != nil {
					errs <- err
					return
				}
				select {
				case <-done:
					return
				default:
				}
			}
		})
	}
	writing.Wait()
	close(done)
	watching.Wait()
	close(errs)
	for err := range errs {
		require.NoError(t, err)
	}
	require.Len(t, read(t, s, store.Query{}), writers*commits*batch)
}
