package air

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"outyard"
)

func TestADampHiveIsToldOnceAndItsEndToo(t *testing.T) {
	j := newJudge()
	inventedWinter{seed: 3, hives: 6, days: 160, dampFrom: 60, dampPa: 350, dampOver: 10, dampDays: 50}.run(j, nil)
	fs := damp(j.Findings())
	require.Len(t, fs, 1, "no flapping")
	f := fs[0]
	require.Equal(t, hiveName(0), f.Hive)
	require.Equal(t, outyard.Over, f.State)
	began := winterStart.Add(60 * 24 * time.Hour)
	require.WithinDuration(t, began, f.Onset, 7*24*time.Hour)
	require.WithinDuration(t, began.Add(50*24*time.Hour), f.End, 9*24*time.Hour)
	require.Equal(t, outyard.Soon, f.Severity)
	require.True(t, f.Confidence > 0.5 && f.Confidence < 1, "%g", f.Confidence)
	require.Contains(t, f.Summary, "h01 was damp from")
	require.NotEmpty(t, f.Advice)
	require.Contains(t, strings.Join(f.Caution, " "), "dust")
	require.Equal(t, true, f.Facts["weather_known"])
	require.NotEmpty(t, f.Facts["reasons"])
	for _, name := range []string{"excess_pa", "wall_rh_pct", "slope_pa_per_day", "p_value", "condensation_hours_per_day", "mould_index"} {
		require.True(t, outyard.Known(f.Fact(name)), name)
	}
	require.Greater(t, f.Fact("slope_pa_per_day"), 0.0)
	require.Empty(t, f.ID)
	require.True(t, f.ToldAt.IsZero())
}

func TestTheJudgementRestsOnTheSequenceOfDaysAndOnNothingElse(t *testing.T) {
	w := inventedWinter{seed: 5, hives: 5, days: 120, dampFrom: 60, dampPa: 350, dampOver: 10}
	var days [][]HiveDay
	var dates []outyard.Date
	keep := newJudge()
	w.runDays(func(date outyard.Date, hs []HiveDay) {
		dates, days = append(dates, date), append(days, hs)
		keep.Day(date, hs)
	})
	require.NotEmpty(t, damp(keep.Findings()))
	shuffled := newJudge()
	rnd := rand.New(rand.NewPCG(1, 1))
	for i, hs := range days {
		hs = append([]HiveDay(nil), hs...)
		rnd.Shuffle(len(hs), func(a, b int) { hs[a], hs[b] = hs[b], hs[a] })
		shuffled.Day(dates[i], hs)
		shuffled.Day(dates[i], hs[:1]) // a date that comes twice is ignored
		shuffled.Day(dates[0], hs[:1]) // and so is one that is past
	}
	require.Empty(t, cmp.Diff(keep.Findings(), shuffled.Findings()))
}

func TestAWetSpellOverTheWholeRegionIsNoDampHive(t *testing.T) {
	for seed := range uint64(6) {
		j := newJudge()
		inventedWinter{seed: seed + 1, hives: 4, days: 120, dampFrom: -1, garble: func(_ int, h *Hour) {
			if day := h.Start.Sub(winterStart).Hours() / 24; day >= 60 && day < 90 {
				before := VapourPa(h.OutsideTempC, h.OutsideRHPct)
				h.OutsideRHPct = 99
				h.InsideRHPct = min(100, h.InsideRHPct+100*(VapourPa(h.OutsideTempC, 99)-before)/SaturationPa(h.InsideTempC))
			}
		}}.run(j, nil)
		require.Empty(t, damp(j.Findings()))
	}
}

func TestAHiveThatFallsSilentMakesNoOtherDamp(t *testing.T) {
	for seed := range uint64(8) {
		j := newJudge()
		inventedWinter{seed: seed + 1, hives: 3, days: 150, dampFrom: -1, garble: func(hive int, h *Hour) {
			if day := h.Start.Sub(winterStart).Hours() / 24; hive == 1 && day >= 60 && day < 90 {
				h.InsideTempC, h.InsideRHPct = math.NaN(), math.NaN()
			}
		}}.run(j, nil)
		require.Empty(t, damp(j.Findings()))
	}
}

