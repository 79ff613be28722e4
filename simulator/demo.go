package simulator

import (
	"time"

	"outyard"
)

// What happens in the demonstration, and where.
const (
	DemoDays = 400 // from early May of one year to the middle of June of the next, and live from then on

	demoLiveDays = 60 // how far the play goes on after now
)

// DemoNow is the instant at which a demonstration goes over from its past to
// its present: the morning of the last 5 June that is so far behind the real
// clock that quickened time will not overtake it.
func DemoNow(clock time.Time) time.Time {
	zone := Invent(0, Options{Yards: 1, HivesPerYard: 1}).zone
	now := time.Date(clock.In(zone).Year(), time.June, 5, 10, 0, 0, 0, zone)
	if clock.Sub(now) < (demoLiveDays+1)*24*time.Hour {
		now = time.Date(now.Year()-1, time.June, 5, 10, 0, 0, 0, zone)
	}
	return now.UTC()
}

// DemoOptions are those of a season made for showing. It begins some thirteen
// months before now and goes on for two months after it. For certain:
//
//   - last year's bramble flow, this spring's tree flow (18 March to 12 April),
//     and a bramble flow that began five days before now;
//   - a swarm on a fine day last May or June from the first yard's h02, with a
//     cast nine days later, and a split and a short sneaky visit in the second
//     yard that are none;
//   - two hives that were damp last winter (second yard, h04, mid-November to
//     mid-February, and first yard, h05, from 20 January until it was seen to
//     early in March); in June bees with brood would hide it;
//   - after now: a swarm from the first yard's h03 two and three quarter hours
//     later, and another, from the second yard's h01, two days later, with fine
//     weather from a week before now to four days after.
//
// Play it with [Scenario.Send], letting each block once readings come to now.
func DemoOptions(now time.Time) Options {
	first, second := YardID(1), YardID(2)
	year := now.Year()
	on := func(year int, month time.Month, day, hour int) time.Time {
		return time.Date(year, month, day, hour+7, 0, 0, 0, time.UTC) // summer time is 7 hours behind UTC
	}
	day := func(n int) time.Time { return now.AddDate(0, 0, n) }
	return Options{
		Start:        day(-DemoDays),
		End:          day(demoLiveDays),
		HivesPerYard: 5,
		Rates:        Rates{Knocks: -1, Thefts: -1, DeadOuts: -1, Swarms: 0.2, Drifts: -1, Wanders: -1},
		Script: []Event{
			{Kind: Flow, What: Bramble, Time: on(year-1, time.June, 14, 0), End: on(year-1, time.July, 20, 0), Kg: 2.4},
			{Kind: Flow, What: Tree, Time: on(year, time.March, 18, 0), End: on(year, time.April, 12, 0), Kg: 13},
			{Kind: FineWeather, Time: on(year, time.March, 22, 0), End: on(year, time.March, 27, 0)},
			{Kind: FineWeather, Time: on(year, time.April, 1, 0), End: on(year, time.April, 6, 0)},
			{Kind: Flow, What: Bramble, Time: day(-5), End: day(38), Kg: 2.6},

			{Kind: FineWeather, Time: on(year-1, time.May, 27, 0), End: on(year-1, time.May, 30, 0)},
			{Kind: outyard.Swarm, Yard: first, Hive: HiveID(2), Time: on(year-1, time.May, 28, 11)},
			{Kind: FineWeather, Time: on(year-1, time.June, 6, 0), End: on(year-1, time.June, 8, 0)},
			{Kind: outyard.Swarm, Yard: first, Hive: HiveID(2), Time: on(year-1, time.June, 6, 13), Cast: true},
			{Kind: outyard.Handling, What: string(outyard.Split), Yard: second, Hive: HiveID(3), Time: on(year, time.May, 9, 12), Kg: -2.2},
			{Kind: outyard.Handling, What: string(outyard.Visit), Yard: second, Hive: HiveID(2), Time: on(year, time.May, 18, 13), Kg: -1.6},

			{Kind: outyard.Damp, Yard: second, Hive: HiveID(4), Time: on(year-1, time.November, 14, 0), End: on(year, time.February, 15, 12)},
			{Kind: outyard.Damp, Yard: first, Hive: HiveID(5), Time: on(year, time.January, 20, 0), End: on(year, time.March, 10, 12)},

			{Kind: FineWeather, Time: day(-7), End: day(4)},
			{Kind: outyard.Swarm, Yard: first, Hive: HiveID(3), Time: now.Add(165 * time.Minute), Kg: 2.3},
			{Kind: outyard.Swarm, Yard: second, Hive: HiveID(1), Time: now.Add(50*time.Hour + 5*time.Minute)},
		},
	}
}

// Demo is the season of [DemoOptions].
func Demo(seed uint64, now time.Time) Scenario { return Invent(seed, DemoOptions(now)) }
