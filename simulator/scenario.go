package simulator

import (
	"cmp"
	"container/heap"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"
	_ "time/tzdata" // the district has its clock on every machine

	"outyard"
)

// A Scenario is an invented season, not yet played. It may be played any
// number of times, and is the same each time.
type Scenario struct {
	seed  uint64
	opt   Options
	zone  *time.Location
	yards []outyard.Yard
}

// A Sent reading is one with the instant at which it reached the daemon: soon
// after it was measured, or, after the yard's radio was out, much later.
type Sent struct {
	Reading outyard.Reading
	Arrival time.Time
}

// Invent makes a scenario.
func Invent(seed uint64, opt Options) Scenario {
	zone, err := time.LoadLocation(zoneName)
	if err != nil {
		zone = time.FixedZone(zoneName, -8*3600)
	}
	s := Scenario{seed: seed, opt: opt.withDefaults(zone), zone: zone}
	for i := range s.opt.Yards {
		s.yards = append(s.yards, inventYard(seed, i, s.opt.HivesPerYard, zone))
	}
	return s
}

// Yards are the yards and hives of the scenario with what stands on the scales
// when it begins.
func (s Scenario) Yards() []outyard.Yard {
	yards := slices.Clone(s.yards)
	supers := usualSupers(s.startDoy())
	for i := range yards {
		yards[i].Hives = slices.Clone(yards[i].Hives)
		for k := range yards[i].Hives {
			parts := slices.Clone(standing[:3])
			for range supers {
				parts = append(parts, superPart)
			}
			yards[i].Hives[k].Equipment = append(parts, standing[3:]...)
			if stoneLies(s.startDoy()) {
				yards[i].Hives[k].Equipment = append(yards[i].Hives[k].Equipment, "brick")
			}
		}
	}
	return yards
}

// Span is from when to when the scenario plays, the end exclusive.
func (s Scenario) Span() (from, to time.Time) { return s.opt.Start.UTC(), s.opt.End.UTC() }

// Cadence is the time between two readings of one hive.
func (s Scenario) Cadence() time.Duration { return s.opt.Cadence }

func (s Scenario) startDoy() float64 { return float64(s.opt.Start.In(s.zone).YearDay()) }

// usualSupers is how many supers the hives have on a day of the year.
func usualSupers(doy float64) int {
	switch {
	case doy > 130 && doy < 170:
		return 1
	case doy >= 170 && doy < 225:
		return 2
	}
	return 0
}

// leanShare is how much of the usual stores a lean hive has, and of what is
// usually left it the keeper leaves.
const leanShare = 0.45

// stoneLies says whether a stone keeps the lids down at a time of year.
func stoneLies(doy float64) bool { return doy > 290 || doy < 95 }

// Run plays the season in order of the readings' times. Each may block, to
// pace the play; its error ends it and is returned. The truth comes at the
// end, or up to where the play was ended.
func (s Scenario) Run(each func(outyard.Reading) error) ([]Label, error) {
	return s.Record(func(r Sent) error { return each(r.Reading) })
}

// Record is Run with the arrival of each reading, still in order of the times
// at which they were measured.
func (s Scenario) Record(each func(Sent) error) ([]Label, error) {
	e := newEngine(s)
	err := e.play(func(_ int64, batch []Sent) error {
		for _, r := range batch {
			if err := each(r); err != nil {
				return err
			}
		}
		return nil
	})
	return e.truth(), err
}

// Send plays the season in order of arrival: after a radio outage a yard's
// backlog comes in one heap. What has not arrived when the season ends is left
// out.
func (s Scenario) Send(each func(Sent) error) ([]Label, error) {
	e := newEngine(s)
	waiting := &arrivals{}
	err := e.play(func(until int64, batch []Sent) error {
		for _, r := range batch {
			heap.Push(waiting, r)
		}
		for waiting.Len() > 0 && (*waiting)[0].Arrival.Unix() < until {
			if err := each(heap.Pop(waiting).(Sent)); err != nil {
				return err
			}
		}
		return nil
	})
	return e.truth(), err
}

// arrivals is a heap of readings on their way, the next to arrive on top.
type arrivals []Sent

func (a arrivals) Len() int      { return len(a) }
func (a arrivals) Swap(i, j int) { a[i], a[j] = a[j], a[i] }
func (a *arrivals) Push(x any)   { *a = append(*a, x.(Sent)) }
func (a *arrivals) Pop() any {
	last := len(*a) - 1
	x := (*a)[last]
	*a = (*a)[:last]
	return x
}

