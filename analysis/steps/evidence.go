package steps

import (
	"fmt"
	"math"
	"time"

	"outyard"
)

// journalSpan is how far a journal entry's time may be from what it tells of.
const journalSpan = 3 * time.Hour

// weighWork: the keeper's work is the usual reason for a big change by day.
func (s *scales) weighWork() {
	d, c, net := s.d, s.c, s.netKg
	s.add(KeepersWork, 1, "")
	out, gust := max(s.liftKg, s.pushKg), s.gustKg()
	switch still := out - gust; {
	case still > 0.6:
		s.add(KeepersWork, 2+3*ramp(still, 0.6, 2), fmt.Sprintf("%.1f kg was lifted off or pressed on for a while", out))
	case math.Abs(net) < 0.6+gust/2:
		// What goes off by little and comes back is mostly bees, unless the
		// keeper is at one hive after the other.
		s.add(KeepersWork, -5*ramp(math.Abs(net)-gust/2, 0.6, 0.3)-1+3*ramp(c.NeighbourMarks, 1, 3)*ramp(out, 0.1, 0.3), "")
	default:
		// Lifting that the samples were too sparse to show.
		s.add(KeepersWork, -2+1.55*ramp(s.cadenceMin, 10, 60), "")
	}
	if d.Reversals >= 2 && out > gust {
		s.add(KeepersWork, 1.5, "the weight went up and down several times")
	}
	if net > 0.6 && d.StepShare > 0.6 {
		s.add(KeepersWork, 3, fmt.Sprintf("%.1f kg was put on at once", net))
	}
	if net < -s.set.SwarmMaxKg {
		s.add(KeepersWork, 2, fmt.Sprintf("%.1f kg is more than any swarm", -net))
	}
	if c.SunDeg < 0 {
		s.add(KeepersWork, -4*ramp(c.SunDeg, 0, -8), "")
	}
	near := 0.0
	if marks := c.NeighbourMarks; marks > 0 {
		// A keeper is in a yard in one hour of thirty or more, and goes from
		// hive to hive: the nearer in time, the surer. One hive that did
		// something by itself says little: two swarms on a fine day are as
		// usual as a visit to two hives.
		gap := c.NeighbourGap.Minutes() - s.cadenceMin
		near = (1.2*ramp(marks, 0, 1) + 1.5*ramp(marks, 1, 2) + 1.3*ramp(marks, 2, 3)) * (0.6 + 0.4*ramp(gap, 45, 15))
		s.add(KeepersWork, near, fmt.Sprintf("the keeper was at %s of the yard within the hour", hives(c.NeighboursWorked)))
	}
	if c.WorkedNear {
		s.add(KeepersWork, max(0, min(3.5, 5-near)), "this hive was worked on just before or after")
	}
	if c.BackShare > 0.6 && d.StepShare > 0.5 {
		s.add(KeepersWork, 3, "what went off at once came back at once")
	}
}

// gustKg is by how much wind may lift a hive or press on it: 0.8 kg at 10 m/s on
// a lid of 0.21 m², growing with the square (half the air's density times the
// uplift coefficient of 0.6, common practice, no source).
func (s *scales) gustKg() float64 {
	if !outyard.Known(s.c.WindMS) {
		return 0
	}
	return 0.008 * s.c.WindMS * s.c.WindMS
}

// weighRobbers: honey is carried off by daylight, mouthful by mouthful, for
// hours. One such fall only keeps it from being taken for work; whether there
// are robbers is said by whole days.
func (s *scales) weighRobbers() {
	d := s.d
	took := d.QuietFrom.Sub(d.Before).Minutes()
	s.add(Robbers, -0.5, "")
	s.add(Robbers, -8*ramp(-s.netKg, 0.8, 0.3), "")
	s.add(Robbers, -6*ramp(took, 120+s.cadenceMin, 60+s.cadenceMin)+4*ramp(took, 60+s.cadenceMin, 180+s.cadenceMin), "it went evenly over hours")
	s.add(Robbers, -6*ramp(d.StepShare, 0.4, 0.7), "")
	s.add(Robbers, -6*ramp(max(s.liftKg, s.pushKg), 0.25+3*d.NoiseKg, 0.8+3*d.NoiseKg), "")
	s.add(Robbers, -8*ramp(s.c.SunDeg, 0, -6), "")
}

