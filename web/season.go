package web

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"outyard"
)

// A report is a yard's season on paper.
type report struct {
	Name, URL, Year string
	Where           string
	Until           string
	Earlier, Later  string
	Facts           []fact
	Flows           []note
	Hives           []reportHive
	Gain            *picture
	Found           []reportLine
	Entries         []entryRow
	Partial         string
	None            bool
}

type reportHive struct {
	Name, URL                              string
	Gain, Best, Taken, Fed, Swarms, Stores string
	Mould, Known                           string
	gainKg                                 float64
}

type reportLine struct{ When, ISO, What, Hive, Say string }

// mostReportLines keeps a report to a few sheets, and mostReportHives its
// table.
const mostReportLines, mostReportHives = 60, 80

// season is a yard's year on one page that prints.
func (s *site) season(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.Now()
	p, err := s.place(ctx, outyard.YardID(r.PathValue("yard")), "")
	if err != nil {
		return err
	}
	thisYear := now.In(p.zone()).Year()
	year := thisYear
	if v := r.URL.Query().Get("year"); v != "" {
		if year, err = strconv.Atoi(v); err != nil || year < outyard.Earliest.Year() || year > thisYear {
			return &pageError{http.StatusNotFound, fmt.Sprintf("There is a season for each year from %d to %d.", outyard.Earliest.Year(), thisYear)}
		}
	}
	sp := span{From: outyard.Date{Year: year, Month: time.January, Day: 1}.Start(p.zone()), To: outyard.Date{Year: year + 1, Month: time.January, Day: 1}.Start(p.zone()), zone: p.zone()}
	days, err := s.allDays(ctx, sp.daysQuery(p.ID, ""))
	if err != nil {
		return fmt.Errorf("days of %s in %d: %w", p.ID, year, err)
	}
	all, err := s.allFindings(ctx, Query{Yard: p.ID, From: sp.From, To: sp.To})
	if err != nil {
		return fmt.Errorf("findings of %s in %d: %w", p.ID, year, err)
	}
	found := slices.DeleteFunc(all, func(f outyard.Finding) bool { return f.State == outyard.Withdrawn })
	entries, err := s.entriesIn(ctx, p.ID, "", sp)
	if err != nil {
		return err
	}
	v := report{Name: p.name(), URL: yardURL(p.ID), Year: strconv.Itoa(year), None: len(days) == 0 && len(found) == 0 && len(entries) == 0}
	self := v.URL + "/season?"
	v.Earlier = self + url.Values{"year": {strconv.Itoa(year - 1)}}.Encode()
	if year <= outyard.Earliest.Year() {
		v.Earlier = ""
	}
	if year < thisYear {
		v.Later = self + url.Values{"year": {strconv.Itoa(year + 1)}}.Encode()
	} else {
		v.Until = dateText(outyard.DateOf(now, p.zone()), now, p.zone())
	}
	v.Hives = reportHives(p, days, found, entries)
	v.Facts = reportFacts(days, len(v.Hives), found, entries)
	var pressed []outyard.Finding
	for _, f := range found {
		switch f.Kind {
		case outyard.FlowStart:
			v.Flows = append(v.Flows, s.noteOf(f, p, now))
		case outyard.FlowEnd, outyard.Handling:
		default:
			if f.Severity == outyard.Note {
				continue
			}
			pressed = append(pressed, f)
		}
	}
	for _, n := range s.lately(pressed, p, now) {
		line := reportLine{When: n.When, ISO: n.ISO, What: n.Title, Hive: n.HiveName, Say: n.Summary}
		var names []string
		for _, m := range n.Hives {
			names = append(names, m.Name+" ("+m.Number+")")
		}
		if len(names) > 0 {
			line.Hive = listed(names)
		}
		v.Found = append(v.Found, line)
	}
	slices.Reverse(v.Flows)
	slices.Reverse(v.Found)
	for _, e := range entries {
		v.Entries = append(v.Entries, entryRowOf(e, p, now))
	}
	var cut []string
	if n := len(v.Found) - mostReportLines; n > 0 {
		v.Found, cut = v.Found[n:], append(cut, count(n, "earlier finding", "earlier findings"))
	}
	if n := len(v.Entries) - mostReportLines; n > 0 {
		v.Entries, cut = v.Entries[n:], append(cut, count(n, "earlier journal entry", "earlier journal entries"))
	}
	if n := len(v.Hives) - mostReportHives; n > 0 {
		v.Hives, cut = v.Hives[:mostReportHives], append(cut, count(n, "hive that gained less", "hives that gained less"))
	}
	if len(cut) > 0 {
		v.Partial = sentence(listed(cut)) + " are left out here."
	}
	if v.Gain, err = gainPicture(p, days, sp, "Gain of a typical hive", now); err != nil {
		return err
	}
	return s.show(w, r, http.StatusOK, "season", frame{Title: v.Name + ", season " + v.Year, Here: "yards", Honey: true, Page: v})
}