func TestADampHiveThatFallsSilentIsNotDampForEver(t *testing.T) {
	j := newJudge()
	inventedWinter{seed: 3, hives: 6, days: 150, dampFrom: 60, dampPa: 350, dampOver: 10, garble: func(hive int, h *Hour) {
		if hive == 0 && h.Start.Sub(winterStart).Hours()/24 >= 90 {
			h.InsideTempC, h.InsideRHPct = math.NaN(), math.NaN()
		}
	}}.run(j, nil)
	fs := damp(j.Findings())
	require.Len(t, fs, 1)
	require.Equal(t, outyard.Over, fs[0].State)
	require.WithinDuration(t, winterStart.Add(90*24*time.Hour), fs[0].End, 4*24*time.Hour, "as far as the data tell")
}

// Nothing that an instrument can say makes a finding with a number that is
// none, and a broken instrument makes no damp hive.
func TestBrokenInstruments(t *testing.T) {
	from := func(day float64, then func(hive int, h *Hour)) func(int, *Hour) {
		return func(hive int, h *Hour) {
			if h.Start.Sub(winterStart).Hours()/24 >= day {
				then(hive, h)
			}
		}
	}
	for _, row := range []struct {
		says   string
		garble func(int, *Hour)
	}{
		{"a probe that shows 0 %", from(60, func(i int, h *Hour) {
			if i == 0 {
				h.InsideRHPct = 0
			}
		})},
		{"a probe that shows 101 %", from(60, func(i int, h *Hour) {
			if i == 1 {
				h.InsideRHPct = 101
			}
		})},
		{"a probe in degrees Fahrenheit", from(60, func(i int, h *Hour) {
			if i == 0 {
				h.InsideTempC = outyard.FahrenheitFromCelsius(h.InsideTempC)
			}
		})},
		{"an unplugged probe that repeats one figure", from(60, func(i int, h *Hour) {
			if i == 0 {
				h.InsideTempC, h.InsideRHPct = 20, 90
			}
		})},
		{"no readings inside at all", from(60, func(_ int, h *Hour) { h.InsideTempC, h.InsideRHPct = math.NaN(), math.NaN() })},
		{"no weather for the rest of the winter", from(60, func(_ int, h *Hour) { h.OutsideTempC, h.OutsideRHPct = math.NaN(), math.NaN() })},
		{"weather in degrees Fahrenheit", from(60, func(_ int, h *Hour) { h.OutsideTempC = outyard.FahrenheitFromCelsius(h.OutsideTempC) })},
		{"infinite numbers", from(60, func(i int, h *Hour) { h.InsideTempC, h.OutsideRHPct = math.Inf(1), math.Inf(-1) })},
		{"weather of temperature alone", from(60, func(_ int, h *Hour) { h.OutsideRHPct = math.NaN() })},
	} {
		t.Run(row.says, func(t *testing.T) {
			for seed := range uint64(4) {
				j := newJudge()
				inventedWinter{seed: seed + 1, hives: 4, days: 120, dampFrom: -1, garble: row.garble}.run(j, func(int) {
					for _, f := range j.Findings() {
						sane(t, f)
					}
				})
				for _, f := range damp(j.Findings()) {
					// A sensor at 101 % all winter cannot be told from a soaked hive.
					require.Equal(t, "a probe that shows 101 %", row.says, f.Summary)
				}
			}
		})
	}
}

func sane(t *testing.T, f outyard.Finding) {
	t.Helper()
	for name, v := range f.Facts {
		if x, ok := v.(float64); ok {
			require.True(t, outyard.Known(x), "%s of %s", name, f.Kind)
		}
	}
	b, err := json.Marshal(f)
	require.NoError(t, err)
	require.NotContains(t, string(b), "NaN")
	require.NotContains(t, string(b), "Inf")
}

