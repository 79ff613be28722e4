package alerts_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/analysis"
	"outyard/configs"
	"outyard/store"
	"outyard/store/sqlite"
)

var _ alerts.Course = (*analysis.Course)(nil)

// A fallCourse is a plain analysis with the manners of a real one: a fall of
// more than a kilogram between two readings is a swarm, of more than ten a hive
// knocked over, one back up within the hour was nothing, and one of which a
// quarter is back is doubtful.
type fallCourse struct {
	journal  []outyard.Entry
	hives    map[outyard.HiveID][]outyard.Reading
	days     map[outyard.Date]bool
	zone     *time.Location
	yard     outyard.YardID
	revision uint64
}

func newFallCourse(y outyard.Yard, journal []outyard.Entry) alerts.Course {
	return &fallCourse{journal: journal, hives: map[outyard.HiveID][]outyard.Reading{}, days: map[outyard.Date]bool{}, zone: y.Zone, yard: y.ID}
}

func (c *fallCourse) Observe(r outyard.Reading) error {
	rs := c.hives[r.Hive]
	if n := len(rs); n > 0 && !rs[n-1].Time.Before(r.Time) {
		return analysis.ErrLate
	}
	c.hives[r.Hive] = append(rs, r)
	c.days[outyard.DateOf(r.Time, c.zone)] = true
	c.revision++
	return nil
}

func (c *fallCourse) Advance(time.Time) {}

func (c *fallCourse) Arrived(outyard.HiveID, time.Time, bool) {}
func (c *fallCourse) Revision() uint64                        { return c.revision }

func (c *fallCourse) Findings() []outyard.Finding {
	var out []outyard.Finding
	for hive, rs := range c.hives {
		for i := 1; i < len(rs); i++ {
			fellKg := rs[i-1].Values[outyard.Weight] - rs[i].Values[outyard.Weight]
			if fellKg < 1 {
				continue
			}
			f := outyard.Finding{Kind: outyard.Swarm, Yard: c.yard, Hive: hive, Onset: rs[i].Time, Severity: outyard.Now, Confidence: 0.9,
				Summary: fmt.Sprintf("%.1f kg gone.", fellKg), State: outyard.Open, Facts: map[string]any{"change_kg": -fellKg}}
			if fellKg > 10 {
				f.Kind = outyard.KnockedOver
			}
			if slices.ContainsFunc(c.journal, func(e outyard.Entry) bool { return e.Hive == hive && e.Time.Sub(f.Onset).Abs() < time.Hour }) {
				f.Kind, f.Severity = outyard.Handling, outyard.Note
			}
			back := func(share float64) bool {
				return slices.ContainsFunc(rs[i:], func(r outyard.Reading) bool {
					return r.Time.Sub(f.Onset) <= time.Hour && r.Values[outyard.Weight] > rs[i].Values[outyard.Weight]+share*fellKg
				})
			}
			if back(0.25) {
				f.Severity = outyard.Note
			}
			if !back(0.5) {
				out = append(out, f)
			}
		}
	}
	slices.SortFunc(out, func(a, b outyard.Finding) int { return cmp.Or(a.Onset.Compare(b.Onset), cmp.Compare(a.Hive, b.Hive)) })
	return out
}

func (c *fallCourse) Days() []outyard.Day { return c.DaysSince(outyard.Date{}) }

func (c *fallCourse) DaysSince(from outyard.Date) []outyard.Day {
	var out []outyard.Day
	for d := range c.days {
		if !d.Before(from) {
			out = append(out, outyard.Day{Date: d, Yard: c.yard, Hive: "h01", GainKg: float64(len(c.hives["h01"])), HandledKg: outyard.Unknown})
		}
	}
	slices.SortFunc(out, func(a, b outyard.Day) int { return a.Date.Sub(b.Date) })
	return out
}

func (c *fallCourse) Forget(before outyard.Date) {
	for d := range c.days {
		if d.Before(before) {
			delete(c.days, d)
		}
	}
}

var alderSlip = outyard.Yard{ID: "alder-slip", Name: "Alder Slip", Zone: time.UTC,
	Hives: []outyard.Hive{{ID: "h01", Name: "By the gate"}, {ID: "h02"}, {ID: "h03"}}}

