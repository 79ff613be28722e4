package web

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"outyard"
)

// yardToday is a yard of the round.
type yardToday struct {
	Name, URL, Trip string
	Counts          string
	Urgent          bool
	Flow            string
	Carry           load
	Notes           []note
	zone            *time.Location
}

// maxNotes is how many entries the round shows: a note is some 1.5 KiB, and a
// page stays below 150 KiB.
const maxNotes = 60

// swarmIsHistory is how long after a swarm its hive is worth a drive for that
// reason: a cast follows within 7 to 12 days (common practice, no source).
const swarmIsHistory = 14 * 24 * time.Hour

// stale says that a finding, although nobody closed it, asks for nothing any
// more: what left long ago is not to be found on a branch.
func stale(f outyard.Finding, now time.Time) bool {
	return f.Kind == outyard.Swarm && now.Sub(f.Onset) > swarmIsHistory
}

// presses says whether a finding asks for a drive, now or on the next round.
func presses(f outyard.Finding, now time.Time) bool {
	return f.State == outyard.Open && f.Severity.Rank() >= outyard.Soon.Rank() && !stale(f, now)
}

// round is the yards with something to do, the most urgent first, and of
// equals the one with more to do.
func (s *site) round(places []place, open []outyard.Finding, sum map[outyard.YardID]yardSummary, now time.Time) []yardToday {
	byYard := map[outyard.YardID][]outyard.Finding{}
	for _, f := range open {
		byYard[f.Yard] = append(byYard[f.Yard], f)
	}
	type stop struct {
		yardToday
		urgent, all int
	}
	var stops []stop
	for _, p := range places {
		var asks []outyard.Finding
		for _, f := range byYard[p.ID] {
			if presses(f, now) {
				asks = append(asks, f)
			}
		}
		if len(asks) == 0 {
			continue
		}
		y := yardToday{Name: p.name(), URL: yardURL(p.ID), Flow: sum[p.ID].flow, Carry: carry(byYard[p.ID]), zone: p.zone()}
		if p.TripMinutes > 0 {
			y.Trip = fmt.Sprintf("%.0f minutes’ drive", p.TripMinutes)
		}
		y.Notes = s.together(asks, p, now)
		urgent := 0
		for _, n := range y.Notes {
			if n.Severity == outyard.Now {
				urgent++
			}
		}
		y.Urgent, y.Counts = urgent > 0, countsText(urgent, len(y.Notes)-urgent)
		stops = append(stops, stop{y, urgent, len(asks)})
	}
	slices.SortStableFunc(stops, func(a, b stop) int {
		return cmp.Or(cmp.Compare(b.urgent, a.urgent), cmp.Compare(b.all, a.all))
	})
	out := make([]yardToday, 0, len(stops))
	room := maxNotes
	for _, st := range stops {
		y := st.yardToday
		y.Notes = y.Notes[:min(len(y.Notes), room)]
		room -= len(y.Notes)
		out = append(out, y)
	}
	return out
}

func countsText(urgent, soon int) string {
	var parts []string
	if urgent > 0 {
		parts = append(parts, fmt.Sprintf("%d urgent", urgent))
	}
	if soon > 0 {
		parts = append(parts, fmt.Sprintf("%d for the next round", soon))
	}
	return strings.Join(parts, ", ")
}

// headline is the day in one line.
func headline(round []yardToday, newest []outyard.Reading, now time.Time) (head, lead string) {
	heard, hives := 0, 0
	for _, r := range newest {
		if r.Hive != "" {
			hives++
			if now.Sub(r.Time) <= late {
				heard++
			}
		}
	}
	lead = fmt.Sprintf("%d of %s heard from in the last three hours.", heard, count(hives, "hive", "hives"))
	if len(round) == 0 {
		return "Nothing needs you today", lead + " A quiet page is not a healthy colony: the inspections that the season asks for still stand."
	}
	var names []string
	for _, y := range round {
		if y.Urgent {
			names = append(names, y.Name)
		}
	}
	switch {
	case len(names) > 3:
		head = fmt.Sprintf("%d yards want you, %s first", len(names), names[0])
	case len(names) > 0:
		head = "Go to " + listed(names) + " if you can"
	case len(round) == 1:
		head = round[0].Name + " is worth a visit on the next round"
	default:
		head = fmt.Sprintf("Nothing is urgent; %d yards for the next round", len(round))
	}
	return head, lead
}
