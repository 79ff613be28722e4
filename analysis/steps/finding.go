package steps

import (
	"fmt"
	"math"
	"time"

	"outyard"
)

// Findings says what a hive's settled course of events means: one handling for
// each visit, a swarm or an overturned hive for each of those. The events are
// in order of time; yard and hive are filled in by the caller, and clock times
// in sentences are the zone's.
func Findings(events []Event, zone *time.Location, set Settings) []outyard.Finding {
	var found []outyard.Finding
	for i := 0; i < len(events); {
		n := visit(events[i:], set)
		if n > 0 {
			found = append(found, handling(events[i:i+n], zone))
			i += n
			continue
		}
		e := events[i]
		switch p := e.Verdict.P; {
		case e.Verdict.Swarm(set):
			found = append(found, swarm(e, zone, set))
		case p[SwarmCameBack] >= 0.5 && e.Settled && e.cameBackFirst():
			found = append(found, cameBack(e, zone))
		case p[Overturned] >= 0.5:
			found = append(found, overturned(e, zone))
		case e.Verdict.AllAtOnce && e.Verdict.Cause == Fault && e.NetKg() < 0:
			found = append(found, unweighed(e))
		}
		i++
	}
	return found
}

// An Event is a departure and what it is taken for.
type Event struct {
	*Departure
	Verdict Verdict
}

// visit is how many events from the first on belong to one visit of the
// keeper: 0 when the first is no such work.
func visit(events []Event, set Settings) int {
	n := 0
	for i, e := range events {
		if i > 0 && (e.Before.Sub(events[n-1].End) > set.SameVisit) {
			break
		}
		switch {
		case !e.Settled || e.Verdict.Swarm(set) || e.Verdict.Cause == SwarmCameBack || e.Verdict.Cause == Overturned:
			return n
		case e.Verdict.Cause == KeepersWork:
			n = i + 1
		case i == 0:
			return 0
		}
	}
	return n
}

func handling(events []Event, zone *time.Location) outyard.Finding {
	first, last := events[0], events[len(events)-1]
	net, lift, confidence := 0.0, 0.0, 0.0
	var reasons []string
	for _, e := range events {
		net += e.NetKg()
		lift = max(lift, e.LiftKg(), e.PushKg())
		if p := e.Verdict.P[KeepersWork]; p > confidence {
			confidence, reasons = p, e.Verdict.Reasons
		}
	}
	what := fmt.Sprintf("and left it %.1f kg heavier", net)
	switch {
	case math.Abs(net) < 0.25:
		what = "and left its weight as it was"
	case net < 0:
		what = fmt.Sprintf("and left it %.1f kg lighter", -net)
	}
	onset := first.Onset()
	when := fmt.Sprintf("from about %s to %s", onset.In(zone).Format("15:04"), last.End.In(zone).Format("15:04"))
	if first.Start.Sub(first.Before) >= Silence {
		// Any time of it will do; the middle is as wrong as any other.
		onset = first.Before
		when = fmt.Sprintf("at some time from %s to %s, when nothing was heard of it,",
			onset.In(zone).Format("2 January 15:04"), last.End.In(zone).Format("2 January 15:04"))
	}
	return outyard.Finding{
		Kind:       outyard.Handling,
		Onset:      onset,
		End:        last.End,
		Severity:   outyard.Note,
		Confidence: confident(confidence),
		Summary:    fmt.Sprintf("Somebody worked on the hive %s %s.", when, what),
		Facts: map[string]any{
			"change_kg": round(net, 3), "lifted_kg": round(lift, 2),
			"minutes": round(last.End.Sub(first.Before).Minutes(), 0), "reasons": reasons,
		},
		State: outyard.Over,
	}
}

