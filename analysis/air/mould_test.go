package air

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// All expected values of this file: the VTT model of Hukka & Viitanen (1999)
// in the class form of 2010, run by an independent script.

func TestCriticalHumidity(t *testing.T) {
	for c, want := range map[float64]float64{
		-1: 100, 0: 100, 2: 94.36, 5: 88.02, 8: 83.83, 10: 82.03, 12: 80.87, 15: 80.04,
		18: 80.00 /* the raw cubic dips to 79.93 */, 20: 80.04, 25: 80.00,
	} {
		require.InDelta(t, want, VerySensitive.CriticalRHPct(c), 0.01, "%g °C", c)
	}
	require.InDelta(t, 85, Resistant.CriticalRHPct(25), 0)
}

func TestTimesRatesAndCeilings(t *testing.T) {
	for _, row := range []struct{ tempC, rhPct, tm, tv, k1, greatest, aDay float64 }{
		{20, 97, 1.484, 2.983, 1.979, 5.504, 0.09630},
		{20, 90, 4.202, 7.734, 2.380, 3.995, 0.03400},
		{15, 95, 2.410, 4.810, 2.008, 5.123, 0.05928},
		{10, 95, 3.175, 6.493, 1.914, 5.010, 0.04499},
		{10, 90, 6.732, 12.92, 2.177, 3.711, 0.02122},
		{5, 95, 5.087, 10.84, 1.767, 4.400, 0.02808},
		{25, 85, 7.991, 13.57, 2.867, 2.625, 0.01788},
	} {
		tm, tv := WeeksToSome(row.tempC, row.rhPct), WeeksToVisible(row.tempC, row.rhPct)
		require.InEpsilon(t, row.tm, tm, 0.001, "%v", row)
		require.InEpsilon(t, row.tv, tv, 0.001, "%v", row)
		// The factor of 1999 for the late stage, near the class form's 2.
		require.InEpsilon(t, row.k1, 2/(tv/tm-1), 0.001, "%v", row)
		require.InEpsilon(t, row.greatest, VerySensitive.GreatestIndex(row.tempC, row.rhPct), 0.001, "%v", row)
		m := NewMould(VerySensitive, 1)
		m.Hour(row.tempC, row.rhPct)
		// The source leaves the slowing near the ceiling out: 0.25 % at most.
		require.InEpsilon(t, row.aDay, 24*m.Index, 0.003, "%v", row)
	}
	require.InEpsilon(t, 4.676, Sensitive.GreatestIndex(20, 97), 0.001)
	require.Zero(t, VerySensitive.GreatestIndex(20, 60))
}

// run holds a surface at tempC and rhPct for some days.
func run(m *Mould, tempC, rhPct float64, days int) {
	for range days * 24 {
		m.Hour(tempC, rhPct)
	}
}

func dayOf(class Sensitivity, level, tempC, rhPct float64) float64 {
	m := NewMould(class, 1)
	for hour := range 400 * 24 {
		if m.Index >= level {
			return float64(hour) / 24
		}
		m.Hour(tempC, rhPct)
	}
	return math.NaN()
}

func TestConstantConditions(t *testing.T) {
	for _, row := range []struct{ tempC, rhPct, day1, day3, at7, at28, at84, sensitive84 float64 }{
		{20, 97, 10.42, 20.83, 0.6741, 4.357, 5.504, 3.430},
		{20, 90, 29.46, 59.54, 0.2380, 0.9516, 3.919, 1.426},
		{15, 95, 16.88, 33.79, 0.4149, 2.319, 5.123, 2.250},
		{10, 95, 22.25, 44.54, 0.3149, 1.518, 4.998, 1.789},
		{10, 90, 47.17, 96.50, 0.1485, 0.5939, 2.534, 1.016},
		{5, 95, 35.62, 71.54, 0.1966, 0.7862, 3.636, 1.241},
		{25, 85, 56.50, math.NaN(), 0.1248, 0.4983, 1.903, 0.8199},
		{8, 92, 40.46, 81.75, 0.1732, 0.6928, 3.101, 1.131},
	} {
		require.InDelta(t, row.day1, dayOf(VerySensitive, 1, row.tempC, row.rhPct), 0.1, "%v", row)
		if day3 := dayOf(VerySensitive, 3, row.tempC, row.rhPct); math.IsNaN(row.day3) {
			require.True(t, math.IsNaN(day3), "%v", row)
		} else {
			require.InDelta(t, row.day3, day3, 0.1, "%v", row)
		}
		m := NewMould(VerySensitive, 1)
		run(&m, row.tempC, row.rhPct, 7)
		require.InEpsilon(t, row.at7, m.Index, 0.005, "%v", row)
		run(&m, row.tempC, row.rhPct, 21)
		require.InEpsilon(t, row.at28, m.Index, 0.005, "%v", row)
		run(&m, row.tempC, row.rhPct, 56)
		require.InEpsilon(t, row.at84, m.Index, 0.005, "%v", row)
		s := NewMould(Sensitive, 1)
		run(&s, row.tempC, row.rhPct, 84)
		require.InEpsilon(t, row.sensitive84, s.Index, 0.005, "%v", row)
	}
}

