package flow

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"outyard"
	"outyard/analysis/robust"
)

// The bootstrap of comparisons: blocks of three days, as weather lasts. With
// 600 draws the bounds are good to about a tenth of their distance.
const (
	compareDraws, compareBlock, compareSeed = 600, 3, 20
	// Fewer days in common say nothing.
	fewestDaysInCommon = 7
	// A difference below this is a matter of scales, not of yards.
	leastDifferenceKg = 0.03
	// A hive's row counts from this share of the day on.
	compareCoverage = 0.5
)

// A Standing is what one yard has gained.
type Standing struct {
	Yard      outyard.YardID
	Hives     int // most that spoke on a day
	Days      int // on which at least one did
	From, To  outyard.Date
	KgPerDay  float64 // median over days of the average hive's gain
	Low, High float64 // of KgPerDay, nine times in ten
	SeasonKg  float64 // of the average hive, summed over the days seen
	// KgPerTripMinute is what a usual day of the whole yard brings for each
	// minute of driving there and back; NaN where the trip is not known.
	KgPerTripMinute float64
}

// Standings says what each yard gained over the days given, the best first.
// Yards of which nothing is known come last, with NaN.
func Standings(yards []outyard.Yard, days []outyard.Day) []Standing {
	byYard := gainsByYard(days)
	out := make([]Standing, 0, len(yards))
	for _, y := range yards {
		out = append(out, byYard[y.ID].standing(y))
	}
	slices.SortStableFunc(out, func(a, b Standing) int {
		if ka, kb := outyard.Known(a.KgPerDay), outyard.Known(b.KgPerDay); ka != kb {
			return cmp.Compare(b.Days, a.Days)
		}
		return cmp.Compare(b.KgPerDay, a.KgPerDay)
	})
	return out
}

// A Difference is how much more the one yard gains than the other.
type Difference struct {
	A, B      outyard.YardID
	Days      int     // seen in both
	KgPerDay  float64 // median over those days of A's gain less B's
	Low, High float64
	// Real says that the interval leaves no room for no difference.
	Real bool
	// Summary says it in a sentence.
	Summary string
}

// Differences compares each yard with each other, by the days on which both
// were seen: the weather, common to both, falls out. The more pairs there are
// the wider the intervals (Bonferroni), so that nine times in ten not one of
// the differences called real is an accident. Which colonies happen to stand in a
// yard is such an accident as well: how far the hives of a yard gain apart
// widens the intervals, the more the fewer they are. Of two yards with one hive
// each that is taken from the other yards; where no yard has two, yard and
// colony cannot be told apart, and no difference is called real.
func Differences(yards []outyard.Yard, days []outyard.Day) []Difference {
	byYard := gainsByYard(days)
	pairs := len(yards) * (len(yards) - 1) / 2
	if pairs == 0 {
		return nil
	}
	b := robust.Bootstrap{Level: 1 - (1-intervalLevel)/float64(pairs), Draws: compareDraws, Block: compareBlock, Seed: compareSeed}
	var everywhere unlikeness
	for _, y := range yards {
		of := byYard[y.ID].apart()
		everywhere.sumSquares += of.sumSquares
		everywhere.free += of.free
	}
	out := make([]Difference, 0, pairs)
	for i, x := range yards {
		for _, y := range yards[i+1:] {
			out = append(out, compare(b, x, y, byYard[x.ID], byYard[y.ID], everywhere))
		}
	}
	return out
}

func compare(b robust.Bootstrap, x, y outyard.Yard, gx, gy *yardGains, everywhere unlikeness) Difference {
	d := Difference{A: x.ID, B: y.ID}
	var difference []float64
	if gx != nil && gy != nil {
		for i, date := range gx.dates {
			if other, ok := gy.on(date); ok {
				difference = append(difference, gx.kg[i]-other)
			}
		}
	}
	d.Days = len(difference)
	d.KgPerDay, d.Low, d.High = b.Median(difference)
	apart := gx.apart().with(gy.apart(), everywhere)
	if outyard.Known(apart) {
		at := distuv.UnitNormal.Quantile(0.5 + b.Level/2)
		d.Low = d.KgPerDay - math.Hypot(d.KgPerDay-d.Low, at*apart)
		d.High = d.KgPerDay + math.Hypot(d.High-d.KgPerDay, at*apart)
	}
	enough := d.Days >= fewestDaysInCommon
	d.Real = enough && outyard.Known(apart) && (d.Low > 0 || d.High < 0) && math.Abs(d.KgPerDay) >= leastDifferenceKg
	switch {
	case !enough:
		d.Summary = fmt.Sprintf("%s and %s have %d days in common: too few to compare.", title(x), title(y), d.Days)
	case !outyard.Known(apart):
		d.Summary = fmt.Sprintf("One hive each at %s and %s: whether yard or colony makes the difference of %+.2f kg a day (%d days) cannot be told.", title(x), title(y), d.KgPerDay, d.Days)
	case !d.Real:
		d.Summary = fmt.Sprintf("No difference is shown between %s and %s over %d days: %+.2f kg a day (%+.2f to %+.2f).", title(x), title(y), d.Days, d.KgPerDay, d.Low, d.High)
	case d.KgPerDay > 0:
		d.Summary = fmt.Sprintf("A hive at %s gains %.2f kg a day more than one at %s (%.2f to %.2f, %d days).", title(x), d.KgPerDay, title(y), d.Low, d.High, d.Days)
	default:
		d.Summary = fmt.Sprintf("A hive at %s gains %.2f kg a day more than one at %s (%.2f to %.2f, %d days).", title(y), -d.KgPerDay, title(x), -d.High, -d.Low, d.Days)
	}
	return d
}

