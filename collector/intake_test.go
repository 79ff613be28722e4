package collector

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
)

// A heldStore keeps in memory, and can be told to hold a commit back or to
// fail: what is tested here is the order of commit and ack, not a store.
type heldStore struct {
	mu      sync.Mutex
	commits [][]outyard.Reading
	refused []outyard.Refused
	err     error         // what Keep and Refuse say
	gate    chan struct{} // if not nil, each Keep waits for one
	known   map[string]bool
}

func (s *heldStore) Keep(ctx context.Context, rs []outyard.Reading) (fresh []outyard.Reading, err error) {
	if s.gate != nil {
		select {
		case <-s.gate:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return nil, s.err
	}
	s.commits = append(s.commits, slices.Clone(rs))
	if s.known == nil {
		s.known = make(map[string]bool)
	}
	for _, r := range rs {
		if key := fmt.Sprint(r.Yard, r.Hive, r.Time); !s.known[key] {
			s.known[key] = true
			fresh = append(fresh, r)
		}
	}
	return fresh, nil
}

func (s *heldStore) Refuse(_ context.Context, messages []outyard.Refused) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	s.refused = append(s.refused, messages...)
	return nil
}

func (s *heldStore) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
}

// sizes are the readings in each commit.
func (s *heldStore) sizes() (n []int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.commits {
		n = append(n, len(c))
	}
	return n
}

var places = NewPlacement([]outyard.Yard{{ID: "heron-point", Hives: []outyard.Hive{{ID: "h01"}, {ID: "h02", Scale: &outyard.Scale{PerKgRaw: 1000}}}}}, false)

// A bench is an intake that runs inside a synctest bubble.
type bench struct {
	t     *testing.T
	store *heldStore
	in    *Intake
	reg   *prometheus.Registry
	log   *bytes.Buffer
	stop  func() error // stops Run and returns what it returned
	acked []string     // names of messages, in order of their acks

	mu sync.Mutex
}

func newBench(t *testing.T, opts Options) *bench {
	pass(24 * time.Hour) // a bubble begins in 2000, before which no reading is believed
	b := &bench{t: t, store: new(heldStore), reg: prometheus.NewRegistry(), log: new(bytes.Buffer)}
	b.in = New(b.store, places, opts, time.Now, slog.New(slog.NewTextHandler(b.log, nil)), b.reg)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- b.in.Run(ctx) }()
	b.stop = sync.OnceValue(func() error {
		cancel()
		return <-done
	})
	return b
}

// send hands in a message of that name; its time tells it from others.
func (b *bench) send(name, topic, pack string) bool {
	return b.in.Take(Message{Topic: topic, Payload: []byte(pack), Arrived: time.Now(), Ack: func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.acked = append(b.acked, name)
	}})
}

func (b *bench) acks() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.acked)
}

// metric is the value of a counter or gauge; label is that of its one label.
func (b *bench) metric(name, label string) float64 {
	b.t.Helper()
	families, err := b.reg.Gather()
	require.NoError(b.t, err)
	for _, family := range families {
		for _, m := range family.GetMetric() {
			if family.GetName() == name && (label == "" || m.GetLabel()[0].GetValue() == label) {
				return m.GetCounter().GetValue() + m.GetGauge().GetValue() // one of them is none
			}
		}
	}
	b.t.Fatalf("no metric %s %s", name, label)
	return 0
}

// pass lets time go by, in the bubble's own time.
func pass(d time.Duration) { <-time.After(d) }

const topicH01 = "yards/heron-point/hives/h01"

// weighed is a pack with the weight of a moment that many seconds ago.
func weighed(ago int) string {
	return fmt.Sprintf(`[{"n":"weight","u":"kg","t":-%d,"v":41.25}]`, ago)
}

func TestAckComesAfterTheCommitAndNotBefore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		b.store.gate = make(chan struct{})
		require.True(t, b.send("first", topicH01, weighed(1)))
		pass(time.Hour)
		synctest.Wait()
		require.Empty(t, b.acks(), "while the commit is under way")
		b.store.gate <- struct{}{}
		synctest.Wait()
		require.Equal(t, []string{"first"}, b.acks())
		require.Equal(t, []int{1}, b.store.sizes())
		require.NoError(t, b.stop())
	})
}

