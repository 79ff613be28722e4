// Package senml reads and writes SenML packs (RFC 8428), the form in which
// nodes send what they measured, in JSON and in CBOR. It exists so that the
// collector sees only resolved records: full name, own unit, own time, no base
// fields, whatever shorthand the node used to save airtime.
//
// Where the RFC leaves a choice, or this package departs from it:
//   - Secondary units (RFC 8798), such as mm and dBm, are accepted in packs of
//     version 10 too, although RFC 9100 wants version 26 for them: nodes in
//     the field send them, and no primary unit has the same name.
//   - A CBOR pack may name its labels in text ("n") where RFC 8428 §6 wants
//     small integers: a plain JSON to CBOR converter writes them so.
//   - A CBOR number may be NaN or infinite, as a broken sensor sends it, and a
//     JSON value null, as programs write NaN. It is passed on, so that it costs
//     that value alone and not the whole pack.
//   - A pack of no records is refused, as is a record with a base value and no
//     value of its own.
package senml

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json/jsontext"
)

// Limits of a pack: far above what a node sends that was out of reach for a
// month, and low enough for one message to be no burden.
const (
	MaxPackBytes = 1 << 20
	MaxRecords   = 20_000
	maxDepth     = 8 // of what an unknown label holds
	maxNameBytes = 256
	maxTextBytes = 4096 // of a text or data value
)

// A Kind says which of its value fields a record has.
type Kind uint8

// The kinds of value.
const (
	NoValue Kind = iota // only a sum
	Number              // v
	Text                // vs
	Boolean             // vb
	Data                // vd
)

func (k Kind) String() string {
	return [...]string{"no value", "a number", "text", "a boolean", "data"}[k]
}

// A Record is one resolved record (RFC 8428 §4.6).
type Record struct {
	Place int // in the pack as it was sent, from 1
	Name  string
	Unit  string // as sent; empty when the pack gives none
	Time  time.Time
	// Relative says that the time was counted from the arrival, for want of
	// one since 1970: it is worth no more than that.
	Relative bool
	Kind     Kind
	Value    float64 // Number
	Text     string  // Text, and the octets of Data
	Boolean  bool
	Sum      float64 // integral of the value over time, in unit times seconds
	HasSum   bool
	// UpdateWithin is the longest time until the next record of this name;
	// zero when the node does not say.
	UpdateWithin time.Duration
}

// A RecordError says which record of a pack is at fault.
type RecordError struct {
	Place int    // in the pack, from 1
	Label string // empty when it is about the record
	Err   error
}

func (e *RecordError) Error() string {
	if e.Label == "" {
		return fmt.Sprintf("record %d: %v", e.Place, e.Err)
	}
	return fmt.Sprintf("record %d: %q: %v", e.Place, e.Label, e.Err)
}

func (e *RecordError) Unwrap() error { return e.Err }

// ErrVersion is wrapped by the error about a pack of a version with features
// that this package does not know: such a pack must not be used (RFC 8428
// §4.4).
var ErrVersion = errors.New("only versions up to 10, and 26, are understood: set the node's encoder to one of them")

// Decode resolves a pack, JSON or CBOR as its first byte tells. arrived is the
// "now" that relative times are counted from.
func Decode(pack []byte, arrived time.Time) ([]Record, error) {
	return new(Decoder).Decode(pack, arrived)
}

// A Decoder decodes one pack after another without allocating for each. It is
// for one goroutine at a time.
type Decoder struct {
	records []Record
	met     map[string]string // names and units, so that each is kept once

	// Base fields stay in force for all later records until given anew
	// (RFC 8428 §4).
	baseName, baseUnit           []byte
	baseTime, baseValue, baseSum float64

	record fields // being read
	full   []byte // its name with the base name before it

	reader bytes.Reader
	json   jsontext.Decoder
}

// fields are those of one record, as sent. The buffers are used again.
type fields struct {
	seen    uint32 // one bit for each label
	number  [numLabels]float64
	octets  [numLabels][]byte
	boolean bool
}

func (f *fields) has(l label) bool { return f.seen&(1<<l.index()) != 0 }

// A label is a field of a record, by its number in CBOR (RFC 8428 §6, table 4).
type label int8

const (
	baseVersion label = -1
	baseName    label = -2
	baseTime    label = -3
	baseUnit    label = -4
	baseValue   label = -5
	baseSum     label = -6
	name        label = 0
	unit        label = 1
	value       label = 2
	textValue   label = 3
	boolValue   label = 4
	sum         label = 5
	timeLabel   label = 6
	updateTime  label = 7
	dataValue   label = 8
	unknown     label = 127

	numLabels = 15
)

