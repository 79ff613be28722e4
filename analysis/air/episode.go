package air

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// An episode is a hive's being damp, from its onset to its end.
type episode struct {
	onset outyard.Date
	end   outyard.Date // the first dry date, once over
	over  bool

	levelPa, levelWet float64 // from which rises are counted, as they stood when it began
	needPa, needWet   float64
	held              held
	stranger          bool // there was no earlier course

	first   evidence // when it was raised
	rose    int      // days from onset until then
	latest  evidence // of the last day on which it was damp
	peak    float64  // the greatest share
	wetPeak float64  // and of the lesser of both rises, where the ratio tells
	mostDew float64  // the most hours of condensation a day; NaN where not known
	days    int      // on which it was damp
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
		if ev.sum >= set.EnoughSum || ev.byRatio && ev.sum >= set.EnoughRatioSum {
			j.raise(s, ev)
		}
		return
	}
	ev.levelPa, ev.levelWet, ev.needPa, ev.needWet = e.levelPa, e.levelWet, e.needPa, e.needWet
	wet := j.weight(s.back(0), ev.weatherKnown)
	if ev.byRatio {
		ev.share = (ev.held.now - e.held.level) / e.held.need
		ev.wetShare = min(ev.risePa()/ev.needPa, ev.wetter()/ev.needWet)
		if wet = j.dries(0, s); wet > 0 {
			wet = 1
		}
	} else {
		ev.share = min(ev.risePa()/ev.needPa, ev.wetter()/ev.needWet)
	}
	switch {
	case wet == 0: // dry, whatever the others do
		e.eased++
	case ev.by != e.first.by || ev.byRatio != e.first.byRatio || !outyard.Known(ev.share*wet):
		// Nothing known today, or of something else than what the episode
		// began with: neither wetter nor drier.
		if e.lost++; e.lost >= set.LostDays {
			e.over, e.end = true, j.date.Add(1-e.lost-e.eased)
		}
		return
	case ev.share*wet >= max(set.EasedShare, set.EasedOfPeak*e.peak):
		e.eased = 0
		e.note(ev)
	default:
		e.eased++
	}
	e.lost = 0
	if e.eased >= set.EasedDays {
		e.over, e.end = true, j.date.Add(1-e.eased)
	}
}

// raise begins an episode if the evidence is enough.
func (j *Judge) raise(s *subject, ev evidence) {
	onset := j.onset(s, ev)
	if n := len(s.episodes); n > 0 && onset.Before(s.episodes[n-1].end) {
		onset = s.episodes[n-1].end
	}
	days := j.date.Sub(onset)
	if !ev.raises(j.set, days) {
		return
	}
	e := &episode{onset: onset, levelPa: ev.levelPa, levelWet: ev.levelWet,
		needPa: ev.needPa, needWet: ev.needWet, held: ev.held, stranger: ev.stranger(), first: ev, rose: days, mostDew: outyard.Unknown}
	e.note(ev)
	s.episodes = append(s.episodes, e)
}

// morePa is how much more water the hive's air holds than it would.
func (e *episode) morePa() float64 {
	ev := e.latest
	if ev.byRatio {
		return ev.excessPa * (1 - math.Exp(e.held.level-ev.held.now))
	}
	return ev.risePa()
}

func (e *episode) note(ev evidence) {
	e.latest = ev
	e.days++
	e.peak = max(e.peak, ev.share)
	if ev.byRatio && ev.own {
		e.wetPeak = max(e.wetPeak, ev.wetShare)
	}
	if !(ev.dewHours <= e.mostDew) && outyard.Known(ev.dewHours) {
		e.mostDew = ev.dewHours
	}
}

// raises says whether the evidence is enough to call a hive damp that began to
// rise so many days ago.
func (ev *evidence) raises(set Settings, days int) bool {
	enough := set.EnoughSum * max(1, float64(days)/float64(set.SlowDays))
	if ev.byRatio {
		enough = set.EnoughRatioSum * max(1, float64(days)/float64(set.SlowRatioDays))
		return ev.sum >= enough && ev.excessPa*(1-math.Exp(ev.held.level-ev.held.now)) >= set.LeastMorePa
	}
	// A rise that is no longer one by the days in between is an old difference.
	return ev.sum >= enough && ev.wet && (ev.pRising <= set.TrendP || !ev.own)
}

// onset is the day on which the hive's vapour began to leave its earlier
// course: the first after the last day on which it was still no more than a
// fifth of the way up, by the median of three days.
func (j *Judge) onset(s *subject, ev evidence) outyard.Date {
	vapour, level, now := last(s.course.vapourPa, j.set.WindowDays), ev.levelPa, ev.nowPa
	if ev.byRatio {
		vapour, level, now = last(s.course.ratio, j.set.WindowDays), ev.held.level, ev.held.now
	}
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

// confidence is the chance that the hive is damp. The weights are those of a
// logistic regression on invented winters with and without damp hives: most is
// told by the dew on the wall and by how fast the rise came, for colonies
// drift apart slowly.
func (e *episode) confidence() float64 {
	if e.first.byRatio {
		return e.ratioConfidence()
	}
	x := 1.5 + 0.3*(min(e.peak, 5)-1.2) - 0.33*float64(min(e.rose, 12)-3)
	if outyard.Known(e.mostDew) {
		x += 0.12 * (e.mostDew - 12)
	} else {
		x -= 0.6 // no weather, no wall
	}
	switch e.latest.by {
	case others:
	case weather:
		x -= 0.6
	default:
		x -= 1.5
	}
	if e.stranger {
		x -= 0.6
	}
	if e.over && e.days < 2*e.rose {
		x -= 1 // it went as it came
	}
	return chance(x)
}

// ratioConfidence is the same where the ratio tells. It goes by how far the
// hive came: of 89 rises in winters of two generators that have no physics in
// common two in ten were true below one and a half times what counts, three in
// ten below twice, nearly all above two and a half times.
func (e *episode) ratioConfidence() float64 {
	x := -0.6 + 1.7*(min(e.peak, 5)-1.75)
	if e.wetPeak > 1.5 && e.mostDew >= 12 { // water stands on its walls
		x += e.wetPeak
	}
	if e.stranger {
		x -= 0.6
	}
	return chance(x)
}

// chance is the probability whose log odds are x, within what judgement can say.
func chance(x float64) float64 {
	return math.Round(100*min(max(1/(1+math.Exp(-x)), 0.05), 0.95)) / 100
}