func TestWithoutAWeatherNodeTheFindingSaysThatItIsWeaker(t *testing.T) {
	j := newJudge()
	inventedWinter{seed: 2, hives: 6, days: 110, dampFrom: 60, dampPa: 350, dampOver: 10, noWeather: true}.run(j, nil)
	fs := damp(j.Findings())
	require.NotEmpty(t, fs)
	require.Equal(t, false, fs[0].Facts["weather_known"])
	require.Contains(t, fs[0].Summary, "without a weather node this is less sure")
	require.False(t, outyard.Known(fs[0].Fact("wall_rh_pct")), "nothing is known of the wall")
	require.Contains(t, strings.Join(fs[0].Facts["reasons"].([]string), "; "), "less sure")
	for _, f := range j.Findings() {
		require.NotEqual(t, outyard.MouldRisk, f.Kind, "mould needs a wall")
	}
}

// constant gives every hive of a yard the same air for some days.
func constant(j *Judge, hives, days int, of func(hive, day int) Hour) {
	boxes := make([]*Days, hives)
	for i := range boxes {
		boxes[i] = NewDays(coast, DefaultSettings())
	}
	for day := range days {
		var hs []HiveDay
		for i, b := range boxes {
			for hour := range 24 {
				h := of(i, day)
				h.Start = winterStart.Add(time.Duration(day*24+hour) * time.Hour)
				h.InsideTempC += 0.5 * math.Sin(float64(hour)) // a probe that never moves is not believed
				h.InsideRHPct += 0.3 * math.Cos(float64(hour))
				b.Hour(h)
			}
			d, _ := b.Finish()
			hs = append(hs, HiveDay{hiveName(i), d})
		}
		j.Day(outyard.DateOf(winterStart.Add(time.Duration(day)*24*time.Hour), coast), hs)
	}
}

func TestMouldIsToldAsConditionsAndNotAsMould(t *testing.T) {
	wet := Hour{InsideTempC: 20, InsideRHPct: 72, OutsideTempC: 13, OutsideRHPct: 85} // wall near 17 °C and 86 %
	soaked := Hour{InsideTempC: 20, InsideRHPct: 84, OutsideTempC: 13, OutsideRHPct: 85}
	dry := Hour{InsideTempC: 20, InsideRHPct: 50, OutsideTempC: 13, OutsideRHPct: 70}
	mould := func(j *Judge) (fs []outyard.Finding) {
		for _, f := range j.Findings() {
			if f.Kind == outyard.MouldRisk {
				fs = append(fs, f)
			}
		}
		return fs
	}

	j := newJudge()
	constant(j, 2, 12, func(int, int) Hour { return soaked })
	fs := mould(j)
	require.Empty(t, fs, "below index 1 nothing is said")

	j = newJudge()
	constant(j, 3, 45, func(hive, _ int) Hour {
		if hive == 0 {
			return soaked
		}
		return wet
	})
	fs = mould(j)
	require.Len(t, fs, 1)
	f := fs[0]
	require.Equal(t, hiveName(0), f.Hive)
	require.Equal(t, outyard.Note, f.Severity)
	require.Contains(t, f.Summary, "enough to let mould grow")
	require.NotContains(t, f.Summary, "there is mould")
	for _, of := range []string{"particle mask", "chilled brood", "Stings"} {
		require.Contains(t, strings.Join(f.Caution, " "), of)
	}
	require.Greater(t, f.Fact("days_to_visible"), 0.0)

	j = newJudge()
	constant(j, 3, 200, func(hive, day int) Hour {
		if hive == 0 && day < 150 {
			return soaked
		}
		return dry
	})
	fs = mould(j)
	require.Len(t, fs, 1)
	require.Equal(t, outyard.Soon, fs[0].Severity, "one hive where the eye would see it")
	require.Equal(t, outyard.Over, fs[0].State, "dry for seven weeks")
	require.Equal(t, winterStart.Add(150*24*time.Hour), fs[0].End)

	j = newJudge()
	constant(j, 4, 150, func(int, int) Hour { return soaked })
	require.Len(t, mould(j), 4)
	for _, f := range mould(j) {
		require.GreaterOrEqual(t, f.Fact("mould_index"), MouldVisible)
		require.Equal(t, outyard.Note, f.Severity, "when all hives stand the same it is the winter, not the hive")
	}
}

