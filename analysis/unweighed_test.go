package analysis

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// TestAYardOfScalesThatShowNothing says what is told when all scales of a yard
// fall to nothing (the 48 kg of [readings] are gone), each node sending a little
// after the one before.
func TestAYardOfScalesThatShowNothing(t *testing.T) {
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, testYard(t).Zone)
	const back = 9 * time.Hour
	for _, c := range []struct {
		name  string
		hives int
		every time.Duration
		apart time.Duration // between one hive and the next
		down  int           // hives told as knocked over or gone
	}{
		{"power fails for four", 4, 10 * time.Minute, 0, 0},
		{"power fails for four that send every minute", 4, time.Minute, 0, 0},
		{"a thief loads four, one after the other", 4, 10 * time.Minute, 12 * time.Minute, 4},
		{"of two it cannot be told from a thief", 2, 10 * time.Minute, 0, 2},
		{"nor of four that send once an hour", 4, time.Hour, 0, 4},
	} {
		t.Run(c.name, func(t *testing.T) {
			ids := []outyard.HiveID{"h1", "h2", "h3", "h4"}[:c.hives]
			y := testYard(t, ids...)
			var rs []outyard.Reading
			for i, id := range ids {
				from := noon.Add(time.Duration(i) * c.apart)
				late := time.Duration(i) * c.every / 10
				for _, r := range readings(y, id, noon, c.every, still.during(-48, from.Add(-late), noon.Add(back-late))) {
					r.Time = r.Time.Add(late)
					rs = append(rs, r)
				}
			}
			slices.SortStableFunc(rs, func(a, b outyard.Reading) int { return a.Time.Compare(b.Time) })

			course := NewCourse(y, nil, DefaultSettings())
			told := map[outyard.Kind]map[outyard.HiveID]bool{}
			for _, r := range rs {
				require.NoError(t, course.Observe(r))
				for _, f := range course.Findings() {
					if told[f.Kind] == nil {
						told[f.Kind] = map[outyard.HiveID]bool{}
					}
					told[f.Kind][f.Hive] = true
				}
			}
			require.Len(t, told[outyard.KnockedOver], c.down)
			if c.down > 0 {
				require.Empty(t, told[outyard.SensorFault])
				return
			}
			require.Equal(t, map[outyard.HiveID]bool{"": true}, told[outyard.SensorFault], "one for the yard")
			require.Empty(t, told[outyard.Handling], "neither as they went nor as they came back")
			found := course.Findings()
			require.Len(t, found, 1)
			require.Equal(t, outyard.Over, found[0].State)
			require.InDelta(t, float64(c.hives), found[0].Fact("hives"), 0)
			coarse := max(c.every, 6*time.Minute) // samples closer than five minutes are taken together
			require.WithinDuration(t, noon, found[0].Onset, coarse)
			require.WithinDuration(t, noon.Add(back), found[0].End, coarse)
			for _, d := range course.Days() {
				if outyard.Known(d.GainKg) {
					require.InDelta(t, 0, d.GainKg, 0.3, "no gain of the colony's on %s", d.Date)
				}
				require.False(t, d.HandledKg != 0 && outyard.Known(d.HandledKg), "nobody worked on %s", d.Date)
			}
		})
	}
}
