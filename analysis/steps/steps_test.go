package steps

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis/activity"
	"outyard/analysis/condition"
)

var noon = time.Date(2027, 5, 22, 20, 0, 0, 0, time.UTC)

// aSwarm is a fall as a swarm makes it, seen every ten minutes.
func aSwarm() (*Departure, Circumstances) {
	return &Departure{Before: noon, Start: noon.Add(10 * time.Minute), End: noon.Add(20 * time.Minute), QuietFrom: noon.Add(20 * time.Minute),
			Settled: true, BaseKg: 50, AfterKg: 47.8, LowestKg: 47.8, HighestKg: 50, StepShare: 0.6, StepSpan: 10 * time.Minute,
			Samples: 4, Cadence: 10 * time.Minute, NoiseKg: 0.02, WarmedK: 2, CooledK: -0.5, MovesK: 0.1},
		Circumstances{SolarHour: 12, SunDeg: 55, SwarmSeason: 1, OutsideTempC: 20, RainMm: 0, WindMS: 1, CommonKg: 0,
			BroodProbe: true, Neighbours: 5, Quiet: time.Hour, Busy: activity.Unknown()}
}

func TestWhatSpeaksForAndAgainstASwarm(t *testing.T) {
	p := func(edit func(d *Departure, c *Circumstances)) float64 {
		d, c := aSwarm()
		edit(d, &c)
		return Explain(d, c, DefaultSettings()).P[SwarmLeft]
	}
	usual := p(func(*Departure, *Circumstances) {})
	require.Greater(t, usual, 0.9)
	for _, c := range []struct {
		name string
		edit func(d *Departure, c *Circumstances)
	}{
		{"the nest did not warm up", func(d *Departure, _ *Circumstances) { d.WarmedK = 0 }},
		{"boxes were lifted", func(d *Departure, _ *Circumstances) { d.LowestKg = 30 }},
		{"the keeper was at the neighbours'", func(_ *Departure, c *Circumstances) { c.NeighboursWorked, c.NeighbourMarks = 3, 3 }},
		{"it was night", func(_ *Departure, c *Circumstances) { c.SunDeg, c.SolarHour = -20, 1 }},
		{"it was January", func(_ *Departure, c *Circumstances) { c.SwarmSeason = -1.5 }},
		{"it rained", func(_ *Departure, c *Circumstances) { c.RainMm = 3 }},
		{"more is gone than any swarm weighs", func(d *Departure, _ *Circumstances) { d.AfterKg, d.LowestKg = 38, 38 }},
		{"as much came back", func(_ *Departure, c *Circumstances) { c.BackShare = 1 }},
		{"the hive is as busy as ever", func(_ *Departure, c *Circumstances) {
			c.Busy = activity.Change{Ratio: 1, Before: 1, Standard: 0.05, Mates: true}
		}},
	} {
		t.Run(c.name, func(t *testing.T) { require.Less(t, p(c.edit), usual) })
	}
	unsure := p(func(d *Departure, _ *Circumstances) { d.WarmedK, d.CooledK = outyard.Unknown, outyard.Unknown })
	require.Less(t, unsure, usual, "without a probe it is less sure")
	require.Greater(t, p(func(d *Departure, c *Circumstances) {
		d.WarmedK, d.CooledK = outyard.Unknown, outyard.Unknown
		c.Busy = activity.Change{Ratio: 0.6, Before: 1, Standard: 0.05, Mates: true}
	}), unsure, "and surer again once the hive is seen to be less busy")
}

