package flow

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var (
	heronYard = outyard.Yard{ID: "heron-point", Name: "Heron Point", TripMinutes: 30, Hives: make([]outyard.Hive, 4)}
	millYard  = outyard.Yard{ID: "mill-meadow", Name: "Mill Meadow", TripMinutes: 10, Hives: make([]outyard.Hive, 4)}
	emptyYard = outyard.Yard{ID: "far-bog"}
)

// rows invents the daily table of yards that differ by so many kg a day.
func rows(seed uint64, days int, moreKg float64) []outyard.Day {
	random := rand.New(rand.NewPCG(seed, 3))
	var out []outyard.Day
	for i := range days {
		weather := 1.5 * random.NormFloat64() // common to both
		for _, y := range []struct {
			id   outyard.YardID
			more float64
		}{{heronYard.ID, moreKg}, {millYard.ID, 0}} {
			for _, h := range []outyard.HiveID{"a", "b", "c", "d"} {
				out = append(out, outyard.Day{Date: date(time.May, 1).Add(i), Yard: y.id, Hive: h,
					GainKg: weather + y.more + 0.2*random.NormFloat64(), Coverage: 1})
			}
		}
	}
	return out
}

func TestYardsAreComparedDayByDay(t *testing.T) {
	for _, c := range []struct {
		name    string
		days    []outyard.Day
		real    bool
		summary string
	}{
		{"0.4 kg a day shows through weather that swings by kilograms", rows(1, 30, 0.4), true, "A hive at Heron Point gains 0."},
		{"the lesser yard may be named first", rows(1, 30, -0.4), true, "A hive at Mill Meadow gains 0."},
		{"yards that do not differ are said not to", rows(1, 30, 0), false, "No difference is shown between Heron Point and Mill Meadow over 30 days"},
		{"five days are too few", rows(1, 5, 3), false, "5 days in common: too few"},
		{"no days are too few", nil, false, "0 days in common: too few"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := Differences([]outyard.Yard{heronYard, millYard}, c.days)
			require.Len(t, d, 1)
			require.Equal(t, c.real, d[0].Real, d[0].Summary)
			require.Contains(t, d[0].Summary, c.summary)
			require.NotContains(t, d[0].Summary, "NaN")
		})
	}
}

func TestADifferenceIsSeldomFoundWhereThereIsNone(t *testing.T) {
	found := 0
	for seed := range uint64(100) {
		if Differences([]outyard.Yard{heronYard, millYard}, rows(seed, 25, 0))[0].Real {
			found++
		}
	}
	require.LessOrEqual(t, found, 15, "one in ten is what the interval allows")
}

// Colonies differ, and which of them stand in a yard is no merit of the yard: by
// intervals of nine in ten no more than one in ten of yards that are the same
// may be said to differ, give or take the chance of 200 draws (27 in 19 of 20
// tries, by the binomial distribution).
func TestStrongerColoniesAreNoBetterYard(t *testing.T) {
	const tries, mostOfNone = 200, 27
	told := func(days int, spreadKg, moreKg float64) (real, held int) {
		for seed := range uint64(tries) {
			random := rand.New(rand.NewPCG(seed, 7))
			own := map[outyard.YardID]map[outyard.HiveID]float64{}
			all := rows(seed, days, moreKg)
			for i := range all {
				r := &all[i]
				if own[r.Yard] == nil {
					own[r.Yard] = map[outyard.HiveID]float64{}
				}
				if _, ok := own[r.Yard][r.Hive]; !ok {
					own[r.Yard][r.Hive] = spreadKg * random.NormFloat64()
				}
				r.GainKg += own[r.Yard][r.Hive]
			}
			d := Differences([]outyard.Yard{heronYard, millYard}, all)[0]
			if d.Real {
				real++
			}
			if d.Low <= moreKg && moreKg <= d.High {
				held++
			}
		}
		return real, held
	}
	for _, c := range []struct {
		days     int
		spreadKg float64
	}{{14, 0.3}, {30, 0.2}, {90, 0.3}} {
		real, held := told(c.days, c.spreadKg, 0)
		require.LessOrEqual(t, real, mostOfNone, "of %d over %d days", tries, c.days)
		require.GreaterOrEqual(t, held, tries-mostOfNone)
		_, held = told(c.days, c.spreadKg, 0.4)
		require.GreaterOrEqual(t, held, tries-mostOfNone, "a difference lies within its bounds")
	}
	real, _ := told(30, 0.2, 0.8)
	require.Greater(t, real, tries*9/10, "and what is four spreads of a colony is told")
}

