package robbing

import (
	"fmt"
	"math"
	"time"

	"outyard"
)

// Findings says what the days so far mean, by hive and onset.
func (w *Watch) Findings() []outyard.Finding {
	var out []outyard.Finding
	for _, s := range w.order {
		for _, l := range s.spell {
			out = append(out, w.finding(s, l))
		}
	}
	return out
}

// mateGainKg is the gain of another hive from which it is worth naming.
const mateGainKg = 0.3

func (w *Watch) finding(s *state, l spell) outyard.Finding {
	total, mates, worst := 0.0, outyard.Unknown, 0.0
	for _, x := range l.losses {
		total += x.kg
		worst = max(worst, x.kg)
		if outyard.Known(x.mateKg) {
			mates = orElse(mates, 0) + max(x.mateKg, 0)
		}
	}
	days := l.losses[len(l.losses)-1].date.Sub(l.losses[0].date) + 1
	perDay := total / float64(len(l.losses))
	f := outyard.Finding{
		Kind: outyard.Robbing, Yard: w.yard.ID, Hive: s.hive, Onset: l.losses[0].from.UTC(),
		Severity: outyard.Soon, State: outyard.Open, Confidence: math.Round(100*min(l.p, surest)) / 100,
		Facts: map[string]any{
			"loss_kg_per_day": round(perDay, 2), "lost_kg": round(total, 2), "worst_day_kg": round(worst, 2),
			"days": float64(days), "neighbour_gain_kg": round(mates, 2), "neighbours": float64(max(0, l.mates)),
		},
		Advice: []string{
			"Narrow the entrance to a bee or two at once, and lean a board or hang a wet cloth before it; close every other gap.",
			"Do not open the hive by day, and do not feed: look at dusk whether fighting goes on, and at stores and queen a few days later.",
			"Narrow the entrances of the yard's weak hives, too.",
		},
		Caution: []string{
			"Robbed colonies sting: full veil, gloves, closed boots, and the smoker lit before you go near; keep others away.",
			"Spill no syrup and leave no comb or honey open in the yard: it feeds robbing, and honey from elsewhere can carry foulbrood.",
			"The scale cannot tell why a colony is robbed: it may be weak, queenless or ill. On suspicion of foulbrood close it, move nothing, and call the bee inspector.",
		},
	}
	if worst >= w.set.PressingKg || total >= 2*w.set.PressingKg {
		f.Severity = outyard.Now
	}
	clock := func(t time.Time) string { return t.In(zoneOf(w.yard)).Format("15:04") }
	first, last := l.losses[0], l.losses[len(l.losses)-1]
	when := fmt.Sprintf("%.1f kg went from about %s to %s on %s", total, clock(first.from), clock(first.till), day(first.date))
	if len(l.losses) > 1 {
		when = fmt.Sprintf("%.1f kg went by daylight on %d days from %s to %s", total, len(l.losses), day(first.date), day(last.date))
	}
	sure := "probably"
	if l.p < 0.7 {
		sure = "perhaps"
	}
	gone, meanwhile := "not back at dusk", "no nectar comes in"
	if l.soFar {
		gone = "more than foragers weigh"
	}
	if mates >= mateGainKg {
		meanwhile = fmt.Sprintf("another hive of the yard gained %.1f kg", mates)
	}
	f.Summary = fmt.Sprintf("%s, hour by hour and %s, while %s: %s robbers.", when, gone, meanwhile, sure)
	if !l.over.IsZero() {
		f.State, f.End = outyard.Over, l.over.UTC()
		f.Advice = []string{"See what stores and bees are left, and whether there is a queen; unite or feed, in the evening, entrances narrow."}
	}
	return f
}

// surest is the most that is said: odds by judgement are never sure.
const surest = 0.97

func day(d outyard.Date) string { return d.Start(time.UTC).Format("2 January") }

func zoneOf(y outyard.Yard) *time.Location {
	if y.Zone == nil {
		return time.UTC
	}
	return y.Zone
}

func round(x float64, digits int) float64 {
	f := math.Pow(10, float64(digits))
	return math.Round(x*f) / f
}
