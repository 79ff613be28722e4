// Package mapping reads the messages of devices that have JSON of their own, as
// mappings in the config say. It exists so that a device whose program nobody
// can change is as welcome as one that sends SenML: its keeper writes down
// where in its messages each thing stands, and no code is needed.
//
// Paths are those of github.com/tidwall/gjson.
package mapping

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/tidwall/gjson"

	"outyard"
)

// MaxMessageBytes bounds what is looked at: far above what a device or a
// gateway sends at once.
const MaxMessageBytes = 1 << 20

// A Set is the mappings in force. The nil Set has none. It is safe for
// concurrent use.
type Set struct {
	inForce atomic.Pointer[[]outyard.Mapping]
}

// NewSet checks the mappings and puts them in force, in their order.
func NewSet(mappings []outyard.Mapping) (*Set, error) {
	s := new(Set)
	if err := s.Replace(mappings); err != nil {
		return nil, err
	}
	return s, nil
}

// Replace puts others in force, or, where one is wrong, leaves them as they are.
func (s *Set) Replace(mappings []outyard.Mapping) error {
	for _, m := range mappings {
		if err := check(m); err != nil {
			return fmt.Errorf("mapping %q: %w", m.Name, err)
		}
	}
	s.inForce.Store(&mappings)
	return nil
}

// all are the mappings in force.
func (s *Set) all() []outyard.Mapping {
	if s == nil {
		return nil
	}
	return *s.inForce.Load()
}

// check finds what would make every message unreadable. The config has looked
// closer, and knows the line.
func check(m outyard.Mapping) error {
	if err := outyard.CheckTopicFilter(m.Filter); err != nil {
		return fmt.Errorf("topic %q: %w", m.Filter, err)
	}
	if len(m.Values) == 0 {
		return errors.New("no quantities")
	}
	for _, v := range m.Values {
		if b := v.Bytes; b != nil && (b.At < 0 || b.Width < 1 || b.Width > outyard.MaxByteWidth) {
			return fmt.Errorf("%s: %d bytes at %d: want 1 to %d bytes, at 0 or further", v.Name(), b.Width, b.At, outyard.MaxByteWidth)
		}
		if v.Raw {
			continue
		}
		if err := v.Quantity.CheckUnit(v.Unit); err != nil {
			return fmt.Errorf("%s: %w", v.Name(), err)
		}
	}
	return nil
}

// Filters are the topic filters, each once.
func (s *Set) Filters() []string {
	var filters []string
	met := map[string]bool{}
	for _, m := range s.all() {
		if !met[m.Filter] {
			met[m.Filter] = true
			filters = append(filters, m.Filter)
		}
	}
	return filters
}

// Matches says whether there is a mapping for the topic.
func (s *Set) Matches(topic string) bool {
	all := s.all()
	for i := range all {
		if matches(all[i].Filter, topic) {
			return true
		}
	}
	return false
}

// matches says whether a filter is for a topic: MQTT 3.1.1 §4.7. Wildcards at
// the front leave out topics that begin with $, which are the broker's own.
func matches(filter, topic string) bool {
	if strings.HasPrefix(topic, "$") && !strings.HasPrefix(filter, "$") {
		return false
	}
	for {
		level, belowFilter, more := strings.Cut(filter, "/")
		if level == "#" {
			return true
		}
		is, belowTopic, goesOn := strings.Cut(topic, "/")
		if level != "+" && level != is {
			return false
		}
		switch {
		case more && !goesOn:
			return belowFilter == "#" // # is for the level above it too
		case !more:
			return !goesOn
		}
		filter, topic = belowFilter, belowTopic
	}
}

// A Row is what one mapping makes of a message.
type Row struct {
	Mapping string
	// Reading has every quantity but a weight that came as counts. It has not
	// been checked.
	Reading outyard.Reading
	Counts  float64 // of the hive's scale; unknown where none came
	// Untimed says that the message gave no time, so that it is taken to tell
	// of its arrival.
	Untimed bool
}

// Read makes of a message what each mapping for its topic says, in their
// order, appended to rows. When one of them cannot, the message is unreadable
// as a whole. The error names the mapping.
func (s *Set) Read(rows []Row, topic string, payload []byte, arrived time.Time) ([]Row, error) {
	all := s.all()
	for i := range all {
		m := &all[i]
		if !matches(m.Filter, topic) {
			continue
		}
		row, err := read(m, topic, payload, arrived)
		if err != nil {
			return nil, fmt.Errorf("mapping %q: %w", m.Name, err)
		}
		rows = append(rows, row)
	}
	return rows, nil
}

