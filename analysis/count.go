package analysis

import (
	"time"

	"outyard"
	"outyard/analysis/air"
	"outyard/analysis/brood"
	"outyard/analysis/condition"
	"outyard/analysis/flow"
	"outyard/analysis/gain"
	"outyard/analysis/honey"
	"outyard/analysis/instruments"
	"outyard/analysis/steps"
	"outyard/analysis/sun"
)

// count closes a date: a row for each hive, and the analyses that go by days.
func (c *Course) count(date outyard.Date) {
	from, to := date.Start(c.yard.Zone), date.Add(1).Start(c.yard.Zone)
	dark := c.night(from)
	c.watchZeros(date, dark)
	c.faintWork(from, to)
	var gains []flow.HiveDay
	var climates []air.HiveDay
	var weights []gain.HiveHours
	var warmth [][]brood.Hour
	for _, h := range c.order {
		row, climate, ok := h.count(date, from, to, dark, &c.weather, c.faults)
		if !ok {
			continue
		}
		c.days = append(c.days, row)
		h.shapes = h.shapes.add(date, h.shapeOf(from, to))
		kg, stepKg := h.hoursOf(from, to)
		if h.unsure(from, to) {
			kg = unknownHours(len(kg))
		}
		weights = append(weights, gain.HiveHours{Hive: h.id, Kg: kg, StepKg: stepKg})
		warmth = append(warmth, h.warmth)
		climates = append(climates, air.HiveDay{Hive: h.id, Day: climate})
		gains = append(gains, flow.HiveDay{Hive: h.id, Full: h.stores.Full(), GainKg: row.GainKg, HandledKg: row.HandledKg,
			Coverage: row.Coverage, Fed: c.fed(h.id, from, to)})
	}
	rows := c.days[len(c.days)-len(gains):]
	sky := c.sky(from, to, warmth)
	weather := c.weather.day(from, to)
	weather.WarmestC, weather.NoonSunDeg = warmest(sky), sun.NoonDeg(c.yard.Latitude, from.Add(12*time.Hour))
	for i, b := range c.water.Day(sky, weights) {
		h := c.hives[gains[i].Hive]
		h.water = wetDays{h.water[1], {from, b.WaterKg}}
		rows[i].GainKg -= b.GrewKg()
		gains[i].GainKg = rows[i].GainKg
		if dark.known {
			// What rained on in the night, the colony did not hold back.
			rows[i].NightLossKg += h.water.on(dark.dawn.Add(-time.Hour)) - h.water.on(dark.dusk.Add(time.Hour))
		}
	}
	c.watchCreep(date, gains, weather)
	c.watchShifts(date, weights, warmth)
	for i := range gains {
		if c.hives[gains[i].Hive].unsure(from, to) {
			gains[i].GainKg, rows[i].GainKg, rows[i].NightLossKg = outyard.Unknown, outyard.Unknown, outyard.Unknown
		}
	}
	c.usual = c.usual.add(from, to, gains)
	c.airs = c.airs.add(date, c.weather.temperatures(from, to, c.yard.Zone))
	c.lookBackOn(date)
	for i := range climates {
		climates[i].Day.GainKg = gains[i].GainKg
	}
	c.judge.Day(date, climates)
	for i := range climates {
		rows[i].DaysToMould, rows[i].DaysToVisible = c.judge.MouldIn(climates[i].Hive)
	}
	c.watchNests(date, from, to)
	c.battery.Day(date, c.weather.mean(outyard.OutsideTemp, from, from.Add(instruments.BeforeDawn)))
	c.flows.Day(date, gains, weather)
	c.robbed(date, from, to)
	for i, g := range gains {
		h := c.hives[g.Hive]
		all, _ := h.steps(from.Add(-12 * time.Hour))
		grossKg := h.level(to, all)
		if h.unsure(from, to) {
			grossKg = outyard.Unknown
		}
		h.stores.Day(honey.Day{Date: date, GrossKg: grossKg, WaterKg: h.water.on(to), GainKg: g.GainKg, HandledKg: g.HandledKg - h.byScaleKg(from, to), SwarmKg: h.swarmedKg(from, to),
			Income: c.flows.Chance() > 0.5 || c.fed(g.Hive, from.Add(-fedLasts), to)})
		rows[i].StoresKg = h.stores.StoresKg().Value
		h.nights.Next(rows[i].NightLossKg, c.flows.Chance() > 0.5)
	}
	c.revision++
}

const (
	// What is put on a hive may be syrup, from maybeSyrupKg on: it dries by day and
	// night for as long as syrupDries (common practice, no source).
	maybeSyrupKg = 1.0
	syrupDries   = 12 * 24 * time.Hour
)

