package instruments

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// CreepSettings are the thresholds by which a scale is taken to gain by itself
// or to lose (common practice, no source). A scale does so at one rate by day
// and by night; bees bring by day only, and dry what they brought by night.
type CreepSettings struct {
	// Days, 14, within LookBack, 24, of those on which the others gained nothing,
	// of which Most, 12, must show it: robbers and one fine slope make a hive
	// gain for days, not on every day of two weeks.
	Days, Most, LookBack int
	// GainKg, 0.04 kg a day, and AboveKg, 0.08 kg a day: by how much the hive
	// gains, and by how much more than the yard's others do, on such a day.
	GainKg, AboveKg float64
	// SinkKg, 0.14 kg a day: by how much more than the others a hive loses on
	// such a day for its scale to sink: what a hive loses, its bees may have
	// eaten, and strong colonies eat more by half of that.
	SinkKg float64
	// QuietKg, 0.15 kg a day: days on which the others lose more, as they do
	// when nectar dries, say nothing of a scale that sinks.
	QuietKg float64
	// FlowKg, 0.03 kg a day: a day on which the others gain more says nothing.
	FlowKg float64
	// ColdC, 10 °C, and WetMm, 4 mm: on days no warmer or so wet no bee brings
	// anything, and StillDays, 4, of such must be among them.
	ColdC, WetMm float64
	StillDays    int
	// ByDayKg, 0.1 kg a day, and Alike, 0.8: by how much the middle day, and on
	// what share of the days, a scale must move the way that its nights show,
	// flow or not. A colony that dries nectar loses by night and gains by day;
	// what robbers take goes by day alone.
	ByDayKg, Alike float64
	// OverShare, 0.3: it has stopped once the middle of a week is so much of
	// what it was.
	OverShare float64
}

func defaultCreepSettings() CreepSettings {
	return CreepSettings{Days: 14, Most: 12, LookBack: 24, GainKg: 0.04, AboveKg: 0.08, SinkKg: 0.14, QuietKg: 0.15, FlowKg: 0.03, ColdC: 10, WetMm: 4, StillDays: 4,
		ByDayKg: 0.1, Alike: 0.8, OverShare: 0.3}
}

// A HiveGain is what a hive gained over a date, NaN where not known, the
// keeper's work taken out. Fed says that it was given sugar.
type HiveGain struct {
	Hive   outyard.HiveID
	GainKg float64
	Fed    bool
}

// creep is how a hive gained of late, oldest first.
type creep struct {
	gainKg, aboveKg []float64
	othersKg        []float64
	still           []bool // nobody flew
}

// Day closes a date: what the yard's hives gained, and the day's weather (NaN
// where not known). Whether a fault began or ended is the result.
func (f *Faults) Day(date outyard.Date, gains []HiveGain, maxTempC, rainMm float64) (changed bool) {
	back := f.set.Creep.LookBack - 1
	still := maxTempC < f.set.Creep.ColdC || rainMm >= f.set.Creep.WetMm
	for _, n := range f.nodes {
		own, others := outyard.Unknown, make([]float64, 0, len(gains))
		for _, g := range gains {
			switch {
			case g.Hive != n.hive:
				others = append(others, g.GainKg)
			case !g.Fed:
				own = g.GainKg
			}
		}
		if robust.Count(others) < 2 {
			own = outyard.Unknown // with one other nobody knows which of them errs
		}
		n.gainKg = append(lastOf(n.gainKg, back), own)
		n.aboveKg = append(lastOf(n.aboveKg, back), own-robust.Median(others))
		n.othersKg = append(lastOf(n.othersKg, back), robust.Median(others))
		n.still = append(n.still[max(0, len(n.still)-back):], still)
		if s := n.of[outyard.Weight]; s != nil {
			changed = f.creeps(n, s, date) || changed
		}
	}
	return changed
}

