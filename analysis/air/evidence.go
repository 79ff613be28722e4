package air

import (
	"math"
	"slices"

	"outyard"
	"outyard/analysis/robust"
)

// A yardstick is what a hive is measured against.
type yardstick int

const (
	nothing yardstick = iota // nothing is known of the hive now
	others                   // the yard's other hives
	weather                  // the air outside, there being no other hive
	itself                   // only its own earlier course: neither hives nor weather
)

// A course is how far a hive stood from its yardstick, day by day. It is kept
// from one day to the next as long as the yardstick stays the same.
type course struct {
	by           yardstick
	weatherKnown bool
	peers        []*subject
	vapourPa     []float64 // above the yardstick, oldest first, as subject.days
	wetness      []float64 // the same, a logarithm
	breath       []float64 // ln of the excess over outside; see ratio.go
	ratio        []float64 // the same above the yardstick
	middlePa     []float64 // the yardstick itself: the middle of the peers
	middleWet    []float64

	nowPa, nowWet     float64 // of the recent days
	levelPa, levelWet float64 // of the earlier days; 0 without any
	own               bool    // there are earlier days enough
	held              held
}

// evidence is what a hive's last weeks say on one day.
type evidence struct {
	by           yardstick
	weatherKnown bool
	own          bool // the hive has an earlier course to compare with
	peers        int  // hives measured against

	nowPa, nowWet     float64
	levelPa, levelWet float64 // what they are counted from
	needPa, needWet   float64 // how much above counts
	held              held    // where the ratio tells
	byRatio           bool    // it does
	share             float64 // the lesser of both rises over what is asked
	sum               float64 // of the daily shares, see sumUp
	wetShare          float64 // of the lesser of both rises, which makes surer where the ratio tells

	slopePa  float64 // a day
	pRising  float64
	wallRH   float64 // of the recent days, %
	insideRH float64 // %
	excessPa float64
	dewHours float64 // condensation, hours a day
	wet      bool    // not dry
}

func (ev *evidence) known() bool     { return outyard.Known(ev.insideRH) }
func (ev *evidence) risePa() float64 { return ev.nowPa - ev.levelPa }
func (ev *evidence) wetter() float64 { return ev.nowWet - ev.levelWet }

// stranger says that the hive has no earlier course to compare with.
func (ev *evidence) stranger() bool {
	if ev.byRatio {
		return !ev.held.own
	}
	return !ev.own
}

// look describes a hive's recent days.
func (j *Judge) look(s *subject) evidence {
	unknown := outyard.Unknown
	ev := evidence{slopePa: unknown, pRising: unknown, share: unknown, sum: unknown,
		wallRH: unknown, insideRH: unknown, excessPa: unknown, dewHours: unknown}
	if !j.knownNow(s, (*Day).known) {
		return ev
	}
	ev.weatherKnown = j.knownNow(s, (*Day).outsideKnown)
	ev.insideRH = j.recent(s, func(d *Day) float64 { return d.InsideRHPct })
	if !ev.weatherKnown {
		ev.wet = ev.insideRH >= j.set.DampInsideRHPct
		return ev
	}
	ev.wallRH = j.recent(s, func(d *Day) float64 { return d.WallRHPct })
	ev.excessPa = j.recent(s, func(d *Day) float64 { return d.ExcessPa })
	ev.dewHours = j.recent(s, func(d *Day) float64 { return 24 * float64(d.CondensationHours) / float64(d.OutsideHours) })
	ev.wet = ev.wallRH >= j.set.DampRHPct
	return ev
}

// knownNow says whether enough of the recent days are known.
func (j *Judge) knownNow(s *subject, known func(*Day, Settings) bool) bool {
	return 2*j.countKnown(s, 0, j.set.RecentDays, known) > j.set.RecentDays
}

func (j *Judge) countKnown(s *subject, from, to int, known func(*Day, Settings) bool) int {
	n := 0
	for k := from; k < to; k++ {
		if known(s.back(k), j.set) {
			n++
		}
	}
	return n
}

