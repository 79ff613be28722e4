package simulator

import (
	"math"
	"time"

	"outyard"
)

// A drift is a scale whose zero moves for days or weeks, and stays where it
// came to.
type drift struct {
	span
	rng  dice
	what string
	// rate is, of a scale that swims, the spread of its walk over a day, kg; of
	// one that sinks, what it loses a day, kg; of one that follows the warmth,
	// kg/K.
	rate  float64
	eager float64 // how much it swims just now: water in a plug comes and goes
	cellC float64 // at the last step
	kg    float64 // so far
}

// driftKinds are the ways of a zero that moves, besides that of a scale that
// creeps up (common practice, no source): water or ants in the plug of a load
// cell, a leg of the stand that comes to rest on the ground and bears part of
// the hive, a gauge whose glue has let go.
var driftKinds = []string{Swimming, Swimming, Sinking, Warming}

// planDrift decides whether one begins today. Its chance is a stream of its
// own, so that what else befalls the hive stays the same.
func (h *hive) planDrift(midnight int64) {
	rng := h.drift.rng
	draw, kind, days := rng.Float64(), driftKinds[rng.IntN(len(driftKinds))], rng.between(8, 40)
	from := midnight + rng.seconds(0, 24*60)
	if h.gone || h.spared || h.drift.to > midnight || h.lie.to > midnight || draw >= h.yard.engine.opt.Rates.Drifts/365 {
		return
	}
	h.drifts(kind, span{from, from + int64(days*daySec)})
}

func (h *hive) drifts(kind string, s span) {
	d := &h.drift
	d.span, d.what, d.eager, d.cellC = s, kind, 1, outyard.Unknown
	switch kind {
	case Swimming:
		d.rate = d.rng.between(0.5, 2)
	case Sinking:
		d.to = max(d.to, d.from+25*daySec)
		d.rate = d.rng.between(0.15, 0.5)
	case Warming:
		d.to = max(d.to, d.from+20*daySec)
		d.rate = math.Copysign(d.rng.between(0.07, 0.2), d.rng.Float64()-0.5)
	}
	h.yard.engine.label(Label{Kind: outyard.SensorFault, What: kind, Yard: h.yard.id, Hive: h.id, Time: time.Unix(d.from, 0).UTC(), End: time.Unix(d.to, 0).UTC()})
}

// step moves the zero on; cellC is how warm the load cell is.
func (d *drift) step(hours float64, t int64, cellC float64) {
	if !d.has(t) {
		return
	}
	switch d.what {
	case Swimming:
		d.eager = clamp(d.eager*math.Exp(0.25*math.Sqrt(hours)*d.rng.NormFloat64()), 0.3, 2)
		d.kg += d.eager * d.rate * math.Sqrt(hours/24) * d.rng.NormFloat64()
		d.kg = clamp(d.kg, -12, 12)
	case Sinking:
		d.kg -= d.rate * hours / 24
	case Warming:
		if outyard.Known(d.cellC) {
			d.kg += d.rate * (cellC - d.cellC)
		}
		d.cellC = cellC
	}
}

// A wander is a probe that the keeper has put elsewhere: nearer to the lid or
// the wall by a share.
type wander struct {
	rng   dice
	away  float64 // 0: where it was; 1: as cold as outside
	label int     // where its label is
}

// planWander decides whether the probe is put elsewhere, or back, in a visit
// that ends at an instant.
func (h *hive) planWander(end int64) {
	w := &h.wander
	moves, away, back := w.rng.Float64(), w.rng.between(0.35, 0.7), w.rng.Float64()
	const visitsAYear = 20 // of a usual keeper
	switch {
	case h.spared:
	case w.away > 0 && back < 0.3:
		h.plan(end, func(h *hive) { h.moveProbe(end, 0) })
	case w.away == 0 && moves < h.yard.engine.opt.Rates.Wanders/visitsAYear:
		h.plan(end, func(h *hive) { h.moveProbe(end, away) })
	}
}

// moveProbe puts the probe so far from the bees, 0 for back among them.
func (h *hive) moveProbe(at int64, away float64) {
	w, e := &h.wander, h.yard.engine
	now := time.Unix(at, 0).UTC()
	switch {
	case w.away > 0 && away == 0:
		e.labels[w.label].End = now
	case w.away == 0 && away > 0:
		w.label = e.label(Label{Kind: MovedProbe, Yard: h.yard.id, Hive: h.id, Time: now})
	}
	w.away = away
}
