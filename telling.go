package outyard

import "time"

// A Message is one thing to be told to one place, as it waits in the outbox.
type Message struct {
	// Key is the same for the same news to the same place: what was told once
	// under a key is not told again.
	Key      string
	Route    string // the name of the "tell" entry that asked for it
	Target   int    // which of the route's addresses, from 0: addresses hold secrets, so they stay in the config
	Findings []string
	Subject  string
	Text     string
	HTML     string
	Queued   time.Time
	NotAfter time.Time // worthless later than this; zero: never
	Due      time.Time // not to be tried before
	Attempts int
	LastErr  string
	Sent     time.Time // zero while it waits

	// About and Pictures are there only on a message's way out; they are made
	// anew for each attempt, and not stored.
	About    []Finding
	Pictures []Picture
}

// A Picture goes along with a message.
type Picture struct {
	ID    string // by which the HTML refers to it: cid:ID
	PNG   []byte
	Shows string // for those who cannot see it
}

// An AlertState is where an alert is in its life.
type AlertState string

// The states of an alert.
const (
	AlertOpen         AlertState = "open" // raised, not told to anybody yet
	AlertTold         AlertState = "told"
	AlertAcknowledged AlertState = "acknowledged"
	AlertSnoozed      AlertState = "snoozed"
	AlertOver         AlertState = "over"
)

// An Alert is a finding that somebody should be told, and how far that has come.
type Alert struct {
	Finding  string // the finding's id
	State    AlertState
	Since    time.Time // when it came to this state
	Until    time.Time // end of a snooze
	Reminded time.Time // when somebody was last reminded of it, or a snooze ended
	By       string    // who acknowledged or snoozed it, by the name of his account; empty: not known
	ToldAs   Severity  // the most pressing that it was told as
}

// A Transition is one step in the life of an alert: what happened, and the
// state that it led to.
type Transition struct {
	Finding string
	At      time.Time
	Event   string
	State   AlertState
	Until   time.Time // end of a snooze
	By      string    // who answered, by the name of his account; empty: nobody, or it is not known
}

// A Refused message could not be read, or has no place yet. It is kept whole.
type Refused struct {
	ID      int64
	Topic   string
	Payload []byte
	Arrived time.Time
	// Retained says that it is a copy which a broker had kept for whoever
	// subscribes, so that its arrival says nothing about its age.
	Retained bool
	Reason   string
	// Unplaced says that it is well formed, but its yard or hive is not in the
	// config.
	Unplaced bool
	Yard     YardID // where the topic gave one
	Hive     HiveID
}
