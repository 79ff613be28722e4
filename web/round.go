package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"outyard"
	"outyard/analysis/round"
)

// yardToday is a yard of the round.
type yardToday struct {
	Name, URL, Trip string
	Counts          string
	Urgent          bool
	Flow            string
	Notes           []note
	zone            *time.Location
}

// A load is what the round, or one yard, says should be in the car, and what
// to take care of with it.
type load struct{ Things, Care []string }

// maxNotes is how many entries the round shows: a note is some 1.5 KiB, and a
// page stays below 150 KiB.
const maxNotes = 20

// maxStops is how many yards it shows: nobody drives to more in a day.
const maxStops = 20

// yardsOf are the places as the round wants them.
func yardsOf(places []place) []outyard.Yard {
	out := make([]outyard.Yard, len(places))
	for i, p := range places {
		out[i] = p.Yard
	}
	return out
}

// stops puts the round's yards into words.
func (s *site) stops(r round.Round, places []place, sum map[outyard.YardID]yardSummary, now time.Time) []yardToday {
	out := make([]yardToday, 0, len(r.Stops))
	room := maxNotes
	for i, st := range r.Stops[:min(len(r.Stops), maxStops)] {
		p := placeOf(places, st.Yard.ID)
		y := yardToday{Name: p.name(), URL: yardURL(p.ID), Urgent: st.Urgent, Flow: sum[p.ID].flow, zone: p.zone(), Trip: st.Drive()}
		if i > 0 && y.Trip != "" {
			y.Trip += " on from " + r.Stops[i-1].Name()
		}
		var asks []outyard.Finding
		for _, why := range st.Reasons {
			asks = append(asks, why.Finding)
		}
		y.Notes = s.together(asks, p, now)
		urgent := 0
		for _, n := range y.Notes {
			if n.Severity == outyard.Now {
				urgent++
			}
		}
		y.Counts = countsText(urgent, len(y.Notes)-urgent)
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

// leadOf says below the headline how much of what there is has been heard from.
func leadOf(r round.Round, newest []outyard.Reading, now time.Time) string {
	heard, hives := 0, 0
	for _, rd := range newest {
		if rd.Hive != "" {
			hives++
			if now.Sub(rd.Time) <= late {
				heard++
			}
		}
	}
	lead := fmt.Sprintf("%d of %s heard from in the last three hours.", heard, count(hives, "hive", "hives"))
	if len(r.Stops) == 0 {
		lead += " A quiet page is not a healthy colony: the inspections that the season asks for still stand."
	}
	return lead
}

// apiRound answers with today's round.
func (s *site) apiRound(_ http.ResponseWriter, r *http.Request) (any, error) {
	open, err := s.allFindings(r.Context(), Query{State: outyard.Open})
	if err != nil {
		return nil, err
	}
	places, err := s.known(r.Context())
	if err != nil {
		return nil, err
	}
	return round.Plan(yardsOf(places), open, s.Now()), nil
}

// notStale leaves out what asks for nothing any more.
func notStale(found []outyard.Finding, now time.Time) []outyard.Finding {
	return slices.DeleteFunc(slices.Clone(found), func(f outyard.Finding) bool { return round.Stale(f, now) })
}
