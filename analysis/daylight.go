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
	if len(c.order) == 0 {
		return
	}
	day := robbing.Day{Date: date, Flow: c.flows.Chance()}
	before, after := c.night(from), c.night(to)
	if !before.known || !after.known {
		return // neither dusk nor dawn: what is back by dusk cannot be told
	}
	dawn, dusk := before.dawn, after.dusk
	day.Dawn, day.Dusk = dawn, dusk
	weather := c.weather.day(from, to)
	day.Weather = robbing.Weather{RainMm: c.weather.rainMm(from.Add(-12*time.Hour), dusk),
		RainByDayMm: c.weather.rainMm(dawn, dusk), MaxTempC: weather.MaxTempC}
	for _, h := range c.order {
		if h.newest.After(dawn) && !h.unsure(from, to) {
			day.Hives = append(day.Hives, h.daylight(from, to, dawn, dusk))
		}
	}
	c.robbers.Day(day)
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

// daylight is what the hive did from dawn to dusk, bees at home at both.
func (h *hive) daylight(from, to, dawn, dusk time.Time) robbing.HiveDay {
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
	home := dusk.Add(30 * time.Minute)
	day.ChangeKg = level(home) - level(dawn) - gain.Stepped(out, dawn, home)
	// The night after is known up to what the count may look at.
	if late := to.Add((closeNeeds - 1) * time.Hour); late.Sub(home) > 3*time.Hour {
		day.NightKgH = (level(home) - level(late) + gain.Stepped(out, home, late)) / late.Sub(home).Hours()
	} else {
		day.NightKgH = outyard.Unknown
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
