// Package round turns what is open into a drive: which yards, in which order,
// why each, and what to have in the car. It exists so that the page, the
// morning mail and the command line say the same; all of them are this one
// function in other clothes.
package round

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"outyard"
)

// A Round is a day's drive; without stops there is nothing to drive for.
type Round struct {
	Stops []Stop // in the order to drive them
	// DriveMinutes is the whole drive, from home and back; NaN where a yard's
	// trip from home is not told.
	DriveMinutes float64
	Carry        []Thing  // for all stops, in one list
	Care         []string // what to take care of with it
}

// A Stop is a yard with something to do.
type Stop struct {
	Yard   outyard.Yard
	Urgent bool
	// DriveMinutes is the way there from the stop before, or from home; NaN
	// where it is not known.
	DriveMinutes float64
	Reasons      []Reason // the most pressing first
	Carry        []Thing
	Care         []string
}

// A Reason is one thing that a hive, or the whole yard, wants.
type Reason struct {
	Finding outyard.Finding
	Where   string // the hive's name, or "the whole yard"
}

// swarmIsHistory is how long after a swarm its hive is worth a drive for that
// reason: a cast follows within 7 to 12 days (common practice, no source).
const swarmIsHistory = 14 * 24 * time.Hour

// Stale says that a finding, although nobody closed it, asks for nothing any
// more: what left long ago is not to be found on a branch.
func Stale(f outyard.Finding, now time.Time) bool {
	return f.Kind == outyard.Swarm && now.Sub(f.Onset) > swarmIsHistory
}

// Presses says whether a finding asks for a drive, now or on the next round.
func Presses(f outyard.Finding, now time.Time) bool {
	return f.State == outyard.Open && f.Severity.Rank() >= outyard.Soon.Rank() && !Stale(f, now)
}

// Plan makes the round of what is open. Yards where somebody should go if he
// can come first, the others after; within each the order is a short drive. A
// finding about a yard that is not among yards is known by its id alone.
func Plan(yards []outyard.Yard, open []outyard.Finding, now time.Time) Round {
	at := map[outyard.YardID]*Stop{}
	var urgent, soon []*Stop
	for _, f := range open {
		if Presses(f, now) && at[f.Yard] == nil {
			at[f.Yard] = &Stop{Yard: yardOf(yards, f.Yard), DriveMinutes: outyard.Unknown}
		}
	}
	found := map[outyard.YardID][]outyard.Finding{} // notes too: the end of a flow wants the refractometer
	for _, f := range open {
		s := at[f.Yard]
		if s == nil || f.State != outyard.Open || Stale(f, now) {
			continue
		}
		found[f.Yard] = append(found[f.Yard], f)
		if Presses(f, now) {
			s.Reasons = append(s.Reasons, Reason{f, whereOf(s.Yard, f.Hive)})
			s.Urgent = s.Urgent || f.Severity == outyard.Now
		}
	}
	for _, s := range at {
		slices.SortFunc(s.Reasons, func(a, b Reason) int { return pressing(a.Finding, b.Finding) })
		if s.Urgent {
			urgent = append(urgent, s)
		} else {
			soon = append(soon, s)
		}
	}

	var r Round
	var all bag
	for _, s := range inDrivingOrder(yards, urgent, soon) {
		var one bag
		one.fill(s.Yard, found[s.Yard.ID])
		all.fill(s.Yard, found[s.Yard.ID])
		s.Carry, s.Care = one.list(), one.care
		r.Stops = append(r.Stops, *s)
	}
	r.Carry, r.Care = all.list(), all.care
	r.DriveMinutes = timeDrive(r.Stops)
	return r
}

// Carry says what to take along to one yard for its open findings, and what
// to take care of with it.
func Carry(yard outyard.Yard, found []outyard.Finding) (things []Thing, care []string) {
	var b bag
	b.fill(yard, found)
	return b.list(), b.care
}

func yardOf(yards []outyard.Yard, id outyard.YardID) outyard.Yard {
	if i := slices.IndexFunc(yards, func(y outyard.Yard) bool { return y.ID == id }); i >= 0 {
		return yards[i]
	}
	return outyard.Yard{ID: id}
}

func whereOf(y outyard.Yard, hive outyard.HiveID) string {
	if hive == "" {
		return "the whole yard"
	}
	h, _ := y.Hive(hive)
	return cmp.Or(h.Name, string(hive))
}

// pressing orders findings: the most urgent first, then by kind and hive.
func pressing(a, b outyard.Finding) int {
	return cmp.Or(cmp.Compare(b.Severity.Rank(), a.Severity.Rank()),
		cmp.Compare(slices.Index(outyard.Kinds, a.Kind), slices.Index(outyard.Kinds, b.Kind)),
		cmp.Compare(a.Hive, b.Hive), a.Onset.Compare(b.Onset), cmp.Compare(a.ID, b.ID))
}

// Name is the yard's name for people.
func (s Stop) Name() string { return cmp.Or(s.Yard.Name, string(s.Yard.ID)) }

// Drive says the way to the stop, empty where it is not known.
func (s Stop) Drive() string {
	if !outyard.Known(s.DriveMinutes) {
		return ""
	}
	return fmt.Sprintf("%.0f minutes’ drive", s.DriveMinutes)
}