// Whatever a departure is like, the chances of its causes sum to one.
func TestChancesSumToOne(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	some := func(scale float64) float64 {
		if rng.IntN(8) == 0 {
			return outyard.Unknown
		}
		return scale * rng.NormFloat64()
	}
	for range 5000 {
		d, c := aSwarm()
		d.AfterKg = d.BaseKg * rng.Float64() * 1.5
		d.LowestKg, d.HighestKg = min(d.BaseKg, d.AfterKg)-5*rng.Float64(), max(d.BaseKg, d.AfterKg)+5*rng.Float64()
		d.StepShare, d.StepSpan = rng.Float64(), time.Duration(rng.IntN(3600))*time.Second
		d.WarmedK, d.CooledK = some(2), some(2)
		c.SolarHour, c.SunDeg, c.OutsideTempC, c.RainMm = 24*rng.Float64(), some(40), some(20), math.Abs(some(1))
		c.CommonKg, c.BackShare, c.Quiet = some(1), rng.Float64(), time.Duration(rng.IntN(300))*time.Minute
		c.Busy = activity.Change{Ratio: some(1), Before: rng.Float64(), Standard: rng.Float64(), Mates: rng.IntN(2) == 0}
		v := Explain(d, c, DefaultSettings())
		sum := 0.0
		for cause, p := range v.P {
			require.GreaterOrEqual(t, p, 0.0)
			require.LessOrEqual(t, p, v.P[v.Cause], Cause(cause))
			sum += p
		}
		require.InDelta(t, 1, sum, 1e-9)
	}
}

func TestAnExodusHidesOnlyInGapsThatHoldIt(t *testing.T) {
	require.InDelta(t, 0.05, exodusBetween(1), 1e-9)
	last := 0.0
	for m := 1.0; m < 120; m++ {
		p := exodusBetween(m)
		require.GreaterOrEqual(t, p, last)
		require.Less(t, p, 1.0)
		last = p
	}
	// By hand: lengths of 3 to 20 minutes, three fifths of them, in an hour:
	// the mean of 1 - 0.6 L/60 is 1 - 0.6*11.5/60.
	require.InDelta(t, 1-0.6*11.5/60, exodusBetween(60), 1e-9)
}

// The level before a departure is the middle of three samples: the last of them
// may be as low as those that follow.
func TestAHiveThatNobodySawFallIsDatedAllTheSame(t *testing.T) {
	e := Event{Departure: &Departure{Before: noon, Start: noon.Add(time.Hour), BaseKg: 40, AfterKg: 5, Settled: true, WarmedK: outyard.Unknown}}
	e.Verdict.P[Overturned] = 0.9
	got := Findings([]Event{e}, time.UTC, DefaultSettings())
	require.Len(t, got, 1)
	require.Equal(t, noon.Add(30*time.Minute), got[0].Onset)
	require.Contains(t, got[0].Summary, "20:30")
}

// At dusk and later bees do not fly; what warmed the nest then was something
// else, or the node's clock is off.
func TestNoSwarmLeavesInTheDarkHoweverWarmTheNest(t *testing.T) {
	set := DefaultSettings()
	for _, dark := range []struct{ sunDeg, solarHour float64 }{{-8, 21}, {-20, 23}, {-7, 4}} {
		d, c := aSwarm()
		d.WarmedK, c.SunDeg, c.SolarHour = 3.5, dark.sunDeg, dark.solarHour
		v := Explain(d, c, set)
		require.False(t, v.Swarm(set), "%.0f degrees: %v", dark.sunDeg, v.P)
		require.Less(t, v.P[SwarmCameBack], 0.5)
	}
	d, c := aSwarm()
	c.SunDeg, c.SolarHour = 25, 16.5
	require.True(t, Explain(d, c, set).Swarm(set), "late, by the sun")
}

