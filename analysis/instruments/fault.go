package instruments

import (
	"cmp"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// FaultSettings are the thresholds by which a sensor is taken to lie (common
// practice, no source).
type FaultSettings struct {
	// StuckReadings, 12: so many equal readings in a row at least are a sensor
	// that repeats itself.
	StuckReadings int
	// StuckWeight, 3 h: over which a weight must not change at all. Wind, warmth
	// and bees move every scale by more than its step.
	StuckWeight time.Duration
	// CoarseShare, 1/3: with so many of its readings equal to the one before, a
	// scale's step hides more than its noise, wind and bees show; and StillKgPerDay,
	// 0.02 kg: what a hive changes by at least where nothing stirs, a cluster in
	// a calm frost or combs without bees. For as long as that takes for a step,
	// such a scale may stand still.
	CoarseShare, StillKgPerDay float64
	// StuckAir, 24 h: the same of a temperature or a humidity; a brood nest may
	// be held within the step of a coarse sensor for as long, and is left out.
	StuckAir time.Duration
	// UsualTimes, 3: and so many times the longest it stayed the same on the
	// days before, for coarse scales that do so every quiet night.
	UsualTimes int
	// MovedK, 3 K: by how much warmth elsewhere must have changed meanwhile for
	// a temperature or humidity that does not to be stuck.
	MovedK float64
	// Pinned, 36 h: how long a humidity must stay at the top of its scale to be
	// a wet or worn-out sensor. Damp air comes and goes by a few percent.
	Pinned time.Duration
	// PinnedRHPct, 99.9 %: the top of its scale.
	PinnedRHPct float64
	// Wrong, 1 h: how long values must be impossible to be a fault rather than
	// one bad reading.
	Wrong time.Duration
	// ColdestC, -45 °C: colder is no hive of any keeper.
	ColdestC float64
	// HottestC, 40 °C: no brood nest is hotter (33 to 36 °C: Kleinhenz et al.
	// 2003), nor any box or air by night.
	HottestC float64
	// Hot, 12 h: over which it must be hotter throughout, nights too, for the
	// sun to be no excuse.
	Hot time.Duration
	// SwapK, 2 K: to within so much a figure must be that of the reading before
	// turned into degrees Fahrenheit, for the node to have changed its unit;
	// SwapWithin, 90 min: from one reading to the next. In Celsius it would have
	// warmed by 30 K or so meanwhile.
	SwapK      float64
	SwapWithin time.Duration
	// SwapRHPct, 5 %: by how much the humidity, where there is one, may change
	// with that. A probe that is hung into a nest goes into drier air.
	SwapRHPct float64
	// NestMostC, 38 °C: warmer is no nest, so that a figure above it cannot be a
	// probe that was hung into one.
	NestMostC float64
	// NestFor, 72 h: and what stays between 32 °C, NestLeastC, and 37 °C for so
	// long is a nest's warmth in Celsius, however the figures went before: air
	// that stays within 0 and 3 °C by night and day for as long is rarer.
	NestFor    time.Duration
	NestLeastC float64
	// PoundsKg, 1 kg: to within so much a weight must be the one before turned
	// into pounds, for the node to have changed its unit; PoundsFromKg, 20 kg:
	// of a lighter hive so much more may be a box that was put on; PoundsAbove,
	// 1.5: and so many times the most of the days before it must be. What was
	// lifted off comes back to no more than that.
	PoundsKg, PoundsFromKg, PoundsAbove float64
	// LightestKg, -3 kg, and HeaviestKg, 250 kg: what a hive with its stand
	// cannot weigh. A little below nought is a scale set with something on it.
	LightestKg, HeaviestKg float64
	// Absent, 12 h: a quantity that a node sends no more for so long, and for
	// UsualTimes the longest it left it out on the days before, is missing.
	Absent time.Duration
	// BareKg, 7 kg: with less than that on the scale there is no hive, however
	// it was set, and who took it took the probe.
	BareKg float64
	// JumpKg, 5 kg: how far a weight must jump up and back from one reading to
	// the next to be wild.
	JumpKg float64
	// NightJumpKg, 1 kg: the same by night, when nobody lifts anything.
	NightJumpKg float64
	// JumpBackKg, 1 kg: how near it comes to where it was.
	JumpBackKg float64
	// JumpUsual, 5: and how many times the middle one of its newest steps a jump
	// of less than JumpKg must be. In a storm every reading is far from the next.
	JumpUsual float64
	// Jumps, 4, within JumpDays, 7 d: single wild readings happen to every
	// scale, several in a week are a loose contact.
	Jumps    int
	JumpDays int

	Creep CreepSettings
	Night NightSettings
	Shift ShiftSettings
	// ByCourse, false, has clocks judged by how the days run: for readings of
	// which nothing tells when they arrived. Whoever knows that knows more.
	ByCourse bool
}

// DefaultFaultSettings returns the defaults.
func DefaultFaultSettings() FaultSettings {
	return FaultSettings{StuckReadings: 12, StuckWeight: 3 * time.Hour, CoarseShare: 1. / 3, StillKgPerDay: 0.02, StuckAir: 24 * time.Hour, UsualTimes: 3, MovedK: 3,
		Pinned: 36 * time.Hour, PinnedRHPct: 99.9, Wrong: time.Hour, ColdestC: -45, HottestC: 40, Hot: 12 * time.Hour,
		SwapK: 2, SwapWithin: 90 * time.Minute, SwapRHPct: 5, NestMostC: 38, NestFor: 72 * time.Hour, NestLeastC: 32, PoundsKg: 1, PoundsFromKg: 20, PoundsAbove: 1.5,
		LightestKg: -3, HeaviestKg: 250, Absent: 12 * time.Hour, BareKg: 7, JumpKg: 5, NightJumpKg: 1, JumpBackKg: 1, JumpUsual: 5, Jumps: 4, JumpDays: 7,
		Creep: defaultCreepSettings(), Night: defaultNightSettings(), Shift: defaultShiftSettings()}
}

// A lie is how a sensor errs.
type lie string

const (
	stuck      lie = "stuck"        // repeats itself
	unplugged  lie = "unplugged"    // gives the figure of a missing probe
	saturated  lie = "saturated"    // a humidity that stays at the top
	impossible lie = "out of range" // what no hive has
	fahrenheit lie = "Fahrenheit"   // degrees of the other kind
	pounds     lie = "pounds"       // for kilograms
	absent     lie = "missing"      // of a node that still sends the rest
	jumping    lie = "wild jumps"
	creeping   lie = "drifting"
	sinking    lie = "sinking"
	swimming   lie = "swimming"
	warming    lie = "following the warmth"
)

// Faults follows what the nodes of a yard measure and says which sensor lies.
type Faults struct {
	yard  outyard.Yard
	set   FaultSettings
	nodes []*sensors // by hive; the weather's first
	airC  float64    // the newest temperature outside
}

// watchedQuantities are those whose sensors may lie.
var watchedQuantities = []outyard.Quantity{outyard.Weight, outyard.InsideTemp, outyard.InsideRH, outyard.OutsideTemp, outyard.OutsideRH}

// sensors are those of one node.
type sensors struct {
	hive  outyard.HiveID
	of    [outyard.NumQuantities]*sensor
	bare  bool // next to nothing stands on the scale
	light bool // its newest reading says so
	creep
	nights []night // oldest first
	alone  bool    // in the newest of them no two others were known
	shifts shifts
}

// A sensor is one quantity of one node.
type sensor struct {
	run    run        // of equal values, up to now
	odd    [5]since   // values that are a missing probe's, impossible, hot, or in Fahrenheit or pounds by how they came
	nest   since      // as warm as a nest
	fine   time.Time  // since when they have been neither
	last   float64    // the reading before
	lastT  time.Time  // its time
	prev   float64    // and the one before that
	moves  [8]float64 // by how much it changed from one reading to the next, the newest first
	grain  float64    // the least change that it has shown, 0 for none yet
	days   [usualDays]dayRun
	missed int         // readings in a row without it
	jumps  []time.Time // wild readings of the last days
	past   []*fault    // those that readings show
	drifts []*fault    // those of whole days, which may go on beside them
}

const usualDays = 14

// A dayRun is the longest run of equal values of one day.
type dayRun struct {
	day     int64 // since 1970
	longest time.Duration
	gap     time.Duration // the longest without the quantity
	n, same int           // readings, and those equal to the one before
	most    float64       // of its values
}

// A run is of equal values.
type run struct {
	value      float64
	from       time.Time
	n          int
	before     float64 // the value that it came from
	lowC, topC float64 // the warmth elsewhere meanwhile
}

// since is when something began, and how many readings have shown it.
type since struct {
	from time.Time
	n    int
}

func (s *since) see(is bool, at time.Time) {
	switch {
	case !is:
		*s = since{}
	case s.n == 0:
		*s = since{at, 1}
	default:
		s.n++
	}
}

// for says whether it has lasted so long, with so many readings.
func (s *since) lasted(now time.Time, d time.Duration, n int) bool {
	return s.n >= n && now.Sub(s.from) >= d
}

// A fault is a sensor's lying from its onset to its end.
type fault struct {
	lie        lie
	onset, end time.Time
	over       bool
	value      float64 // what it showed
	sure       float64
	n          int       // jumps, or nights without a mark
	calm       time.Time // since when
	usual      habit     // of the nights before it began
}

// open is the fault that readings show just now.
func (s *sensor) open() *fault { return open(s.past) }

// drift is how the sensor drifts just now.
func (s *sensor) drift() *fault { return open(s.drifts) }

func open(past []*fault) *fault {
	if k := len(past); k > 0 && !past[k-1].over {
		return past[k-1]
	}
	return nil
}

// told says that the fault of a humidity is told with its temperature's: the
// two are mostly one probe, and one plug.
func (n *sensors) told(q outyard.Quantity) bool {
	var with *sensor
	switch q {
	case outyard.InsideRH:
		with = n.of[outyard.InsideTemp]
	case outyard.OutsideRH:
		with = n.of[outyard.OutsideTemp]
	}
	return with != nil && with.open() != nil && with.open().lie != fahrenheit
}

// NewFaults begins to watch a yard.
func NewFaults(yard outyard.Yard, set FaultSettings) *Faults {
	return &Faults{yard: yard, set: set, airC: outyard.Unknown}
}

func (f *Faults) node(hive outyard.HiveID) *sensors {
	i, known := slices.BinarySearchFunc(f.nodes, hive, func(n *sensors, h outyard.HiveID) int { return cmp.Compare(n.hive, h) })
	if !known {
		f.nodes = slices.Insert(f.nodes, i, &sensors{hive: hive})
	}
	return f.nodes[i]
}

// Observe takes a reading, each node's own in order of time, and returns it
// without what lying sensors say of the air. Whether a fault began or ended
// with it is the other result.
func (f *Faults) Observe(r outyard.Reading) (believed outyard.Reading, changed bool) {
	n := f.node(r.Hive)
	if kg := r.Values[outyard.Weight]; outyard.Known(kg) {
		light := math.Abs(kg) < f.set.BareKg
		n.bare, n.light = light || n.light, light // one wild reading puts no hive there
	}
	for _, q := range watchedQuantities {
		v, s := r.Values[q], n.of[q]
		if !outyard.Known(v) {
			changed = f.miss(n, q, r.Time) || changed
			continue
		}
		if s == nil {
			s = &sensor{last: outyard.Unknown, prev: outyard.Unknown}
			n.of[q] = s
		}
		elsewhere := f.airC
		if q == outyard.InsideRH {
			elsewhere = r.Values[outyard.InsideTemp]
		}
		changed = f.take(n, q, v, elsewhere, n.moistenedPct(q, r), r.Time) || changed
		if q != outyard.Weight && f.doubtful(s, r.Time) || s.odd[4].n > 0 {
			r.Values[q] = outyard.Unknown
		}
	}
	if v := r.Values[outyard.OutsideTemp]; outyard.Known(v) {
		f.airC = v
	}
	return r, changed
}

// miss notes that a node's reading came without the quantity.
func (f *Faults) miss(n *sensors, q outyard.Quantity, at time.Time) bool {
	s := n.of[q]
	if s == nil {
		return false
	}
	s.missed++
	if n.bare || n.told(q) || s.missed < f.set.StuckReadings || s.open() != nil {
		return false
	}
	gap := at.Sub(s.lastT)
	if gap < max(f.set.Absent, f.longest(s, s.lastT, func(d dayRun) time.Duration { return d.gap })) {
		return false
	}
	s.past = append(s.past, &fault{lie: absent, onset: s.lastT, value: outyard.Unknown, sure: 0.9})
	return true
}

// doubtful says that nothing is to be made of what the sensor shows now, even
// where it is too early to tell anybody.
func (f *Faults) doubtful(s *sensor, now time.Time) bool {
	if s.open() != nil || s.odd[0].n > 0 || s.odd[1].n > 0 || s.odd[3].n > 0 {
		return true
	}
	return s.run.n >= f.set.StuckReadings && s.run.value >= f.set.PinnedRHPct && now.Sub(s.run.from) >= f.set.Pinned/3
}

// DoubtedSince is since when nothing is to be made of a quantity of a hive's,
// zero for a sensor that is trusted: more is known when a day is counted than
// was when its readings came.
func (f *Faults) DoubtedSince(hive outyard.HiveID, q outyard.Quantity) time.Time {
	i, known := slices.BinarySearchFunc(f.nodes, hive, func(n *sensors, h outyard.HiveID) int { return cmp.Compare(n.hive, h) })
	if !known || f.nodes[i].of[q] == nil {
		return time.Time{}
	}
	s := f.nodes[i].of[q]
	if o := s.open(); o != nil {
		return o.onset
	}
	pinned := q == outyard.InsideRH && s.run.value >= f.set.PinnedRHPct
	if pinned && s.run.n >= f.set.StuckReadings && s.lastT.Sub(s.run.from) >= f.set.Pinned/6 {
		return s.run.from
	}
	return time.Time{}
}

// take carries a sensor on by a reading.
func (f *Faults) take(n *sensors, q outyard.Quantity, v, elsewhereC, moistenedPct float64, at time.Time) bool {
	s := n.of[q]
	inPounds := s.odd[4].n > 0 && !f.kilogramsAgain(s, v) || q == outyard.Weight && f.inPounds(s, v, at)
	s.nest.see(v >= f.set.NestLeastC && v < f.set.NestMostC-1, at)
	swapped := s.odd[3].n > 0 && !f.swappedBack(s, v) && !s.nest.lasted(at, f.set.NestFor, f.set.StuckReadings) || f.swaps(s, q, v, moistenedPct, at)
	s.follow(v, elsewhereC, at)
	s.missed = 0
	if q == outyard.Weight {
		f.jump(s, v, at)
	}
	copy(s.moves[1:], s.moves[:])
	s.moves[0] = math.Abs(v - s.last)
	s.prev, s.last, s.lastT = s.last, v, at
	s.odd[0].see(missing(q, v), at)
	s.odd[1].see(f.cannotBe(q, v), at)
	s.odd[2].see(q == outyard.InsideTemp && v > f.set.HottestC || q == outyard.OutsideTemp && v > f.set.HottestC, at)
	s.odd[3].see(swapped, at)
	s.odd[4].see(inPounds, at)

	what, from, sure := f.lies(s, q, at)
	open := s.open()
	if open != nil && open.lie == jumping && what != "" && what != jumping {
		open.over, open.end = true, from // it is something else now
		open, s.jumps = nil, nil
	}
	switch {
	case open == nil && what != "" && n.told(q):
		return false
	case open == nil && what != "":
		s.past = append(s.past, &fault{lie: what, onset: from, value: v, sure: sure, n: len(s.jumps)})
		s.fine = time.Time{}
		if what == fahrenheit && s.odd[3].n == 0 {
			s.odd[3] = since{from, s.odd[2].n}
		}
		return true
	case open == nil:
		return false
	case what != "" || f.stillOdd(s, open, v, at):
		s.fine = time.Time{}
		if open.lie == jumping {
			open.n = max(open.n, len(s.jumps))
		}
		return false
	}
	if s.fine.IsZero() {
		s.fine = at
	}
	if at.Sub(s.fine) < f.patience(open) {
		return false
	}
	open.over, open.end = true, s.fine
	return true
}

// patience is for how long a sensor must be fine to be so again.
func (f *Faults) patience(o *fault) time.Duration {
	switch o.lie {
	case absent, fahrenheit, pounds:
		return 0
	case stuck:
		return time.Second // the second reading: one wild one between does not end it
	case jumping:
		return time.Duration(f.set.JumpDays) * 24 * time.Hour
	}
	return 3 * f.set.Wrong
}

// stillOdd says that a reading shows the fault that is open, though it alone
// would not be told.
func (f *Faults) stillOdd(s *sensor, o *fault, v float64, at time.Time) bool {
	switch o.lie {
	case stuck, unplugged:
		return v == o.value
	case saturated:
		return v >= f.set.PinnedRHPct
	case impossible:
		return s.odd[1].n > 0
	case fahrenheit:
		return s.odd[2].n > 0 || s.odd[3].n > 0
	case pounds:
		return s.odd[4].n > 0
	case jumping:
		return len(s.jumps) > 0 && at.Sub(s.jumps[len(s.jumps)-1]) < f.set.Wrong
	}
	return false
}

// lies says how the sensor lies as of now, since when, and how sure that is.
func (f *Faults) lies(s *sensor, q outyard.Quantity, at time.Time) (what lie, from time.Time, sure float64) {
	temp := q == outyard.InsideTemp || q == outyard.OutsideTemp
	rh := q == outyard.InsideRH || q == outyard.OutsideRH
	same := at.Sub(s.run.from)
	switch {
	case s.odd[0].lasted(at, f.set.Wrong, 3):
		return unplugged, s.odd[0].from, 0.97
	case s.odd[4].lasted(at, f.set.Wrong, 3):
		return pounds, s.odd[4].from, 0.93
	case s.odd[1].lasted(at, f.set.Wrong, 3):
		return impossible, s.odd[1].from, 0.97
	case temp && s.odd[2].lasted(at, f.set.Hot, 6):
		return fahrenheit, s.odd[2].from, 0.9
	case s.odd[3].lasted(at, f.set.Wrong, 3):
		return fahrenheit, s.odd[3].from, 0.93
	case q == outyard.InsideRH && s.run.value >= f.set.PinnedRHPct:
		// A sensor that is right shows a full air by 98, 99, 100, 99.
		if s.run.n >= f.set.StuckReadings && same >= f.set.Pinned {
			return saturated, s.run.from, 0.75
		}
	case s.run.n < f.set.StuckReadings:
	case q == outyard.Weight:
		// A fall right onto the figure, to less than half, is a hive that fell or was taken away.
		gone := s.run.before-s.run.value >= f.set.JumpKg && s.run.value < s.run.before/2
		if same >= max(f.set.StuckWeight, f.usually(s), f.still(s)) && !gone {
			return stuck, s.run.from, 0.93
		}
	case temp || rh && s.run.value < 98:
		moved := !(s.run.topC-s.run.lowC < f.set.MovedK)
		// One that showed every breath of the nest before, and stays at its last
		// figure, is not held there by its step.
		n, steady := f.sameBefore(s)
		fine := n > 0 && float64(steady) < f.set.CoarseShare*float64(n) && math.Abs(s.run.value-s.run.before) <= 1
		brood := q == outyard.InsideTemp && s.run.value >= 31 && s.run.value <= 37 && !fine
		if same >= max(f.set.StuckAir, f.usually(s)) && moved && !brood {
			return stuck, s.run.from, 0.93
		}
	}
	if len(s.jumps) >= f.set.Jumps {
		return jumping, s.jumps[0], 0.9
	}
	return "", time.Time{}, 0
}

// celsius is what a figure in degrees Fahrenheit stands for.
func celsius(f float64) float64 { return (f - 32) / 1.8 }

// moistenedPct is by how much the humidity beside a temperature has changed
// since the reading before, NaN where that is not known.
func (n *sensors) moistenedPct(q outyard.Quantity, r outyard.Reading) float64 {
	rh := outyard.InsideRH
	if q == outyard.OutsideTemp {
		rh = outyard.OutsideRH
	}
	if n.of[rh] == nil || !n.of[rh].lastT.Equal(n.of[q].lastT) {
		return outyard.Unknown
	}
	return r.Values[rh] - n.of[rh].last
}

// swaps says that a temperature is the one before in the other kind of degrees.
func (f *Faults) swaps(s *sensor, q outyard.Quantity, v, moistenedPct float64, at time.Time) bool {
	const leastK = 15 // the two kinds meet at -40
	temp := q == outyard.InsideTemp || q == outyard.OutsideTemp
	if !temp || v-s.last < leastK || at.Sub(s.lastT) > f.set.SwapWithin || missing(q, v) || missing(q, s.last) {
		return false
	}
	if !(math.Abs(celsius(v)-s.last) <= f.set.SwapK) {
		return false
	}
	if s.open() != nil || s.last == 0 && s.run.n >= 3 {
		return false // a probe that gave nought for nothing, plugged in again in a brood nest
	}
	if outyard.Known(moistenedPct) {
		return math.Abs(moistenedPct) <= f.set.SwapRHPct
	}
	return v > f.set.NestMostC
}

// swappedBack says that a temperature that was in degrees Fahrenheit is in
// Celsius again: nearer, so, to the reading before, or to the air outside,
// which no hive is colder than by so much.
func (f *Faults) swappedBack(s *sensor, v float64) bool {
	const colderK = 20
	was := celsius(s.last)
	return math.Abs(v-was) < math.Abs(celsius(v)-was) || celsius(v) < f.airC-colderK
}

// inPounds says that a weight is the one before in pounds: no keeper adds more
// than the hive's own weight between two readings.
func (f *Faults) inPounds(s *sensor, v float64, at time.Time) bool {
	if s.open() != nil || s.last < f.set.PoundsFromKg || at.Sub(s.lastT) > f.set.SwapWithin || math.Abs(v*outyard.KgPerPound-s.last) > f.set.PoundsKg {
		return false
	}
	today := at.Unix() / (24 * 3600)
	known := 0
	for _, d := range s.days {
		if d.day == 0 || d.day <= today-usualDays {
			continue
		}
		if known++; v < f.set.PoundsAbove*d.most {
			return false
		}
	}
	return known >= 2
}

// kilogramsAgain says that a weight that was in pounds is in kilograms again:
// nearer, so, to the reading before, and near enough.
func (f *Faults) kilogramsAgain(s *sensor, v float64) bool {
	const nearShare = 0.15 // of what may have become of it while the node said nothing
	wasKg := s.last * outyard.KgPerPound
	off := math.Abs(v - wasKg)
	return off < math.Abs(v*outyard.KgPerPound-wasKg) && off < nearShare*wasKg
}

// missing says that a value is what nodes give for a probe that is not there:
// -127 °C and 85 °C are what common digital thermometers show unconnected and
// unread (from memory); no air has no humidity.
func missing(q outyard.Quantity, v float64) bool {
	switch q {
	case outyard.InsideTemp, outyard.OutsideTemp:
		return v == 85 || v <= -127
	case outyard.InsideRH, outyard.OutsideRH:
		return v <= 1
	}
	return false
}

// cannotBe says that no hive, or no weather, is like that.
func (f *Faults) cannotBe(q outyard.Quantity, v float64) bool {
	switch q {
	case outyard.Weight:
		return v < f.set.LightestKg || v > f.set.HeaviestKg
	case outyard.InsideTemp, outyard.OutsideTemp:
		return v < f.set.ColdestC
	case outyard.InsideRH, outyard.OutsideRH:
		return v > 103
	}
	return false
}

// follow carries the run of equal values on.
func (s *sensor) follow(v, elsewhereC float64, at time.Time) {
	same := time.Duration(0) // for how long the run was that has ended
	if s.run.n > 0 && v == s.run.value {
		s.run.n++
		if outyard.Known(elsewhereC) {
			if !(s.run.lowC <= elsewhereC) {
				s.run.lowC = elsewhereC
			}
			if !(s.run.topC >= elsewhereC) {
				s.run.topC = elsewhereC
			}
		}
	} else {
		same = s.lastT.Sub(s.run.from)
		s.run = run{value: v, from: at, n: 1, before: s.last, lowC: elsewhereC, topC: elsewhereC}
	}
	if o := s.open(); o != nil && o.lie != jumping {
		return
	}
	day := at.Unix() / (24 * 3600)
	d := &s.days[day%usualDays]
	if d.day != day {
		*d = dayRun{day: day, most: v}
	}
	d.longest = max(d.longest, same)
	d.n, d.most = d.n+1, max(d.most, v)
	// A thousandth of a gram is arithmetic, not a scale.
	if step := math.Abs(v - s.last); step == 0 {
		d.same++
	} else if step > 1e-6 && (s.grain == 0 || step < s.grain) {
		s.grain = step
	}
	if !s.lastT.IsZero() && s.missed > 0 {
		d.gap = max(d.gap, at.Sub(s.lastT))
	}
}

// usually is the longest for which the sensor may show one value, by what it
// did on the days before the present run; a day, where those are few.
func (f *Faults) usually(s *sensor) time.Duration {
	return f.longest(s, s.run.from, func(d dayRun) time.Duration { return d.longest })
}

// still is for how long a weight may stand still on a coarse scale; nothing for
// one whose last digit never rests.
func (f *Faults) still(s *sensor) time.Duration {
	n, same := f.sameBefore(s)
	if float64(same) < f.set.CoarseShare*float64(n) {
		return 0
	}
	still := time.Duration(s.grain / f.set.StillKgPerDay * float64(24*time.Hour))
	if float64(same) < 1.5*f.set.CoarseShare*float64(n) {
		still = min(still, 2*f.usually(s))
	}
	return still
}

// sameBefore is how many readings there were on the days before the present
// run, and how many of them were equal to the one before.
func (f *Faults) sameBefore(s *sensor) (n, same int) {
	before := s.run.from.Unix() / (24 * 3600)
	for _, d := range s.days {
		if d.day > 0 && d.day < before && d.day >= before-usualDays {
			n, same = n+d.n, same+d.same
		}
	}
	return n, same
}

// longest is UsualTimes the longest that a sensor did a thing for on the days
// before an instant; a day, where those are few.
func (f *Faults) longest(s *sensor, at time.Time, of func(dayRun) time.Duration) time.Duration {
	before := at.Unix() / (24 * 3600)
	known, longest := 0, time.Duration(0)
	for _, d := range s.days {
		if d.day > 0 && d.day < before && d.day >= before-usualDays {
			known++
			longest = max(longest, of(d))
		}
	}
	if known < 2 {
		return 24 * time.Hour
	}
	return time.Duration(f.set.UsualTimes) * longest
}

// jump notes a reading that was far from those on both sides of it, which
// agree: the one before this. What goes down by day is a lid or a box lifted.
func (f *Faults) jump(s *sensor, v float64, at time.Time) {
	keep := time.Duration(f.set.JumpDays) * 24 * time.Hour
	s.jumps = slices.DeleteFunc(s.jumps, func(t time.Time) bool { return at.Sub(t) > keep })
	wild, back := math.Abs(s.last-s.prev), math.Abs(v-s.prev)
	if !(wild >= f.set.NightJumpKg) || !(back <= min(f.set.JumpBackKg, wild/4)) {
		return
	}
	hour := s.lastT.In(f.yard.Zone).Hour()
	night := hour < 4 || hour >= 23
	if !night && (wild < f.set.JumpKg || s.last < s.prev && s.last > 0) {
		return
	}
	if before := s.moves[1:]; wild < f.set.JumpKg && wild < f.set.JumpUsual*robust.Median(before) {
		return
	}
	s.jumps = append(s.jumps, s.lastT)
}