func TestMessagesWaitForCompany(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		begun := time.Now()
		for i := range 10 {
			b.send(fmt.Sprint(i), topicH01, weighed(i))
			pass(time.Millisecond)
		}
		synctest.Wait()
		require.Empty(t, b.store.sizes(), "ten milliseconds on")
		pass(20*time.Millisecond - time.Since(begun))
		synctest.Wait()
		require.Equal(t, []int{10}, b.store.sizes(), "one commit for all, 20 ms after the first")
		require.Len(t, b.acks(), 10)
		require.NoError(t, b.stop())
	})
}

func TestALullAfterACrowdEndsTheWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		for i := range 30 { // senders that go on only when acknowledged
			b.send(fmt.Sprint(i), topicH01, weighed(i))
			pass(10 * time.Microsecond)
		}
		pass(time.Millisecond)
		synctest.Wait()
		require.Equal(t, []int{30}, b.store.sizes())
		require.NoError(t, b.stop())
	})
}

func TestASteadyTrickleIsNoLull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		for i := range 100 { // a thousand messages a second
			b.send(fmt.Sprint(i), topicH01, weighed(i))
			pass(time.Millisecond)
		}
		synctest.Wait()
		for _, n := range b.store.sizes()[:4] {
			require.InDelta(t, 20, n, 1)
		}
		require.NoError(t, b.stop())
	})
}

func TestAcksAreInOrderOfArrival(t *testing.T) { // MQTT 3.1.1 [MQTT-4.6.0-2]
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		b.send("nonsense", topicH01, "nonsense")
		b.send("later", topicH01, weighed(1))
		b.send("earlier", topicH01, weighed(2))
		b.send("nowhere", "yards/salal-hill/weather", weighed(3))
		require.NoError(t, b.stop())
		require.Equal(t, []string{"nonsense", "later", "earlier", "nowhere"}, b.acks())
	})
}

func TestAFullBatchDoesNotWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{BatchReadings: 5, MaxWait: time.Hour})
		for i := range 5 {
			b.send(fmt.Sprint(i), topicH01, weighed(i))
		}
		synctest.Wait()
		require.Equal(t, []int{5}, b.store.sizes())
		require.NoError(t, b.stop())
	})
}

func TestACommitIsInOrderOfHiveAndTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		b.send("a", "yards/heron-point/hives/h02", weighed(10))
		b.send("b", topicH01, weighed(10))
		b.send("c", "yards/heron-point/weather", `[{"n":"rain","u":"mm","v":0}]`)
		b.send("d", topicH01, weighed(20))
		require.NoError(t, b.stop())
		var order []string
		for _, r := range b.store.commits[0] {
			order = append(order, fmt.Sprintf("%s-%d", r.Hive, time.Since(r.Time)/time.Second))
		}
		require.Equal(t, []string{"-0", "h01-20", "h01-10", "h02-10"}, order)
	})
}

func TestAFullQueueHoldsItsSendersBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{QueueReadings: 3})
		b.store.gate = make(chan struct{})
		b.send("under way", topicH01, weighed(0))
		pass(20 * time.Millisecond)
		synctest.Wait()
		for i := range 3 {
			b.send(fmt.Sprint(i), topicH01, weighed(i+1))
		}
		require.Equal(t, 3.0, b.metric("outyard_collector_queue_messages", ""))
		took := make(chan bool, 1)
		go func() { took <- b.send("held back", topicH01, weighed(9)) }()
		synctest.Wait()
		require.Empty(t, took)
		b.store.gate <- struct{}{}
		require.True(t, <-took)
		close(b.store.gate)
		require.NoError(t, b.stop())
		require.Equal(t, []string{"under way", "0", "1", "2", "held back"}, b.acks())
	})
}

func TestAQueueFullOfBytesHoldsItsSendersBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{QueueBytes: 10})
		b.store.fail(errors.New("disk is full"))
		b.send("a", topicH01, "nonsense of more than ten bytes")
		synctest.Wait() // the committer has that one, and cannot be rid of it
		b.send("b", topicH01, "nonsense of more than ten bytes")
		took := make(chan bool, 1)
		go func() { took <- b.send("c", topicH01, "more") }()
		synctest.Wait()
		require.Empty(t, took)
		b.store.fail(nil)
		require.True(t, <-took)
		require.NoError(t, b.stop())
		require.Len(t, b.store.refused, 3)
	})
}

