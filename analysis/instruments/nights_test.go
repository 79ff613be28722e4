package instruments

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// zeros plays so many nights of ten hours of three or more hives, the first of
// which has a scale of its own kind, and returns what is said of it. The air
// cools by 1 to 9 K; where wet, rain makes all hives heavier on every other
// night.
func zeros(hives, nights int, wet bool, scale func(night int, hour, cooledK float64, noise *rand.Rand) float64) []outyard.Finding {
	f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
	first := outyard.DateOf(start, yardZone)
	noise := rand.New(rand.NewPCG(3, 9))
	ids := []outyard.HiveID{"h01", "h02", "h03", "h04"}[:hives]
	for _, id := range ids {
		r := outyard.NewReading("heron-point", id, start)
		r.Values[outyard.Weight] = 34
		f.Observe(r)
	}
	for night := range nights {
		cools := 1 + 8*noise.Float64()
		rain := wet && night%2 == 0
		var all []HiveNight
		for i, id := range ids {
			kg := make([]float64, 10)
			for hour := range kg {
				h := float64(hour)
				kg[hour] = 34 - 0.01*h - 0.001*h*float64(i) + 0.01*noise.NormFloat64()
				if rain {
					kg[hour] += 0.5 * h / 9
				}
				if i == 0 {
					kg[hour] += scale(night, h, cools*h/9, noise)
				}
			}
			all = append(all, HiveNight{Hive: id, Kg: kg})
		}
		rainMm := 0.0
		if rain {
			rainMm = 6
		}
		f.Night(first.Add(night), all, NightAir{rainMm, -cools, 8})
	}
	return f.Findings()
}

