package analysis

import (
	"math"
	"time"

	"outyard"
	"outyard/analysis/gain"
	"outyard/analysis/robbing"
	"outyard/analysis/steps"
)

// robbed takes the date's daylight at each hive to the watch for robbers.
func (c *Course) robbed(date outyard.Date, from, to time.Time) {
	if day, ok := c.daylight(date, from, to, time.Time{}); ok {
		c.robbers.Day(day)
	}
	for _, h := range c.order {
		if !date.Before(h.robbedOn) {
			h.robbery = nil // the day has decided
		}
	}
}

// daylight is what the hives did from dawn to dusk, or to an earlier instant
// up to which it is known; false without hives, and where there is neither
// dusk nor dawn: what is back by dusk cannot be told then.
func (c *Course) daylight(date outyard.Date, from, to, until time.Time) (robbing.Day, bool) {
	day := robbing.Day{Date: date, Flow: c.flows.Chance()}
	before, after := c.night(from), c.night(to)
	if len(c.order) == 0 || !before.known || !after.known {
		return day, false
	}
	day.Dawn, day.Dusk = before.dawn, after.dusk
	home := day.Dusk.Add(homeAfter)
	if !until.IsZero() && until.Before(home) {
		day.Dusk, home, to = until, until, until
	}
	day.Weather = robbing.Weather{RainMm: c.weather.rainMm(from.Add(-12*time.Hour), day.Dusk),
		RainByDayMm: c.weather.rainMm(day.Dawn, day.Dusk), MaxTempC: c.weather.day(from, to).MaxTempC}
	for _, h := range c.order {
		if h.newest.After(day.Dawn) && !h.unsure(from, to) {
			day.Hives = append(day.Hives, h.daylight(from, to, before.dusk, day.Dawn, home))
		}
	}
	return day, true
}

const (
	// homeAfter is how long after dusk the last bees are home.
	homeAfter = 30 * time.Minute
	// A hive is not asked about robbers before it has been light for so long, nor
	// oftener than hourly, nor before it has lost so much by the scale alone.
	robbersFrom  = 5 * time.Hour
	robbersEvery = time.Hour
	robbersKg    = 0.8
)

// watchDaylight looks at a hive that has just been weighed for robbers on the
// day that is not over: a colony may be lost within one.
func (c *Course) watchDaylight(h *hive) {
	now := h.weighed
	if now.Before(h.askAt) {
		return
	}
	h.askAt = now.Add(robbersEvery)
	date := outyard.DateOf(now, c.yard.Zone)
	from, to := date.Start(c.yard.Zone), date.Add(1).Start(c.yard.Zone)
	dawn := c.night(from)
	if !dawn.known || now.Before(dawn.dawn.Add(robbersFrom)) {
		return
	}
	dusk := c.night(to)
	if home := dusk.dusk.Add(homeAfter); !dusk.known || now.After(home.Add(2*robbersEvery)) {
		return
	}
	lostKg := h.samples.WeightKg(dawn.dawn, time.Hour) - h.samples.WeightKg(now, time.Hour)
	var robbery *outyard.Finding
	told, leastKg := h.robbery != nil && h.robbedOn == date, robbersKg
	if told {
		leastKg /= 2 // foragers go and come
	}
	if lostKg >= leastKg && !(c.flows.Chance() > 0.5) {
		if day, ok := c.daylight(date, from, to, now); ok {
			outKg := c.set.Robbing.OutAgainstKg
			switch {
			case day.Dusk.Before(now):
				outKg = 0 // all bees are home
			case len(day.Hives) < 3:
				outKg = c.set.Robbing.OutKg
			}
			if f, ok := c.robbers.SoFar(day, h.id, outKg, told); ok {
				robbery = &f
			}
		}
	}
	if robbery != nil || h.robbery != nil {
		h.robbery, h.robbedOn = robbery, date
		c.revision++
	}
}

// goneAtOnce says that what a departure took did not go hour by hour: it is
// taken out of a day before it is asked whether robbers were there.
func goneAtOnce(e *event) bool {
	switch e.Verdict.Cause {
	case steps.ForagersOut, steps.Water, steps.Robbers:
		return false
	case steps.Unexplained:
		return e.End.Sub(e.Before) < time.Hour
	}
	return true
}

// daylight is what the hive did from dawn until its bees were home, or so far.
func (h *hive) daylight(from, to, duskBefore, dawn, home time.Time) robbing.HiveDay {
	var out []gain.Step
	day := robbing.HiveDay{Hive: h.id}
	for _, e := range h.recent(from.Add(-12 * time.Hour)) {
		if goneAtOnce(e) {
			out = append(out, gain.Step{From: e.Before, To: e.End, Kg: e.NetKg()})
		}
	}
	set := h.set.Gain
	set.LevelSpan, set.MinSamples = time.Hour, 2
	level := func(at time.Time) float64 {
		return gain.LevelKg(h.samples.Between(at.Add(-set.LevelSpan), at.Add(set.LevelSpan+time.Second)), out, at, set)
	}
	day.ChangeKg = level(home) - level(dawn) - gain.Stepped(out, dawn, home)
	// The night after is known up to what the count may look at; while it is
	// not, the night before says what goes by itself.
	day.NightKgH = outyard.Unknown
	if late := to.Add((closeNeeds - 1) * time.Hour); late.Sub(home) > 3*time.Hour {
		day.NightKgH = (level(home) - level(late) + gain.Stepped(out, home, late)) / late.Sub(home).Hours()
	}
	if evening := duskBefore.Add(homeAfter); !outyard.Known(day.NightKgH) && dawn.After(evening) {
		day.NightKgH = (level(evening) - level(dawn) + gain.Stepped(out, evening, dawn)) / dawn.Sub(evening).Hours()
	}
	day.HandledKg = 0
	for _, st := range out {
		if !st.To.Before(dawn) && st.From.Before(home) {
			day.HandledKg += math.Abs(st.Kg)
		}
	}
	n := int(math.Ceil(home.Sub(dawn).Hours()))
	sum, count := make([]float64, n), make([]float64, n)
	for _, s := range h.samples.Between(dawn, home) {
		kg := s.WeightKg
		for _, st := range out {
			switch {
			case !s.Time.Before(st.To):
				kg -= st.Kg
			case s.Time.After(st.From):
				kg = outyard.Unknown
			}
		}
		if i := int(s.Time.Sub(dawn).Hours()); outyard.Known(kg) && i < n {
			sum[i], count[i] = sum[i]+kg, count[i]+1
		}
	}
	day.Hours = make([]float64, n)
	for i := range day.Hours {
		day.Hours[i] = sum[i] / count[i] // 0/0 is NaN: not known
	}
	return day
}
