package simulator

import (
	"time"

	"outyard"
)

// A cell is a kind of battery: what it shows by how full it is, and what cold
// does to it. Shapes and cut-offs are from memory, as data sheets draw them.
type cell struct {
	volts   curve   // of a battery at rest at 20 °C, by charge from 0 to 1
	coldV   float64 // less for each kelvin below 20 °C
	swingV  float64 // more while the sun charges it
	deadLoV float64 // the node gives out between these
	deadHiV float64
	lasts   [2]float64 // days from full to empty, without sun
	solar   bool
}

var cells = []cell{
	{volts: curve{{0, 2.9}, {0.03, 3.2}, {0.08, 3.42}, {0.15, 3.55}, {0.3, 3.66}, {0.5, 3.76}, {0.7, 3.9}, {1, 4.16}},
		coldV: 0.003, deadLoV: 3.05, deadHiV: 3.35, lasts: [2]float64{200, 600}},
	{volts: curve{{0, 2.7}, {0.02, 3.1}, {0.05, 3.35}, {0.1, 3.48}, {0.2, 3.55}, {1, 3.64}},
		coldV: 0.004, deadLoV: 2.8, deadHiV: 3.1, lasts: [2]float64{300, 900}},
	{volts: curve{{0, 2.6}, {0.05, 3.1}, {0.15, 3.4}, {0.4, 3.7}, {0.75, 4.05}, {0.95, 4.5}, {1, 4.7}},
		coldV: 0.006, deadLoV: 2.8, deadHiV: 3.2, lasts: [2]float64{150, 400}},
	{volts: curve{{0, 2.9}, {0.03, 3.2}, {0.08, 3.42}, {0.15, 3.55}, {0.3, 3.66}, {0.5, 3.76}, {0.7, 3.9}, {1, 4.16}},
		coldV: 0.003, swingV: 0.12, deadLoV: 3.05, deadHiV: 3.35, lasts: [2]float64{60, 150}, solar: true},
	{volts: curve{{0, 11}, {0.1, 11.6}, {0.3, 12.05}, {0.6, 12.4}, {1, 12.85}},
		coldV: 0.01, swingV: 1.1, deadLoV: 10.8, deadHiV: 11.5, lasts: [2]float64{40, 120}, solar: true},
}

// A battery keeps a node alive.
type battery struct {
	cell
	rng        dice
	charge     float64 // 0 to 1
	useADay    float64 // of the charge
	sunADay    float64 // of the charge, on a clear summer day
	deadV      float64 // below it the node gives out
	deadCharge float64 // at which it is there, in mild weather
	sunWM2     float64 // now
	empty      bool
	low        int // the label of its last days; below 0: none
}

// A battery counts as low when it has so many days left, and from agingDays on
// somebody may say so.
const (
	lowDays   = 14
	agingDays = 60
)

// newBattery is one that is more or less full, on a node that is more or less
// thirsty (0 to 1).
func newBattery(rng dice, full, thirst, speed float64) battery {
	b := battery{cell: cells[rng.IntN(len(cells))], rng: rng, low: -1}
	b.deadV = rng.between(b.deadLoV, b.deadHiV)
	for b.deadCharge < 1 && b.volts.at(b.deadCharge) < b.deadV {
		b.deadCharge += 0.005
	}
	b.charge = mix(0.3, 1, full)
	b.useADay = speed / mix(b.lasts[1], b.lasts[0], thirst)
	if b.solar {
		b.charge = mix(0.7, 1, full)
		b.sunADay = b.useADay * rng.between(3, 9)
	}
	return b
}

// step lets the node live for some hours.
func (b *battery) step(hours float64, w skyHour) {
	b.sunWM2 = w.sunWM2
	// A clear summer day brings some 7 kWh to the square metre.
	b.charge += (b.sunADay*w.sunWM2/7000 - b.useADay/24) * hours
	b.charge = clamp(b.charge, 0, 1)
}

// showsV is the voltage that the node tells.
func (b *battery) showsV(tempC float64) float64 {
	v := b.volts.at(b.charge) + b.coldV*(tempC-20)
	if b.solar {
		v += b.swingV * ramp(b.sunWM2, 30, 400)
	}
	return round(v+0.004*b.rng.NormFloat64(), 100)
}

// daysLeft is how long the charge lasts, in mild weather. Where the sun charges
// it nobody knows: then its last seventh stands for the last two weeks. The last
// eighth of any is little.
func (b *battery) daysLeft() float64 {
	left := b.charge - b.deadCharge
	if b.solar {
		return left * 7 * lowDays
	}
	return min(left/b.useADay, left*500)
}

// watch says whether the node is alive, and labels a battery that runs low and
// a node that gave out for it.
func (h *hive) watch(t int64, tempC float64) bool {
	b, e := &h.battery, h.yard.engine
	if b.useADay == 0 {
		return true
	}
	left, now := b.daysLeft(), time.Unix(t, 0).UTC()
	if left < agingDays && b.low < 0 {
		b.low = e.label(Label{Kind: outyard.BatteryLow, Yard: h.yard.id, Hive: h.id, Time: now})
	} else if left > agingDays+7 && b.low >= 0 {
		e.labels[b.low].End = now
		b.low = -1
	}
	if left < lowDays && e.labels[b.low].Low.IsZero() {
		e.labels[b.low].Low = now
	}
	at := b.volts.at(b.charge) + b.coldV*(tempC-20)
	switch {
	case !b.empty && at < b.deadV:
		b.empty = true
		h.silentBy = e.label(Label{Kind: outyard.Silent, What: Lost, Yard: h.yard.id, Hive: h.id, Time: now})
	case b.empty && b.charge > 0.1 && at > b.deadV+0.02*b.deadV:
		b.empty = false
		e.labels[h.silentBy].End = now
	}
	return !b.empty
}

// lookAt is what the keeper does about the battery when at the hive: one that
// gave out is changed, one that is low mostly is.
func (b *battery) lookAt() {
	if b.empty || b.charge < 0.12 && b.rng.chance(0.6) {
		b.charge = b.rng.between(0.95, 1)
	}
}

// runLow leaves the battery some three weeks.
func (b *battery) runLow() {
	b.solar, b.sunADay, b.useADay = false, 0, max(b.useADay, 1.0/300)
	b.charge = b.deadCharge + 1.5*lowDays*b.useADay
}
