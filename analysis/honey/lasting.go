package honey

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"outyard"
	"outyard/analysis/robust"
)

// usePerDay is what a hive uses a day at a date: what its own days without
// income say (a line through the running sum of its gains, by Theil and Sen),
// less what bees and brood shrank by, weighed against the season's table by how
// sure each is. gains are the latest days without income, in order.
func (s Settings) usePerDay(gains []float64, date outyard.Date, latitude, size float64) Amount {
	usual := useKgPerDay.on(date, latitude) * size
	prior := Amount{usual, useError * usual}
	if len(gains) < s.FewestUseDays {
		return prior
	}
	at, sum := make([]float64, len(gains)+1), make([]float64, len(gains)+1)
	for i, g := range gains {
		at[i+1] = float64(i + 1)
		sum[i+1] = sum[i] + g
	}
	line := robust.TheilSen(at, sum, 0.9)
	// The scale weighs bees and brood as well: honey that becomes brood in
	// spring is used and not lost, and bees that die in autumn are lost and no
	// honey.
	grew := colonyKg(date, latitude, size) - colonyKg(date.Add(-len(gains)), latitude, size)
	grew /= float64(len(gains))
	// Four weeks of a colony are not the season, and the error of the line
	// alone would be too proud.
	own := Amount{grew - line.Slope, math.Hypot(math.Hypot((line.High-line.Low)/(2*ninety), leastUseError*usual), growthError*grew)}
	if !outyard.Known(own.Value) || !outyard.Known(own.Error) {
		return prior
	}
	wp, wo := 1/(prior.Error*prior.Error), 1/(own.Error*own.Error)
	return Amount{max((prior.Value*wp+own.Value*wo)/(wp+wo), leastUse*usual), 1 / math.Sqrt(wp+wo)}
}

// colonyKg is the usual weight of bees, brood and bee bread.
func colonyKg(date outyard.Date, latitude, size float64) float64 {
	return (beesKg.on(date, latitude) + broodKg.on(date, latitude)) * size
}

const (
	// What the scale shows on days without income is use to within this share of
	// the usual, however many the days: a trickle of nectar hides some of it,
	// nectar that dries and water that leaves the wood look like it.
	leastUseError = 0.35
	// growthError is the error of what bees and brood grow by, as a share of it:
	// spring comes weeks earlier or later.
	growthError = 0.5
	// No colony lives on less of the usual than this: water that condenses in
	// the hive hides use from the scale.
	leastUse = 0.35
	// persistDays is for how long a colony's use, in so far as it differs from
	// the usual, goes on to do so: the bees of one season make it, and the next
	// season's are others (common practice, no source).
	persistDays = 30
)

// Needs are what a hive uses over the days to come, were nothing to come in.
type needs struct {
	kg  [yearDays + 1]float64 // over so many days
	now float64               // error of what is used now, as a share of it
}

// needsOf is what a hive that now uses so much will: for a start as it does,
// later as the season's table says.
func needsOf(use Amount, date outyard.Date, latitude, size float64) *needs {
	usual := useKgPerDay.from(date, latitude)
	n := &needs{now: use.Error / use.Value}
	differs, keeps := use.Value/(usual(0)*size)-1, math.Exp(-1.0/persistDays)
	for day := 1; day <= yearDays; day++ {
		differs *= keeps
		n.kg[day] = n.kg[day-1] + usual(day)*size*(1+differs)
	}
	return n
}

// errorShare is the error of what is used over so many days, as a share of it.
func (n *needs) errorShare(days int) float64 {
	if days == 0 {
		return n.now
	}
	over := float64(days) / persistDays
	persists := (1 - math.Exp(-over)) / over
	return n.now*persists + useError*(1-persists)
}

// lasts is for how many days so much above the reserve feeds the hive. It looks
// no further than a year.
func (n *needs) lasts(aboveKg float64) float64 {
	if aboveKg <= 0 {
		return 0
	}
	day, _ := slices.BinarySearch(n.kg[:], aboveKg)
	if day > yearDays {
		return yearDays
	}
	return float64(day) - (n.kg[day]-aboveKg)/(n.kg[day]-n.kg[day-1])
}

const yearDays = 365

// short is the chance that stores do not last so many days: their error is
// normal, but that there is no less than none, and use is off by a factor.
func (n *needs) short(stores Amount, reserveKg float64, days int) float64 {
	// Gauss and Hermite's points for the normal distribution, and their weights.
	var points = [...]struct{ z, weight float64 }{{-2.857, 0.01126}, {-1.3556, 0.22208}, {0, 0.53333}, {1.3556, 0.22208}, {2.857, 0.01126}}
	errorKg, share := max(stores.Error, leastStoresError), n.errorShare(days)
	none := distuv.UnitNormal.CDF(-stores.Value / errorKg)
	chance := 0.0
	for _, p := range points {
		wanted := reserveKg + n.kg[days]*math.Exp(p.z*share)
		chance += p.weight * (distuv.UnitNormal.CDF((wanted-stores.Value)/errorKg) - none) / (1 - none)
	}
	return chance
}

// leastStoresError is less than any stores are known to, kg.
const leastStoresError = 0.01

// Lasting is for how many days stores last, and the bounds that hold the truth
// nine times in ten, were nothing to come in.
type Lasting struct{ Days, LowDays, HighDays float64 }

func (n *needs) lasting(stores Amount, reserveKg float64) Lasting {
	after := func(chance float64) float64 {
		return float64(sort.Search(yearDays, func(days int) bool { return n.short(stores, reserveKg, days) >= chance }))
	}
	const tail = 0.05
	best := n.lasts(stores.Value - reserveKg)
	return Lasting{Days: best, LowDays: min(best, after(tail)), HighDays: max(best, after(1-tail))}
}

// winterEnd is the number of days from a date to the first income of spring,
// taken to be 1 April (1 October south of the equator); 0 outside the weeks in
// which there is still time to feed for it, and between the tropics.
func winterEnd(date outyard.Date, latitude float64) int {
	if math.Abs(latitude) < 23.4 {
		return 0
	}
	feed, end := outyard.Date{Year: date.Year, Month: 8, Day: 25}, outyard.Date{Year: date.Year + 1, Month: 4, Day: 1}
	if latitude < 0 {
		feed, end = outyard.Date{Year: date.Year, Month: 2, Day: 25}, outyard.Date{Year: date.Year, Month: 10, Day: 1}
	}
	const feedDays = 67 // to the end of October, when syrup is no more taken down
	if since := date.Sub(feed); since < 0 || since > feedDays {
		return 0
	}
	return end.Sub(date)
}
