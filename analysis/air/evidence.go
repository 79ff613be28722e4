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

// A course is how far a hive stood from its yardstick, day by day, as natural
// logarithms, oldest first. It is kept from one day to the next as long as the
// yardstick stays the same.
type course struct {
	by           yardstick
	weatherKnown bool
	peers        []*subject
	vapour       []float64 // see Day.vapour
	wetness      []float64 // see Day.wetness
	own          []float64 // the vapour itself, whatever the others do

	holds, wets stand // where the two series stand
}

// A stand is where a series stands and where it stood.
type stand struct {
	now    float64 // of the recent days
	before float64 // of the earlier days
	lately float64 // of the last of them
	own    bool    // there are earlier days enough
	sway   float64 // standard deviation of the earlier days, robustly; 0 where not known
}

// lowest is what a rise is counted from in the end.
func (s stand) lowest() float64 { return min(s.before, s.lately) }

// evidence is what a hive's last weeks say on one day.
type evidence struct {
	by           yardstick
	weatherKnown bool
	peers        int // hives measured against

	holds, wets stand
	logOdds     float64 // of its being damp, by today; NaN where nothing is known
	sum         float64 // of those of the last days, see Page's sum in weigh

	slopePa  float64 // a day
	pRising  float64
	wallRH   float64 // of the recent days, %
	insideRH float64 // %
	insideC  float64
	wetness  float64 // see Day.wetness
	pa       float64 // the vapour that counts: excess over outside, or inside
	excessPa float64
	dewHours float64 // condensation, hours a day
}

func (ev *evidence) known() bool { return outyard.Known(ev.insideRH) }

// morePa is how much more vapour the hive's air holds than it would.
func (ev *evidence) morePa(level float64) float64 {
	return ev.pa * (1 - math.Exp(level-ev.holds.now))
}

// look describes a hive's recent days.
func (j *Judge) look(s *subject) evidence {
	unknown := outyard.Unknown
	ev := evidence{slopePa: unknown, pRising: unknown, logOdds: unknown, wallRH: unknown, insideRH: unknown, insideC: unknown, excessPa: unknown, dewHours: unknown}
	if !j.knownNow(s, (*Day).known) {
		return ev
	}
	ev.weatherKnown = j.knownNow(s, (*Day).outsideKnown)
	ev.insideRH = j.recent(s, func(d *Day) float64 { return d.InsideRHPct })
	ev.insideC = j.recent(s, func(d *Day) float64 { return d.InsideTempC })
	ev.wetness = j.recent(s, func(d *Day) float64 { return d.wetness(ev.weatherKnown) })
	if !ev.weatherKnown {
		ev.pa = j.recent(s, func(d *Day) float64 { return d.InsidePa })
		return ev
	}
	ev.wallRH = j.recent(s, func(d *Day) float64 { return d.WallRHPct })
	ev.excessPa = j.recent(s, func(d *Day) float64 { return d.ExcessPa })
	ev.dewHours = j.recent(s, func(d *Day) float64 { return 24 * float64(d.CondensationHours) / float64(d.OutsideHours) })
	ev.pa = ev.excessPa
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
	c.vapour = c.vapour[:copy(c.vapour, last(c.vapour, n))]
	c.wetness = c.wetness[:copy(c.wetness, last(c.wetness, n))]
	c.own = c.own[:copy(c.own, last(c.own, n))]
}

// measure brings a hive's course up to today.
func (j *Judge) measure(s *subject, ev *evidence) {
	c := &s.course
	ps := j.peers(s)
	by := others
	switch {
	case len(ps) > 0:
	case ev.weatherKnown:
		by = weather
	default:
		by = itself
	}
	if c.by != by || c.weatherKnown != ev.weatherKnown {
		s.sum = 0 // of something else
	}
	if c.by != by || c.weatherKnown != ev.weatherKnown || !slices.Equal(c.peers, ps) || len(c.vapour) != len(s.days)-1 {
		*c = course{by: by, weatherKnown: ev.weatherKnown, peers: ps, vapour: c.vapour[:0], wetness: c.wetness[:0], own: c.own[:0]}
	}
	ev.by, ev.peers = by, len(ps)
	for k := len(s.days) - 1 - len(c.vapour); k >= 0; k-- {
		c.append(s, k, j.set)
	}
	c.holds, c.wets = j.stand(c.vapour), j.stand(c.wetness)
	ev.holds, ev.wets = c.holds, c.wets
}

// stand is where a series stands and where it stood.
func (j *Judge) stand(x []float64) stand {
	x = last(x, j.set.WindowDays)
	earlier := x[:max(0, len(x)-j.set.LagDays)]
	s := stand{now: robust.Median(last(x, j.set.RecentDays)), before: robust.Median(earlier), own: robust.Count(earlier) >= j.set.LeastCourseDays}
	if sway := robust.MADScale * robust.MAD(earlier); outyard.Known(sway) {
		s.sway = sway
	}
	s.lately = robust.Median(last(earlier, j.set.LatelyDays))
	if !outyard.Known(s.lately) {
		s.lately = s.before
	}
	return s
}

// append adds how far the hive stood from its yardstick k days ago.
func (c *course) append(s *subject, k int, set Settings) {
	mine := s.back(k)
	vapour, wetness := mine.vapour(c.weatherKnown, set), mine.wetness(c.weatherKnown)
	if !mine.known(set) {
		wetness = outyard.Unknown
	}
	middleVapour, middleWetness := c.middle(k, set)
	c.vapour, c.wetness = append(c.vapour, vapour-middleVapour), append(c.wetness, wetness-middleWetness)
	c.own = append(c.own, vapour)
}

// middle is the peers' middle k days ago; zero without peers. Those that hardly
// breathe are left out: empty boxes, and probes that hang outside.
func (c *course) middle(k int, set Settings) (vapour, wetness float64) {
	if c.by != others {
		return 0, 0
	}
	var vs, ws [maxOthers]float64
	n, m := 0, 0
	for _, o := range c.peers {
		d := o.back(k)
		v := d.vapour(c.weatherKnown, set)
		if !outyard.Known(v) || c.weatherKnown && v <= math.Log(set.BarePa) {
			continue
		}
		vs[n] = v
		n++
		if w := d.wetness(c.weatherKnown); outyard.Known(w) {
			ws[m] = w
			m++
		}
	}
	vapour, wetness = outyard.Unknown, outyard.Unknown
	if n > 0 {
		vapour = middle(vs[:n])
	}
	if m > 0 {
		wetness = middle(ws[:m])
	}
	return vapour, wetness
}

// vapour is the logarithm of the vapour over outside, or, where nothing is
// known of the weather, of that inside; NaN where it is not known.
func (d *Day) vapour(weatherKnown bool, set Settings) float64 {
	switch {
	case !d.known(set):
		return outyard.Unknown
	case !weatherKnown:
		return math.Log(d.InsidePa)
	case !d.outsideKnown(set):
		return outyard.Unknown
	}
	return math.Log(max(d.ExcessPa, set.BarePa))
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

// last returns the last n of x.
func last[T any](x []T, n int) []T { return x[max(0, len(x)-n):] }