func (l label) index() int { return int(l) + 6 }

// holds is the kind of value that a label wants.
func (l label) holds() Kind {
	switch l {
	case baseName, baseUnit, name, unit, textValue:
		return Text
	case boolValue:
		return Boolean
	case dataValue:
		return Data
	}
	return Number
}

// labelNames are the labels in JSON (RFC 8428 §4.1, §4.2).
var labelNames = [numLabels]string{
	baseVersion + 6: "bver", baseName + 6: "bn", baseTime + 6: "bt", baseUnit + 6: "bu", baseValue + 6: "bv", baseSum + 6: "bs",
	name + 6: "n", unit + 6: "u", value + 6: "v", textValue + 6: "vs", boolValue + 6: "vb", sum + 6: "s",
	timeLabel + 6: "t", updateTime + 6: "ut", dataValue + 6: "vd",
}

func (l label) String() string { return labelNames[l.index()] }

func labelOf(text []byte) label {
	for i := range labelNames {
		if labelNames[i] == string(text) {
			return label(i - 6)
		}
	}
	return unknown
}

// unknownLabel says whether a pack may hold a label that is not known: those
// that end in "_" must be understood, the others are passed over (RFC 8428
// §4.4).
func unknownLabel(text []byte) error {
	if len(text) > 0 && text[len(text)-1] == '_' {
		return errors.New(`a label ending in "_" must be understood, and this one is not: leave it out`)
	}
	return nil
}

// Decode is as the function of that name. The records are valid until the next
// call.
func (d *Decoder) Decode(pack []byte, arrived time.Time) ([]Record, error) {
	if len(pack) > MaxPackBytes {
		return nil, fmt.Errorf("pack of %d bytes is more than %d: send fewer records at once", len(pack), MaxPackBytes)
	}
	if len(pack) == 0 {
		return nil, errors.New("pack is empty: want a SenML array of records")
	}
	d.records = d.records[:0]
	d.baseName, d.baseUnit = d.baseName[:0], d.baseUnit[:0]
	d.baseTime, d.baseValue, d.baseSum = 0, 0, 0
	var err error
	switch first := pack[0]; {
	case first == '[', first == '{', first == ' ', first == '\t', first == '\r', first == '\n':
		err = d.decodeJSON(pack, arrived)
	case first>>5 == 4, first>>5 == 6: // an array, or a tag before one (RFC 8949 §3.1)
		err = d.decodeCBOR(pack, arrived)
	default:
		err = fmt.Errorf("first byte 0x%02x begins neither a JSON nor a CBOR array: want a SenML pack", first)
	}
	if err != nil {
		return nil, err
	}
	if len(d.records) == 0 {
		return nil, errors.New("pack has no records")
	}
	// RFC 8428 §4.6: resolved records are in the order of time.
	slices.SortStableFunc(d.records, func(a, b Record) int { return a.Time.Compare(b.Time) })
	return d.records, nil
}

// begin makes ready for the fields of the next record.
func (d *Decoder) begin() error {
	if len(d.records) >= MaxRecords {
		return fmt.Errorf("pack has more than %d records: send fewer at once", MaxRecords)
	}
	d.record.seen = 0
	return nil
}

// field notes that a label was met, which a record may hold once.
func (d *Decoder) field(l label) error {
	if d.record.has(l) {
		return d.fault(l, errors.New("is there twice"))
	}
	d.record.seen |= 1 << l.index()
	return nil
}

// fault is an error about a label of the record being read.
func (d *Decoder) fault(l label, err error) error {
	return &RecordError{Place: len(d.records) + 1, Label: l.String(), Err: err}
}