func TestAStoreThatFailsIsAskedAgainAndNothingIsAckedMeanwhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		require.NoError(t, b.in.Healthy())
		b.store.fail(errors.New("disk is full"))
		b.send("reading", topicH01, weighed(1))
		b.send("nonsense", topicH01, "nonsense")
		pass(time.Hour)
		synctest.Wait()
		require.Empty(t, b.acks())
		require.ErrorContains(t, b.in.Healthy(), "keep readings: disk is full")
		require.Contains(t, b.log.String(), "nothing is acknowledged until it does")
		asked := strings.Count(b.log.String(), "level=ERROR")
		require.True(t, asked > 100 && asked < 150, "asked %d times in an hour: want about each 30 s", asked)

		b.store.fail(nil)
		pass(maxRetry)
		synctest.Wait()
		require.Equal(t, []string{"reading", "nonsense"}, b.acks())
		require.NoError(t, b.in.Healthy())
		require.Equal(t, []int{1}, b.store.sizes())
		require.Len(t, b.store.refused, 1)
		require.NoError(t, b.stop())
	})
}

func TestAStopKeepsWhatWasTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{MaxWait: time.Hour})
		for i := range 4 {
			b.send(fmt.Sprint(i), topicH01, weighed(i))
		}
		require.NoError(t, b.stop())
		require.Equal(t, []int{4}, b.store.sizes())
		require.Len(t, b.acks(), 4)
		require.False(t, b.send("late", topicH01, weighed(9)), "after the stop nothing is taken")
		require.Len(t, b.acks(), 4)
	})
}

func TestAStopFreesSendersThatWaitForRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{QueueReadings: 1, MaxWait: time.Hour, BatchReadings: 100})
		b.send("taken", topicH01, weighed(1))
		took := make(chan bool, 1)
		go func() { took <- b.send("held back", topicH01, weighed(2)) }()
		synctest.Wait()
		require.NoError(t, b.stop())
		require.False(t, <-took)
		require.Equal(t, []string{"taken"}, b.acks())
	})
}

func TestAStopWithAStoreThatFailsSaysWhatIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		b.store.fail(errors.New("disk is full"))
		b.send("a", topicH01, weighed(1))
		b.send("b", topicH01, weighed(2))
		pass(time.Hour)
		begun := time.Now()
		err := b.stop()
		require.ErrorContains(t, err, "2 messages taken but not kept")
		require.ErrorContains(t, err, "disk is full")
		require.Equal(t, 10*time.Second, time.Since(begun))
		require.Empty(t, b.acks())
	})
}

func TestAStopEndsACommitThatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{StopWithin: 3 * time.Second})
		b.store.gate = make(chan struct{})
		b.send("a", topicH01, weighed(1))
		require.ErrorContains(t, b.stop(), "store did not answer within 3s")
		require.Empty(t, b.acks())
	})
}