func weigh(hive outyard.HiveID, at time.Time, kg float64) outyard.Reading {
	r := outyard.NewReading("alder-slip", hive, at)
	r.Values[outyard.Weight] = kg
	return r
}

// A bench is a store with a watcher on it, in a bubble of its own time.
type bench struct {
	t      *testing.T
	db     *sqlite.Store
	opts   alerts.Options
	course alerts.NewCourse
	reg    *prometheus.Registry
	w      *alerts.Watcher
	stop   func()
}

func newBench(t *testing.T) *bench {
	db, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	return &bench{t: t, db: db, course: newFallCourse, opts: alerts.Options{Yards: []outyard.Yard{alderSlip},
		Routes: []alerts.Route{{Name: "me", To: []string{"log:"}, Yards: []string{"*"}, From: outyard.Soon}}}}
}

func (b *bench) start(db alerts.Store) {
	b.reg = prometheus.NewRegistry()
	b.w = alerts.NewWatcher(db, b.course, b.opts, time.Now, slog.New(slog.DiscardHandler), b.reg)
	ctx, cancel := context.WithCancel(b.t.Context())
	ran := make(chan error, 1)
	go func() { ran <- b.w.Run(ctx) }()
	b.stop = func() {
		cancel()
		require.NoError(b.t, <-ran)
	}
	synctest.Wait()
}

func (b *bench) keep(rs ...outyard.Reading) []outyard.Reading {
	fresh, err := b.db.Keep(b.t.Context(), rs)
	require.NoError(b.t, err)
	return fresh
}

// arrive is the way of readings through the collector.
func (b *bench) arrive(rs ...outyard.Reading) {
	b.w.Kept(b.keep(rs...), time.Now())
	synctest.Wait()
}

func (b *bench) findings() []outyard.Finding {
	fs, _, err := b.db.Findings(b.t.Context(), store.Query{})
	require.NoError(b.t, err)
	slices.Reverse(fs)
	return fs
}

// outbox is every message that waits, as the occasion and the finding.
func (b *bench) outbox() []string {
	ms, err := b.db.Undelivered(b.t.Context(), time.Now().Add(time.Hour))
	require.NoError(b.t, err)
	keys := []string{}
	for _, m := range ms {
		keys = append(keys, m.Key)
	}
	return keys
}

func (b *bench) alert(id string) outyard.AlertState {
	as, err := b.db.Alerts(b.t.Context())
	require.NoError(b.t, err)
	for _, a := range as {
		if a.Finding == id {
			return a.State
		}
	}
	return ""
}

func (b *bench) counter(name string) float64 {
	got, err := b.reg.Gather()
	require.NoError(b.t, err)
	for _, f := range got {
		if f.GetName() == name {
			return f.GetMetric()[0].GetCounter().GetValue()
		}
	}
	b.t.Fatalf("no metric %s", name)
	return 0
}

func inBubble(t *testing.T, f func(t *testing.T, b *bench)) {
	synctest.Test(t, func(t *testing.T) {
		<-time.After(12 * time.Hour) // bubbles begin at midnight
		f(t, newBench(t))
	})
}

func wait(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func TestASwarmIsInTheOutboxWithTheDecidingReading(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		noon := time.Now()
		b.arrive(weigh("h03", noon.Add(-time.Minute), 42))
		require.Empty(t, b.outbox())
		b.arrive(weigh("h03", noon, 39.5))

		fs := b.findings()
		require.Len(t, fs, 1)
		require.Equal(t, "swarm-alder-slip_h03-20000101T1200Z", fs[0].ID)
		require.Equal(t, time.Now().UTC(), fs[0].ToldAt.UTC(), "no time has passed")
		require.Equal(t, []string{"me|0|swarm-alder-slip_h03-20000101T1200Z|raised"}, b.outbox())
		require.Equal(t, outyard.AlertOpen, b.alert(fs[0].ID))
		b.stop()
	})
}

func TestARestartTellsNothingTwiceAndForgetsNothing(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		before, told := b.findings(), b.outbox()
		_, err := b.w.Acknowledge(t.Context(), before[0].ID, "")
		require.NoError(t, err)
		b.stop()

		// Kept while nobody watched: told at the next start.
		b.keep(weigh("h01", time.Now(), 50), weigh("h01", time.Now().Add(time.Minute), 47))
		wait(time.Hour)
		b.start(b.db)
		after := b.findings()
		require.Len(t, after, 2)
		require.Equal(t, before[0], after[0])
		require.Equal(t, outyard.AlertAcknowledged, b.alert(before[0].ID))
		require.Equal(t, append(told, "me|0|swarm-alder-slip_h01-20000101T1201Z|raised"), b.outbox())
		b.stop()

		b.start(b.db)
		require.Equal(t, after, b.findings())
		require.Len(t, b.outbox(), 2)
		b.stop()
	})
}

