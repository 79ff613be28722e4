// Package flow says when a yard's nectar flow begins and ends and how strong
// it is, and whether one yard really gains more than another.
//
// One scale cannot tell a flow from a fed hive, nor a dearth from a swarm; the
// hives of a yard together can, since nectar comes to all of them and accidents
// come to one. So gains are pooled over the hives, each by its own strength,
// before anything is concluded. A day of rain in the middle of a flow is no
// end of it, which is why the days are read by a hidden Markov model that knows
// what weather does to flight, rather than by a threshold.
package flow

import "outyard"

// A HiveDay is what one hive's scale says of one day.
type HiveDay struct {
	Hive      outyard.HiveID
	GainKg    float64 // the colony's own change, the keeper's work and water taken out; NaN where not known
	HandledKg float64 // what the keeper put on or took off; NaN or 0 for nothing
	Coverage  float64 // 0 to 1, share of the day with readings
	Fed       bool    // sugar was given on this day
	// Full says that there is no room left for nectar: that such a hive gains
	// nothing says nothing of the flow.
	Full bool
}

// Weather is what a day's weather allowed. NaN where not known.
type Weather struct {
	RainMm   float64
	MaxTempC float64
	// WarmestC is what the air was at most, where no thermometer hangs in it:
	// inside a hive it is for long no colder than outside.
	WarmestC float64
	// NoonSunDeg is the height of the sun at noon: the season.
	NoonSunDeg float64
}

// UnknownWeather is for a yard without a weather node.
var UnknownWeather = Weather{RainMm: outyard.Unknown, MaxTempC: outyard.Unknown, WarmestC: outyard.Unknown, NoonSunDeg: outyard.Unknown}

// A Flow is a time in which nectar came in. Its days are whole days of the
// yard's calendar, the first and the last included.
type Flow struct {
	Start, StartLow, StartHigh outyard.Date // best guess, and the span that holds it nine times in ten
	End, EndLow, EndHigh       outyard.Date // the zero date while it lasts
	KgPerDay                   float64      // mean gain of the yard's average hive
	KgPerDayLow, KgPerDayHigh  float64      // nine times in ten; NaN for a flow of less than three days
	BestKg                     float64      // gain of its best day
	TotalKg                    float64      // of the average hive, over the days that were seen
	Days                       int          // that were seen
	Hives                      int          // most hives that spoke on a day
	Told                       outyard.Date // the first day at whose end it could be said
	Confidence                 float64      // that there was a flow
	EndConfidence              float64      // that it is over
	// Lost says that the readings ceased while it lasted: End is the last day
	// seen, and what came after is not known.
	Lost bool
	// Full says that it was lost because all hives were full: they were heard,
	// but full hives say nothing of nectar.
	Full bool

	first outyard.Date // Start as it was first told
}

// Over says that the flow has ended, or was lost sight of.
func (f Flow) Over() bool { return f.End != outyard.Date{} }

// Settings are the thresholds of the analysis.
type Settings struct {
	// MinCoverage is the share of a day below which its gain is left aside: a
	// gain over half a day is not that of a day.
	MinCoverage float64
	// FedDays is for how many days after sugar was given a hive is not
	// listened to: it stores the syrup, then dries it, and both look like
	// something else (common practice: a few days to take down a feeder).
	FedDays int
	// MaxLossKg is the loss in a day beyond which a hive is not listened to:
	// no weather takes so much, a swarm or robbers do.
	MaxLossKg float64
	// MaxGainKg is the gain in a day beyond which a hive is not listened to: a
	// box that nobody wrote down.
	MaxGainKg float64
	// HiveNoiseKg is the error of one hive's daily gain until the hives of the
	// yard have shown their own.
	HiveNoiseKg float64
	// YardNoiseKg is the error that all hives share: water that stayed.
	YardNoiseKg float64
	// RainNoiseKgPerMm adds to it: wood and lids take up rain and give it back.
	RainNoiseKgPerMm float64
	// NoFlightC and FullFlightC are the day's highest temperatures below which
	// no nectar comes in and above which warmth does not matter. Bees forage
	// little below 12 °C, more up to 20 °C (COLOSS standard methods), but a
	// sunny hive has an hour warmer than the shaded thermometer; these were
	// tuned on invented seasons.
	NoFlightC, FullFlightC float64
	// BareSunDeg and LeafSunDeg are the heights of the sun at noon up to which
	// nothing blooms and from which the season is no evidence against a flow:
	// at 49° the last ivy ends in October at 30° and hazel and willow begin in
	// February and March at 25 to 35°, while at 38° trees bloom all winter at
	// 28° (common practice, no source).
	BareSunDeg, LeafSunDeg float64
	// HalfRainMm is the rain in a day that halves it (common practice, no source).
	HalfRainMm float64
	// DearthDays and FlowDays are how long the two last on average; they only
	// say how much evidence a change needs.
	DearthDays, FlowDays float64
	// TellAt is the chance of a flow at which it is said to have begun, and
	// one less it the chance at which it is said to have ended.
	TellAt float64
	// WindowDays is how far back a start or end may still be moved.
	WindowDays int
	// BlindDays without any gain end what is known of a flow: longer than a
	// keeper leaves full hives without a super.
	BlindDays int
	// MinKgPerDay is the mean gain below which more than use is no flow: a
	// trickle in build-up (weak flows begin at 0.2, common practice).
	MinKgPerDay float64
}

// DefaultSettings are the ones to start from.
func DefaultSettings() Settings {
	return Settings{
		MinCoverage:      0.5,
		FedDays:          6,
		MaxLossKg:        0.8,
		MaxGainKg:        12,
		HiveNoiseKg:      0.2,
		YardNoiseKg:      0.05,
		RainNoiseKgPerMm: 0.008,
		NoFlightC:        7,
		FullFlightC:      13,
		BareSunDeg:       20,
		LeafSunDeg:       30,
		HalfRainMm:       6,
		DearthDays:       25,
		FlowDays:         20,
		TellAt:           0.75,
		WindowDays:       45,
		BlindDays:        14,
		MinKgPerDay:      0.2,
	}
}

// flight is the share (0 to 1) of a full day's nectar that the weather lets
// in; NaN where nothing is known of it.
func (s Settings) flight(w Weather) float64 {
	airC := s.airC(w)
	if !outyard.Known(w.RainMm) && !outyard.Known(airC) {
		return outyard.Unknown
	}
	share := 1.0
	if outyard.Known(airC) {
		share = min(max((airC-s.NoFlightC)/(s.FullFlightC-s.NoFlightC), 0), 1)
	}
	if outyard.Known(w.RainMm) {
		r := w.RainMm / s.HalfRainMm
		share /= 1 + r*r
	}
	return share
}

// airC is the day's highest temperature, measured or so low that the hives
// themselves show that bees stayed at home; else NaN: that a hive is warm says
// nothing of the air.
func (s Settings) airC(w Weather) float64 {
	if !outyard.Known(w.MaxTempC) && w.WarmestC < s.FullFlightC {
		return w.WarmestC
	}
	return w.MaxTempC
}

// Season is how far the sun at noon leaves room for bloom: 0 in the depth of
// winter, 1 while it says nothing against it, and where it is not known.
func (s Settings) Season(noonSunDeg float64) float64 {
	if !outyard.Known(noonSunDeg) {
		return 1
	}
	return min(max((noonSunDeg-s.BareSunDeg)/(s.LeafSunDeg-s.BareSunDeg), 0), 1)
}
