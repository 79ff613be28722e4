package air

// Settings are the thresholds of the judgement. Start from [DefaultSettings].
type Settings struct {
	// WallM, 0.019 m: the thickness of the boxes' boards, as softwood. The
	// usual board of a wooden hive; the keeper may give each hive another.
	WallM float64
	// Mould, Sensitive: what the boxes are made of. Hive boards are planed
	// softwood, which is this class; as bare sapwood every wall of a wet coast
	// would count as mouldy by November, and the index would tell nothing.
	Mould Sensitivity
	// MouldFading, 0.1: how readily the index falls in dry hours, 1 being the
	// original pine. ASHRAE 160 advises 0.1 where nothing better is known.
	MouldFading float64

	// WetRHPct, 80 %: a surface at or above it counts as wet. The limit of
	// ISO 13788 against mould.
	WetRHPct float64
	// SaturatedRHPct, 98 %: a probe at or above it tells no more than that
	// the air is full, or the probe wet.
	SaturatedRHPct float64
	// HottestInsideC, 44 °C: no hive is hotter at the probe and alive; a value
	// above is a fault or degrees Fahrenheit, and is not believed.
	HottestInsideC float64
	// MostExcessPa, 4000 Pa: air of a brood nest nearly saturated. More
	// vapour than that over outside is a fault of the probe.
	MostExcessPa float64
	// LeastExcessPa, -800 Pa: a hive dries its air no further below outside.
	// Less is a fault of the weather node (in the sun, or in Fahrenheit).
	LeastExcessPa float64
	// NestAirC, 32 °C: from this warmth on the probe hangs among brood, whose
	// air bees keep moist and fan away before it comes to a wall. Such hours leave
	// the mould index as it is, or it would grow in every healthy hive in
	// spring (common practice, no source).
	NestAirC float64
	// LeastHours, 8 h: with fewer hours known a day says nothing, for the
	// hours that are missing may all be nights.
	LeastHours int

	// WindowDays, 38 d: how far back a hive's own course is looked at. Longer,
	// and a colony that grew or dwindled counts as a change of its air.
	WindowDays int
	// RecentDays, 3 d: the days that speak for now, by their median, so that
	// one wet or open-lidded day does not.
	RecentDays int
	// LagDays, 7 d: what lies between the hive's earlier course and now, so
	// that a slow rise does not become its own yardstick.
	LagDays int
	// LeastCourseDays, 8 d: with fewer earlier days there is no yardstick of
	// the hive's own, and only a plain difference to the others counts.
	LeastCourseDays int
	// MostOthers, 12: of how many other hives the yard's middle is taken at
	// most. More do not make a median surer, only slower.
	MostOthers int

	// LatelyDays, 13 d: the last of the earlier days, beside all of them: a
	// hive whose nest has gone out stands lower than weeks ago.
	LatelyDays int
	// Weather and NoWeather weigh what the days say, with and without a weather
	// node: by logistic regression on the days of two generators that have no
	// physics in common, where the weights of one served the other as well as
	// its own.
	Weather, NoWeather Odds
	// MostRise, 5 times what is usual just now: a rise beyond that says no more.
	MostRise float64
	// MostJump, 6: a jump beyond so many times what a hive moves by from day to
	// day says no more.
	// JumpNoise, 0.05 of a logarithm, and WetJumpNoise, 0.015: what the vapour and the wetness
	// of the steadiest hive move by from day to day.
	MostJump                float64
	JumpNoise, WetJumpNoise float64
	// SwayTimes, 1: how many times what a series swayed by in the hive's own
	// earlier weeks is usual, beside what the others move by now.
	SwayTimes float64
	// TrendRise, 1.5 times what is usual: from which rise on a trend counts in
	// full. What wanders by itself has trends without coming far.
	TrendRise float64
	// MostStands, 1.2 (3.3 times), and MostWet, 0.6: the most that a stand of the vapour, or of
	// the wetness, says, as logarithms.
	MostStands, MostWet float64
	// TrendDays, 10 d: over how many days a trend is taken.
	TrendDays int
	// MostADay, 3: the most that one day's log odds add or take, so that a few
	// days that speak against it outweigh any single one.
	MostADay float64
	// EnoughSum, 0.1: the sum of the days' log odds at which a hive is called
	// damp.
	EnoughSum float64
	// StrangerHolds, 0.9 (2.5 times), and StrangerWetter, 0.25: how far above the others a
	// hive without an earlier course may stand for all that is known, because
	// hives and their probes differ from the start.
	StrangerHolds, StrangerWetter float64
	// LeastPeers, 3: hives that are damp themselves are left out of the yard's
	// middle as long as so many others remain.
	LeastPeers int
	// LeastMorePa, 60 Pa: less water than that more is within what probes err.
	LeastMorePa float64
	// BarePa, 60 Pa: the excess of a box without bees, at most.
	BarePa float64
	// OwnShare, 0.2: by so much of what it rose above the others a hive's own
	// vapour must have risen: when they stop to brood it stands higher than they
	// without having changed.
	OwnShare float64
	// DryWallRHPct, 66 %, and CoolC, 26 °C: a wall drier than that in a hive
	// warmer than that is dried by a nest.
	DryWallRHPct, CoolC float64
	// HiveGainKg, 0.3 kg, and YardGainKg, 0.12 kg: a hive that gained so much,
	// or a yard whose middle did, on a day of the last DryingDays has nectar to
	// dry.
	HiveGainKg, YardGainKg float64
	// DryingDays, 10 d: for how long that goes on.
	DryingDays int

	// EasedShare, 0.5: a damp hive has dried once its rise is below so much of
	// what it was when it was told. Well below 1, so that it does not flap.
	EasedShare float64
	// EasedOfPeak, 0.3: or below so much of the most that it was.
	EasedOfPeak float64
	// EasedDays, 7 d: and has been for so long.
	EasedDays int
	// DoubtDays, 10 d, and LeastSure, 0.4: a hive that was called damp, and that
	// no day since has made surer than that, nor has brought it to twice
	// Odds.Holds, was not damp: the finding is taken back, then or when it ends.
	DoubtDays int
	LeastSure float64
	// LostDays, 21 d: of a damp hive that nothing is known of for so long
	// nothing more is said.
	LostDays int

	// MouldIdleDays, 21 d: mould conditions are over once the index has not
	// grown for so long; a dry week in a wet winter is not the end of them.
	MouldIdleDays int
	// MouldApart, 1.5: by how much the index must stand above the middle of
	// the yard's other hives for mould to be this hive's matter rather than
	// the winter's. Healthy hives of a yard differ by about 1.
	MouldApart float64
}