// What is told while mould comes, and what of a gap: weeks without weather stop
// the index, and the finding says for how long.
func TestAGapIsSaidAndTheForecastIsTheModels(t *testing.T) {
	wet := Hour{InsideTempC: 20, InsideRHPct: 84, OutsideTempC: 13, OutsideRHPct: 85}
	blind := wet
	blind.OutsideTempC, blind.OutsideRHPct = math.NaN(), math.NaN()
	some, visible := make([]float64, 120), make([]float64, 120)
	index := make([]float64, 120)
	follow := func(gapFrom, gapDays int) *Judge {
		j := newJudge()
		d := NewDays(coast, DefaultSettings())
		for day := range 120 {
			for h := range 24 {
				hour := wet
				if day >= gapFrom && day < gapFrom+gapDays {
					hour = blind
				}
				hour.Start = winterStart.Add(time.Duration(24*day+h) * time.Hour)
				hour.InsideTempC += 0.01 * float64(h%2)
				hour.InsideRHPct += 0.01 * float64(h%2)
				d.Hour(hour)
			}
			x, _ := d.SoFar()
			j.Day(x.Date, []HiveDay{{Hive: "h1", Day: x}})
			some[day], visible[day] = j.MouldIn("h1")
			index[day] = x.MouldIndex
		}
		return j
	}
	reasons := func(j *Judge) string {
		for _, f := range j.Findings() {
			if f.Kind == outyard.MouldRisk {
				sane(t, f)
				return strings.Join(f.Facts["reasons"].([]string), "; ")
			}
		}
		t.Fatal("no mould was told of")
		return ""
	}
	whole := follow(0, 0)
	require.NotContains(t, reasons(whole), "stood still")
	for level, in := range map[float64][]float64{MouldSome: some, MouldVisible: visible} {
		came := slices.IndexFunc(index, func(m float64) bool { return m >= level })
		require.Greater(t, came, 10)
		for _, before := range []int{10, 5, 1} {
			require.InDelta(t, before, in[came-before], 1.5, "index %g", level)
		}
		require.Zero(t, in[came])
	}
	_, unknown := whole.MouldIn("another")
	require.True(t, math.IsNaN(unknown))

	require.Contains(t, reasons(follow(5, 30)), "nothing was known of the wall in 30 days")
	require.True(t, math.IsNaN(index[20]) && math.IsNaN(some[20]), "of a day in the gap")
	require.Greater(t, index[35], index[4], "it goes on")
	require.Less(t, index[35], index[4]+0.1, "from where it stood")
}

func TestADayOfOneHive(t *testing.T) {
	d := NewDays(coast, DefaultSettings())
	day := func(insideC, insideRH, outC, outRH float64) Day {
		start := winterStart
		if !d.last.IsZero() {
			start = d.last.Add(time.Hour)
		}
		for h := range 24 {
			wobble := 0.01 * float64(h%2) // else the probe would look stuck
			d.Hour(Hour{start.Add(time.Duration(h) * time.Hour), insideC + wobble, insideRH + wobble, outC, outRH})
		}
		got, ok := d.Finish()
		require.True(t, ok)
		return got
	}
	// The rows on a 19 mm wall of the ISO 13788 cases in wall_test.go.
	x := day(15, 70, 2, 90)
	require.Equal(t, outyard.Date{Year: 2026, Month: time.October, Day: 1}, x.Date)
	require.Equal(t, 24, x.Hours)
	require.Equal(t, 24, x.OutsideHours)
	require.InDelta(t, 9.655, x.WallTempC, 0.01)
	require.InDelta(t, 99.43, x.WallRHPct, 0.1)
	require.InDelta(t, math.Log(0.9943), x.Wetness, 0.002)
	require.InDelta(t, 0.7*1701.67-0.9*SaturationPa(2), x.ExcessPa, 2)
	require.Equal(t, 24, x.WetHours)
	require.Zero(t, x.CondensationHours)
	require.Zero(t, x.GapHours)
	for h := range 24 { // the same row, not finished: dew point 9.569 °C, as worked beside it
		d.Hour(Hour{d.last.Add(time.Hour), 15 + 0.001*float64(h%2), 70 + 0.001*float64(h%2), 2, 90})
	}
	require.InDelta(t, 9.655-9.569, d.DewMarginK(), 0.01)
	d.Finish()
	require.True(t, math.IsNaN(d.DewMarginK()), "no day is open")
	require.Equal(t, 24, day(15, 72, 2, 90).CondensationHours)

	x = day(15, 70, math.NaN(), math.NaN())
	require.Equal(t, 24, x.Hours)
	require.Zero(t, x.OutsideHours)
	require.True(t, math.IsNaN(x.WallRHPct) && math.IsNaN(x.ExcessPa) && math.IsNaN(x.Wetness))
	require.True(t, math.IsNaN(x.MouldIndex), "not known of that day, and goes on from where it stood")
	require.Equal(t, 24, x.GapHours)

	x = day(math.NaN(), 70, 2, 90)
	require.Zero(t, x.Hours)
	require.True(t, math.IsNaN(x.InsidePa))
	require.Equal(t, 24, d.Mould().UnknownHours, "the day without weather; this one counts once the next begins")
	x = day(15, 70, 2, 90)
	require.Equal(t, 48, d.Mould().UnknownHours)
	require.Equal(t, 24, x.GapHours, "of the day before, which the index stood still in")
	require.Positive(t, x.MouldIndex)
}

