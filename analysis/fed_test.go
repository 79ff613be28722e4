package analysis

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// TestFedSugarIsNoFlow feeds the whole yard at once, so that no neighbour tells
// it from nectar: by the scale alone, without a word in the journal.
func TestFedSugarIsNoFlow(t *testing.T) {
	// Syrup of two to one loses a sixth of its weight as it is dried, over about
	// a week (67 % of sugar to 82 %: by hand).
	fed := func(kg float64, days ...int) dearth {
		d := dearth{atOnce: map[int]float64{}, nightly: map[int]float64{}}
		for _, day := range days {
			d.atOnce[day] -= kg
			for after := day; after < day+7; after++ {
				d.nightly[after] += kg / 6 / 7
			}
		}
		return d
	}
	nectar := dearth{gainsKg: map[int]float64{}}
	for day := 17; day <= 26; day++ {
		nectar.gainsKg[day] = 0.9
	}
	for _, c := range []struct {
		name  string
		every time.Duration
		hive  dearth
		flow  bool
	}{
		{"all on the same day", 10 * time.Minute, fed(6, 17), false},
		{"and at hourly readings", time.Hour, fed(6, 17), false},
		{"syrup on three days", 10 * time.Minute, fed(2, 17, 18, 19), false},
		{"and at hourly readings", time.Hour, fed(2, 17, 18, 19), false},
		{"a litre each day for a week", 15 * time.Minute, fed(1.3, 16, 17, 18, 19, 20, 21, 22), false},
		{"0.9 kg of nectar a day is one", 10 * time.Minute, nectar, true},
	} {
		for _, journal := range []bool{false, true} {
			t.Run(c.name+map[bool]string{true: ", as the journal tells"}[journal], func(t *testing.T) {
				y := testYard(t, "h1", "h2", "h3", "h4")
				var rs []outyard.Reading
				var entries []outyard.Entry
				for _, h := range y.Hives {
					rs = append(rs, c.hive.readings(y, h.ID, c.every)...)
					for day := range c.hive.atOnce {
						entries = append(entries, outyard.Entry{Yard: y.ID, Hive: h.ID, Kind: outyard.Fed, Kg: outyard.Unknown,
							Time: time.Date(2027, 8, day, 14, 0, 0, 0, y.Zone)})
					}
				}
				if !journal {
					entries = nil
				}
				for _, day := range []int{18, 19, 20, 21, 23, 26, 30} { // on no morning in between, either
					found, _ := Evaluate(y, entries, rs, time.Date(2027, 8, day, 7, 0, 0, 0, y.Zone), DefaultSettings())
					flows := slices.Contains(kinds(found, ""), outyard.FlowStart)
					if c.flow {
						require.Equal(t, day >= 21, flows && day >= 21, "day %d", day)
					} else {
						require.False(t, flows, "day %d", day)
					}
				}
			})
		}
	}
}