func title(y outyard.Yard) string {
	if y.Name != "" {
		return y.Name
	}
	return string(y.ID)
}

// yardGains are the days on which a yard was seen, by date.
type yardGains struct {
	dates []outyard.Date
	kg    []float64 // of the average hive
	hives int
	off   map[outyard.HiveID][]float64 // by how much each gained more than that
}

// An unlikeness is how far the hives of yards gain apart.
type unlikeness struct {
	sumSquares float64 // of the hives' usual departure from their yard's gain, kg a day
	free       int     // hives less yards
	perHives   float64 // the sum of 1/hives over the yards
}

// apart is the unlikeness of one yard; of nothing where nothing is known.
func (g *yardGains) apart() unlikeness {
	if g == nil || len(g.off) == 0 {
		return unlikeness{}
	}
	hives := slices.Sorted(maps.Keys(g.off))
	sp := unlikeness{free: len(hives) - 1, perHives: 1 / float64(len(hives))}
	usual := make([]float64, 0, len(hives))
	for _, h := range hives {
		usual = append(usual, robust.Median(g.off[h]))
	}
	m := mean(usual)
	for _, v := range usual {
		sp.sumSquares += (v - m) * (v - m)
	}
	return sp
}

// with is the standard error of the difference of two yards' gains because of
// the colonies that stand there, as if of a normal distribution though it is
// Student's. Where neither has two hives it goes by how far those of all yards
// gain apart; it is NaN where no yard has two.
func (s unlikeness) with(o, everywhere unlikeness) float64 {
	free, sumSquares := s.free+o.free, s.sumSquares+o.sumSquares
	if free == 0 {
		free, sumSquares = everywhere.free, everywhere.sumSquares
	}
	if free == 0 || s.perHives == 0 || o.perHives == 0 {
		return outyard.Unknown
	}
	const ninetyFifth = 0.95
	heavier := distuv.StudentsT{Sigma: 1, Nu: float64(free)}.Quantile(ninetyFifth) / distuv.UnitNormal.Quantile(ninetyFifth)
	return heavier * math.Sqrt(sumSquares/float64(free)*(s.perHives+o.perHives))
}

func gainsByYard(days []outyard.Day) map[outyard.YardID]*yardGains {
	type key struct {
		yard outyard.YardID
		date outyard.Date
	}
	gains := map[key][]float64{}
	byHive := map[key]map[outyard.HiveID]float64{}
	for _, d := range days {
		if d.Hive == "" || !outyard.Known(d.GainKg) || d.Coverage < compareCoverage {
			continue
		}
		k := key{d.Yard, d.Date}
		gains[k] = append(gains[k], d.GainKg)
		if byHive[k] == nil {
			byHive[k] = map[outyard.HiveID]float64{}
		}
		byHive[k][d.Hive] = d.GainKg
	}
	keys := make([]key, 0, len(gains))
	for k := range gains {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b key) int { return a.date.Sub(b.date) })
	out := map[outyard.YardID]*yardGains{}
	for _, k := range keys {
		g := out[k.yard]
		if g == nil {
			g = &yardGains{off: map[outyard.HiveID][]float64{}}
			out[k.yard] = g
		}
		slices.Sort(gains[k]) // the sum of the mean must not depend on the rows' order
		g.dates = append(g.dates, k.date)
		kg := robust.BiweightMean(gains[k])
		g.kg = append(g.kg, kg)
		for hive, own := range byHive[k] {
			g.off[hive] = append(g.off[hive], own-kg)
		}
		g.hives = max(g.hives, len(gains[k]))
	}
	return out
}

func (g *yardGains) on(d outyard.Date) (kg float64, ok bool) {
	i, found := slices.BinarySearchFunc(g.dates, d, func(a, b outyard.Date) int { return a.Sub(b) })
	if !found {
		return outyard.Unknown, false
	}
	return g.kg[i], true
}

func (g *yardGains) standing(y outyard.Yard) Standing {
	s := Standing{Yard: y.ID, KgPerDay: outyard.Unknown, Low: outyard.Unknown, High: outyard.Unknown,
		SeasonKg: outyard.Unknown, KgPerTripMinute: outyard.Unknown}
	if g == nil {
		return s
	}
	s.Hives, s.Days = g.hives, len(g.dates)
	s.From, s.To = g.dates[0], g.dates[len(g.dates)-1]
	b := robust.Bootstrap{Level: intervalLevel, Draws: compareDraws, Block: compareBlock, Seed: compareSeed}
	s.KgPerDay, s.Low, s.High = b.Median(g.kg)
	s.SeasonKg = 0
	for _, kg := range g.kg {
		s.SeasonKg += kg
	}
	if y.TripMinutes > 0 {
		hives := max(len(y.Hives), s.Hives)
		s.KgPerTripMinute = s.KgPerDay * float64(hives) / (2 * y.TripMinutes)
	}
	return s
}