func (a arrivals) Less(i, j int) bool {
	x, y := &a[i], &a[j]
	return cmp.Or(x.Arrival.Compare(y.Arrival), x.Reading.Time.Compare(y.Reading.Time),
		cmp.Compare(x.Reading.Yard, y.Reading.Yard), cmp.Compare(x.Reading.Hive, y.Reading.Hive)) < 0
}

// A yard is a place with hives, its weather and its radio.
type yard struct {
	id     outyard.YardID
	index  int
	engine *engine
	rng    dice
	site   site
	hives  []*hive
	blooms []*bloom
	doy    float64

	nextVisit int64
	waited    int
	out       []span // when its radio was out

	station station
}

func (y *yard) weather(t int64) skyHour { return y.site.at(y.engine.sky.at(t)) }

// A station measures the yard's weather.
type station struct {
	rng              dice
	phase            int64
	tempOff, rhOff   float64
	bucketMm, sentMm float64 // fallen and told so far
	t                int64
}

// tipMm is what one tip of the rain gauge stands for.
const tipMm = 0.2

func (y *yard) readWeather(t int64, r *outyard.Reading, lostShare float64) bool {
	s := &y.station
	w := y.weather(t)
	s.bucketMm += w.rainMmH * float64(t-s.t) / 3600
	s.t = t
	tips := math.Floor((s.bucketMm - s.sentMm) / tipMm)
	temp, rh, wind := s.rng.NormFloat64(), s.rng.NormFloat64(), s.rng.NormFloat64()
	s.sentMm += tips * tipMm
	if s.rng.chance(lostShare) {
		return false
	}
	r.Values[outyard.OutsideTemp] = round(w.tempC+s.tempOff+0.1*temp+w.sunWM2/1500, 10)
	r.Values[outyard.OutsideRH] = round(clamp(w.rhPct()+s.rhOff+0.8*rh, 5, 100), 10)
	r.Values[outyard.Rain] = round(tips*tipMm, 10)
	r.Values[outyard.Wind] = round(max(0, w.windMS*(1+0.15*wind)), 10)
	return true
}

// An engine is one play of a scenario.
type engine struct {
	seed        uint64
	opt         Options
	zone        *time.Location
	start, end  int64
	cadence     int64
	spikeChance float64
	sky         *sky
	yards       []*yard
	labels      []Label
	date        outyard.Date
	next        int64 // the coming midnight
	lastMade    int64
}

func newEngine(s Scenario) *engine {
	e := &engine{seed: s.seed, opt: s.opt, zone: s.zone, start: s.opt.Start.Unix(), end: s.opt.End.Unix(), cadence: int64(s.opt.Cadence / time.Second)}
	e.spikeChance = s.opt.Rates.Spikes * float64(e.cadence) / yearSec
	var fine []span
	for _, ev := range s.opt.Script {
		if ev.Kind == FineWeather {
			fine = append(fine, span{ev.Time.Unix(), ev.End.Unix()})
		}
	}
	e.sky = newSky(s.seed, e.start, fine)
	doy := s.startDoy()
	for i, info := range s.yards {
		rng := newDice(s.seed, "yard", i)
		y := &yard{id: info.ID, index: i, engine: e, rng: rng, site: newSite(rng), doy: doy}
		y.nextVisit = e.start + int64(rng.between(0, visitGapDay.at(doy))*daySec)
		w := y.weather(e.start)
		y.station = station{rng: newDice(s.seed, "station", i), t: e.start, phase: int64(rng.IntN(int(min(e.cadence, 60)))), tempOff: rng.normal(0, 0.15), rhOff: rng.normal(0, 1)}
		for k, in := range info.Hives {
			y.hives = append(y.hives, newHive(s, y, k, in.ID, w))
		}
		e.yards = append(e.yards, y)
	}
	return e
}

