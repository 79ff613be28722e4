package instruments

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// BatterySettings are the thresholds of the battery forecast (common practice,
// no source).
type BatterySettings struct {
	// WarnDays, 21 d: told once no more than so many days are left: keepers go
	// round their yards every two or three weeks.
	WarnDays float64
	// SureDays, 2 d: and on so many days in a row, for one cold night says little.
	SureDays int
	// LongDays, 14 d: over which the usual fall is taken.
	LongDays int
	// ShortDays, 5 d: over which a sudden fall is, as batteries of a flat
	// course have it at their end.
	ShortDays int
	// FallingP, 0.02: the chance, by Mann-Kendall, that the fall over LongDays is none.
	FallingP float64
	// SuddenTimes, 4: how many times the usual scatter from night to night the
	// voltage must have lost over ShortDays to be falling suddenly.
	SuddenTimes float64
	// BendShare, 0.5: how many of the days that a straight line would give it a
	// battery has that falls suddenly: past the bend of its course each day
	// takes more than the one before, and nodes give out above the least that
	// the cell could bear.
	BendShare float64
	// ScatterShare, 0.002: the least scatter believed, as a share of the
	// voltage: 10 mV of a lithium cell, the step of most nodes and some.
	ScatterShare float64
	// SwingShare, 0.012: how much higher, as a share, the voltage is by day than
	// before dawn where the sun charges the battery. Warmth makes no more than
	// half of that.
	SwingShare float64
	// LowShare, 0.6, and SunnyShare, 0.3: a battery is told of only in the
	// lower part of its range, so much of it, and less where the sun charges
	// it. Dark and cold weeks pass, and far from its end nobody knows where
	// the course of an unknown battery bends.
	LowShare, SunnyShare float64
	// RefilledShare, 0.25: a rise by so much of the range is a battery changed
	// or charged.
	RefilledShare float64
	// CalmDays, 10 d: a battery that for so long does not look like running
	// out is not.
	CalmDays int
}

// DefaultBatterySettings returns the defaults.
func DefaultBatterySettings() BatterySettings {
	return BatterySettings{WarnDays: 21, SureDays: 2, LongDays: 14, ShortDays: 5, FallingP: 0.02, SuddenTimes: 4, BendShare: 0.5,
		ScatterShare: 0.002, SwingShare: 0.012, LowShare: 0.6, SunnyShare: 0.3, RefilledShare: 0.25, CalmDays: 10}
}

// Batteries follows the voltage that each node of a yard tells and says when
// it will give out. It goes by the hours before dawn, when no sun charges and
// nights compare.
type Batteries struct {
	yard  outyard.Yard
	set   BatterySettings
	nodes []*batteryNode // by hive; the weather's first
}

type batteryNode struct {
	hive   outyard.HiveID
	open   []voltDay // dates not closed yet
	date   outyard.Date
	night  []float64 // V, of the last days, the newest last; NaN unknown
	swing  []float64 // V, by which the day was above it
	tempC  []float64 // of the air in those hours
	mostV  float64   // the highest night seen, which tells what battery it is
	warned int       // days in a row on which it looked like running out
	past   []*lowBattery
}

// A voltDay gathers one date's voltages.
type voltDay struct {
	date       outyard.Date
	night, day []float64
}

// A lowBattery is a battery running out.
type lowBattery struct {
	onset, end outyard.Date
	over       bool
	firstV     float64 // when it was raised
	calm       int
	latest     Forecast
	volts      float64
	asOf       outyard.Date
	sunny      bool
}

const (
	batteryWindow = 28 // days kept
	dawnHour      = 5  // before it, local time, no sun shines that charges
	voltsADay     = 96 // kept of a date: enough for a median
)

// BeforeDawn is how long after midnight voltages are taken for the night's.
const BeforeDawn = dawnHour * time.Hour

// NewBatteries begins to watch a yard.
func NewBatteries(yard outyard.Yard, set BatterySettings) *Batteries {
	return &Batteries{yard: yard, set: set}
}

// Observe takes a reading of a hive's node, or of the weather's.
func (b *Batteries) Observe(r outyard.Reading) {
	v := r.Values[outyard.Battery]
	if !outyard.Known(v) || v <= 0 {
		return
	}
	n := b.node(r.Hive)
	local := r.Time.In(b.yard.Zone)
	date := outyard.DateOf(r.Time, b.yard.Zone)
	i := slices.IndexFunc(n.open, func(d voltDay) bool { return d.date == date })
	if i < 0 {
		i = len(n.open)
		n.open = append(n.open, voltDay{date: date})
	}
	d := &n.open[i]
	if local.Hour() < dawnHour {
		d.night = keepSome(d.night, v)
	} else {
		d.day = keepSome(d.day, v)
	}
}

