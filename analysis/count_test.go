package analysis

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard/analysis/condition"
)

func TestTheDailyTableSaysHowWarmAHiveWas(t *testing.T) {
	midnight := time.Date(2027, time.February, 7, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		says   string
		probeC float64
		lying  time.Time
		want   float64
	}{
		{"as warm as a nest", 35, time.Time{}, 35},
		{"as cold as boxes without bees", -4, time.Time{}, -4},
		{"until the probe began to lie", 35, midnight.Add(6 * time.Hour), 35},
		{"not at all, where it lied all day", 35, midnight, math.NaN()},
		{"nor where it was 44 °C by night and day, before anybody could tell why", 44, time.Time{}, math.NaN()},
	} {
		t.Run(c.says, func(t *testing.T) {
			var day []condition.Sample
			for hour := range 24 {
				s := condition.Sample{Time: midnight.Add(time.Duration(hour) * time.Hour), InsideTempC: c.probeC}
				if !c.lying.IsZero() && !s.Time.Before(c.lying) {
					s.InsideTempC = -127
				}
				day = append(day, s)
			}
			require.InDelta(t, c.want, insideTempC(day, c.lying), 1e-9)
		})
	}
}