func newHive(s Scenario, y *yard, k int, id outyard.HiveID, w skyHour) *hive {
	rng := newDice(s.seed, "hive", y.index, k)
	doy := s.startDoy()
	h := &hive{id: id, yard: y, index: k, rng: rng, t: y.engine.start}
	h.colony = newColony(rng, doy)
	if h.lean = newDice(s.seed, "lean", y.index, k).chance(s.opt.Rates.Lean); h.lean {
		h.colony.sugarKg *= leanShare
		h.colony.waterKg *= leanShare
	}
	h.air = newAir(newDice(s.seed, "air", y.index, k), w)
	h.wet = newWetness(rng, w)
	h.stone = stoneLies(doy)
	for _, p := range standing {
		h.woodKg += emptyKg(p)
	}
	h.woodKg *= rng.between(0.97, 1.05) // makers differ
	h.superKg, h.stoneKg = emptyKg(superPart)*rng.between(0.95, 1.06), emptyKg("brick")*rng.between(0.8, 1.2)
	h.meter = newMeter(newDice(s.seed, "meter", y.index, k), s.opt.QuantumKg, w.tempC)
	h.battery = newBattery(newDice(s.seed, "battery", y.index, k), h.meter.full, h.meter.thirst, s.opt.Rates.Batteries)
	h.faults = newDice(s.seed, "fault", y.index, k)
	h.drift.rng = newDice(s.seed, "drift", y.index, k)
	h.wander = wander{rng: newDice(s.seed, "wander", y.index, k)}
	h.nest = nest{rng: newDice(s.seed, "queen", y.index, k), label: -1}
	h.phase = h.meter.rng.Int64N(max(1, y.engine.cadence-jitterSec))
	for _, ev := range s.opt.Script {
		if ev.Hive == id && ev.Yard == y.id {
			h.spared = true
			if ev.Kind == outyard.Swarm {
				h.colony.queen = max(h.colony.queen, 1.1)
			}
		}
	}
	h.setSupers(usualSupers(doy))
	h.meter.lateKg = h.loadKg(h.t)
	h.startDay(h.ownAll(), h.waterNowKg())
	return h
}

func (e *engine) label(l Label) int {
	e.labels = append(e.labels, l)
	return len(e.labels) - 1
}

// jitterSec is how far a node's readings stray from its beat.
const jitterSec = 8

// play steps through the season, a cadence at a time. It hands over each
// cadence's readings in order of time, with the instant at which the cadence
// ended; the batch is used again for the next.
func (e *engine) play(give func(until int64, batch []Sent) error) error {
	e.date = outyard.DateOf(e.opt.Start, e.zone)
	e.next = e.start
	var batch []Sent
	for tick := e.start; tick < e.end; tick += e.cadence {
		if tick >= e.next {
			e.midnight()
		}
		batch = batch[:0]
		for _, y := range e.yards {
			at := tick + y.station.phase
			r := outyard.NewReading(y.id, "", time.Unix(at, 0))
			if at < e.end && y.readWeather(at, &r, e.opt.Rates.DroppedRows) {
				batch = append(batch, e.sent(y, 0, r, y.station.rng))
			}
			for _, h := range y.hives {
				at := tick + h.phase
				if at >= e.end {
					continue
				}
				h.bring(at)
				at += h.meter.rng.Int64N(jitterSec)
				r := outyard.NewReading(y.id, h.id, time.Unix(at, 0))
				if h.read(at, &r) && at < e.end {
					batch = append(batch, e.sent(y, h.index+1, r, h.meter.rng))
				}
			}
		}
		slices.SortStableFunc(batch, func(a, b Sent) int { return a.Reading.Time.Compare(b.Reading.Time) })
		e.lastMade = min(tick+e.cadence, e.end)
		if err := give(e.lastMade, batch); err != nil {
			return fmt.Errorf("play at %s: %w", time.Unix(tick, 0).UTC().Format(time.RFC3339), err)
		}
	}
	for _, y := range e.yards {
		for _, h := range y.hives {
			h.bring(e.end)
			if e.end == e.next {
				h.closeDay(e.date.Add(-1), e.end)
			}
		}
	}
	return nil
}

// sent says when a reading arrives.
func (e *engine) sent(y *yard, number int, r outyard.Reading, rng dice) Sent {
	t := r.Time.Unix()
	arrival := t + 1 + rng.Int64N(9)
	for _, s := range y.out {
		if s.has(t) {
			arrival = s.to + 4*int64(number) // each node sends its backlog whole
		}
	}
	return Sent{r, time.Unix(arrival, 0).UTC()}
}