func read(m *outyard.Mapping, topic string, payload []byte, arrived time.Time) (Row, error) {
	msg, yard, hive, err := about(m, topic, payload)
	if err != nil {
		return Row{}, err
	}
	at, timed, err := msg.time(m.Time)
	if err != nil {
		return Row{}, fmt.Errorf("time: %w", err)
	}
	if !timed {
		at = arrived
	}
	row := Row{Mapping: m.Name, Reading: outyard.NewReading(outyard.YardID(yard), outyard.HiveID(hive), at), Counts: outyard.Unknown, Untimed: !timed}
	for _, v := range m.Values {
		x, err := msg.value(v)
		switch {
		case err != nil:
			return Row{}, fmt.Errorf("%s: %w", v.Name(), err)
		case v.Raw:
			row.Counts = x
		case outyard.Known(x):
			if x = v.Quantity.FromUnit(x, v.Unit); !outyard.Known(x) {
				return Row{}, fmt.Errorf("%s: is too large", v.Name())
			}
			row.Reading.Values[v.Quantity] = x
		}
	}
	if row.Reading.Empty() && !outyard.Known(row.Counts) {
		return Row{}, errors.New("holds none of the quantities")
	}
	if err := row.Reading.Yard.Check(); err != nil {
		return Row{}, fmt.Errorf("%w: the mapping's yard.as can say which yard it is", err)
	}
	if err := row.Reading.Hive.Check(); hive != "" && err != nil {
		return Row{}, fmt.Errorf("%w: the mapping's hive.as can say which hive it is", err)
	}
	return row, nil
}

// about opens a message and finds out whose it is.
func about(m *outyard.Mapping, topic string, payload []byte) (msg message, yard, hive string, err error) {
	if msg, err = open(m, payload); err != nil {
		return message{}, "", "", err
	}
	if yard, err = msg.id(m.Yard, topic); err != nil {
		return message{}, "", "", fmt.Errorf("yard: %w", err)
	}
	if hive, err = msg.id(m.Hive, topic); err != nil {
		return message{}, "", "", fmt.Errorf("hive: %w", err)
	}
	return msg, yard, hive, nil
}

// A Place is whose a message is: a hive, or with none the weather of a yard.
type Place struct {
	Yard outyard.YardID
	Hive outyard.HiveID
}

// Places says whose readings a message brings, by each mapping for its topic. A
// message of which that cannot be told, or only in part, is one that Read
// cannot read either.
func (s *Set) Places(topic string, payload []byte) ([]Place, error) {
	all := s.all()
	var places []Place
	for i := range all {
		m := &all[i]
		if !matches(m.Filter, topic) {
			continue
		}
		_, yard, hive, err := about(m, topic, payload)
		if err != nil {
			return nil, fmt.Errorf("mapping %q: %w", m.Name, err)
		}
		at := Place{outyard.YardID(yard), outyard.HiveID(hive)}
		if err := at.Yard.Check(); err != nil {
			return nil, fmt.Errorf("mapping %q: %w", m.Name, err)
		}
		places = append(places, at)
	}
	return places, nil
}

// A message is one that is being read.
type message struct {
	outer []byte
	inner []byte // what the base64 field holds
}

// open finds out whether a message can be read at all.
func open(m *outyard.Mapping, payload []byte) (message, error) {
	if len(payload) > MaxMessageBytes {
		return message{}, fmt.Errorf("message of %d bytes is more than %d", len(payload), MaxMessageBytes)
	}
	if err := wellFormed(payload); err != nil {
		return message{}, fmt.Errorf("message is no JSON: %w", err)
	}
	msg := message{outer: payload}
	if m.Base64 == "" {
		return msg, nil
	}
	held := gjson.GetBytes(payload, m.Base64)
	if missing(held) {
		return message{}, fieldError(m.Base64, "is missing")
	}
	if held.Type != gjson.String {
		return message{}, fieldError(m.Base64, "holds %s: want base64", kind(held))
	}
	var err error
	if msg.inner, err = fromBase64(held.Str); err != nil {
		return message{}, fieldError(m.Base64, "is no base64: %v", err)
	}
	if wantsInner(m) {
		if err := wellFormed(msg.inner); err != nil {
			return message{}, fieldError(m.Base64, "holds no JSON within its base64: %v", err)
		}
	}
	return msg, nil
}

// wellFormed says what keeps a text from being one JSON value. gjson takes what
// it looks at for well formed; a name given twice would be one guessed.
func wellFormed(text []byte) error {
	dec := jsontext.NewDecoder(bytes.NewReader(text))
	if _, err := dec.ReadValue(); err != nil {
		if errors.Is(err, io.EOF) {
			return errors.New("it is empty")
		}
		return errors.New(strings.TrimPrefix(err.Error(), "jsontext: "))
	}
	if _, err := dec.ReadToken(); err != io.EOF {
		return errors.New("something follows its end")
	}
	return nil
}

func wantsInner(m *outyard.Mapping) bool {
	if m.Yard.Inner != "" || m.Hive.Inner != "" || m.Time.Inner != "" {
		return true
	}
	for _, v := range m.Values {
		if v.Inner != "" {
			return true
		}
	}
	return false
}

func missing(v gjson.Result) bool { return !v.Exists() || v.Type == gjson.Null }

func kind(v gjson.Result) string {
	switch {
	case v.Type == gjson.String:
		return "text"
	case v.Type == gjson.Number:
		return "a number"
	case v.IsBool():
		return "true or false"
	case v.IsArray():
		return "a list"
	}
	return "an object"
}

func fieldError(path, format string, args ...any) error {
	return fmt.Errorf("field %q "+format, append([]any{path}, args...)...)
}
