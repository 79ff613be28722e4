package simulator

import (
	"math"
	"time"

	"outyard"
)

// A dampness is a hive whose drainage and upper vent fail over some weeks, and
// are mended at the end.
type dampness struct {
	span
	rampSec float64
}

func (d dampness) at(t int64) float64 {
	if d.rampSec == 0 || t < d.from {
		return 0
	}
	x := ramp(float64(min(t, d.to)-d.from), 0, d.rampSec)
	x = x * x * (3 - 2*x)
	if t >= d.to {
		x *= math.Exp(-float64(t-d.to) / (5 * daySec))
	}
	return x
}

// A robbery is a hive being robbed by another, and by strangers.
type robbery struct {
	span
	kgADay  float64
	robber  *hive   // nil: strangers only
	label   int     // where its label is
	knownBy float64 // 0 to 1, how many of the robbers have found the way
}

// rob moves honey while the robbers fly. Scouts find it, and who comes home
// laden brings others: their number doubles in three quarters of an hour of
// good flying until all have come. By night and in rain they wait.
func (h *hive) rob(hours float64, t int64, flying float64) {
	r := &h.robbed
	if !r.has(t) || flying < 0.1 {
		return
	}
	r.knownBy = min(1, max(0.1, r.knownBy)*math.Exp2(hours*flying/0.75))
	flying *= r.knownBy
	h.upset = true
	h.colony.give(0.004*hours*h.colony.beesKg(), 0, 0) // fallen in the fight
	kg := h.colony.give(0, min(r.kgADay*flying*hours/10, max(0, h.colony.storesKg()-0.3)), 0)
	l := &h.yard.engine.labels[r.label]
	l.MassKg = round(l.MassKg+kg, 1000)
	if x := r.robber; x != nil && !x.gone && x.colony.roomKg > x.colony.storesKg() {
		x.upset = true
		x.colony.sugarKg += 0.4 * kg * honeySugar
		x.colony.waterKg += 0.4 * kg * (1 - honeySugar)
	}
}

// swarmOut plans a swarm. massKg 0 is one by chance.
func (h *hive) swarmOut(at int64, massKg float64, cast, returns bool) {
	length := h.rng.seconds(5, 20)
	// Three quarters of the workers left in one study (Rangel and Seeley 2012),
	// "about half" in older books; kept hives are bigger, and lose less of it.
	share := h.rng.between(0.3, 0.6)
	if cast {
		share = h.rng.between(0.18, 0.35)
	}
	h.warmth = bump{span{at - h.rng.seconds(8, 16), at + h.rng.seconds(3, 8)}, h.rng.between(1.5, 3.5)}
	awaySec := h.rng.seconds(12, 40)
	h.plan(at, func(h *hive) {
		const honeyShare = 0.27 // of a swarm's mass, a quarter to a third (from memory)
		mass := massKg
		if mass == 0 {
			lo, hi := 1.0, 3.5
			if cast {
				lo, hi = 0.5, 1.5
			}
			mass = clamp(share*h.colony.beesKg()/(1-honeyShare), lo, hi)
		}
		mass = min(mass, 0.8*h.colony.beesKg()/(1-honeyShare))
		old := h.colony
		mass = h.colony.give(mass*(1-honeyShare), min(mass*honeyShare, 0.5*h.colony.storesKg()), 0)
		h.upset = true
		h.onward = append(h.onward, transit{span{at, at + length}, mass})
		e := h.yard.engine
		e.label(Label{Kind: outyard.Swarm, Yard: h.yard.id, Hive: h.id, Time: time.Unix(at, 0).UTC(), End: time.Unix(at+length, 0).UTC(),
			MassKg: round(mass, 1000), Cast: cast, Returned: returns})
		if returns {
			back := at + length + awaySec
			bees, sugar, water := old.bees-h.colony.bees, old.sugarKg-h.colony.sugarKg, old.waterKg-h.colony.waterKg
			h.plan(back, func(h *hive) {
				h.colony.bees += bees
				h.colony.sugarKg += sugar
				h.colony.waterKg += water
				h.onward = append(h.onward, transit{span{back, back + length}, -mass})
			})
			return
		}
		// A young queen lays some three weeks later; each cast puts it off.
		h.nest.swarmed = at
		h.colony.laysAt = at + int64(h.rng.between(19, 27)*daySec)
	})
}