// recent is the median over the recent days.
func (j *Judge) recent(s *subject, of func(*Day) float64) float64 {
	x := make([]float64, 0, 8)
	for k := range j.set.RecentDays {
		if v := of(s.back(k)); outyard.Known(v) {
			x = append(x, v)
		}
	}
	return robust.Median(x)
}

// maxOthers bounds Settings.MostOthers.
const maxOthers = 32

// peers finds the hives that s is measured against: ones known now and
// earlier, and, where there are enough, not damp themselves. The same ones
// serve for the whole window, so that a hive that falls silent does not look
// like a change in the rest.
func (j *Judge) peers(s *subject) []*subject {
	fit := j.peersOf(s, false)
	if len(fit) < j.set.LeastPeers {
		fit = j.peersOf(s, true)
	}
	return fit
}

func (j *Judge) peersOf(s *subject, dampToo bool) []*subject {
	var fit []*subject
	at := slices.Index(j.order, s)
	earlier := min(s.earlier, j.set.LeastCourseDays)
	for i := range j.order {
		o := j.order[(at+i)%len(j.order)]
		if o != s && (dampToo || o.open() == nil) && o.now && o.earlier >= earlier {
			fit = append(fit, o)
		}
		if len(fit) >= min(max(j.set.MostOthers, 1), maxOthers) {
			break
		}
	}
	return fit
}

// forget keeps the last n days.
func (c *course) forget(n int) {
	c.vapourPa = c.vapourPa[:copy(c.vapourPa, last(c.vapourPa, n))]
	c.wetness = c.wetness[:copy(c.wetness, last(c.wetness, n))]
	c.middlePa = c.middlePa[:copy(c.middlePa, last(c.middlePa, n))]
	c.middleWet = c.middleWet[:copy(c.middleWet, last(c.middleWet, n))]
	c.breath = c.breath[:copy(c.breath, last(c.breath, n))]
	c.ratio = c.ratio[:copy(c.ratio, last(c.ratio, n))]
}

// measure brings a hive's course up to today.
func (j *Judge) measure(s *subject, ev *evidence) {
	c := &s.course
	ps := j.peers(s)
	var by yardstick
	switch {
	case len(ps) > 0:
		by = others
	case ev.weatherKnown:
		by = weather
	default:
		by = itself
	}
	if c.by != by || c.weatherKnown != ev.weatherKnown || !slices.Equal(c.peers, ps) || len(c.vapourPa) != len(s.days)-1 {
		*c = course{by: by, weatherKnown: ev.weatherKnown, peers: ps, vapourPa: c.vapourPa[:0], wetness: c.wetness[:0],
			middlePa: c.middlePa[:0], middleWet: c.middleWet[:0], breath: c.breath[:0], ratio: c.ratio[:0]}
	}
	ev.by, ev.peers = by, len(ps)
	for k := len(s.days) - 1 - len(c.vapourPa); k >= 0; k-- {
		c.append(s, k, j.set)
	}
	c.nowPa, c.levelPa, c.own = j.change(c.vapourPa)
	var own bool
	c.nowWet, c.levelWet, own = j.change(c.wetness)
	c.own = c.own && own
	c.held = j.holds(c)
	if !c.own {
		c.levelPa, c.levelWet = 0, 0
	}
}

// change is where a series stands now and where it stood earlier in the
// window; false when too little is known of that.
func (j *Judge) change(x []float64) (now, level float64, ok bool) {
	x = last(x, j.set.WindowDays)
	now = robust.Median(last(x, j.set.RecentDays))
	x = x[:max(0, len(x)-j.set.LagDays)]
	return now, robust.Median(x), robust.Count(x) >= j.set.LeastCourseDays
}

