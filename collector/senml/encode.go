package senml

import (
	"encoding/base64"
	"math"
	"strconv"
	"time"

	"github.com/go-json-experiment/json/jsontext"

	"outyard"
)

// EncodeRecords writes resolved records as a JSON pack without base fields but
// the version. A time before 1978-07-04 cannot be said in SenML but relative
// to now, and a number that is not finite not at all in JSON: neither may be
// among them.
func EncodeRecords(records []Record) []byte {
	b := []byte{'['}
	for i, r := range records {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, '{')
		if i == 0 && needsSecondary(records) {
			b = append(b, `"bver":26,`...)
		}
		b = append(b, `"n":"`...)
		b = append(b, r.Name...) // of a charset that needs no quoting
		b = append(b, '"')
		if r.Unit != "" {
			b = append(b, `,"u":`...)
			b, _ = jsontext.AppendQuote(b, r.Unit) // errs on text that is not UTF-8, which it mends
		}
		b = append(b, `,"t":`...)
		b = appendSeconds(b, r.Time)
		switch r.Kind {
		case Number:
			b = append(b, `,"v":`...)
			b = appendNumber(b, r.Value)
		case Text:
			b = append(b, `,"vs":`...)
			b, _ = jsontext.AppendQuote(b, r.Text)
		case Boolean:
			b = append(b, `,"vb":`...)
			b = strconv.AppendBool(b, r.Boolean)
		case Data:
			b = append(b, `,"vd":"`...)
			b = base64.RawURLEncoding.AppendEncode(b, []byte(r.Text))
			b = append(b, '"')
		}
		if r.HasSum {
			b = append(b, `,"s":`...)
			b = appendNumber(b, r.Sum)
		}
		if r.UpdateWithin > 0 {
			b = append(b, `,"ut":`...)
			b = appendNumber(b, r.UpdateWithin.Seconds())
		}
		b = append(b, '}')
	}
	return append(b, ']')
}

func needsSecondary(records []Record) bool {
	for _, r := range records {
		if isSecondary(r.Unit) {
			return true
		}
	}
	return false
}

// units are those in which readings are written.
var units = [outyard.NumQuantities]string{
	outyard.Weight: "kg", outyard.InsideTemp: "Cel", outyard.InsideRH: "%RH", outyard.Battery: "V", outyard.Signal: "dBm",
	outyard.OutsideTemp: "Cel", outyard.OutsideRH: "%RH", outyard.Rain: "mm", outyard.Wind: "m/s",
}

// Encode writes readings of one hive, or of one yard's weather, as a node
// would send them: a JSON pack with a base time, each quantity's unit beside
// it, and nothing for what is unknown. Whose readings they are the topic says.
// It is nil when nothing at all is known.
func Encode(rs []outyard.Reading) []byte {
	b := []byte{'['}
	var base time.Time
	for _, r := range rs {
		for q, v := range r.Values {
			if !outyard.Known(v) {
				continue
			}
			if base.IsZero() {
				base = r.Time
				b = append(b, '{')
				if anySecondary(rs) {
					b = append(b, `"bver":26,`...)
				}
				b = append(b, `"bt":`...)
				b = strconv.AppendInt(b, base.Unix(), 10)
				b = append(b, ',')
			} else {
				b = append(b, ",{"...)
			}
			b = append(b, `"n":"`...)
			b = append(b, outyard.Quantity(q).Info().Name...)
			b = append(b, `","u":"`...)
			b = append(b, units[q]...)
			if later := r.Time.Unix() - base.Unix(); later != 0 {
				b = append(b, `","t":`...)
				b = strconv.AppendInt(b, later, 10)
				b = append(b, `,"v":`...)
			} else {
				b = append(b, `","v":`...)
			}
			b = appendNumber(b, outyard.Quantity(q).Round(v))
			b = append(b, '}')
		}
	}
	if base.IsZero() {
		return nil
	}
	return append(b, ']')
}

func anySecondary(rs []outyard.Reading) bool {
	for _, r := range rs {
		for q, v := range r.Values {
			if outyard.Known(v) && isSecondary(units[q]) {
				return true
			}
		}
	}
	return false
}

// appendNumber writes the shortest text that reads back as v, its exponent
// with a small e (RFC 8428 §5).
func appendNumber(b []byte, v float64) []byte {
	format := byte('f')
	if size := math.Abs(v); size != 0 && (size < 1e-6 || size >= 1e21) {
		format = 'e'
	}
	return strconv.AppendFloat(b, v, format, -1, 64)
}

// appendSeconds writes an instant in seconds since 1970, to the microsecond.
func appendSeconds(b []byte, at time.Time) []byte {
	b = strconv.AppendInt(b, at.Unix(), 10)
	if micros := at.Nanosecond() / 1000; micros != 0 {
		b = append(b, '.')
		digits := strconv.Itoa(1_000_000 + micros)
		b = append(b, digits[1:]...)
	}
	return b
}