// keepSome appends, and thins out what nodes that send every minute give.
func keepSome(x []float64, v float64) []float64 {
	if len(x) == voltsADay {
		for i := range voltsADay / 2 {
			x[i] = x[2*i]
		}
		x = x[:voltsADay/2]
	}
	return append(x, v)
}

func (b *Batteries) node(hive outyard.HiveID) *batteryNode {
	i, known := slices.BinarySearchFunc(b.nodes, hive, func(n *batteryNode, h outyard.HiveID) int { return cmp.Compare(n.hive, h) })
	if !known {
		b.nodes = slices.Insert(b.nodes, i, &batteryNode{hive: hive})
	}
	return b.nodes[i]
}

// Day closes a date, whose hours before dawn had the air at nightC, NaN when
// not known. Dates rise.
func (b *Batteries) Day(date outyard.Date, nightC float64) {
	for _, n := range b.nodes {
		night, swing := n.take(date)
		missed := 0
		if len(n.night) > 0 {
			missed = min(max(0, date.Sub(n.date)-1), batteryWindow)
		}
		for range missed {
			n.push(outyard.Unknown, outyard.Unknown, outyard.Unknown)
		}
		n.push(night, swing, nightC)
		n.date = date
		if outyard.Known(night) {
			b.judge(n)
		}
	}
}

// take is the date's voltage before dawn (or, of a node that sends only by
// day, of the day) and how far it rises above it by day.
func (n *batteryNode) take(date outyard.Date) (nightV, swingV float64) {
	nightV, swingV = outyard.Unknown, outyard.Unknown
	for _, d := range n.open {
		if d.date != date {
			continue
		}
		switch {
		case len(d.night) > 0:
			nightV = robust.Median(d.night)
			if len(d.day) > 0 {
				swingV = robust.Quantile(0.9, d.day) - nightV
			}
		case len(d.day) > 0:
			nightV = robust.Median(d.day)
		}
	}
	n.open = slices.DeleteFunc(n.open, func(d voltDay) bool { return !date.Before(d.date) })
	return nightV, swingV
}

func (n *batteryNode) push(night, swing, tempC float64) {
	for _, x := range []struct {
		of *[]float64
		v  float64
	}{{&n.night, night}, {&n.swing, swing}, {&n.tempC, tempC}} {
		if len(*x.of) >= 2*batteryWindow {
			*x.of = append((*x.of)[:0], (*x.of)[batteryWindow+1:]...)
		}
		*x.of = append(*x.of, x.v)
	}
	if outyard.Known(night) {
		n.mostV = max(n.mostV, night)
	}
}

// judge looks at a node whose voltage of today is known.
func (b *Batteries) judge(n *batteryNode) {
	night, swing := lastOf(n.night, batteryWindow), lastOf(n.swing, batteryWindow)
	emptyV := b.emptyV(n)
	now := night[len(night)-1]
	sunny := robust.Median(lastOf(swing, b.set.LongDays)) > b.set.SwingShare*now
	f := b.set.Forecast(AtOneTemperature(night, lastOf(n.tempC, batteryWindow)), emptyV, sunny)
	low := f.DaysLeft <= b.set.WarnDays
	part := b.set.LowShare
	if sunny {
		part = b.set.SunnyShare
	}
	low = low && now <= emptyV+part*(n.mostV-emptyV)
	if low {
		n.warned++
	} else {
		n.warned = 0
	}
	e := n.running()
	if e == nil {
		if n.warned >= b.set.SureDays {
			n.past = append(n.past, &lowBattery{onset: n.date, firstV: now, latest: f, volts: now, asOf: n.date, sunny: sunny})
		}
		return
	}
	if now > e.volts+b.set.RefilledShare*(n.mostV-emptyV) || now > e.firstV+b.set.RefilledShare*(n.mostV-emptyV) {
		e.over, e.end = true, n.date
		return
	}
	e.volts, e.asOf = now, n.date
	switch {
	case f.DaysLeft <= 2*b.set.WarnDays:
		e.calm, e.latest = 0, f
		return
	case now <= emptyV:
		e.calm, e.latest.DaysLeft = 0, 0
		return
	}
	if e.calm++; e.calm >= b.set.CalmDays {
		e.over, e.end = true, n.date.Add(1-e.calm)
	}
}

