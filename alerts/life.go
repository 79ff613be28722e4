package alerts

import (
	"time"

	"outyard"
)

// An EventKind is what can happen to an alert.
type EventKind string

// The events. Findings bring the first four, people and time the others.
const (
	Raised       EventKind = "raised"       // found for the first time, and news
	Worse        EventKind = "worse"        // more pressing than when it was raised
	Again        EventKind = "again"        // found again after it was over or withdrawn
	Ended        EventKind = "ended"        // over or withdrawn
	Told         EventKind = "told"         // a message about it has been delivered
	Acknowledged EventKind = "acknowledged" // somebody will see to it
	Snoozed      EventKind = "snoozed"      // somebody wants to hear of it later
	Woke         EventKind = "woke"         // the snooze is at its end
	Reminded     EventKind = "reminded"     // nobody has answered, and it is told once more
)

// An Event is something that happens to an alert.
type Event struct {
	Kind  EventKind
	Until time.Time // of Snoozed: when to tell again
	By    string    // of Acknowledged and Snoozed: whose account it was, where known
}

// Next is the life of an alert. It returns what becomes of a when e happens,
// and whether that changes anything: what makes no sense in a state (an
// acknowledgement that comes after the end) leaves it as it is.
//
//	raised      -> open
//	open        -> told, acknowledged, snoozed, over
//	told        -> acknowledged, snoozed, over; open when worse; told when reminded
//	acknowledged-> snoozed, over; open when worse
//	snoozed     -> acknowledged, over; open when worse or awake
//	over        -> open when found again
func Next(a outyard.Alert, e Event, now time.Time) (outyard.Alert, bool) {
	to := func(s outyard.AlertState) (outyard.Alert, bool) {
		return outyard.Alert{Finding: a.Finding, State: s, Since: now, Reminded: a.Reminded}, true
	}
	if a.State == "" {
		if e.Kind == Raised {
			return to(outyard.AlertOpen)
		}
		return a, false
	}
	if a.State == outyard.AlertOver {
		if e.Kind == Again {
			a.Reminded = time.Time{}
			return to(outyard.AlertOpen)
		}
		return a, false
	}
	switch e.Kind {
	case Ended:
		return to(outyard.AlertOver)
	case Worse:
		if a.State != outyard.AlertOpen {
			return to(outyard.AlertOpen)
		}
	case Woke:
		if a.State == outyard.AlertSnoozed && !now.Before(a.Until) {
			a.Reminded = now
			return to(outyard.AlertOpen)
		}
	case Told:
		if a.State == outyard.AlertOpen {
			return to(outyard.AlertTold)
		}
	case Reminded:
		if a.State == outyard.AlertTold {
			a.Reminded = now
			return a, true
		}
	case Acknowledged:
		if a.State != outyard.AlertAcknowledged {
			b, _ := to(outyard.AlertAcknowledged)
			b.By = e.By
			return b, true
		}
	case Snoozed:
		if e.Until.After(now) {
			b, _ := to(outyard.AlertSnoozed)
			b.Until, b.By = e.Until, e.By
			return b, true
		}
	}
	return a, false
}