// planTroubles decides what befalls the hive today.
func (h *hive) planTroubles(midnight int64, look outlook) {
	e, doy, rng, c := h.yard.engine, h.yard.doy, h.rng, &h.colony
	rates := &e.opt.Rates
	hour := func(lo, hi float64) int64 { return midnight + rng.seconds(60*lo, 60*hi) }
	if doy < 2 {
		h.swarmed = 0
	}
	// Every draw is made every day, so that what one trouble does leaves the
	// others' chances as they were.
	swarm, damp, rob, dead, knock, theft, silence, stuck, sneaky, flight :=
		rng.Float64(), rng.Float64(), rng.Float64(), rng.Float64(), rng.Float64(), rng.Float64(), rng.Float64(), rng.Float64(), rng.Float64(), rng.Float64()
	h.planFault(midnight)
	h.planDrift(midnight)
	h.watchNest(midnight)
	if h.gone {
		return
	}
	if doy > 75 && doy < 285 && look.dry() && look.maxC > 13 && look.meanSun > 200 && flight < 0.45 {
		at := hour(12, 15.5)
		h.airing = bump{span{at, at + rng.seconds(14, 32)}, clamp(c.beesKg()*rng.between(0.03, 0.1), 0.03, 0.5)}
	}
	if silence < rates.Silences/365 {
		from := hour(0, 24)
		h.goDark(span{from, from + int64(rng.between(0.3, 8)*daySec)})
	}
	if stuck < rates.Stuck/365 {
		from := hour(0, 24)
		h.stick(span{from, from + rng.seconds(5*60, 60*60)})
	}
	if h.spared {
		return
	}
	alive := c.beesKg() > 0.4
	upright := alive && !h.down.has(midnight+daySec)
	switch {
	case knock < rates.Knocks/365:
		h.knockOver(hour(0, 24), 0)
		return
	case theft < rates.Thefts/365:
		h.steal(hour(0, 5))
		return
	case !upright:
		return
	}
	// About 45 days from May to mid-July are fit for swarming.
	ripe := doy > 120 && doy < 197 && look.fine() && h.swarmed == 0
	switch {
	case h.againDay > 0 && midnight >= h.againDay:
		if look.fine() {
			h.againDay = 0
			h.swarmOut(hour(10, 15.5), 0, false, false)
		}
	case h.castDay > 0 && midnight >= h.castDay:
		if look.fine() {
			h.swarmOut(hour(10, 15.5), 0, true, false)
		}
		if look.fine() || midnight > h.castDay+6*daySec {
			h.castDay = 0
		}
	case ripe && c.beesKg() > 2.3 && swarm < rates.Swarms/45*clamp((c.beesKg()-1.6)/2, 0.3, 1.5):
		at := hour(10, 15.5)
		if rng.chance(0.6) {
			at = hour(10.5, 13.5)
		}
		returns := rng.chance(0.12)
		h.swarmOut(at, 0, false, returns)
		h.swarmed = at
		switch {
		case returns && rng.chance(0.6):
			h.againDay = midnight + daySec
		case !returns && rng.chance(0.35):
			h.castDay = midnight + int64(rng.between(7, 12))*daySec
		}
	}
	if sneaky < rates.Sneaky/70 && doy > 115 && doy < 215 && look.dry() && c.beesKg() > 1.5 && c.storesKg() > 6 {
		h.arrange(hour(11, 15.5), sneakyJob(rng))
	}
	if damp < rates.Damp/110 && (doy > 285 || doy < 30) && !h.damp.has(midnight) {
		from := hour(0, 24)
		h.goDamp(span{from, from + int64(rng.between(40, 110)*daySec)})
	}
	if weak := clamp(2.4-c.beesKg(), 0.3, 1.5); rob < rates.Robbing/45*weak && doy > 205 && doy < 270 && look.dry() && look.maxC > 16 && c.storesKg() > 6 && !h.robbed.has(midnight) {
		from := hour(9, 12)
		h.beRobbed(span{from, from + int64(rng.between(1, 5))*daySec + daySec/3}, rng.between(0.7, 5))
	}
	if dead < rates.DeadOuts/150 && (doy > 300 || doy < 85) {
		c.die()
	}
}