// Air of a brood nest, 34.5 °C and 55 % (the trade's usual figures), wets a
// wall in every April by the sum alone: 98 % at 10 °C outside.
func TestTheAirOfABroodNestIsNotTheWalls(t *testing.T) {
	month := func(insideC, insideRH float64) (last Day) {
		d := NewDays(coast, DefaultSettings())
		for h := range 30 * 24 {
			wobble := 0.01 * float64(h%2)
			if day, ok := d.Hour(Hour{winterStart.Add(time.Duration(h) * time.Hour), insideC + wobble, insideRH + wobble, 10, 80}); ok {
				last = day
			}
		}
		return last
	}
	nest := month(34.5, 55)
	require.InDelta(t, 98, nest.WallRHPct, 1, "the wall's humidity is said as it is reckoned")
	require.Zero(t, nest.MouldIndex, "and lets nothing grow")
	require.True(t, math.IsNaN(nest.Course.Growth))
	beside := month(26, 85)
	require.Greater(t, beside.MouldIndex, 0.5, "as wet beside the nest, it does")
}

func TestADayIsALocalDateAndHoursThatAreMissingAreCounted(t *testing.T) {
	vancouver, err := time.LoadLocation("America/Vancouver")
	require.NoError(t, err)
	d := NewDays(vancouver, DefaultSettings())
	start := outyard.Date{Year: 2026, Month: time.October, Day: 31}.Start(vancouver)
	hours := map[outyard.Date]int{}
	for h := range 24 + 25 + 24 + 1 {
		if day, ok := d.Hour(Hour{start.Add(time.Duration(h) * time.Hour), 15 + 0.01*float64(h%2), 70 + 0.1*float64(h%2), 2, 90}); ok {
			hours[day.Date] = day.Hours
		}
	}
	require.Equal(t, map[outyard.Date]int{{Year: 2026, Month: 10, Day: 31}: 24, {Year: 2026, Month: 11, Day: 1}: 25, {Year: 2026, Month: 11, Day: 2}: 24}, hours)
	before := d.Mould().UnknownHours
	d.Hour(Hour{start.Add(200 * time.Hour), 15, 70, 2, 90})
	require.Equal(t, 200-74, d.Mould().UnknownHours-before)
	_, ok := d.Hour(Hour{start, 15, 70, 2, 90})
	require.False(t, ok, "an hour that is past is ignored")
}

