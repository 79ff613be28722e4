package analysis

import (
	"time"

	"outyard"
	"outyard/analysis/activity"
	"outyard/analysis/gain"
	"outyard/analysis/steps"
)

// aftermathDays is how many days before and after a fall are compared, to see
// whether the bees went with it. A young queen's brood does not emerge for
// weeks, so a swarmed colony stays small for longer than that.
const aftermathDays = 6

// A shapeOfDay is a hive's course on a date that is counted.
type shapeOfDay struct {
	date  outyard.Date
	shape activity.Shape
}

// shapes are those of the last days, by date.
type shapes []shapeOfDay

func (s shapes) add(date outyard.Date, shape activity.Shape) shapes {
	if len(s) > 2*aftermathDays+1 {
		s = append(s[:0], s[1:]...)
	}
	return append(s, shapeOfDay{date, shape})
}

func (s shapes) on(date outyard.Date) (activity.Shape, bool) {
	for _, d := range s {
		if d.date == date {
			return d.shape, true
		}
	}
	return activity.Shape{}, false
}

// shapeOf is the hourly course of a hive's weight on a local day, without the
// steps in it; hours in which a step happened are unknown.
func (h *hive) shapeOf(from, to time.Time) activity.Shape {
	var all []gain.Step
	for _, e := range h.recent(from) {
		all = append(all, gain.Step{From: e.Before, To: e.End, Kg: e.NetKg()})
	}
	shape, sum, n := activity.NewShape(), activity.Shape{}, activity.Shape{}
	for _, s := range h.samples.Between(from, to) {
		hour := s.Time.In(h.yard.Zone).Hour()
		kg := s.WeightKg
		for _, st := range all {
			switch {
			case !s.Time.Before(st.To):
				kg -= st.Kg
			case s.Time.After(st.From):
				kg = outyard.Unknown
			}
		}
		if outyard.Known(kg) {
			sum[hour], n[hour] = sum[hour]+kg, n[hour]+1
		}
	}
	for hour := range shape {
		if n[hour] > 0 {
			shape[hour] = sum[hour] / n[hour]
		}
	}
	return shape
}

// temperatures is the air's mean temperature at each hour of a local day.
func (w *weather) temperatures(from, to time.Time, zone *time.Location) activity.Shape {
	shape := activity.NewShape()
	for t := from; t.Before(to); t = t.Add(time.Hour) {
		shape[t.In(zone).Hour()] = w.mean(outyard.OutsideTemp, t, t.Add(time.Hour))
	}
	return shape
}

// lookBackOn weighs anew the falls of the last days that may have been swarms,
// now that one more day after them is known.
func (c *Course) lookBackOn(date outyard.Date) {
	since := date.Add(-aftermathDays - 1).Start(c.yard.Zone)
	for _, h := range c.order {
		for _, e := range h.recent(since) {
			d := outyard.DateOf(e.Start, c.yard.Zone)
			if !d.Before(date) || date.Sub(d) > aftermathDays || !steps.MayBeSwarm(e.Departure, c.set.Steps) {
				continue
			}
			e.around.Busy = c.busier(h, d, date)
			was := e.Verdict
			e.Verdict = steps.Explain(e.Departure, e.around, c.set.Steps)
			c.restate(h, e, d, was)
		}
	}
}

// busier compares a hive's days after a date, up to another, with those before.
func (c *Course) busier(h *hive, fall, upTo outyard.Date) activity.Change {
	var days []activity.Day
	for i := -aftermathDays; i <= upTo.Sub(fall); i++ {
		date := fall.Add(i)
		own, ok := h.shapes.on(date)
		if i == 0 || !ok {
			continue
		}
		day := activity.Day{Own: own, After: i > 0, Apart: max(i, -i), TempC: activity.NewShape()}
		if t, ok := c.airs.on(date); ok {
			day.TempC = t
		}
		for _, other := range c.order {
			if shape, ok := other.shapes.on(date); ok && other != h {
				day.Mates = append(day.Mates, shape)
			}
		}
		days = append(days, day)
	}
	return activity.Compare(days)
}

// restate brings the daily table up to what a fall is now taken for.
func (c *Course) restate(h *hive, e *event, date outyard.Date, was steps.Verdict) {
	c.revision++
	if own(was.Cause) == own(e.Verdict.Cause) && (was.Cause == steps.KeepersWork) == (e.Verdict.Cause == steps.KeepersWork) {
		return
	}
	for i := len(c.days) - 1; i >= 0 && !c.days[i].Date.Before(date); i-- {
		row := &c.days[i]
		if row.Hive != h.id || row.Date != date {
			continue
		}
		net := e.NetKg()
		if own(was.Cause) && !own(e.Verdict.Cause) {
			row.GainKg -= net
		} else if !own(was.Cause) && own(e.Verdict.Cause) {
			row.GainKg += net
		}
		if was.Cause == steps.KeepersWork {
			row.HandledKg -= net
		}
		if e.Verdict.Cause == steps.KeepersWork {
			row.HandledKg += net
		}
	}
}

// own says that what a cause takes or brings is the colony's own.
func own(c steps.Cause) bool {
	switch c {
	case steps.KeepersWork, steps.Overturned, steps.Fault, steps.Unexplained:
		return false
	}
	return true
}