// weighSwarm: a few kilograms leave within minutes on a flying day.
func (s *scales) weighSwarm() {
	d, c, lost := s.d, s.c, -s.netKg
	took := d.QuietFrom.Sub(d.Before).Minutes()
	s.add(SwarmLeft, -6.25, "") // what swarms are to all that departs, in the best weeks
	s.fitForSwarm(SwarmLeft, lost)
	if lost <= s.set.SwarmMaxKg {
		s.add(SwarmLeft, ramp(lost, s.set.SwarmMinKg-0.2, s.set.SwarmMinKg), fmt.Sprintf("%.1f kg left within %.0f minutes and has not come back", lost, took))
	}
	s.add(SwarmLeft, -6*ramp(max(s.liftKg, s.pushKg), 0.25+3*d.NoiseKg, 0.8+3*d.NoiseKg), "")
	s.add(SwarmLeft, -5*ramp(took, 40+s.cadenceMin, 100+s.cadenceMin), "")
	// An exodus takes 5 to 20 minutes (from memory): readings closer than that
	// see it pass. What the keeper takes is gone between two readings, three
	// times of four.
	atOnce := exodusBetween(d.StepSpan.Minutes())
	s.add(SwarmLeft, ramp(d.StepShare, 0.85, 0.95)*math.Log(atOnce/0.75), "")
	s.add(SwarmLeft, ramp(d.StepShare, 0.95, 0.85)*min(1, math.Log((1.02-atOnce)/0.25)), "it went by and by")
	// A lid lies beside the hive for a while; few lie for hours. What weighs
	// less or goes by and by was no lid, and stays gone or not from the next
	// reading on.
	quiet, lid := c.Quiet.Minutes(), s.likeLid()
	s.add(SwarmLeft, lid*(-2+1.5*ramp(quiet, 5, 20)+1.5*ramp(quiet, 20, 60))+(1-lid)*ramp(quiet, 0, 8)+ramp(quiet, 30, 90), "")
	if c.BackShare > 0.6 {
		s.add(SwarmLeft, -8, "")
	}
}

// likeLid says, 0 to 1, how much a fall looks like the lid taken off: as heavy
// and at once. Parts are known to some 15 %. Lids of which nothing is known weigh
// 2.5 to 5.5 kg with their inner covers, of the simple kind 1.5 to 2.5 (common
// practice, no source).
func (s *scales) likeLid() float64 {
	lost := -s.netKg
	size := min(0.3*ramp(lost, 1.2, 1.7)+0.7*ramp(lost, 2.5, 3.2), ramp(lost, 5.5, 5))
	if lid := s.c.LidKg; outyard.Known(lid) && lid > 0 {
		size = ramp(math.Abs(lost-lid)/lid, 0.35, 0.2)
	}
	return size * ramp(s.d.StepShare, 0.85, 0.95)
}

// exodusBetween is the chance that readings so many minutes apart see a swarm
// leave as one step: the bulk of it within the gap, three fifths of an exodus
// of any length between 3 and 20 minutes, which begins and ends by and by.
func exodusBetween(gapMin float64) float64 {
	const shortest, longest, bulk = 3.0, 20.0, 0.6
	if gapMin <= bulk*shortest {
		return 0.05
	}
	// The mean of 1 - bulk*length/gap over the lengths that fit.
	fits := min(longest, gapMin/bulk)
	mean := 1 - bulk*(shortest+fits)/2/gapMin
	return max(0.05, mean*(fits-shortest)/(longest-shortest))
}

// fitForSwarm says how well weeks, hour, weather and weight suit a swarm.
func (s *scales) fitForSwarm(cause Cause, kg float64) {
	c, set := s.c, s.set
	s.add(cause, 2.5*c.SwarmSeason, "")
	// After the prime swarm there are often one or more casts, each smaller
	// (common practice, no source): in that week as often as not, while other
	// swarms are spread over the season.
	cast := c.Swarmed * ramp(kg, set.SwarmMaxKg/2, set.SwarmMaxKg/3)
	s.add(cause, math.Log(1+7*cast), "a swarm left it one or two weeks before")
	// Few casts are lighter than the least, few swarms near the most.
	s.add(cause, -5*ramp(kg, set.SwarmMinKg, set.SwarmMinKg-0.4)-5*ramp(kg, set.SwarmMinKg-0.3, set.SwarmMinKg-0.5)-6*ramp(kg, set.SwarmMaxKg-0.5, set.SwarmMaxKg+0.5), "")
	switch {
	case c.SolarHour >= 9 && c.SolarHour <= 16:
		s.add(cause, 0.5, "it was the middle of the day")
	default:
		s.add(cause, 0.5-4.5*max(ramp(c.SolarHour, 9, 6.5), ramp(c.SolarHour, 16, 18)), "")
	}
	// No swarm leaves in the dark, however warm the nest is.
	s.add(cause, -12*ramp(c.SunDeg, 0, -6), "")
	if outyard.Known(c.OutsideTempC) {
		s.add(cause, 0.5*ramp(c.OutsideTempC, 13, 16)-4*ramp(c.OutsideTempC, 13, 10), fmt.Sprintf("it was %.0f °C outside", c.OutsideTempC))
	}
	// Swarms wait for the rain to end, and leave just before the next; nor does
	// a keeper open hives in it.
	s.add(cause, -1.2*ramp(c.RainMm, 0.2, 1), "")
	if s.d.BaseKg < set.SmallGrossKg {
		s.add(cause, -4, "")
	}
}