func (f *Faults) creeps(n *sensors, s *sensor, date outyard.Date) bool {
	if open := s.drift(); open != nil {
		if open.lie != creeping && open.lie != sinking || !n.creptEnough(open, f.set) {
			return false
		}
		open.over, open.end = true, date.Add(-3).Start(f.yard.Zone).UTC()
		return true
	}
	sure := 0.7
	what, kg, ago := n.creepsByDay(f.set.Creep)
	if what == "" {
		sure = 0.5 // half of those told by their nights first are true
		what, kg, ago = n.creepsByNight(f.set)
	}
	if what == "" {
		return false
	}
	_, usual := n.newest(f.set.Night)
	n.begins(s, &fault{lie: what, onset: date.Add(1 - ago).Start(f.yard.Zone).UTC(), value: kg, sure: sure, usual: usual}, n.nights[max(0, len(n.nights)-ago):])
	return true
}

// outOfFlow says that a day is none of a flow, in which colonies differ.
func (n *sensors) outOfFlow(day int, set CreepSettings) bool { return n.othersKg[day] <= set.FlowKg }

// creepsByDay says how a scale moves by the days on which nothing is brought,
// how fast, and how many days ago that began.
func (n *sensors) creepsByDay(set CreepSettings) (what lie, kg float64, ago int) {
	first, known := len(n.aboveKg), 0 // the newest days of which something is known
	for first > 0 && known < set.Days {
		if first--; n.outOfFlow(first, set) && outyard.Known(n.aboveKg[first]) {
			known++
		}
	}
	rose, sank := 0, 0 // since when
	up, down := 0, 0
	var all, still []float64
	for i := first; i < len(n.aboveKg); i++ {
		aboveKg := n.aboveKg[i]
		if !n.outOfFlow(i, set) || !outyard.Known(aboveKg) {
			continue
		}
		all = append(all, aboveKg)
		if n.still[i] {
			still = append(still, aboveKg)
		}
		if aboveKg <= -set.SinkKg && n.othersKg[i] >= -set.QuietKg {
			sank = max(sank, len(n.aboveKg)-i)
			down++
		}
		if n.gainKg[i] >= set.GainKg && aboveKg >= set.AboveKg {
			rose = max(rose, len(n.aboveKg)-i)
			up++
		}
	}
	stillKg := robust.Median(still)
	if len(still) < set.StillDays {
		return "", 0, 0
	}
	switch {
	case up >= set.Most && stillKg >= set.AboveKg:
		return creeping, robust.Median(all), rose
	case down >= set.Most && stillKg <= -set.SinkKg:
		return sinking, robust.Median(all), sank
	}
	return "", 0, 0
}

// creepsByNight says the same by the nights, which the days must bear out.
func (n *sensors) creepsByNight(set FaultSettings) (what lie, kg float64, ago int) {
	nights, usual := n.newest(set.Night)
	rate := set.Night.rate(nights, usual)
	if n.alone || !(math.Abs(rate.slope) >= set.Night.RateKg) || rate.sure < set.Night.RateSure || rate.share < set.Night.Share {
		return "", 0, 0
	}
	way := math.Copysign(1, rate.slope)
	var days []float64
	alike := 0
	for _, kg := range lastOf(n.aboveKg, len(nights)) {
		if !outyard.Known(kg) {
			continue
		}
		days = append(days, way*kg)
		if way*kg > 0 {
			alike++
		}
	}
	if len(days) < set.Night.Least || robust.Median(days) < set.Creep.ByDayKg || float64(alike) < set.Creep.Alike*float64(len(days)) {
		return "", 0, 0
	}
	what = creeping
	if way < 0 {
		what = sinking
	}
	return what, way * robust.Median(days), len(nights) - shownFrom(nights, usual, rate.slope, byTime)
}

// creptEnough says that a scale has stopped: a week hardly shows it, of days
// out of a flow, or else of nights.
func (n *sensors) creptEnough(open *fault, set FaultSettings) bool {
	var days, nights []float64
	for i := max(0, len(n.aboveKg)-7); i < len(n.aboveKg); i++ {
		if n.outOfFlow(i, set.Creep) {
			days = append(days, n.aboveKg[i])
		}
	}
	for _, t := range n.nights[max(0, len(n.nights)-7):] {
		nights = append(nights, (t.aboveKg-open.usual.kg)/t.days)
	}
	if robust.Count(days) >= 3 {
		return robust.Median(days)/open.value <= set.Creep.OverShare
	}
	return robust.Count(nights) >= 5 && robust.Median(nights)/open.value <= set.Creep.OverShare
}