func TestAHiveIsDatedByItsFallNotByTheGustsBefore(t *testing.T) {
	for _, c := range []struct {
		says  string
		gusts time.Duration // before the fall
	}{
		{"out of a calm", 0},
		{"after an hour of gusts", time.Hour},
		{"after two", 2 * time.Hour},
	} {
		t.Run(c.says, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(3, 1))
			fall := noon.Add(12*time.Hour + 4*time.Minute)
			det := NewDetector(DefaultSettings())
			var found *Departure
			for at := noon; at.Before(fall.Add(4 * time.Hour)); at = at.Add(10 * time.Minute) {
				kg := 29 + 0.02*rng.NormFloat64()
				switch {
				case at.After(fall):
					kg -= 25
				case !at.Before(fall.Add(-c.gusts)):
					kg += map[bool]float64{true: 0.3, false: -0.3}[at.Minute()%20 < 10]
				}
				s := condition.Sample{Time: at, WeightKg: kg, LowKg: kg, HighKg: kg, InsideTempC: outyard.Unknown, InsideRHPct: outyard.Unknown}
				if d := det.Next(s, 0.02, outyard.Unknown); d != nil {
					found = d
				}
			}
			require.NotNil(t, found)
			e := Event{Departure: found, Verdict: Explain(found, Circumstances{SolarHour: 1, SunDeg: -30, Quiet: 3 * time.Hour, Stood: 3 * time.Hour, Busy: activity.Unknown(),
				OutsideTempC: outyard.Unknown, RainMm: outyard.Unknown, WindMS: outyard.Unknown, CommonKg: outyard.Unknown}, DefaultSettings())}
			got := Findings([]Event{e}, time.UTC, DefaultSettings())
			require.Len(t, got, 1)
			require.Equal(t, outyard.KnockedOver, got[0].Kind)
			require.InDelta(t, 0, got[0].Onset.Sub(fall).Minutes(), 5, "half a cadence")
			require.Contains(t, got[0].Summary, got[0].Onset.Format("15:04"))
		})
	}
}

// A step put into quiet noise comes out as one departure of that size, at any
// cadence; quiet noise alone as none.
func TestStepsComeOutAsTheyWentIn(t *testing.T) {
	for _, every := range []time.Duration{5 * time.Minute, 15 * time.Minute, time.Hour} {
		for _, kg := range []float64{-20, -2, 0, 1.5, 6} {
			rng := rand.New(rand.NewPCG(9, uint64(every)))
			det := NewDetector(DefaultSettings())
			found := map[*Departure]bool{}
			for i := range 200 {
				w := 40 + 0.02*rng.NormFloat64()
				step := 0.0
				if i >= 100 {
					w += kg
				}
				if i == 100 {
					step = kg
				}
				s := condition.Sample{Time: noon.Add(time.Duration(i) * every), WeightKg: w, LowKg: w, HighKg: w, StepKg: step,
					StepSpan: every, InsideTempC: outyard.Unknown, InsideRHPct: outyard.Unknown}
				if d := det.Next(s, 0.02, outyard.Unknown); d != nil {
					found[d] = true
				}
			}
			if kg == 0 {
				require.Empty(t, found)
				continue
			}
			require.Len(t, found, 1)
			for d := range found {
				require.True(t, d.Settled)
				require.InDelta(t, kg, d.NetKg(), 0.07)
				require.InDelta(t, 1, d.StepShare, 0.03)
			}
		}
	}
}

// What is put in the scales where no probe could tell makes a swarm told of, not
// surer.
func TestWhatIsToldForSafetysSakeIsNotSaidToBeSurer(t *testing.T) {
	d, c := aSwarm()
	d.WarmedK, d.CooledK = outyard.Unknown, outyard.Unknown
	set := DefaultSettings()
	told := Explain(d, c, set)
	set.NoProbeNats = 0
	plain := Explain(d, c, set)
	require.Greater(t, told.P[SwarmLeft], plain.P[SwarmLeft])
	require.InDelta(t, plain.P[SwarmLeft], told.sober(), 1e-9)
}

