package gain

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis/robust"
)

// A wetSeason is invented hour by hour, by other rules than the filter's: wood
// that takes up a fixed share of what falls until it is full and dries by so
// many grams an hour while the sun shines.
type wetSeason struct {
	hives     int
	days      int
	noWeather bool
	inside    bool // without weather, the hives' insides are felt, 2 K above the air
	winter    float64
	noiseKg   float64
	nectarKg  float64             // a fine day's
	perKKg    float64             // what a degree adds to the first hive's scale
	coldBy    float64             // °C below a summer's temperature
	rain      map[int][24]float64 // mm by day and hour
	gone      map[int]bool        // days without readings
	random    *rand.Rand
}

// run returns the errors of each hive's daily gain after the first ten days, and those
// that taking no water out would have made.
func (s *wetSeason) run(t *testing.T) (w *Water, errKg, rawErrKg []float64) {
	t.Helper()
	s.random = rand.New(rand.NewPCG(11, 12))
	w = NewWater(DefaultWaterSettings())
	colony, water := make([]float64, s.hives), make([]float64, s.hives)
	for i := range colony {
		colony[i] = 30 + 3*float64(i)
	}
	anomaly := 0.0
	for day := range s.days {
		anomaly = 0.6*anomaly + 2*s.random.NormFloat64()
		sky := make([]Sky, 24)
		hives := make([]HiveHours, s.hives)
		for i := range hives {
			hives[i] = HiveHours{Hive: outyard.HiveID(fmt.Sprint("h", i)), Kg: make([]float64, 24)}
		}
		colony0, water0 := append([]float64(nil), colony...), append([]float64(nil), water...)
		for h := range sky {
			tempC := 17 - s.coldBy + anomaly - 6*math.Cos(2*math.Pi*float64(h-3)/24)
			mm := s.rain[day][h]
			dark := h < 5 || h >= 21
			flies := !dark && h >= 8 && h < 19 && mm == 0 && tempC > 12
			for i := range colony {
				holds := 0.4 + 0.15*float64(i%4)
				switch {
				case tempC < 1:
					water[i] += 0.2 * mm
				case mm > 0:
					water[i] = max(water[i], min(holds, water[i]+0.05*mm))
				case h >= 9 && h < 20:
					water[i] = max(water[i]-0.02-0.1*max(tempC-3, 0)*max(water[i]-holds, 0), 0)
				}
				if flies {
					colony[i] += s.nectarKg / 11
				}
				colony[i] -= 0.004 + 0.25*s.nectarKg/24
				kg := colony[i] + water[i] + s.noiseKg*s.random.NormFloat64()
				if i == 0 {
					kg += s.perKKg * (tempC - 15)
				}
				hives[i].Kg[h] = kg
			}
			sky[h] = Sky{Dark: dark, TempC: tempC, RHPct: 65 - 20*math.Sin(2*math.Pi*float64(h-9)/24), RainMm: mm}
			if mm > 0 {
				sky[h].RHPct = 96
			}
			if s.noWeather {
				sky[h] = Sky{Dark: dark, TempC: outyard.Unknown, AtMostC: outyard.Unknown, RHPct: outyard.Unknown, RainMm: outyard.Unknown, Winter: s.winter}
				if s.inside {
					sky[h].AtMostC = tempC + 2
				}
			}
		}
		if s.gone[day] {
			w.Day(sky, nil)
			continue
		}
		for i, b := range w.Day(sky, hives) {
			require.Len(t, b.WaterKg, 25)
			require.False(t, math.IsNaN(b.GrewKg()))
			if day < 10 || s.gone[day-1] {
				continue
			}
			changed := colony[i] + water[i] - colony0[i] - water0[i]
			errKg = append(errKg, changed-b.GrewKg()-(colony[i]-colony0[i]))
			rawErrKg = append(rawErrKg, water[i]-water0[i])
		}
	}
	return w, errKg, rawErrKg
}

// nights rain 10 mm from nine in the evening on, every fourth night.
func nights(days int) map[int][24]float64 {
	rain := map[int][24]float64{}
	for d := 3; d < days; d += 4 {
		rain[d] = [24]float64{21: 5, 22: 4, 23: 1}
	}
	return rain
}

// mornings rain as much in daylight, after a few of the nights.
func mornings(days int) map[int][24]float64 {
	rain := nights(days)
	for d := 13; d < days; d += 8 {
		rain[d] = [24]float64{10: 5, 11: 4, 12: 1}
	}
	return rain
}