// append adds how far the hive stood from its yardstick k days ago.
func (c *course) append(s *subject, k int, set Settings) {
	mine := s.back(k)
	pa, wet := mine.InsidePa, mine.wetness(c.weatherKnown)
	if c.by == weather {
		pa, wet = mine.ExcessPa, mine.Wetness-math.Log(mine.OutsideRHPct/100)
	}
	if !mine.known(set) {
		pa, wet = outyard.Unknown, outyard.Unknown
	}
	middlePa, middleWet := c.middle(k, set)
	c.middlePa, c.middleWet = append(c.middlePa, middlePa), append(c.middleWet, middleWet)
	c.vapourPa, c.wetness = append(c.vapourPa, pa-middlePa), append(c.wetness, wet-middleWet)
	breath := mine.breath(set)
	c.breath, c.ratio = append(c.breath, breath), append(c.ratio, breath-c.middleBreath(k, set))
}

// middle is the peers' middle k days ago; zero without peers.
func (c *course) middle(k int, set Settings) (pa, wet float64) {
	if c.by != others {
		return 0, 0
	}
	var pas, wets [maxOthers]float64
	n, m := 0, 0
	for _, o := range c.peers {
		d := o.back(k)
		if !d.known(set) {
			continue
		}
		pas[n] = d.InsidePa
		n++
		if x := d.wetness(c.weatherKnown); outyard.Known(x) {
			wets[m] = x
			m++
		}
	}
	pa, wet = outyard.Unknown, outyard.Unknown
	if n > 0 {
		pa = middle(pas[:n])
	}
	if m > 0 {
		wet = middle(wets[:m])
	}
	return pa, wet
}

// wetness is that of the wall, or, where nothing is known of the weather and
// so of the wall, that of the air at the probe. It falls where a colony warms
// its air and rises where it cools, while vapour pressure does the opposite:
// only water makes both rise.
func (d *Day) wetness(weatherKnown bool) float64 {
	if weatherKnown {
		return d.Wetness
	}
	return math.Log(d.InsideRHPct / 100)
}

// weigh says how far the hive's rise is one that counts.
func (j *Judge) weigh(s *subject, ev *evidence) {
	set, c := j.set, &s.course
	ev.byRatio = ev.by == others && ev.weatherKnown
	if ev.byRatio {
		j.weighRatio(s, ev)
	}
	ev.own, ev.nowPa, ev.nowWet = c.own, c.nowPa, c.nowWet
	ev.levelPa, ev.levelWet = c.levelPa, c.levelWet
	movingPa, movingWet := j.moving(s)
	changed := j.changed(s)
	ev.needPa = max(set.RisePa*changed, set.MovingTimes*movingPa)
	ev.needWet = max(set.WetterBy*changed, set.MovingTimes*movingWet)
	if ev.by == others {
		// A hive that stood below the yard's middle and comes up to it has
		// become like the rest, not damp.
		ev.levelPa, ev.levelWet = max(ev.levelPa, 0), max(ev.levelWet, 0)
		if ev.peers < set.LeastPeers {
			ev.needPa, ev.needWet = ev.needPa*set.FewTimes, ev.needWet*set.FewTimes
		}
	} else {
		ev.needPa, ev.needWet = ev.needPa*set.AloneTimes, ev.needWet*set.AloneTimes
	}
	if !ev.own && ev.by != others {
		return // nothing at all to compare with yet
	}
	if !ev.own {
		ev.needPa, ev.needWet = ev.needPa*set.StrangerTimes, ev.needWet*set.StrangerTimes
	}
	ev.wetShare = min(ev.risePa()/ev.needPa, ev.wetter()/ev.needWet)
	if !ev.byRatio {
		ev.share, ev.sum = ev.wetShare, j.sumUp(s, ev)
	}
	if ev.sum < set.EnoughSum {
		return
	}
	trend := last(c.vapourPa, set.TrendDays)
	x := make([]float64, len(trend))
	for i := range x {
		x[i] = float64(i)
	}
	ev.slopePa = robust.TheilSen(x, trend, 0.95).Slope
	ev.pRising = robust.MannKendall(trend).PRising
}

// changed is how many times as much is asked because the colony lives
// otherwise than in its earlier course: brood nest then and cluster now, say.
// What the hive was like against the others then says little of what it is
// like now.
func (j *Judge) changed(s *subject) float64 {
	temps := s.room[:0]
	for _, d := range lastDays(s.days, j.set.WindowDays) {
		temps = append(temps, d.InsideTempC)
	}
	s.room = temps
	now, level, ok := j.change(temps)
	if !ok || !outyard.Known(now) {
		return 1
	}
	return 1 + max(0, math.Abs(now-level)-j.set.SameLifeK)*j.set.ChangedPerK
}

