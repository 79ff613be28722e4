package simulator

import (
	"math"
	"slices"

	"outyard"
)

// enact does what the script says for today. An event about a yard or hive
// that is not in the scenario does nothing.
func (e *engine) enact(ev Event) {
	at := ev.Time.Unix()
	s := span{at, ev.End.Unix()}
	open := ev.End.IsZero()
	for _, y := range e.yards {
		if y.id != ev.Yard {
			continue
		}
		if ev.Kind == outyard.Silent && ev.What != Lost {
			if open {
				s.to = at + daySec
			}
			y.goOut(s)
			return
		}
		for _, h := range y.hives {
			if h.id == ev.Hive {
				h.enact(ev, s, open)
			}
		}
	}
}

func (h *hive) enact(ev Event, s span, open bool) {
	lasting := func(days float64) span {
		if open {
			return span{s.from, s.from + int64(days*daySec)}
		}
		return s
	}
	switch ev.Kind {
	case outyard.Swarm:
		h.swarmOut(s.from, ev.Kg, ev.Cast, ev.Returned)
	case outyard.Damp:
		if open {
			s.to = h.yard.engine.end + daySec
		}
		h.goDamp(s)
	case outyard.Robbing:
		kg := ev.Kg
		if kg == 0 {
			kg = h.rng.between(1, 5)
		}
		h.beRobbed(lasting(2.5), kg)
	case outyard.KnockedOver:
		if ev.What == Stolen {
			h.steal(s.from)
			return
		}
		until := s.to
		if open {
			until = 0
		}
		h.knockOver(s.from, until)
	case DeadOut:
		h.plan(s.from, func(h *hive) { h.colony.die() })
	case outyard.Silent:
		h.goDark(lasting(2))
	case outyard.BroodCold:
		h.colony.laysAt = s.from + int64(70*daySec)
	case outyard.BatteryLow:
		h.battery.runLow()
	case outyard.SensorFault:
		if ev.What == Spike {
			h.spikeAt = s.from
			return
		}
		if ev.What == "" || ev.What == Stuck {
			h.stick(lasting(1))
			return
		}
		if slices.Contains(driftKinds, ev.What) {
			h.drifts(ev.What, lasting(14))
			return
		}
		h.begin(ev.What, lasting(14))
	case MovedProbe:
		h.plan(s.from, func(h *hive) { h.moveProbe(s.from, 0.6) })
		if !open {
			h.plan(s.to, func(h *hive) { h.moveProbe(s.to, 0) })
		}
	case outyard.Handling:
		h.arrange(s.from, h.scriptedJob(ev))
	}
}

// scriptedJob is the work that the script names, by the words of the journal.
func (h *hive) scriptedJob(ev Event) job {
	rng := h.rng
	switch outyard.EntryKind(ev.What) {
	case outyard.BoxOn:
		return boxOnJob(rng)
	case outyard.BoxOff:
		return boxOffJob(rng)
	case outyard.HoneyTaken:
		return harvestJob(rng)
	case outyard.Fed:
		kg := ev.Kg
		if kg == 0 {
			kg = rng.between(1, 6)
		}
		return feedJob(rng, kg)
	case outyard.Split:
		return splitJob(rng, math.Abs(ev.Kg))
	case outyard.ScaleSet:
		return scaleSetJob(rng, ev.Kg)
	case outyard.Treated:
		return job{what: outyard.Treated, minutes: rng.between(2, 7)}
	}
	if ev.Kg < 0 { // a visit that takes something along
		kg := -ev.Kg
		return job{what: outyard.Visit, minutes: rng.between(3, 12), quiet: true, do: func(h *hive) { h.takeCombs(kg, 0.3) }}
	}
	return inspectJob(rng, h.supers)
}
