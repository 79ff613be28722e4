package honey

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// A Ripeness is what the nights after a flow say of its nectar.
type Ripeness struct {
	Likely      bool    // nights have gone quiet: worth opening the hive with a refractometer
	NightLossKg float64 // in the latest nights
	PeakKg      float64 // in the flow's nights
	Nights      int     // since the flow ended
	Falling     float64 // chance of so steady a fall without one, from the Mann-Kendall test
}

// Nights are judged by the median of the last three, and not before three have
// passed; they are quiet at a third of the flow's, or where that is hardly more
// than what bees breathe away at night (common practice, no source).
const (
	ripeNights  = 3
	quietShare  = 1.0 / 3
	quietKg     = 0.12
	leastPeakKg = 0.15
)

// Ripe compares the night losses after a flow, in order, with those during it.
// On a wet coast a night at 95 % of humidity takes little water out of the
// hive whatever the nectar, so quiet nights are a reason to look, never proof:
// comb that is not capped should not be taken on their word.
func Ripe(duringKg, afterKg []float64) Ripeness {
	r := Ripeness{NightLossKg: math.NaN(), PeakKg: robust.Quantile(0.75, duringKg), Nights: robust.Count(afterKg), Falling: math.NaN()}
	if r.Nights == 0 {
		return r
	}
	var latest []float64
	for i := len(afterKg) - 1; i >= 0 && len(latest) < ripeNights; i-- {
		if !math.IsNaN(afterKg[i]) {
			latest = append(latest, afterKg[i])
		}
	}
	r.NightLossKg = robust.Median(latest)
	r.Falling = robust.MannKendall(afterKg).PFalling
	r.Likely = r.Nights >= ripeNights && r.PeakKg >= leastPeakKg && r.NightLossKg <= max(quietShare*r.PeakKg, quietKg)
	return r
}

// Nights remembers a hive's nights of the latest flow and since.
type Nights struct {
	during, after []float64 // kg lost between dusk and dawn
}

// Nights of a flow, and since one, that are remembered.
const duringNights, afterNights = 30, 20

// Next takes the night that ended on a day, and whether nectar came in on it.
// A flow that begins anew makes the last one's honey its own.
func (n *Nights) Next(lossKg float64, flowing bool) {
	if !outyard.Known(lossKg) {
		return
	}
	if flowing {
		if len(n.after) > 0 {
			n.during, n.after = nil, nil
		}
		n.during = lastOf(append(n.during, lossKg), duringNights)
		return
	}
	if len(n.during) > 0 {
		n.after = lastOf(append(n.after, lossKg), afterNights)
	}
}

// Ripe compares the nights since the flow with those in it.
func (n *Nights) Ripe() Ripeness { return Ripe(n.during, n.after) }

func lastOf(x []float64, most int) []float64 { return x[max(0, len(x)-most):] }