// watchCreep looks for scales that gain by themselves.
func (c *Course) watchCreep(date outyard.Date, gains []flow.HiveDay, w flow.Weather) {
	hives := make([]instruments.HiveGain, len(gains))
	today := date.Start(c.yard.Zone)
	for i, g := range gains {
		h := c.hives[g.Hive]
		if g.HandledKg >= maybeSyrupKg {
			h.addedTo = today
		}
		hives[i] = instruments.HiveGain{Hive: g.Hive, GainKg: g.GainKg, Fed: g.Fed || c.driesSyrup(h, today)}
	}
	c.faults.Day(date, hives, w.MaxTempC, w.RainMm)
	c.setAside()
}

// driesSyrup says that what was given to a hive may still dry, and make it
// lighter by day and night.
func (c *Course) driesSyrup(h *hive, now time.Time) bool {
	return !h.addedTo.IsZero() && now.Sub(h.addedTo) < syrupDries || c.fed(h.id, now.Add(-syrupDries), now)
}

// watchShifts looks for nodes whose days run early or late.
func (c *Course) watchShifts(date outyard.Date, weights []gain.HiveHours, warmth [][]brood.Hour) {
	if !c.set.Fault.ByCourse {
		return
	}
	hives := make([]instruments.HiveHours, len(weights))
	for i, w := range weights {
		insideC := make([]float64, len(warmth[i]))
		for k, hour := range warmth[i] {
			insideC[k] = hour.InsideC
		}
		hives[i] = instruments.HiveHours{Hive: w.Hive, Kg: w.Kg, InsideC: insideC}
	}
	c.faults.Hours(date, hives)
}

// fedLasts is how long sugar that was given may still be carried down and
// dried (common practice, no source).
const fedLasts = 6 * 24 * time.Hour

// fed says whether the journal tells of sugar given to a hive.
func (c *Course) fed(hive outyard.HiveID, from, to time.Time) bool {
	for _, e := range within(c.journal, from, to, func(e outyard.Entry) time.Time { return e.Time }) {
		if e.Kind == outyard.Fed && (e.Hive == "" || e.Hive == hive) {
			return true
		}
	}
	return false
}

// day is what a date's weather allowed.
func (w *weather) day(from, to time.Time) flow.Weather {
	day := flow.UnknownWeather
	day.RainMm = w.rainMm(from, to)
	for _, a := range w.between(from, to) {
		if t := a.value(outyard.OutsideTemp); outyard.Known(t) && !(t <= day.MaxTempC) {
			day.MaxTempC = t
		}
	}
	return day
}

// count is the hive's row for a date; false when the hive gave nothing then.
func (h *hive) count(date outyard.Date, from, to time.Time, dark night, w *weather, faults *instruments.Faults) (outyard.Day, air.Day, bool) {
	h.counted = to
	today := h.samples.Between(from, to)
	if len(today) == 0 {
		return outyard.Day{}, air.Day{}, false
	}
	row := outyard.Day{
		Date: date, Yard: h.yard.ID, Hive: h.id,
		HandledKg: outyard.Unknown, GainKg: outyard.Unknown, NightLossKg: outyard.Unknown,
		StoresKg: outyard.Unknown, Coverage: gain.Coverage(today, from, to),
		DaysToMould: outyard.Unknown, DaysToVisible: outyard.Unknown,
	}
	if weighed(today) {
		all, work := h.steps(from.Add(-12 * time.Hour))
		row.GainKg = h.level(to, all) - h.level(from, all) - gain.Stepped(all, from, to)
		row.HandledKg = gain.Stepped(work, from, to)
		if dark.known {
			row.NightLossKg = gain.NightLossKg(h.samples.Between(dark.dusk.Add(-time.Hour), dark.dawn.Add(time.Hour)), all, dark.dusk, dark.dawn, h.set.Gain)
		}
	}
	h.warmth = h.warmth[:0]
	lyingTemp, lyingRH := faults.DoubtedSince(h.id, outyard.InsideTemp), faults.DoubtedSince(h.id, outyard.InsideRH)
	for t := from; t.Before(to); t = t.Add(time.Hour) {
		hour := hourOf(today, w, t)
		if !lyingTemp.IsZero() && !t.Add(time.Hour).Before(lyingTemp) {
			hour.InsideTempC = outyard.Unknown
		}
		if !lyingRH.IsZero() && !t.Add(time.Hour).Before(lyingRH) {
			hour.InsideRHPct = outyard.Unknown
		}
		h.air.Hour(hour)
		h.warmth = append(h.warmth, brood.Hour{InsideC: hour.InsideTempC, OutsideC: hour.OutsideTempC})
	}
	climate, _ := h.air.SoFar()
	row.MouldIndex, row.WallRHPct, row.BroodTempC = climate.MouldIndex, climate.WallRHPct, insideTempC(today, lyingTemp)
	row.WallWetHours, row.DewHours = climate.Of24(climate.WetHours, h.set.Air), climate.Of24(climate.CondensationHours, h.set.Air)
	row.DewMarginK = h.air.DewMarginK()
	return row, climate, true
}

