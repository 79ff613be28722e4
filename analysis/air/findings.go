package air

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"outyard"
)

// Findings returns every damp episode and mould spell so far, by onset. IDs
// and times of telling are left to the teller.
func (j *Judge) Findings() []outyard.Finding {
	var all []outyard.Finding
	for _, s := range j.order {
		for _, e := range s.episodes {
			all = append(all, j.dampFinding(s, e))
		}
		for _, m := range s.mould {
			all = append(all, j.mouldFinding(s, m))
		}
	}
	slices.SortStableFunc(all, func(a, b outyard.Finding) int {
		return cmp.Or(a.Onset.Compare(b.Onset), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Hive, b.Hive))
	})
	return all
}

// Shown beside both kinds of finding.
var (
	dampAdvice = []string{
		"Tilt the hive a little toward the entrance, so that water runs out instead of standing on the floor; clear the entrance of dead bees.",
		"See that the lid is tight and does not drip, and that the upper vent is open and not propolised shut.",
		"Look at the site: out of the hollow, out of dripping trees, sheltered from driven rain, with drained ground under the stand.",
		"Do all this from outside while it is colder than 10 °C; do not take frames out of a clustered colony.",
	}
	mouldAdvice = []string{
		"Look under the lid, at the outer combs and in the corners at the next mild visit: only eyes say whether there is mould.",
		"Give the air a way out at the top and the water one at the entrance; take away combs that the bees do not cover.",
	}
	// The program's safety notes on mould and dust, cold, stings and lifting.
	dustCaution  = "Mould dust harms lungs: work outdoors and upwind, wet it down, gloves and a fitted particle mask (FFP2 or better), no dry scraping indoors; with asthma, lung disease or weak immunity leave it to others. Use no mouldy honey."
	coldCaution  = "Lift the lid for a look only on a mild day; leave the brood nest shut below some 14 °C and in rain: chilled brood dies."
	stingCaution = "Stings: veil and gloves also in winter; trouble breathing, swelling of the face or faintness is an emergency."
	liftCaution  = "Before tilting or shifting a full hive take a second person or a lever: a deep box of honey weighs 36 to 41 kg, far over the 23 kg that are safe to lift."
)

// doubtful is how sure a finding of damp must be to be worth a drive. Most that
// never come so far are none.
const doubtful = 0.5

func (j *Judge) dampFinding(s *subject, e *episode) outyard.Finding {
	ev := e.latest
	f := outyard.Finding{
		Kind: outyard.Damp, Yard: j.yard, Hive: s.hive, Onset: e.onset.Start(j.zone).UTC(),
		Severity: outyard.Soon, Confidence: e.confidence(), State: outyard.Open,
		Advice: slices.Clone(dampAdvice), Caution: []string{dustCaution, stingCaution, liftCaution},
	}
	if f.Confidence < doubtful {
		f.Severity = outyard.Note
	}
	is, since := "is", "since "+dayMonth(e.onset)
	if e.over {
		f.State, f.End = outyard.Over, e.end.Start(j.zone).UTC()
		is, since = "was", fmt.Sprintf("from %s to %s", dayMonth(e.onset), dayMonth(e.end.Add(-1)))
	}
	f.Summary = fmt.Sprintf("%s %s damp %s: its air held %.0f Pa more water vapour than %s", j.name(s.hive), is, since, e.morePa(), e.yardstick())
	if outyard.Known(ev.wallRH) {
		f.Summary += fmt.Sprintf(", its walls are near %.0f %% humidity and take dew %.0f h a day.", ev.wallRH, ev.dewHours)
	} else {
		f.Summary += fmt.Sprintf(", at %.0f %% humidity inside; without a weather node this is less sure.", ev.insideRH)
	}
	f.Facts = facts(map[string]float64{
		"excess_pa": round(ev.excessPa, 1), "rise_pa": round(e.morePa(), 1), "slope_pa_per_day": round(e.first.slopePa, 0.1),
		"p_value": round(e.first.pRising, 0.0001), "wall_rh_pct": round(ev.wallRH, 0.1), "inside_rh_pct": round(ev.insideRH, 0.1),
		"condensation_hours_per_day": round(ev.dewHours, 0.1), "mould_index": round(s.lastMould, 0.01), "hives_compared": float64(ev.peers),
	})
	f.Facts["weather_known"] = ev.weatherKnown
	f.Facts["reasons"] = e.reasons()
	return f
}

// yardstick says what the hive was measured against, in words that end a
// comparison.
func (e *episode) yardstick() string {
	switch {
	case e.stranger && e.latest.by == others:
		return "the middle of the yard's other hives"
	case e.latest.by == others:
		return "before, measured against the yard's other hives"
	case e.latest.by == weather:
		return "before, measured against the air outside"
	}
	return "before, with nothing to measure against"
}

