package simulator

import (
	"time"

	"outyard"
)

// A bloom is a nectar flow of one yard.
type bloom struct {
	what       string
	from, to   int64
	nectarKg   float64                    // a fine day, for the standard colony, at its height
	sugar      float64                    // share of sugar in the nectar
	dayGainsKg map[outyard.Date][]float64 // of the yard's hives
}

// level is 0 outside the flow and 1 at its height. The first day already gives
// a good part and the last still some, so that its ends are days one can name.
func (b *bloom) level(t int64) float64 {
	if t < b.from || t >= b.to {
		return 0
	}
	return min(1, mix(0.5, 1, ramp(float64(t-b.from), 0, 2*daySec)), mix(0.35, 1, ramp(float64(b.to-t), 0, 3*daySec)))
}

// bloomsOf draws a yard's two flows of a year: big-leaved trees at the end of
// winter, bramble in summer. The district's year comes first, the yard's own
// place in it second.
func bloomsOf(seed uint64, yard, year int, zone *time.Location) []*bloom {
	district, own := newDice(seed, "bloom", year), newDice(seed, "bloom", year, yard)
	date := func(month time.Month, day int, shift float64) int64 {
		return outyard.Date{Year: year, Month: month, Day: day}.Add(int(shift)).Start(zone).Unix()
	}
	tree := &bloom{what: Tree, sugar: 0.33, from: date(time.March, 16, district.normal(0, 4)+own.normal(0, 1.5))}
	tree.to = tree.from + int64(district.between(20, 30)+own.between(-2, 2))*daySec
	tree.nectarKg = district.between(6, 13) * own.between(0.75, 1.2)
	bramble := &bloom{what: Bramble, sugar: 0.36, from: date(time.June, 12, district.normal(0, 4)+own.normal(0, 1.5))}
	bramble.to = bramble.from + int64(district.between(33, 44)+own.between(-3, 3))*daySec
	bramble.nectarKg = district.between(1.1, 2.7) * own.between(0.75, 1.2)
	return []*bloom{tree, bramble}
}

// offer is what the yard's plants give at an instant.
func (y *yard) offer(t int64, doy float64) (nectarKg, sugar, pollenKg float64) {
	nectarKg, sugar = usualNectarKg.at(doy), 0.35
	for _, b := range y.blooms {
		if l := b.level(t); l > 0 {
			nectarKg += l * b.nectarKg
			sugar = b.sugar
		}
	}
	return nectarKg, sugar, usualPollenKg.at(doy)
}
