package simulator

import (
	"time"

	"outyard"
)

// A nest keeps count of a hive's brood for the labels.
type nest struct {
	rng     dice  // of queens
	had     bool  // there was brood to speak of this year
	label   int   // of the present lack; below 0: none
	swarmed int64 // when the last swarm or split made it queenless for a while
}

// Brood below lackKg warms next to nothing, from plentyKg on a whole nest.
const (
	lackKg   = 0.12
	plentyKg = 0.5
	// breakSec is for how long after a swarm a lack of brood is its own affair.
	breakSec = 45 * daySec
)

// watchNest decides whether the queen fails today, and labels a lack of brood
// from spring to the end of summer.
func (h *hive) watchNest(midnight int64) {
	n, e, doy := &h.nest, h.yard.engine, h.yard.doy
	fails, away := n.rng.Float64(), n.rng.between(50, 90)
	if h.gone || h.dead {
		return
	}
	if doy > 105 && doy < 215 && !h.spared && midnight > n.swarmed+breakSec && fails < e.opt.Rates.Queenless/110 {
		h.colony.laysAt = max(h.colony.laysAt, midnight+int64(away*daySec))
	}
	brood := h.colony.broodMassKg
	n.had = brood > plentyKg || n.had && doy > 75 && doy < 250
	now := time.Unix(midnight, 0).UTC()
	switch {
	case n.label < 0 && n.had && brood < lackKg && doy > 75 && doy < 250:
		l := Label{Kind: outyard.BroodCold, What: Queenless, Yard: h.yard.id, Hive: h.id, Time: now}
		if n.swarmed > 0 && midnight < n.swarmed+breakSec {
			l.What = BroodBreak
		}
		n.label = e.label(l)
	case n.label >= 0 && (brood > plentyKg/2 || doy < 2):
		e.labels[n.label].End = now
		n.label = -1
	case n.label >= 0 && e.labels[n.label].What == BroodBreak && midnight > n.swarmed+breakSec:
		e.labels[n.label].End = now
		n.label = e.label(Label{Kind: outyard.BroodCold, What: Queenless, Yard: h.yard.id, Hive: h.id, Time: now})
	}
}
