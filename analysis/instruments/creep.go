package instruments

import (
	"outyard"
	"outyard/analysis/robust"
)

// CreepSettings are the thresholds by which a scale is taken to gain by itself
// or to lose (common practice, no source).
type CreepSettings struct {
	// Days, 14, of which Most, 12, must show it: robbers and one fine slope
	// make a hive gain for days, not on every day of two weeks.
	Days, Most int
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
	// OverShare, 0.3: it has stopped once the middle of a week is so much of
	// what it was.
	OverShare float64
}

func defaultCreepSettings() CreepSettings {
	return CreepSettings{Days: 14, Most: 12, GainKg: 0.04, AboveKg: 0.08, SinkKg: 0.14, QuietKg: 0.15, FlowKg: 0.03, ColdC: 10, WetMm: 4, StillDays: 4, OverShare: 0.3}
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
		n.gainKg = append(lastOf(n.gainKg, f.set.Creep.Days-1), own)
		n.aboveKg = append(lastOf(n.aboveKg, f.set.Creep.Days-1), own-robust.Median(others))
		n.othersKg = append(lastOf(n.othersKg, f.set.Creep.Days-1), robust.Median(others))
		n.still = append(n.still[max(0, len(n.still)-f.set.Creep.Days+1):], still)
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
	days, sank, still := 0, 0, make([]float64, 0, set.Days)
	for i := range n.gainKg {
		if n.aboveKg[i] <= -set.SinkKg && n.othersKg[i] >= -set.QuietKg {
			sank++
		}
		if n.gainKg[i] >= set.GainKg && n.aboveKg[i] >= set.AboveKg {
			days++
		}
		if n.still[i] && outyard.Known(n.aboveKg[i]) {
			still = append(still, n.aboveKg[i])
		}
	}
	what := creeping
	switch {
	case len(still) < set.StillDays:
		return false
	case days >= set.Most && robust.Median(still) >= set.AboveKg:
	case sank >= set.Most && robust.Median(still) <= -set.SinkKg:
		what = sinking
	default:
		return false
	}
	first := date.Add(1 - len(n.gainKg))
	s.past = append(s.past, &fault{lie: what, onset: first.Start(f.yard.Zone).UTC(), value: robust.Median(n.aboveKg), sure: 0.7})
	return true
}
