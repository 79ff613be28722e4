// Package csvfile reads and writes the readings file: the one form in which
// readings leave the program, come back into it, and are replayed. It exists
// so that import, export, replay and the simulator agree about every column.
//
// The file is CSV (RFC 4180) in UTF-8 with a header, plain or gzipped. A row
// with an empty hive is the yard's weather; an empty cell was not measured.
package csvfile

import (
	"strings"

	"outyard"
)

const (
	timeColumn    = "time"
	yardColumn    = "yard"
	hiveColumn    = "hive"
	arrivalColumn = "arrival"
)

// An alternate is a column that gives a quantity in another unit.
type alternate struct {
	column  string
	of      outyard.Quantity
	convert func(float64) float64
}

var alternates = []alternate{
	{"weight_g", outyard.Weight, func(g float64) float64 { return g / 1000 }},
	{"weight_lb", outyard.Weight, outyard.KgFromPounds},
	{"inside_temp_f", outyard.InsideTemp, outyard.CelsiusFromFahrenheit},
	{"outside_temp_f", outyard.OutsideTemp, outyard.CelsiusFromFahrenheit},
}

// header is the first line of each file that is written.
var header = func() string {
	names := []string{timeColumn, yardColumn, hiveColumn}
	for q := range outyard.NumQuantities {
		names = append(names, q.Info().Column)
	}
	return strings.Join(names, ",")
}()

// known lists every column that is understood, for the error that names one
// that is not.
var known = func() string {
	names := []string{header, arrivalColumn}
	for _, a := range alternates {
		names = append(names, a.column)
	}
	return strings.ReplaceAll(strings.Join(names, ","), ",", ", ")
}()
