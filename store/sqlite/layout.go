package sqlite

import (
	"fmt"
	"math"
	"strings"
	"time"

	"outyard"
)

// A column is how a quantity lies in the file: a whole number of steps above
// zeroAt steps.
type column struct {
	name   string
	zeroAt int64
}

var columns = [outyard.NumQuantities]column{
	// A hive mostly weighs 20 to 80 kg: counted from 50 kg, grams then fit
	// into two bytes.
	outyard.Weight:      {"weight_50kg_g", 50_000},
	outyard.InsideTemp:  {"inside_temp_cc", 0},
	outyard.InsideRH:    {"inside_rh_cpct", 0},
	outyard.Battery:     {"battery_mv", 0},
	outyard.Signal:      {"signal_ddbm", 0},
	outyard.OutsideTemp: {"outside_temp_cc", 0},
	outyard.OutsideRH:   {"outside_rh_cpct", 0},
	outyard.Rain:        {"rain_cmm", 0},
	outyard.Wind:        {"wind_cms", 0},
}

// A table holds some of the quantities.
type table struct {
	name       string
	quantities []outyard.Quantity
}

var tables = [...]table{
	{"readings", []outyard.Quantity{outyard.Weight, outyard.InsideTemp, outyard.InsideRH, outyard.Battery, outyard.Signal}},
	{"outside", []outyard.Quantity{outyard.OutsideTemp, outyard.OutsideRH, outyard.Rain, outyard.Wind}},
}

// tableOf finds the table that holds a quantity.
func tableOf(q outyard.Quantity) table {
	if q >= outyard.OutsideTemp {
		return tables[1]
	}
	return tables[0]
}

// columnList is "a, b, c", with before and after around each.
func (t table) columnList(before, after string) string {
	names := make([]string, len(t.quantities))
	for i, q := range t.quantities {
		names[i] = before + columns[q].name + after
	}
	return strings.Join(names, ", ")
}

// stepsPerUnit is exact, where the step itself (0.001) is not.
func stepsPerUnit(q outyard.Quantity) float64 { return math.Round(1 / q.Info().Step) }

// maxSteps is far beyond what any quantity can be, and within what a float64
// counts exactly.
const maxSteps = 1 << 50

// toSteps is the number that is kept for a value.
func toSteps(q outyard.Quantity, v float64) (int64, error) {
	n := math.Round(v * stepsPerUnit(q))
	if math.Abs(n) > maxSteps {
		return 0, fmt.Errorf("%s of %g %s is more than can be kept", q, v, q.Info().Unit)
	}
	return int64(n) - columns[q].zeroAt, nil
}

// fromSteps is the value that is kept as n.
func fromSteps(q outyard.Quantity, n int64) float64 {
	return float64(n+columns[q].zeroAt) / stepsPerUnit(q)
}

// A stretch is periodBits' worth of seconds of one hive, or of a yard's
// weather. The row key of a reading is the number of its stretch followed by
// the second within it, so that one hive's readings lie together in order of
// time.
type stretch struct {
	yard   outyard.YardID
	hive   outyard.HiveID
	period int64
}

// periodBits makes a period of 194 days. Fewer would multiply the stretches,
// more would lengthen the keys.
const periodBits = 24

const secondMask = 1<<periodBits - 1

func periodOf(unix int64) int64 { return unix >> periodBits }

func keyOf(id, unix int64) int64 { return id<<periodBits | unix&secondMask }

// unixOf is the time of the reading under key in a stretch of that period.
func unixOf(period, key int64) int64 { return period<<periodBits | key&secondMask }

// keyRange is the range of keys, from and before, that the seconds [from, to)
// have in a stretch.
func keyRange(id, period, from, to int64) (lo, hi int64) {
	start := period << periodBits
	lo = min(max(from-start, 0), 1<<periodBits)
	hi = min(max(to-start, 0), 1<<periodBits)
	return id<<periodBits + lo, id<<periodBits + hi
}

// Times are kept between these seconds; Go's own are wider, but nothing that
// a bee ever did is outside.
var (
	firstUnix = time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
	lastUnix  = time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC).Unix()
)