func TestOldNewsIsOnThePagesOnly(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		last := time.Now()
		wait(30 * 24 * time.Hour)
		b.keep(weigh("h03", last, 42), weigh("h03", last.Add(time.Minute), 39.5))
		b.start(b.db)
		require.Len(t, b.findings(), 1)
		require.Empty(t, b.outbox())
		require.Empty(t, b.alert(b.findings()[0].ID))
		require.Len(t, b.days(), 1, "and its day is in the table")
		b.stop()
	})
}

func (b *bench) days() []outyard.Day {
	ds, _, err := b.db.Days(b.t.Context(), store.Query{})
	require.NoError(b.t, err)
	return ds
}

func TestALateReadingWithdrawsAndSaysSo(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		at := time.Now()
		b.arrive(weigh("h03", at.Add(-40*time.Minute), 42), weigh("h03", at, 39.5))
		id := b.findings()[0].ID
		wait(time.Minute)
		// It was at 39.6 before, too: what fell, fell earlier and came back.
		b.arrive(weigh("h03", at.Add(-20*time.Minute), 39.6))
		fs := b.findings()
		require.Len(t, fs, 1)
		require.Equal(t, outyard.Open, fs[0].State, "the onset moves, the finding stays")
		require.Equal(t, id, fs[0].ID)
		require.Equal(t, at.Add(-20*time.Minute).UTC(), fs[0].Onset)

		wait(5 * time.Minute)
		b.arrive(weigh("h03", time.Now(), 42)) // the bees came back
		fs = b.findings()
		require.Len(t, fs, 1)
		require.Equal(t, outyard.Withdrawn, fs[0].State)
		require.Contains(t, fs[0].Summary, "Withdrawn")
		require.Equal(t, outyard.AlertOver, b.alert(id))
		require.Contains(t, b.outbox(), "me|0|"+id+"|withdrawn")
		b.stop()
	})
}

func TestWhoHeardOfWhatBecameDoubtfulHearsItsEnd(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		at := time.Now()
		b.arrive(weigh("h03", at.Add(-time.Minute), 42), weigh("h03", at, 39.5))
		id := b.findings()[0].ID
		wait(5 * time.Minute)
		b.arrive(weigh("h03", time.Now(), 40.4))
		require.Equal(t, outyard.Note, b.findings()[0].Severity)
		require.Equal(t, []string{"me|0|" + id + "|raised"}, b.outbox(), "nobody has to be told that it is less sure")

		b.stop() // what it was told as outlives the program
		b.start(b.db)
		wait(5 * time.Minute)
		b.arrive(weigh("h03", time.Now(), 42))
		require.Equal(t, outyard.Withdrawn, b.findings()[0].State)
		require.Contains(t, b.outbox(), "me|0|"+id+"|withdrawn")
		b.stop()
	})
}

func TestTheKeepersJournalTurnsASwarmIntoWork(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		at := time.Now()
		b.arrive(weigh("h03", at.Add(-time.Minute), 42), weigh("h03", at, 39.5))
		_, err := b.db.AddEntry(t.Context(), outyard.Entry{Time: at, Yard: "alder-slip", Hive: "h03", Kind: outyard.BoxOff, Kg: outyard.Unknown})
		require.NoError(t, err)
		wait(time.Second)
		b.w.Again("alder-slip")
		synctest.Wait()
		fs := b.findings()
		require.Len(t, fs, 2)
		require.True(t, slices.ContainsFunc(fs, func(f outyard.Finding) bool {
			return f.Kind == outyard.Handling && f.State == outyard.Open && b.alert(f.ID) == ""
		}), "for the record: nobody asked to be told")
		require.True(t, slices.ContainsFunc(fs, func(f outyard.Finding) bool {
			return f.Kind == outyard.Swarm && f.State == outyard.Withdrawn && strings.HasSuffix(f.Summary, "it was the keeper's work.")
		}))
		b.stop()
	})
}

