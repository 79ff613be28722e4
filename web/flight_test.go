package web

import (
	"math"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis/activity"
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
