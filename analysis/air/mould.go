package air

import (
	"math"

	"outyard"
)

// A Sensitivity is how readily a material lets mould grow: the classes of
// Ojanen, Viitanen and others (2010), as in ASHRAE 160 addendum e.
type Sensitivity int

// The classes, the readiest first.
const (
	VerySensitive   Sensitivity = iota // untreated pine sapwood
	Sensitive                          // planed or glued wood, spruce
	MediumResistant                    // plastics, mineral boards
	Resistant                          // glass, metal
)

type mouldClass struct {
	early, late float64 // growth below and from index 1, pine sapwood being 1
	a, b, c     float64 // of the greatest index
	leastRHPct  float64 // below it nothing grows at any temperature
}

// The class constants as published public implementations give them.
var mouldClasses = [...]mouldClass{
	VerySensitive:   {1, 2, 1, 7, 2, 80},
	Sensitive:       {0.578, 0.386, 0.3, 6, 1, 80},
	MediumResistant: {0.072, 0.097, 0, 5, 1.5, 85},
	Resistant:       {0.033, 0.014, 0, 3, 1, 85},
}

func (s Sensitivity) class() mouldClass {
	if s < 0 || int(s) >= len(mouldClasses) {
		s = VerySensitive
	}
	return mouldClasses[s]
}

// The index at which the microscope sees growth, and at which the eye does:
// Hukka & Viitanen (1999).
const (
	MouldSome    = 1.0
	MouldVisible = 3.0
)

const hoursAWeek = 7 * 24

// CriticalRHPct is the humidity of a surface from which mould can grow on it:
// Hukka & Viitanen (1999), the cubic kept at or above the class's floor, under
// which it would dip near 18 °C. 100 below 0 °C.
func (s Sensitivity) CriticalRHPct(tempC float64) float64 {
	floor := s.class().leastRHPct
	switch {
	case !knownTemp(tempC):
		return outyard.Unknown
	case tempC < 0:
		return 100
	case tempC > 20:
		return floor
	}
	t := tempC
	return max(floor, -0.00267*t*t*t+0.160*t*t-3.13*t+100)
}

// grows says whether mould grows at all on a surface of tempC and rhPct.
func (s Sensitivity) grows(tempC, rhPct float64) bool {
	return tempC > 0 && tempC < 50 && rhPct >= s.CriticalRHPct(tempC)
}

// WeeksToSome is the time to index 1 on pine sapwood held at tempC and rhPct,
// with W = 0 and SQ = 0 (resawn pine): Hukka & Viitanen (1999). It holds where
// mould grows, above 0 °C.
func WeeksToSome(tempC, rhPct float64) float64 {
	return math.Exp(-0.68*math.Log(tempC) - 13.9*math.Log(rhPct) + 66.02)
}

// WeeksToVisible is the time to index 3, as in [WeeksToSome].
func WeeksToVisible(tempC, rhPct float64) float64 {
	return math.Exp(-0.74*math.Log(tempC) - 12.72*math.Log(rhPct) + 61.50)
}

// GreatestIndex is what the index tends to on a surface held at tempC and
// rhPct for ever; 0 where nothing grows.
func (s Sensitivity) GreatestIndex(tempC, rhPct float64) float64 {
	if !s.grows(tempC, rhPct) {
		return 0
	}
	c := s.class()
	crit := s.CriticalRHPct(tempC)
	x := (crit - rhPct) / (crit - 100)
	return max(0, c.a+c.b*x-c.c*x*x)
}

// A Mould is the mould index of one surface as the hours pass: the VTT model
// in its class form. The index runs 0 none, 1 some growth under the
// microscope, 3 visible, 6 all covered. It was fitted on clean pine and spruce
// in a chamber, not on waxed and inhabited wood, and knows no liquid water: it
// tells of conditions that let mould grow, never that there is mould.
type Mould struct {
	// Index is the mould index, 0 to 6.
	Index float64
	// DryHours is how long conditions have been against growth.
	DryHours int
	// UnknownHours counts the hours that nothing was known of. The index
	// stands still in them.
	UnknownHours int

	class  Sensitivity
	fading float64
}

// NewMould starts a clean surface. fading scales the decline in dry hours:
// 1 is the original pine, and ASHRAE 160 advises 0.1 where nothing better is
// known, because mould hardly fades.
func NewMould(class Sensitivity, fading float64) Mould {
	return Mould{class: class, fading: fading}
}

// Hour lets one hour pass with the surface at tempC and rhPct.
func (m *Mould) Hour(tempC, rhPct float64) {
	rhPct = ClampRHPct(rhPct)
	if !knownTemp(tempC) || !outyard.Known(rhPct) {
		m.UnknownHours++
		return
	}
	if m.class.grows(tempC, rhPct) {
		m.DryHours = 0
		m.Index += m.class.growth(m.Index, m.class.GreatestIndex(tempC, rhPct)) / (hoursAWeek * WeeksToSome(tempC, rhPct))
		return
	}
	m.DryHours++
	m.Index = max(0, m.Index-m.fading*declineAnHour(m.DryHours))
}

// growth is the rate at an index, in units of the time to index 1.
func (s Sensitivity) growth(index, greatest float64) float64 {
	k1 := s.class().early
	if index >= MouldSome {
		k1 = s.class().late
	}
	return k1 * max(0, 1-math.Exp(2.3*(index-greatest)))
}

// declineAnHour is how the index falls in the dryHours-th hour against growth:
// Hukka & Viitanen (1999).
func declineAnHour(dryHours int) float64 {
	switch {
	case dryHours <= 6:
		return 0.032 / 24
	case dryHours <= 24:
		return 0
	}
	return 0.016 / 24
}

// A Course is how the conditions of some days push the index, a day: what a
// forecast goes on with.
type Course struct {
	// Growth is the sum over the growing hours of 1 / (hours to index 1 on
	// pine sapwood); at the start of growth the index rises by so much a day.
	Growth float64
	// Greatest is the index that growth tends to, weighted by growth.
	Greatest float64
	// Decline is what dry hours take off.
	Decline float64
}

// DaysTo is the number of days until the index reaches a level if the course
// goes on; 0 when it is there, NaN when it does not come within a year.
func (m Mould) DaysTo(level float64, c Course) float64 {
	index := m.Index
	for day := range 366 {
		if index >= level {
			return float64(day)
		}
		if !outyard.Known(c.Growth) {
			break
		}
		next := max(0, index+c.Growth*m.class.growth(index, c.Greatest)-c.Decline)
		if next <= index {
			break
		}
		index = next
	}
	return outyard.Unknown
}
