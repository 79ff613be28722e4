// Package robbing finds hives that are being robbed: weight that goes by
// daylight, hour after hour, while no nectar comes in, on one day and the
// next, and is not back at dusk.
//
// What else takes weight leaves other marks. A swarm and the keeper take
// theirs within minutes; foragers are back by dusk; drying nectar and drying
// wood go on by night, or at all hives of a yard at once; a colony's own use
// is a few hundred grams. Each day is weighed for both cases, robbed or not,
// by what is left of its loss when these are taken out; and because robbing
// that has begun goes on while there is something to carry off, the days are a
// chain of two states. Published rates were not found: 1 to 10 kg in a day is
// told by keepers.
package robbing

import (
	"time"

	"outyard"
)

// Settings are the thresholds of the analysis (common practice, no source,
// unless said otherwise).
type Settings struct {
	// StartChance is how likely robbing is to begin on a hive on a day of
	// dearth with flying weather: about one hive of ten in a late summer of
	// sixty such days. StayChance is how likely it goes on the day after, and
	// StayIdle how likely over a day on which nobody flies: robbers wait for
	// the rain to end.
	StartChance, StayChance, StayIdle float64
	// LeastKg and MostKg are between what a day's robbing takes. Less than
	// LeastKg is no more than scales, wood and weather make of a day.
	LeastKg, MostKg float64
	// NoiseKg is the standard deviation of a hive's daylight change against its
	// yard before it is known, NoiseFloorKg the least that is believed: the
	// temperature of scales makes that much.
	NoiseKg, NoiseFloorKg float64
	// StrayShare is how often a day goes astray for a reason that nobody knows,
	// by StrayKg as a standard deviation.
	StrayShare, StrayKg float64
	// UsualDays is over how many days without a flow what is usual is learnt.
	UsualDays int
	// FlyTempC is the day's highest temperature below which no bees rob: they
	// hardly fly below 12 °C (COLOSS standard methods, 10 to 13). FlyRainMm of
	// rain by day keep them at home as well.
	FlyTempC, FlyRainMm float64
	// TellAt is the chance from which it is told, and OverAt the one below
	// which it is over. On the day itself it is told from TellSoonAt: a robbed
	// colony may not live to the next, and to look in vain costs little.
	TellAt, TellSoonAt, OverAt float64
	// OutKg is what foragers weigh that are not home yet: the dip of a strong
	// colony in the morning is 0.1 to 0.5 kg. OutAgainstKg is by how much that
	// differs from the yard's other hives.
	OutKg, OutAgainstKg float64
	// PressingKg is the loss in a day from which one should go at once: a weak
	// colony's stores last a few such days.
	PressingKg float64
}

// DefaultSettings are the ones to start from.
func DefaultSettings() Settings {
	return Settings{
		StartChance: 0.0016, StayChance: 0.7, StayIdle: 0.95,
		LeastKg: 0.6, MostKg: 10,
		NoiseKg: 0.25, NoiseFloorKg: 0.12,
		StrayShare: 0.03, StrayKg: 0.5,
		UsualDays: 14, FlyTempC: 12, FlyRainMm: 4,
		TellAt: 0.5, TellSoonAt: 0.3, OverAt: 0.2, OutKg: 0.35, OutAgainstKg: 0.2, PressingKg: 1.5,
	}
}

// A HiveDay is what a scale says of one hive's daylight. NaN where it says
// nothing.
type HiveDay struct {
	Hive outyard.HiveID
	// ChangeKg is from the last level before the bees fly to the first after
	// they are home, the keeper's work and other sudden steps taken out.
	ChangeKg float64
	// NightKgH is what goes in an hour of the nights before and after.
	NightKgH float64
	// Hours is the mean weight in each hour from Dawn on, likewise without
	// steps.
	Hours []float64
	// HandledKg is what the keeper moved that day, up or down.
	HandledKg float64
}

// Weather is what the yard's weather allowed. NaN where nobody measured.
type Weather struct {
	RainMm      float64 // from the noon before to dusk: what may dry off by day
	RainByDayMm float64 // from dawn to dusk: what keeps bees at home
	MaxTempC    float64
}

// flying is how much of a fine day's flight the weather allowed, 0 to 1; what
// nobody measured is taken to be fine.
func (w Weather) flying(set Settings) float64 {
	warm := 1.0
	if outyard.Known(w.MaxTempC) {
		warm = ramp(w.MaxTempC, set.FlyTempC, set.FlyTempC+4)
	}
	return warm * (1 - ramp(w.RainByDayMm, set.FlyRainMm/4, set.FlyRainMm))
}

// A Day is a date of the yard.
type Day struct {
	Date       outyard.Date
	Dawn, Dusk time.Time
	Weather    Weather
	// Flow is the chance that nectar comes in: bees rob when there is none.
	Flow  float64
	Hives []HiveDay
}
