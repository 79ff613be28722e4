package collector

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// An arrival is a message that comes some time after the one before it, with
// its newest reading so far ahead of then, below zero behind.
type arrival struct{ after, ahead time.Duration }

// steady is n arrivals with the same difference.
func steady(n int, every, ahead time.Duration) []arrival {
	var all []arrival
	for range n {
		all = append(all, arrival{every, ahead})
	}
	return all
}

func TestAClockThatIsSteadilyOffIsFound(t *testing.T) {
	const quarter = 15 * time.Minute
	backlog := func(n int, every time.Duration) []arrival {
		var all []arrival // measured each quarter of an hour, the oldest first
		for i := range n {
			all = append(all, arrival{every, -time.Duration(n-i) * quarter})
		}
		return all
	}
	cases := []struct {
		name     string
		arrivals []arrival
		off      time.Duration
	}{
		{"a right clock", steady(20, quarter, -2*time.Second), 0},
		{"seven minutes ahead", steady(8, quarter, 7*time.Minute), 7 * time.Minute},
		{"an hour behind, as one in another zone is", steady(8, quarter, -time.Hour), -time.Hour},
		{"too few to say", steady(3, quarter, -time.Hour), 0},
		{"enough to say", steady(4, quarter, -time.Hour), -time.Hour},
		{"a minute ahead does no harm", steady(20, quarter, time.Minute), 0},
		{"a backlog, a message a second", backlog(40, time.Second), 0},
		{"a backlog, a message in six minutes", backlog(40, 6*time.Minute), 0},
		{"a backlog of readings each few seconds, in one burst", steady(100, time.Second, -6*time.Hour), 0},
		{"delays that come and go", append(steady(4, quarter, -20*time.Minute), steady(4, quarter, -time.Second)...), 0},
		{"an hour behind, and one message late", append(steady(7, quarter, -time.Hour), arrival{quarter, -3 * time.Hour}), -time.Hour},
		{"an hour behind, each message sent twice", func() (all []arrival) {
			for range 8 {
				all = append(all, arrival{quarter, -time.Hour}, arrival{time.Minute, -time.Hour - time.Minute})
			}
			return all
		}(), -time.Hour},
		{"a clock that was set right", append(steady(8, quarter, -time.Hour), steady(6, quarter, 0)...), 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var k clock
			now := atSix
			for _, a := range c.arrivals {
				now = now.Add(a.after)
				k.note(now.Add(a.ahead), now)
			}
			require.Equal(t, c.off, k.off)
		})
	}
}

func TestAClockThatIsOffIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		for range 3 * 24 {
			pass(time.Hour)
			b.send("behind", topicH01, weighed(1800))
			b.send("right", "yards/heron-point/hives/h02", weighed(2))
		}
		synctest.Wait()
		require.Equal(t, -30*time.Minute, b.in.ClockOff("heron-point", "h01"))
		require.Zero(t, b.in.ClockOff("heron-point", "h02"))
		require.Zero(t, b.in.ClockOff("heron-point", ""), "nothing is known of it")
		require.InDelta(t, -1800, b.metric("outyard_collector_clock_offset_seconds", "heron-point"), 0)
		require.Equal(t, 3, strings.Count(b.log.String(), "clock of a node is off"), "once a day: %s", b.log)
		require.Contains(t, b.log.String(), "yard=heron-point hive=h01 behind=30m0s")

		pass(clockForgotten)
		require.Zero(t, b.in.ClockOff("heron-point", "h01"), "of a node that sends no more")
		require.InDelta(t, 0, b.metric("outyard_collector_clock_offset_seconds", "heron-point"), 0)
		require.NoError(t, b.stop())
	})
}

func TestWhatIsNotOfAboutNowTellsOfTheClockKeptOrNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var untimely []time.Duration
		b := newBench(t, Options{Untimely: func(r outyard.Reading, arrived time.Time) {
			mu.Lock()
			defer mu.Unlock()
			require.Equal(t, outyard.HiveID("h01"), r.Hive)
			untimely = append(untimely, r.Time.Sub(arrived).Round(time.Minute))
		}})
		for range 6 {
			pass(time.Hour)
			b.send("right", "yards/heron-point/hives/h02", weighed(2))
			b.send("ahead", topicH01, fmt.Sprintf(`[{"n":"weight","u":"kg","bt":%d,"v":41}]`, time.Now().Add(2*time.Hour).Unix())) // refused
			pass(time.Minute)
			b.send("behind", topicH01, weighed(3*3600)) // from the second hour on known already
		}
		pass(time.Hour)
		b.send("unset", topicH01, fmt.Sprintf(`[{"n":"weight","u":"kg","bt":%d,"v":41}]`, 1<<29))
		require.NoError(t, b.stop())
		require.Len(t, untimely, 13)
		require.Equal(t, []time.Duration{2 * time.Hour, -3 * time.Hour}, untimely[:2])
		require.Less(t, untimely[12], -12*365*24*time.Hour, "a clock that was never set")
	})
}

func TestTheNewestReadingOfAMessageTellsTheClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Options{})
		for range 10 { // a node that sends its last six hours each hour
			pass(time.Hour)
			pack := `[{"n":"weight","u":"kg","t":-1,"v":41}`
			for h := range 6 {
				pack += fmt.Sprintf(`,{"n":"weight","u":"kg","t":-%d,"v":41}`, (h+1)*3600)
			}
			b.send("m", topicH01, pack+"]")
		}
		require.NoError(t, b.stop())
		require.Zero(t, b.in.ClockOff("heron-point", "h01"))
	})
}
