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

// winter invents what the nodes of a yard say from November on: hives that
// hold their cluster above the air outside, as wet as one another, and a
// weather node.
func winter(y outyard.Yard, from time.Time, days int) []outyard.Reading {
	const every = 30 * time.Minute
	var rs []outyard.Reading
	for i := range days * 48 {
		t := from.Add(time.Duration(i) * every)
		rng := rand.New(rand.NewPCG(11, uint64(i)))
		phase := math.Sin((float64(t.In(y.Zone).Hour()) - 9) / 24 * 2 * math.Pi)
		outC := 6 + 3*math.Sin(float64(i)/48/4) + 3*phase + 0.2*rng.NormFloat64()
		outRH := min(99, 86-5*phase+rng.NormFloat64())
		w := outyard.NewReading(y.ID, "", t)
		w.Values[outyard.OutsideTemp], w.Values[outyard.OutsideRH] = outC, outRH
		rs = append(rs, w)
		for k, h := range y.Hives {
			r := outyard.NewReading(y.ID, h.ID, t)
			r.Values[outyard.Weight] = 40 - 0.04*float64(i)/48 + 0.02*rng.NormFloat64()
			r.Values[outyard.InsideTemp] = 17 + 0.3*(outC-6) + 0.3*float64(k) + 0.1*rng.NormFloat64()
			r.Values[outyard.InsideRH] = 58 + float64(k) + 0.2*(outRH-86) + 0.5*rng.NormFloat64()
			rs = append(rs, r)
		}
	}
	return rs
}

// Whatever a probe says, nothing panics, no finding carries a number that is
// none, no day tells of a climate that nobody knows, and a hive whose sensor
// lies is not called damp for it.
func TestWhatAProbeSaysThatIsNotSo(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3", "h4")
	from := time.Date(2027, 11, 1, 0, 4, 0, 0, y.Zone)
	const days, good = 75, 35
	wrongFrom := from.AddDate(0, 0, good)
	rh := func(v float64) func(*outyard.Reading) {
		return func(r *outyard.Reading) { r.Values[outyard.InsideRH] = v }
	}
	temp := func(v float64) func(*outyard.Reading) {
		return func(r *outyard.Reading) { r.Values[outyard.InsideTemp] = v }
	}
	nan := outyard.Unknown
	for _, c := range []struct {
		says   string
		hive   outyard.HiveID // whose sensor it is; "" the weather's
		spoil  func(r *outyard.Reading)
		fault  bool // and it is told
		silent bool // nothing is sent at all
	}{
		{"nothing is wrong", "h2", func(*outyard.Reading) {}, false, false},
		{"humidity of 0 is a sensor that is not there", "h2", rh(0), true, false},
		{"humidity of 100 for weeks is a wet sensor", "h2", rh(100), true, false},
		{"humidity of 101 is that too", "h2", rh(101), true, false},
		{"humidity above what there is", "h2", rh(140), true, false},
		{"humidity that is no number is missing", "h2", rh(nan), true, false},
		{"humidity that does not move", "h2", rh(71.4), true, false},
		{"temperature in degrees Fahrenheit", "h2", func(r *outyard.Reading) {
			r.Values[outyard.InsideTemp] = r.Values[outyard.InsideTemp]*1.8 + 32
		}, true, false},
		{"temperature of an unplugged probe", "h2", temp(85), true, false},
		{"temperature of a probe that does not answer", "h2", temp(-127), true, false},
		{"temperature that does not move", "h2", temp(21.5), true, false},
		{"temperature that is no number is missing", "h2", temp(nan), true, false},
		{"infinite values", "h2", func(r *outyard.Reading) {
			r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = math.Inf(1), math.Inf(-1)
		}, true, false},
		{"no probe at all any more", "h2", func(r *outyard.Reading) {
			r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = nan, nan
		}, true, false},
		{"the weather's humidity at 100 for weeks may be fog", "", func(r *outyard.Reading) { r.Values[outyard.OutsideRH] = 100 }, false, false},
		{"the weather's thermometer unplugged", "", func(r *outyard.Reading) { r.Values[outyard.OutsideTemp] = -127 }, true, false},
		{"no outside data for the rest of the winter", "", nil, false, true},
		{"a hive not heard for weeks", "h2", nil, false, true},
	} {
		t.Run(c.says, func(t *testing.T) {
			var rs []outyard.Reading
			for _, r := range winter(y, from, days) {
				if r.Hive == c.hive && !r.Time.Before(wrongFrom) {
					if c.silent && r.Time.Before(wrongFrom.AddDate(0, 0, 30)) {
						continue
					}
					if c.spoil != nil {
						c.spoil(&r)
					}
				}
				rs = append(rs, r)
			}
			found, rows := Evaluate(y, nil, rs, from.AddDate(0, 0, days), DefaultSettings())
			faults := 0
			for _, f := range found {
				require.NotEqual(t, outyard.Damp, f.Kind, f.Summary)
				require.NotEqual(t, outyard.BroodCold, f.Kind, f.Summary)
				_, err := json.Marshal(f)
				require.NoError(t, err, "%s: no number may be none", f.Summary)
				require.NotContains(t, f.Summary, "NaN")
				require.NotContains(t, f.Summary, "Inf")
				if f.Kind != outyard.Handling {
					require.NotEmpty(t, f.Advice, f.Summary)
					require.NotEmpty(t, f.Caution, "what may hurt whoever goes and mends it: %s", f.Summary)
				}
				if f.Kind == outyard.SensorFault {
					faults++
					require.Equal(t, c.hive, f.Hive, f.Summary)
				}
			}
			if c.fault {
				require.NotZero(t, faults)
			} else {
				require.Zero(t, faults)
			}
			for _, d := range rows {
				for what, v := range map[string]float64{"mould index": d.MouldIndex, "wall": d.WallRHPct, "inside": d.BroodTempC, "gain": d.GainKg} {
					require.False(t, math.IsInf(v, 0), "%s of %s", what, d.Date)
				}
				require.False(t, d.MouldIndex < 0 || d.MouldIndex > 6, "mould index of %s", d.Date)
				require.False(t, d.WallRHPct < 0 || d.WallRHPct > 100, "wall of %s", d.Date)
				require.False(t, d.BroodTempC < -45 || d.BroodTempC > 50, "%s: %.0f °C, with %s", d.Date, d.BroodTempC, c.says)
			}
		})
	}
}

