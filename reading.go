package outyard

import (
	"fmt"
	"time"
)

// A Quantity is one of the things that nodes measure.
type Quantity int

// The quantities, in the order in which files and tables show them.
const (
	Weight      Quantity = iota // kg, gross
	InsideTemp                  // °C
	InsideRH                    // %RH, 0 to 100
	Battery                     // V
	Signal                      // dBm
	OutsideTemp                 // °C
	OutsideRH                   // %RH, 0 to 100
	Rain                        // mm since the reading before
	Wind                        // m/s
	NumQuantities
)

// A QuantityInfo is how a quantity is named, and what is believable of it.
type QuantityInfo struct {
	Name   string // in topics, packs and addresses: "inside-temp"
	Column string // in the readings file: "inside_temp_c"
	Unit   string // for people: "°C"
	// A value below Min or above Max is no measurement at all, such as one in
	// another unit. Within lie also the figures that broken instruments give, a
	// probe's -127 °C or a wet sensor's 107 %RH: they are kept, so that the
	// analyses can say what is broken (common practice, no source).
	Min, Max float64
	// Step is the resolution that is kept.
	Step float64
	// OfYard says that it tells of the yard's weather rather than of a hive.
	OfYard bool
}

var quantities = [NumQuantities]QuantityInfo{
	Weight:      {Name: "weight", Column: "weight_kg", Unit: "kg", Min: -50, Max: 500, Step: 0.001},
	InsideTemp:  {Name: "inside-temp", Column: "inside_temp_c", Unit: "°C", Min: -150, Max: 150, Step: 0.01},
	InsideRH:    {Name: "inside-rh", Column: "inside_rh_pct", Unit: "%RH", Min: -20, Max: 120, Step: 0.01},
	Battery:     {Name: "battery", Column: "battery_v", Unit: "V", Min: 0, Max: 100, Step: 0.001},
	Signal:      {Name: "signal", Column: "signal_dbm", Unit: "dBm", Min: -200, Max: 50, Step: 0.1},
	OutsideTemp: {Name: "outside-temp", Column: "outside_temp_c", Unit: "°C", Min: -150, Max: 150, Step: 0.01, OfYard: true},
	OutsideRH:   {Name: "outside-rh", Column: "outside_rh_pct", Unit: "%RH", Min: -20, Max: 120, Step: 0.01, OfYard: true},
	Rain:        {Name: "rain", Column: "rain_mm", Unit: "mm", Min: 0, Max: 500, Step: 0.01, OfYard: true},
	Wind:        {Name: "wind", Column: "wind_ms", Unit: "m/s", Min: 0, Max: 120, Step: 0.01, OfYard: true},
}

// Info describes the quantity.
func (q Quantity) Info() QuantityInfo { return quantities[q] }

func (q Quantity) String() string { return quantities[q].Name }

// ParseQuantity finds a quantity by its name.
func ParseQuantity(name string) (Quantity, bool) {
	for q := range NumQuantities {
		if quantities[q].Name == name {
			return q, true
		}
	}
	return 0, false
}

// A Reading is what one hive, or a yard's weather (Hive empty), sent for one
// instant. A quantity that was not sent is NaN: unknown is never zero. Start
// from [NewReading], which knows nothing yet.
type Reading struct {
	Yard   YardID
	Hive   HiveID
	Time   time.Time // UTC, whole seconds: readings of one second are one
	Values [NumQuantities]float64
}

// NewReading returns a reading with every quantity unknown, its time brought
// to UTC and rounded to the second.
func NewReading(yard YardID, hive HiveID, at time.Time) Reading {
	r := Reading{Yard: yard, Hive: hive, Time: at.UTC().Round(time.Second)}
	for q := range r.Values {
		r.Values[q] = Unknown
	}
	return r
}

// Empty says that no quantity is known.
func (r *Reading) Empty() bool {
	for _, v := range r.Values {
		if Known(v) {
			return false
		}
	}
	return true
}

// Earliest is the first instant at which a reading is believed: node clocks
// that were never set start before it.
var Earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// MaxAhead is how far a node's clock may run ahead of ours.
const MaxAhead = 10 * time.Minute

// Check says what makes the reading unfit to be kept, if anything: a bad id,
// a time before [Earliest] or more than [MaxAhead] after now, a value outside
// what its quantity can be, or nothing measured at all.
func (r *Reading) Check(now time.Time) error {
	if err := r.Yard.Check(); err != nil {
		return err
	}
	if r.Hive != "" {
		if err := r.Hive.Check(); err != nil {
			return err
		}
	}
	if r.Time.Before(Earliest) {
		return fmt.Errorf("time %s is before %d: set the node's clock", r.Time.Format(time.RFC3339), Earliest.Year())
	}
	if r.Time.Sub(now) > MaxAhead {
		return fmt.Errorf("time %s is %s ahead of now: set the node's clock", r.Time.Format(time.RFC3339), r.Time.Sub(now).Round(time.Second))
	}
	if r.Empty() {
		return fmt.Errorf("nothing measured at %s", r.Time.Format(time.RFC3339))
	}
	for q := range NumQuantities {
		v, in := r.Values[q], quantities[q]
		if Known(v) && (v < in.Min || v > in.Max) {
			return fmt.Errorf("%s of %g %s at %s is outside %g to %g: check unit and sensor", in.Name, v, in.Unit, r.Time.Format(time.RFC3339), in.Min, in.Max)
		}
		if r.Hive == "" && q == Weight && Known(v) {
			return fmt.Errorf("weight at %s belongs to a hive, not to the yard's weather", r.Time.Format(time.RFC3339))
		}
	}
	return nil
}
