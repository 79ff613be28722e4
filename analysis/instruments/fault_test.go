package instruments

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// A play is what one hive's sensors show at an hour and a tenth since the start.
type play func(hour float64, r *outyard.Reading)

// sound is a hive with a cluster in spring: the weight moves a little, the
// probe follows the day.
func sound(hour float64, r *outyard.Reading) {
	noise := rand.New(rand.NewPCG(7, uint64(hour*10)))
	day := math.Sin(2 * math.Pi * hour / 24)
	r.Values[outyard.Weight] = math.Round(100*(34-0.002*hour+0.03*day+0.012*noise.NormFloat64())) / 100
	r.Values[outyard.InsideTemp] = math.Round(10*(18+3*day+0.1*noise.NormFloat64())) / 10
	r.Values[outyard.InsideRH] = math.Round(10*(70-6*day+0.7*noise.NormFloat64())) / 10
}

// measured plays a hive for so many days beside a weather node, and returns
// the findings and how many readings of the probe's warmth were believed.
func measured(days int, hive play) (found []outyard.Finding, believed int) {
	f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
	for tenth := range days * 24 * 6 {
		hour := float64(tenth) / 6
		at := start.Add(time.Duration(tenth) * 10 * time.Minute)
		w := outyard.NewReading("heron-point", "", at)
		w.Values[outyard.OutsideTemp] = math.Round(10*(9+5*math.Sin(2*math.Pi*hour/24)+0.01*math.Mod(hour, 7))) / 10
		f.Observe(w)
		r := outyard.NewReading("heron-point", "h01", at)
		sound(hour, &r)
		hive(hour, &r)
		if r.Empty() {
			continue
		}
		r, _ = f.Observe(r)
		if outyard.Known(r.Values[outyard.InsideTemp]) {
			believed++
		}
	}
	return f.Findings(), believed
}

// cold is a hive without bees, by a probe whose degrees are stretched and
// shifted.
func cold(stretch, shiftK float64) play {
	return func(hour float64, r *outyard.Reading) {
		c := 2 + 0.8*math.Sin(2*math.Pi*hour/24) + 0.01*math.Mod(hour, 7)
		r.Values[outyard.InsideTemp] = math.Round(10*(stretch*c+shiftK)) / 10
	}
}

// stepped is a scale with a coarse step in wind, but for a calm from hour 120
// on, and up to an hour.
func stepped(hour, until, stepKg float64) float64 {
	noise := rand.New(rand.NewPCG(11, uint64(hour*10)))
	kg := 34.0
	if hour < 120 || hour >= until {
		kg += 0.45*stepKg + 0.35*stepKg*noise.NormFloat64() // near the edge of a step
	}
	return stepKg * math.Round(kg/stepKg)
}

func between(from, to float64, do play) play {
	return func(hour float64, r *outyard.Reading) {
		if hour >= from && hour < to {
			do(hour, r)
		}
	}
}

func shows(q outyard.Quantity, v float64) play {
	return func(_ float64, r *outyard.Reading) { r.Values[q] = v }
}

