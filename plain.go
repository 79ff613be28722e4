package outyard

import "strings"

// kindWords are how people say a kind of finding: as what has happened, and
// as a name for it. They stand in one place so that page, mail and command
// line call a thing by the same words, and so that there is one place to
// translate.
type kindWords struct{ happened, name string }

var kindsInWords = map[Kind]kindWords{
	Swarm:       {"Swarm left", "swarm"},
	KnockedOver: {"Knocked over, or gone", "knocked over or gone"},
	Robbing:     {"Being robbed", "robbing"},
	StoresLow:   {"Stores run low", "stores low"},
	BroodCold:   {"Brood nest has cooled", "brood cold"},
	RoomLow:     {"Wants a super", "room low"},
	Damp:        {"Going damp", "damp"},
	MouldRisk:   {"Mould can grow", "mould risk"},
	FlowStart:   {"Flow has begun", "flow has begun"},
	FlowEnd:     {"Flow is over", "flow is over"},
	Silent:      {"Not heard from", "silent"},
	SensorFault: {"Sensor in doubt", "sensor fault"},
	BatteryLow:  {"Battery runs down", "battery low"},
	Handling:    {"Hive was worked on", "handled"},
}

// Happened says what a finding of the kind tells, such as "Swarm left". It has
// words for any kind, so that one that a newer program wrote is still shown.
func (k Kind) Happened() string {
	if w, ok := kindsInWords[k]; ok {
		return w.happened
	}
	words := strings.ReplaceAll(string(k), "-", " ")
	if words == "" {
		return words
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

// Name is the kind's name within a sentence, such as "stores low".
func (k Kind) Name() string {
	if w, ok := kindsInWords[k]; ok {
		return w.name
	}
	return strings.ReplaceAll(string(k), "-", " ")
}

// Plain says how soon somebody should act.
func (s Severity) Plain() string {
	switch s {
	case Now:
		return "Go if you can"
	case Soon:
		return "On the next round"
	case Note:
		return "For the record"
	}
	return string(s)
}

// Plain is how a part is said.
func (p Part) Plain() string {
	size, frames, ok := strings.Cut(string(p), "-")
	if ok && (frames == "8" || frames == "10") {
		return size + ", " + frames + " frames"
	}
	return strings.ReplaceAll(string(p), "-", " ")
}