func (e *episode) reasons() []string {
	ev := e.latest
	surface := "wall"
	if !ev.weatherKnown {
		surface = "air"
	}
	times := math.Exp(ev.holds.now - e.level)
	rs := []string{fmt.Sprintf("%s nearer to saturation by %.0f %%", surface, 100*(math.Exp(ev.wets.now-ev.wets.lowest())-1))}
	if ev.weatherKnown {
		rs = append([]string{fmt.Sprintf("it holds %.1f times as much vapour over the air outside as %s", times, e.yardstick()),
			"half the ventilation doubles what a hive holds, whatever the weather and the colony's strength"}, rs...)
	} else {
		rs = append([]string{fmt.Sprintf("vapour %.0f %% up on %s", 100*(times-1), e.yardstick())}, rs...)
	}
	if outyard.Known(e.first.slopePa) && !e.stranger {
		rs = append(rs, fmt.Sprintf("rising %.1f Pa a day when it was noticed (chance of no rise %.2g)", e.first.slopePa, e.first.pRising))
	}
	if outyard.Known(ev.wallRH) {
		rs = append(rs, fmt.Sprintf("wall at %.0f %% on the mean, %.0f h of condensation a day", ev.wallRH, ev.dewHours))
	}
	switch ev.by {
	case others:
		if ev.peers == 1 {
			rs = append(rs, "measured against one other hive alone, so that a wet spell does not count, but the other may be the one that changed: less sure")
			break
		}
		rs = append(rs, fmt.Sprintf("measured against the middle of %d of the yard's hives, so that a wet spell does not count", ev.peers))
	case weather:
		rs = append(rs, "no other hive to measure against, only the weather: less sure")
	default:
		rs = append(rs, "neither other hives nor weather to measure against: much less sure")
	}
	if e.stranger {
		rs = append(rs, "no earlier course of its own to compare with: less sure")
	}
	if !ev.weatherKnown {
		rs = append(rs, "no weather node: nothing is known of the wall, and the air at the probe stands in for it: less sure")
	}
	return rs
}

func (j *Judge) mouldFinding(s *subject, m *mouldSpell) outyard.Finding {
	f := outyard.Finding{
		Kind: outyard.MouldRisk, Yard: j.yard, Hive: s.hive, Onset: m.onset.Start(j.zone).UTC(),
		Severity: outyard.Note, Confidence: 0.6, State: outyard.Open,
		Advice: slices.Clone(mouldAdvice), Caution: []string{dustCaution, coldCaution, stingCaution},
	}
	if m.matters(j.set) {
		f.Severity, f.Confidence = outyard.Soon, 0.7
	}
	fs := map[string]float64{"mould_index": round(m.peak, 0.01), "wall_rh_pct": round(m.latest.WallRHPct, 0.1), "growth_per_day": round(m.course.Growth, 0.0001), "above_others": round(m.apart, 0.01)}
	f.Summary = fmt.Sprintf("Walls of %s have been warm and wet enough to let mould grow: mould index %.1f of 6", j.name(s.hive), m.peak)
	switch {
	case m.over:
		f.State, f.End = outyard.Over, m.end.Start(j.zone).UTC()
		f.Summary += fmt.Sprintf(", and dry enough since %s.", dayMonth(m.end))
	case m.peak >= MouldVisible:
		f.Summary += ", at which it can be seen with the eye."
	default:
		days := Mould{Index: m.latest.MouldIndex, class: j.set.Mould, fading: j.set.MouldFading}.DaysTo(MouldVisible, m.course)
		fs["days_to_visible"] = days
		if outyard.Known(days) {
			f.Summary += fmt.Sprintf("; at the present course it could be seen in %.0f days.", days)
		} else {
			f.Summary += "; at the present course it does not come to where it could be seen."
		}
	}
	f.Facts = facts(fs)
	reasons := []string{
		"the index tells of conditions that let mould grow on planed softwood, never that there is mould: bees clean, wax and warm their wood",
		fmt.Sprintf("wall at %.0f %% humidity on the last day of growth", m.latest.WallRHPct),
	}
	if m.gapHours >= 24 {
		days := math.Round(float64(m.gapHours) / 24)
		f.Facts["unknown_days"] = days
		reasons = append(reasons, fmt.Sprintf("nothing was known of the wall in %.0f days since it was last clean: the index stood still in them, and the truth may be higher or lower", days))
	}
	if m.apart < j.set.MouldApart {
		reasons = append(reasons, "the yard's other hives stand much the same: this is the winter or the site rather than the hive")
	}
	f.Facts["reasons"] = reasons
	return f
}

// facts keeps what is known.
func facts(of map[string]float64) map[string]any {
	known := map[string]any{}
	for name, v := range of {
		if outyard.Known(v) {
			known[name] = v
		}
	}
	return known
}

func (j *Judge) name(id outyard.HiveID) string {
	if n := j.names[id]; n != "" {
		return n
	}
	return string(id)
}

func dayMonth(d outyard.Date) string { return fmt.Sprintf("%d %s", d.Day, d.Month) }

// round brings v to a multiple of step, as coarse as it is known.
func round(v, step float64) float64 {
	per := math.Round(1 / step)
	return math.Round(v*per) / per
}
