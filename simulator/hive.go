package simulator

import (
	"cmp"
	"math"
	"slices"
	"time"

	"outyard"
)

// A hive is one stand with all that belongs to it.
type hive struct {
	id    outyard.HiveID
	yard  *yard
	index int // in the yard
	rng   dice
	phase int64 // seconds by which its readings lag the yard's
	t     int64 // how far it has been brought

	colony   colony
	air      air
	wet      wetness
	meter    meter
	battery  battery
	faults   dice
	lie      fault
	drift    drift
	wander   wander
	nest     nest
	silentBy int // the label of the silence of an empty battery

	superKg, stoneKg float64 // of one super, of the stone on the lid
	woodKg           float64 // boxes, floor, lid, as dry as they get
	supers           int
	stone            bool

	deeds    []deed // to come, by time
	visit    visit
	onward   []transit
	airing   bump // orientation flight
	warmth   bump // of the nest before a swarm
	robbed   robbery
	damp     dampness
	down     fall
	dark     span // the node is dead
	gone     bool
	lean     bool  // its keeper takes too much and does not feed
	swarmed  int64 // when the prime swarm left, 0 for not this year
	castDay  int64 // not before this instant; 0 for none
	againDay int64 // a swarm that came back tries again
	flown    float64

	// At the last midnight.
	ownKg, handledKg, waterKg float64
	upset                     bool // swarmed, robbed or fell since: no measure of a flow
	noTruth                   bool // fell or was righted: the day has no gain to speak of
	spared                    bool // the script has plans for it: chance leaves it alone
	dead                      bool
	spikeAt                   int64 // the script wants a wild reading from here
}

// A deed changes a hive at one instant.
type deed struct {
	at int64
	do func(h *hive)
}

// A transit is bees leaving (kg above nought) or coming home (below): the
// colony's state has them gone or back at its beginning, the scale sees it
// happen by and by.
type transit struct {
	span
	kg float64
}

func (x transit) pendingKg(t int64) float64 {
	if !x.has(t) {
		return 0
	}
	s := float64(t-x.from) / float64(x.to-x.from)
	return x.kg * (1 - s*s*(3-2*s))
}

// A bump rises and falls back within its span.
type bump struct {
	span
	height float64
}

func (b bump) at(t int64) float64 {
	if !b.has(t) {
		return 0
	}
	s := math.Sin(math.Pi * float64(t-b.from) / float64(b.to-b.from))
	return b.height * s * s
}

// A fall is a hive knocked over: the scale holds what is left on it.
type fall struct {
	span
	leftKg float64
}

func (h *hive) plan(at int64, do func(h *hive)) {
	i, _ := slices.BinarySearchFunc(h.deeds, at+1, func(d deed, at int64) int { return cmp.Compare(d.at, at) })
	h.deeds = slices.Insert(h.deeds, i, deed{at, do})
}

// maxStep is the longest step of the physics, in seconds.
const maxStep = 600

// bring brings the hive on to an instant.
func (h *hive) bring(to int64) {
	for h.t < to {
		next := min(to, h.t+maxStep)
		for len(h.deeds) > 0 && h.deeds[0].at <= next {
			d := h.deeds[0]
			h.deeds = h.deeds[1:]
			d.do(h)
		}
		h.step(next)
	}
}

func (h *hive) step(to int64) {
	hours := float64(to-h.t) / 3600
	h.t = to
	w := h.yard.weather(to)
	doy := h.yard.doy
	nectar, sugar, pollen := h.yard.offer(to, doy)
	flying := flyingShare(w)
	h.flown += flying * hours / fineHours
	a := &h.air
	a.dampness = h.damp.at(to)
	f := forage{flying: flying, nectarKg: nectar, nectarSugar: sugar, pollenKg: pollen, outRHPct: w.rhPct(), dryingShare: 1 - 0.4*a.dampness}
	if h.down.has(to) || h.gone {
		f.flying = 0
	}
	h.colony.step(hours, w.tempC, f)
	h.rob(hours, to, flying)

	open := 0.0
	if h.visit.has(to) {
		open = h.visit.openLid
	}
	if h.down.has(to) {
		open = 1
	}
	a.step(hours, w, &h.colony, open, h.warmth.at(to))
	h.wet.step(hours, w)
	h.meter.step(hours, to, w, h.loadKg(to))
	h.drift.step(hours, to, h.meter.cellC)
	h.battery.step(hours, w)
}

