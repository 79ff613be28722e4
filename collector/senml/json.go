package senml

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"github.com/go-json-experiment/json/jsontext"
)

// decodeJSON reads a pack token by token (RFC 8428 §5). The tokens lie in a
// buffer that the next read overwrites, so each is used or copied at once.
func (d *Decoder) decodeJSON(pack []byte, arrived time.Time) error {
	// A bytes.Reader, since of a bytes.Buffer the decoder would overwrite the
	// pack itself, which may still have to be kept as it came.
	d.reader.Reset(pack)
	d.json.Reset(&d.reader)
	if d.json.PeekKind() == '{' {
		return errors.New("pack is a JSON object: want an array of records, even of one")
	}
	if _, err := d.json.ReadToken(); err != nil {
		return fmt.Errorf("pack: %w", err)
	}
	for d.json.PeekKind() != ']' {
		if err := d.begin(); err != nil {
			return err
		}
		if err := d.recordJSON(); err != nil {
			var r *RecordError
			if errors.As(err, &r) {
				return err
			}
			return &RecordError{Place: len(d.records) + 1, Err: err}
		}
		if err := d.resolve(arrived); err != nil {
			return err
		}
	}
	if _, err := d.json.ReadToken(); err != nil {
		return fmt.Errorf("pack: %w", err)
	}
	if _, err := d.json.ReadToken(); err != io.EOF {
		return errors.New("something follows the pack: want one array and nothing else")
	}
	return nil
}

func (d *Decoder) recordJSON() error {
	if kind := d.json.PeekKind(); kind != '{' && kind != jsontext.KindInvalid {
		return fmt.Errorf("is a JSON %s: want an object", kind)
	}
	if _, err := d.json.ReadToken(); err != nil {
		return err
	}
	for d.json.PeekKind() != '}' {
		text, err := d.stringJSON(d.full[:0])
		if err != nil {
			return err
		}
		l := labelOf(text)
		if l == unknown {
			if err := unknownLabel(text); err != nil {
				return &RecordError{Place: len(d.records) + 1, Label: string(text), Err: err}
			}
			if err := d.skipJSON(); err != nil {
				return err
			}
			continue
		}
		if err := d.field(l); err != nil {
			return err
		}
		if err := d.valueJSON(l); err != nil {
			return d.fault(l, err)
		}
	}
	_, err := d.json.ReadToken()
	return err
}

func (d *Decoder) valueJSON(l label) error {
	f := &d.record
	switch kind := d.json.PeekKind(); l.holds() {
	case Text:
		if kind != '"' {
			return fmt.Errorf("is a JSON %s: want a string", kind)
		}
		text, err := d.stringJSON(f.octets[l.index()][:0])
		if err != nil {
			return err
		}
		f.octets[l.index()] = append(f.octets[l.index()][:0], text...)
		return checkLength(l, len(text))
	case Data:
		if kind != '"' {
			return fmt.Errorf("is a JSON %s: want a base64url string", kind)
		}
		text, err := d.stringJSON(d.full[:0])
		if err != nil {
			return err
		}
		// RFC 8428 §5: URL-safe alphabet, padding omitted.
		f.octets[l.index()], err = base64.RawURLEncoding.AppendDecode(f.octets[l.index()][:0], text)
		if err != nil {
			return fmt.Errorf("want base64url without padding: %w", err)
		}
		return checkLength(l, len(f.octets[l.index()]))
	case Boolean:
		if kind != 't' && kind != 'f' {
			return fmt.Errorf("is a JSON %s: want true or false", kind)
		}
		f.boolean = kind == 't'
		_, err := d.json.ReadToken()
		return err
	}
	kind := d.json.PeekKind()
	if l == value && kind == 'n' {
		f.number[l.index()] = math.NaN()
		_, err := d.json.ReadToken()
		return err
	}
	if kind != '0' {
		return fmt.Errorf("is a JSON %s: want a number", kind)
	}
	text, err := d.json.ReadValue()
	if err != nil {
		return err
	}
	if bytes.IndexByte(text, 'E') >= 0 {
		return fmt.Errorf("number %s: write its exponent with a small e (RFC 8428 §5)", text)
	}
	f.number[l.index()], err = strconv.ParseFloat(string(text), 64)
	if err != nil {
		return fmt.Errorf("number %.40s is larger than any that can be held", text)
	}
	return nil
}

// stringJSON reads a string; what it returns is valid until the next read, and
// may lie in scratch.
func (d *Decoder) stringJSON(scratch []byte) ([]byte, error) {
	text, err := d.json.ReadValue()
	if err != nil {
		return nil, err
	}
	if bytes.IndexByte(text, '\\') < 0 {
		return text[1 : len(text)-1], nil
	}
	return jsontext.AppendUnquote(scratch, text)
}

// skipJSON passes over the value of an unknown label.
func (d *Decoder) skipJSON() error {
	depth := d.json.StackDepth()
	for {
		if _, err := d.json.ReadToken(); err != nil {
			return err
		}
		switch now := d.json.StackDepth(); {
		case now <= depth:
			return nil
		case now > depth+maxDepth:
			return fmt.Errorf("an unknown label holds more than %d levels", maxDepth)
		}
	}
}

func checkLength(l label, n int) error {
	limit := maxNameBytes
	if l == textValue || l == dataValue {
		limit = maxTextBytes
	}
	if n > limit {
		return fmt.Errorf("%d bytes are more than %d", n, limit)
	}
	return nil
}