// Of one hive each nobody knows whether yard or colony makes the difference;
// other yards may tell how far colonies differ.
func TestOneHiveEachIsNoYard(t *testing.T) {
	alone := func(moreKg float64) []outyard.Day {
		return slices.DeleteFunc(rows(3, 60, moreKg), func(d outyard.Day) bool { return d.Hive != "a" })
	}
	d := Differences([]outyard.Yard{heronYard, millYard}, alone(0.6))[0]
	require.False(t, d.Real)
	require.Contains(t, d.Summary, "One hive each at Heron Point and Mill Meadow")
	require.Contains(t, d.Summary, "+0.6")
	require.InDelta(t, 0.6, d.KgPerDay, 0.1)

	// A third yard, whose colonies gain 0.5 kg a day apart or next to nothing.
	elsewhere := func(apartKg float64) Difference {
		days := alone(0.6)
		for _, r := range rows(4, 60, 0) {
			if r.Yard == millYard.ID {
				r.Yard = emptyYard.ID
				r.GainKg += apartKg * (float64(r.Hive[0]-'a') - 1.5)
				days = append(days, r)
			}
		}
		return Differences([]outyard.Yard{heronYard, millYard, emptyYard}, days)[0]
	}
	require.True(t, elsewhere(0.02).Real, "%+v", elsewhere(0.02))
	require.False(t, elsewhere(0.5).Real, "%+v", elsewhere(0.5))
	require.Contains(t, elsewhere(0.5).Summary, "No difference is shown")
}

func TestOneSwarmedHiveDoesNotSpeakForTheYard(t *testing.T) {
	days := rows(2, 20, 0)
	for i := range days {
		if days[i].Yard == heronYard.ID && days[i].Hive == "c" {
			days[i].GainKg -= 2
		}
	}
	d := Differences([]outyard.Yard{heronYard, millYard}, days)[0]
	require.InDelta(t, 0, d.KgPerDay, 0.15)
	require.False(t, d.Real)
}

func TestStandings(t *testing.T) {
	days := rows(1, 30, 0.5)
	days[3].GainKg, days[9].Coverage = outyard.Unknown, 0.1
	s := Standings([]outyard.Yard{emptyYard, millYard, heronYard}, days)
	require.Equal(t, []outyard.YardID{"heron-point", "mill-meadow", "far-bog"}, []outyard.YardID{s[0].Yard, s[1].Yard, s[2].Yard})
	best, second, none := s[0], s[1], s[2]
	require.InDelta(t, 0.5, best.KgPerDay-second.KgPerDay, 0.1)
	require.True(t, best.Low < best.KgPerDay && best.KgPerDay < best.High)
	require.Equal(t, 30, best.Days)
	require.Equal(t, date(time.May, 30), best.To)
	require.InDelta(t, 30*0.5, best.SeasonKg-second.SeasonKg, 3)
	// A day's gain of four hives over 60 minutes of driving.
	require.InDelta(t, best.KgPerDay*4/60, best.KgPerTripMinute, 1e-12)
	require.Zero(t, none.Days)
	for _, v := range []float64{none.KgPerDay, none.Low, none.SeasonKg, none.KgPerTripMinute} {
		require.False(t, outyard.Known(v))
	}

	slices.Reverse(days)
	again := Standings([]outyard.Yard{heronYard, millYard}, days)
	require.Equal(t, best, again[0], "the order of rows does not matter")
}

func TestNoYardsNoDifferences(t *testing.T) {
	require.Empty(t, Differences(nil, nil))
	require.Empty(t, Differences([]outyard.Yard{heronYard}, rows(1, 3, 0)))
	require.Empty(t, Standings(nil, nil))
}