func BenchmarkAYardOfTwelveOverAWinter(b *testing.B) {
	var days [][]HiveDay
	var dates []outyard.Date
	inventedWinter{seed: 1, hives: 12, days: 180, dampFrom: 60, dampPa: 300, dampOver: 10}.runDays(func(date outyard.Date, hs []HiveDay) {
		dates, days = append(dates, date), append(days, hs)
	})
	for b.Loop() {
		j := newJudge()
		for i := range days {
			j.Day(dates[i], days[i])
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*12*180), "ns/hive-day")
}

// In each case the first hive's excess goes from 300 Pa to so many times as much
// over so many days, and stays there or goes back; its wall gets wetter with it,
// but takes no dew: a hive is to be found before it drips.
func TestARiseIsToldBySizeAndOneThatComesToNothingIsTakenBack(t *testing.T) {
	first := outyard.DateOf(winterStart, coast)
	for _, c := range []struct {
		says        string
		times, over float64 // days
		until       int     // days after which it is back where it was; 0 for never
		told        int     // within so many days of its onset; 0 for never
		stands      bool    // at the end
	}{
		{"thrice as much from one day to the next", 3, 1, 0, 4, true},
		{"twice as much within a week", 2, 7, 0, 6, true},
		{"twice as much within three weeks", 2, 21, 0, 12, true},
		{"half as much again, and back after ten days", 1.5, 4, 10, 8, false},
	} {
		t.Run(c.says, func(t *testing.T) {
			j, told := newJudge(), 0
			for day := range 75 {
				var hs []HiveDay
				for hive := range 5 {
					more := 1.0
					if since := float64(day - 39); hive == 0 && since > 0 && (c.until == 0 || since <= float64(c.until)) {
						more = 1 + (c.times-1)*min(1, since/c.over)
					}
					d := unknownDay(first.Add(day))
					d.Hours, d.OutsideHours, d.InsideTempC, d.OutsideRHPct, d.GainKg = 24, 24, 15, 90, 0
					d.ExcessPa = 300 * more * (1 + 0.05*math.Sin(float64(3*day+hive)))
					d.InsidePa = 800 + d.ExcessPa
					d.InsideRHPct = 100 * d.InsidePa / SaturationPa(15)
					d.Wetness = math.Log(d.InsidePa / 1250)
					d.WallRHPct = min(100, 100*math.Exp(d.Wetness))
					hs = append(hs, HiveDay{hiveName(hive), d})
				}
				j.Day(first.Add(day), hs)
				if fs := damp(j.Findings()); len(fs) > 0 && told == 0 {
					require.Equal(t, hiveName(0), fs[0].Hive)
					told = day - 39
				}
			}
			require.Positive(t, told)
			require.LessOrEqual(t, told, c.told)
			require.Equal(t, c.stands, len(damp(j.Findings())) > 0)
		})
	}
}