// DefaultSettings are the thresholds for wooden hives on a wet coast.
func DefaultSettings() Settings {
	return Settings{
		WallM: 0.019, Mould: Sensitive, MouldFading: 0.1,
		WetRHPct: MouldLimitRHPct, SaturatedRHPct: 98,
		HottestInsideC: 44, MostExcessPa: 4000, LeastExcessPa: -800, NestAirC: 32,
		LeastHours: 8,

		WindowDays: 38, RecentDays: 3, LagDays: 7, LeastCourseDays: 8, MostOthers: 12, LeastPeers: 3,
		Weather:    Odds{Start: -2.3, Rise: 0.55, Jump: 0.48, WetJump: 0.3, Dew: 1.7, OwnRising: 0.8, Stands: 1.5, PerK: -0.15, Noise: 0.08, WetNoise: 0.04, Few: 0.8, Alone: 0, Holds: 0.3},
		NoWeather:  Odds{Start: -1.6, Rise: 0.8, Wetter: 0.45, Rising: 2.2, Wetting: 0.5, OwnRising: 0.8, Stands: 5, StandsWet: 2, Wall: 2.5, PerK: -0.14, Noise: 0.03, WetNoise: 0.03, Few: 2, Alone: 4, Holds: 0.12},
		LatelyDays: 13, MostRise: 5, MostJump: 6, JumpNoise: 0.05, WetJumpNoise: 0.015, SwayTimes: 1, TrendRise: 1.5, MostStands: 1.2, MostWet: 0.6, TrendDays: 10, MostADay: 3, EnoughSum: 0.1,
		StrangerHolds: 0.9, StrangerWetter: 0.25, LeastMorePa: 60, BarePa: 60, OwnShare: 0.2,
		DryWallRHPct: 66, CoolC: 26, HiveGainKg: 0.3, YardGainKg: 0.12, DryingDays: 10,
		EasedShare: 0.5, EasedOfPeak: 0.3, EasedDays: 7, LostDays: 21, DoubtDays: 10, LeastSure: 0.4,
		MouldIdleDays: 21, MouldApart: 1.5,
	}
}
