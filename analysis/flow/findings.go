package flow

import (
	"fmt"
	"math"
	"time"

	"outyard"
)

const (
	// Below this gain a flow feeds the brood and fills no super (class limit
	// of common practice, no source).
	supersFromKg = 0.6
	// For so many days the end of a flow is news.
	endNewsDays = 10
	// The super that carrying is reckoned in, and a full one's weight, which
	// is more than one person should lift (23 kg in the best posture, the load
	// constant of NIOSH).
	superPart = outyard.Part("medium-10")
)

// Findings says what the days so far mean, in order of onset: for each flow
// that it began, and for each that is over that it ended.
func (w *Watch) Findings() []outyard.Finding {
	var out []outyard.Finding
	for i, f := range w.flows {
		out = append(out, w.started(f))
		if !f.Over() || f.Lost {
			continue
		}
		if i+1 < len(w.flows) && w.flows[i+1].Start == f.End.Add(1) {
			continue // a stronger one has taken over: nectar goes on coming in
		}
		until := f.End.Add(1 + endNewsDays)
		if i+1 < len(w.flows) {
			until = minDate(until, w.flows[i+1].Start)
		}
		out = append(out, w.ended(f, until))
	}
	return out
}

func (w *Watch) started(f Flow) outyard.Finding {
	g := outyard.Finding{
		Kind: outyard.FlowStart, Yard: w.yard.ID, Onset: w.instant(f.Start), Severity: outyard.Soon,
		Confidence: confidence(f.Confidence, f), State: outyard.Open, Facts: w.facts(f),
	}
	who := "the one hive that can be heard"
	if f.Hives > 1 {
		who = fmt.Sprintf("the average of %d hives", f.Hives)
	}
	rate := fmt.Sprintf("%.1f kg a day", f.KgPerDay)
	if outyard.Known(f.KgPerDayLow) {
		rate += fmt.Sprintf(" (%.1f to %.1f)", f.KgPerDayLow, f.KgPerDayHigh)
	}
	switch {
	case !f.Over():
		g.Summary = fmt.Sprintf("Nectar has been coming in since about %s: %s gains %s.", day(f.Start), who, rate)
		g.Advice = []string{"See how much room is left in each hive, the strongest first."}
		if f.KgPerDay >= supersFromKg {
			super, _ := superPart.Info()
			g.Advice = append(g.Advice, fmt.Sprintf("Carry supers and put them on: at this rate a medium box of ten frames, which holds some %.0f kg, is full in about %.0f days.",
				super.HoneyKg, math.Ceil(super.HoneyKg/f.KgPerDay)))
		} else {
			g.Advice = append(g.Advice, "It is a weak flow, enough for the brood: a super is due only where bees cover nearly all combs.")
		}
		g.Caution = []string{
			"Leave off feeding: sugar given now ends up in the honey.",
			"A full medium box weighs some 24 kg, a full deep one some 36 kg: lift with two, or comb by comb.",
		}
	case f.Lost:
		g.State, g.End = outyard.Over, w.instant(f.End.Add(1))
		why, advice := "readings ceased", "See why the yard's scales are silent."
		if f.Full {
			why, advice = "the hives were full", "Give room: full hives gain nothing, flow or none."
		}
		g.Summary = fmt.Sprintf("Nectar came in from about %s until %s after %s: %s gained %s. Whether it still comes in is not known.", day(f.Start), why, day(f.End), who, rate)
		g.Advice = []string{advice}
	default:
		g.State, g.End = outyard.Over, w.instant(f.End.Add(1))
		g.Summary = fmt.Sprintf("Nectar came in from about %s to %s: %s gained %s, %.0f kg in all.", day(f.Start), day(f.End), who, rate, f.TotalKg)
	}
	return g
}

func (w *Watch) ended(f Flow, until outyard.Date) outyard.Finding {
	g := outyard.Finding{
		Kind: outyard.FlowEnd, Yard: w.yard.ID, Onset: w.instant(f.End.Add(1)), Severity: outyard.Note,
		Confidence: confidence(min(f.Confidence, f.EndConfidence), f), State: outyard.Open, Facts: w.facts(f),
		Summary: fmt.Sprintf("No more nectar since about %s: the flow lasted %d days and brought the average hive %.1f kg a day, %.0f kg in all.",
			day(f.End.Add(1)), f.End.Sub(f.Start)+1, f.KgPerDay, f.TotalKg),
		Advice: []string{
			"Let the last nectar ripen before honey is taken: test it with a refractometer (20 % water at most, CXS 12-1981; under 18.6 % keeps better).",
			"Narrow the entrances of weak hives: robbing begins where a flow ends.",
		},
		Caution: []string{
			"Leave no comb or honey open in the yard.",
			"A full medium box weighs some 24 kg, a full deep one some 36 kg: lift with two, or comb by comb.",
		},
	}
	if until.Sub(w.last) <= 1 {
		g.State, g.End = outyard.Over, w.instant(until)
	}
	return g
}

func (w *Watch) facts(f Flow) map[string]any {
	facts := map[string]any{
		"kg_per_day": grams(f.KgPerDay), "kg_per_day_low": grams(f.KgPerDayLow), "kg_per_day_high": grams(f.KgPerDayHigh),
		"best_day_kg": grams(f.BestKg), "total_kg": grams(f.TotalKg), "days_seen": float64(f.Days), "hives": float64(f.Hives),
		"onset_low": f.StartLow.String(), "onset_high": f.StartHigh.String(),
	}
	if f.Over() {
		facts["end_low"], facts["end_high"] = f.EndLow.String(), f.EndHigh.String()
	}
	return facts
}

// confidence turns the model's chance into how often such findings are true on
// invented seasons: the model knows of fewer ways to be wrong than there are.
// One hive alone may have been fed, robbed or moved without anybody saying so,
// and a weak flow may be the trickle that a mild May has without one.
func confidence(chance float64, f Flow) float64 {
	most := 0.95
	switch f.Hives {
	case 0, 1:
		most = 0.8
	case 2:
		most = 0.9
	}
	const weakKg, weakest, plainKg = 0.2, 0.6, 0.45
	if share := (f.KgPerDay - weakKg) / (plainKg - weakKg); share < 1 {
		most *= weakest + (1-weakest)*max(share, 0)
	}
	return math.Round(100*min(max(chance, 0), 1)*most) / 100
}

func (w *Watch) instant(d outyard.Date) time.Time {
	zone := w.yard.Zone
	if zone == nil {
		zone = time.UTC
	}
	return d.Start(zone).UTC()
}

// grams keeps of a weight in kg what may mean something.
func grams(kg float64) float64 { return math.Round(kg*1000) / 1000 }

func day(d outyard.Date) string { return d.Start(time.UTC).Format("2 January") }