func TestWhichSensorLies(t *testing.T) {
	const onset = 120 // hours
	for _, c := range []struct {
		says     string
		hive     play
		quantity string // "" for no fault
		fault    string
		state    outyard.State
	}{
		{"a sound hive has none", func(float64, *outyard.Reading) {}, "", "", ""},
		{"a weight that does not move for half a day is stuck, and over when it moves",
			between(onset, onset+12, shows(outyard.Weight, 33.8)), "weight", "stuck", outyard.Over},
		{"and one wild reading between does not end it", between(onset, 1e9, func(hour float64, r *outyard.Reading) {
			if r.Values[outyard.Weight] = 33.8; math.Round(hour*6) == (onset+20)*6 {
				r.Values[outyard.Weight] = 60
			}
		}), "weight", "stuck", outyard.Open},
		{"two hours are no fault", between(onset, onset+2, shows(outyard.Weight, 33.8)), "", "", ""},
		{"a scale that shows tenths of a kilogram stands still every night", func(hour float64, r *outyard.Reading) {
			r.Values[outyard.Weight] = math.Round(10*(34-0.002*hour+0.2*math.Sin(2*math.Pi*hour/24))) / 10
		}, "", "", ""},
		{"and for two days, when a frost without wind follows on windy weeks: its cluster eats a step in five", func(hour float64, r *outyard.Reading) {
			r.Values[outyard.Weight] = stepped(hour, onset+48, 0.1)
		}, "", "", ""},
		{"but not for a week", func(hour float64, r *outyard.Reading) {
			r.Values[outyard.Weight] = stepped(hour, onset+168, 0.1)
		}, "weight", "stuck", outyard.Over},
		{"of a scale that shows ten grams, half a day says as much", func(hour float64, r *outyard.Reading) {
			r.Values[outyard.Weight] = stepped(hour, onset+15, 0.01)
		}, "weight", "stuck", outyard.Over},
		{"a hive that fell stands still from then on: that is no fault", between(onset, 1e9, shows(outyard.Weight, 12.5)), "", "", ""},
		{"but one that stands still after a box was taken does not lie less for that", func(hour float64, r *outyard.Reading) {
			r.Values[outyard.Weight] += 10
			between(onset, 1e9, shows(outyard.Weight, 37.4))(hour, r)
		}, "weight", "stuck", outyard.Open},
		{"a weight that is the one before in pounds is no box put on", between(onset, onset+30, func(hour float64, r *outyard.Reading) {
			r.Values[outyard.Weight] /= outyard.KgPerPound
		}), "weight", "pounds", outyard.Over},
		{"nor is it pounds when what was lifted off comes back", func(hour float64, r *outyard.Reading) {
			r.Values[outyard.Weight] += 10
			between(onset, onset+0.7, shows(outyard.Weight, 20))(hour, r)
		}, "", "", ""},
		{"a storm by night throws every reading off: that is no loose contact", func(hour float64, r *outyard.Reading) {
			if h := math.Mod(hour+2, 24); h < 8 { // 20 to 4 o'clock there
				gust := rand.New(rand.NewPCG(5, uint64(hour*10)))
				r.Values[outyard.Weight] += 0.7 * gust.NormFloat64()
			}
		}, "", "", ""},
		{"85 °C is a thermometer that was not read", between(onset, 1e9, shows(outyard.InsideTemp, 85)), "inside-temp", "unplugged", outyard.Open},
		{"-127 °C is one that is not there", between(onset, 1e9, shows(outyard.InsideTemp, -127)), "inside-temp", "unplugged", outyard.Open},
		{"nought for days is stuck", between(onset, 1e9, shows(outyard.InsideTemp, 0)), "inside-temp", "stuck", outyard.Open},
		{"34.5 °C for days is a brood nest, shown by a coarse sensor", between(onset, 1e9, shows(outyard.InsideTemp, 34.5)), "", "", ""},
		{"but not when a fine sensor, which showed its every breath, stays at one of them", func(hour float64, r *outyard.Reading) {
			noise := rand.New(rand.NewPCG(3, uint64(hour*10)))
			r.Values[outyard.InsideTemp] = math.Round(16*(34.6+0.2*noise.NormFloat64())) / 16
			between(onset, 1e9, shows(outyard.InsideTemp, 34.5625))(hour, r)
		}, "inside-temp", "stuck", outyard.Open},
		{"a probe mended is over", between(onset, onset+50, shows(outyard.InsideTemp, 85)), "inside-temp", "unplugged", outyard.Over},
		{"no humidity at all is no air", between(onset, 1e9, shows(outyard.InsideRH, 0)), "inside-rh", "unplugged", outyard.Open},
		{"100 % for two days without a break is a wet sensor", between(onset, 1e9, shows(outyard.InsideRH, 100)), "inside-rh", "saturated", outyard.Open},
		{"air that is full by 98, 99, 100 is damp, not a fault", between(onset, 1e9, func(hour float64, r *outyard.Reading) {
			r.Values[outyard.InsideRH] = math.Min(100, 99+math.Mod(math.Round(hour*10), 3)-1)
		}), "", "", ""},
		{"110 % is nothing", between(onset, 1e9, shows(outyard.InsideRH, 110)), "inside-rh", "out of range", outyard.Open},
		{"a cluster of 65 degrees, nights too, is one in Fahrenheit", func(_ float64, r *outyard.Reading) {
			r.Values[outyard.InsideTemp] = r.Values[outyard.InsideTemp]*9/5 + 32
		}, "inside-temp", "Fahrenheit", outyard.Open},
		{"nor need it be hot: a figure that is the one before in Fahrenheit, in air as moist, tells of itself",
			func(hour float64, r *outyard.Reading) {
				cold(1, 0)(hour, r)
				between(onset, onset+100, cold(9./5, 32))(hour, r)
			}, "inside-temp", "Fahrenheit", outyard.Over},
		{"a probe that goes from the cold into a nest is none, though 2 °C are 35.6 °F", func(hour float64, r *outyard.Reading) {
			cold(1, 0)(hour, r)
			if hour >= onset {
				r.Values[outyard.InsideTemp] = 35 + 0.1*math.Sin(hour)
				r.Values[outyard.InsideRH] -= 25
			}
		}, "", "", ""},
		{"nor one without a humidity", func(hour float64, r *outyard.Reading) {
			cold(1, 0)(hour, r)
			r.Values[outyard.InsideRH] = outyard.Unknown
			if hour >= onset {
				r.Values[outyard.InsideTemp] = 35 + 0.1*math.Sin(hour)
			}
		}, "", "", ""},
		{"so is a winter's box of 8 °C that says 46", func(hour float64, r *outyard.Reading) {
			r.Values[outyard.InsideTemp] = math.Round(10*((8+math.Sin(2*math.Pi*hour/24))*9/5+32)) / 10
		}, "inside-temp", "Fahrenheit", outyard.Open},
		{"nor is a probe that gave nought, plugged in again in the brood", func(hour float64, r *outyard.Reading) {
			if r.Values[outyard.InsideTemp] = 33.7 + 0.1*math.Sin(hour); hour > onset && hour < onset+6 {
				r.Values[outyard.InsideTemp] = 0
			}
		}, "", "", ""},
		{"a heat wave of 39 °C is none", between(onset, onset+9, shows(outyard.InsideTemp, 39.5)), "", "", ""},
		{"an hour of 55 °C in the sun is none", between(onset, onset+1, shows(outyard.InsideTemp, 55)), "", "", ""},
		{"a weight below nought for long is none", between(onset, 1e9, func(hour float64, r *outyard.Reading) { r.Values[outyard.Weight] -= 50 }), "weight", "out of range", outyard.Open},
		{"one wild reading is none", between(onset, onset+0.1, shows(outyard.Weight, 90)), "", "", ""},
		{"several in a week are a loose contact", between(onset, 1e9, func(hour float64, r *outyard.Reading) {
			if math.Mod(math.Round(hour*6), 100) == 0 {
				r.Values[outyard.Weight] += 20
			}
		}), "weight", "wild jumps", outyard.Open},
		{"and of two kilograms by night, when nobody works, too", between(onset, 1e9, func(hour float64, r *outyard.Reading) {
			if math.Mod(math.Round(hour*6), 144) == 18 { // 1 o'clock there
				r.Values[outyard.Weight] -= 2
			}
		}), "weight", "wild jumps", outyard.Open},
		{"a lid lifted every day is not", func(hour float64, r *outyard.Reading) {
			if h := math.Mod(hour, 24); h >= 13 && h < 13.1 { // 11 o'clock there
				r.Values[outyard.Weight] -= 6
			}
		}, "", "", ""},
		{"a probe that is no more sent is missing, told once for warmth and humidity", between(onset, 1e9, func(_ float64, r *outyard.Reading) {
			r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = outyard.Unknown, outyard.Unknown
		}), "inside-temp", "missing", outyard.Open},
		{"one that is sent every sixth hour is not", func(hour float64, r *outyard.Reading) {
			if math.Mod(math.Round(hour*6), 36) != 0 {
				r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = outyard.Unknown, outyard.Unknown
			}
		}, "", "", ""},
		{"nor is that of a hive that was taken away", between(onset, 1e9, func(_ float64, r *outyard.Reading) {
			r.Values[outyard.Weight] = 0
			r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = outyard.Unknown, outyard.Unknown
		}), "", "", ""},
		{"a node that is silent lies about nothing", between(onset, 1e9, func(_ float64, r *outyard.Reading) { *r = outyard.NewReading(r.Yard, r.Hive, r.Time) }), "", "", ""},
	} {
		t.Run(c.says, func(t *testing.T) {
			found, believed := measured(14, c.hive)
			if c.quantity == "" {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			f := found[0]
			require.Equal(t, outyard.SensorFault, f.Kind)
			require.Equal(t, c.quantity, f.Facts["quantity"])
			require.Equal(t, c.fault, f.Facts["fault"])
			require.Equal(t, c.state, f.State)
			require.NotContains(t, f.Summary, "NaN")
			if c.quantity == "inside-temp" && c.state == outyard.Open {
				require.Less(t, believed, 14*24*6*2/3, "and nothing is made of it")
			}
			if c.state == outyard.Over && c.fault == "Fahrenheit" {
				require.InDelta(t, onset, f.Onset.Sub(start).Hours(), 0.2)
				require.InDelta(t, onset+100, f.End.Sub(start).Hours(), 0.2)
			} else if c.fault != "Fahrenheit" && c.fault != "wild jumps" {
				require.InDelta(t, onset, f.Onset.Sub(start).Hours(), 0.2)
			}
		})
	}
}

func TestOneFaultDoesNotHideAnother(t *testing.T) {
	stuckAgain := func(hour float64, r *outyard.Reading) {
		if hour >= 200 && hour < 210 || hour >= 240 && hour < 245 {
			r.Values[outyard.Weight] = 33.33
		}
	}
	jumps := func(hour float64, r *outyard.Reading) {
		if h := int(math.Round(hour * 6)); h >= 900 && h < 1140 && h%40 == 0 {
			r.Values[outyard.Weight] += 20
		}
	}
	gone := func(hour float64, r *outyard.Reading) {
		r.Values[outyard.Weight] = 0.02 * math.Mod(math.Round(hour*6), 3)
		r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = outyard.Unknown, outyard.Unknown
		if math.Round(hour*6) == 1500 {
			r.Values[outyard.Weight] = 41
		}
	}
	for _, c := range []struct {
		says string
		hive play
		want []string
	}{
		{"a second spell, of five hours, is told as readily as the first", stuckAgain, []string{"stuck", "stuck"}},
		{"a scale that jumped within the week may stick", func(hour float64, r *outyard.Reading) { jumps(hour, r); stuckAgain(hour, r) }, []string{"wild jumps", "stuck", "stuck"}},
		{"where no hive stands no wild weight puts one, whose probe were missing", between(150, 1e9, gone), nil},
	} {
		t.Run(c.says, func(t *testing.T) {
			found, _ := measured(14, c.hive)
			var said []string
			for _, f := range found {
				said = append(said, f.Facts["fault"].(string))
			}
			require.Equal(t, c.want, said)
		})
	}
}

func TestAProbeIsInCelsiusAgainThatWasSetRightWhileNothingWasSent(t *testing.T) {
	f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
	send := func(from, to float64, fahrenheit bool, c func(hour float64) float64) {
		for hour := from; hour < to; hour += 1. / 6 {
			r := outyard.NewReading("heron-point", "h01", start.Add(time.Duration(math.Round(hour*6))*10*time.Minute))
			r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = math.Round(10*c(hour))/10, 60+math.Sin(hour)
			if fahrenheit {
				r.Values[outyard.InsideTemp] = math.Round(10*(c(hour)*1.8+32)) / 10
			}
			f.Observe(r)
		}
	}
	winter := func(hour float64) float64 { return 8 + 2*math.Sin(2*math.Pi*hour/24) }
	send(0, 48, false, winter)
	send(48, 96, true, winter)
	require.Equal(t, outyard.Open, f.Findings()[0].State)
	// No weather node tells how warm it is: 35 °C in spring would be 2 °C.
	send(96+24*60, 96+24*64, false, func(hour float64) float64 { return 34.8 + 0.3*math.Sin(hour) })
	require.Len(t, f.Findings(), 1)
	require.Equal(t, "Fahrenheit", f.Findings()[0].Facts["fault"])
	require.Equal(t, outyard.Over, f.Findings()[0].State)
}

// creeps plays so many dry, warm days and nights of three hives, of which the
// first one's scale moves at a rate by day and at another by night, kg a day,
// from a day on.
func creeps(days, from int, byDay, byNight float64) []outyard.Finding {
	f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
	date := outyard.DateOf(start, yardZone)
	noise := rand.New(rand.NewPCG(7, 1))
	for _, id := range []outyard.HiveID{"h01", "h02", "h03"} {
		r := outyard.NewReading("heron-point", id, start)
		r.Values[outyard.Weight] = 34
		f.Observe(r)
	}
	for day := range days {
		d, n := 0.0, 0.0
		if day >= from {
			d, n = byDay, byNight
		}
		var nights []HiveNight
		for i, id := range []outyard.HiveID{"h01", "h02", "h03"} {
			var kg []float64
			for hour := range 5 { // of a short night
				own := 0.0
				if i == 0 {
					own = n * float64(hour) / 24
				}
				kg = append(kg, 34-0.006*float64(hour)+own+0.005*noise.NormFloat64())
			}
			nights = append(nights, HiveNight{Hive: id, Kg: kg})
		}
		f.Night(date.Add(day), nights, NightAir{0, -6, 12})
		wave := 0.03 * noise.NormFloat64()
		f.Day(date.Add(day), []HiveGain{{"h01", -0.1 + d*16/24 + n*8/24 + wave, false}, {"h02", -0.1, false}, {"h03", -0.1 - wave, false}}, 26, 0)
	}
	return f.Findings()
}

func TestInWarmWeatherTheNightsSayWhetherAScaleMovesByItself(t *testing.T) {
	for _, c := range []struct {
		says           string
		byDay, byNight float64
		want           string
	}{
		{"up by night as by day is the scale", 0.4, 0.4, "drifting"},
		{"down by night as by day too", -0.4, -0.4, "sinking"},
		{"what comes by day alone the bees bring", 0.6, -0.1, ""},
		{"nor is one that by night loses, if less than those that dry nectar", 0.3, 0.12, ""},
		{"and what goes by day alone robbers take", -0.6, 0, ""},
		{"one that uses more than the others is stronger", -0.08, -0.08, ""},
	} {
		t.Run(c.says, func(t *testing.T) {
			found := creeps(40, 12, c.byDay, c.byNight)
			if c.want == "" {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			require.Equal(t, c.want, found[0].Facts["fault"])
			require.WithinDuration(t, start.AddDate(0, 0, 12), found[0].Onset, 36*time.Hour, "the day begins at local midnight")
		})
	}
}

func TestAScaleThatGainsByItself(t *testing.T) {
	for _, c := range []struct {
		says   string
		own    func(day int) float64
		others float64
		fed    bool
		maxC   float64
		faults int
	}{
		{"in cold weather, when none else gains", func(int) float64 { return 0.15 }, -0.04, false, 6, 1},
		{"a hive that loses like the rest does not", func(int) float64 { return -0.05 }, -0.04, false, 6, 0},
		{"nor does one that is fed", func(int) float64 { return 0.15 }, -0.04, true, 6, 0},
		{"nor one that gains in a flow", func(int) float64 { return 0.9 }, 0.4, false, 22, 0},
		{"nor robbers, who gain for some days", func(day int) float64 { return map[bool]float64{true: 1, false: -0.05}[day%6 < 3] }, -0.04, false, 8, 0},
		{"and in warm weather nobody can tell", func(int) float64 { return 0.15 }, -0.04, false, 20, 0},
		{"it may stop", func(day int) float64 { return map[bool]float64{true: 0.15, false: -0.04}[day < 20] }, -0.04, false, 6, 1},
	} {
		t.Run(c.says, func(t *testing.T) {
			f := NewFaults(outyard.Yard{ID: "heron-point", Zone: yardZone}, DefaultFaultSettings())
			r := outyard.NewReading("heron-point", "h01", start)
			r.Values[outyard.Weight] = 30
			f.Observe(r)
			date := outyard.DateOf(start, yardZone)
			for day := range 40 {
				f.Day(date.Add(day), []HiveGain{{"h01", c.own(day), c.fed}, {"h02", c.others, false}, {"h03", c.others - 0.01, false}}, c.maxC, 0)
			}
			found := f.Findings()
			require.Len(t, found, c.faults)
			if c.faults > 0 {
				require.Equal(t, "drifting", found[0].Facts["fault"])
				require.Equal(t, c.says == "it may stop", found[0].State == outyard.Over)
			}
		})
	}
}