// Headline is the day in one line.
func (r Round) Headline() string {
	var names []string
	for _, s := range r.Stops {
		if s.Urgent {
			names = append(names, s.Name())
		}
	}
	switch {
	case len(r.Stops) == 0:
		return "Nothing needs you today"
	case len(names) > 3:
		return fmt.Sprintf("%d yards want you, %s first", len(names), names[0])
	case len(names) > 0:
		return "Go to " + listed(names) + " if you can"
	case len(r.Stops) == 1:
		return r.Stops[0].Name() + " is worth a visit on the next round"
	}
	return fmt.Sprintf("Nothing is urgent; %d yards for the next round", len(r.Stops))
}

// Way is the drive in one line, empty where there is nothing to say of it.
func (r Round) Way() string {
	if len(r.Stops) < 2 {
		return ""
	}
	names := make([]string, len(r.Stops))
	for i, s := range r.Stops {
		names[i] = s.Name()
	}
	way := "In this order: " + few(names) + "."
	if outyard.Known(r.DriveMinutes) {
		way += fmt.Sprintf(" Some %.0f minutes of driving in all, guessed from the map.", r.DriveMinutes)
	}
	return way
}

// Paragraphs are the round in plain text, a line each: the headline, each
// stop with why, what to carry and what to take care of.
func (r Round) Paragraphs() [][]string {
	head := []string{r.Headline() + "."}
	if way := r.Way(); way != "" {
		head = append(head, way)
	}
	out := [][]string{head}
	for _, s := range r.Stops {
		p := []string{s.Name()}
		if d := s.Drive(); d != "" {
			p[0] += ", " + d
		}
		for _, why := range s.Reasons {
			p = append(p, fmt.Sprintf("- %s: %s. %s", why.Where, lowerFirst(why.Finding.Kind.Happened()), why.Finding.Summary))
			if why.Finding.Severity == outyard.Now {
				p[len(p)-1] += " " + outyard.Now.Plain() + "."
			}
		}
		out = append(out, p)
	}
	if len(r.Carry) > 0 {
		out = append(out, append([]string{"Carry:"}, bulleted(r.CarryLines())...))
	}
	if len(r.Care) > 0 {
		out = append(out, append([]string{"Take care:"}, bulleted(r.Care)...))
	}
	return out
}

// CarryLines is the packing list, with the yards that each thing is for where
// there is more than one.
func (r Round) CarryLines() []string {
	var out []string
	for _, t := range r.Carry {
		line := t.String()
		if len(r.Stops) > 1 {
			line += " (" + few(t.For) + ")"
		}
		out = append(out, line)
	}
	return out
}

// mostNamed is how many yards one line names: nobody drives to more in a day.
const mostNamed = 12

// few joins names, and counts those that are too many for a line.
func few(names []string) string {
	if more := len(names) - mostNamed; more > 1 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:mostNamed], ", "), more)
	}
	return strings.Join(names, ", ")
}

func bulleted(lines []string) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = "- " + l
	}
	return out
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// listed joins names as in a sentence.
func listed(names []string) string {
	switch len(names) {
	case 0:
		return ""
	case 1:
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

type stopJSON struct {
	Yard         outyard.YardID `json:"yard"`
	Name         string         `json:"name"`
	Urgent       bool           `json:"urgent"`
	DriveMinutes *float64       `json:"drive_minutes"`
	Reasons      []reasonJSON   `json:"reasons"`
	Carry        []thingJSON    `json:"carry"`
	Care         []string       `json:"care"`
}

type reasonJSON struct {
	Where   string          `json:"where"`
	What    string          `json:"what"`
	Finding outyard.Finding `json:"finding"`
}

type thingJSON struct {
	Text  string   `json:"text"`
	Name  string   `json:"name"`
	Count int      `json:"count,omitempty"`
	Kg    *float64 `json:"kg,omitempty"`
	For   []string `json:"for"`
}

// MarshalJSON writes the round as the API and the command show it. Its items
// are the stops; there is always the whole of it, so that next is empty.
func (r Round) MarshalJSON() ([]byte, error) {
	out := struct {
		Headline     string      `json:"headline"`
		Items        []stopJSON  `json:"items"`
		Next         string      `json:"next"`
		DriveMinutes *float64    `json:"drive_minutes"`
		Carry        []thingJSON `json:"carry"`
		Care         []string    `json:"care"`
	}{r.Headline(), []stopJSON{}, "", maybe(r.DriveMinutes), thingsJSON(r.Carry), orEmpty(r.Care)}
	for _, s := range r.Stops {
		j := stopJSON{s.Yard.ID, s.Name(), s.Urgent, maybe(s.DriveMinutes), []reasonJSON{}, thingsJSON(s.Carry), orEmpty(s.Care)}
		for _, why := range s.Reasons {
			j.Reasons = append(j.Reasons, reasonJSON{why.Where, why.Finding.Kind.Happened(), why.Finding})
		}
		out.Items = append(out.Items, j)
	}
	return json.Marshal(out)
}

func thingsJSON(ts []Thing) []thingJSON {
	out := make([]thingJSON, len(ts))
	for i, t := range ts {
		out[i] = thingJSON{t.String(), t.Name, t.Count, maybe(t.Kg), orEmpty(t.For)}
	}
	return out
}

// maybe is nil for what is not known.
func maybe(v float64) *float64 {
	if !outyard.Known(v) {
		return nil
	}
	return &v
}

func orEmpty(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}
