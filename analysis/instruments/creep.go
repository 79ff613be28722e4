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
	// when nectar dries, say nothing of a scale that sinks, but where the nights
	// say the same. Then a hive must lose twice what they do at least, and by
	// BusyKg, 0.2 kg a day, more than it did before: strong colonies feed more
	// brood, but do not begin to overnight.
	QuietKg, BusyKg float64
	// FlowKg, 0.03 kg a day: a day on which the others gain more says nothing.
	FlowKg float64
	// ColdC, 10 °C, and WetMm, 4 mm: on days no warmer or so wet no bee brings
	// anything, and StillDays, 4, of such must be among them,
	ColdC, WetMm float64
	StillDays    int
	// or else Nights, 6, in the dry, in which it changed at between RateLeast, 0.4,
	// and RateMost, 2.5, of the days' rate, beyond what it usually does by night:
	// that of UsualNights, 20, before. And then the days must be alike: Uneven,
	// 0.3, is how far the middle one of them may be from their median. Of one that
	// gains, the nights themselves must: the others may dry nectar.
	Nights, UsualNights int
	RateLeast, RateMost float64
	Uneven              float64
	// OverShare, 0.3: it has stopped once the middle of a week is so much of
	// what it was.
	OverShare float64
}

func defaultCreepSettings() CreepSettings {
	return CreepSettings{Days: 14, Most: 12, LookBack: 24, GainKg: 0.04, AboveKg: 0.08, SinkKg: 0.14, QuietKg: 0.15, BusyKg: 0.2, FlowKg: 0.03, ColdC: 10, WetMm: 4, StillDays: 4,
		Nights: 6, UsualNights: 20, RateLeast: 0.4, RateMost: 2.5, Uneven: 0.3, OverShare: 0.3}
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
	still           []bool    // nobody flew
	nightKg         []float64 // by how much more than the others it changed by night, as of a whole day
	aloneKg         []float64 // and by how much it did itself
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
		if !(robust.Median(others) <= f.set.Creep.FlowKg) {
			own = outyard.Unknown // in a flow colonies differ
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
	set := f.set.Creep
	open := s.open()
	if open != nil && open.lie != creeping && open.lie != sinking {
		return false
	}
	if open != nil {
		week := lastOf(n.aboveKg, 7)
		if robust.Count(week) < 3 || robust.Median(week)/open.value > set.OverShare {
			return false
		}
		open.over, open.end = true, date.Add(-3).Start(f.yard.Zone).UTC()
		return true
	}
	// The newest days of which something is known.
	first, known := len(n.aboveKg), 0
	for first > 0 && known < set.Days {
		if first--; outyard.Known(n.aboveKg[first]) {
			known++
		}
	}
	usualKg, begun := 0.0, false
	if before := n.aboveKg[:first]; robust.Count(before) >= set.StillDays {
		usualKg, begun = robust.Median(before), true
	}
	rose, sank := len(n.aboveKg), len(n.aboveKg) // the first day that shows it
	up, beyond, quiet, still := 0, 0, 0, make([]float64, 0, set.Days)
	for i := first; i < len(n.aboveKg); i++ {
		if n.aboveKg[i] <= -set.SinkKg {
			sank = min(sank, i)
			if n.othersKg[i] >= -set.QuietKg {
				quiet++
			}
			if n.aboveKg[i] <= min(0, n.othersKg[i]) {
				beyond++
			}
		}
		if n.gainKg[i] >= set.GainKg && n.aboveKg[i] >= set.AboveKg {
			rose = min(rose, i)
			up++
		}
		if n.still[i] && outyard.Known(n.aboveKg[i]) {
			still = append(still, n.aboveKg[i])
		}
	}
	kg, uneven := robust.MedianMAD(n.aboveKg[first:])
	nightKg, usualNightKg := n.byNight(len(n.aboveKg)-first, set)
	share := (nightKg - usualNightKg) / (kg - usualKg)
	alike := nightKg/kg > 0 && math.Abs(kg-usualKg) >= set.AboveKg && share >= set.RateLeast && share <= set.RateMost && uneven <= set.Uneven*math.Abs(kg)
	stillKg := robust.Median(still)
	if len(still) < set.StillDays {
		stillKg = 0
	}
	what, begins := creeping, rose
	switch {
	case up >= set.Most && (stillKg >= set.AboveKg || alike && robust.Median(lastOf(n.aloneKg, len(n.aboveKg)-first)) > 0):
	case quiet >= set.Most && stillKg <= -set.SinkKg, begun && kg <= usualKg-set.BusyKg && beyond >= set.Most && alike:
		what, begins = sinking, sank
	default:
		return false
	}
	onset := date.Add(1 - (len(n.aboveKg) - begins))
	s.past = append(s.past, &fault{lie: what, onset: onset.Start(f.yard.Zone).UTC(), value: kg, sure: 0.7})
	return true
}

// byNight is the rate, kg a day, at which the hive's weight changed in the
// nights of so many days beyond that of the yard's others, and what that was
// before; NaN where too few nights are known.
func (n *sensors) byNight(days int, set CreepSettings) (kg, usualKg float64) {
	cut := max(0, len(n.nightKg)-days)
	before, now := lastOf(n.nightKg[:cut], set.UsualNights), n.nightKg[cut:]
	if robust.Count(now) < set.Nights {
		return outyard.Unknown, outyard.Unknown
	}
	if robust.Count(before) >= set.Nights {
		usualKg = robust.Median(before)
	}
	return robust.Median(now), usualKg
}
