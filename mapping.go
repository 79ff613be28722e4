package outyard

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// A Mapping says how to read the messages of a device that has JSON of its
// own: which topics they come under, and where in a message each thing stands.
type Mapping struct {
	Name   string
	Filter string // of topics, with the wildcards of MQTT
	// Base64 is the path of a field that holds, as base64, what the device
	// itself sent, where a gateway wraps that in a message of its own.
	Base64 string
	Yard   Origin
	Hive   Origin // none: the readings are the yard's weather
	Time   MappedTime
	Values []MappedValue
}

// An Origin is where an id comes from: one of Level, Field, Inner and Fixed.
// The zero Origin is none.
type Origin struct {
	Level int    // of the topic, from 1
	Field string // path in the message
	Inner string // path in the JSON within the base64 field
	Fixed string
	// As gives the id for what stands there; what is not in it is the id
	// itself.
	As map[string]string
}

// A Spot is where in a message a value stands: one of Field, Inner and Bytes.
type Spot struct {
	Field string     // path in the message
	Inner string     // path in the JSON within the base64 field
	Bytes *ByteRange // in the base64 field, that then is no JSON
}

// A ByteRange is a whole number in bytes.
type ByteRange struct {
	At     int // the first byte, from 0
	Width  int // bytes, 1 to MaxByteWidth
	Signed bool
	Little bool // the least byte comes first
}

// MaxByteWidth is the bytes of the widest whole number.
const MaxByteWidth = 8

// A MappedTime is where the time of a reading stands. Without a Spot it is the
// time at which the message arrived.
type MappedTime struct {
	Spot
	Format   TimeFormat
	Optional bool // where it is missing, the time of arrival is good enough
}

// A TimeFormat is how a device writes a time.
type TimeFormat string

// The formats of time.
const (
	RFC3339   TimeFormat = "rfc3339"
	UnixTime  TimeFormat = "unix"    // seconds since 1970, UTC
	UnixMilli TimeFormat = "unix-ms" // thousandths of one
)

// TimeFormats are all of them.
var TimeFormats = []TimeFormat{RFC3339, UnixTime, UnixMilli}

// A MappedValue is where a quantity stands. What stands there times Scale plus
// Offset is the quantity in Unit.
type MappedValue struct {
	Quantity Quantity
	// Raw says that these are the counts of the hive's scale (see [Scale]), not
	// yet kilograms; Quantity is Weight, and there is no Unit.
	Raw bool
	Spot
	Unit          string
	Scale, Offset float64
	// Absent, if not nil, is what the device sends, before Scale, when it does
	// not know.
	Absent   *float64
	Optional bool // may be missing
}

// Name is the quantity's, or [RawWeight].
func (v MappedValue) Name() string {
	if v.Raw {
		return RawWeight
	}
	return v.Quantity.Info().Name
}

// RawWeight names the counts of a scale's amplifier, in packs and mappings.
const RawWeight = "weight-raw"

// CheckTopicFilter says what makes a filter none of MQTT (3.1.1 §4.7), if anything.
func CheckTopicFilter(filter string) error {
	if filter == "" || len(filter) > 65535 {
		return errors.New("want a topic, in which + stands for one level and # at the end for all below")
	}
	if strings.ContainsRune(filter, 0) {
		return errors.New("holds a zero byte")
	}
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		if len(level) > 1 && strings.ContainsAny(level, "+#") {
			return fmt.Errorf("%q is part of a level: + and # stand for whole ones", level)
		}
		if level == "#" && i < len(levels)-1 {
			return errors.New("# stands at the end only")
		}
	}
	return nil
}

// A unit is a unit in which devices give a quantity: times it plus plus is the
// quantity in its own.
type unit struct {
	name        string
	times, plus float64
}

var (
	temperatures = []unit{{"C", 1, 0}, {"F", 1 / 1.8, -32 / 1.8}, {"K", 1, -273.15}}
	humidities   = []unit{{"%RH", 1, 0}, {"ratio", 100, 0}}
)

// units of each quantity. The inch, the mile and the nautical mile are exact:
// 25.4 mm, 1609.344 m (international, 1959) and 1852 m.
var units = [NumQuantities][]unit{
	Weight:      {{"kg", 1, 0}, {"g", 0.001, 0}, {"lb", KgPerPound, 0}},
	InsideTemp:  temperatures,
	InsideRH:    humidities,
	Battery:     {{"V", 1, 0}, {"mV", 0.001, 0}},
	Signal:      {{"dBm", 1, 0}},
	OutsideTemp: temperatures,
	OutsideRH:   humidities,
	Rain:        {{"mm", 1, 0}, {"cm", 10, 0}, {"in", 25.4, 0}},
	Wind:        {{"m/s", 1, 0}, {"km/h", 1 / 3.6, 0}, {"mph", 1609.344 / 3600, 0}, {"kn", 1852.0 / 3600, 0}},
}

// Units are those in which a mapping may give the quantity.
func (q Quantity) Units() []string {
	var names []string
	for _, u := range units[q] {
		names = append(names, u.name)
	}
	return names
}

// CheckUnit says which units there are when the quantity has not that one.
func (q Quantity) CheckUnit(name string) error {
	if slices.Contains(q.Units(), name) {
		return nil
	}
	return fmt.Errorf("unit %q is not known: want %s", name, strings.Join(q.Units(), ", "))
}

// FromUnit brings a value to the quantity's own unit, rounded to what is kept;
// unknown for a unit that it has not.
func (q Quantity) FromUnit(v float64, name string) float64 {
	for _, u := range units[q] {
		if u.name == name {
			return q.Round(v*u.times + u.plus)
		}
	}
	return Unknown
}
