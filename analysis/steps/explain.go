package steps

import (
	"fmt"
	"math"
	"time"

	"outyard"
)

// A Cause is what may have made a departure.
type Cause int

// The causes that are weighed against each other.
const (
	KeepersWork Cause = iota
	SwarmLeft
	SwarmCameBack
	ForagersOut
	Water
	Overturned // knocked over or carried away
	Fault      // of the scale
	Unexplained
	numCauses
)

var causeNames = [numCauses]string{"the keeper's work", "a swarm", "a swarm that came back",
	"foragers out and back", "rain, dew or snow", "a knock or theft", "a fault of the scale", "nothing that is known"}

func (c Cause) String() string { return causeNames[c] }

// Circumstances are what is known around a departure, besides its own path.
type Circumstances struct {
	SolarHour    float64 // true solar time at Start, 0 to 24
	SunDeg       float64 // height of the sun at Start
	SwarmSeason  float64 // how usual swarms are in these weeks: 1 at the height, below 0 when there are none
	OutsideTempC float64 // NaN unknown
	RainMm       float64 // in the two hours about it; NaN unknown
	WindMS       float64 // NaN unknown
	CommonKg     float64 // what the yard's other hives changed by meanwhile, their median; NaN unknown

	BroodProbe       bool            // the probe hung in the warmth of a brood nest before
	NeighboursWorked int             // other hives of the yard with marks of the keeper's work within the hour
	WorkedNear       bool            // this hive shows such marks just before or after
	BackShare        float64         // how nearly a later departure within hours undid the net change, 1 for just that
	Quiet            time.Duration   // how long the new level has stood
	Journal          []outyard.Entry // what the keeper wrote about these hours
}

// A Verdict says how likely each cause is, and why.
type Verdict struct {
	Cause   Cause // the likeliest
	P       [numCauses]float64
	Reasons []string // for the likeliest cause and against others, the weightiest first
}

// scales collects evidence in nats: natural logarithms of likelihood ratios.
type scales struct {
	nats    [numCauses]float64
	reasons []reason
}

type reason struct {
	text   string
	weight [numCauses]float64
}

// add puts evidence for one cause; an empty text is not worth telling.
func (s *scales) add(c Cause, nats float64, text string) {
	s.nats[c] += nats
	if text != "" && nats != 0 {
		r := reason{text: text}
		r.weight[c] = nats
		s.reasons = append(s.reasons, r)
	}
}

// ramp is 0 at from and below, 1 at to and above (or the reverse when to is
// below from), straight between. The unknown says nothing: 0.
func ramp(x, from, to float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return min(1, max(0, (x-from)/(to-from)))
}