// arrivals invents an afternoon of three hives, with falls in it.
func arrivals(rng *rand.Rand, from time.Time) []outyard.Reading {
	var rs []outyard.Reading
	for _, hive := range []outyard.HiveID{"h01", "h02", "h03"} {
		kg := 40.0
		for i := range 40 {
			if rng.IntN(12) == 0 {
				kg -= 1.5 + rng.Float64()
			}
			rs = append(rs, weigh(hive, from.Add(time.Duration(i)*time.Minute), kg))
		}
	}
	return rs
}

// living leaves out what must differ between orders of arrival: what was once
// said and withdrawn, ids and when it was raised.
func living(fs []outyard.Finding) []outyard.Finding {
	var out []outyard.Finding
	for _, f := range fs {
		if f.State != outyard.Withdrawn {
			f.ID, f.ToldAt = "", time.Time{}
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b outyard.Finding) int { return cmp.Or(a.Onset.Compare(b.Onset), cmp.Compare(a.Hive, b.Hive)) })
	return out
}

func TestAnyOrderOfArrivalEndsWithTheSameFindings(t *testing.T) {
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 1))
		var want []outyard.Finding
		inBubble(t, func(t *testing.T, b *bench) {
			b.keep(arrivals(rng, time.Now())...)
			wait(time.Hour)
			b.start(b.db)
			want = living(b.findings())
			b.stop()
		})
		require.NotEmpty(t, want)
		inBubble(t, func(t *testing.T, b *bench) {
			rs := arrivals(rand.New(rand.NewPCG(seed, 1)), time.Now())
			rng := rand.New(rand.NewPCG(seed, 2))
			b.opts.Queue = 1 + rng.IntN(30) // now and then too small
			wait(time.Hour)
			b.start(b.db)
			rng.Shuffle(len(rs), func(i, j int) { rs[i], rs[j] = rs[j], rs[i] })
			for len(rs) > 0 {
				n := min(1+rng.IntN(20), len(rs))
				b.w.Kept(b.keep(rs[:n]...), time.Now())
				if rng.IntN(2) == 0 {
					wait(time.Second)
				}
				rs = rs[n:]
			}
			wait(time.Minute)
			require.Equal(t, want, living(b.findings()), "seed %d", seed)
			b.stop()
		})
	}
}

func TestReadingsInFlightDuringARebuildDoNotCauseAnother(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		fresh := b.keep(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		b.start(b.db) // reads them from the store
		b.w.Kept(fresh, time.Now())
		synctest.Wait()
		require.EqualValues(t, 1, b.counter("outyard_alerts_rebuilds_total"))
		require.Len(t, b.findings(), 1)
		b.stop()
	})
}

func TestABatchWithLateReadingsIsOneRebuild(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.arrive(weigh("h03", time.Now(), 42))
		var late []outyard.Reading
		for i := range 200 {
			late = append(late, weigh("h03", time.Now().Add(-time.Duration(i+1)*time.Minute), 42))
		}
		b.arrive(late...)
		require.EqualValues(t, 2, b.counter("outyard_alerts_rebuilds_total"), "the first and one more")
		b.stop()
	})
}

// A flakyStore does not take news while down is set.
type flakyStore struct {
	*sqlite.Store
	down atomic.Bool
}

func (s *flakyStore) Tell(ctx context.Context, n store.News) error {
	if s.down.Load() {
		return errors.New("disk is full")
	}
	return s.Store.Tell(ctx, n)
}

func TestNewsWaitsForTheStore(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		flaky := &flakyStore{Store: b.db}
		b.start(flaky)
		flaky.down.Store(true)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		require.Empty(t, b.findings())
		wait(time.Minute)
		flaky.down.Store(false)
		wait(time.Minute)
		require.Len(t, b.findings(), 1)
		require.Len(t, b.outbox(), 1)
		b.stop()
	})
}

func TestAnAnswerOutlivesNewsThatWaitsForTheStore(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		flaky := &flakyStore{Store: b.db}
		b.start(flaky)
		flaky.down.Store(true)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		flaky.down.Store(false)
		id := fmt.Sprintf("swarm-alder-slip_h03-%s", time.Now().UTC().Format("20060102T1504Z"))
		_, err := b.w.Acknowledge(t.Context(), id, "ines")
		require.NoError(t, err)
		wait(time.Minute)
		require.Len(t, b.findings(), 1)
		require.Equal(t, outyard.AlertAcknowledged, b.alert(id))
		b.stop()
	})
}