func (n *batteryNode) running() *lowBattery {
	if k := len(n.past); k > 0 && !n.past[k-1].over {
		return n.past[k-1]
	}
	return nil
}

func lastOf(x []float64, n int) []float64 { return x[max(0, len(x)-n):] }

// A Forecast is how long a battery lasts at its present course.
type Forecast struct {
	VoltsADay float64 // what it loses, below 0 when it falls; NaN when it does not
	DaysLeft  float64 // +Inf when it does not fall
	EmptyV    float64
	Sudden    bool // the last days fall faster than the weeks before
}

// Forecast is the course of daily voltages, the newest last (NaN where not
// known), down to emptyV. The steeper of the usual fall and of a sudden one
// counts: most batteries keep their voltage for long and lose it at the end. One that the sun charges
// may fall suddenly in dark weather and come back: that is no bend.
func (s BatterySettings) Forecast(volts []float64, emptyV float64, sunny bool) Forecast {
	f := Forecast{VoltsADay: outyard.Unknown, DaysLeft: math.Inf(1), EmptyV: emptyV}
	days := make([]float64, len(volts))
	for i := range days {
		days[i] = float64(i)
	}
	now := robust.Median(lastOf(volts, 2))
	if !outyard.Known(now) {
		return f
	}
	least := s.ScatterShare * now
	long, x := lastOf(volts, s.LongDays), lastOf(days, s.LongDays)
	usual := robust.TheilSen(x, long, 0.95)
	if robust.Count(long) >= s.LongDays/2 && robust.MannKendall(long).PFalling <= s.FallingP && -usual.Slope*float64(s.LongDays) > 2*least {
		f.VoltsADay = usual.Slope
	}
	short, x := lastOf(volts, s.ShortDays), lastOf(days, s.ShortDays)
	sudden := robust.TheilSen(x, short, 0.95)
	scatter := max(least, stepScatter(volts[:max(0, len(volts)-s.ShortDays)]))
	if robust.Count(short) >= s.ShortDays-1 && -sudden.Slope*float64(s.ShortDays-1) > s.SuddenTimes*scatter && !(sudden.Slope >= f.VoltsADay) {
		f.VoltsADay, f.Sudden = sudden.Slope, true
	}
	if outyard.Known(f.VoltsADay) {
		f.DaysLeft = max(0, (now-emptyV)/-f.VoltsADay)
	}
	if f.Sudden && !sunny {
		f.DaysLeft *= s.BendShare
	}
	return f
}

// stepScatter is the usual scatter of a value about its neighbours', NaN when
// too little is known.
func stepScatter(x []float64) float64 {
	var steps []float64
	for i := 1; i < len(x); i++ {
		if d := x[i] - x[i-1]; outyard.Known(d) {
			steps = append(steps, math.Abs(d))
		}
	}
	if len(steps) < 5 {
		return 0
	}
	// 1.4826 makes a median deviation a standard deviation under a normal law;
	// the difference of two values has twice the variance of one.
	return 1.4826 * robust.Median(steps) / math.Sqrt2
}

// AtOneTemperature takes out of daily voltages what cold nights take, as their
// changes from one night to the next show it: a cell gives less in the cold.
// Where too little is known they are returned as they are.
func AtOneTemperature(volts, tempC []float64) []float64 {
	const (
		leastDays = 8
		wild      = 0.02 // of the voltage: a change by more is not the cold's
		// No battery loses more of its voltage for a kelvin (from memory: 2 to
		// 8 mV for a lithium cell).
		mostShare = 0.0025
	)
	usualV, usual := robust.Median(volts), robust.Median(tempC)
	// Least squares rather than a median: the change from night to night is
	// seldom more than a step or two of what the node can show.
	days, vt, tt := 0, 0.0, 0.0
	for i := 1; i < len(volts); i++ {
		dv, dt := volts[i]-volts[i-1], tempC[i]-tempC[i-1]
		if outyard.Known(dv*dt) && math.Abs(dv) < wild*usualV {
			days, vt, tt = days+1, vt+dv*dt, tt+dt*dt
		}
	}
	if days < leastDays || tt == 0 {
		return volts
	}
	c := min(max(vt/tt, 0), mostShare*usualV)
	out := slices.Clone(volts)
	for i := range out {
		if outyard.Known(tempC[i]) {
			out[i] -= c * (tempC[i] - usual)
		}
	}
	return out
}

