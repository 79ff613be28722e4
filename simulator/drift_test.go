package simulator

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// differences is what a script's hive shows above what it shows without the
// script, by reading.
func differences(t *testing.T, q outyard.Quantity, script ...Event) []float64 {
	opt := Options{Start: local(2026, 10, 1, 0, 0), Days: 40, Yards: 1, HivesPerYard: 2, Cadence: time.Hour, Calm: true, NoKeeper: true}
	plain := play(t, Invent(5, opt))
	opt.Script = script
	with := play(t, Invent(5, opt))
	require.Len(t, with.readings, len(plain.readings))
	var out []float64
	for i, r := range with.readings {
		o := plain.readings[i]
		require.Equal(t, o.Time, r.Time)
		if r.Hive != HiveID(1) {
			require.Equal(t, fmt.Sprint(o.Values), fmt.Sprint(r.Values), "another hive is not touched")
			continue
		}
		out = append(out, r.Values[q]-o.Values[q])
	}
	return out
}

func TestAZeroThatMovesIsSeenOnItsScaleOnly(t *testing.T) {
	event := func(what string) Event {
		return Event{Kind: outyard.SensorFault, What: what, Yard: YardID(1), Hive: HiveID(1), Time: local(2026, 10, 5, 0, 0), End: local(2026, 11, 4, 0, 0)}
	}
	const before = 4 * 24 // hours
	for _, c := range []struct {
		what string
		ok   func(kg []float64) bool
	}{
		{Swimming, func(kg []float64) bool { return slices.Max(kg)-slices.Min(kg) > 1 }},
		{Sinking, func(kg []float64) bool {
			return kg[len(kg)-1] < -4 && slices.IsSortedFunc(kg, func(a, b float64) int { return int(10 * (b - a)) })
		}},
		{Warming, func(kg []float64) bool { return slices.Max(kg)-slices.Min(kg) > 0.7 }},
	} {
		t.Run(c.what, func(t *testing.T) {
			kg := differences(t, outyard.Weight, event(c.what))
			require.Zero(t, slices.MaxFunc(kg[:before-2], func(a, b float64) int { return int(1e6 * (math.Abs(a) - math.Abs(b))) }), "before it begins")
			require.True(t, c.ok(kg[before:]), "%.2f", kg[before:])
		})
	}
}

func TestAProbePutElsewhereShowsLessWarmth(t *testing.T) {
	kelvin := differences(t, outyard.InsideTemp, Event{Kind: MovedProbe, Yard: YardID(1), Hive: HiveID(1), Time: local(2026, 10, 5, 0, 0), End: local(2026, 10, 20, 0, 0)})
	require.Zero(t, median(kelvin[:4*24]))
	require.Less(t, median(kelvin[5*24:19*24]), -3.0)
	require.Zero(t, median(kelvin[21*24:]))
}