func TestQuietHoursHoldAllButNow(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		quiet, err := configs.ParseQuiet("21:30-06:30")
		require.NoError(t, err)
		b.opts.Routes[0].Quiet = quiet
		b.start(b.db)
		wait(11 * time.Hour) // 23:00
		at := time.Now()
		b.arrive(weigh("h03", at.Add(-time.Minute), 42), weigh("h03", at, 39.5))
		due, err := b.db.Due(t.Context(), at, 0)
		require.NoError(t, err)
		require.Len(t, due, 1, "a swarm is told at night")

		wait(time.Minute)
		b.arrive(weigh("h03", time.Now(), 42)) // it came back: withdrawn
		due, err = b.db.Due(t.Context(), time.Now(), 0)
		require.NoError(t, err)
		require.Len(t, due, 1, "that it was none can wait")
		due, err = b.db.Due(t.Context(), time.Date(2000, 1, 2, 6, 30, 0, 0, time.UTC), 0)
		require.NoError(t, err)
		require.Len(t, due, 2, "until half past six")
		b.stop()
	})
}

func TestPeopleAnswerAlerts(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		id := b.findings()[0].ID

		require.NoError(t, b.w.Told(t.Context(), []string{id, "of-another-time"}))
		require.Equal(t, outyard.AlertTold, b.alert(id))
		until := time.Now().Add(90 * time.Minute)
		_, err := b.w.Snooze(t.Context(), id, until, "ines")
		require.NoError(t, err)
		wait(80 * time.Minute)
		require.Equal(t, outyard.AlertSnoozed, b.alert(id))
		require.Len(t, b.outbox(), 1)
		wait(11 * time.Minute)
		require.Equal(t, outyard.AlertOpen, b.alert(id))
		require.Equal(t, []string{"me|0|" + id + "|raised", "me|0|" + id + "|snoozed-until-20000101T133000Z"}, b.outbox(), "told again, once")
		wait(11 * time.Minute)
		require.Len(t, b.outbox(), 2)

		a, err := b.w.Acknowledge(t.Context(), id, "maren")
		require.NoError(t, err)
		require.Equal(t, outyard.AlertAcknowledged, a.State)
		require.Equal(t, "maren", a.By)
		steps, err := b.db.History(t.Context(), id)
		require.NoError(t, err)
		var who []string
		for _, s := range steps {
			who = append(who, s.Event+" "+s.By)
		}
		require.Equal(t, []string{"raised ", "told ", "snoozed ines", "woke ", "acknowledged maren"}, who)
		_, err = b.w.Acknowledge(t.Context(), "nothing", "")
		require.ErrorIs(t, err, alerts.ErrNoAlert)

		wait(8 * 24 * time.Hour)
		require.Equal(t, outyard.AlertOver, b.alert(id), "a swarm of last week")
		b.stop()
	})
}

func TestAYardPlacedLaterIsWatched(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.opts.Yards = nil
		b.start(b.db)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		require.Empty(t, b.findings())
		b.w.Place(alderSlip)
		synctest.Wait()
		require.Len(t, b.findings(), 1)
		require.Len(t, b.outbox(), 1)
		b.stop()
	})
}

func TestWhatIsOpenIsAnnounced(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		var mu sync.Mutex
		open := map[outyard.HiveID]int{}
		b.opts.Announce = func(_ outyard.YardID, hive outyard.HiveID, fs []outyard.Finding) {
			mu.Lock()
			defer mu.Unlock()
			open[hive] = len(fs)
		}
		got := func() map[outyard.HiveID]int {
			mu.Lock()
			defer mu.Unlock()
			return maps.Clone(open)
		}
		b.start(b.db)
		require.Equal(t, map[outyard.HiveID]int{"": 0, "h01": 0, "h02": 0, "h03": 0}, got(), "at the start all, to clear what is no more")
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		require.Equal(t, 1, got()["h03"])
		b.arrive(weigh("h03", time.Now().Add(time.Minute), 42))
		require.Equal(t, 0, got()["h03"])
		b.stop()
	})
}