// Readings come every ten minutes, and nothing hangs in the hive.
func TestAFallIsToldAtTheSecondReadingUnlessItMayBeTheLid(t *testing.T) {
	set := DefaultSettings()
	for _, c := range []struct {
		name       string
		kg, lidKg  float64
		step       float64
		quiet      time.Duration
		wantSooner bool
	}{
		{"lighter than the lid, at once", 2, 4.4, 1, 10 * time.Minute, true},
		{"lighter than any lid, at once", 1.1, outyard.Unknown, 1, 10 * time.Minute, true},
		{"as heavy as the lid, at once", 4.2, 4.4, 1, 10 * time.Minute, false},
		{"as heavy as a lid may be, at once", 2, outyard.Unknown, 1, 10 * time.Minute, false},
		{"as heavy as the lid, by and by", 4.2, 4.4, 0.6, 10 * time.Minute, true},
		{"as heavy as a lid may be, and still gone hours later", 2, outyard.Unknown, 1, 3 * time.Hour, true},
	} {
		d, around := aSwarm()
		d.AfterKg, d.LowestKg = d.BaseKg-c.kg, d.BaseKg-c.kg
		d.StepShare, d.WarmedK, d.CooledK = c.step, outyard.Unknown, outyard.Unknown
		around.LidKg, around.Quiet, around.BroodProbe = c.lidKg, c.quiet, false
		require.Equal(t, c.wantSooner, Explain(d, around, set).Swarm(set), c.name)
	}
}

// At 10 m/s the wind may lift a lid of 0.21 m² by 0.8 kg: 0.5 x 1.25 kg/m³ x 0.6
// x 0.21 m² x (10 m/s)² is 7.9 N.
func TestWhatAStormShakesNobodyLifted(t *testing.T) {
	for _, c := range []struct {
		name           string
		liftKg, windMS float64
		work           bool
	}{
		{"0.9 kg, calm", 0.9, 1, true},
		{"0.9 kg, wind unknown", 0.9, outyard.Unknown, true},
		{"0.9 kg, 12 m/s", 0.9, 12, false},
		{"4.4 kg, 12 m/s", 4.4, 12, true},
	} {
		d, around := aSwarm()
		d.AfterKg, d.LowestKg, d.WarmedK, d.CooledK = d.BaseKg, d.BaseKg-c.liftKg, outyard.Unknown, outyard.Unknown
		d.Reversals, d.Away, around.WindMS = 2, 3, c.windMS
		require.Equal(t, c.work, Explain(d, around, DefaultSettings()).Cause == KeepersWork, c.name)
	}
}

// Who may still find it hanging hears of it sooner than it goes into the record.
func TestDaysLaterASwarmMustBeLikelier(t *testing.T) {
	set := DefaultSettings()
	for _, c := range []struct {
		name      string
		p         float64
		daysAfter bool
		want      bool
	}{
		{"perhaps, today", 0.4, false, true},
		{"perhaps, days later", 0.4, true, false},
		{"probably, days later", 0.6, true, true},
		{"hardly, today", 0.25, false, false},
	} {
		v := Verdict{DaysAfter: c.daysAfter}
		v.P[SwarmLeft] = c.p
		require.Equal(t, c.want, v.Swarm(set), c.name)
	}
	d, around := aSwarm()
	require.False(t, Explain(d, around, set).DaysAfter)
	around.Busy = activity.Change{Ratio: 0.6, Before: 1, Standard: 0.05, Mates: true}
	require.True(t, Explain(d, around, set).DaysAfter)
}

func TestAProbeAwayFromTheNestHardlySpeaksAgainstASwarm(t *testing.T) {
	d, c := aSwarm()
	d.WarmedK = 0
	inNest := Explain(d, c, DefaultSettings())
	c.BroodProbe = false
	elsewhere := Explain(d, c, DefaultSettings())
	require.Greater(t, elsewhere.P[SwarmLeft], inNest.P[SwarmLeft])
	require.True(t, elsewhere.Swarm(DefaultSettings()))
}