func lastDays(d []Day, n int) []Day { return d[max(0, len(d)-n):] }

// moving is how much the hives that s is measured against are changing against
// each other just now: much when colonies go into winter or begin to brood,
// each in its own week, little in between.
func (j *Judge) moving(s *subject) (pa, wet float64) {
	c := &s.course
	if c.by == others && len(c.peers) >= j.set.LeastPeers {
		var pas, wets [maxOthers]float64
		n := 0
		apart := make([]float64, 0, j.set.WindowDays)
		for _, o := range c.peers {
			nowPa, levelPa, ok := j.change(against(apart, o.days, c.middlePa, func(d *Day) float64 { return d.InsidePa }))
			nowWet, levelWet, _ := j.change(against(apart, o.days, c.middleWet, func(d *Day) float64 { return d.wetness(c.weatherKnown) }))
			if ok && outyard.Known(nowPa+nowWet+levelWet) {
				pas[n], wets[n] = math.Abs(nowPa-levelPa), math.Abs(nowWet-levelWet)
				n++
			}
		}
		if n >= j.set.LeastPeers {
			return robust.MADScale * middle(pas[:n]), robust.MADScale * middle(wets[:n])
		}
	}
	// Too few to ask: how much the hive itself moved about earlier.
	return scatter(c.vapourPa, j.set), scatter(c.wetness, j.set)
}

// against is how far a hive stood from a yardstick, over the days that both
// have, written into the room given.
func against(room []float64, days []Day, yardstick []float64, of func(*Day) float64) []float64 {
	n := min(cap(room), len(days), len(yardstick))
	days, yardstick = days[len(days)-n:], last(yardstick, n)
	room = room[:n]
	for i := range room {
		room[i] = of(&days[i]) - yardstick[i]
	}
	return room
}

// scatter is that of a series' earlier days about their middle; 0 where it is
// not known.
func scatter(x []float64, set Settings) float64 {
	x = last(x, set.WindowDays)
	if mad := robust.MAD(x[:max(0, len(x)-set.LagDays)]); outyard.Known(mad) {
		return mad
	}
	return 0
}

// sumUp is Page's cumulative sum (1954, Biometrika 41:100) of the daily rises
// as shares of what is asked: a slow rise is told as soon as its days together
// are enough, a great one within a few days, one wild day never.
func (j *Judge) sumUp(s *subject, ev *evidence) float64 {
	c, sum := &s.course, 0.0
	for k := min(j.set.LagDays, len(c.vapourPa)) - 1; k >= 0; k-- {
		i := len(c.vapourPa) - 1 - k
		x := min((c.vapourPa[i]-ev.levelPa)/ev.needPa, (c.wetness[i]-ev.levelWet)/ev.needWet)
		x *= j.weight(s.back(k), ev.weatherKnown)
		if outyard.Known(x) {
			sum = max(0, sum+min(x, j.set.MostADay)-j.set.AllowedADay)
		}
	}
	return sum
}

// weight is how much a day's rise counts, by how wet the hive is at all: in
// full where the wall is near dew and the air full, not at all where the wall
// dries or the air is as dry as bees keep it over brood.
func (j *Judge) weight(d *Day, weatherKnown bool) float64 {
	w := ramp(d.InsideRHPct, j.set.DampInsideRHPct, j.set.SoakedInsideRHPct)
	if weatherKnown {
		w = min(w, ramp(100*math.Exp(d.Wetness), j.set.DampRHPct, j.set.SoakedRHPct))
	}
	return w
}

// ramp rises from 0 at from to 1 at to.
func ramp(x, from, to float64) float64 { return min(max((x-from)/(to-from), 0), 1) }

// last returns the last n of x.
func last(x []float64, n int) []float64 { return x[max(0, len(x)-n):] }
