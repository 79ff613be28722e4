package analysis

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// weighedSeries turns weights a cadence apart into a hive's readings, without a probe.
func weighedSeries(y outyard.Yard, hive outyard.HiveID, from time.Time, every time.Duration, kg func(i int) float64, n int) []outyard.Reading {
	var rs []outyard.Reading
	for i := range n {
		r := outyard.NewReading(y.ID, hive, from.Add(time.Duration(i)*every))
		r.Values[outyard.Weight] = kg(i)
		rs = append(rs, r)
	}
	return rs
}

// Whatever a scale says, nothing panics, no number that is none comes out, and
// what only a scale could do is told neither as a swarm nor as a hive gone.
func TestWhatNoColonyDoesIsNoSwarm(t *testing.T) {
	y := testYard(t, "h1")
	start := time.Date(2027, 5, 18, 0, 4, 0, 0, y.Zone)
	rng := rand.New(rand.NewPCG(3, 4))
	usual := func(int) float64 { return 48 + 0.02*rng.NormFloat64() }
	noonOfThird := 2*144 + 72
	after := func(f func(kg float64) float64) func(i int) float64 {
		return func(i int) float64 {
			if i < noonOfThird {
				return usual(i)
			}
			return f(usual(i))
		}
	}
	for _, c := range []struct {
		name string
		n    int
		kg   func(i int) float64
	}{
		{"one reading only", 1, usual},
		{"two readings", 2, usual},
		{"all equal", 5 * 144, func(int) float64 { return 48 }},
		{"all nought", 5 * 144, func(int) float64 { return 0 }},
		{"all below nought", 5 * 144, func(i int) float64 { return usual(i) - 50 }},
		{"from kilograms to grams", 5 * 144, after(func(kg float64) float64 { return 1000 * kg })},
		{"from kilograms to pounds", 5 * 144, after(func(kg float64) float64 { return kg / 0.45359237 })},
		{"from pounds to kilograms", 5 * 144, func(i int) float64 {
			if i < noonOfThird {
				return usual(i) / 0.45359237
			}
			return usual(i)
		}},
		{"any weight at all", 5 * 144, func(int) float64 { return 100 * rng.Float64() }},
		{"any weight from noon of the third day on", 5 * 144, after(func(float64) float64 { return 100 * rng.Float64() })},
		{"never known", 5 * 144, func(int) float64 { return outyard.Unknown }},
	} {
		t.Run(c.name, func(t *testing.T) {
			rs := weighedSeries(y, "h1", start, 10*time.Minute, c.kg, c.n)
			found, days := Evaluate(y, nil, rs, start.AddDate(0, 0, 6), DefaultSettings())
			require.NotContains(t, kinds(found, "h1"), outyard.Swarm)
			require.NotContains(t, kinds(found, "h1"), outyard.KnockedOver)
			for _, f := range found {
				_, err := json.Marshal(f)
				require.NoError(t, err, f.Summary)
				require.False(t, math.IsNaN(f.Confidence))
			}
			for _, d := range days {
				require.False(t, math.IsInf(d.GainKg, 0))
			}
		})
	}
}

// After weeks without a word a hive may weigh anything: that is no swarm of the
// day on which it is heard again.
func TestAGapOfWeeksIsNoStep(t *testing.T) {
	y := testYard(t, "h1", "h2")
	start := time.Date(2027, 5, 1, 0, 4, 0, 0, y.Zone)
	rng := rand.New(rand.NewPCG(5, 6))
	for _, changeKg := range []float64{-4, -2, 3, 12} {
		rs := weighedSeries(y, "h1", start, 10*time.Minute, func(int) float64 { return 48 + 0.02*rng.NormFloat64() }, 3*144)
		back := start.AddDate(0, 0, 24).Add(12 * time.Hour)
		rs = append(rs, weighedSeries(y, "h1", back, 10*time.Minute, func(int) float64 { return 48 + changeKg + 0.02*rng.NormFloat64() }, 3*144)...)
		found, _ := Evaluate(y, nil, rs, back.AddDate(0, 0, 4), DefaultSettings())
		require.NotContains(t, kinds(found, "h1"), outyard.Swarm, "%.0f kg", changeKg)
		require.NotContains(t, kinds(found, "h1"), outyard.KnockedOver, "%.0f kg", changeKg)
	}
}

