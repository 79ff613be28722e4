package influx

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

// All reads look at the queue first and ask the server after: what left the
// queue in between is then in the answer, and what is seen twice is the same.

// withoutRange leaves out of each row what was asked for.
const withoutRange = "\t|> drop(columns: [\"_start\", \"_stop\"])\n"

// A place is a hive, or a yard's weather.
type place struct {
	yard outyard.YardID
	hive outyard.HiveID
}

// EachReading hands the readings that q asks for to each, in order of time,
// yard and hive, until it returns an error, which EachReading then returns as
// it is. Memory stays bounded however many there are, and each may use the
// store. Of what is kept meanwhile it may see some. With the server away the
// error wraps [store.ErrUnavailable].
func (s *Store) EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error {
	from, to := earliest.Unix(), latest.Unix()
	if !q.From.IsZero() {
		from = max(from, secondAtOrAfter(q.From))
	}
	if !q.To.IsZero() {
		to = min(to, secondAtOrAfter(q.To))
	}
	width := int64(firstWidth)
	for gap := true; from < to; {
		if gap { // there may be years without a reading
			var ok bool
			var err error
			if from, ok, err = s.firstFrom(ctx, q, from, to); err != nil || !ok {
				return err
			}
		}
		end := min(from+width, to)
		limit := s.limits.windowRows
		if width == 1 {
			limit = math.MaxInt32 // narrower than this it cannot be
		}
		rs, full, err := s.window(ctx, q, from, end, limit)
		if err != nil {
			return fmt.Errorf("read readings from %s: %w", fluxTime(from), err)
		}
		if full {
			width = max(width/8, 1)
			gap = false
			continue
		}
		for _, r := range rs {
			if err := each(r); err != nil {
				return err
			}
		}
		if len(rs) < limit/4 {
			width = min(width*2, lastWidth)
		}
		from, gap = end, len(rs) == 0
	}
	return ctx.Err()
}

// The width of a window is fitted to how many readings it holds.
const (
	firstWidth = 86_400 // seconds
	lastWidth  = 366 * 86_400
)

// secondAtOrAfter is the first whole second that is not before t: readings
// have whole seconds, so both ends of a range may be rounded up to one.
func secondAtOrAfter(t time.Time) int64 {
	unix := t.Unix()
	if t.Nanosecond() > 0 {
		unix++
	}
	return unix
}

// during is q from from to before to.
func during(q store.Query, from, to int64) store.Query {
	q.From, q.To = time.Unix(from, 0), time.Unix(to, 0)
	return q
}

// firstFrom is when the first reading in [from, to) was; false when there is
// none.
func (s *Store) firstFrom(ctx context.Context, q store.Query, from, to int64) (first int64, ok bool, err error) {
	first = to
	queued, ok, err := s.queue.First(ctx, during(q, from, to))
	if err != nil {
		return 0, false, err
	}
	if ok {
		first = queued.Unix()
	}
	// first() stops at the first point of each series; and no later than what
	// the queue has, there is nothing to look for.
	if first > from {
		err = s.ask(ctx, q, from, first, "\t|> first()\n", func(p point) error {
			first, ok = min(first, p.unix), true
			return nil
		})
	}
	return first, ok, err
}

// window reads what there is in [from, to), in order of time, yard and hive,
// unless it is more than limit, which it says.
func (s *Store) window(ctx context.Context, q store.Query, from, to int64, limit int) (rs []outyard.Reading, full bool, err error) {
	waiting, full, err := s.queue.Waiting(ctx, during(q, from, to), limit)
	if err != nil || full {
		return nil, full, err
	}
	g := newGathering()
	err = s.ask(ctx, q, from, to, withoutRange, func(p point) error {
		g.add(p)
		if len(g.rs) > limit {
			full = true
			return errEnough
		}
		return nil
	})
	if err != nil || full {
		return nil, full, err
	}
	for i := range waiting {
		r := g.reading(place{waiting[i].Yard, waiting[i].Hive}, waiting[i].Time.Unix())
		for q, v := range waiting[i].Values {
			if outyard.Known(v) {
				r.Values[q] = v
			}
		}
	}
	slices.SortFunc(g.rs, func(a, b outyard.Reading) int {
		return cmp.Or(a.Time.Compare(b.Time), strings.Compare(string(a.Yard), string(b.Yard)), strings.Compare(string(a.Hive), string(b.Hive)))
	})
	return g.rs, false, nil
}

// gathering puts points together into readings. They come series by series, so
// it remembers which place it was at.
type gathering struct {
	rs    []outyard.Reading
	index map[place]map[int64]int // by second, where in rs
	at    place
	here  map[int64]int
}

func newGathering() *gathering { return &gathering{index: make(map[place]map[int64]int)} }

func (g *gathering) add(p point) {
	g.reading(place{outyard.YardID(p.yard), outyard.HiveID(p.hive)}, p.unix).Values[p.q] = p.value
}

