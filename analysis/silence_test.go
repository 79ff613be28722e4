package analysis

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// Work on a hive that was not heard of for hours or days is told once it is
// heard again, and is no gain of the colony's. A flow meanwhile is none.
func TestWorkWhileNothingWasHeard(t *testing.T) {
	ids := []outyard.HiveID{"h1", "h2", "h3", "h4"}
	y := testYard(t, ids...)
	noon := time.Date(2027, 6, 2, 12, 4, 0, 0, y.Zone)
	flowing := func(kgADay float64) shape {
		return shape{kg: func(t time.Time) float64 { return kgADay * t.Sub(noon).Hours() / 24 }}
	}
	for _, c := range []struct {
		name           string
		hours          int // of silence, about the work
		stepKg, flowKg float64
		want           float64 // change that is told, 0 for none
	}{
		{"honey taken within two hours of silence", 2, -24, 0, -24},
		{"honey taken within a day of silence", 24, -24, 0, -24},
		{"honey taken within eight days of silence", 192, -24, 0, -24},
		{"honey taken within eight days of silence in a flow", 192, -24, 1, -24},
		{"a box put on within a day of silence", 24, 6, 0, 6},
		{"a box put on within eight days of silence", 192, 6, 0.1, 6},
		{"a flow within eight days of silence", 192, 0, 2, 0},
		{"dearth within eight days of silence", 192, 0, -0.3, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			half := time.Duration(c.hours) * time.Hour / 2
			var rs []outyard.Reading
			for _, id := range ids {
				s := flowing(c.flowKg)
				if id == "h1" && c.stepKg != 0 {
					s = s.during(c.stepKg, noon, noon.AddDate(0, 0, 30))
				}
				for day := -12; day <= 8; day += 4 {
					for _, r := range readings(y, id, noon.AddDate(0, 0, day), 10*time.Minute, s) {
						if id != "h1" || r.Time.Sub(noon).Abs() > half {
							rs = append(rs, r)
						}
					}
				}
			}
			found, days := Evaluate(y, nil, rs, noon.AddDate(0, 0, 10), DefaultSettings())
			told := 0.0
			for _, f := range found {
				if f.Hive == "h1" && f.Kind == outyard.Handling {
					told += f.Fact("change_kg")
				}
			}
			require.InDelta(t, c.want, told, 1.2)
			require.NotContains(t, kinds(found, "h1"), outyard.Swarm)
			require.NotContains(t, kinds(found, "h1"), outyard.KnockedOver)
			for _, d := range days {
				if d.Hive == "h1" && outyard.Known(d.GainKg) {
					require.InDelta(t, c.flowKg, d.GainKg, 0.6, fmt.Sprint(d.Date))
				}
			}
		})
	}
}

// Silence in the middle of work hides no other work.
func TestWorkBeforeAndWithinSilence(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 6, 2, 12, 4, 0, 0, y.Zone)
	s := still.during(6, noon, noon.AddDate(0, 0, 9)).during(-25, noon.Add(2*time.Hour), noon.AddDate(0, 0, 9))
	var rs []outyard.Reading
	for _, r := range readings(y, "h1", noon, 10*time.Minute, s) {
		if since := r.Time.Sub(noon); since <= 10*time.Minute || since > 5*time.Hour {
			rs = append(rs, r)
		}
	}
	found, _ := Evaluate(y, nil, rs, noon.Add(48*time.Hour), DefaultSettings())
	told := 0.0
	for _, f := range found {
		if f.Kind == outyard.Handling {
			told += f.Fact("change_kg")
		}
	}
	require.InDelta(t, 6-25, told, 0.5)
}
