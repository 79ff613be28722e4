package analysis

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis/instruments"
)

func TestAScaleThatMovesByItselfIsNoNeighbour(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	from := time.Date(2027, 6, 2, 0, 0, 0, 0, y.Zone)
	to := from.AddDate(0, 0, 1)
	c := NewCourse(y, nil, DefaultSettings())
	for at := from; !at.After(to); at = at.Add(10 * time.Minute) {
		days := at.Sub(from).Hours() / 24
		for id, kg := range map[outyard.HiveID]float64{"h1": 40, "h2": 41 - 0.2*days, "h3": 42 - 0.9*days} {
			r := outyard.NewReading(y.ID, id, at)
			r.Values[outyard.Weight] = kg
			require.NoError(t, c.Observe(r))
		}
	}
	mates := func() (hives int, quietKg float64) {
		day, known := c.daylight(outyard.DateOf(from, y.Zone), from, to, time.Time{})
		require.True(t, known)
		quietKg, _ = c.commonKg(c.hives["h1"], from.Add(time.Hour), to.Add(-time.Hour))
		return len(day.Hives), quietKg
	}
	hives, kg := mates()
	require.Equal(t, 3, hives)
	require.InDelta(t, -0.18, kg, 0.01, "of h2 and h3 over 22 hours the one in the middle, h2")
	c.hives["h2"].moving = []instruments.Span{{From: from.AddDate(0, 0, -9)}}
	hives, kg = mates()
	require.Equal(t, 2, hives)
	require.InDelta(t, -0.83, kg, 0.01, "of h3 alone")
}

func TestWhatIsPutOnAHiveMayDryAndIsNoScaleThatSinks(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	for _, c := range []struct {
		says  string
		addKg float64
		sinks bool
	}{
		{"a hive that loses 0.5 kg a day by night and day has a scale that sinks", 0, true},
		{"but not for days after somebody put 6 kg on it", 6, false},
	} {
		t.Run(c.says, func(t *testing.T) {
			course := NewCourse(y, nil, DefaultSettings())
			start := time.Date(2027, 9, 1, 0, 0, 0, 0, y.Zone)
			sinks := false
			for at := start; at.Before(start.AddDate(0, 0, 34)); at = at.Add(10 * time.Minute) {
				days := at.Sub(start).Hours() / 24
				for _, id := range []outyard.HiveID{"h1", "h2", "h3"} {
					r := outyard.NewReading(y.ID, id, at)
					kg := 40 - 0.08*days
					if id == "h1" && days > 15.5 {
						kg += c.addKg - 0.5*(days-15.5)
					}
					r.Values[outyard.Weight] = kg + 0.004*float64(at.Unix()/600%5)
					require.NoError(t, course.Observe(r))
				}
				w := outyard.NewReading(y.ID, "", at)
				w.Values[outyard.OutsideTemp], w.Values[outyard.Rain] = 18, 0
				require.NoError(t, course.Observe(w))
			}
			for _, f := range course.Findings() {
				sinks = sinks || f.Facts["fault"] == "sinking"
			}
			require.Equal(t, c.sinks, sinks)
		})
	}
}
