package analysis

import (
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/condition"
	"outyard/analysis/gain"
	"outyard/analysis/instruments"
	"outyard/analysis/robust"
	"outyard/analysis/steps"
)

// watchZeros looks for scales whose zero moves by itself, by the night that
// ended on a date.
func (c *Course) watchZeros(date outyard.Date, n night) {
	if !n.known {
		return
	}
	hives := make([]instruments.HiveNight, len(c.order))
	for i, h := range c.order {
		hives[i] = instruments.HiveNight{Hive: h.id, Kg: h.nightHours(n), Fed: c.driesSyrup(h, n.dusk)}
	}
	outside := func(at time.Time) float64 {
		return c.weather.mean(outyard.OutsideTemp, at.Add(-time.Hour), at.Add(time.Hour))
	}
	dusk, dawn := outside(n.dusk), outside(n.dawn)
	c.faults.Night(date, hives, instruments.NightAir{RainMm: c.weather.rainMm(n.dusk.Add(-2*time.Hour), n.dawn), WarmedK: dawn - dusk, ColdestC: min(dusk, dawn)})
	c.setAside()
}

// setAside remembers of each hive when its scale is not to be trusted.
func (c *Course) setAside() {
	for _, h := range c.order {
		h.moving = c.faults.Moving(h.id)
	}
}

// unsure says that the hive's scale moved by itself at some time from one
// instant to another.
func (h *hive) unsure(from, to time.Time) bool {
	return slices.ContainsFunc(h.moving, func(s instruments.Span) bool {
		return !s.Wild && s.From.Before(to) && (s.To.IsZero() || s.To.After(from))
	})
}

const (
	// byHandKg is what only hands lift off a scale and put back within minutes.
	byHandKg = 3
	// stayedKg is what work must have left or taken to be believed of a scale
	// that jumps and comes back by itself.
	stayedKg = 0.6
)

// doubtful says that a finding goes by a scale that moved by itself then.
func (h *hive) doubtful(f *outyard.Finding) bool {
	if f.Kind != outyard.Swarm && f.Kind != outyard.Robbing && f.Kind != outyard.Handling {
		return false
	}
	return slices.ContainsFunc(h.moving, func(s instruments.Span) bool {
		switch {
		case !s.Has(f.Onset):
			return false
		case f.Kind == outyard.Handling:
			return noWork(s, f.Fact("change_kg"), f.Fact("lifted_kg"))
		case s.Wild:
			return false
		case f.Kind == outyard.Swarm:
			return s.Swims // what takes days to move makes no fall of minutes
		}
		return true
	})
}

// noWork says that what looks like work while the scale moved by itself is more
// likely the scale.
func noWork(s instruments.Span, changeKg, liftedKg float64) bool {
	if s.Wild {
		return math.Abs(changeKg) < stayedKg
	}
	return liftedKg < byHandKg
}

// byScaleKg is how much of what looks like the keeper's work from one instant
// to another the scale made by itself.
func (h *hive) byScaleKg(from, to time.Time) float64 {
	var made []gain.Step
	for _, e := range h.recent(from.Add(-12 * time.Hour)) {
		if e.Verdict.Cause == steps.KeepersWork && slices.ContainsFunc(h.moving, func(s instruments.Span) bool {
			return s.Has(e.Onset()) && noWork(s, e.NetKg(), max(e.LiftKg(), e.PushKg()))
		}) {
			made = append(made, gain.Step{From: e.Before, To: e.End, Kg: e.NetKg()})
		}
	}
	return gain.Stepped(made, from, to)
}

// nightHours is what the hive weighed over a night, in the middle of each two
// hours of it from well after dusk to well before dawn; NaN where not known.
func (h *hive) nightHours(n night) []float64 {
	const step, twilight = 2 * time.Hour, 30 * time.Minute
	var kg []float64
	for t := n.dusk.Add(twilight); !t.Add(step).After(n.dawn.Add(-twilight)); t = t.Add(time.Hour) {
		var x []float64
		for _, s := range within(h.samples.Between(t, t.Add(step)), t, t.Add(step), func(s condition.Sample) time.Time { return s.Time }) {
			if outyard.Known(s.WeightKg) {
				x = append(x, s.WeightKg)
			}
		}
		kg = append(kg, robust.Median(x))
	}
	return kg
}

func unknownHours(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = outyard.Unknown
	}
	return x
}