func swarm(e Event, zone *time.Location, set Settings) outyard.Finding {
	p, sure := e.Verdict.sober(), "probably"
	if p < 0.5 {
		sure = "perhaps"
	}
	took := max(e.QuietFrom.Sub(e.Before), e.Cadence)
	return outyard.Finding{
		Kind:       outyard.Swarm,
		Onset:      e.Onset(),
		Severity:   outyard.Now,
		Confidence: confident(p),
		Summary: fmt.Sprintf("%.1f kg left the hive within %.0f minutes at about %s and has not come back: %s a swarm.",
			-e.NetKg(), took.Minutes(), e.Onset().In(zone).Format("15:04"), sure),
		Advice: []string{
			"Telephone first, if anybody may be at the yard: it may be somebody's work on the hive.",
			"A swarm mostly hangs within sight of its hive for an hour or two: look at branches, posts and hedges around.",
			"Carry a box with frames, a sheet, a veil and a strap.",
			"Say in the journal what you found; look for queen cells within the week, for a second swarm may follow after 7 to 12 days.",
		},
		Caution: []string{
			"No ladder alone, none on soft ground or in wind, never near power lines: a swarm above safe reach is left or given to a trained collector.",
			"Ask the owner of the land. Full veil and gloves; who is allergic to stings does not go alone.",
		},
		Facts: map[string]any{
			"change_kg": round(e.NetKg(), 3), "minutes": round(took.Minutes(), 0),
			"warmed_k": round(e.WarmedK, 1), "reasons": e.Verdict.Reasons,
		},
		State: outyard.Open,
	}
}

// cameBackFirst says that the bees left with this departure, and did not only
// come back with it.
func (e Event) cameBackFirst() bool { return e.NetKg() < 0 || e.LiftKg() > e.NetKg() }

func cameBack(e Event, zone *time.Location) outyard.Finding {
	kg := max(e.LiftKg(), -e.NetKg())
	return outyard.Finding{
		Kind:       outyard.Swarm,
		Onset:      e.Onset(),
		End:        e.End,
		Severity:   outyard.Soon,
		Confidence: confident(e.Verdict.P[SwarmCameBack]),
		Summary: fmt.Sprintf("%.1f kg left the hive at about %s and came back: probably a swarm whose queen did not follow.",
			kg, e.Onset().In(zone).Format("15:04")),
		Advice: []string{
			"It mostly tries again on one of the next fine days: look for queen cells, and split the colony or give it room.",
		},
		Facts: map[string]any{
			"left_kg": round(kg, 3), "change_kg": round(e.NetKg(), 3), "warmed_k": round(e.WarmedK, 1), "reasons": e.Verdict.Reasons,
		},
		State: outyard.Over,
	}
}

func overturned(e Event, zone *time.Location) outyard.Finding {
	fell := e.Fell // gusts may have shaken it for an hour before
	if fell.IsZero() {
		fell = e.Onset() // nobody saw it fall
	}
	return outyard.Finding{
		Kind:       outyard.KnockedOver,
		Onset:      fell,
		Severity:   outyard.Now,
		Confidence: confident(e.Verdict.P[Overturned]),
		Summary: fmt.Sprintf("The scale fell from %.1f to %.1f kg at about %s and stays there: the hive may be knocked over or gone.",
			e.BaseKg, e.AfterKg, fell.In(zone).Format("15:04")),
		Advice: []string{
			"Telephone anybody near the yard first: a hive taken off its scale looks the same.",
			"Carry a strap, a spare lid and floor, a veil and a lit smoker's makings; set the boxes up again in their order.",
		},
		Caution: []string{
			"A hive on its side stings: full veil, gloves, boots; keep others away. Boxes are heavy: two people or frame by frame.",
			"Let a storm pass before you drive.",
		},
		Facts: map[string]any{
			"change_kg": round(e.NetKg(), 3), "before_kg": round(e.BaseKg, 2), "after_kg": round(e.AfterKg, 2),
			"reasons": e.Verdict.Reasons,
		},
		State: outyard.Open,
	}
}

// NoWeight is the fault of a scale that fell to nothing with all others of its
// yard, as [unweighed] says it in its facts.
const NoWeight = "no-weight"

// unweighed is a hive's part in what befell every scale of its yard: whoever
// knows the yard makes one of them all.
func unweighed(e Event) outyard.Finding {
	return outyard.Finding{
		Kind: outyard.SensorFault, Onset: e.Fell, Severity: outyard.Now, Confidence: 0.8, State: outyard.Open,
		Facts: map[string]any{
			"quantity": outyard.Weight.Info().Name, "fault": NoWeight,
			"before_kg": round(e.BaseKg, 2), "after_kg": round(e.AfterKg, 2), "reasons": e.Verdict.Reasons,
		},
	}
}

// confident brings a probability to what is said: odds set by judgement are
// never sure.
func confident(p float64) float64 { return round(min(0.97, p), 2) }

func round(x float64, digits int) float64 {
	f := math.Pow(10, float64(digits))
	return math.Round(x*f) / f
}