func TestGrowthStopsAtTheGreatestIndex(t *testing.T) {
	m := NewMould(VerySensitive, 1)
	run(&m, 25, 85, 400)
	require.LessOrEqual(t, m.Index, 2.625+0.005)
	require.Greater(t, m.Index, 2.4)
}

func TestDecline(t *testing.T) {
	m := NewMould(VerySensitive, 1)
	m.Index = 2
	for hour := 1; hour <= 7*24; hour++ {
		m.Hour(20, 60)
		if want, ok := map[int]float64{6: 1.992, 24: 1.992, 48: 1.976, 168: 1.896}[hour]; ok {
			require.InDelta(t, want, m.Index, 0.0005, "after %d h", hour)
		}
	}
	slow := NewMould(VerySensitive, 0.1)
	slow.Index = 2
	run(&slow, 20, 60, 7)
	require.InDelta(t, 1.9896, slow.Index, 0.0005)
}

func TestCycles(t *testing.T) {
	cycle := func(fading, tempC, wetRH, dryRH float64, wetHours, days int) float64 {
		m := NewMould(VerySensitive, fading)
		for h := range days * 24 {
			if h%24 < wetHours {
				m.Hour(tempC, wetRH)
			} else {
				m.Hour(tempC, dryRH)
			}
		}
		return m.Index
	}
	require.InEpsilon(t, 0.4890, cycle(1, 12, 95, 75, 12, 28), 0.005)
	require.InEpsilon(t, 0.9780, cycle(1, 12, 95, 75, 12, 56), 0.005)
	require.InEpsilon(t, 0.6906, cycle(0.1, 12, 95, 75, 12, 28), 0.005)
	require.InEpsilon(t, 1.774, cycle(0.1, 12, 95, 75, 12, 56), 0.005)
	require.InEpsilon(t, 0.7208, cycle(1, 10, 95, 80, 18, 28), 0.005)
	require.InEpsilon(t, 2.026, cycle(1, 10, 95, 80, 18, 56), 0.005)
	require.InEpsilon(t, 2.707, cycle(0.1, 10, 95, 80, 18, 56), 0.005)
}

func TestTheIndexStaysBetweenZeroAndSixWhateverComes(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for _, class := range []Sensitivity{VerySensitive, Sensitive, MediumResistant, Resistant, 77} {
		m := NewMould(class, 1)
		for range 20000 {
			m.Hour(-30+rnd.Float64()*100, -20+rnd.Float64()*140)
			require.GreaterOrEqual(t, m.Index, 0.0)
			require.LessOrEqual(t, m.Index, 6.01)
		}
	}
	dry := NewMould(VerySensitive, 1)
	run(&dry, 20, 40, 60)
	require.Zero(t, dry.Index)
}

func TestHoursThatAreNotKnownNeitherGrowNorDecline(t *testing.T) {
	m := NewMould(VerySensitive, 1)
	run(&m, 20, 97, 14)
	before := m.Index
	for range 100 {
		m.Hour(math.NaN(), 97)
		m.Hour(20, math.NaN())
	}
	require.Equal(t, before, m.Index)
	require.Equal(t, 200, m.UnknownHours)
}

func TestTheForecastIsTheDayThatTheModelItselfComesTo(t *testing.T) {
	for _, row := range []struct{ tempC, rhPct, level, days float64 }{
		{10, 95, 1, 22.25}, {10, 95, 3, 44.54}, {20, 97, 1, 10.42}, {20, 97, 3, 20.83}, {5, 95, 1, 35.62}, {5, 95, 3, 71.54},
	} {
		course := Course{Growth: 1 / (7 * WeeksToSome(row.tempC, row.rhPct)), Greatest: VerySensitive.GreatestIndex(row.tempC, row.rhPct)}
		require.InDelta(t, row.days, NewMould(VerySensitive, 1).DaysTo(row.level, course), 1.5, "%v", row)
	}
	m := NewMould(VerySensitive, 1)
	require.True(t, math.IsNaN(m.DaysTo(3, Course{Growth: 0.02, Greatest: 2.6})), "never")
	require.True(t, math.IsNaN(m.DaysTo(1, Course{Growth: math.NaN()})), "not known")
	require.True(t, math.IsNaN(m.DaysTo(1, Course{Decline: 0.01})), "fading")
	m.Index = 1.2
	require.Zero(t, m.DaysTo(1, Course{}), "it is there")
}

