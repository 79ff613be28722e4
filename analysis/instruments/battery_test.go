package instruments

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var yardZone = time.FixedZone("here", -8*3600)

// A course is a battery's voltage, by night and by day, on each of so many days.
type course func(day int) (nightV, dayV, nightC float64)

// watched plays a course to the watch of one node, hourly.
func watched(t *testing.T, hive outyard.Hive, days int, of course) []outyard.Finding {
	t.Helper()
	b := NewBatteries(outyard.Yard{ID: "heron-point", Zone: yardZone, Hives: []outyard.Hive{hive}}, DefaultBatterySettings())
	date := outyard.Date{Year: 2027, Month: time.March, Day: 1}
	for day := range days {
		night, noon, tempC := of(day)
		for hour := range 24 {
			r := outyard.NewReading("heron-point", hive.ID, date.Start(yardZone).Add(time.Duration(hour)*time.Hour))
			r.Values[outyard.Battery] = night
			if hour >= 8 && hour < 18 {
				r.Values[outyard.Battery] = noon
			}
			b.Observe(r)
		}
		b.Day(date, tempC)
		date = date.Add(1)
	}
	found := b.Findings()
	for _, f := range found {
		for name, v := range f.Facts {
			x, ok := v.(float64)
			require.False(t, ok && (math.IsNaN(x) || math.IsInf(x, 0)), "%s of %s", name, f.Summary)
		}
	}
	return found
}

// steps10mV brings volts to the steps of a usual node.
func steps10mV(v float64) float64 { return math.Round(v*100) / 100 }

func TestWhatABatteryDoesTellsHowLongItLasts(t *testing.T) {
	steady := func(day int) (v, dayV, c float64) { v = steps10mV(3.9 - 0.001*float64(day)); return v, v, 10 }
	for _, c := range []struct {
		says  string
		days  int
		of    course
		state outyard.State // "" for no finding
	}{
		{"a millivolt a day from 3.9 V is a year", 90, steady, ""},
		{"a hundredth of a volt a day from 3.7 V on is some six weeks, told three before the end", 35,
			func(day int) (v, dayV, c float64) { v = steps10mV(4.0 - 0.018*float64(day)); return v, v, 10 }, outyard.Open},
		{"a flat course that bends down at the end is told at the bend", 62, func(day int) (v, dayV, c float64) {
			v = 3.6
			if day > 52 {
				v -= 0.05 * float64(day-52)
			}
			return v, v, 10
		}, outyard.Open},
		{"a cold week is no battery running down", 60, func(day int) (v, dayV, c float64) {
			c = 8 + 3*math.Sin(float64(day))
			if day > 40 && day < 50 {
				c -= 2 * float64(day-40)
			}
			v = steps10mV(3.55 + 0.004*(c-8))
			return v, v, c
		}, ""},
		{"a panel that fills by day what the night takes is none", 90, func(day int) (v, dayV, c float64) { return 3.72, 4.1, 10 }, ""},
		{"nor are two dark weeks in the upper part of its range", 60, func(day int) (v, dayV, c float64) {
			v = 4.0
			if day > 30 {
				v -= 0.025 * float64(min(day-30, 14))
			}
			return v, v + 0.1, 10
		}, ""},
		{"a battery changed is over", 50, func(day int) (v, dayV, c float64) {
			v = steps10mV(4.0 - 0.018*float64(day))
			if day > 40 {
				v = 4.1
			}
			return v, v, 10
		}, outyard.Over},
		{"one voltage for ever, as behind a regulator, says nothing", 90, func(int) (v, dayV, c float64) { return 3.3, 3.3, 10 }, ""},
		{"nor does a node that does not tell", 30, func(int) (v, dayV, c float64) { return outyard.Unknown, outyard.Unknown, 10 }, ""},
		{"nor nights of which no temperature is known", 60, func(day int) (v, dayV, c float64) { v, _, _ = steady(day); return v, v, outyard.Unknown }, ""},
	} {
		t.Run(c.says, func(t *testing.T) {
			found := watched(t, outyard.Hive{ID: "h01"}, c.days, c.of)
			if c.state == "" {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			f := found[0]
			require.Equal(t, outyard.BatteryLow, f.Kind)
			require.Equal(t, c.state, f.State)
			require.Negative(t, f.Fact("slope_v_per_day"))
			require.LessOrEqual(t, f.Fact("days_left"), 42.0)
		})
	}
}

func TestTheNodesOwnCutOffCounts(t *testing.T) {
	of := func(day int) (v, dayV, c float64) { v = steps10mV(4.0 - 0.01*float64(day)); return v, v, 10 }
	require.Empty(t, watched(t, outyard.Hive{ID: "h01"}, 40, of), "3.6 V is well above the guess of 3.2 V")
	found := watched(t, outyard.Hive{ID: "h01", BatteryEmptyV: 3.5}, 40, of)
	require.Len(t, found, 1)
	require.InDelta(t, 11, found[0].Fact("days_left"), 1.5)
	require.InDelta(t, -0.01, found[0].Fact("slope_v_per_day"), 0.001)
}

func TestABatteryPastItsBendHasFewerDaysThanAStraightLineGivesIt(t *testing.T) {
	var volts []float64
	for day := range 20 {
		v := 3.6
		if day > 14 {
			v -= 0.02 * float64(day-14)
		}
		volts = append(volts, v)
	}
	set := DefaultBatterySettings()
	bent := set.Forecast(volts, 3.0, false)
	require.True(t, bent.Sudden)
	require.InDelta(t, -0.02, bent.VoltsADay, 0.001)
	require.InDelta(t, 0.5*(3.5-3.0)/0.02, bent.DaysLeft, 2)

	require.InDelta(t, 2*bent.DaysLeft, set.Forecast(volts, 3.0, true).DaysLeft, 0.01, "the sun may bring it back")

	straight := set.Forecast([]float64{3.8, 3.78, 3.76, 3.74, 3.72, 3.7, 3.68, 3.66, 3.64, 3.62, 3.6, 3.58, 3.56, 3.54}, 3.0, false)
	require.False(t, straight.Sudden)
	require.InDelta(t, (3.54-3.0)/0.02, straight.DaysLeft, 2)
}

func TestAtOneTemperatureTakesOutTheColdAndNoMore(t *testing.T) {
	var volts, temps, want []float64
	for day := range 28 {
		temp := 5 + 6*math.Sin(float64(day))
		temps = append(temps, temp)
		want = append(want, 3.8-0.004*float64(day))
		volts = append(volts, want[day]+0.005*(temp-5))
	}
	got := AtOneTemperature(volts, temps)
	for i := range got {
		require.InDelta(t, want[i], got[i], 0.006)
	}
	temps[3] = outyard.Unknown
	require.Equal(t, volts[3], AtOneTemperature(volts, temps)[3], "what is not known is left")
}
