package analysis

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// firstTold folds a hive's readings and returns when a kind was first found,
// zero for never.
func firstTold(t *testing.T, y outyard.Yard, rs []outyard.Reading, kind outyard.Kind) time.Time {
	c := NewCourse(y, nil, DefaultSettings())
	for _, r := range rs {
		require.NoError(t, c.Observe(r))
		for _, f := range c.Findings() {
			if f.Kind == kind {
				return r.Time
			}
		}
	}
	return time.Time{}
}

func TestAnOverturnedHiveIsToldWithinTwoReadings(t *testing.T) {
	y := testYard(t, "h1")
	for _, hour := range []int{3, 12, 15} {
		at := time.Date(2027, 5, 22, hour, 4, 0, 0, y.Zone)
		for _, every := range []time.Duration{time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour} {
			for _, leftKg := range []float64{0, 8} {
				t.Run(fmt.Sprintf("at %d h, every %s, %g kg left", hour, every, leftKg), func(t *testing.T) {
					gone := still.during(leftKg-47.8, at, at.AddDate(0, 0, 9))
					told := firstTold(t, y, readings(y, "h1", at, every, gone), outyard.KnockedOver)
					require.WithinRange(t, told, at, at.Add(max(15*time.Minute, 2*every)))
				})
			}
		}
	}
}

func TestAHiveLiftedByItsKeeperIsNotToldAsOverturned(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	min := func(m int) time.Time { return noon.Add(time.Duration(m) * time.Minute) }
	for _, c := range []struct {
		name  string
		every time.Duration
		shape shape
	}{
		{"lifted off whole for six minutes", time.Minute, still.during(-47.8, min(0), min(6))},
		{"lifted off whole for as long as one reading", 10 * time.Minute, still.during(-47.8, min(0), min(10))},
		{"the boxes one by one, then the floor for half an hour", 5 * time.Minute,
			still.during(-5, min(0), min(60)).during(-15, min(6), min(55)).during(-20, min(12), min(50)).during(-7.5, min(18), min(45))},
		{"one wild reading by night", 10 * time.Minute, still.during(-47.8, min(12*60), min(12*60+10))},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Zero(t, firstTold(t, y, readings(y, "h1", noon, c.every, c.shape), outyard.KnockedOver))
		})
	}
}
