package senml

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"
	"unicode/utf8"
)

// decodeCBOR reads a pack as RFC 8428 §6 writes it: an array of maps whose
// labels are small integers.
func (d *Decoder) decodeCBOR(pack []byte, arrived time.Time) error {
	r := cborReader{rest: pack}
	h, err := r.head()
	if err != nil {
		return fmt.Errorf("pack: %w", err)
	}
	// RFC 8949 §3.4.6: a tag that only says "this is CBOR".
	const selfDescribed = 55799
	if h.major == cborTag && h.arg == selfDescribed {
		if h, err = r.head(); err != nil {
			return fmt.Errorf("pack: %w", err)
		}
	}
	if h.major != cborArray {
		return errors.New("pack is no CBOR array: want an array of records")
	}
	for i := uint64(0); ; i++ {
		end, err := r.end(h, i)
		if err != nil {
			return fmt.Errorf("pack: %w", err)
		}
		if end {
			break
		}
		if err := d.begin(); err != nil {
			return err
		}
		if err := d.recordCBOR(&r); err != nil {
			var at *RecordError
			if errors.As(err, &at) {
				return err
			}
			return &RecordError{Place: len(d.records) + 1, Err: err}
		}
		if err := d.resolve(arrived); err != nil {
			return err
		}
	}
	if len(r.rest) > 0 {
		return errors.New("something follows the pack: want one array and nothing else")
	}
	return nil
}

func (d *Decoder) recordCBOR(r *cborReader) error {
	h, err := r.head()
	if err != nil {
		return err
	}
	if h.major != cborMap {
		return errors.New("is no CBOR map")
	}
	for i := uint64(0); ; i++ {
		end, err := r.end(h, i)
		if err != nil || end {
			return err
		}
		l, err := d.labelCBOR(r)
		if err != nil {
			return err
		}
		if l == unknown {
			if err := r.skip(0); err != nil {
				return err
			}
			continue
		}
		if err := d.field(l); err != nil {
			return err
		}
		if err := d.valueCBOR(r, l); err != nil {
			return d.fault(l, err)
		}
	}
}

func (d *Decoder) labelCBOR(r *cborReader) (label, error) {
	h, err := r.head()
	if err != nil {
		return unknown, err
	}
	switch h.major {
	case cborUint:
		if h.arg <= uint64(dataValue) {
			return label(h.arg), nil
		}
		return unknown, nil // RFC 8428 §4.4 lets unknown labels pass
	case cborNegative:
		if h.arg < uint64(-baseSum) {
			return label(-1 - int64(h.arg)), nil
		}
		return unknown, nil
	case cborText:
		text, err := r.octets(h, d.full[:0], maxNameBytes)
		if err != nil {
			return unknown, err
		}
		l := labelOf(text)
		if l == unknown {
			if err := unknownLabel(text); err != nil {
				return unknown, &RecordError{Place: len(d.records) + 1, Label: string(text), Err: err}
			}
		}
		return l, nil
	}
	return unknown, errors.New("a label is neither a CBOR integer nor text")
}

func (d *Decoder) valueCBOR(r *cborReader, l label) error {
	f := &d.record
	h, err := r.head()
	if err != nil {
		return err
	}
	switch l.holds() {
	case Text, Data:
		want, kind, limit := cborText, "text", maxNameBytes
		if l.holds() == Data { // RFC 8428 §6: octets as they are, no base64
			want, kind = cborBytes, "byte"
		}
		if l == textValue || l == dataValue {
			limit = maxTextBytes
		}
		if h.major != want {
			return fmt.Errorf("want a CBOR %s string", kind)
		}
		text, err := r.octets(h, f.octets[l.index()][:0], limit)
		if err != nil {
			return err
		}
		f.octets[l.index()] = text
		return nil
	case Boolean:
		if h.major != cborSimple || h.info != simpleFalse && h.info != simpleTrue {
			return errors.New("want a CBOR boolean")
		}
		f.boolean = h.info == simpleTrue
		return nil
	}
	f.number[l.index()], err = r.number(h)
	if err != nil {
		return err
	}
	if l != value && (math.IsNaN(f.number[l.index()]) || math.IsInf(f.number[l.index()], 0)) {
		return errors.New("is no finite number")
	}
	return nil
}

// Major types and simple values of RFC 8949 §3.
const (
	cborUint     byte = 0
	cborNegative byte = 1
	cborBytes    byte = 2
	cborText     byte = 3
	cborArray    byte = 4
	cborMap      byte = 5
	cborTag      byte = 6
	cborSimple   byte = 7

	simpleFalse    = 20
	simpleTrue     = 21
	simpleByte     = 24
	simpleHalf     = 25
	simpleSingle   = 26
	simpleDouble   = 27
	infoIndefinite = 31
)

// A cborHead is the start of a data item (RFC 8949 §3).
type cborHead struct {
	major      byte
	info       byte // the five bits beside it
	arg        uint64
	indefinite bool
}

// A cborReader walks over data items. It reads no further than its octets and
// trusts no length that they claim.
type cborReader struct{ rest []byte }

var errCut = errors.New("CBOR is cut short")