func TestNothingVanishes(t *testing.T) {
	const good = `[{"n":"weight","u":"kg","v":41.25}]`
	cases := []struct {
		name, topic, pack string
		readings          int
		refused           bool
		unplaced          bool
		reason            []string
	}{
		{"a good pack is kept as readings", topicH01, good, 1, false, false, nil},
		{"a pack that is no SenML is refused", topicH01, "weight=41", 0, true, false, []string{"first byte 0x77"}},
		{"a wrong topic is refused, and the right form is named", "hives/h01", good, 0, true, false, []string{`topic "hives/h01"`, "yards/YARD/hives/HIVE"}},
		{"of a pack bad in part the rest is kept, and the whole is refused", topicH01,
			`[{"n":"weight","u":"kg","v":41.25},{"n":"inside-temp","u":"F","v":94}]`, 1, true, false, []string{"record 2, inside-temp", `unit "F": want Cel or K`}},
		{"a yard that is not in the config is unplaced", "yards/salal-hill/hives/h01", good, 0, true, true, []string{"yard salal-hill is not in the config: add it to the yards"}},
		{"a hive that is not in the config is unplaced", "yards/heron-point/hives/h99", good, 0, true, true, []string{"hive h99 is not in the config: add it to the hives of yard heron-point"}},
		{"weather of a yard that is not in the config is unplaced", "yards/salal-hill/weather", `[{"n":"rain","u":"mm","v":1}]`, 0, true, true, []string{"yard salal-hill is not in the config"}},
		{"nonsense from nowhere is refused rather than unplaced", "yards/salal-hill/hives/h01", "[]", 0, true, false, []string{"no records"}},
		{"raw counts are kept by the hive's scale", "yards/heron-point/hives/h02", `[{"n":"weight-raw","v":41250}]`, 1, false, false, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, Options{})
				arrived := time.Now().UTC()
				b.send("m", c.topic, c.pack)
				require.NoError(t, b.stop())
				require.Equal(t, []string{"m"}, b.acks(), "kept in one form or the other, so acknowledged")
				require.Equal(t, c.readings, len(slices.Concat(b.store.commits...)))
				if !c.refused {
					require.Empty(t, b.store.refused)
					require.Equal(t, 1.0, b.metric("outyard_collector_messages_total", "kept"))
					return
				}
				require.Len(t, b.store.refused, 1)
				r := b.store.refused[0]
				require.Equal(t, c.pack, string(r.Payload))
				require.Equal(t, c.topic, r.Topic)
				require.Equal(t, arrived, r.Arrived)
				require.Equal(t, c.unplaced, r.Unplaced)
				for _, want := range c.reason {
					require.Contains(t, r.Reason, want)
				}
				if c.unplaced {
					require.NotEmpty(t, r.Yard)
					require.Equal(t, 1.0, b.metric("outyard_collector_messages_total", "unplaced"))
				} else {
					require.Equal(t, 1.0, b.metric("outyard_collector_messages_total", "refused"))
				}
			})
		})
	}
}

func TestAutomaticPlacement(t *testing.T) {
	auto := NewPlacement([]outyard.Yard{{ID: "y", Hives: []outyard.Hive{{ID: "h", Scale: &outyard.Scale{PerKgRaw: 2}}}}}, true)
	scale, placed := auto.Place("y", "h")
	require.True(t, placed)
	require.Equal(t, 2.0, scale.PerKgRaw)
	for _, hive := range []outyard.HiveID{"", "new"} {
		scale, placed = auto.Place("elsewhere", hive)
		require.True(t, placed)
		require.Nil(t, scale)
	}
	require.Equal(t, []outyard.YardID{"y"}, auto.Yards(), "a yard that a node invented is none that the keeper has named")
}

func TestOurOwnTopicsComingBackAreAckedAndLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		b.send("state", "outyard/state", "up")
		require.NoError(t, b.stop())
		require.Equal(t, []string{"state"}, b.acks())
		require.Empty(t, b.store.refused)
		require.Empty(t, b.store.commits)
	})
}

func TestWhatIsNewIsHandedOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var fresh []outyard.Reading
		var at []time.Time
		b := newBench(t, Options{Kept: func(rs []outyard.Reading, arrived time.Time) {
			fresh = append(fresh, rs...)
			at = append(at, arrived)
		}})
		begun := time.Now()
		b.send("first", topicH01, weighed(0))
		pass(time.Minute)
		b.send("again, as a node that saw no ack", topicH01, weighed(60))
		pass(time.Minute)
		require.NoError(t, b.stop())
		require.Equal(t, []int{1, 1}, b.store.sizes())
		require.Len(t, fresh, 1)
		require.Equal(t, []time.Time{begun}, at)
		require.Equal(t, 1.0, b.metric("outyard_collector_readings_total", "kept"))
		require.Equal(t, 1.0, b.metric("outyard_collector_readings_total", "duplicate"))
		require.Equal(t, 120.0, b.metric("outyard_collector_newest_reading_age_seconds", "heron-point"))
	})
}