// weighReturn: a swarm without its queen is back within the hour or so. Of
// those that leave, one in eight or so (common practice, no source).
func (s *scales) weighReturn() {
	d, c := s.d, s.c
	took := d.QuietFrom.Sub(d.Before).Minutes()
	switch oneDeparture := s.liftKg > 2*math.Abs(s.netKg); {
	case c.SwarmBefore && s.netKg > 0:
		s.add(SwarmCameBack, 5, "what left came back by and by")
	case oneDeparture && took > 15+s.cadenceMin && took < 110+s.cadenceMin:
		// The lifting that speaks for the keeper is the swarm's flight here.
		s.add(SwarmCameBack, -6.25-2+6, fmt.Sprintf("%.1f kg left and was back %.0f minutes later", s.liftKg, took))
		s.fitForSwarm(SwarmCameBack, s.liftKg)
	case s.netKg < 0 && c.BackShare > 0.6:
		s.add(SwarmCameBack, -6.25-2+3+2, "what left came back by and by")
		s.fitForSwarm(SwarmCameBack, -s.netKg)
	default:
		s.add(SwarmCameBack, -12, "")
	}
}

// weighTemperature: the nest is 1.5 to 3.5 °C hotter for 10 to 20 minutes as a
// swarm leaves (Zacepins et al. 2016, from memory), and warm for half an hour
// more; a probe beside it shows less. Under an open lid it is colder.
func (s *scales) weighTemperature() {
	d, c := s.d, s.c
	if outyard.Known(d.WarmedK) {
		// Wherever the probe hangs, little else heats it within minutes; away from
		// the nest, though, it is warmer by some tenths for other reasons.
		z := d.WarmedK / d.MovesK
		sure := ramp(z, 2, 4.5) * ramp(d.WarmedK, 0.2, 0.8)
		most := 3 + 3*ramp(d.WarmedK, hotK, 1.2)*ramp(z, hotMoves, 10)
		if c.BroodProbe {
			sure = ramp(z, 2, 4.5) * ramp(d.WarmedK, 0.1, 0.4)
			most = max(most, 5+2*ramp(d.WarmedK, hotK, 1.2))
		}
		// That it was not seen says the less, the farther apart the samples are;
		// readings before and after it see its ends.
		least := -math.Log((1 - s.heatSeen()) / 0.97)
		missed := ramp(z, 3, 1.5)
		told := fmt.Sprintf("the brood nest warmed by %.1f °C just before", d.WarmedK)
		for _, cause := range []Cause{SwarmLeft, SwarmCameBack} {
			s.add(cause, sure*most-least*missed, told)
		}
	}
	s.weighCold()
}

// weighCold: under an open lid it gets colder inside. At the nest nothing else
// does that; elsewhere it is colder as well when the bees that warmed it are
// gone, by two degrees or so, and the more the longer after a reading comes,
// while a hive that was opened is warm again.
func (s *scales) weighCold() {
	d, c := s.d, s.c
	// At an hour's cadence the time before the fall is cooler than a hot nest.
	cold := max(d.CooledK, -d.WarmedK)
	if !outyard.Known(cold) {
		return
	}
	z := cold / d.MovesK
	coldest := 1.5 * ramp(z, 2.5, 5) * ramp(cold, 2.5, 4) // the bees' leaving does not cool it by as much
	s.add(Overturned, 2.5*ramp(z, 2.5, 5)+coldest, "")
	told := fmt.Sprintf("it was %.1f °C colder inside, as under an open lid", cold)
	if c.BroodProbe {
		s.add(KeepersWork, 2.5*ramp(z, 2.5, 5), told)
		// A lid that is off for minutes leaves some nests as warm as they were,
		// but none warmer all the while.
		s.add(KeepersWork, -ramp(z, 0.5, -1), "")
		return
	}
	soon := ramp(s.cadenceMin, 60, 15)
	s.add(KeepersWork, (1+1.5*soon)*ramp(z, 2.5, 5)*ramp(cold, 1, 2.5)+coldest, told)
}