// summer invents what the nodes of a yard say from June on: brood nests, the
// air dry, and the weather.
func summer(y outyard.Yard, from time.Time, days int) []outyard.Reading {
	rs := winter(y, from, days)
	for i := range rs {
		r := &rs[i]
		if r.Hive == "" {
			r.Values[outyard.OutsideTemp] += 12
			r.Values[outyard.OutsideRH] -= 25
			continue
		}
		rng := rand.New(rand.NewPCG(5, uint64(i)))
		r.Values[outyard.InsideTemp] = 34.7 + 0.15*rng.NormFloat64()
		r.Values[outyard.InsideRH] = 57 + 1.2*rng.NormFloat64()
	}
	return rs
}

// The same of a probe in the brood, and of one that was wrong from the first.
func TestWhatAProbeSaysThatIsNotSoInTheBroodAndFromTheFirst(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3", "h4")
	const days = 40
	set := func(q outyard.Quantity, v float64) func(*outyard.Reading) {
		return func(r *outyard.Reading) { r.Values[q] = v }
	}
	fahrenheit := func(r *outyard.Reading) {
		r.Values[outyard.InsideTemp] = r.Values[outyard.InsideTemp]*1.8 + 32
	}
	for _, c := range []struct {
		says  string
		spoil func(*outyard.Reading)
		// What it is told to be from the first on, and from the twentieth day on; ""
		// for nothing.
		first, later string
	}{
		{"nothing is wrong", func(*outyard.Reading) {}, "", ""},
		{"humidity of 0", set(outyard.InsideRH, 0), "unplugged", "unplugged"},
		{"humidity of 100", set(outyard.InsideRH, 100), "saturated", "saturated"},
		{"humidity of 101", set(outyard.InsideRH, 101), "saturated", "saturated"},
		{"humidity that is no number", set(outyard.InsideRH, outyard.Unknown), "", "missing"},
		{"degrees Fahrenheit", fahrenheit, "Fahrenheit", "Fahrenheit"},
		{"85 °C", set(outyard.InsideTemp, 85), "unplugged", "unplugged"},
		{"-127 °C", set(outyard.InsideTemp, -127), "unplugged", "unplugged"},
		{"0 °C", set(outyard.InsideTemp, 0), "stuck", "stuck"},
	} {
		for _, season := range []struct {
			name  string
			of    func(outyard.Yard, time.Time, int) []outyard.Reading
			month time.Month
		}{{"summer", summer, time.June}, {"winter", winter, time.November}} {
			for from, want := range map[int]string{0: c.first, 20: c.later} {
				t.Run(c.says+" in "+season.name+map[int]string{0: " from the first", 20: ""}[from], func(t *testing.T) {
					start := time.Date(2027, season.month, 1, 0, 4, 0, 0, y.Zone)
					rs := season.of(y, start, days)
					for i := range rs {
						if rs[i].Hive == "h2" && !rs[i].Time.Before(start.AddDate(0, 0, from)) {
							c.spoil(&rs[i])
						}
					}
					found, rows := Evaluate(y, nil, rs, start.AddDate(0, 0, days), DefaultSettings())
					told := ""
					for _, f := range found {
						require.NotContains(t, []outyard.Kind{outyard.Damp, outyard.BroodCold, outyard.MouldRisk}, f.Kind, f.Summary)
						if f.Kind == outyard.SensorFault {
							require.Empty(t, told, "one is enough: %s", f.Summary)
							require.Equal(t, outyard.HiveID("h2"), f.Hive, f.Summary)
							require.WithinDuration(t, start.AddDate(0, 0, from), f.Onset, time.Hour, f.Summary)
							require.NotEmpty(t, f.Advice)
							require.NotEmpty(t, f.Caution)
							told = f.Facts["fault"].(string)
						}
					}
					require.Equal(t, want, told)
					for _, d := range rows {
						require.False(t, d.BroodTempC < 10 || d.BroodTempC > 38, "%s: %.0f °C", d.Date, d.BroodTempC)
					}
				})
			}
		}
	}
}

// Thin walls are colder, and so wetter inside; foam is as warm as the hive.
// Nobody's word on them is the usual board of 19 mm.
func TestTheWallIsAsThickAsTheKeeperSays(t *testing.T) {
	from := time.Date(2027, 11, 1, 0, 4, 0, 0, testYard(t, "h1").Zone)
	wall := func(mm float64) float64 {
		y := testYard(t, "h1")
		y.Hives[0].WallMm = mm
		_, rows := Evaluate(y, nil, winter(y, from, 3), from.AddDate(0, 0, 3), DefaultSettings())
		require.NotEmpty(t, rows)
		return rows[0].WallRHPct
	}
	require.Equal(t, wall(19), wall(0))
	require.Greater(t, wall(10), wall(19)+2)
	require.Less(t, wall(140), wall(19)-2)
}
