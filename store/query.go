package store

import (
	"time"

	"outyard"
)

// A Query says which readings, findings, days or journal entries are wanted.
// A zero field sets no limit, so the zero Query asks for everything.
type Query struct {
	Yard outyard.YardID
	// Hive asks for one hive's. With Hive empty, Weather tells the two
	// meanings apart: false for every hive and the yard's own, true for only
	// what belongs to the yard as a whole (its weather, a finding about all
	// of it).
	Hive    outyard.HiveID
	Weather bool

	From time.Time // from this instant
	To   time.Time // to before this instant

	// Kind and State narrow findings. Entries compares Kind with the kind of
	// the entry. Readings and days have neither.
	Kind  outyard.Kind
	State outyard.State

	// Limit is how many items a page of findings, days or entries holds at
	// most, 0 for all of them in one. After is what the page before said comes
	// next; it means nothing to anybody but the store that wrote it.
	Limit int
	After string
}

// Asks says whether the query wants what belongs to this yard and hive.
func (q Query) Asks(yard outyard.YardID, hive outyard.HiveID) bool {
	if q.Yard != "" && q.Yard != yard {
		return false
	}
	if q.Hive == "" {
		return !q.Weather || hive == ""
	}
	return q.Hive == hive
}

// A Bucket is what one pixel's width of a chart shows of a series: enough to
// draw a line that no drawing of all the readings could be told from (M4:
// Jugel, Jerzak, Hackenbroich and Markl 2014, Proc. VLDB Endowment 7(10)).
type Bucket struct {
	From                          time.Time // where the pixel begins
	FirstAt, LastAt, MinAt, MaxAt time.Time // of equal values, the earliest
	First, Last, Min, Max         float64
}

// News is what is told to a store in one go: all of it is kept, or none.
type News struct {
	Findings []outyard.Finding // replace those of the same id
	Days     []outyard.Day     // replace those of the same yard, hive and date
	Alerts   []outyard.Alert   // replace those of the same finding
	Messages []outyard.Message // a key that is there already is left as it is
	History  []outyard.Transition
}

// An EntryVersion is a journal entry as it stood at some time.
type EntryVersion struct {
	outyard.Entry
	Replaced time.Time // when it was fixed; zero for the version that holds
}

// A Told is an alert with the finding that it is of.
type Told struct {
	Alert   outyard.Alert
	Finding outyard.Finding
}

// A Step is a step in the life of an alert, with what it is about.
type Step struct {
	outyard.Transition
	Yard outyard.YardID
	Hive outyard.HiveID // empty for the whole yard
	Kind outyard.Kind
}