// heatSeen is the chance that the samples show how hot the nest was, had a
// swarm left: warm enough for that it is for three quarters of an hour in all,
// by the bees that stay. Of probes in the brood nest one in ten or so is taken
// to hang where it does not come, of those elsewhere two in three, and these are
// cold again as soon as the swarm is gone (no source).
func (s *scales) heatSeen() float64 {
	const inNest, inNestMin, elsewhere, elsewhereMin = 0.9, 45, 0.3, 15
	if !outyard.Known(s.d.WarmedK) {
		return 0
	}
	apartMin := s.d.Start.Sub(s.d.Before).Minutes()
	if s.c.BroodProbe {
		return inNest * min(1, inNestMin/apartMin)
	}
	return elsewhere * min(1, elsewhereMin/apartMin)
}

// weighBlindly: the less a probe in the hive would have shown, the more readily
// a clean fall is told for a swarm than it is likely.
func (s *scales) weighBlindly() {
	s.blindNats = s.set.NoProbeNats * (1 - s.heatSeen())
	s.add(SwarmLeft, s.blindNats, "")
}

// weighAftermath: with a swarm go foragers. Of a swarm's weight 0.73 is bees
// (a quarter to a third is honey, from memory), of a yard's usual colony some
// 4 kg fly or could: by day the hive is less busy by 0.17 or so for each kg.
// Combs, stores and stones have no wings; combs with bees on them have some.
func (s *scales) weighAftermath() {
	c, lost := s.c, -s.netKg
	if lost <= 0 || !outyard.Known(c.Busy.Ratio) {
		return
	}
	perKg := (1 - c.Busy.Ratio) * c.Busy.Before / lost
	se := c.Busy.Standard * c.Busy.Before / lost
	if c.Busy.Ratio > 1.25+2*c.Busy.Standard {
		return // no colony grows so fast: something else is the matter
	}
	if !c.Busy.Mates {
		se += 0.25 / lost // weather changes from day to day
	}
	// On the tuning seeds and on seasons of another make half of the swarms or more
	// showed it; in the rest flows, brood and weather hid it, or feigned it.
	// Nor do more than some three fifths of those leave that were busy.
	gone := min(0.2, 0.6*c.Busy.Before/lost)
	swarm := 0.5*normal(perKg, gone, math.Hypot(0.05, se)) + 0.5*normal(perKg, 0.07, math.Hypot(0.12, se))
	other := 0.65*normal(perKg, 0.06, math.Hypot(0.07, se)) + 0.35*normal(perKg, 0.03, math.Hypot(0.25, se))
	s.daysAfter = true
	nats := math.Log((swarm + 0.3) / (other + 0.3)) // other things happen too
	told := ""
	if nats > 0 {
		told = fmt.Sprintf("since then it is %.0f %% less busy by day", 100*(1-c.Busy.Ratio))
	}
	s.add(SwarmLeft, nats, told)
}

func normal(x, mean, sd float64) float64 {
	z := (x - mean) / sd
	return math.Exp(-z*z/2) / (sd * math.Sqrt(2*math.Pi))
}

// weighForagers: foragers leave and return by the hundred grams.
func (s *scales) weighForagers() {
	s.add(ForagersOut, 1.5-9*ramp(max(math.Abs(s.netKg), s.liftKg, s.pushKg), 0.6, 1.2), "the change is what foragers make")
	// They go within the hour, not within minutes, and those who only try
	// their wings are back in half an hour.
	hours := s.d.QuietFrom.Sub(s.d.Before).Hours()
	s.add(ForagersOut, -3*ramp(math.Abs(s.netKg)-s.set.RateKgPerHour*hours, 0.3, 0.6), "")
	if s.c.SunDeg < 0 {
		s.add(ForagersOut, -4, "")
	}
}