func TestAnAfterSwarmIsLikelierAfterAPrimeOne(t *testing.T) {
	odds := func(d *Departure, c Circumstances) float64 {
		p := Explain(d, c, DefaultSettings()).P[SwarmLeft]
		return p / (1 - p)
	}
	for _, kg := range []float64{0.8, 1.2} {
		d, c := aSwarm()
		d.AfterKg, d.LowestKg, d.WarmedK, d.CooledK = d.BaseKg-kg, d.BaseKg-kg, outyard.Unknown, outyard.Unknown
		first := odds(d, c)
		c.Swarmed = 0.9
		require.Greater(t, odds(d, c), 2*first, "%.1f kg", kg)
	}
	d, c := aSwarm()
	d.AfterKg, d.LowestKg = 47, 47
	first := Explain(d, c, DefaultSettings())
	c.Swarmed = 0.9
	require.InDelta(t, first.P[SwarmLeft], Explain(d, c, DefaultSettings()).P[SwarmLeft], 1e-9, "an after-swarm is no 3 kg")
}

func TestOnlyACleanFallIsOne(t *testing.T) {
	set := DefaultSettings()
	for _, c := range []struct {
		name string
		edit func(d *Departure)
		want bool
	}{
		{"a swarm's", func(*Departure) {}, true},
		{"with something lifted off", func(d *Departure) { d.LowestKg = 40 }, false},
		{"of a box", func(d *Departure) { d.AfterKg, d.LowestKg = 30, 30 }, false},
		{"over hours", func(d *Departure) { d.QuietFrom = d.Before.Add(3 * time.Hour) }, false},
		{"upward", func(d *Departure) { d.AfterKg, d.HighestKg = 52, 52 }, false},
	} {
		d, _ := aSwarm()
		c.edit(d)
		require.Equal(t, c.want, CleanFall(d, set), c.name)
	}
}

// sampled is the departure that a curve of weights and inside temperatures ends
// in, a sample every so often, an hour of quiet after it.
func sampled(t *testing.T, every time.Duration, noiseKg float64, kg, insideC []float64) *Departure {
	t.Helper()
	det := NewDetector(DefaultSettings())
	var found *Departure
	for i := range len(kg) + int(time.Hour/every) + 1 {
		k := min(i, len(kg)-1)
		s := condition.Sample{Time: noon.Add(time.Duration(i) * every), WeightKg: kg[k], LowKg: kg[k], HighKg: kg[k],
			InsideTempC: insideC[min(i, len(insideC)-1)], InsideRHPct: outyard.Unknown}
		if i > 0 {
			s.StepKg, s.StepSpan = kg[k]-kg[min(i-1, len(kg)-1)], every
		}
		if d := det.Next(s, noiseKg, outyard.Unknown); d != nil {
			found = d
		}
	}
	require.NotNil(t, found)
	return found
}

// A nest was hot between two readings that saw its ends: 0.2 °C, and never colder
// than before. (A curve of the demonstration that was once taken for work.)
func TestASwarmIsToldWhoseHeatFellBetweenTwoReadings(t *testing.T) {
	var weights, warm []float64
	for range 24 { // the morning
		weights, warm = append(weights, 84.9), append(warm, 33.0)
	}
	weights = append(weights, 84.91, 84.97, 85.03, 85.09, 85.15, 85.20, 85.25, 85.30, 85.21, 83.25, 83.25, 83.30)
	warm = append(warm, 33.0, 33.0, 32.9, 33.0, 33.0, 33.1, 33.1, 33.3, 33.3, 33.3, 33.2, 33.2)
	set := DefaultSettings()
	d := sampled(t, 10*time.Minute, 0.01, weights, warm)
	_, around := aSwarm()
	around.LidKg, around.Quiet = 4.4, 10*time.Minute
	v := Explain(d, around, set)
	require.True(t, v.Swarm(set), v.P)

	// As warm as before is what a short look leaves as well, and colder more so.
	last := v.P[SwarmLeft]
	for _, off := range []float64{-0.2, -1} {
		cooler := slices.Clone(warm)
		for i := 24 + 7; i < len(cooler); i++ {
			cooler[i] += off
		}
		v := Explain(sampled(t, 10*time.Minute, 0.01, weights, cooler), around, set)
		require.Less(t, v.P[SwarmLeft], last, "%.1f °C", off)
		last = v.P[SwarmLeft]
	}
}

