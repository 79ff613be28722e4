// Package honey answers what a scale alone cannot: how much of the weight is
// honey, how many days it lasts, when there is no more room for it, and
// whether it is ripe.
//
// A scale weighs wood, wax, bees, brood, honey and rain together. The first
// four are reckoned from the parts that the keeper has named and from the
// season; each carries an error, and the errors go into every answer, because
// "30 days" that may be 5 is not the same as "30 days" that may be 25.
package honey

import (
	"math"
	"time"

	"outyard"
)

// Settings are the thresholds of the analysis.
type Settings struct {
	// ReserveKg is what bees cannot reach or must not go below: honey far from
	// the cluster in the cold (common practice: 3-5 kg).
	ReserveKg float64
	// PartError is the error of a part's tabled weight, as a share of it:
	// makers and the wet differ so much.
	PartError float64
	// WaterKg is the error from water in the wood and on the lid, and from a
	// scale whose zero has crept.
	WaterKg float64
	// LowDays is for how many days stores must last for a hive not to be
	// called low on the next round, PressingDays for it not to be pressing,
	// and EnoughDays from when on it is no longer called low: it is higher
	// than LowDays lest a hive at the limit be told about daily.
	LowDays, PressingDays, EnoughDays float64
	// UseDays is over how many of the latest days without income the use is
	// measured, FewestUseDays with how few that is worth doing.
	UseDays, FewestUseDays int
	// FullShare is the share of the honey room at which a super is due: nectar
	// takes 2 to 2.5 times the room of the honey that it becomes, so combs
	// "full" by this share of honey have no free cells (common practice: 60-70 %).
	FullShare float64
	// RoomDays is how many days before the room is used up a super is called for.
	RoomDays float64
	// RoomGainKg is the gain in a day below which room is no question.
	RoomGainKg float64
}

// DefaultSettings are the ones to start from.
func DefaultSettings() Settings {
	return Settings{
		ReserveKg: 3, PartError: 0.15, WaterKg: 1,
		LowDays: 21, PressingDays: 8, EnoughDays: 35,
		UseDays: 28, FewestUseDays: 7,
		FullShare: 0.7, RoomDays: 7, RoomGainKg: 0.3,
	}
}

// An Amount is a number with its standard error, in one unit.
type Amount struct{ Value, Error float64 }

// Known says that there is a number.
func (a Amount) Known() bool { return outyard.Known(a.Value) }

// Low and High are the bounds that hold the truth nine times in ten.
func (a Amount) Low() float64  { return a.Value - ninety*a.Error }
func (a Amount) High() float64 { return a.Value + ninety*a.Error }

// ninety is the 95th percentile of the normal distribution.
const ninety = 1.6449

var unknown = Amount{math.NaN(), math.NaN()}

// table is a course through the year by its twelve months, of which each value
// stands for the middle of the month; north of the tropics.
type table [12]float64

// on reads the table at a date of a yard. South of the tropics the year is
// turned by half; between them there is no winter, and the year's mean holds.
func (t table) on(d outyard.Date, latitude float64) float64 { return t.from(d, latitude)(0) }

// from reads the table so many days after a date.
func (t table) from(d outyard.Date, latitude float64) func(days int) float64 {
	if math.Abs(latitude) < 23.4 {
		sum := 0.0
		for _, v := range t {
			sum += v
		}
		return func(int) float64 { return sum / 12 }
	}
	const months = 12 / 365.2425 // of a day
	newYear := float64(d.Start(time.UTC).YearDay()-1) * months
	if latitude < 0 {
		newYear += 6
	}
	return func(days int) float64 {
		of := newYear + float64(days)*months - 0.5 + 24
		for of >= 12 { // exact, as math.Mod is, in a tenth of its time
			of -= 12
		}
		i := int(of)
		share := of - float64(i)
		return t[i%12]*(1-share) + t[(i+1)%12]*share
	}
}

// Of a colony in two deep boxes, in kg (common practice, no source: bees 1-4,
// in winter 1-2.5; brood and pollen 1-4 in season, 0.5-1 in midwinter; a colony
// fit to winter has 8 to 10 lb of bees, Farrar 1944, USDA Circular 702, and
// some combs of bee bread besides; use in winter after Norrström et al. 2021,
// PLoS ONE 16:e0258398, otherwise 0.1-0.3 a day from the first brood of late
// winter to autumn).
var (
	beesKg      = table{1.9, 1.7, 1.6, 2.2, 3.0, 3.6, 3.7, 3.4, 3.1, 2.8, 2.5, 2.2}
	broodKg     = table{1.0, 1.1, 1.5, 2.4, 3.5, 3.8, 3.5, 2.9, 2.3, 1.8, 1.4, 1.1}
	useKgPerDay = table{0.045, 0.06, 0.12, 0.18, 0.22, 0.22, 0.20, 0.16, 0.11, 0.07, 0.05, 0.04}
	// Water in the wood of the whole hive: 0.3-1.5 kg, from the moisture that
	// wood takes on in the air of the season.
	woodWaterKg = table{1.0, 1.0, 0.9, 0.7, 0.5, 0.4, 0.3, 0.3, 0.5, 0.7, 0.9, 1.0}
	// Share of the brood boxes' combs that is free for honey. At the height 1,400
	// eggs a day make 30,000 cells of brood, and bee bread fills 10,000 more of
	// the 136,000 cells of two deep boxes (from memory); bees keep some free
	// about the brood besides.
	nestShare = table{0.68, 0.66, 0.62, 0.58, 0.55, 0.53, 0.53, 0.55, 0.6, 0.65, 0.68, 0.68}
)

// colonyError is the error of bees and brood as a share of them, useError that
// of the tabled use: colonies differ by half.
const colonyError, useError = 0.3, 0.45
