package brood

import (
	"cmp"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// Settings are the thresholds of this package (common practice, no source).
type Settings struct {
	// NestWarmth, 0.75: the warmth of a probe in or beside a brood nest; see
	// Day.Warmth. A few centimetres off it, several kelvins are missing.
	NestWarmth float64
	// LostShare, 0.72: a nest is lost when its warmth is no more than so much of
	// what it was.
	LostShare float64
	// NestLostC, 31.5 °C: and the probe no warmer. Brood is kept at 32 °C at least.
	NestLostC float64
	// LostDays, 2 d: on so many days in a row.
	LostDays int
	// FirstDay and LastDay, 75 and 258: the days of the year, north of the
	// equator, between which a colony that had brood should have it: mid-March
	// to mid-September. Before, it comes and goes; after, it ends by itself.
	FirstDay, LastDay int
	// BreakDays, 45 d: for how long after a swarm there may be no brood: the
	// young queen hatches within 16 days, mates and lays within three or four
	// weeks, and brood warms its nest a week later.
	BreakDays int
	// SwarmFirst and SwarmLast, 91 and 212: the days of the year, north of the
	// equator, between which colonies swarm: April to July. A nest that cools
	// then may be the pause after a swarm that nobody saw.
	SwarmFirst, SwarmLast int
	// PauseDays, 21 d: for how long it may be that. The last brood hatches
	// three weeks after the swarm, when the young queen is about to lay, and
	// until hers fills the nest it takes as long again at most.
	PauseDays int
	// TogetherShare, 0.5: when so many of the yard's other nests cool too, it
	// is the weather or the season.
	TogetherShare float64
	// LivedWarmth, 0.18: the least warmth that told of bees before.
	LivedWarmth float64
	// EmptyWarmth, 0.12, EmptyShare, 0.4, and EmptyCoupling, 0.65: a hive is
	// empty when its warmth is no more than that, and than so much of what it
	// was, and the probe follows the air so closely.
	EmptyWarmth, EmptyShare, EmptyCoupling float64
	// EmptyDays, 3 d: on so many days in a row: a cluster may move off the probe.
	EmptyDays int
	// FallK, 10 K, to ColdC, 10 °C: where no weather is known a hive is empty when
	// the probe fell by so much, and so low. A cold snap of as much moves a cluster by half of
	// it. FallBesideK, 5 K, to ColdBesideC, 14 °C: the same of a hive beside
	// others, against them, and to BesideK, 3 K, below them.
	FallK, ColdC, FallBesideK, ColdBesideC, BesideK float64
	// BackShare, 0.85, for BackDays, 3 d: and then it is over.
	BackShare float64
	BackDays  int
	// MovedK, 3 K, and MovedShare, 0.5: a fall by so much within hours of the
	// keeper's work, and by so much of the whole fall, is a probe put elsewhere.
	MovedK, MovedShare float64
	// BlindDays, 21 d: a hive of which nothing is known for so long is let go.
	BlindDays int
}

// DefaultSettings returns the defaults.
func DefaultSettings() Settings {
	return Settings{NestWarmth: 0.75, LostShare: 0.72, NestLostC: 31.5, LostDays: 2, FirstDay: 75, LastDay: 258, BreakDays: 45,
		SwarmFirst: 91, SwarmLast: 212, PauseDays: 21, TogetherShare: 0.5, LivedWarmth: 0.18, EmptyWarmth: 0.12, EmptyShare: 0.4, EmptyCoupling: 0.65, EmptyDays: 3,
		FallK: 10, ColdC: 10, FallBesideK: 5, ColdBesideC: 14, BesideK: 3,
		BackShare: 0.85, BackDays: 3, MovedK: 3, MovedShare: 0.5, BlindDays: 21}
}

// A HiveDay is one hive's date: its hours, and what happened to it.
type HiveDay struct {
	Hive    outyard.HiveID
	Hours   []Hour // 24, or 23 or 25, of the local date
	Worked  []int  // indices into Hours in which the keeper was at it
	Swarmed outyard.Date
	// SwarmKnown says that Swarmed, the date of its last swarm or split, is one.
	SwarmKnown bool
}

// A Watch follows the warmth of a yard's hives by days.
type Watch struct {
	yard  outyard.Yard
	set   Settings
	date  outyard.Date
	hives []*hive // by id
}

type hive struct {
	id     outyard.HiveID
	days   []record // the last ones, the newest last
	swarm  outyard.Date
	swarms bool
	spells []*spell
}

// A record is a day with what else is needed of it.
type record struct {
	Day
	movedK float64 // how much colder it became within hours of work; 0 without
}

// A spell is a hive that has cooled.
type spell struct {
	onset, end outyard.Date
	over       bool
	told       bool // else it waits: a swarm explains it for now
	state      State
	was        Day     // the level before
	now        Day     // the newest
	lowestC    float64 //
	byFall     bool    // empty by how far it fell, the weather not being known
	besideK    float64 // how much warmer than the middle of the yard's others; NaN where not known
	moved      bool
	afterSwarm bool
	peers      int // other nests that stayed warm
	back       int // days in a row on which it was warm again
	blind      int // days in a row of which nothing is known
}

const window = 34 // days kept

// NewWatch begins a yard's season.
func NewWatch(yard outyard.Yard, set Settings) *Watch { return &Watch{yard: yard, set: set} }

func (w *Watch) hive(id outyard.HiveID) *hive {
	i, known := slices.BinarySearchFunc(w.hives, id, func(h *hive, id outyard.HiveID) int { return cmp.Compare(h.id, id) })
	if !known {
		w.hives = slices.Insert(w.hives, i, &hive{id: id})
	}
	return w.hives[i]
}

// Day takes one date of the yard's hives. Dates rise by one; hives of which
// nothing is known may be left out.
func (w *Watch) Day(date outyard.Date, hives []HiveDay) {
	w.date = date
	for _, hd := range hives {
		w.hive(hd.Hive)
	}
	for _, h := range w.hives {
		r := record{Day: Look(nil)}
		if i := slices.IndexFunc(hives, func(hd HiveDay) bool { return hd.Hive == h.id }); i >= 0 {
			hd := hives[i]
			r = record{Look(hd.Hours), coolingAtWork(hd)}
			if hd.SwarmKnown {
				h.swarm, h.swarms = hd.Swarmed, true
			}
		}
		if len(h.days) >= 2*window {
			h.days = append(h.days[:0], h.days[len(h.days)-window+1:]...)
		}
		h.days = append(h.days, r)
	}
	for _, h := range w.hives {
		w.judge(h)
	}
}

// coolingAtWork is how much colder the probe was some hours after the
// keeper's work than before it.
func coolingAtWork(hd HiveDay) float64 {
	most := 0.0
	for _, k := range hd.Worked {
		before, after := hours(hd.Hours, k-3, k), hours(hd.Hours, k+2, k+5)
		if d := before - after; d > most {
			most = d
		}
	}
	return most
}

func hours(hs []Hour, from, to int) float64 {
	var x []float64
	for _, h := range hs[min(max(from, 0), len(hs)):min(max(to, 0), len(hs))] {
		x = append(x, h.InsideC)
	}
	return robust.Median(x)
}

// level is what a hive was like from some days ago to some days ago.
func (h *hive) level(from, to, least int) Day {
	var in, out, warm, coup []float64
	for k := to; k < from && k < len(h.days); k++ {
		d := h.back(k)
		in, out, warm, coup = append(in, d.InsideC), append(out, d.OutsideC), append(warm, d.Warmth), append(coup, d.Coupling)
	}
	return Day{InsideC: middle(in, least), OutsideC: middle(out, 1), Warmth: middle(warm, least), Coupling: middle(coup, 1)}
}

func (h *hive) back(k int) *record { return &h.days[len(h.days)-1-k] }

func (h *hive) open() *spell {
	if k := len(h.spells); k > 0 && !h.spells[k-1].over {
		return h.spells[k-1]
	}
	return nil
}

func (w *Watch) judge(h *hive) {
	s := h.open()
	if s == nil {
		if w.nestLost(h) {
			s = w.begin(h, Cluster, h.level(18, 4, 7), w.set.LostDays)
		} else if w.emptied(h) {
			s = w.begin(h, Empty, h.level(30, 7, 8), w.set.EmptyDays)
		} else if w.fell(h) {
			s = w.begin(h, Empty, h.level(30, 7, 8), w.set.EmptyDays)
			s.byFall = true
		}
		if s == nil {
			return
		}
	} else {
		w.follow(h, s)
	}
	if !s.over && !s.told {
		s.told = s.state == Empty || !w.inBreak(h)
	}
}

// inBreak says that a swarm is so recent that there need be no brood.
func (w *Watch) inBreak(h *hive) bool {
	return h.swarms && w.date.Sub(h.swarm) <= w.set.BreakDays
}

// nestLost says whether the hive had a brood nest and has it no more, in the
// time of year in which it should.
func (w *Watch) nestLost(h *hive) bool {
	if !w.season() || len(h.days) <= w.set.LostDays {
		return false
	}
	was := h.level(18, 4, 7)
	if !(was.Warmth >= w.set.NestWarmth) {
		return false
	}
	for k := range w.set.LostDays {
		if d := h.back(k); !(d.Warmth <= w.set.LostShare*was.Warmth && d.InsideC <= w.set.NestLostC) {
			return false
		}
	}
	warm, cooled := w.others(h)
	return cooled == 0 || float64(cooled) < w.set.TogetherShare*float64(warm+cooled)
}

// others counts the yard's other nests, by whether they stayed warm.
func (w *Watch) others(h *hive) (warm, cooled int) {
	for _, o := range w.hives {
		if o == h {
			continue
		}
		was, now := o.level(18, 4, 7), o.level(2, 0, 1)
		switch {
		case !(was.Warmth >= w.set.NestWarmth) || !outyard.Known(now.Warmth):
		case now.Warmth <= (1+w.set.LostShare)/2*was.Warmth && !(o.swarms && w.inBreak(o)):
			cooled++
		default:
			warm++
		}
	}
	return warm, cooled
}

// season says whether there should be brood.
func (w *Watch) season() bool { return w.between(w.date, w.set.FirstDay, w.set.LastDay) }

// between says whether a date lies between two days of the northern year;
// there is no such year in the tropics, where all dates do.
func (w *Watch) between(d outyard.Date, first, last int) bool {
	if math.Abs(w.yard.Latitude) < 23.4 {
		return true
	}
	if w.yard.Latitude < 0 {
		d = d.Add(182)
	}
	day := d.Start(time.UTC).YearDay()
	return day >= first && day <= last
}

// pauses says that the spell may as yet be the pause after a swarm that
// nobody saw.
func (w *Watch) pauses(s *spell) bool {
	until := w.date
	if s.over {
		until = s.end
	}
	return s.state == Cluster && !s.afterSwarm && w.between(s.onset, w.set.SwarmFirst, w.set.SwarmLast) && until.Sub(s.onset) <= w.set.PauseDays
}

// emptied says whether bees warmed the hive and do so no more.
func (w *Watch) emptied(h *hive) bool {
	if len(h.days) <= w.set.EmptyDays {
		return false
	}
	was := h.level(30, 7, 8)
	if !(was.Warmth >= w.set.LivedWarmth) {
		return false
	}
	for k := range w.set.EmptyDays {
		d := h.back(k)
		if !outyard.Known(d.OutsideC) || !(d.Warmth <= min(w.set.EmptyWarmth, w.set.EmptyShare*was.Warmth)) || d.Coupling < w.set.EmptyCoupling {
			return false
		}
	}
	// One day at least on which the air moved, and the probe with it.
	return h.level(w.set.EmptyDays+2, 0, 1).Coupling >= w.set.EmptyCoupling
}

// fell is emptied where no weather is known: the probe has fallen to the cold, and
// the yard's other hives have not.
func (w *Watch) fell(h *hive) bool {
	if len(h.days) <= w.set.EmptyDays {
		return false
	}
	was, wasBesideK := h.level(30, 7, 8), w.besideK(h, 30, 7, 8)
	for k := range w.set.EmptyDays {
		d := h.back(k)
		if outyard.Known(d.OutsideC) || !outyard.Known(d.InsideC) {
			return false
		}
		besideK := w.besideK(h, k+1, k, 1)
		if outyard.Known(wasBesideK + besideK) {
			if !(d.InsideC <= w.set.ColdBesideC && besideK <= min(wasBesideK-w.set.FallBesideK, -w.set.BesideK)) {
				return false
			}
		} else if !(d.InsideC <= min(w.set.ColdC, was.InsideC-w.set.FallK)) {
			return false
		}
	}
	return true
}

// besideK is how much warmer a hive was than the middle of the yard's other
// living ones, from some days ago to some days ago; NaN where too little is
// known.
func (w *Watch) besideK(h *hive, from, to, least int) float64 {
	var apart []float64
	for k := to; k < from && k < len(h.days); k++ {
		var others []float64
		for _, o := range w.hives {
			if o != h && k < len(o.days) && (o.open() == nil || o.open().state != Empty) {
				others = append(others, o.back(k).InsideC)
			}
		}
		apart = append(apart, h.back(k).InsideC-robust.Median(others))
	}
	return middle(apart, least)
}

func (w *Watch) begin(h *hive, state State, was Day, days int) *spell {
	s := &spell{onset: w.date.Add(1 - days), state: state, was: was, now: h.back(0).Day, lowestC: h.back(0).InsideC, afterSwarm: w.inBreak(h), besideK: w.besideK(h, 1, 0, 1)}
	s.peers, _ = w.others(h)
	for k := range min(days+4, len(h.days)) {
		if m := h.back(k).movedK; m >= w.set.MovedK && m >= w.set.MovedShare*(was.InsideC-s.now.InsideC) {
			s.moved = true
		}
	}
	if n := len(h.spells); n > 0 && s.onset.Before(h.spells[n-1].end) {
		s.onset = h.spells[n-1].end
	}
	h.spells = append(h.spells, s)
	return s
}

// follow carries a spell on by a day.
func (w *Watch) follow(h *hive, s *spell) {
	d := h.back(0)
	if !outyard.Known(d.Warmth) {
		if s.blind++; s.blind >= w.set.BlindDays {
			s.over, s.end = true, w.date.Add(1-s.blind)
		}
		return
	}
	s.blind = 0
	warm := d.Warmth >= w.set.BackShare*s.was.Warmth
	if s.state == Empty {
		warm = d.Warmth >= w.set.LivedWarmth
	}
	if s.byFall {
		warm = d.InsideC >= (s.was.InsideC+s.lowestC)/2
	}
	if warm {
		if s.back++; s.back >= w.set.BackDays {
			s.over, s.end = true, w.date.Add(1-s.back)
		}
		return
	}
	s.back = 0
	s.besideK = w.besideK(h, 1, 0, 1)
	s.now, s.lowestC = d.Day, min(s.lowestC, d.InsideC)
	switch {
	case s.state != Empty && w.emptiedSince(h):
		s.state = Empty
	case s.state != Empty && !w.season():
		s.over, s.end = true, w.date // from here on there need be no brood
	}
}

// emptiedSince is emptied of a hive whose nest has cooled already.
func (w *Watch) emptiedSince(h *hive) bool {
	for k := range w.set.EmptyDays {
		d := h.back(k)
		if !outyard.Known(d.OutsideC) || !(d.Warmth <= w.set.EmptyWarmth) || d.Coupling < w.set.EmptyCoupling {
			return false
		}
	}
	return h.level(w.set.EmptyDays+2, 0, 1).Coupling >= w.set.EmptyCoupling
}