func (r *cborReader) head() (cborHead, error) {
	if len(r.rest) == 0 {
		return cborHead{}, errCut
	}
	first := r.rest[0]
	h := cborHead{major: first >> 5, info: first & 31}
	size := 0
	switch {
	case h.info < 24:
		h.arg = uint64(h.info)
	case h.info <= 27:
		size = 1 << (h.info - 24)
	case h.info == infoIndefinite && h.major >= cborBytes && h.major != cborTag:
		h.indefinite = true
	default:
		return cborHead{}, fmt.Errorf("CBOR byte 0x%02x has no meaning (RFC 8949 §3)", first)
	}
	if len(r.rest) < 1+size {
		return cborHead{}, errCut
	}
	for _, b := range r.rest[1 : 1+size] {
		h.arg = h.arg<<8 | uint64(b)
	}
	if h.major == cborSimple && h.info == simpleByte && h.arg < 32 {
		return cborHead{}, errors.New("CBOR simple value in too long a form (RFC 8949 §3.3)")
	}
	r.rest = r.rest[1+size:]
	return h, nil
}

// end says whether an array or map of that head is over after i of its items;
// the break of one of indefinite length is read.
func (r *cborReader) end(h cborHead, i uint64) (bool, error) {
	if !h.indefinite {
		return i == h.arg, nil
	}
	if len(r.rest) == 0 {
		return false, errCut
	}
	if r.rest[0] != cborSimple<<5|infoIndefinite {
		return false, nil
	}
	r.rest = r.rest[1:]
	return true, nil
}

// octets appends a byte or text string to dst, chunk by chunk where it has no
// definite length (RFC 8949 §3.2.3).
func (r *cborReader) octets(h cborHead, dst []byte, limit int) ([]byte, error) {
	chunk := func(h cborHead) error {
		if h.arg > uint64(len(r.rest)) {
			return errCut
		}
		if h.arg > uint64(limit-len(dst)) {
			return fmt.Errorf("more than %d bytes", limit)
		}
		text := r.rest[:h.arg]
		if h.major == cborText && !utf8.Valid(text) {
			return errors.New("text is not UTF-8")
		}
		dst = append(dst, text...)
		r.rest = r.rest[h.arg:]
		return nil
	}
	if !h.indefinite {
		err := chunk(h)
		return dst, err
	}
	for {
		end, err := r.end(h, 0)
		if err != nil || end {
			return dst, err
		}
		piece, err := r.head()
		if err != nil {
			return dst, err
		}
		if piece.major != h.major || piece.indefinite {
			return dst, errors.New("a string's chunk is of another kind (RFC 8949 §3.2.3)")
		}
		if err := chunk(piece); err != nil {
			return dst, err
		}
	}
}

// number reads an integer, a float, or a decimal fraction, which RFC 8428 §6
// allows for numbers.
func (r *cborReader) number(h cborHead) (float64, error) {
	switch h.major {
	case cborUint:
		return float64(h.arg), nil
	case cborNegative:
		return -1 - float64(h.arg), nil
	case cborTag:
		const decimalFraction = 4 // RFC 8949 §3.4.4
		if h.arg == decimalFraction {
			return r.decimalFraction()
		}
	case cborSimple:
		switch h.info {
		case simpleHalf:
			return half(uint16(h.arg)), nil
		case simpleSingle:
			return float64(math.Float32frombits(uint32(h.arg))), nil
		case simpleDouble:
			return math.Float64frombits(h.arg), nil
		}
	}
	return 0, errors.New("want a CBOR integer, float or decimal fraction")
}

// decimalFraction reads the exponent and mantissa of tag 4.
func (r *cborReader) decimalFraction() (float64, error) {
	h, err := r.head()
	if err != nil {
		return 0, err
	}
	if h.major != cborArray || h.indefinite || h.arg != 2 {
		return 0, errors.New("want a decimal fraction of exponent and mantissa")
	}
	var parts [2]int64
	for i := range parts {
		h, err := r.head()
		if err != nil {
			return 0, err
		}
		if h.major > cborNegative || h.arg > math.MaxInt64 {
			return 0, errors.New("want a decimal fraction of two 64-bit integers")
		}
		parts[i] = int64(h.arg)
		if h.major == cborNegative {
			parts[i] = -1 - parts[i]
		}
	}
	// By way of its text, so that 41.25 as [-2, 4125] is the float64 nearest
	// to it, as it would be from JSON.
	text := strconv.AppendInt(nil, parts[1], 10)
	text = append(text, 'e')
	text = strconv.AppendInt(text, parts[0], 10)
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		return 0, fmt.Errorf("decimal fraction %s is larger than any number that can be held", text)
	}
	return v, nil
}

// skip passes over one data item and what it holds.
func (r *cborReader) skip(depth int) error {
	if depth > maxDepth {
		return fmt.Errorf("an unknown label holds more than %d levels", maxDepth)
	}
	h, err := r.head()
	if err != nil {
		return err
	}
	switch h.major {
	case cborBytes, cborText:
		_, err = r.octets(h, nil, MaxPackBytes)
		return err
	case cborTag:
		return r.skip(depth + 1)
	case cborSimple:
		if h.indefinite {
			return errors.New("CBOR break where an item should be")
		}
	case cborArray, cborMap:
		for i := uint64(0); ; i++ {
			end, err := r.end(h, i)
			if err != nil || end {
				return err
			}
			if err := r.skip(depth + 1); err != nil {
				return err
			}
			if h.major == cborMap {
				if err := r.skip(depth + 1); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// half is the value of an IEEE 754 half-precision float (RFC 8949 appendix D).
func half(bits uint16) float64 {
	exponent, mantissa := int(bits>>10)&31, float64(bits&1023)
	var v float64
	switch exponent {
	case 0:
		v = math.Ldexp(mantissa, -24)
	case 31:
		v = math.Inf(1)
		if mantissa != 0 {
			v = math.NaN()
		}
	default:
		v = math.Ldexp(mantissa+1024, exponent-25)
	}
	if bits&0x8000 != 0 {
		v = -v
	}
	return v
}
