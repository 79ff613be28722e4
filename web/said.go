package web

import (
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/air"
)

// mostMarksSaid are how many marks a chart tells one by one.
const mostMarksSaid = 6

// marksSaid says in words what the marks on a chart are: what was found, each
// with the letter of its mark, and what stands in the journal. Many are told by
// their kinds.
func marksSaid(found []outyard.Finding, entries []outyard.Entry, zone *time.Location) string {
	day := func(t time.Time) string { return t.In(zone).Format("2 Jan") }
	found = slices.DeleteFunc(slices.Clone(found), func(f outyard.Finding) bool { return f.State == outyard.Withdrawn })
	slices.SortStableFunc(found, func(a, b outyard.Finding) int { return a.Onset.Compare(b.Onset) })
	var marked []string
	if len(found) > mostMarksSaid {
		times := map[outyard.Kind]int{}
		var kinds []outyard.Kind
		for _, f := range found {
			if times[f.Kind]++; times[f.Kind] == 1 {
				kinds = append(kinds, f.Kind)
			}
		}
		for _, k := range kinds {
			say := letterOf(k) + " " + k.Happened()
			if times[k] > 1 {
				say += fmt.Sprintf(" (%d times)", times[k])
			}
			marked = append(marked, say)
		}
	} else {
		for _, f := range found {
			days := day(f.Onset)
			if !f.End.IsZero() && day(f.End) != days {
				days += " to " + day(f.End)
			}
			marked = append(marked, letterOf(f.Kind)+" "+f.Kind.Happened()+" ("+days+")")
		}
	}
	said := ""
	if len(marked) > 0 {
		said = "Marked: " + listed(marked) + "."
	}
	var written []string
	for _, e := range entries {
		written = append(written, entryTexts[e.Kind]+" ("+day(e.Time)+")")
	}
	if len(entries) > mostMarksSaid {
		written = []string{fmt.Sprintf("%d entries, in the list below", len(entries))}
	}
	if len(written) > 0 {
		if said != "" {
			said += " "
		}
		said += "In the journal, J: " + listed(written) + "."
	}
	return said
}

// broodWords help to read a hive's warmth: brood.NestC has the source.
const broodWords = "Among brood it is 33 to 36 °C night and day; beside the bees, or without any, the inside goes with the outside."

// vapourWords help to read pascals.
var vapourWords = fmt.Sprintf("Pa, pascals, say how much water the air carries: air of 10 °C can hold %s Pa, air of 34 °C %s.",
	number(roundTo(air.SaturationPa(10), 100), 0), number(roundTo(air.SaturationPa(34), 100), 0))

func roundTo(v, step float64) float64 { return math.Round(v/step) * step }

// wallWords say how humid a hive's walls were; "" where that is not known.
func wallWords(days []outyard.Day) string {
	first, last, most, known, wet, nest := outyard.Unknown, outyard.Unknown, 0.0, 0, 0, false
	for _, d := range days {
		if !outyard.Known(d.WallRHPct) {
			continue
		}
		if known++; known == 1 {
			first = d.WallRHPct
		}
		last, most = d.WallRHPct, max(most, d.WallRHPct)
		if d.WallRHPct > air.MouldLimitRHPct {
			wet++
		}
		nest = nest || d.BroodTempC >= nestAirC
	}
	if known == 0 {
		return ""
	}
	text := fmt.Sprintf("On the wall’s inner surface, reckoned from the air at the probe: %s %% on the first day, %s on the last, %s at most; above %d %%, where mould can grow, on %d of %s.",
		number(first, 0), number(last, 0), number(most, 0), air.MouldLimitRHPct, wet, count(known, "day", "days"))
	if nest {
		text += " Air from among brood hardly comes to the wall, which is drier on those days than reckoned."
	}
	return text
}

// nestAirC is from where on the air at a probe is that of the brood nest.
var nestAirC = air.DefaultSettings().NestAirC