// weighWater: water comes to every hive of the yard, and to no hive without rain.
func (s *scales) weighWater() {
	c, net := s.c, s.netKg
	s.add(Water, -1.5, "")
	if net > 0 {
		s.add(Water, 3.5*ramp(c.RainMm, 0.2, 1), "it rained")
		if outyard.Known(c.CommonKg) && c.CommonKg > 0.3*net {
			s.add(Water, 3, "the yard's other hives gained as well")
		}
		if c.SunDeg < -6 {
			s.add(Water, 2, "it was night")
		}
	} else {
		s.add(Water, -3, "")
	}
	// Snow comes by the kilogram, on every hive alike, for hours, and not in mild air.
	alike := math.Abs(c.YardKg-net) < 0.3+0.3*net
	if net > 0 && alike && !(c.OutsideTempC > 4) && s.d.StepShare < 0.5 && max(s.liftKg, s.pushKg) < 0.6 {
		s.add(Water, 3, "every hive of the yard gained as much by and by")
		return
	}
	s.add(Water, -4*ramp(math.Abs(net), 2, 4), "")
}

// weighOverturned: next to nothing left on the scale, and it stays so.
func (s *scales) weighOverturned() {
	s.add(Overturned, -3, "")
	// It may lean on the scale with a box or two; the keeper takes off less.
	left := s.d.AfterKg / s.d.BaseKg
	if s.netKg > -s.set.OverturnedKg || left > 0.5 {
		s.add(Overturned, -12, "")
		return
	}
	s.add(Overturned, -11*ramp(left, 0.25, 0.5), "")
	if s.d.Wild || s.pushKg > s.set.OverturnedKg {
		s.add(Overturned, -9, "") // a scale that shows anything shows little as well
	}
	quiet := s.c.Stood.Minutes()
	if quiet < 0.9*s.cadenceMin {
		s.add(Overturned, -6, "") // one sample: as well a fault, or a hive lifted for a moment
	}
	// A hive that is lifted off whole is mostly back within minutes, and the
	// keeper mostly takes the boxes one by one.
	s.add(Overturned, 2+3*ramp(quiet, 5, 10)+2*ramp(quiet, 30, 60)+3*ramp(quiet, 60, 180),
		fmt.Sprintf("%.0f of %.0f kg are left on the scale", max(0, s.d.AfterKg), s.d.BaseKg))
	s.add(KeepersWork, 3*ramp(s.d.StepShare, 0.85, 0.7), "it went off box by box")
	if s.c.SunDeg < -4 {
		s.add(Overturned, 3, "it was night")
	}
}

// weighFault: one wild sample, and all as before. By day and downward it may
// as well be a lid lifted for a moment, or a box or two; upward nothing but a
// fault is so quick.
func (s *scales) weighFault() {
	d, c := s.d, s.c
	s.add(Fault, -4, "")
	if c.AllAtOnce {
		s.add(Fault, 25, "every scale of the yard did so in the same minutes")
		return
	}
	if d.Away > 1 || math.Abs(s.netKg) > 0.3 {
		return
	}
	switch {
	case c.SunDeg < -4:
		// Nobody lifts a hive in the dark for as long as one reading.
		s.add(Fault, 12, "one sample stood alone")
	case s.pushKg > 1.5:
		s.add(Fault, 11, "one sample stood alone, and above the rest")
	case s.liftKg > 1.5:
		// A lid weighs 3 to 5 kg, a wild value is anything.
		s.add(Fault, 9-3.5*ramp(s.liftKg, 8, 5.5)+ramp(s.liftKg, 8, 15), "one sample stood alone")
		if c.NeighboursWorked == 0 && c.Neighbours >= 2 {
			s.add(Fault, 2, "no other hive of the yard was touched")
		}
		if outyard.Known(d.CooledK) {
			s.add(Fault, 0.5*ramp(d.CooledK/d.MovesK, 2, 1), "")
		}
	}
}

// weighJournal: what the keeper wrote counts above all.
func (s *scales) weighJournal() {
	for _, e := range s.c.Journal {
		if e.Time.Sub(s.d.Start).Abs() > journalSpan {
			continue
		}
		switch e.Kind {
		case outyard.SwarmTaken:
			if s.netKg < 0 {
				s.add(SwarmLeft, 9, "the journal tells of a swarm taken")
			}
		default:
			s.add(KeepersWork, 12, fmt.Sprintf("the journal says %q", e.Kind))
		}
	}
}

func hives(n int) string {
	if n == 1 {
		return "another hive"
	}
	return fmt.Sprintf("%d other hives", n)
}
