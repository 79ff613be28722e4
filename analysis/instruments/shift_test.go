package instruments

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestAClockThatIsOffShowsInTheCourseOfTheDays(t *testing.T) {
	const from, to, days = 10, 20, 30
	// The sun warms boxes until the afternoon; foragers are out from nine to six.
	warm := func(hour float64) float64 { return 3 * math.Sin(2*math.Pi*(hour-9)/24) }
	flight := func(hour float64) float64 {
		hour = math.Mod(hour+48, 24)
		return -0.4 * max(0, math.Sin(math.Pi*(hour-9)/9)) * map[bool]float64{true: 1, false: 0}[hour > 9 && hour < 18]
	}
	flat := func(float64) float64 { return 0 }
	for _, c := range []struct {
		says           string
		warm, flight   func(hour float64) float64
		warmH, flightH float64 // by how much the hive's own are late on the days of a fault
		others         int
		want           float64 // minutes; 0 for no finding
	}{
		{"days that run alike", warm, flight, 0, 0, 3, 0},
		{"nine hours behind", warm, flight, -9, -9, 3, -540},
		{"three hours ahead, by the warmth", warm, flat, 3, 3, 3, 180},
		{"bees that fly five hours later are weak, or rob", flat, flight, 0, 5, 3, 0},
		{"nor are they when the box warms with the others, however late", warm, flight, 0, 8, 3, 0},
		{"but eight hours are no bee's", flat, flight, 0, 8, 3, 480},
		{"grey days say nothing", flat, flat, -9, -9, 3, 0},
		{"nor does one other hive", warm, flight, -9, -9, 1, 0},
	} {
		t.Run(c.says, func(t *testing.T) {
			f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
			noise := rand.New(rand.NewPCG(2, 8))
			date := outyard.DateOf(start, yardZone)
			for day := range days {
				var hives []HiveHours
				for i, id := range []outyard.HiveID{"h01", "h02", "h03", "h04"}[:c.others+1] {
					h := HiveHours{Hive: id}
					warmH, flightH := 0.0, 0.0
					if i == 0 && day >= from && day < to {
						warmH, flightH = c.warmH, c.flightH
					}
					for hour := range 24 {
						h.InsideC = append(h.InsideC, 20+c.warm(float64(hour)-warmH)+0.1*noise.NormFloat64())
						h.Kg = append(h.Kg, 40+0.02*float64(hour)+c.flight(float64(hour)-flightH)+0.01*noise.NormFloat64())
					}
					hives = append(hives, h)
				}
				f.Hours(date.Add(day), hives)
			}
			found := f.Findings()
			if c.want == 0 {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			require.Equal(t, outyard.HiveID("h01"), found[0].Hive)
			require.InDelta(t, c.want, found[0].Facts["clock_ahead_minutes"], 60)
			require.Equal(t, outyard.Over, found[0].State)
			require.WithinDuration(t, date.Add(from).Start(yardZone), found[0].Onset, 26*time.Hour)
			require.WithinDuration(t, date.Add(to).Start(yardZone), found[0].End, 26*time.Hour)
		})
	}
}