// resolve ends a record: it takes over its base fields and appends what the
// record says in full.
func (d *Decoder) resolve(arrived time.Time) error {
	f := &d.record
	whole := func(err error) error { return &RecordError{Place: len(d.records) + 1, Err: err} }
	if f.has(baseVersion) {
		if v := f.number[baseVersion.index()]; !understood(v) {
			return d.fault(baseVersion, fmt.Errorf("version %g: %w", v, ErrVersion))
		}
	}
	if f.has(baseName) {
		d.baseName = append(d.baseName[:0], f.octets[baseName.index()]...)
	}
	if f.has(baseUnit) {
		d.baseUnit = append(d.baseUnit[:0], f.octets[baseUnit.index()]...)
	}
	if f.has(baseTime) {
		d.baseTime = f.number[baseTime.index()]
	}
	if f.has(baseValue) {
		d.baseValue = f.number[baseValue.index()]
	}
	if f.has(baseSum) {
		d.baseSum = f.number[baseSum.index()]
	}

	r := Record{Place: len(d.records) + 1}
	d.full = append(d.full[:0], d.baseName...)
	if f.has(name) {
		d.full = append(d.full, f.octets[name.index()]...)
	}
	if err := checkName(d.full); err != nil {
		return whole(err)
	}
	r.Name = d.once(d.full)

	// RFC 8428 §4.5.2: the record's own unit, else the base unit.
	if f.has(unit) {
		r.Unit = d.once(f.octets[unit.index()])
	} else {
		r.Unit = d.once(d.baseUnit)
	}

	seconds := d.baseTime
	if f.has(timeLabel) {
		seconds += f.number[timeLabel.index()]
	}
	var err error
	if r.Time, r.Relative, err = resolveTime(seconds, arrived); err != nil {
		return whole(err)
	}

	// RFC 8428 §4.2: one value field, or none beside a sum.
	values := 0
	if f.has(value) {
		values++
		r.Kind, r.Value = Number, d.baseValue+f.number[value.index()]
	}
	if f.has(textValue) {
		values++
		r.Kind, r.Text = Text, string(f.octets[textValue.index()])
	}
	if f.has(boolValue) {
		values++
		r.Kind, r.Boolean = Boolean, f.boolean
	}
	if f.has(dataValue) {
		values++
		r.Kind, r.Text = Data, string(f.octets[dataValue.index()])
	}
	if f.has(sum) {
		r.HasSum, r.Sum = true, d.baseSum+f.number[sum.index()]
	}
	if values > 1 {
		return whole(errors.New("more than one of v, vs, vb, vd: want one"))
	}
	if values == 0 && !r.HasSum {
		return whole(errors.New("no value: want one of v, vs, vb, vd (a base value alone is none)"))
	}

	if f.has(updateTime) {
		within := f.number[updateTime.index()]
		if !(within >= 0 && within < maxSeconds) {
			return d.fault(updateTime, fmt.Errorf("%g is no number of seconds to wait", within))
		}
		r.UpdateWithin = time.Duration(within * float64(time.Second)).Round(time.Microsecond)
	}
	d.records = append(d.records, r)
	return nil
}

// maxMet bounds the names and units that are remembered: nodes use a dozen.
const maxMet = 256

// once returns the octets as a string, the same one each time.
func (d *Decoder) once(octets []byte) string {
	if s, ok := d.met[string(octets)]; ok {
		return s
	}
	s := string(octets)
	if d.met == nil {
		d.met = make(map[string]string)
	}
	if len(d.met) < maxMet {
		d.met[s] = s
	}
	return s
}

// understood says whether a pack of that version may be used. RFC 8428 §4.4
// lets every whole version up to its own 10 pass; above it the number is a set
// of feature bits (RFC 9100): 10 for all that RFC 8428 is made of, and 2^4 for
// secondary units.
func understood(version float64) bool {
	const plain, secondaryUnits = 10, 1 << 4
	return version == math.Trunc(version) && version >= 1 && version <= plain || version == plain+secondaryUnits
}

// checkName holds RFC 8428 §4.5.1 against a name with its base name before it.
func checkName(name []byte) error {
	if len(name) == 0 {
		return errors.New("a record needs a name")
	}
	if len(name) > maxNameBytes {
		return fmt.Errorf("name of %d bytes is longer than %d", len(name), maxNameBytes)
	}
	for i, c := range name {
		alphanumeric := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		if alphanumeric || i > 0 && strings.IndexByte("-:./_", c) >= 0 {
			continue
		}
		if i == 0 {
			return fmt.Errorf("name %q must begin with a letter or digit", name)
		}
		return fmt.Errorf("name %q holds %q: only letters, digits and - : . / _ are allowed", name, c)
	}
	return nil
}

// maxSeconds is how far a time may be from its origin: a float64 holds
// microseconds up to there (the year 2242).
const maxSeconds = 1 << 33

// resolveTime is RFC 8428 §4.5.3: a sum below 2^28 is relative to now, one at
// or above it counts from 1970. It is the sum that decides, not its parts.
func resolveTime(seconds float64, arrived time.Time) (at time.Time, relative bool, err error) {
	if !(seconds > -maxSeconds && seconds < maxSeconds) {
		return time.Time{}, false, fmt.Errorf("time %g is centuries away: want seconds", seconds)
	}
	whole, fraction := math.Modf(seconds)
	nanos := int64(math.Round(fraction*1e6)) * 1000
	if seconds >= 1<<28 {
		return time.Unix(int64(whole), nanos).UTC(), false, nil
	}
	return time.Unix(arrived.Unix()+int64(whole), int64(arrived.Nanosecond())+nanos).Round(time.Microsecond).UTC(), true, nil
}
