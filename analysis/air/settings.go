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

	// RisePa, 40 Pa: the least rise of a hive's vapour against the yard that
	// counts. A sensor off by 3 %RH makes 35 Pa of a mild winter's air.
	RisePa float64
	// WetterBy, 0.045: the least rise of the wall's wetness against the yard
	// that counts, as a logarithm: 4.6 % more vapour than the wall's warmth
	// accounts for. A growing colony warms its wall as it wets its air.
	WetterBy float64
	// MovingTimes, 2.3: how many times the yard's present unrest a rise must
	// reach. Colonies go into winter and begin to brood each in its own week,
	// and then every hive changes against the others.
	MovingTimes float64
	// SameLifeK, 2 K, and ChangedPerK, 0.2: for each kelvin that the hive has
	// become warmer or colder than in its earlier course, beyond what weather
	// does, so much more is asked: from brood nest to cluster is some 12 K.
	SameLifeK, ChangedPerK float64
	// AllowedADay, 0.65: the share of a rise that counts which a healthy hive
	// may show day after day.
	AllowedADay float64
	// MostADay, 2.5: the most that one day adds, so that no single day tells.
	MostADay float64
	// EnoughSum, 0.8: the sum of daily shares beyond what is allowed at which a
	// hive is called damp: two days of a great rise, four of one that counts.
	EnoughSum float64
	// SlowDays, 4 d: a rise that needed longer to come so far is asked for as
	// many times as much: colonies drift apart over weeks, water comes sooner.
	SlowDays int
	// AloneTimes, 1.4: how many times as much is asked of a hive that has no
	// others beside it, or no weather, to be measured against.
	AloneTimes float64
	// DampRHPct, 76 %: the wall's humidity below which no rise is called
	// damp: such a hive dries, however much its bees breathe.
	DampRHPct float64
	// DampInsideRHPct, 50 %: the same for the air at the probe, for yards
	// whose weather is not known.
	DampInsideRHPct float64
	// FewTimes, 1.2: how many times as much is asked where there are others,
	// but fewer than LeastPeers: the middle of one or two is as unsteady as they.
	FewTimes float64
	// StrangerTimes, 3: how many times as much is asked of a hive that has no
	// earlier course, because hives and their probes differ from the start.
	StrangerTimes float64
	// SoakedRHPct, 94 %, and SoakedInsideRHPct, 66 %: the humidity from which
	// a rise counts in full; toward the one above it counts less and less.
	SoakedRHPct, SoakedInsideRHPct float64
	// LeastPeers, 3: hives that are damp themselves are left out of the yard's
	// middle as long as so many others remain.
	LeastPeers int
	// HoldsBy, 0.25: where weather and other hives are known, the least rise of
	// a hive's excess over theirs that counts, as a logarithm: 28 % more.
	// Sensors good to 3 %RH make 10 % of a winter's 350 Pa.
	HoldsBy float64
	// OwnShare, 0.5: by what share of that its own excess must have risen, too.
	OwnShare float64
	// MovingRatioTimes, 1.8: how many times the others' present unrest a rise
	// must reach.
	MovingRatioTimes float64
	// LowRatio, 0.25: a hive that held less than this below the others is
	// counted from there: coming up to them from far below is not damp.
	LowRatio float64
	// StrangerRatioTimes, 5: how many times as much is asked of a hive without
	// an earlier course: healthy ones differ by half.
	StrangerRatioTimes float64
	// EnoughRatioSum, 0.9: as EnoughSum.
	EnoughRatioSum float64
	// SlowRatioDays, 5 d: as SlowDays.
	SlowRatioDays int
	// LeastMorePa, 60 Pa: less water than that more is within what probes err.
	LeastMorePa float64
	// BarePa, 60 Pa: the excess of a box without bees, at most.
	BarePa float64
	// DryWallRHPct, 66 %, and HumidWallRHPct, 80 %: the wall's humidity from
	// which on a day counts, and counts in full: where mould may grow.
	DryWallRHPct, HumidWallRHPct float64
	// CoolC, 26 °C, and NestC, 34 °C: the warmth inside up to which a day
	// counts in full, and from which on it does not: bees over brood fan.
	CoolC, NestC float64
	// HiveGainKg, 0.3 kg, and YardGainKg, 0.12 kg: a hive that gained so much,
	// or a yard whose middle did, on a day of the last DryingDays has nectar to
	// dry.
	HiveGainKg, YardGainKg float64
	// DryingDays, 10 d: for how long that goes on.
	DryingDays int

	// TrendDays, 21 d: over how many days the slope is taken.
	TrendDays int
	// TrendP, 0.12: the chance, by Mann-Kendall, that such a slope is none.
	TrendP float64
	// EasedShare, 0.5: a damp hive has dried once its rise is below so much of
	// what was asked of it. Well below 1, so that it does not flap.
	EasedShare float64
	// EasedOfPeak, 0.3: or below so much of the most that it was.
	EasedOfPeak float64
	// EasedDays, 7 d: and has been for so long.
	EasedDays int
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
		RisePa: 40, WetterBy: 0.045, MovingTimes: 2.3, SameLifeK: 2, ChangedPerK: 0.2, AllowedADay: 0.65, MostADay: 2.5, EnoughSum: 0.8, SlowDays: 4,
		AloneTimes: 1.4, FewTimes: 1.2, StrangerTimes: 3,
		DampRHPct: 76, SoakedRHPct: 94, DampInsideRHPct: 50, SoakedInsideRHPct: 66,
		HoldsBy: 0.25, OwnShare: 0.5, MovingRatioTimes: 1.8, LowRatio: 0.25, StrangerRatioTimes: 5, EnoughRatioSum: 0.9, SlowRatioDays: 5, LeastMorePa: 60, BarePa: 60,
		DryWallRHPct: 66, HumidWallRHPct: 80, CoolC: 26, NestC: 34, HiveGainKg: 0.3, YardGainKg: 0.12, DryingDays: 10,
		TrendDays: 21, TrendP: 0.12, EasedShare: 0.5, EasedOfPeak: 0.3, EasedDays: 7, LostDays: 21,
		MouldIdleDays: 21, MouldApart: 1.5,
	}
}