func TestTheDailyTableIsStoredNowAndThen(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		for range 20 {
			b.arrive(weigh("h01", time.Now(), 42))
			wait(time.Minute)
		}
		ds := b.days()
		require.Len(t, ds, 1)
		require.InDelta(t, 18, ds[0].GainKg, 3, "within five minutes of the last reading")
		b.stop()
	})
}

// With 1,000 hives at work, a message is in the outbox well within a second
// of the arrival of the reading that decides.
func BenchmarkDecidingReadingToOutbox(b *testing.B) {
	db, err := sqlite.Open(b.Context(), b.TempDir())
	require.NoError(b, err)
	defer db.Close()
	queued := make(chan struct{}, 1)
	opts := alerts.Options{Routes: []alerts.Route{{Name: "me", To: []string{"log:"}, Yards: []string{"*"}, From: outyard.Soon}},
		Queued: func() { queued <- struct{}{} }}
	for y := range 100 {
		place := outyard.Yard{ID: outyard.YardID(fmt.Sprintf("yard-%02d", y)), Zone: time.UTC}
		for h := range 10 {
			place.Hives = append(place.Hives, outyard.Hive{ID: outyard.HiveID(fmt.Sprintf("h%02d", h))})
		}
		opts.Yards = append(opts.Yards, place)
	}
	w := alerts.NewWatcher(db, newFallCourse, opts, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	ctx, cancel := context.WithCancel(b.Context())
	ran := make(chan error)
	at := time.Now().Add(-time.Hour).UTC().Truncate(time.Second)
	round := func(i int, kg func(hive int) float64) []outyard.Reading {
		rs := make([]outyard.Reading, 0, 1000)
		for hive := range 1000 {
			r := outyard.NewReading(opts.Yards[hive%100].ID, outyard.HiveID(fmt.Sprintf("h%02d", hive/100)), at.Add(time.Duration(i)*time.Second))
			r.Values[outyard.Weight] = kg(hive)
			rs = append(rs, r)
		}
		return rs
	}
	left, slowest := make([]float64, 1000), time.Duration(0)
	for hive := range left {
		left[hive] = 300
	}
	weights := func(hive int) float64 { return left[hive] }
	_, err = db.Keep(ctx, round(0, weights))
	require.NoError(b, err)
	go func() { ran <- w.Run(ctx) }()
	for i := 1; b.Loop(); i++ {
		left[i%len(left)] -= 2 // another hive each time: of one that flaps nobody is told
		rs := round(i, weights)
		fresh, err := db.Keep(ctx, rs)
		require.NoError(b, err)
		arrived := time.Now()
		w.Kept(fresh, arrived)
		<-queued
		slowest = max(slowest, time.Since(arrived))
	}
	b.ReportMetric(slowest.Seconds()*1000, "slowest-ms")
	cancel()
	require.NoError(b, <-ran)
}

func TestWhatDroppedReadingsOnceShowedStays(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		wait(800 * 24 * time.Hour)
		b.start(b.db)
		day, now := 24*time.Hour, time.Now()
		for _, ago := range []time.Duration{600 * day, 350 * day, 20 * day} {
			b.arrive(weigh("h01", now.Add(-ago), 42), weigh("h01", now.Add(-ago+time.Minute), 39.5))
		}
		b.stop()
		b.start(b.db) // which puts old days into the table
		before := b.findings()
		require.Len(t, before, 3)
		days, _, err := b.db.Days(t.Context(), store.Query{})
		require.NoError(t, err)
		require.Len(t, days, 3)
		b.stop()

		_, err = b.db.DropReadings(t.Context(), now.Add(-400*day))
		require.NoError(t, err)
		b.start(b.db)
		require.Equal(t, before, b.findings(), "also of readings that are gone, and of those soon after")
		// A late reading has the yard read again.
		b.arrive(weigh("h02", now.Add(-300*day), 30))
		wait(time.Minute)
		require.Equal(t, before, b.findings())
		kept, _, err := b.db.Days(t.Context(), store.Query{To: now.Add(-310 * day)})
		require.NoError(t, err)
		require.Equal(t, fmt.Sprint(days[:2]), fmt.Sprint(kept), "as they were: the course would count otherwise now")
		// What is younger is judged as ever.
		b.arrive(weigh("h01", now.Add(-20*day+30*time.Minute), 42))
		wait(time.Minute)
		after := b.findings()
		require.Equal(t, before[:2], after[:2])
		require.Equal(t, outyard.Withdrawn, after[2].State)
		b.stop()
	})
}

