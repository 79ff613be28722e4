package outyard

import (
	"errors"
	"fmt"
	"time"
)

// A YardID names a yard in topics, files and addresses.
type YardID string

// A HiveID names a hive within its yard. Empty stands for the yard itself:
// its weather, or a finding about the whole of it.
type HiveID string

// ErrBadID is wrapped by every error about an id of the wrong form.
var ErrBadID = errors.New("ids are 1 to 63 of a-z, 0-9 and -, and begin with a letter or digit")

// Check says what is wrong with the form of the id, if anything.
func (id YardID) Check() error { return checkID("yard", string(id)) }

// Check says what is wrong with the form of the id, if anything.
func (id HiveID) Check() error { return checkID("hive", string(id)) }

func checkID(what, id string) error {
	if len(id) < 1 || len(id) > 63 || id[0] == '-' {
		return fmt.Errorf("%s id %q: %w", what, id, ErrBadID)
	}
	for _, c := range []byte(id) {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return fmt.Errorf("%s id %q: %w", what, id, ErrBadID)
		}
	}
	return nil
}

// A Yard is a place with hives.
type Yard struct {
	ID          YardID
	Name        string
	Latitude    float64 // degrees, north positive
	Longitude   float64 // degrees, east positive
	Zone        *time.Location
	TripMinutes float64 // one way, from home
	Hives       []Hive
}

// Hive returns the yard's hive of that id.
func (y Yard) Hive(id HiveID) (Hive, bool) {
	for _, h := range y.Hives {
		if h.ID == id {
			return h, true
		}
	}
	return Hive{}, false
}

// A Hive is a stand with boxes on it.
type Hive struct {
	ID        HiveID
	Name      string
	Equipment []Part // bottom to top; empty when the keeper has not said
	Scale     *Scale // nil unless the node sends raw counts
	// BatteryEmptyV is the voltage at which the hive's node gives out; 0 when
	// the keeper has not said.
	BatteryEmptyV float64
	// WallMm is how thick the boxes' walls are, in millimetres of softwood; 0
	// when the keeper has not said.
	WallMm float64
}

// A Scale turns the raw counts of a load cell's amplifier into kilograms.
type Scale struct {
	ZeroRaw     float64 // counts with nothing on it
	PerKgRaw    float64 // counts for each kilogram
	PerDegreeKg float64 // kilograms that a warming of 1 °C adds by itself
}

// ScaleTempC is the temperature at which PerDegreeKg is taken to be nil: the
// usual temperature of a calibration (common practice, no source).
const ScaleTempC = 20

// WeightKg is the weight for a raw count. tempC, the scale's temperature, may
// be NaN: then drift with temperature is left in.
func (s Scale) WeightKg(raw, tempC float64) float64 {
	kg := (raw - s.ZeroRaw) / s.PerKgRaw
	if tempC == tempC {
		kg -= s.PerDegreeKg * (tempC - ScaleTempC)
	}
	return kg
}
