package simulator

import (
	"math"
	"time"

	"outyard"
)

// A fault is a sensor of the node that lies for a while.
type fault struct {
	span
	what  string
	value float64 // what it shows, or how fast it creeps, kg a day
}

// faultKinds are the lies that come by chance, besides scales that repeat
// themselves and single wild readings (common practice, no source).
var faultKinds = []string{Unplugged, Saturated, Fahrenheit, LooseContact, Creeping}

// planFault decides whether one begins today.
func (h *hive) planFault(midnight int64) {
	rng := h.faults
	draw, kind, length := rng.Float64(), faultKinds[rng.IntN(len(faultKinds))], rng.between(4, 40)
	from := midnight + rng.seconds(0, 24*60)
	if h.gone || h.spared || h.lie.to > midnight || draw >= h.yard.engine.opt.Rates.Faults/365 {
		return
	}
	h.begin(kind, span{from, from + int64(length*daySec)})
}

func (h *hive) begin(kind string, s span) {
	rng := h.faults
	if kind == Fahrenheit && h.colony.broodMassKg > 0.1 {
		kind = Unplugged // of a brood nest in Fahrenheit no reading would be taken
	}
	f := fault{span: s, what: kind}
	switch kind {
	case Unplugged:
		f.value = []float64{85, -55, 0, outyard.Unknown}[rng.IntN(4)]
	case Saturated:
		f.value = 100
	case Creeping:
		f.to = max(f.to, f.from+20*daySec)
		f.value = rng.between(0.12, 0.4)
	}
	h.lie = f
	h.yard.engine.label(Label{Kind: outyard.SensorFault, What: kind, Yard: h.yard.id, Hive: h.id, Time: time.Unix(f.from, 0).UTC(), End: time.Unix(f.to, 0).UTC()})
}

// twist is what the lie makes of a reading.
func (h *hive) twist(t int64, r *outyard.Reading) {
	f := &h.lie
	if f.what == Creeping && t >= f.from { // what has crept stays
		kg := f.value * float64(min(t, f.to)-f.from) / daySec
		r.Values[outyard.Weight] = h.meter.round(r.Values[outyard.Weight] + kg)
	}
	if !f.has(t) {
		return
	}
	temp, rh, kg := &r.Values[outyard.InsideTemp], &r.Values[outyard.InsideRH], &r.Values[outyard.Weight]
	switch f.what {
	case Unplugged:
		*temp = f.value
	case Saturated:
		*rh = f.value
	case Fahrenheit:
		if *temp = round(*temp*9/5+32, 10); *temp > outyard.InsideTemp.Info().Max {
			*temp = outyard.Unknown // no such reading is taken from a node
		}
	case LooseContact:
		if h.faults.chance(0.01) {
			*kg = clamp(h.meter.round(*kg+math.Copysign(h.faults.between(6, 80), h.faults.Float64()-0.5)), -50, 500)
		}
	}
}