// The published differential equation once more, written down another way than
// in the program and solved another way (classical Runge-Kutta, ten minutes a
// step, instead of an hour's Euler): constants of the sensitive classes and of
// the rate law with W = SQ = 0, from the published tables.
func indexByRungeKutta(k1, k2, a, b, c, floor, tempC, rhPct, days float64) float64 {
	t2 := tempC * tempC
	crit := math.Max(floor, 100-3.13*tempC+0.16*t2-0.00267*t2*tempC)
	hoursToOne := 168 * math.Exp(66.02) * math.Pow(tempC, -0.68) * math.Pow(rhPct, -13.9)
	x := (rhPct - crit) / (100 - crit)
	top := a + x*(b-c*x)
	rate := func(m float64) float64 {
		k := k1
		if m >= 1 {
			k = k2
		}
		return k * math.Max(0, 1-math.Exp(2.3*(m-top))) / hoursToOne
	}
	const h = 1.0 / 6
	m := 0.0
	for range int(days * 24 / h) {
		r1 := rate(m)
		r2 := rate(m + h/2*r1)
		r3 := rate(m + h/2*r2)
		r4 := rate(m + h*r3)
		m += h / 6 * (r1 + 2*r2 + 2*r3 + r4)
	}
	return m
}

func TestTheIndexIsWhatAnotherSolutionOfTheSameEquationGives(t *testing.T) {
	for _, class := range []struct {
		says                   string
		is                     Sensitivity
		k1, k2, a, b, c, floor float64
	}{
		{"very sensitive", VerySensitive, 1, 2, 1, 7, 2, 80},
		{"sensitive", Sensitive, 0.578, 0.386, 0.3, 6, 1, 80},
		{"medium resistant", MediumResistant, 0.072, 0.097, 0, 5, 1.5, 85},
		{"resistant", Resistant, 0.033, 0.014, 0, 3, 1, 85},
	} {
		for _, air := range []struct{ tempC, rhPct float64 }{{2, 97}, {5, 95}, {8, 92}, {10, 90}, {12, 98}, {15, 95}, {20, 97}, {25, 90}} {
			for _, days := range []int{7, 28, 84, 200} {
				m := NewMould(class.is, 1)
				run(&m, air.tempC, air.rhPct, days)
				want := indexByRungeKutta(class.k1, class.k2, class.a, class.b, class.c, class.floor, air.tempC, air.rhPct, float64(days))
				require.InEpsilon(t, want, m.Index, 0.01, "%s, %v, %d days", class.says, air, days)
			}
		}
	}
}

// ASHRAE 160 before its addendum e held a surface safe whose humidity stays
// below 80 % in the mean of 30 days at 5 to 40 °C (abstract of a symposium paper
// on the change); since then, one whose index stays below 3 (from memory). On a
// surface that is held so, the first must imply the second.
func TestWhatTheOlderRuleHoldsSafeGrowsNothing(t *testing.T) {
	for _, class := range []Sensitivity{VerySensitive, Sensitive, MediumResistant, Resistant} {
		for c := 5.0; c <= 40; c += 2.5 {
			safe := NewMould(class, 0.1)
			run(&safe, c, MouldLimitRHPct-0.01, 400)
			require.Zero(t, safe.Index, "%d at %g °C", class, c)
		}
	}
	require.InDelta(t, 80, MouldLimitRHPct, 0)
	require.InDelta(t, 3, MouldVisible, 0)
	wet := NewMould(Sensitive, 0.1)
	run(&wet, 20, 97, 84)
	require.Greater(t, wet.Index, MouldVisible, "and what stands at 97 % in a warm room for a season fails both")
}

// In a gap nothing is known: of an hour, of a day, of thirty days. The surface
// that was drying goes on drying where it was.
func TestAGapLeavesTheIndexAndTheDrynessAsTheyWere(t *testing.T) {
	for _, hours := range []int{1, 24, 30 * 24} {
		whole, gap := NewMould(Sensitive, 1), NewMould(Sensitive, 1)
		for _, m := range []*Mould{&whole, &gap} {
			run(m, 15, 97, 60)
			for range 10 {
				m.Hour(15, 60)
			}
		}
		for range hours {
			gap.Hour(math.NaN(), math.NaN())
		}
		require.Equal(t, hours, gap.UnknownHours)
		for range 40 {
			whole.Hour(15, 60)
			gap.Hour(15, 60)
		}
		require.Equal(t, whole.Index, gap.Index, "%d h", hours)
		require.Equal(t, whole.DryHours, gap.DryHours, "%d h", hours)
	}
}