// Hourly, the last reading before the fall is the one that may see the heat.
func TestAnHourlyReadingBeforeTheFallMaySeeTheHeat(t *testing.T) {
	weights := []float64{47.9, 47.95, 48, 48, 47.95, 47.9, 47.6, 45.4}
	usual := []float64{34.1, 34.0, 34.2, 34.1, 34.1, 34.2, 34.2, 34.2}
	hot := []float64{34.1, 34.0, 34.2, 34.1, 34.1, 34.2, 35.7, 34.2}
	require.InDelta(t, 1.5, sampled(t, time.Hour, 0.02, weights, hot).WarmedK, 0.2)
	require.InDelta(t, 0, sampled(t, time.Hour, 0.02, weights, usual).WarmedK, 0.2)
}

// Away from the nest it gets colder when the bees that warmed the place are gone;
// at the nest only under an open lid.
func TestColdMeansAnOpenLidAtTheNestAlone(t *testing.T) {
	odds := func(coldK float64, inNest bool, every time.Duration) float64 {
		d, c := aSwarm()
		d.WarmedK, d.CooledK, d.MovesK, d.Cadence = -coldK, coldK, 0.3, every
		d.Start, d.End, d.QuietFrom = noon.Add(every), noon.Add(every), noon.Add(every)
		c.BroodProbe = inNest
		v := Explain(d, c, DefaultSettings())
		return math.Log(v.P[SwarmLeft] / v.P[KeepersWork])
	}
	for _, every := range []time.Duration{10 * time.Minute, time.Hour} {
		nest := odds(0, true, every) - odds(1.5, true, every)
		away := odds(0, false, every) - odds(1.5, false, every)
		require.Greater(t, nest, 2.0, every)
		require.Less(t, away, 1.0, every)
		require.Greater(t, odds(0, false, every)-odds(4, false, every), 2.0, "four degrees are an open lid's: %s", every)
	}
	require.Less(t, odds(0, false, time.Hour)-odds(2, false, time.Hour), odds(0, false, 10*time.Minute)-odds(2, false, 10*time.Minute),
		"an hour later a hive that was opened is warm again")
}

// A colony of few foragers cannot be less busy by as much a kilogram as a strong
// one.
func TestAWeakColonyLosesNoMoreForagersThanItHas(t *testing.T) {
	p := func(before, ratio float64) float64 {
		d, c := aSwarm()
		d.WarmedK, d.CooledK = outyard.Unknown, outyard.Unknown
		c.Busy = activity.Change{Ratio: ratio, Before: before, Standard: 0.1, Mates: true}
		return Explain(d, c, DefaultSettings()).P[SwarmLeft]
	}
	// 2.2 kg left: at half as busy a colony that was a third of the yard's usual
	// lost 0.08 a kilogram, one that was twice as busy 0.45.
	unknown := p(0.35, outyard.Unknown)
	require.Greater(t, p(0.35, 0.5), unknown)
	require.Less(t, p(0.35, 1.1), unknown)
	require.Greater(t, p(0.9, 0.5), unknown)
}

// A hive that lies open is as cold as one that is worked on.
func TestColdSpeaksForNoWorkAgainstAHiveKnockedOver(t *testing.T) {
	odds := func(coldK float64) float64 {
		d, c := aSwarm()
		d.AfterKg, d.LowestKg, d.WarmedK, d.CooledK, d.MovesK = 6, 6, -coldK, coldK, 0.3
		c.BroodProbe, c.SunDeg, c.SolarHour, c.SwarmSeason = false, 2, 8, -1.5
		v := Explain(d, c, DefaultSettings())
		return math.Log(v.P[Overturned] / v.P[KeepersWork])
	}
	require.GreaterOrEqual(t, odds(6), odds(0)-1e-9)
}
