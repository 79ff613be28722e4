package instruments

import (
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// ShiftSettings are the thresholds by which a node's day is taken to run beside
// that of its yard (common practice, no source): where nothing tells when
// readings arrived, only what they say shows a clock that is off. Sun and
// flight come to all hives of a yard at one time.
type ShiftSettings struct {
	// LeastH, 2 h: by how much the days must differ. Shade and the way an entrance
	// looks move a hive's morning by one. LeastFlightH, 7 h: the same of the weight,
	// which goes by the flight: weak colonies, and those that rob, fly late.
	LeastH, LeastFlightH int
	// LikeR, 0.85: how alike the two courses must be once one is shifted, and
	// BetterR, 0.2, by how much more so than as they are: a smooth day is like
	// itself 3 hours later by 0.7. AlignedR, 0.7, is how alike days are that run as
	// one, to within an hour.
	LikeR, BetterR, AlignedR float64
	// LeastK, 0.5 K, and LeastKg, 0.08 kg: the spread over the day that a course
	// must have to say anything: grey days and brood nests have none.
	LeastK, LeastKg float64
	// Days, 5, of which Agree, 4, must show the same shift to within an hour, after
	// Before, 4, of the last days ran as the others' did.
	Days, Agree, Before int
}

func defaultShiftSettings() ShiftSettings {
	return ShiftSettings{LeastH: 2, LeastFlightH: 7, LikeR: 0.85, BetterR: 0.2, AlignedR: 0.7, LeastK: 0.5, LeastKg: 0.08, Days: 5, Agree: 4, Before: 4}
}

// A HiveHours is a hive's date hour by hour, NaN where not known.
type HiveHours struct {
	Hive        outyard.HiveID
	Kg, InsideC []float64
}

// dayHours is how many hours a date must have to be compared: those on which
// clocks change are not.
const dayHours = 24

// keptShifts is how many days that say something are remembered.
const keptShifts = 12

// shifts is how a node's days ran beside those of its yard.
type shifts struct {
	days []shiftOf // oldest first
	past []shiftSpell
}

// A shiftOf is by how much a day ran late, below zero early.
type shiftOf struct {
	date  outyard.Date
	hours int
}

// A shiftSpell is a spell of days that run late or early.
type shiftSpell struct {
	onset, end time.Time // end is zero while it lasts
	hours      int
}

func (s *shifts) open() *shiftSpell {
	if k := len(s.past); k > 0 && s.past[k-1].end.IsZero() {
		return &s.past[k-1]
	}
	return nil
}

// Hours closes a date by how it ran at each hive. Whether a fault began or ended
// is the result.
func (f *Faults) Hours(date outyard.Date, hives []HiveHours) (changed bool) {
	for i, h := range hives {
		n := f.node(h.Hive)
		hours, known := f.set.Shift.shift(i, hives)
		if !known {
			continue
		}
		if len(n.shifts.days) == keptShifts {
			n.shifts.days = append(n.shifts.days[:0], n.shifts.days[1:]...)
		}
		n.shifts.days = append(n.shifts.days, shiftOf{date, hours})
		changed = f.shifted(&n.shifts) || changed
	}
	return changed
}

// shifted says whether a spell began or ended with the newest day.
func (f *Faults) shifted(s *shifts) bool {
	set := f.set.Shift
	if len(s.days) < set.Days {
		return false
	}
	newest := s.days[len(s.days)-set.Days:]
	if open := s.open(); open != nil {
		last := newest[set.Days-3:]
		if slices.ContainsFunc(last, func(d shiftOf) bool { return d.hours != 0 }) {
			return false
		}
		open.end = last[0].date.Start(f.yard.Zone).UTC()
		return true
	}
	by := newest[set.Days-1].hours
	agree, first := 0, 0
	for i, d := range newest {
		if d.hours != 0 && abs(d.hours-by) <= 1 {
			if agree++; agree == 1 {
				first = i
			}
		}
	}
	before := 0
	for _, d := range s.days[:len(s.days)-set.Days+first] {
		if d.hours == 0 {
			before++
		}
	}
	if by == 0 || agree < set.Agree || before < set.Before {
		return false
	}
	s.past = append(s.past, shiftSpell{onset: newest[first].date.Start(f.yard.Zone).UTC(), hours: by})
	return true
}

func abs(n int) int { return max(n, -n) }

// shift is by how many hours a hive's day ran late beside the others', below
// zero early, 0 for a day that ran as theirs; not known where the day says
// nothing.
func (set ShiftSettings) shift(of int, hives []HiveHours) (hours int, known bool) {
	kg := func(h HiveHours) []float64 { return h.Kg }
	inside := func(h HiveHours) []float64 { return h.InsideC }
	best, aligned := -1.0, false
	for _, course := range []struct {
		of     func(HiveHours) []float64
		least  float64
		leastH int
	}{{kg, set.LeastKg, set.LeastFlightH}, {inside, set.LeastK, set.LeastH}} {
		own, others := level(course.of(hives[of]), course.least), make([][]float64, 0, len(hives))
		for i, h := range hives {
			if x := level(course.of(h), course.least); i != of && x != nil {
				others = append(others, x)
			}
		}
		if own == nil || len(others) < 2 {
			continue
		}
		middle := make([]float64, dayHours)
		for i := range middle {
			at := make([]float64, len(others))
			for k := range others {
				at[k] = others[k][i]
			}
			middle[i] = robust.Median(at)
		}
		asIs, like, late := alike(own, middle, 0), -1.0, 0
		for h := -dayHours/2 + 1; h <= dayHours/2; h++ {
			if r := alike(own, middle, h); r > like {
				like, late = r, h
			}
		}
		switch {
		case abs(late) < set.LeastH && like >= set.AlignedR:
			aligned = true // either course will do: no clock is right by half
		case abs(late) >= course.leastH && like >= set.LikeR && like >= asIs+set.BetterR && like > best:
			best, hours, known = like, late, true
		}
	}
	if aligned {
		return 0, true
	}
	return hours, known
}

// level is a day's course without its trend and scaled to a spread of one, nil
// where it has too small a spread or is not known throughout.
func level(x []float64, least float64) []float64 {
	if len(x) != dayHours || robust.Count(x) < dayHours {
		return nil
	}
	y := make([]float64, dayHours)
	trend := ((x[dayHours-1] + x[dayHours-2]) - (x[0] + x[1])) / 2 / (dayHours - 2)
	sum := 0.0
	for i, v := range x {
		y[i] = v - trend*float64(i)
		sum += y[i]
	}
	square := 0.0
	for i := range y {
		y[i] -= sum / dayHours
		square += y[i] * y[i]
	}
	sd := math.Sqrt(square / dayHours)
	if !(sd >= least) {
		return nil
	}
	for i := range y {
		y[i] /= sd
	}
	return y
}

// alike is the correlation of a course that ran so many hours late with
// another, the day taken for a circle.
func alike(own, middle []float64, late int) float64 {
	xy, xx, yy := 0.0, 0.0, 0.0
	for i, m := range middle {
		v := own[(i+late+dayHours)%dayHours]
		xy, xx, yy = xy+v*m, xx+v*v, yy+m*m
	}
	if xx == 0 || yy == 0 {
		return 0
	}
	return xy / math.Sqrt(xx*yy)
}

// dayShifted is what a finding of a day that runs beside the others' says is at
// fault.
const dayShifted = "clock by the day's course"

func (f *Faults) shiftFinding(hive outyard.HiveID, s shiftSpell) outyard.Finding {
	way, hours := "later", spoken(time.Duration(abs(s.hours))*time.Hour)
	clock := "ahead"
	if s.hours < 0 {
		way, clock = "earlier", "behind"
	}
	from := s.onset.In(f.yard.Zone).Format("2 January")
	fd := outyard.Finding{
		Kind: outyard.SensorFault, Yard: f.yard.ID, Hive: hive, Onset: s.onset, Severity: outyard.Note, Confidence: 0.7, State: outyard.Open,
		Summary: fmt.Sprintf("The clock of this hive's node may be about %s %s since about %s: its days run so much %s than those of the yard's other hives.", hours, clock, from, way),
		Advice:  []string{"Compare the node's clock with your own; set it, to UTC, or have it send no times: then the time of arrival counts."},
		Caution: []string{stingCaution, driveCaution},
		Facts: map[string]any{"fault": dayShifted, "clock_ahead_minutes": float64(60 * s.hours),
			"reasons": []string{fmt.Sprintf("what the sun and the flight do to its weight and warmth comes %s %s than at the other hives, and did not before", hours, way)}},
	}
	if !s.end.IsZero() {
		fd.State, fd.End = outyard.Over, s.end
		fd.Summary = fmt.Sprintf("The clock of this hive's node may have been about %s %s from about %s to %s: its days ran so much %s than those of the yard's other hives.",
			hours, clock, from, s.end.In(f.yard.Zone).Format("2 January"), way)
	}
	return fd
}
