package instruments

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
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
			clocks := NewClocks(outyard.Yard{ID: "alder-spit", Zone: time.UTC}, DefaultClockSettings(), nil)
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
			clocks, silence := NewClocks(yard, DefaultClockSettings(), nil), NewSilence(yard, DefaultSettings())
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
					clocks.Arrived("h01", at, arrived)
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

func TestANodeWithAClockBehindIsNotSilentForARestart(t *testing.T) {
	yard := outyard.Yard{ID: "alder-spit", Zone: time.UTC}
	before := NewClocks(yard, DefaultClockSettings(), nil)
	for since := time.Duration(0); since < 24*time.Hour; since += 10 * time.Minute {
		before.Arrived("h01", start.Add(since-9*time.Hour), start.Add(since))
	}
	stopped := start.Add(24 * time.Hour)
	clocks := NewClocks(yard, DefaultClockSettings(), before.With(nil, stopped))
	silent := outyard.Finding{Kind: outyard.Silent, Yard: yard.ID, Hive: "h01", Onset: stopped.Add(-9 * time.Hour), State: outyard.Open, Facts: map[string]any{"cadence_minutes": 10.0}}
	for _, c := range []struct {
		after time.Duration
		want  bool
	}{{0, false}, {time.Hour, false}, {12 * time.Hour, true}} {
		found := clocks.With([]outyard.Finding{silent}, stopped.Add(c.after))
		require.Equal(t, c.want, slices.ContainsFunc(found, func(f outyard.Finding) bool { return f.Kind == outyard.Silent }), c.after)
	}
}

// Four nodes are cut off for two days; then one after the other sends what it
// held back, but for one that is broken.
func TestABacklogMakesNobodySilent(t *testing.T) {
	yard := outyard.Yard{ID: "alder-spit", Zone: time.UTC}
	hives := []outyard.HiveID{"h1", "h2", "h3", "h4"}
	clocks := NewClocks(yard, DefaultClockSettings(), nil)
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
