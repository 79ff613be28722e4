package air

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// An episode is a hive's being damp, from its onset to its end.
type episode struct {
	onset outyard.Date
	told  outyard.Date
	end   outyard.Date // the first dry date, once over
	over  bool

	level    float64 // from which its vapour is counted, as it stood when it began
	rise     float64 // of its vapour above that, when it was raised
	stranger bool    // there was no earlier course

	first   evidence // when it was raised
	rose    int      // days from onset until then
	latest  evidence // of the last day on which it was damp
	peak    float64  // the greatest rise, as a share of the first
	surest  float64  // the greatest log odds
	mostDew float64  // the most hours of condensation a day; NaN where not known
	known   int      // days since it was told of which something is known
	eased   int      // days in a row on which it was not
	lost    int      // days in a row that say nothing of it
}

func (s *subject) open() *episode {
	if n := len(s.episodes); n > 0 && !s.episodes[n-1].over {
		return s.episodes[n-1]
	}
	return nil
}

// follow carries the hive's episode on by a day.
func (j *Judge) follow(s *subject, ev evidence) {
	set := j.set
	e := s.open()
	if e == nil {
		if ev.sum >= set.EnoughSum {
			j.raise(s, ev)
		}
		return
	}
	share := (ev.holds.now - e.level) / e.rise
	switch {
	case ev.insideC >= set.CoolC && ev.wallRH < set.DryWallRHPct: // a nest has warmed it dry, whatever the others do
		e.eased++
	case ev.by != e.first.by || ev.weatherKnown != e.first.weatherKnown || !outyard.Known(share):
		// Nothing known today, or of something else than what the episode
		// began with: neither wetter nor drier.
		if e.lost++; e.lost >= set.LostDays {
			e.over, e.end = true, j.date.Add(1-e.lost-e.eased)
			s.sum = 0
		}
		return
	case ev.logOdds < 0 && ev.holds.now-e.level < set.odds(ev.weatherKnown).Holds: // nothing came of it
		e.eased++
	case share >= max(set.EasedShare, set.EasedOfPeak*e.peak):
		e.eased = 0
		e.note(ev, share)
	default:
		e.eased++
	}
	e.lost = 0
	e.known++
	if e.eased >= set.EasedDays {
		e.over, e.end = true, j.date.Add(1-e.eased)
		s.sum = 0
	}
	if (e.over || j.date.Sub(e.told) >= set.DoubtDays) && e.confidence() < set.LeastSure && e.peak*e.rise < 1.7*set.odds(e.first.weatherKnown).Holds {
		s.episodes = s.episodes[:len(s.episodes)-1] // it was not damp after all
		s.sum = 0
	}
}

// raise begins an episode if there is water enough.
func (j *Judge) raise(s *subject, ev evidence) {
	level := ev.holds.lowest()
	stranger := !ev.holds.own
	if stranger {
		level = 0
	}
	own := j.stand(s.course.own)
	if !(ev.morePa(level) >= j.set.LeastMorePa) || own.own && own.now-own.lowest() < j.set.OwnShare*(ev.holds.now-level) {
		return // too little, or the others have come down from it
	}
	onset := j.onset(s, level, ev.holds.now)
	if n := len(s.episodes); n > 0 && onset.Before(s.episodes[n-1].end) {
		onset = s.episodes[n-1].end
	}
	e := &episode{onset: onset, told: j.date, level: level, rise: ev.holds.now - level, stranger: stranger, first: ev, rose: j.date.Sub(onset), surest: math.Inf(-1), mostDew: outyard.Unknown}
	e.note(ev, 1)
	s.episodes = append(s.episodes, e)
}

// morePa is how much more water the hive's air holds than it would.
func (e *episode) morePa() float64 { return e.latest.morePa(e.level) }

func (e *episode) note(ev evidence, share float64) {
	e.latest = ev
	e.peak = max(e.peak, share)
	if ev.logOdds > e.surest {
		e.surest = ev.logOdds
	}
	if !(ev.dewHours <= e.mostDew) && outyard.Known(ev.dewHours) {
		e.mostDew = ev.dewHours
	}
}

// onset is the day on which the hive's vapour began to leave its earlier
// course: the first after the last day on which it was still no more than a
// fifth of the way up, by the median of three days.
func (j *Judge) onset(s *subject, level, now float64) outyard.Date {
	vapour := last(s.course.vapour, j.set.WindowDays)
	n := len(vapour)
	low := level + 0.2*(now-level)
	at := n - 1
	for at > 0 {
		m := robust.Median(vapour[max(0, at-2) : at+1])
		if outyard.Known(m) && m <= low {
			break
		}
		at--
	}
	for at < n-1 && !outyard.Known(vapour[at]) {
		at++
	}
	return j.date.Add(at - (n - 1))
}

// dewDays is how many days a hive's wall is given to take dew: of those that do
// not, after so many of being damp, few are.
const dewDays = 7

// confidence is the chance that the hive is damp, by the day that spoke most
// clearly and by the dew on its wall. When it is told a wall that is dry yet
// says little, for it is to be told before it drips; a week later it says much.
// By logistic regression on the first days and weeks of findings in invented
// winters of two generators, rounded to what both bear.
func (e *episode) confidence() float64 {
	if !outyard.Known(e.mostDew) {
		return chance(1.2*e.surest - 4) // no weather, no wall
	}
	dew, waited := e.mostDew/24, float64(min(e.known, dewDays))/dewDays
	x := e.surest + 0.5*min(e.peak*e.rise, 1) + 1.9*dew - (3.5-2.4*dew)*waited - 2.3
	if e.first.by != others {
		x--
	}
	return chance(x)
}

// chance is the probability whose log odds are x, within what judgement can say.
func chance(x float64) float64 {
	return math.Round(100*min(max(1/(1+math.Exp(-x)), 0.05), 0.95)) / 100
}