// reading is the one of that place and second, to be filled in before the next
// is asked for.
func (g *gathering) reading(at place, unix int64) *outyard.Reading {
	if g.here == nil || at != g.at {
		if g.index[at] == nil {
			// The strings are parts of the row that they were read from.
			at = place{outyard.YardID(strings.Clone(string(at.yard))), outyard.HiveID(strings.Clone(string(at.hive)))}
			g.index[at] = make(map[int64]int)
		}
		g.at, g.here = at, g.index[at]
	}
	i, ok := g.here[unix]
	if !ok {
		i = len(g.rs)
		g.here[unix] = i
		g.rs = append(g.rs, outyard.NewReading(g.at.yard, g.at.hive, time.Unix(unix, 0)))
	}
	return &g.rs[i]
}

// Series returns what a chart of the given width in pixels needs of one
// quantity from from to before to: for each pixel the first, last, lowest and
// highest value and when they were. Pixels without a value are left out. The
// hive is empty for the yard's weather. With the server away the error wraps
// [store.ErrUnavailable].
func (s *Store) Series(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, q outyard.Quantity,
	from, to time.Time, pixels int) ([]store.Bucket, error) {
	fold, err := sqlite.NewFold(q, from, to, pixels)
	if err != nil {
		return nil, err
	}
	points, err := s.series(ctx, store.Query{Yard: yard, Hive: hive, Weather: hive == ""}, q,
		max(secondAtOrAfter(from), earliest.Unix()), min(secondAtOrAfter(to), latest.Unix()))
	if err != nil {
		return nil, fmt.Errorf("read %s of %s %s: %w", q, yard, hive, err)
	}
	for _, p := range points {
		if err := fold.Add(time.Unix(p.unix, 0), p.value); err != nil {
			return nil, fmt.Errorf("read %s of %s %s: %w", q, yard, hive, err)
		}
	}
	return fold.Buckets(), nil
}

// moment is a value at a second.
type moment struct {
	unix  int64
	value float64
}

// series reads one quantity of one place in [from, to), in order of time.
func (s *Store) series(ctx context.Context, place store.Query, q outyard.Quantity, from, to int64) (all []moment, err error) {
	if from >= to {
		return nil, nil
	}
	if err := s.queue.WaitingOf(ctx, during(place, from, to), q, func(at time.Time, v float64) {
		all = append(all, moment{at.Unix(), v})
	}); err != nil {
		return nil, err
	}
	// A column is folded here: the server's own reckoning of the lowest value
	// per pixel takes ten times as long as sending them all (DESIGN.md).
	column := "\t|> filter(fn: (r) => r._field == " + quoted(q.Info().Column) + ")\n\t|> keep(columns: [\"_time\", \"_value\", \"_field\"])\n"
	err = s.ask(ctx, place, from, to, column, func(p point) error {
		all = append(all, moment{p.unix, p.value})
		return nil
	})
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(all, func(a, b moment) int { return cmp.Compare(a.unix, b.unix) })
	return slices.CompactFunc(all, func(a, b moment) bool { return a.unix == b.unix }), nil
}

// Newest returns the newest reading of each hive and of each yard's weather,
// by yard and hive. Which that is, the queue knows; the server is asked for
// what of it has been handed on, and when all of it still waits, not at all. One
// that the server no longer has is left out.
func (s *Store) Newest(ctx context.Context) ([]outyard.Reading, error) {
	newest, err := s.queue.Newest(ctx)
	if err != nil {
		return nil, err
	}
	wanted := make(map[place]*sqlite.Taken)
	var times []int64
	for i := range newest {
		if newest[i].HandedOn != [outyard.NumQuantities]bool{} {
			wanted[place{newest[i].Yard, newest[i].Hive}] = &newest[i]
			times = append(times, newest[i].Time.Unix())
		}
	}
	for _, span := range spans(times) {
		err := s.ask(ctx, store.Query{}, span.from, span.to, withoutRange, func(p point) error {
			t := wanted[place{outyard.YardID(p.yard), outyard.HiveID(p.hive)}]
			if t != nil && t.HandedOn[p.q] && t.Time.Unix() == p.unix {
				t.Values[p.q] = p.value
			}
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("read newest readings: %w", err)
		}
	}
	var rs []outyard.Reading
	for i := range newest {
		if !newest[i].Empty() {
			rs = append(rs, newest[i].Reading)
		}
	}
	return rs, nil
}

// A span is seconds from from to before to.
type span struct{ from, to int64 }

// widestSpan is worth reading in one go: hives that are alive report within it.
const widestSpan = 3600 // seconds

// spans covers instants with few and narrow spans.
func spans(times []int64) (ss []span) {
	slices.Sort(times)
	for _, t := range times {
		if n := len(ss); n > 0 && t < ss[n-1].from+widestSpan {
			ss[n-1].to = t + 1
			continue
		}
		ss = append(ss, span{t, t + 1})
	}
	return ss
}

// Span returns the times of a yard's oldest and newest reading that was ever
// kept here; false when there was none. It does not need the server.
func (s *Store) Span(ctx context.Context, yard outyard.YardID) (first, last time.Time, ok bool, err error) {
	return s.queue.Span(ctx, yard)
}