// A stuckStore gives no readings until it is let go.
type stuckStore struct {
	*sqlite.Store
	stuck atomic.Bool
	let   chan struct{}
}

func (s *stuckStore) EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error {
	if s.stuck.Load() {
		<-s.let
	}
	return s.Store.EachReading(ctx, q, each)
}

func TestAWatcherThatNoLongerTurnsIsNotAlive(t *testing.T) {
	const within = 5 * time.Minute
	inBubble(t, func(t *testing.T, b *bench) {
		db := &stuckStore{Store: b.db, let: make(chan struct{})}
		b.start(db)
		wait(time.Hour)
		require.NoError(t, b.w.Alive(within), "with nothing to do")

		db.stuck.Store(true)
		b.w.Again("alder-slip")
		wait(within - time.Minute)
		require.NoError(t, b.w.Alive(within))
		wait(2 * time.Minute)
		require.ErrorContains(t, b.w.Alive(within), "has not moved for")
		db.stuck.Store(false)
		close(db.let)
		synctest.Wait()
		require.NoError(t, b.w.Alive(within))
		b.stop()
	})
}

// TestAHiveTakenOutOfTheConfigKeepsItsPast: nothing of it is withdrawn, told or
// reminded of any more, and it goes on where it was once it is put back.
func TestAHiveTakenOutOfTheConfigKeepsItsPast(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.arrive(weigh("h01", time.Now().Add(-time.Minute), 42), weigh("h01", time.Now(), 39.5))
		before, told := b.findings(), b.outbox()
		require.Len(t, told, 1)

		without := alderSlip
		without.Hives = alderSlip.Hives[1:]
		wait(time.Minute)
		b.w.Place(without)
		synctest.Wait()
		b.arrive(weigh("h02", time.Now().Add(-time.Minute), 42), weigh("h02", time.Now(), 39.5))
		require.Equal(t, before, b.findings()[:1])
		require.Len(t, b.findings(), 2, "the others go on")
		_, err := b.w.Acknowledge(t.Context(), before[0].ID, "")
		require.NoError(t, err, "the page of the hive still shows it")

		wait(time.Minute)
		b.w.Place(alderSlip)
		synctest.Wait()
		b.arrive(weigh("h01", time.Now(), 39.5))
		require.Equal(t, before, b.findings()[:1])
		require.Equal(t, outyard.AlertAcknowledged, b.alert(before[0].ID))
		require.Len(t, b.outbox(), 2, "nothing is told twice")
		b.stop()
	})
}

func TestAYardThatIsTakenOutAndPutBackTellsNothingTwice(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		before := b.findings()
		_, err := b.w.Acknowledge(t.Context(), before[0].ID, "")
		require.NoError(t, err)

		b.w.Remove("alder-slip")
		b.w.Remove("tern-rock") // which was never there
		b.arrive(weigh("h02", time.Now().Add(-time.Minute), 42), weigh("h02", time.Now(), 39.5))
		require.Equal(t, before, b.findings(), "nobody looks")
		_, err = b.w.Acknowledge(t.Context(), before[0].ID, "")
		require.ErrorIs(t, err, alerts.ErrNoAlert)

		wait(10 * time.Minute)
		b.w.Place(alderSlip)
		synctest.Wait()
		require.Len(t, b.findings(), 2, "and now somebody does")
		require.Len(t, b.outbox(), 2)
		require.Equal(t, outyard.AlertAcknowledged, b.alert(before[0].ID))
		_, err = b.w.Snooze(t.Context(), before[0].ID, time.Now().Add(time.Hour), "")
		require.NoError(t, err)
		b.stop()
	})
}

func TestOtherRoutesTellFromNowOn(t *testing.T) {
	inBubble(t, func(t *testing.T, b *bench) {
		b.start(b.db)
		b.w.Tell([]alerts.Route{{Name: "you", To: []string{"log:"}, Yards: []string{"*"}, From: outyard.Soon}})
		b.arrive(weigh("h03", time.Now().Add(-time.Minute), 42), weigh("h03", time.Now(), 39.5))
		require.Equal(t, []string{"you|0|swarm-alder-slip_h03-20000101T1200Z|raised"}, b.outbox())
		b.stop()
	})
}
