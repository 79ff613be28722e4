package air

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// Where both the weather and other hives are known, a hive is judged by how
// many times as much vapour over outside it holds as they do. What bees and wet
// wood give to the air leaves through the entrance and the vents, so that the
// excess is what is given divided by the air that is let through: half the
// ventilation doubles it, in a strong colony and a weak one, in cold weather
// and mild, and wherever the probe hangs.

// held is what the ratio says of a hive now. All are natural logarithms.
type held struct {
	now, level float64 // of the ratio: of the recent days, and what it is counted from
	breath     float64 // the level of the excess itself
	need       float64 // how much more counts
	own        bool    // the hive has an earlier course
}

// breath is the logarithm of the excess, NaN where it is not known.
func (d *Day) breath(set Settings) float64 {
	if !d.known(set) || !d.outsideKnown(set) {
		return outyard.Unknown
	}
	return math.Log(max(d.ExcessPa, set.BarePa))
}

// middleBreath is the peers' middle k days ago, without those that hardly
// breathe: empty boxes, and probes that hang outside.
func (c *course) middleBreath(k int, set Settings) float64 {
	var x [maxOthers]float64
	n := 0
	for _, o := range c.peers {
		if b := o.back(k).breath(set); b > math.Log(set.BarePa) {
			x[n] = b
			n++
		}
	}
	if n == 0 {
		return outyard.Unknown
	}
	return middle(x[:n])
}

// holds is where a hive's ratio stands and stood.
func (j *Judge) holds(c *course) held {
	var h held
	h.now, h.level, h.own = j.change(c.ratio)
	_, h.breath, _ = j.change(c.breath)
	if !h.own {
		h.level, h.breath = 0, math.Log(j.set.BarePa)
	}
	h.level = max(h.level, -j.set.LowRatio)
	return h
}

// weighRatio says how far what the hive holds is more than counts.
func (j *Judge) weighRatio(s *subject, ev *evidence) {
	set, c := j.set, &s.course
	h := c.held
	h.need = set.HoldsBy
	if ev.peers < set.LeastPeers {
		h.need *= set.FewTimes
	}
	h.need = max(h.need, set.MovingRatioTimes*j.movingRatio(s))
	if !h.own {
		h.need *= set.StrangerRatioTimes
	}
	ev.held = h
	ev.share, ev.sum = (h.now-h.level)/h.need, 0
	for k := min(set.LagDays, len(c.ratio)) - 1; k >= 0; k-- {
		i := len(c.ratio) - 1 - k
		// When the others stop to brood a hive holds more than they without
		// having changed: its own excess must have risen too.
		x := min((c.ratio[i]-h.level)/h.need, (c.breath[i]-h.breath)/(set.OwnShare*h.need))
		x = min(x, set.MostADay) * j.dries(k, s)
		if outyard.Known(x) {
			ev.sum = max(0, ev.sum+x-set.AllowedADay)
		}
	}
}

// movingRatio is how much the ratios of the other hives are changing just now.
func (j *Judge) movingRatio(s *subject) float64 {
	var x [maxOthers]float64
	n := 0
	for _, o := range s.course.peers {
		if h := o.course.held; o.now && h.own && outyard.Known(h.now) && o.open() == nil {
			x[n] = math.Abs(h.now - h.level)
			n++
		}
	}
	if n < j.set.LeastPeers {
		return 0
	}
	return robust.MADScale * middle(x[:n])
}

// dries is how much the day so many days ago counts: in full where the wall is
// humid and the hive has no brood nest's warmth, not at all where it dries or
// nectar does.
func (j *Judge) dries(k int, s *subject) float64 {
	d := s.back(k)
	w := ramp(d.WallRHPct, j.set.DryWallRHPct, j.set.HumidWallRHPct)
	w = min(w, 1-ramp(d.InsideTempC, j.set.CoolC, j.set.NestC))
	if !(w > 0) {
		return w // NaN where nothing is known
	}
	n := len(j.mostGain)
	for i := max(0, n-k-j.set.DryingDays); i < n-k; i++ {
		if j.mostGain[i] > j.set.YardGainKg {
			return 0
		}
	}
	for i := k; i < k+j.set.DryingDays; i++ {
		if s.back(i).GainKg > j.set.HiveGainKg {
			return 0
		}
	}
	return w
}

// middleGain is the middle gain of the yard's hives today.
func (j *Judge) middleGain() float64 {
	x := make([]float64, 0, len(j.order))
	for _, s := range j.order {
		x = append(x, s.back(0).GainKg)
	}
	return robust.Median(x)
}