// hottestDayC is as warm as a hive is in a day's mean: bees cool a nest that is
// warmer than 36 °C, and boxes without bees follow the air.
const hottestDayC = 38

// insideTempC is the mean of what the probe in the hive shows over a day, as
// long as it is trusted, and unknown where no hive is as hot.
func insideTempC(samples []condition.Sample, lyingSince time.Time) float64 {
	sum, n := 0.0, 0
	for _, s := range samples {
		if !lyingSince.IsZero() && !s.Time.Before(lyingSince) {
			break
		}
		if outyard.Known(s.InsideTempC) {
			sum, n = sum+s.InsideTempC, n+1
		}
	}
	if n == 0 || sum > hottestDayC*float64(n) {
		return outyard.Unknown
	}
	return sum / float64(n)
}

func weighed(samples []condition.Sample) bool {
	for _, s := range samples {
		if outyard.Known(s.WeightKg) {
			return true
		}
	}
	return false
}

// level is the hive's weight at an instant, NaN when too little is known.
func (h *hive) level(at time.Time, all []gain.Step) float64 {
	span := h.set.Gain.LevelSpan
	return gain.LevelKg(h.samples.Between(at.Add(-span), at.Add(span+time.Second)), all, at, h.set.Gain)
}

// steps returns the departures since an instant that were not the colony's
// own doing, and those of them that were the keeper's.
func (h *hive) steps(since time.Time) (all, work []gain.Step) {
	for _, e := range h.recent(since) {
		st := gain.Step{From: e.Before, To: e.End, Kg: e.NetKg()}
		if !own(e.Verdict.Cause) {
			all = append(all, st)
		}
		if e.Verdict.Cause == steps.KeepersWork {
			work = append(work, st)
		}
	}
	return all, work
}

// swarmedKg is what left as a swarm on a date.
func (h *hive) swarmedKg(from, to time.Time) float64 {
	kg := 0.0
	for _, e := range h.recent(from) {
		if e.Verdict.Cause == steps.SwarmLeft && !e.Start.Before(from) && e.Start.Before(to) {
			kg -= e.NetKg()
		}
	}
	return kg
}

// A night is one about a midnight; not known in places and seasons without one.
type night struct {
	midnight, dusk, dawn time.Time
	known                bool
}

// night is the night that ends on the date which starts at midnight. The last
// two are remembered: all of a yard's hives ask for the same.
func (c *Course) night(midnight time.Time) night {
	for _, n := range c.nights {
		if n.midnight.Equal(midnight) {
			return n
		}
	}
	n := night{midnight: midnight}
	n.dusk, n.dawn, n.known = c.duskAndDawn(midnight)
	c.nights = [2]night{c.nights[1], n}
	return n
}

func (c *Course) duskAndDawn(midnight time.Time) (dusk, dawn time.Time, ok bool) {
	dark := func(t time.Time) bool {
		return sun.ElevationDeg(c.yard.Latitude, c.yard.Longitude, t) < nightDeg
	}
	if !dark(midnight) {
		return dusk, dawn, false
	}
	const step = 10 * time.Minute
	for dusk = midnight; dark(dusk); dusk = dusk.Add(-step) {
		if midnight.Sub(dusk) > 12*time.Hour {
			return dusk, dawn, false
		}
	}
	for dawn = midnight; dark(dawn); dawn = dawn.Add(step) {
		if dawn.Sub(midnight) > 12*time.Hour {
			return dusk, dawn, false
		}
	}
	return dusk, dawn, true
}

// hourOf is the mean climate of the hour from t on, in a hive and outside.
func hourOf(samples []condition.Sample, w *weather, t time.Time) air.Hour {
	end := t.Add(time.Hour)
	hour := air.Hour{Start: t,
		OutsideTempC: w.mean(outyard.OutsideTemp, t, end),
		OutsideRHPct: w.mean(outyard.OutsideRH, t, end),
	}
	var tempC, rhPct float64
	var temps, rhs int
	for _, s := range within(samples, t, end, func(s condition.Sample) time.Time { return s.Time }) {
		if outyard.Known(s.InsideTempC) {
			tempC, temps = tempC+s.InsideTempC, temps+1
		}
		if outyard.Known(s.InsideRHPct) {
			rhPct, rhs = rhPct+s.InsideRHPct, rhs+1
		}
	}
	// 0/0 is NaN: not known.
	hour.InsideTempC, hour.InsideRHPct = tempC/float64(temps), rhPct/float64(rhs)
	return hour
}