// ownAll is all the mass that the colony and the keeper decide about.
func (h *hive) ownAll() float64 {
	kg := h.woodKg + float64(h.supers)*h.superKg + h.colony.massKg()
	if h.stone {
		kg += h.stoneKg
	}
	return kg
}

func (h *hive) waterNowKg() float64 { return h.wet.kg() + h.air.condensed }

// loadKg is what stands on the scale.
func (h *hive) loadKg(t int64) float64 {
	if h.gone {
		return 0
	}
	if h.down.has(t) {
		return h.down.leftKg
	}
	kg := h.ownAll() + h.waterNowKg() - h.colony.outKg - h.airing.at(t)
	for _, x := range h.onward {
		kg += x.pendingKg(t)
	}
	return h.visit.on(t, kg)
}

// read is what the node measures, and false when it measures nothing.
func (h *hive) read(t int64, r *outyard.Reading) bool {
	m := &h.meter
	w := h.yard.weather(t)
	unrest := 0.0
	if h.visit.has(t) {
		unrest = h.visit.unrestKg
	}
	weight := m.show(t, h.loadKg(t), h.drift.kg, unrest, w)
	e := h.yard.engine
	if wild := h.spikeAt > 0 && t >= h.spikeAt; m.rng.chance(e.spikeChance) || wild {
		if wild {
			h.spikeAt = 0
		}
		weight = m.round(weight + math.Copysign(m.rng.between(5, 60), m.rng.Float64()-0.5))
		e.label(Label{Kind: outyard.SensorFault, What: Spike, Yard: h.yard.id, Hive: h.id, Time: time.Unix(t, 0).UTC()})
	}
	lost := m.rng.chance(e.opt.Rates.DroppedRows) || h.dark.has(t) || !h.watch(t, w.tempC)
	tempNoise, rhNoise, radio := m.rng.NormFloat64(), m.rng.NormFloat64(), m.rng.NormFloat64()
	if lost {
		return false
	}
	r.Values[outyard.Weight] = clamp(weight, -50, 500)
	if !h.gone { // who takes the hive takes the probe
		tempC := mix(h.air.tempC, h.air.outsideC, h.wander.away)
		r.Values[outyard.InsideTemp] = round(tempC+m.tempOffK+0.05*tempNoise, 10)
		rh := 100 * h.air.vapourPa / saturationPa(tempC)
		if h.wander.away > 0 {
			rh = min(rh, 96) // where it is colder, wall and comb take what is more
		}
		rh += m.rhOffPct + 0.7*rhNoise
		r.Values[outyard.InsideRH] = round(clamp(rh, 5, 100), 10)
	}
	h.twist(t, r)
	r.Values[outyard.Battery] = h.battery.showsV(w.tempC)
	r.Values[outyard.Signal] = math.Round(m.signalDBm - 1.5*ramp(w.rainMmH, 0, 2) + 2*radio)
	return true
}

// closeDay writes the truth of the local date that has ended.
func (h *hive) closeDay(date outyard.Date, t int64) {
	h.onward = slices.DeleteFunc(h.onward, func(x transit) bool { return x.to <= t })
	own, water := h.ownAll(), h.waterNowKg()
	e := h.yard.engine
	if !h.gone && !h.down.has(t) && !h.noTruth {
		gain := own - h.ownKg - h.handledKg
		e.label(Label{Kind: DayTruth, Yard: h.yard.id, Hive: h.id, Time: date.Start(e.zone).UTC(), End: time.Unix(t, 0).UTC(), Date: date,
			GainKg: round(gain, 1000), HandledKg: round(h.handledKg, 1000), WaterKg: round(water-h.waterKg, 1000),
			StoresKg: round(h.colony.storesKg(), 1000), BeesKg: round(h.colony.beesKg(), 1000),
			UsedKg: round(h.colony.usedKg, 10000), FullShare: round(h.colony.fullShare(), 1000)})
		if !h.upset && h.colony.beesKg() > 0.5 {
			for _, b := range h.yard.blooms {
				if b.level(date.Start(e.zone).Unix()+daySec/2) > 0 {
					if b.dayGainsKg == nil {
						b.dayGainsKg = map[outyard.Date][]float64{}
					}
					b.dayGainsKg[date] = append(b.dayGainsKg[date], gain)
				}
			}
		}
	}
	h.startDay(own, water)
}

func (h *hive) startDay(own, water float64) {
	h.ownKg, h.waterKg, h.handledKg, h.upset, h.noTruth = own, water, 0, false, false
	h.colony.usedKg = 0
}