// emptyV is the voltage at which the node gives out: what the keeper set, or a
// guess.
func (b *Batteries) emptyV(n *batteryNode) float64 {
	if h, ok := b.yard.Hive(n.hive); ok && h.BatteryEmptyV > 0 {
		return h.BatteryEmptyV
	}
	return GuessEmptyV(n.mostV)
}

// GuessEmptyV guesses at which voltage a node gives out from the highest that
// its battery had by night (from memory, as data sheets of common batteries
// have it). Nodes differ in what they bear: a keeper who knows better sets it.
func GuessEmptyV(mostV float64) float64 {
	for _, g := range []struct{ upToV, emptyV float64 }{
		{3.45, 2.4}, // two alkaline cells, or one of lithium iron phosphate
		{3.72, 3.0}, // primary lithium
		{4.3, 3.2},  // one lithium-ion cell
		{5.2, 3.0},  // three alkaline cells
		{7.4, 5.4},  // lead of 6 V, four alkaline cells
		{8.6, 6.5},  // two lithium-ion cells
		{10.9, 7},   // six alkaline cells
		{15.5, 11.4},
	} {
		if mostV <= g.upToV {
			return g.emptyV
		}
	}
	return 0.85 * mostV
}

// Findings returns every battery that ran low so far.
func (b *Batteries) Findings() []outyard.Finding {
	var found []outyard.Finding
	for _, n := range b.nodes {
		for _, e := range n.past {
			found = append(found, b.finding(n, e))
		}
	}
	slices.SortStableFunc(found, func(x, y outyard.Finding) int { return x.Onset.Compare(y.Onset) })
	return found
}

func (b *Batteries) finding(n *batteryNode, e *lowBattery) outyard.Finding {
	h, _ := b.yard.Hive(n.hive)
	f := outyard.Finding{
		Kind: outyard.BatteryLow, Yard: b.yard.ID, Hive: n.hive, Onset: e.onset.Start(b.yard.Zone).UTC(),
		Severity: outyard.Soon, Confidence: 0.9, State: outyard.Open,
		Advice: []string{
			"Carry a charged battery of the same kind, and change it before the node falls silent.",
			"Look whether plug and cable are dry and clean, and whether a panel is shaded, dirty or unplugged.",
		},
		Caution: []string{"Charge no lithium cell below 0 °C, nor one that is swollen, hot or wet; take spent ones to the collection point."},
	}
	whose := "the battery of this hive's node"
	if n.hive == "" {
		whose = "the battery of the yard's weather node"
		f.Caution = append(f.Caution, mastCaution)
	} else {
		f.Caution = append(f.Caution, stingCaution)
	}
	fall := -e.latest.VoltsADay
	left := math.Round(e.latest.DaysLeft)
	reasons := []string{fmt.Sprintf("%.2f V before dawn, %.3f V less each day", e.volts, fall)}
	if h.BatteryEmptyV > 0 {
		reasons = append(reasons, fmt.Sprintf("the node gives out at %.2f V, as set", e.latest.EmptyV))
	} else {
		f.Confidence = 0.85
		reasons = append(reasons, fmt.Sprintf("the node is taken to give out at some %.1f V, going by the highest voltage seen; the config can say better", e.latest.EmptyV))
	}
	if e.latest.Sudden {
		faster := "it has begun to fall faster, as batteries do at their end"
		if !e.sunny {
			faster += ", and is given half the days of a straight line"
		}
		reasons = append(reasons, faster)
	}
	if e.sunny {
		f.Confidence = 0.7
		reasons = append(reasons, "the sun charges it by day: bright weather may save it")
	}
	f.Facts = map[string]any{"battery_v": e.volts, "slope_v_per_day": math.Round(1e4*e.latest.VoltsADay) / 1e4,
		"days_left": left, "empty_v": e.latest.EmptyV, "reasons": reasons}
	switch day := e.asOf.Add(int(left)); {
	case e.over:
		f.State, f.End = outyard.Over, e.end.Start(b.yard.Zone).UTC()
		f.Summary = fmt.Sprintf("%s was low from %s, at %.2f V at last.", upperFirst(whose), dayMonth(e.onset), e.volts)
	case left < 1:
		f.Summary = fmt.Sprintf("%s is at its end, at %.2f V.", upperFirst(whose), e.volts)
	default:
		f.Summary = fmt.Sprintf("%s is at %.2f V and loses %.3f V a day: it lasts until about %s.", upperFirst(whose), e.volts, fall, dayMonth(day))
	}
	return f
}

func dayMonth(d outyard.Date) string {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC).Format("2 January")
}

func upperFirst(s string) string { return string(s[0]-'a'+'A') + s[1:] }