// midnight closes the local date that ends and plans the one that begins.
func (e *engine) midnight() {
	now := e.next
	first := now == e.start
	if !first {
		for _, y := range e.yards {
			for _, h := range y.hives {
				h.bring(now)
			}
		}
		for _, y := range e.yards {
			for _, h := range y.hives {
				h.closeDay(e.date.Add(-1), now)
			}
		}
	}
	today := e.date
	e.date = e.date.Add(1)
	e.next = e.date.Start(e.zone).Unix()
	look := e.sky.outlook(now)
	for _, y := range e.yards {
		y.doy = float64(today.Start(e.zone).YearDay())
		if first || today.Month == time.January && today.Day == 1 {
			y.planBlooms(today.Year)
		}
		y.closeFlows(now)
		rates := e.opt.Rates
		if y.rng.chance(rates.Outages / 365) {
			from := now + y.rng.seconds(0, 24*60)
			y.goOut(span{from, from + int64(y.rng.between(0.15, 5)*daySec)})
		}
		y.out = slices.DeleteFunc(y.out, func(s span) bool { return s.to < now-daySec })
		for _, h := range y.hives {
			h.colony.midnight(y.doy, now, min(h.flown, 1))
			h.flown = 0
			if !h.dead && h.colony.beesKg() < 0.15 && !h.gone {
				h.dead = true
				e.label(Label{Kind: DeadOut, Yard: y.id, Hive: h.id, Time: time.Unix(now, 0).UTC()})
			}
			h.planTroubles(now, look)
		}
		y.planKeeper(now, look)
	}
	for _, ev := range e.opt.Script {
		if t := ev.Time.Unix(); t >= now && t < e.next {
			e.enact(ev)
		}
	}
}

// planBlooms draws a year's flows, or takes them from the script.
func (y *yard) planBlooms(year int) {
	e := y.engine
	scripted := false
	for _, ev := range e.opt.Script {
		if ev.Kind == Flow && ev.Time.In(e.zone).Year() == year {
			scripted = true
			if ev.Yard == "" || ev.Yard == y.id {
				b := &bloom{what: ev.What, from: outyard.DateOf(ev.Time, e.zone).Start(e.zone).Unix(), to: outyard.DateOf(ev.End, e.zone).Start(e.zone).Unix(), nectarKg: ev.Kg, sugar: 0.35}
				y.blooms = append(y.blooms, b)
			}
		}
	}
	if !scripted {
		y.blooms = append(y.blooms, bloomsOf(e.seed, y.index, year, e.zone)...)
	}
}

// closeFlows labels the flows that are over.
func (y *yard) closeFlows(now int64) {
	y.blooms = slices.DeleteFunc(y.blooms, func(b *bloom) bool {
		if b.to > now {
			return false
		}
		y.labelFlow(b)
		return true
	})
}

func (y *yard) labelFlow(b *bloom) {
	l := Label{Kind: Flow, What: b.what, Yard: y.id, Time: time.Unix(b.from, 0).UTC(), End: time.Unix(b.to, 0).UTC()}
	if len(b.dayGainsKg) == 0 {
		return // over before the season began
	}
	sum, n := 0.0, 0
	for _, date := range slices.SortedFunc(maps.Keys(b.dayGainsKg), func(a, b outyard.Date) int { return a.Sub(b) }) {
		gains := slices.Sorted(slices.Values(b.dayGainsKg[date]))
		for _, kg := range gains {
			sum, n = sum+kg, n+1
		}
		if gains[len(gains)*3/4] >= NectarKg {
			if (l.NectarFrom == outyard.Date{}) {
				l.NectarFrom = date
			}
			l.NectarTo = date
		}
	}
	l.KgPerDay = round(sum/float64(n), 1000)
	y.engine.label(l)
}

// truth is all labels up to where the play came, in order of time.
func (e *engine) truth() []Label {
	for _, y := range e.yards {
		for _, b := range y.blooms {
			if b.from < e.lastMade {
				y.labelFlow(b)
			}
		}
	}
	upTo := time.Unix(e.lastMade, 0)
	labels := slices.DeleteFunc(e.labels, func(l Label) bool { return l.Time.After(upTo) })
	for i := range labels {
		if labels[i].End.After(upTo) {
			labels[i].End = time.Time{}
		}
	}
	labels = append(labels, wants(labels)...)
	slices.SortStableFunc(labels, func(a, b Label) int { return a.Time.Compare(b.Time) })
	return labels
}