// The rates are those of invented seasons (common practice, no source).
func TestAScaleWhoseZeroMovesIsSaid(t *testing.T) {
	walk := 0.0
	swimming := func(_ int, _, _ float64, noise *rand.Rand) float64 {
		walk += 0.2 * noise.NormFloat64() // a kilogram a day
		return walk
	}
	still := func(int, float64, float64, *rand.Rand) float64 { return 0 }
	follows := func(_ int, _, cooledK float64, _ *rand.Rand) float64 { return 0.12 * -cooledK }
	for _, c := range []struct {
		says          string
		hives, nights int
		wet           bool
		scale         func(int, float64, float64, *rand.Rand) float64
		want          string
	}{
		{"a sound scale is let be", 3, 40, false, still, ""},
		{"nor does rain on all make one swim", 3, 40, true, still, ""},
		{"one that swims is said within days", 3, 6, false, swimming, "swimming"},
		{"in a wet month too", 3, 8, true, swimming, "swimming"},
		{"where the other hive shows that it is dry", 2, 6, false, swimming, "swimming"},
		{"and without another hive, the weather being known", 1, 6, false, swimming, "swimming"},
		{"one that follows the warmth by 0.12 kg/K", 4, 14, false, follows, "following the warmth"},
		{"but not by the 0.02 kg/K of a cheap cell", 4, 40, false,
			func(_ int, _, cooledK float64, _ *rand.Rand) float64 { return 0.02 * -cooledK }, ""},
		{"a storm on the lid is no swimming", 3, 40, false,
			func(_ int, _, _ float64, noise *rand.Rand) float64 { return 0.02 * noise.NormFloat64() }, ""},
		{"a strong colony that dries nectar by night only loses", 3, 40, false,
			func(night int, hour, _ float64, _ *rand.Rand) float64 { return -0.05 * hour }, ""},
		{"one night's push, by a deer, is none", 3, 40, false,
			func(night int, hour, _ float64, _ *rand.Rand) float64 {
				if night == 20 && hour > 4 {
					return 3
				}
				return 0
			}, ""},
	} {
		t.Run(c.says, func(t *testing.T) {
			walk = 0
			found := zeros(c.hives, c.nights, c.wet, c.scale)
			if c.want == "" {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			require.Equal(t, c.want, found[0].Facts["fault"])
			require.Equal(t, outyard.HiveID("h01"), found[0].Hive)
			require.Equal(t, outyard.Open, found[0].State)
		})
	}
}

func TestWhatComesEveryNightIsNoSwimming(t *testing.T) {
	// Wood takes up moisture as the air cools: this box so much as 0.2 kg.
	found := zeros(3, 40, false, func(_ int, hour, _ float64, noise *rand.Rand) float64 {
		return 0.2*hour/9 + 0.02*noise.NormFloat64()
	})
	require.Empty(t, found)
}

func TestAScaleThatDriftsMayStickToo(t *testing.T) {
	f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
	noise := rand.New(rand.NewPCG(5, 5))
	send := func(from, days int, kg func() float64) {
		for i := range days * 24 * 6 {
			r := outyard.NewReading("heron-point", "h01", start.AddDate(0, 0, from).Add(time.Duration(i)*10*time.Minute))
			r.Values[outyard.Weight] = kg()
			f.Observe(r)
		}
	}
	send(0, 4, func() float64 { return 34 + 0.05*noise.NormFloat64() })
	for night := range 6 {
		swam := 0.5 * float64(1-2*(night%2)) // up and down
		f.Night(outyard.DateOf(start, yardZone).Add(night), []HiveNight{{Hive: "h01", Kg: []float64{34, 34, 34 + swam}},
			{Hive: "h02", Kg: []float64{34, 34, 34}}, {Hive: "h03", Kg: []float64{34, 34, 34}}}, NightAir{0, -3, 8})
	}
	send(6, 1, func() float64 { return 33.5 })
	var said []string
	for _, x := range f.Findings() {
		said = append(said, x.Facts["fault"].(string))
	}
	require.Equal(t, []string{"swimming", "stuck"}, said)
}

func TestSnowOnAHiveAloneIsNoSwimming(t *testing.T) {
	for _, c := range []struct {
		says   string
		coldC  float64
		faults int
	}{
		{"in frost, when the gauge shows nothing", -4, 0},
		{"by 8 °C no snow lies, and the zero moves", 8, 1},
	} {
		t.Run(c.says, func(t *testing.T) {
			f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
			r := outyard.NewReading("heron-point", "h01", start)
			r.Values[outyard.Weight] = 34
			f.Observe(r)
			for night := range 12 {
				kg := make([]float64, 10)
				for hour := range kg {
					kg[hour] = 34 - 0.01*float64(hour)
					if night%3 == 0 {
						kg[hour] += 0.12 * float64(hour) // 20 mm of snow water on half a square metre, by morning some kilograms
					}
				}
				f.Night(outyard.DateOf(start, yardZone).Add(night), []HiveNight{{Hive: "h01", Kg: kg}}, NightAir{0, -3, c.coldC})
			}
			require.Len(t, f.Findings(), c.faults)
		})
	}
}

func TestAScaleThatHasDriedIsTrustedAgain(t *testing.T) {
	walk := 0.0
	found := zeros(3, 30, false, func(night int, _, _ float64, noise *rand.Rand) float64 {
		if night < 10 {
			walk += 0.2 * noise.NormFloat64()
		}
		return walk
	})
	require.Len(t, found, 1)
	require.Equal(t, outyard.Over, found[0].State)
	require.InDelta(t, 10, found[0].End.Sub(start).Hours()/24, 2, "days after it began")
}

func TestAScaleThatSinksIsToldFromAColonyThatEats(t *testing.T) {
	for _, c := range []struct {
		says         string
		own, othersA float64 // kg a day
		said         bool
	}{
		{"0.3 kg a day more than the others, in cold and wet too", -0.35, -0.05, true},
		{"a strong colony uses up to twice as much", -0.12, -0.05, false},
		{"after a flow all lose, and the strong more", -0.6, -0.3, false},
	} {
		t.Run(c.says, func(t *testing.T) {
			f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
			r := outyard.NewReading("heron-point", "h01", start)
			r.Values[outyard.Weight] = 34
			f.Observe(r)
			for day := range 20 {
				wave := 0.02 * math.Sin(float64(day))
				f.Day(outyard.DateOf(start, yardZone).Add(day), []HiveGain{{"h01", c.own + wave, false},
					{"h02", c.othersA - wave, false}, {"h03", c.othersA, false}}, 8, 0)
			}
			if !c.said {
				require.Empty(t, f.Findings())
				return
			}
			require.Equal(t, "sinking", f.Findings()[0].Facts["fault"])
		})
	}
}