// Explain weighs the causes of a departure against each other. The odds are
// judgement set on simulated seasons: what speaks for a cause and how much is
// written beside each line.
func Explain(d *Departure, c Circumstances, set Settings) Verdict {
	var s scales
	net, lift, push := d.NetKg(), max(0, d.LiftKg()), max(0, d.PushKg())
	cadenceMin := d.Cadence.Minutes()

	// The keeper's work is the usual reason for a big change by day.
	s.add(KeepersWork, 1, "")
	switch {
	case lift > 0.6 || push > 0.6:
		s.add(KeepersWork, 2+3*ramp(max(lift, push), 0.6, 2), fmt.Sprintf("%.1f kg was lifted off or pressed on for a while", max(lift, push)))
	case math.Abs(net) < 0.6:
		s.add(KeepersWork, -5*ramp(math.Abs(net), 0.6, 0.3)-1, "")
	default:
		// Lifting that the samples were too sparse to show.
		s.add(KeepersWork, -2+1.5*ramp(cadenceMin, 10, 60), "")
	}
	if d.Reversals >= 2 {
		s.add(KeepersWork, 1.5, "the weight went up and down several times")
	}
	if net > 0.6 && d.StepShare > 0.6 {
		s.add(KeepersWork, 3, fmt.Sprintf("%.1f kg was put on at once", net))
	}
	if net < -set.SwarmMaxKg {
		s.add(KeepersWork, 2, fmt.Sprintf("%.1f kg is more than any swarm", -net))
	}
	if c.SunDeg < 0 {
		s.add(KeepersWork, -4*ramp(c.SunDeg, 0, -8), "")
	}
	if c.NeighboursWorked > 0 {
		// A keeper works on a hive in one hour of a hundred, but once there on
		// most hives of the yard: odds rise ninetyfold.
		s.add(KeepersWork, 4.5, fmt.Sprintf("the keeper was at %s of the yard within the hour", hives(c.NeighboursWorked)))
	}
	if c.WorkedNear {
		s.add(KeepersWork, 4, "this hive was worked on just before or after")
	}
	if c.BackShare > 0.6 && d.StepShare > 0.5 {
		s.add(KeepersWork, 3, "what went off at once came back at once")
	}

	// A swarm: a few kilograms leave within minutes on a flying day.
	s.add(SwarmLeft, -6.25+2.5*c.SwarmSeason, "")
	s.add(SwarmLeft, -9*ramp(-net, set.SwarmMinKg, set.SwarmMinKg-0.3)-6*ramp(-net, set.SwarmMaxKg-1, set.SwarmMaxKg+0.5), "")
	if -net >= set.SwarmMinKg && -net <= set.SwarmMaxKg {
		s.add(SwarmLeft, 1, fmt.Sprintf("%.1f kg left within %.0f minutes and has not come back", -net, d.QuietFrom.Sub(d.Before).Minutes()))
	}
	s.add(SwarmLeft, -6*ramp(max(lift, push), 0.25+3*d.NoiseKg, 0.8+3*d.NoiseKg), "")
	s.add(SwarmLeft, -5*ramp(d.QuietFrom.Sub(d.Before).Minutes(), 40+cadenceMin, 100+cadenceMin), "")
	switch {
	case c.SolarHour >= 9.5 && c.SolarHour <= 16:
		s.add(SwarmLeft, 0.5, "it was the middle of the day")
	default:
		s.add(SwarmLeft, -5*max(ramp(c.SolarHour, 9.5, 8), ramp(c.SolarHour, 16, 17.5)), "")
	}
	if outyard.Known(c.OutsideTempC) {
		s.add(SwarmLeft, 0.5*ramp(c.OutsideTempC, 13, 16)-4*ramp(c.OutsideTempC, 13, 10), fmt.Sprintf("it was %.0f °C outside", c.OutsideTempC))
	}
	if c.RainMm > 0.2 {
		s.add(SwarmLeft, -2.5, "")
	}
	if outyard.Known(d.WarmedK) {
		// The nest is 1.5 to 3.5 °C hotter for 10 to 20 minutes as they leave
		// (Zacepins et al. 2016, from memory); a probe beside it shows less.
		sure := ramp(d.WarmedK/d.MovesK, 2.5, 6)
		s.add(SwarmLeft, sure*(2.5+2.5*ramp(d.WarmedK, 0.3, 1.2)), fmt.Sprintf("the brood nest warmed by %.1f °C just before", d.WarmedK))
		if c.BroodProbe && cadenceMin <= 15 {
			s.add(SwarmLeft, -3*(1-sure), "")
		}
	}
	if outyard.Known(d.CooledK) && d.CooledK > 1.5 {
		s.add(SwarmLeft, -1.5, "")
		s.add(KeepersWork, 1, "the hive cooled as if it was opened")
	}
	if cadenceMin <= 6 && d.StepShare > 0.85 {
		// An exodus takes 5 to 20 minutes: five-minute samples see it pass.
		s.add(SwarmLeft, -2, "")
	}
	if d.BaseKg < set.SmallGrossKg {
		s.add(SwarmLeft, -4, "")
	}
	// A lid or a box may lie beside the hive for a while; few lie for hours.
	s.add(SwarmLeft, -2+1.5*ramp(c.Quiet.Minutes(), 5, 20)+1.5*ramp(c.Quiet.Minutes(), 20, 60)+ramp(c.Quiet.Minutes(), 60, 180), "")
	if c.BackShare > 0.6 {
		s.add(SwarmLeft, -8, "")
	}

	// A swarm that lost its queen is back within the hour or so.
	s.add(SwarmCameBack, -12, "")

	// Foragers leave and return by the hundred grams.
	s.add(ForagersOut, 1.5-9*ramp(max(math.Abs(net), lift, push), 0.6, 1.2), "the change is what foragers make")
	if c.SunDeg < 0 {
		s.add(ForagersOut, -4, "")
	}

	// Water comes to every hive of the yard, and to no hive without rain.
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
	s.add(Water, -4*ramp(math.Abs(net), 2, 4), "")

	// Next to nothing left on the scale, and it stays so.
	s.add(Overturned, -3, "")
	if d.AfterKg < 0.2*d.BaseKg {
		s.add(Overturned, 2+3*ramp(c.Quiet.Minutes(), 5, 20)+3*ramp(c.Quiet.Minutes(), 60, 180), "next to nothing is left on the scale")
		if c.SunDeg < -4 {
			s.add(Overturned, 3, "it was night")
		}
	} else {
		s.add(Overturned, -8, "")
	}

	// One wild sample, and all as before. By day and downward it may as well
	// be a lid lifted for a moment; upward nothing but a fault is so quick.
	s.add(Fault, -4, "")
	if alone := d.QuietFrom.Sub(d.Before) <= 2*d.Cadence+time.Minute; alone && math.Abs(net) < 0.3 {
		switch {
		case c.SunDeg < -4:
			s.add(Fault, 8, "one sample stood alone")
		case push > 1.5:
			s.add(Fault, 11, "one sample stood alone, and above the rest")
		}
	}

	s.add(Unexplained, -2, "")

	for _, e := range c.Journal {
		gap := e.Time.Sub(d.Start)
		if gap < -3*time.Hour || gap > 3*time.Hour {
			continue
		}
		switch e.Kind {
		case outyard.SwarmTaken:
			if net < 0 {
				s.add(SwarmLeft, 9, "the journal tells of a swarm taken")
			}
		default:
			s.add(KeepersWork, 12, fmt.Sprintf("the journal says %q", e.Kind))
		}
	}
	return s.verdict()
}

func (s *scales) verdict() Verdict {
	var v Verdict
	top := math.Inf(-1)
	for c, n := range s.nats {
		if n > top {
			top, v.Cause = n, Cause(c)
		}
	}
	sum := 0.0
	for c, n := range s.nats {
		v.P[c] = math.Exp(n - top)
		sum += v.P[c]
	}
	for c := range v.P {
		v.P[c] /= sum
	}
	for _, r := range s.reasons {
		if r.weight[v.Cause] > 0.4 {
			v.Reasons = append(v.Reasons, r.text)
		}
	}
	return v
}

func hives(n int) string {
	if n == 1 {
		return "another hive"
	}
	return fmt.Sprintf("%d other hives", n)
}
