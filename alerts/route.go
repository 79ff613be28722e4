package alerts

import (
	"slices"
	"time"

	"outyard"
)

// A Route says who is told what.
type Route struct {
	Name  string
	To    []string         // addresses, as URLs; they may hold secrets
	Yards []string         // yard ids, or "*" for every yard
	Kinds []outyard.Kind   // nil: every kind
	From  outyard.Severity // the least pressing that is told
	Quiet Quiet            // nil: none
	// PerHour is how many messages an hour go to each address; what is more
	// is told in one summary. What cannot wait may come twice as often. 0: no
	// ceiling.
	PerHour int
	// Round is when the day's round is told, counted from midnight by the
	// clock on the wall; nil: never. RoundAlways tells it on days without one,
	// too: that nothing needs doing.
	Round       *time.Duration
	RoundAlways bool
	Units       outyard.Units
}

// Quiet is the part of the day in which only what cannot wait is told.
type Quiet interface {
	// Covers says whether the clock on the wall in zone is within it.
	Covers(at time.Time, zone *time.Location) bool
}

// wants says whether the route tells of f when it is this pressing.
func (r Route) wants(f outyard.Finding, s outyard.Severity) bool {
	return s.Rank() >= r.From.Rank() && r.of(f.Yard) && (r.Kinds == nil || slices.Contains(r.Kinds, f.Kind))
}

// of says whether the route is for that yard.
func (r Route) of(yard outyard.YardID) bool {
	return slices.Contains(r.Yards, "*") || slices.Contains(r.Yards, string(yard))
}

// longestQuiet bounds the search for the end of quiet hours.
const longestQuiet = 2 * day

// afterQuiet is the first instant from t on that is not in the quiet hours of
// a zone. It goes minute by minute: on the nights when clocks change, an hour
// of the wall clock is there twice or not at all, and counting is right on
// every one of them.
func afterQuiet(q Quiet, t time.Time, zone *time.Location) time.Time {
	if q == nil {
		return t
	}
	for last := t.Add(longestQuiet); t.Before(last) && q.Covers(t, zone); {
		t = t.Truncate(time.Minute).Add(time.Minute)
	}
	return t
}
