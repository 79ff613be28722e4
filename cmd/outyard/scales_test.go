package main

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestScalesTellWhatADegreeAdds(t *testing.T) {
	yard := outyard.Yard{ID: "y", Latitude: 48.8, Longitude: -123.3, Zone: time.UTC, Hives: []outyard.Hive{{ID: "warm"}, {ID: "true"}, {ID: "other"}}}
	var s scales
	c := s.newCourse(yard, nil)
	const addsKg = 0.02 // a degree, of the first scale; the others take no notice
	at := time.Date(2026, time.January, 1, 0, 0, 0, 0, time.UTC)
	_, ok := s.perDegree("y", "warm")
	require.False(t, ok, "nothing heard, nothing known")
	for i := range 30 * 24 * 2 {
		now := at.Add(time.Duration(i) * 30 * time.Minute)
		airC := 4 + 5*math.Sin(2*math.Pi*float64(i)/48) + 3*math.Sin(float64(i)/200)
		sky := outyard.NewReading("y", "", now)
		sky.Values[outyard.OutsideTemp], sky.Values[outyard.OutsideRH], sky.Values[outyard.Rain] = airC, 75, 0
		require.NoError(t, c.Observe(sky))
		for k, hive := range yard.Hives {
			r := outyard.NewReading("y", hive.ID, now)
			r.Values[outyard.Weight] = math.Round(100*(40-0.0015*float64(i)/2+map[bool]float64{true: addsKg}[k == 0]*(airC-15)))/100 + 0.01*float64(i*7%3-1)
			require.NoError(t, c.Observe(r))
		}
		c.Advance(now)
	}
	warm, ok := s.perDegree("y", "warm")
	require.True(t, ok)
	require.True(t, warm.Sure)
	require.InDelta(t, addsKg, warm.Kg, 0.006)
	still, ok := s.perDegree("y", "true")
	require.True(t, ok)
	require.InDelta(t, 0, still.Kg, 0.004)
	require.False(t, math.IsNaN(still.ErrorKg))
}
