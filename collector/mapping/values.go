package mapping

import (
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/tidwall/gjson"

	"outyard"
)

// errMissing says that a field is not there, or null.
var errMissing = errors.New("missing")

// id finds an id; empty where there is no origin.
func (msg message) id(o outyard.Origin, topic string) (string, error) {
	var id string
	switch {
	case o.Fixed != "":
		return o.Fixed, nil
	case o.Level > 0:
		levels := strings.Split(topic, "/")
		if o.Level > len(levels) {
			return "", fmt.Errorf("topic %q has no level %d", topic, o.Level)
		}
		id = levels[o.Level-1]
	case o.Field != "" || o.Inner != "":
		field, path := msg.field(outyard.Spot{Field: o.Field, Inner: o.Inner})
		if missing(field) {
			return "", fieldError(path, "is %w", errMissing)
		}
		// A number is an id as it is written: 007 is no JSON, and 1e3 no id.
		if field.Type != gjson.String && field.Type != gjson.Number {
			return "", fieldError(path, "holds %s: want an id", kind(field))
		}
		id = field.Str
		if field.Type == gjson.Number {
			id = field.Raw
		}
	default:
		return "", nil
	}
	if as, known := o.As[id]; known {
		return as, nil
	}
	if id == "" { // an empty hive would be the yard's weather
		return "", errors.New("id is empty")
	}
	return id, nil
}

// field looks up a path, in the message or in what it wraps.
func (msg message) field(s outyard.Spot) (field gjson.Result, path string) {
	if s.Inner != "" {
		return gjson.GetBytes(msg.inner, s.Inner), s.Inner
	}
	return gjson.GetBytes(msg.outer, s.Field), s.Field
}

// number finds a number. Some devices write theirs as text.
func (msg message) number(s outyard.Spot) (float64, error) {
	if s.Bytes != nil {
		return msg.bytes(*s.Bytes)
	}
	field, path := msg.field(s)
	var x float64
	switch {
	case missing(field):
		return outyard.Unknown, fieldError(path, "is %w", errMissing)
	case field.Type == gjson.Number:
		x = field.Num
	case field.Type == gjson.String:
		var err error
		// ParseFloat also reads infinities and hexadecimals.
		if x, err = strconv.ParseFloat(field.Str, 64); err != nil || strings.Trim(field.Str, "0123456789+-.eE") != "" {
			return outyard.Unknown, fieldError(path, "holds the text %.40q: want a number", field.Str)
		}
	default:
		return outyard.Unknown, fieldError(path, "holds %s: want a number", kind(field))
	}
	if !outyard.Known(x) {
		return outyard.Unknown, fieldError(path, "is %.40s: too large for a number", field.Raw)
	}
	return x, nil
}

// bytes finds a whole number in the bytes of the base64 field.
func (msg message) bytes(r outyard.ByteRange) (float64, error) {
	if r.At > len(msg.inner)-r.Width {
		return outyard.Unknown, fmt.Errorf("bytes %d to %d are %w: there are %d", r.At, r.At+r.Width-1, errMissing, len(msg.inner))
	}
	var n uint64
	for i := range r.Width {
		at := r.At + i
		if r.Little {
			at = r.At + r.Width - 1 - i
		}
		n = n<<8 | uint64(msg.inner[at])
	}
	if !r.Signed {
		return float64(n), nil
	}
	unused := 64 - 8*r.Width // two's complement, as is usual
	return float64(int64(n<<unused) >> unused), nil
}

// value finds a value in its mapping's unit; unknown where there need be none.
func (msg message) value(v outyard.MappedValue) (float64, error) {
	x, err := msg.number(v.Spot)
	if errors.Is(err, errMissing) && v.Optional {
		return outyard.Unknown, nil
	}
	if err != nil {
		return outyard.Unknown, err
	}
	if v.Absent != nil && x == *v.Absent {
		return outyard.Unknown, nil
	}
	if x = x*v.Scale + v.Offset; !outyard.Known(x) {
		return outyard.Unknown, errors.New("is too large with its scale and offset")
	}
	return x, nil
}

// maxSeconds since 1970 is what a time may be: the year 9999, RFC 3339's last.
const maxSeconds = 253402300799

// time finds the time, if there is to be one.
func (msg message) time(t outyard.MappedTime) (at time.Time, timed bool, err error) {
	if t.Spot == (outyard.Spot{}) {
		return time.Time{}, false, nil
	}
	at, err = msg.instant(t)
	if errors.Is(err, errMissing) && t.Optional {
		return time.Time{}, false, nil
	}
	return at, true, err
}

func (msg message) instant(t outyard.MappedTime) (time.Time, error) {
	if t.Format == outyard.RFC3339 {
		field, path := msg.field(t.Spot)
		if missing(field) {
			return time.Time{}, fieldError(path, "is %w", errMissing)
		}
		if field.Type != gjson.String {
			return time.Time{}, fieldError(path, "holds %s: want a time such as 2027-05-12T18:40:00Z", kind(field))
		}
		at, err := time.Parse(time.RFC3339, field.Str)
		if err != nil {
			return time.Time{}, fieldError(path, "is %.40q: want a time such as 2027-05-12T18:40:00Z", field.Str)
		}
		return at.UTC(), nil
	}
	x, err := msg.number(t.Spot)
	if err != nil {
		return time.Time{}, err
	}
	seconds := x
	if t.Format == outyard.UnixMilli {
		seconds /= 1000
	}
	if seconds < 0 || seconds > maxSeconds {
		return time.Time{}, fmt.Errorf("%g is no time in %s: is it another format?", x, t.Format)
	}
	whole, part := math.Modf(seconds)
	return time.Unix(int64(whole), int64(part*1e9)).UTC(), nil
}

// fromBase64 reads either alphabet of RFC 4648, §4 and §5, with or without
// padding.
func fromBase64(s string) ([]byte, error) {
	s = strings.TrimRight(s, "=")
	s = strings.NewReplacer("-", "+", "_", "/").Replace(s)
	b, err := base64.RawStdEncoding.DecodeString(s)
	if err != nil {
		return nil, errors.New("a letter or its length is wrong")
	}
	return b, nil
}
