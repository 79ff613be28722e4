package instruments

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/timekeeping"
)

func TestAClockThatIsOff(t *testing.T) {
	const hours = 48
	off := func(by time.Duration) func(time.Duration) (time.Duration, bool) {
		return func(since time.Duration) (time.Duration, bool) {
			if since >= 12*time.Hour && since < 30*time.Hour {
				return by, true
			}
			return -2 * time.Second, true
		}
	}
	for _, c := range []struct {
		says  string
		ahead func(since time.Duration) (by time.Duration, sent bool)
		want  float64 // minutes; 0 for no finding
	}{
		{"one that is right is none", off(-2 * time.Second), 0},
		{"nine hours behind is", off(-9 * time.Hour), -540},
		{"as is one hour ahead, the summer's", off(time.Hour), 60},
		{"some minutes are not", off(-10 * time.Minute), 0},
		{"nor is a backlog that comes in a burst", func(since time.Duration) (time.Duration, bool) {
			return min(0, since%(8*time.Hour)-7*time.Hour), since%(8*time.Hour) >= 7*time.Hour
		}, 0},
		{"nor one that is worked off bit by bit", func(since time.Duration) (time.Duration, bool) {
			return -max(0, 9*time.Hour-since), true
		}, 0},
	} {
		t.Run(c.says, func(t *testing.T) {
			clocks := NewClocks(outyard.Yard{ID: "alder-spit", Zone: time.UTC}, timekeeping.DefaultSettings(), nil)
			for since := time.Duration(0); since < hours*time.Hour; since += 10 * time.Minute {
				arrived := start.Add(since)
				clocks.Arrived("h02", arrived.Add(-3*time.Second), arrived)
				if by, sent := c.ahead(since); sent {
					clocks.Arrived("h01", arrived.Add(by), arrived)
				}
				// As after a restart, whenever it comes.
				revision := clocks.Revision()
				again := NewClocks(clocks.yard, clocks.set, clocks.With(nil, arrived))
				require.Equal(t, clocks.With(nil, arrived), again.With(nil, arrived))
				require.Equal(t, revision, clocks.Revision())
			}
			found := clocks.With(nil, start.Add(hours*time.Hour))
			if c.want == 0 {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			require.Equal(t, outyard.SensorFault, found[0].Kind)
			require.Equal(t, outyard.HiveID("h01"), found[0].Hive)
			require.Equal(t, c.want, found[0].Facts["clock_ahead_minutes"])
			require.Equal(t, outyard.Over, found[0].State)
			require.WithinDuration(t, start.Add(12*time.Hour), found[0].Onset, 0)
			require.WithinDuration(t, start.Add(30*time.Hour), found[0].End, 0)
		})
	}
}

func TestANodeWithAClockBehindIsNotSilent(t *testing.T) {
	yard := outyard.Yard{ID: "alder-spit", Zone: time.UTC}
	for _, c := range []struct {
		says   string
		right  time.Duration // when its clock is set right
		stops  time.Duration // when it no longer sends at all
		silent bool
	}{
		{"while its readings arrive", 99 * time.Hour, 99 * time.Hour, false},
		{"nor was it when the clock was set right", 36 * time.Hour, 99 * time.Hour, false},
		{"and is when they no longer arrive", 99 * time.Hour, 40 * time.Hour, true},
	} {
		t.Run(c.says, func(t *testing.T) {
			clocks, silence := NewClocks(yard, timekeeping.DefaultSettings(), nil), NewSilence(yard, DefaultSettings())
			last := start.Add(-time.Minute)
			for since := time.Duration(0); since < 48*time.Hour; since += 10 * time.Minute {
				arrived := start.Add(since)
				at := arrived
				if since >= 12*time.Hour && since < c.right {
					at = arrived.Add(-9 * time.Hour)
				}
				silence.Pass(arrived)
				silence.Heard("h02", arrived)
				if since < c.stops && at.After(last) { // what was there is no news
					last = at
					silence.Heard("h01", at)
					silence.Arrived("h01", arrived, clocks.Arrived("h01", at, arrived))
				}
			}
			found := clocks.With(silence.Findings(), start.Add(48*time.Hour))
			var silent bool
			for _, f := range found {
				silent = silent || f.Kind == outyard.Silent
			}
			require.Equal(t, c.silent, silent)
			require.True(t, slices.ContainsFunc(found, func(f outyard.Finding) bool { return f.Kind == outyard.SensorFault }))
		})
	}
}

func TestAYardIsSilentThoughAClockInItIsBehind(t *testing.T) {
	yard := outyard.Yard{ID: "alder-spit", Zone: time.UTC}
	for _, c := range []struct {
		says      string
		behind    []outyard.HiveID
		nodes     []outyard.HiveID
		weatherOn bool // the weather node goes on
		want      []outyard.HiveID
	}{
		{"the weather's clock", []outyard.HiveID{""}, []outyard.HiveID{"", "h01", "h02"}, false, []outyard.HiveID{""}},
		{"and all hives are, when only that node goes on", []outyard.HiveID{""}, []outyard.HiveID{"", "h01", "h02"}, true, []outyard.HiveID{"h01", "h02"}},
		{"all clocks", []outyard.HiveID{"h01", "h02"}, []outyard.HiveID{"h01", "h02"}, false, []outyard.HiveID{""}},
	} {
		t.Run(c.says, func(t *testing.T) {
			clocks, silence := NewClocks(yard, timekeeping.DefaultSettings(), nil), NewSilence(yard, DefaultSettings())
			var silent []outyard.HiveID
			for since := time.Duration(0); since < 48*time.Hour; since += 10 * time.Minute {
				arrived := start.Add(since)
				silence.Pass(arrived)
				for _, n := range c.nodes {
					if since >= 40*time.Hour && !(n == "" && c.weatherOn) {
						continue
					}
					at := arrived
					if since >= 12*time.Hour && slices.Contains(c.behind, n) {
						if at = arrived.Add(-9 * time.Hour); since < 21*time.Hour { // known already
							silence.Arrived(n, arrived, clocks.Unkept(n, at, arrived))
							continue
						}
					}
					silence.Heard(n, at)
					silence.Arrived(n, arrived, clocks.Arrived(n, at, arrived))
				}
				if found := clocks.With(silence.Findings(), arrived); since < 42*time.Hour {
					require.False(t, slices.ContainsFunc(found, func(f outyard.Finding) bool { return f.Kind == outyard.Silent }), since)
				}
			}
			for _, f := range clocks.With(silence.Findings(), start.Add(48*time.Hour)) {
				if f.Kind == outyard.Silent {
					silent = append(silent, f.Hive)
					require.WithinDuration(t, start.Add(40*time.Hour), f.Onset, 11*time.Minute)
				}
			}
			require.Equal(t, c.want, silent)
		})
	}
}

func TestANodeWithAClockBehindIsNotSilentForARestart(t *testing.T) {
	yard := outyard.Yard{ID: "alder-spit", Zone: time.UTC}
	before := NewClocks(yard, timekeeping.DefaultSettings(), nil)
	for since := time.Duration(0); since < 24*time.Hour; since += 10 * time.Minute {
		before.Arrived("h01", start.Add(since-9*time.Hour), start.Add(since))
	}
	stopped := start.Add(24 * time.Hour)
	clocks, silence := NewClocks(yard, timekeeping.DefaultSettings(), before.With(nil, stopped)), NewSilence(yard, DefaultSettings())
	for since := time.Duration(0); since < 24*time.Hour; since += 10 * time.Minute { // as stored
		silence.Heard("h01", start.Add(since-9*time.Hour))
	}
	clocks.Heard(stopped, func(hive outyard.HiveID, arrived time.Time, off bool) { silence.Arrived(hive, arrived, off) })
	for _, c := range []struct {
		after time.Duration
		want  bool
	}{{0, false}, {time.Hour, false}, {12 * time.Hour, true}} {
		silence.Pass(stopped.Add(c.after))
		found := clocks.With(silence.Findings(), stopped.Add(c.after))
		require.Equal(t, c.want, slices.ContainsFunc(found, func(f outyard.Finding) bool { return f.Kind == outyard.Silent }), c.after)
	}
}

// Four nodes are cut off for two days; then one after the other sends what it
// held back, but for one that is broken.
func TestABacklogMakesNobodySilent(t *testing.T) {
	yard := outyard.Yard{ID: "alder-spit", Zone: time.UTC}
	hives := []outyard.HiveID{"h1", "h2", "h3", "h4"}
	clocks := NewClocks(yard, timekeeping.DefaultSettings(), nil)
	const every, cut, whole, again = 10 * time.Minute, 24 * time.Hour, 72 * time.Hour, 30 * time.Minute
	silent := func(hive outyard.HiveID, since time.Time) outyard.Finding {
		return outyard.Finding{Kind: outyard.Silent, Hive: hive, Onset: since, State: outyard.Open, Facts: map[string]any{"cadence_minutes": every.Minutes()}}
	}
	for at := time.Duration(0); at < cut; at += every {
		for _, h := range hives {
			clocks.Arrived(h, start.Add(at), start.Add(at))
		}
	}
	last := start.Add(cut - every)
	old := silent("h0", start.Add(-24*time.Hour))
	for i, h := range hives[:3] {
		arrived := start.Add(whole + time.Duration(i)*again)
		for at := whole - every; at >= cut; at -= every { // the newest first
			clocks.Arrived(h, start.Add(at), arrived)
		}
		clocks.Arrived(h, arrived, arrived)
		found := []outyard.Finding{old}
		for _, other := range hives[i+1:] {
			found = append(found, silent(other, last))
		}
		require.Equal(t, []outyard.Finding{old}, clocks.With(found, arrived), "only what was silent before the cut")
	}
	due := start.Add(whole + 2*again).Add(DefaultSettings().SilentLeast)
	before := clocks.Revision()
	clocks.Pass(due.Add(-time.Second))
	require.Len(t, clocks.With([]outyard.Finding{silent("h4", last)}, due.Add(-time.Second)), 0)
	require.WithinDuration(t, due, clocks.Due(), 2*again)
	clocks.Pass(due)
	require.NotEqual(t, before, clocks.Revision(), "whoever asks is told to look again")
	require.Len(t, clocks.With([]outyard.Finding{silent("h4", last)}, due), 1, "the broken one, once it had its time")
	require.Zero(t, clocks.Due())
}