func TestReadingsAreCountedByWhatBecameOfThem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		counts := func() string {
			synctest.Wait()
			const name = "outyard_collector_readings_total"
			return fmt.Sprintf("kept %g, late %g, duplicate %g", b.metric(name, "kept"), b.metric(name, "late"), b.metric(name, "duplicate"))
		}
		now := time.Now().Unix()
		backlog := fmt.Sprintf(`[{"bn":"weight","bu":"kg","bt":%d,"v":40,"t":-3600},{"v":40,"t":-1800},{"v":40}]`, now)
		b.send("a backlog in one pack, in order of time", topicH01, backlog)
		pass(time.Second)
		require.Equal(t, "kept 3, late 0, duplicate 0", counts())
		b.send("an hour old, as the first of another hive", "yards/heron-point/hives/h02", weighed(3600))
		pass(time.Second)
		require.Equal(t, "kept 4, late 0, duplicate 0", counts())
		b.send("between what came before", topicH01, weighed(900))
		pass(time.Second)
		require.Equal(t, "kept 4, late 1, duplicate 0", counts())
		b.send("all of the backlog again", topicH01, backlog)
		pass(time.Second)
		require.Equal(t, "kept 4, late 1, duplicate 3", counts())
		b.send("newer than all", topicH01, weighed(0))
		pass(time.Second)
		require.Equal(t, "kept 5, late 1, duplicate 3", counts())
		require.NoError(t, b.stop())
	})
}

func TestRefusedMessagesAreLoggedButDoNotFillTheLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		for range 1000 {
			b.send("m", topicH01, "nonsense")
			pass(10 * time.Millisecond)
		}
		b.send("m", topicH01, "nonsense")
		require.NoError(t, b.stop())
		require.Len(t, b.store.refused, 1001)
		require.Equal(t, 2, strings.Count(b.log.String(), "message refused"))
		require.Contains(t, b.log.String(), "yard=heron-point hive=h01")
		require.Contains(t, b.log.String(), "not_logged_before=999")
	})
}

// What many senders hand in at once, through a store that fails now and then,
// is kept and acknowledged, each message once.
func TestManySenders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{QueueReadings: 50, BatchReadings: 20})
		var senders sync.WaitGroup
		const each = 200
		begun := time.Now()
		for s := range 8 {
			senders.Go(func() {
				for i := range each {
					if i == each/2 {
						b.store.fail(errors.New("database is locked"))
						time.AfterFunc(time.Second, func() { b.store.fail(nil) })
					}
					b.send(fmt.Sprintf("%d-%d", s, i), topicH01, fmt.Sprintf(`[{"n":"weight","u":"kg","t":%d,"v":41}]`, begun.Unix()-int64(s*each+i)))
				}
			})
		}
		senders.Wait()
		require.NoError(t, b.stop())
		acked := b.acks()
		slices.Sort(acked)
		require.Equal(t, 8*each, len(acked))
		require.Equal(t, 8*each, len(slices.Compact(acked)))
		require.Equal(t, 8*each, len(b.store.known))
	})
}

func BenchmarkIntake(b *testing.B) {
	in := New(discard{}, places, Options{}, time.Now, slog.New(slog.DiscardHandler), prometheus.NewRegistry())
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	pack := []byte(`[{"n":"weight","u":"kg","v":41.25},{"n":"inside-temp","u":"Cel","v":34.6},{"n":"inside-rh","u":"%RH","v":61.5},{"n":"battery","u":"V","v":3.91}]`)
	msg := Message{Topic: topicH01, Payload: pack, Arrived: time.Now(), Ack: func() {}}
	b.ReportAllocs()
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			in.Take(msg)
		}
	})
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "messages/s")
}

type discard struct{}

func (discard) Keep(_ context.Context, rs []outyard.Reading) ([]outyard.Reading, error) {
	return rs, nil
}
func (discard) Refuse(context.Context, []outyard.Refused) error { return nil }

func TestAnIntakeThatNoLongerTurnsIsNotAlive(t *testing.T) {
	const within = 2 * time.Minute
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		pass(time.Hour)
		require.NoError(t, b.in.Alive(within), "with nothing to do")

		b.store.fail(errors.New("no room left"))
		b.send("refused by the store", topicH01, weighed(1))
		pass(time.Hour)
		require.NoError(t, b.in.Alive(within), "a store that says no is asked again, and a new start would not help")
		require.Error(t, b.in.Healthy())
		b.store.fail(nil)
		pass(time.Minute)
		synctest.Wait()

		b.store.gate = make(chan struct{})
		b.send("held", topicH01, weighed(1))
		pass(within)
		require.NoError(t, b.in.Alive(within))
		pass(time.Minute)
		require.ErrorContains(t, b.in.Alive(within), "has not moved for 3m0s")
		b.store.gate <- struct{}{}
		synctest.Wait()
		require.NoError(t, b.in.Alive(within), "once the store has answered")
		require.NoError(t, b.stop())
	})
}
