package steps

import (
	"math"
	"time"

	"outyard"
	"outyard/analysis/activity"
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
	Robbers
	Overturned // knocked over or carried away
	Fault      // of the scale
	Unexplained
	numCauses
)

var causeNames = [numCauses]string{"the keeper's work", "a swarm", "a swarm that came back",
	"foragers out and back", "rain, dew or snow", "robbers", "a knock or theft", "a fault of the scale", "nothing that is known"}

func (c Cause) String() string { return causeNames[c] }

// Circumstances are what is known around a departure, besides its own path.
type Circumstances struct {
	SolarHour    float64 // true solar time at Start, 0 to 24
	SunDeg       float64 // height of the sun at Start
	SwarmSeason  float64 // how usual swarms are in these weeks: 1 at the height, below 0 when there are none
	OutsideTempC float64 // NaN unknown
	RainMm       float64 // in the two hours about it; NaN unknown
	WindMS       float64 // NaN unknown
	CommonKg     float64 // what the yard's other hives changed by meanwhile, their median without those that departed; NaN unknown
	YardKg       float64 // the same with those, where there are two or more; NaN unknown

	AllAtOnce        bool            // every scale of the yard went to nothing, or came back from it, with this one
	LidKg            float64         // of the lid with its inner cover, which come off first; NaN unknown
	BroodProbe       bool            // the probe hung in the warmth of a brood nest before
	Neighbours       int             // other hives of the yard that were weighed meanwhile
	NeighboursWorked int             // those of them with marks of the keeper's work about then
	NeighbourMarks   float64         // how many of them, each counted as surely as it is the keeper's work by its own path
	NeighbourGap     time.Duration   // pause between this departure and the nearest of theirs
	WorkedNear       bool            // this hive shows such marks just before or after
	BackShare        float64         // how nearly a later departure within hours undid the net change, 1 for just that
	SwarmBefore      bool            // this one undoes an earlier fall that looked like a swarm
	Swarmed          float64         // how likely a swarm left the hive one or two weeks before
	Quiet            time.Duration   // how long ago the new level was reached
	Stood            time.Duration   // how long it stood, up to the next departure
	Busy             activity.Change // how busy the hive is by day since, against its yard
	Journal          []outyard.Entry // what the keeper wrote about these hours
}

// A Verdict says how likely each cause is, and why.
type Verdict struct {
	Cause   Cause // the likeliest
	P       [numCauses]float64
	Reasons []string // for the likeliest cause and against others, the weightiest first
	// BlindNats is what was put in the scales for a swarm because no probe in
	// the hive could speak for or against it, of [Settings.NoProbeNats].
	BlindNats float64
	// AllAtOnce is [Circumstances.AllAtOnce].
	AllAtOnce bool
	// DaysAfter says that how busy the hive is since was weighed as well.
	DaysAfter bool
}

// Swarm says whether it is to be told as a swarm, or still is one when the days
// after it were looked at.
func (v Verdict) Swarm(set Settings) bool {
	if v.DaysAfter {
		return v.P[SwarmLeft] >= set.KeepSwarmAt
	}
	return v.P[SwarmLeft] >= set.TellSwarmAt
}

// sober is how likely a swarm is without what was put in the scales for safety's
// sake. On the tuning seeds at 10 to 60 minutes, where the keeper's work without
// a lift is as usual as swarms, fewer were true (of 29 said at a half, 13); on
// seasons of another make, where there was less of it, nearly all: what is said
// lies between.
func (v Verdict) sober() float64 {
	p := v.P[SwarmLeft]
	return 1 / (1 + (1-p)/p*math.Exp(v.BlindNats))
}

// Faint is the verdict on a mark that means the keeper's work only because the
// keeper was at other hives just then.
func Faint(p float64) Verdict {
	v := Verdict{Cause: KeepersWork, Reasons: []string{"the keeper was at other hives of the yard within the hour"}}
	v.P[KeepersWork], v.P[Unexplained] = p, 1-p
	return v
}

// scales collects evidence in nats: natural logarithms of likelihood ratios.
type scales struct {
	d   *Departure
	c   Circumstances
	set Settings

	netKg, liftKg, pushKg, cadenceMin float64
	blindNats                         float64 // see [Verdict.BlindNats]
	daysAfter                         bool    // see [Verdict.DaysAfter]

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

// MayBeSwarm says that a departure took about what a swarm takes, so that what
// comes later is worth asking.
func MayBeSwarm(d *Departure, set Settings) bool {
	net := -d.NetKg()
	return d.Settled && net > 0.6*set.SwarmMinKg && net < set.SwarmMaxKg
}

// CleanFall says that a departure is a fall as a swarm makes it: of its weight,
// quick, and with nothing lifted off or pressed on.
func CleanFall(d *Departure, set Settings) bool {
	least := set.MinStepKg + set.NoiseFactor*d.NoiseKg
	return MayBeSwarm(d, set) && max(d.LiftKg(), d.PushKg()) < least && d.QuietFrom.Sub(d.Before) < 40*time.Minute+d.Cadence
}

// Explain weighs the causes of a departure against each other. The odds are
// judgement set on simulated seasons: what speaks for a cause and how much is
// written beside each line.
func Explain(d *Departure, c Circumstances, set Settings) Verdict {
	s := newScales(d, c, set)
	for _, w := range weighings {
		w.do(&s)
	}
	v := s.verdict()
	v.BlindNats, v.DaysAfter, v.AllAtOnce = s.blindNats, s.daysAfter, c.AllAtOnce
	return v
}

func newScales(d *Departure, c Circumstances, set Settings) scales {
	return scales{d: d, c: c, set: set, netKg: d.NetKg(), liftKg: max(0, d.LiftKg()), pushKg: max(0, d.PushKg()),
		cadenceMin: d.Cadence.Minutes()}
}

// weighings are what is weighed, one after the other.
var weighings = []struct {
	name string
	do   func(*scales)
}{
	{"work", (*scales).weighWork},
	{"swarm", (*scales).weighSwarm},
	{"return", (*scales).weighReturn},
	{"warmth", (*scales).weighTemperature},
	{"aftermath", (*scales).weighAftermath},
	{"foragers", (*scales).weighForagers},
	{"water", (*scales).weighWater},
	{"robbers", (*scales).weighRobbers},
	{"overturned", (*scales).weighOverturned},
	{"fault", (*scales).weighFault},
	{"unexplained", func(s *scales) { s.add(Unexplained, -2, "") }},
	{"journal", (*scales).weighJournal},
	{"blind", (*scales).weighBlindly},
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
