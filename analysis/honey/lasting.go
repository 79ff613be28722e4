package honey

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// usePerDay is what a hive uses a day at a date: what its own days without
// income say (a line through the running sum of its gains, by Theil and Sen),
// weighed against the season's table by how sure each is. gains are the latest
// days without income, in order.
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
	// A week of cold or of one warm spell is not the season: the error of the
	// line alone would be too proud.
	own := Amount{-line.Slope, math.Hypot((line.High-line.Low)/(2*ninety), leastUseError*usual)}
	if !outyard.Known(own.Value) || !outyard.Known(own.Error) {
		return prior
	}
	wp, wo := 1/(prior.Error*prior.Error), 1/(own.Error*own.Error)
	return Amount{max((prior.Value*wp+own.Value*wo)/(wp+wo), leastUse*usual), 1 / math.Sqrt(wp+wo)}
}

const (
	leastUseError = 0.2
	// No colony lives on less of the usual than this: water that condenses in
	// the hive hides use from the scale.
	leastUse = 0.35
)

// lasts is for how many days so much above the reserve feeds a hive that now
// uses so much a day, where use goes with the seasons. It looks no further
// than a year.
func lasts(aboveKg, useNow float64, date outyard.Date, latitude float64) float64 {
	usual := useKgPerDay.from(date, latitude)
	usualNow := usual(0)
	for n := range yearDays {
		use := useNow * usual(n+1) / usualNow
		if aboveKg <= use {
			return float64(n) + max(aboveKg, 0)/use
		}
		aboveKg -= use
	}
	return yearDays
}

const yearDays = 365

// needKg is what a hive uses over so many days to come.
func needKg(days int, useNow float64, date outyard.Date, latitude float64) float64 {
	usual := useKgPerDay.from(date, latitude)
	sum := 0.0
	for n := range days {
		sum += useNow * usual(n+1) / usual(0)
	}
	return sum
}

// Lasting is for how many days stores last, and the bounds that hold the truth
// nine times in ten, were nothing to come in.
type Lasting struct{ Days, LowDays, HighDays float64 }

func lasting(stores, use Amount, reserveKg float64, date outyard.Date, latitude float64) Lasting {
	if !stores.Known() || !use.Known() {
		return Lasting{outyard.Unknown, outyard.Unknown, outyard.Unknown}
	}
	days := func(stores, use float64) float64 { return lasts(stores-reserveKg, use, date, latitude) }
	best := days(stores.Value, use.Value)
	lessUse := max(use.Low(), leastUse*use.Value)
	return Lasting{
		Days:     best,
		LowDays:  max(0, best-math.Hypot(best-days(stores.Low(), use.Value), best-days(stores.Value, use.High()))),
		HighDays: min(yearDays, best+math.Hypot(days(stores.High(), use.Value)-best, days(stores.Value, lessUse)-best)),
	}
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