func TestWaterIsKeptOutOfTheGain(t *testing.T) {
	const days = 60
	for _, c := range []struct {
		name   string
		season wetSeason
		share  float64 // of the error that the water would have made, nine days in ten
		bias   float64
	}{
		{"rain by night on six hives, measured", wetSeason{hives: 6, nectarKg: 0.8, rain: nights(days)}, 0.45, 0.02},
		{"rain by night on six hives that nobody measured", wetSeason{hives: 6, nectarKg: 0.8, rain: nights(days), noWeather: true}, 0.6, 0.03},
		{"rain by night on one hive", wetSeason{hives: 1, nectarKg: 0.8, rain: nights(days)}, 0.45, 0.02},
		{"rain by day, which the nights have taught", wetSeason{hives: 4, nectarKg: 0.8, rain: mornings(days)}, 0.5, 0.03},
		{"rain in a dearth", wetSeason{hives: 4, rain: mornings(days)}, 0.45, 0.02},
		{"rain in a mild winter", wetSeason{hives: 4, rain: mornings(days), coldBy: 11}, 0.35, 0.02},
		{"snow in a yard whose hives alone are felt", wetSeason{hives: 4, coldBy: 22, rain: nights(days), noWeather: true, inside: true}, 0.25, 0.03},
		{"snow in a yard where only the season is known", wetSeason{hives: 4, coldBy: 22, rain: nights(days), noWeather: true, winter: 1}, 0.25, 0.03},
		{"snow, ten kilograms of it", wetSeason{hives: 4, coldBy: 22, rain: nights(days)}, 0.15, 0.03},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.season.days, c.season.noiseKg = days, 0.01
			_, errKg, rawErrKg := c.season.run(t)
			require.LessOrEqual(t, quantileAbs(errKg, 0.9), c.share*quantileAbs(rawErrKg, 0.9), "raw %.3f", quantileAbs(rawErrKg, 0.9))
			require.InDelta(t, 0, mean(errKg), c.bias)
		})
	}
}

func TestAFlowIsNotTakenForWater(t *testing.T) {
	s := wetSeason{hives: 5, days: 40, noiseKg: 0.01, nectarKg: 4}
	_, errKg, _ := s.run(t)
	require.Less(t, quantileAbs(errKg, 0.9), 0.05)
}

func TestWhatADegreeAddsIsLearnt(t *testing.T) {
	for _, c := range []struct {
		name   string
		perKKg float64
	}{
		{"a scale that shows 25 g more for each degree", 0.025},
		{"one that shows 15 g less", -0.015},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := wetSeason{hives: 3, days: 60, noiseKg: 0.01, nectarKg: 0.2, perKKg: c.perKKg}
			w, _, _ := s.run(t)
			first, second := w.PerDegree("h0"), w.PerDegree("h1")
			require.True(t, first.Sure)
			require.InDelta(t, c.perKKg, first.Kg, 0.3*math.Abs(c.perKKg))
			require.Less(t, math.Abs(second.Kg), 0.004, "a scale that does not mind")
		})
	}
	require.False(t, NewWater(DefaultWaterSettings()).PerDegree("h7").Sure, "nothing is known of a hive that was never heard")
}

func TestWaterAfterAGapIsNotGuessed(t *testing.T) {
	s := wetSeason{hives: 2, days: 60, noiseKg: 0.01, nectarKg: 3, gone: map[int]bool{}}
	for d := 20; d < 41; d++ {
		s.gone[d] = true
	}
	_, errKg, _ := s.run(t)
	require.Less(t, quantileAbs(errKg, 1), 0.3, "thirty kilograms of honey in three weeks of silence are no water")
}

func TestNoHoursAreTooBadForWater(t *testing.T) {
	unknown := Sky{TempC: outyard.Unknown, AtMostC: outyard.Unknown, RHPct: outyard.Unknown, RainMm: outyard.Unknown}
	odd := []Sky{unknown, {Dark: true, TempC: 5, RHPct: 100, RainMm: 500}, {TempC: -40, RHPct: 0, RainMm: 3}, {TempC: 60, RHPct: 120}}
	for _, c := range []struct {
		name string
		kg   func(hour int) float64
	}{
		{"nothing known", func(int) float64 { return outyard.Unknown }},
		{"all equal", func(int) float64 { return 30 }},
		{"one reading", func(h int) float64 {
			if h == 7 {
				return 30
			}
			return outyard.Unknown
		}},
		{"jumps of a hundred kilograms", func(h int) float64 { return float64(h%2) * 100 }},
		{"below nought", func(h int) float64 { return -float64(h) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := NewWater(DefaultWaterSettings())
			for day := range 50 {
				sky, kg := make([]Sky, 24), make([]float64, 24)
				for h := range sky {
					sky[h], kg[h] = odd[(day+h)%len(odd)], c.kg(h)
				}
				for _, b := range w.Day(sky, []HiveHours{{Hive: "a", Kg: kg}}) {
					for _, v := range append(b.WaterKg, b.GrewKg()) {
						require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
					}
					require.GreaterOrEqual(t, b.WaterKg[24], 0.0)
				}
			}
		})
	}
	require.Empty(t, NewWater(DefaultWaterSettings()).Day(nil, nil))
}

func quantileAbs(x []float64, p float64) float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = math.Abs(v)
	}
	return robust.Quantile(p, y)
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}
