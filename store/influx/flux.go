package influx

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"outyard"
	"outyard/store"
)

// quoted is s as a Flux string. Whatever could end the string, or begin an
// expression in it, is written as bytes (Flux specification, "String literals").
func quoted(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for i := range len(s) {
		c := s[i]
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', strings.IndexByte("-_/. ", c) >= 0:
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, `\x%02x`, c)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// flux asks for the points in [from, to) of what q asks for.
func (s *Store) flux(q store.Query, from, to int64) string {
	var b strings.Builder
	fmt.Fprintf(&b, "from(bucket: %s)\n\t|> range(start: %s, stop: %s)\n", quoted(s.bucket), fluxTime(from), fluxTime(to))
	fmt.Fprintf(&b, "\t|> filter(fn: (r) => %s)\n", which(q))
	return b.String()
}

func fluxTime(unix int64) string { return time.Unix(unix, 0).UTC().Format(time.RFC3339) }

// which is the condition that a point has to meet.
func which(q store.Query) string {
	var terms []string
	is := func(column, value string) { terms = append(terms, "r."+column+" == "+quoted(value)) }
	switch {
	case q.Hive != "":
		is("_measurement", ofHive)
		is(hiveTag, string(q.Hive))
	case q.Weather:
		is("_measurement", ofWeather)
	default:
		terms = append(terms, `(r._measurement == `+quoted(ofHive)+` or r._measurement == `+quoted(ofWeather)+`)`)
	}
	if q.Yard != "" {
		is(yardTag, string(q.Yard))
	}
	return strings.Join(terms, " and ")
}

// A point is one quantity of one reading, as the server tells it.
type point struct {
	yard, hive string
	q          outyard.Quantity
	unix       int64
	value      float64
}

// errEnough ends an answer that is not read to its end.
var errEnough = errors.New("enough")

// ask sends a query, of what q asks for in the seconds [from, to) and what more
// is to be done with it, and hands over each point of the answer, until each
// returns an error. What is no quantity of ours is passed over.
func (s *Store) ask(ctx context.Context, q store.Query, from, to int64, more string, each func(point) error) error {
	query := s.flux(q, from, to) + more
	var failed error
	err := s.client.HTTPService().DoPostRequest(ctx, s.asking, strings.NewReader(query), func(req *http.Request) {
		req.Header.Set("Content-Type", "application/vnd.flux")
		req.Header.Set("Accept", "application/csv")
	}, func(resp *http.Response) error {
		defer resp.Body.Close()
		failed = readPoints(resp.Body, func(p point) error {
			// To Flux the end of a range is outside it (specification, "range");
			// InfluxDB 1.8 at times counts it in.
			if p.unix < from || p.unix >= to {
				return nil
			}
			return each(p)
		})
		return nil
	})
	switch {
	case failed == errEnough:
		return nil
	case failed != nil:
		return fmt.Errorf("ask %s: %w", s.server, failed)
	case err != nil:
		return fmt.Errorf("ask %s: %w", s.server, answered(err))
	}
	return nil
}

// readPoints reads annotated CSV (docs.influxdata.com, "Annotated CSV"):
// tables, each with a header of its own, of which the first column is empty.
func readPoints(r io.Reader, each func(point) error) error {
	in := csv.NewReader(r)
	in.FieldsPerRecord = -1
	in.ReuseRecord = true
	var columns header
	for inHeader := true; ; {
		row, err := in.Read()
		switch {
		case err == io.EOF:
			return nil
		case err != nil:
			return fmt.Errorf("%w: %w", store.ErrUnavailable, err)
		case strings.HasPrefix(row[0], "#"):
			inHeader = true
			continue
		case !inHeader && columns.fault >= 0:
			return fmt.Errorf("%w: %s", store.ErrUnavailable, columns.of(row, columns.fault))
		case inHeader, row[0] != "": // a fault half-way has no annotations before it
			columns = newHeader(row)
			inHeader = false
			continue
		}
		p, ok, err := columns.point(row)
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		if err := each(p); err != nil {
			return err
		}
	}
}

// header is where the columns of a table are; -1 where there is none.
type header struct{ time, value, field, yard, hive, fault int }

func newHeader(row []string) header {
	at := func(name string) int { return slices.Index(row, name) }
	return header{time: at("_time"), value: at("_value"), field: at("_field"), yard: at(yardTag), hive: at(hiveTag), fault: at("error")}
}

func (h header) of(row []string, column int) string {
	if column < 0 || column >= len(row) {
		return ""
	}
	return row[column]
}

func (h header) point(row []string) (p point, ok bool, err error) {
	field := h.of(row, h.field)
	for q := range outyard.NumQuantities {
		if ok = q.Info().Column == field; ok {
			p.q = q
			break
		}
	}
	if !ok {
		return p, false, nil
	}
	p.yard, p.hive = h.of(row, h.yard), h.of(row, h.hive)
	if p.value, err = strconv.ParseFloat(h.of(row, h.value), 64); err != nil || !outyard.Known(p.value) {
		return p, false, nil // a field of our name that somebody else gave another type
	}
	at, err := time.Parse(time.RFC3339, h.of(row, h.time))
	if err != nil {
		return p, false, fmt.Errorf("answer of the time-series server: time %q: %w", h.of(row, h.time), err)
	}
	p.unix = at.Unix()
	return p, true, nil
}
