package collector

import (
	"fmt"
	"strings"

	"outyard"
)

// OwnTopics begins every topic that the daemon itself publishes.
const OwnTopics = "outyard/"

// StateTopic says "up" or "down", retained.
const StateTopic = OwnTopics + "state"

// DefaultClientID is our name at a broker that we do not share with another
// daemon.
const DefaultClientID = "outyard"

// StateTopicOf is the [StateTopic] of a daemon that goes by another name there,
// below that of the one that does not.
func StateTopicOf(clientID string) string {
	if clientID == "" || clientID == DefaultClientID {
		return StateTopic
	}
	return StateTopic + "/" + clientID
}

// Prefix brings a configured topic prefix to the form with one slash at its
// end, or to nothing.
func Prefix(configured string) string {
	p := strings.Trim(configured, "/")
	if p == "" {
		return ""
	}
	return p + "/"
}

// ReadingsFilter is the topic filter under which nodes send readings.
func ReadingsFilter(prefix string) string { return Prefix(prefix) + "yards/#" }

// YardFilter is that of one yard.
func YardFilter(prefix string, yard outyard.YardID) string {
	return Prefix(prefix) + "yards/" + string(yard) + "/#"
}

// parseTopic finds whose readings a topic announces. The prefix ends in a
// slash unless it is empty.
func parseTopic(prefix, topic string) (yard outyard.YardID, hive outyard.HiveID, err error) {
	wrong := func() error {
		return fmt.Errorf("topic %q: want %[2]syards/YARD/hives/HIVE or %[2]syards/YARD/weather", topic, prefix)
	}
	rest, ok := strings.CutPrefix(topic, prefix)
	if !ok {
		return "", "", wrong()
	}
	if rest, ok = strings.CutPrefix(rest, "yards/"); !ok {
		return "", "", wrong()
	}
	id, rest, _ := strings.Cut(rest, "/")
	name, ofHive := strings.CutPrefix(rest, "hives/")
	if !ofHive && rest != "weather" {
		return "", "", wrong()
	}
	yard = outyard.YardID(id)
	if err := yard.Check(); err != nil {
		return "", "", fmt.Errorf("topic %q: %w", topic, err)
	}
	if ofHive {
		hive = outyard.HiveID(name)
		if err := hive.Check(); err != nil {
			return "", "", fmt.Errorf("topic %q: %w", topic, err)
		}
	}
	return yard, hive, nil
}