func (h *hive) goDamp(s span) {
	h.damp = dampness{s, h.rng.between(14, 28) * daySec}
	h.yard.engine.label(Label{Kind: outyard.Damp, Yard: h.yard.id, Hive: h.id, Time: time.Unix(s.from, 0).UTC(), End: time.Unix(s.to, 0).UTC()})
}

// beRobbed gives part of what is taken to the yard's strongest other hive. kgADay is what
// all robbers carry off in a day of ten hours of the best flying.
func (h *hive) beRobbed(s span, kgADay float64) {
	h.robbed = robbery{span: s, kgADay: kgADay}
	if h.rng.chance(0.7) {
		for _, x := range h.yard.hives {
			if x != h && !x.gone && (h.robbed.robber == nil || x.colony.bees > h.robbed.robber.colony.bees) {
				h.robbed.robber = x
			}
		}
	}
	h.robbed.label = h.yard.engine.label(Label{Kind: outyard.Robbing, Yard: h.yard.id, Hive: h.id, Time: time.Unix(s.from, 0).UTC(), End: time.Unix(s.to, 0).UTC()})
}

// knockOver fells the hive until the keeper finds it some days later; until 0
// is by chance.
func (h *hive) knockOver(at, until int64) {
	e := h.yard.engine
	if until == 0 {
		day := outyard.DateOf(time.Unix(at, 0), e.zone).Add(1 + h.rng.IntN(3))
		until = day.Start(e.zone).Unix() + h.rng.seconds(10*60, 16*60)
	}
	left := 0.0
	if h.rng.chance(0.35) { // it hangs partly on the scale
		left = h.rng.between(2, 25)
	}
	e.label(Label{Kind: outyard.KnockedOver, Yard: h.yard.id, Hive: h.id, Time: time.Unix(at, 0).UTC(), End: time.Unix(until, 0).UTC()})
	h.down = fall{span{at, until}, left}
	h.plan(at, func(h *hive) {
		h.noTruth, h.upset = true, true
		h.colony.give(0.35*h.colony.beesKg(), min(3, 0.3*h.colony.storesKg()), 0.2)
	})
	h.plan(until, func(h *hive) {
		h.noTruth, h.upset = true, true
		end := until + h.rng.seconds(10, 30)
		h.visit = visit{span: span{until, end}, unrestKg: 1, openLid: 1, lifts: []lift{{span{until, until + (end-until)/2}, h.rng.between(8, 25)}}}
		e.label(Label{Kind: outyard.Handling, What: string(outyard.Visit), Yard: h.yard.id, Hive: h.id,
			Time: time.Unix(until, 0).UTC(), End: time.Unix(end, 0).UTC(), NetKg: round(h.ownAll()+h.waterNowKg()-left, 1000)})
	})
}

func (h *hive) steal(at int64) {
	h.yard.engine.label(Label{Kind: outyard.KnockedOver, What: Stolen, Yard: h.yard.id, Hive: h.id, Time: time.Unix(at, 0).UTC()})
	h.plan(at, func(h *hive) { h.gone, h.deeds = true, nil })
}

func (h *hive) goDark(s span) {
	h.dark = s
	h.yard.engine.label(Label{Kind: outyard.Silent, What: Lost, Yard: h.yard.id, Hive: h.id, Time: time.Unix(s.from, 0).UTC(), End: time.Unix(s.to, 0).UTC()})
}

func (h *hive) stick(s span) {
	h.meter.stuck = s
	h.yard.engine.label(Label{Kind: outyard.SensorFault, What: Stuck, Yard: h.yard.id, Hive: h.id, Time: time.Unix(s.from, 0).UTC(), End: time.Unix(s.to, 0).UTC()})
}

// goOut cuts the whole yard off; its nodes keep their readings until the end.
func (y *yard) goOut(s span) {
	y.out = append(y.out, s)
	y.engine.label(Label{Kind: outyard.Silent, What: Backlog, Yard: y.id, Time: time.Unix(s.from, 0).UTC(), End: time.Unix(s.to, 0).UTC()})
}