// A scale that is set anew shows another weight from then on: work on the hive,
// no gain of the colony's, and nothing but that.
func TestAScaleSetAnewIsTheKeepersWork(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	for _, offsetKg := range []float64{-5, -2, 2.5, 6} {
		s := still.during(offsetKg, noon.Add(5*time.Minute), noon.AddDate(0, 0, 9)).during(-47.5, noon, noon.Add(9*time.Minute))
		rs := readings(y, "h1", noon, 5*time.Minute, s)
		for _, id := range []outyard.HiveID{"h2", "h3"} {
			rs = append(rs, readings(y, id, noon, 5*time.Minute, still)...)
		}
		found, days := Evaluate(y, nil, rs, noon.Add(48*time.Hour), DefaultSettings())
		require.Equal(t, []outyard.Kind{outyard.Handling}, kinds(found, "h1"), "%.1f kg", offsetKg)
		require.InDelta(t, offsetKg, found[0].Fact("change_kg"), 0.3)
		for _, d := range days {
			if d.Hive == "h1" && d.Date == outyard.DateOf(noon, y.Zone) {
				require.InDelta(t, 0, d.GainKg, 0.3)
			}
		}
	}
}

// Snow comes to every hive, over hours, in cold air, and is nobody's work.
func TestSnowIsNotTheKeepersWork(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	at := time.Date(2027, 1, 20, 9, 4, 0, 0, y.Zone)
	snow := func(kgAnHour float64) shape {
		return shape{kg: func(t time.Time) float64 { return kgAnHour * min(5, max(0, t.Sub(at).Hours())) }}
	}
	for _, kgAnHour := range []float64{0.3, 0.8, 1.2, 2, 3} {
		var rs []outyard.Reading
		for _, id := range []outyard.HiveID{"h1", "h2", "h3"} {
			rs = append(rs, readings(y, id, at, 10*time.Minute, snow(kgAnHour))...)
		}
		found, _ := Evaluate(y, nil, rs, at.Add(48*time.Hour), DefaultSettings())
		for _, id := range []outyard.HiveID{"h1", "h2", "h3"} {
			require.NotContains(t, kinds(found, id), outyard.Handling, "%.1f kg an hour", kgAnHour)
			require.NotContains(t, kinds(found, id), outyard.Swarm, "%.1f kg an hour", kgAnHour)
		}
	}
}

// A round of the yard on a cold day leaves a blip at each hive and no more;
// one such blip alone means nothing.
func TestARoundOfTheYardThatLeavesOnlyBlips(t *testing.T) {
	ids := []outyard.HiveID{"h1", "h2", "h3", "h4", "h5"}
	y := testYard(t, ids...)
	at := time.Date(2027, 12, 12, 11, 4, 0, 0, y.Zone)
	for _, c := range []struct {
		name    string
		visited int
		want    int
	}{{"at all of them", 5, 5}, {"at one", 1, 0}, {"at two", 2, 0}} {
		t.Run(c.name, func(t *testing.T) {
			var rs []outyard.Reading
			for i, id := range ids {
				s := still
				if i < c.visited {
					from := at.Add(time.Duration(10*i) * time.Minute)
					s = still.during(0.25, from, from.Add(8*time.Minute))
				}
				rs = append(rs, readings(y, id, at, 10*time.Minute, s)...)
			}
			found, _ := Evaluate(y, nil, rs, at.Add(48*time.Hour), DefaultSettings())
			n := 0
			for _, f := range found {
				if f.Kind == outyard.Handling {
					n++
				}
			}
			require.Equal(t, c.want, n)
		})
	}
}