// reportHives sums each hive's year, the best first.
func reportHives(p place, days []outyard.Day, found []outyard.Finding, entries []outyard.Entry) []reportHive {
	type sums struct {
		gainKg, bestKg, takenKg, fedKg, storesKg, mould float64
		known, swarms                                   int
		took, fed                                       bool
	}
	of := map[outyard.HiveID]*sums{}
	at := func(id outyard.HiveID) *sums {
		if of[id] == nil {
			of[id] = &sums{bestKg: outyard.Unknown, storesKg: outyard.Unknown, mould: outyard.Unknown}
		}
		return of[id]
	}
	for _, h := range p.Hives {
		at(h.ID)
	}
	for _, d := range days {
		h := at(d.Hive)
		if outyard.Known(d.GainKg) {
			h.gainKg, h.known = h.gainKg+d.GainKg, h.known+1
			if !(d.GainKg <= h.bestKg) {
				h.bestKg = d.GainKg
			}
		}
		if outyard.Known(d.StoresKg) {
			h.storesKg = d.StoresKg
		}
		if outyard.Known(d.MouldIndex) && !(d.MouldIndex <= h.mould) {
			h.mould = d.MouldIndex
		}
	}
	for _, f := range found {
		if f.Kind == outyard.Swarm && f.Hive != "" {
			at(f.Hive).swarms++
		}
	}
	for _, e := range entries {
		if e.Hive == "" {
			continue
		}
		kg := e.Kg
		if !outyard.Known(kg) {
			kg = 0
		}
		switch e.Kind {
		case outyard.HoneyTaken:
			h := at(e.Hive)
			h.took, h.takenKg = true, h.takenKg+max(kg, -kg)
		case outyard.Fed:
			h := at(e.Hive)
			h.fed, h.fedKg = true, h.fedKg+max(kg, -kg)
		}
	}
	var out []reportHive
	for id, h := range of {
		if id == "" {
			continue
		}
		row := reportHive{Name: p.hiveName(id), URL: hiveURL(p.ID, id), Gain: "–", Best: signed(h.bestKg, 1), Taken: "–", Fed: "–", Swarms: strconv.Itoa(h.swarms),
			Stores: number(h.storesKg, 0), Mould: number(h.mould, 1), Known: strconv.Itoa(h.known), gainKg: outyard.Unknown}
		if h.known > 0 {
			row.Gain, row.gainKg = signed(h.gainKg, 1), h.gainKg
		}
		if h.took {
			row.Taken = number(h.takenKg, 1)
		}
		if h.fed {
			row.Fed = number(h.fedKg, 1)
		}
		out = append(out, row)
	}
	slices.SortFunc(out, func(a, b reportHive) int { return cmp.Or(cmp.Compare(b.gainKg, a.gainKg), cmp.Compare(a.Name, b.Name)) })
	return out
}

// reportFacts are the year in a few figures. What a typical hive gained is the
// sum of its chart, as among the yards: the middle one of each day, so that a
// hive that was silent for weeks does not count as one that gained nothing.
func reportFacts(days []outyard.Day, hives int, found []outyard.Finding, entries []outyard.Entry) []fact {
	gainKg := outyard.Unknown
	for i, d := range typicalDays(days) {
		if i == 0 {
			gainKg = 0
		}
		gainKg += d.GainKg
	}
	n := map[outyard.Kind]int{}
	for _, f := range found {
		n[f.Kind]++
	}
	takenKg, taken, visits := 0.0, "none written down", map[string]bool{}
	for _, e := range entries {
		visits[e.Time.Format(time.DateOnly)] = true
		if e.Kind == outyard.HoneyTaken && outyard.Known(e.Kg) {
			takenKg += max(e.Kg, -e.Kg)
			taken = number(takenKg, 1) + " kg"
		}
	}
	return []fact{
		{"A typical hive gained", signed(gainKg, 1) + " kg"}, {"Hives", strconv.Itoa(hives)}, {"Flows", strconv.Itoa(n[outyard.FlowStart])},
		{"Swarms", strconv.Itoa(n[outyard.Swarm])}, {"Honey taken", taken}, {"Days with an entry", strconv.Itoa(len(visits))},
	}
}

// gainWords says daily gains in a sentence.
func gainWords(days []outyard.Day, now time.Time, zone *time.Location) string {
	total, best := 0.0, days[0]
	for _, d := range days {
		total += d.GainKg
		if d.GainKg > best.GainKg {
			best = d
		}
	}
	return fmt.Sprintf("%s kg over %s with readings; the best was %s kg on %s.", signed(total, 1),
		count(len(days), "day", "days"), signed(best.GainKg, 1), dateText(best.Date, now, zone))
}
