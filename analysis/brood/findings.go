package brood

import (
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
)

var (
	nestAdvice = []string{
		"On a mild day look for eggs: with eggs there is a queen. Without eggs or young brood give the hive a frame of eggs from another: if queen cells are drawn within a week, it has none.",
		"A swarm that nobody saw leaves such a pause too: three to four weeks later there should be eggs again.",
		"Look for stores within reach of the nest, and whether the bees still cover it.",
	}
	emptyAdvice = []string{
		"Knock on the box and listen; look under the lid when it is mild. If the colony is dead, close the entrance so that nobody robs it.",
		"Before combs go to other bees find out why it died: an inspector of bees helps, and some diseases must be reported.",
	}
	movedAdvice = "If the probe was put elsewhere, put it back between the middle combs, or let this rest."
	// The program's safety notes on opening hives, stings, dead colonies and disease.
	coldCaution    = "Do not open the brood nest below some 14 °C or in rain: chilled brood dies."
	stingCaution   = "Stings: veil and gloves, and the smoker lit before opening; trouble breathing, swelling of the face or faintness is an emergency."
	deadCaution    = "A dead colony's droppings, mould and mouse nests raise dust that harms lungs: outdoors and upwind, wetted, with gloves and a fitted particle mask (FFP2 or better). Feed none of its honey to bees until disease is excluded."
	diseaseCaution = "Foul brood and other notifiable diseases are matters for the bee inspector: move no combs, hives or tools from a colony that looks ill."
)

// Findings returns every hive that cooled so far.
func (w *Watch) Findings() []outyard.Finding {
	var found []outyard.Finding
	for _, h := range w.hives {
		for _, s := range h.spells {
			if s.told {
				found = append(found, w.finding(h, s))
			}
		}
	}
	slices.SortStableFunc(found, func(a, b outyard.Finding) int { return a.Onset.Compare(b.Onset) })
	return found
}

func (w *Watch) finding(h *hive, s *spell) outyard.Finding {
	f := outyard.Finding{
		Kind: outyard.BroodCold, Yard: w.yard.ID, Hive: h.id, Onset: s.onset.Start(w.yard.Zone).UTC(),
		Severity: outyard.Soon, Confidence: s.confidence(), State: outyard.Open,
		Advice: slices.Clone(nestAdvice), Caution: []string{coldCaution, stingCaution, diseaseCaution},
	}
	name := string(h.id)
	if c, ok := w.yard.Hive(h.id); ok && c.Name != "" {
		name = c.Name
	}
	since := "since " + dayMonth(s.onset)
	if s.over {
		f.State, f.End = outyard.Over, s.end.Start(w.yard.Zone).UTC()
		since = fmt.Sprintf("from %s to %s", dayMonth(s.onset), dayMonth(s.end))
	}
	if s.state == Empty {
		f.Advice = slices.Clone(emptyAdvice)
		f.Caution = append(f.Caution, deadCaution)
		against := ""
		switch {
		case outyard.Known(s.now.OutsideC):
			against = fmt.Sprintf(", %.0f K above the air outside, and follows it", s.now.InsideC-s.now.OutsideC)
		case outyard.Known(s.besideK):
			against = fmt.Sprintf(", %.0f K colder than in the yard's other hives", -s.besideK)
		}
		f.Summary = fmt.Sprintf("No bees seem to warm %s %s: at the probe it is %.0f °C%s; it was %.0f °C before.", name, since, s.now.InsideC, against, s.was.InsideC)
	} else {
		f.Summary = fmt.Sprintf("The brood nest of %s has cooled %s: from %.0f °C to %.0f °C at the probe, at a time of year when there should be brood.",
			name, since, s.was.InsideC, s.now.InsideC)
	}
	reasons := []string{fmt.Sprintf("%.1f °C over the last day, %.1f °C before", s.now.InsideC, s.was.InsideC)}
	if outyard.Known(s.now.Coupling) {
		reasons = append(reasons, fmt.Sprintf("a kelvin outside moves the probe by %.1f K, %s", s.now.Coupling, followsAs(s.now.Coupling)))
	}
	if s.peers > 0 {
		reasons = append(reasons, fmt.Sprintf("%d other nests of the yard stayed warm", s.peers))
	}
	if s.afterSwarm && s.state != Empty {
		reasons = append(reasons, fmt.Sprintf("it swarmed, and %d days later there is still no brood: the young queen may be lost", w.set.BreakDays))
	}
	if w.pauses(s) {
		// Waiting costs little: the stopgap against queenlessness, eggs from
		// another hive, is of use for weeks, and a look too soon finds none.
		f.Severity, f.Confidence = outyard.Note, min(f.Confidence, pauseConfidence)
		reasons = append(reasons, fmt.Sprintf("it is the time of swarms: it may be the pause after one that was not noticed, and becomes urgent when it lasts more than %d days", w.set.PauseDays))
	}
	if s.moved {
		f.Severity = outyard.Note
		f.Summary += " It fell within hours of your work on the hive: the sensor may have been moved."
		f.Advice = append([]string{movedAdvice}, f.Advice...)
		reasons = append(reasons, "it fell within hours of work on the hive: less sure")
	}
	if !outyard.Known(s.now.OutsideC) {
		reasons = append(reasons, "no weather node: less sure")
	}
	if s.byFall {
		reasons = append(reasons, "how far it fell tells it, for want of the air outside: a cluster that moved off the probe looks so, too")
	}
	f.Facts = map[string]any{"state": string(s.state), "was": string(Nest), "reasons": reasons, "moved": s.moved}
	if s.was.Warmth < w.set.NestWarmth {
		f.Facts["was"] = string(Cluster)
	}
	for name, v := range map[string]float64{"brood_temp_c": s.now.InsideC, "before_temp_c": s.was.InsideC, "outside_temp_c": s.now.OutsideC, "coupling": s.now.Coupling} {
		if outyard.Known(v) {
			f.Facts[name] = math.Round(10*v) / 10
		}
	}
	return f
}

// followsAs says what such a coupling is like.
func followsAs(coupling float64) string {
	switch {
	case coupling < 0.25:
		return "as in a brood nest"
	case coupling < 0.65:
		return "as with a cluster"
	}
	return "as in an empty box"
}

// pauseConfidence is the most that is claimed of a nest that may only pause:
// swarms that nobody notices are about as frequent as queens that fail (common
// practice, no source).
const pauseConfidence = 0.6

// fallConfidence is the most that is claimed of a hive that fell to the cold where
// no weather is known: the cluster may have moved off the probe.
const fallConfidence = 0.6

func (s *spell) confidence() float64 {
	p := 0.8
	switch {
	case s.state == Empty:
		p = 0.88
	case s.peers >= 2:
		p = 0.88
	case s.peers == 0:
		p = 0.7
	}
	if !outyard.Known(s.now.OutsideC) {
		p -= 0.15
	}
	if s.byFall {
		p = fallConfidence
	}
	if s.moved {
		p = 0.35
	}
	return math.Round(100*p) / 100
}

func dayMonth(d outyard.Date) string {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC).Format("2 January")
}
