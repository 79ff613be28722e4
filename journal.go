package outyard

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
)

// An EntryKind is what the keeper did or saw.
type EntryKind string

// The kinds of journal entry.
const (
	Visit      EntryKind = "visit"
	BoxOn      EntryKind = "box-on"
	BoxOff     EntryKind = "box-off"
	HoneyTaken EntryKind = "honey-taken"
	Fed        EntryKind = "fed"
	SwarmTaken EntryKind = "swarm-taken"
	Split      EntryKind = "split"
	Treated    EntryKind = "treated"
	ScaleSet   EntryKind = "scale-set"
)

// EntryKinds lists every kind.
var EntryKinds = []EntryKind{Visit, BoxOn, BoxOff, HoneyTaken, Fed, SwarmTaken, Split, Treated, ScaleSet}

// An Entry is one line of the journal. In JSON: id, time, yard, hive, kind,
// kg, part, note, by.
type Entry struct {
	ID   string
	Time time.Time
	Yard YardID
	Hive HiveID // empty when it was the whole yard
	Kind EntryKind
	Kg   float64 // what was put on or taken off, where known
	Part string  // the box put on or taken off, where it was one
	Note string
	By   string // who wrote it, by the name of his account; empty where that is not known
}

// Check says what is wrong with the entry, if anything.
func (e Entry) Check() error {
	if err := e.Yard.Check(); err != nil {
		return err
	}
	if e.Hive != "" {
		if err := e.Hive.Check(); err != nil {
			return err
		}
	}
	if !slices.Contains(EntryKinds, e.Kind) {
		names := make([]string, len(EntryKinds))
		for i, k := range EntryKinds {
			names[i] = string(k)
		}
		return fmt.Errorf("journal entry kind %q: want one of %s", e.Kind, strings.Join(names, ", "))
	}
	if e.Time.Before(Earliest) {
		return fmt.Errorf("journal entry time %s is before %d", e.Time.Format(time.RFC3339), Earliest.Year())
	}
	return nil
}

type entryJSON struct {
	ID   string    `json:"id,omitempty"`
	Time time.Time `json:"time"`
	Yard YardID    `json:"yard"`
	Hive HiveID    `json:"hive"`
	Kind EntryKind `json:"kind"`
	Kg   *float64  `json:"kg,omitempty"`
	Part string    `json:"part,omitempty"`
	Note string    `json:"note,omitempty"`
	By   string    `json:"by,omitempty"`
}

// MarshalJSON writes the entry; a weight that is not known is left out.
func (e Entry) MarshalJSON() ([]byte, error) {
	j := entryJSON{ID: e.ID, Time: e.Time.UTC(), Yard: e.Yard, Hive: e.Hive, Kind: e.Kind, Part: e.Part, Note: e.Note, By: e.By}
	if Known(e.Kg) {
		j.Kg = &e.Kg
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (e *Entry) UnmarshalJSON(b []byte) error {
	var j entryJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*e = Entry{ID: j.ID, Time: j.Time.UTC(), Yard: j.Yard, Hive: j.Hive, Kind: j.Kind, Kg: Unknown, Part: j.Part, Note: j.Note, By: j.By}
	if j.Kg != nil {
		e.Kg = *j.Kg
	}
	return nil
}
