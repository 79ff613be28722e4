package web

import (
	"math"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis/activity"
	"outyard/analysis/gain"
)

// aDay is a day of ten-minute weights by a line through knots of hour and kg.
func aDay(scatterKg float64, knots ...[2]float64) (hours, kg []float64) {
	for m := 0; m < 24*60; m += 10 {
		h := float64(m) / 60
		for i := 1; i < len(knots); i++ {
			if a, b := knots[i-1], knots[i]; h >= a[0] && h <= b[0] {
				hours = append(hours, h)
				kg = append(kg, a[1]+(b[1]-a[1])*(h-a[0])/(b[0]-a[0])+scatterKg*math.Sin(float64(m)))
				break
			}
		}
	}
	return hours, kg
}

func TestFlightText(t *testing.T) {
	midnight := time.Date(2027, 5, 13, 0, 0, 0, 0, pacific)
	flying := [][2]float64{{0, 50}, {8, 49.9}, {10, 49.3}, {15, 49.6}, {18.5, 51}, {24, 50.8}}
	still := [][2]float64{{0, 50}, {24, 49.9}}
	for _, tt := range []struct {
		name    string
		scatter float64
		knots   [][2]float64
		want    string
	}{
		{"a flying day is told with its hours and the bees' weight", 0.01, flying, "from about 08:00, home by 18:30; 0.60 kg out by 10:00"},
		{"a day on which none flew is not", 0.01, still, ""},
		{"nor one whose scale scatters too much to see", 0.4, flying, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, flightText(activity.Piecewise(aDay(tt.scatter, tt.knots...)), midnight))
		})
	}
	require.Empty(t, flightText(activity.Piecewise(nil, nil), midnight), "nothing heard, nothing told")
}

func TestFlightIsLeftAloneWhereSomebodyWorked(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	status, body, _ := get("/yards/heron-point/hives/h02")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, textOfPage(body), "Foragers yesterday, by its weight")
	o := testOptions()
	o.Now = func() time.Time { return local(11, 9, 0) } // the day after a box was put on h01
	_, get = visit(t, seed(t), o)
	_, body, _ = get("/yards/heron-point/hives/h01")
	require.NotContains(t, textOfPage(body), "Foragers yesterday")

	require.True(t, disturbed([]outyard.Finding{{Kind: outyard.Swarm, State: outyard.Open}}))
	require.False(t, disturbed([]outyard.Finding{{Kind: outyard.Swarm, State: outyard.Withdrawn}, {Kind: outyard.Damp, State: outyard.Open}}))
}

func TestAHivesPageTellsWhatWarmthDoesToItsScale(t *testing.T) {
	for _, c := range []struct {
		name  string
		scale gain.PerDegree
		known bool
		want  string // "" for no line
	}{
		{"a scale that shows more in warmth", gain.PerDegree{Kg: 0.0092, ErrorKg: 0.001, Sure: true}, true, "9 g more for each degree warmer, taken out of the gains"},
		{"one that shows less", gain.PerDegree{Kg: -0.0148, ErrorKg: 0.001, Sure: true}, true, "15 g less for each degree warmer, taken out of the gains"},
		{"one that was watched and takes no notice", gain.PerDegree{Kg: 0.001, ErrorKg: 0.001}, true, "takes no notice"},
		{"one of which too little is known", gain.PerDegree{Kg: 0.004, ErrorKg: 0.009}, true, ""},
		{"one that was never heard", gain.PerDegree{}, false, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := testOptions()
			o.PerDegree = func(yard outyard.YardID, hive outyard.HiveID) (gain.PerDegree, bool) {
				require.Equal(t, outyard.YardID("heron-point"), yard)
				require.Equal(t, outyard.HiveID("h02"), hive)
				return c.scale, c.known
			}
			_, get := visit(t, seed(t), o)
			status, body, _ := get("/yards/heron-point/hives/h02")
			require.Equal(t, http.StatusOK, status)
			if c.want == "" {
				require.NotContains(t, textOfPage(body), "Its scale and warmth")
			} else {
				require.Contains(t, textOfPage(body), c.want)
			}
		})
	}
}