// With weather and others a hive is judged by how many times as much vapour it
// holds. The rises are those of physics: half the air let through is twice the
// excess.
func TestHalfTheVentilationIsDamp(t *testing.T) {
	const days = 60
	for _, c := range []struct {
		says    string
		times   float64 // the excess of the first hive from day 30 on
		warmth  float64 // °C inside
		others  float64 // times, of the others, from day 30 on
		gainKg  float64
		isDamp  bool
		earlier float64 // times, of the first hive before
	}{
		{"half the air, twice the excess", 2, 18, 1, 0, true, 1},
		{"a tenth more is within what hives differ by", 1.1, 18, 1, 0, false, 1},
		{"all hold twice as much: a cold week", 2, 18, 2, 0, false, 1},
		{"the others stop to brood and hold half", 1, 18, 0.5, 0, false, 1},
		{"a hive that held half comes near the others", 0.85, 18, 1, 0, false, 0.5},
		{"over brood bees fan", 2, 34.5, 1, 0, false, 1},
		{"nectar dries", 2, 18, 1, 1.5, false, 1},
	} {
		t.Run(c.says, func(t *testing.T) {
			j := NewJudge(coastYard(), DefaultSettings())
			first := outyard.DateOf(winterStart, coast)
			for day := range days {
				var hs []HiveDay
				for hive := range 5 {
					excess := 300.0 * (1 + 0.05*math.Sin(float64(3*day+hive)))
					switch {
					case hive == 0 && day < 30:
						excess *= c.earlier
					case hive == 0:
						excess *= c.times
					case day >= 30:
						excess *= c.others
					}
					d := unknownDay(first.Add(day))
					d.Hours, d.OutsideHours = 24, 24
					d.InsideTempC, d.OutsideRHPct = c.warmth, 90
					d.ExcessPa, d.InsidePa = excess, 700+excess
					d.InsideRHPct = 100 * d.InsidePa / SaturationPa(c.warmth)
					d.WallRHPct, d.Wetness = 88, math.Log(0.88)
					if d.GainKg = 0; day >= 30 {
						d.GainKg = c.gainKg
					}
					hs = append(hs, HiveDay{hiveName(hive), d})
				}
				j.Day(first.Add(day), hs)
			}
			found := j.Findings()
			found = slices.DeleteFunc(found, func(f outyard.Finding) bool { return f.Kind != outyard.Damp })
			if !c.isDamp {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			require.Equal(t, hiveName(0), found[0].Hive)
			require.InDelta(t, 30, found[0].Onset.Sub(first.Start(coast)).Hours()/24, 2)
			require.InDelta(t, 300, found[0].Fact("rise_pa"), 40, "what it holds more, Pa")
		})
	}
}

// Two hives of a yard, or one: still found, and what it is measured against and
// how sure that is stands in the finding.
func TestFewHivesAreStillJudgedAndTheFindingSaysByWhat(t *testing.T) {
	for _, row := range []struct {
		hives     int
		noWeather bool
		says      string
	}{
		{6, false, "the middle of 5 of the yard's hives"},
		{2, false, "one other hive alone, so that a wet spell does not count, but the other may be the one that changed: less sure"},
		{2, true, "one other hive alone"},
		{1, false, "no other hive to measure against, only the weather: less sure"},
	} {
		j := newJudge()
		inventedWinter{seed: 2, hives: row.hives, days: 110, dampFrom: 60, dampPa: 500, dampOver: 10, noWeather: row.noWeather}.run(j, nil)
		fs := damp(j.Findings())
		require.NotEmpty(t, fs, "%d hives", row.hives)
		said := strings.Join(fs[0].Facts["reasons"].([]string), "; ")
		require.Contains(t, said, row.says)
		require.Equal(t, row.noWeather, strings.Contains(said, "no weather node"))
	}
}

func TestAJumpCountsByWhatTheHiveMovesByAnyway(t *testing.T) {
	j := newJudge()
	jump := func(swayed float64) float64 {
		x := make([]float64, 30)
		for day := range x {
			x[day] = swayed * float64(day%2)
		}
		for _, day := range []int{28, 29} {
			x[day] += 0.3
		}
		return j.jump(x, nearDays, j.set.JumpNoise)
	}
	steady, restless := jump(0.01), jump(0.2)
	require.Positive(t, restless)
	require.Greater(t, steady, 2*restless)
	require.LessOrEqual(t, jump(0), j.set.MostJump)
	require.Zero(t, j.jump([]float64{0.1, 0.2}, nearDays, j.set.JumpNoise), "no days before")
}

// Told early a wall that is dry yet says little, later it says much; the first
// dew is believed at once.
func TestADryWallSpeaksAgainstDampMoreFromDayToDay(t *testing.T) {
	sure := func(days int, dewHours float64) float64 {
		e := episode{first: evidence{by: others}, rise: 0.5, peak: 1, surest: 2.2, mostDew: dewHours, known: days}
		return e.confidence()
	}
	require.Greater(t, sure(0, 0), doubtful, "worth a drive on the day it is told")
	for day := range 30 {
		require.GreaterOrEqual(t, sure(day, 0), sure(day+1, 0), "day %d", day)
		for dew := range 24 {
			require.GreaterOrEqual(t, sure(day, float64(dew+1)), sure(day, float64(dew)), "day %d, %d h", day, dew)
		}
	}
	require.Less(t, sure(7, 0), 0.1)
	require.Equal(t, sure(7, 0), sure(30, 0), "it does not grow less and less likely for ever")
	require.Greater(t, sure(7, 24), 0.7)
}
