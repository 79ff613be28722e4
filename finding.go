package outyard

import (
	"encoding/json"
	"time"
)

// A Kind is what a finding is about.
type Kind string

// The kinds of finding.
const (
	Swarm       Kind = "swarm"
	Damp        Kind = "damp"
	MouldRisk   Kind = "mould-risk"
	FlowStart   Kind = "flow-start"
	FlowEnd     Kind = "flow-end"
	StoresLow   Kind = "stores-low"
	RoomLow     Kind = "room-low"
	Robbing     Kind = "robbing"
	KnockedOver Kind = "knocked-over"
	BroodCold   Kind = "brood-cold"
	Handling    Kind = "handling"
	Silent      Kind = "silent"
	BatteryLow  Kind = "battery-low"
	SensorFault Kind = "sensor-fault"
)

// Kinds lists every kind, the most pressing first.
var Kinds = []Kind{Swarm, KnockedOver, Robbing, StoresLow, BroodCold, RoomLow, Damp, MouldRisk,
	FlowStart, FlowEnd, Silent, SensorFault, BatteryLow, Handling}

// A Severity is how soon somebody should act.
type Severity string

// The severities.
const (
	Now  Severity = "now"  // go if you can
	Soon Severity = "soon" // on the next round
	Note Severity = "note" // for the record
)

// Rank orders severities: the more pressing, the higher; 0 for no severity.
func (s Severity) Rank() int {
	switch s {
	case Now:
		return 3
	case Soon:
		return 2
	case Note:
		return 1
	}
	return 0
}

// A State is how far a finding's life has come.
type State string

// The states.
const (
	Open      State = "open"
	Over      State = "over"      // it was so, and has ceased
	Withdrawn State = "withdrawn" // later readings, or the keeper, say that it was not so
)

// A Finding is what an analysis says of a hive, or of a whole yard.
type Finding struct {
	ID         string
	Kind       Kind
	Yard       YardID
	Hive       HiveID    // empty for the whole yard
	Onset      time.Time // when it began, as far as the data tell
	End        time.Time // when it ceased; zero while it has not
	ToldAt     time.Time // when it was first raised
	Severity   Severity
	Confidence float64 // 0 to 1: of findings said at 0.9 nine in ten are true
	Summary    string  // one plain sentence with the numbers in it
	Advice     []string
	Caution    []string
	// Facts are the numbers: float64, string, bool, []string or []float64,
	// by a name that carries the unit (change_kg).
	Facts map[string]any
	State State
}

// Fact returns a numeric fact, NaN when there is none.
func (f Finding) Fact(name string) float64 {
	if v, ok := f.Facts[name].(float64); ok {
		return v
	}
	return Unknown
}

type findingJSON struct {
	ID         string         `json:"id"`
	Kind       Kind           `json:"kind"`
	Yard       YardID         `json:"yard"`
	Hive       HiveID         `json:"hive"`
	Onset      time.Time      `json:"onset"`
	End        *time.Time     `json:"end"`
	ToldAt     time.Time      `json:"told_at"`
	Severity   Severity       `json:"severity"`
	Confidence float64        `json:"confidence"`
	Summary    string         `json:"summary"`
	Advice     []string       `json:"advice"`
	Caution    []string       `json:"caution"`
	Facts      map[string]any `json:"facts"`
	State      State          `json:"state"`
}

// MarshalJSON writes the finding as the API, MQTT and files show it: an end
// that has not come is null, lists are never null, and a fact that is not
// known is left out.
func (f Finding) MarshalJSON() ([]byte, error) {
	j := findingJSON{ID: f.ID, Kind: f.Kind, Yard: f.Yard, Hive: f.Hive, Onset: f.Onset.UTC(), ToldAt: f.ToldAt.UTC(),
		Severity: f.Severity, Confidence: f.Confidence, Summary: f.Summary,
		Advice: orEmpty(f.Advice), Caution: orEmpty(f.Caution), Facts: map[string]any{}, State: f.State}
	if !f.End.IsZero() {
		end := f.End.UTC()
		j.End = &end
	}
	for name, v := range f.Facts {
		if x, ok := v.(float64); ok && !Known(x) {
			continue
		}
		j.Facts[name] = v
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (f *Finding) UnmarshalJSON(b []byte) error {
	var j findingJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	*f = Finding{ID: j.ID, Kind: j.Kind, Yard: j.Yard, Hive: j.Hive, Onset: j.Onset.UTC(), ToldAt: j.ToldAt.UTC(),
		Severity: j.Severity, Confidence: j.Confidence, Summary: j.Summary,
		Advice: j.Advice, Caution: j.Caution, Facts: j.Facts, State: j.State}
	if j.End != nil {
		f.End = j.End.UTC()
	}
	return nil
}

func orEmpty(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}
