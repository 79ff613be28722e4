package outyard

import (
	"fmt"
	"time"
)

// A Date is a calendar day where a yard is.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf returns the date of an instant in a zone.
func DateOf(t time.Time, zone *time.Location) Date {
	y, m, d := t.In(zone).Date()
	return Date{y, m, d}
}

// ParseDate reads "2027-05-14".
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return Date{}, fmt.Errorf("date %q: want YYYY-MM-DD", s)
	}
	return DateOf(t, time.UTC), nil
}

func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// Start is the first instant of the date in a zone.
func (d Date) Start(zone *time.Location) time.Time {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, zone)
}

// Add returns the date n days later.
func (d Date) Add(n int) Date {
	return DateOf(time.Date(d.Year, d.Month, d.Day+n, 0, 0, 0, 0, time.UTC), time.UTC)
}

// Sub is the number of days from e to d.
func (d Date) Sub(e Date) int {
	return int(d.Start(time.UTC).Sub(e.Start(time.UTC)) / (24 * time.Hour))
}

// Before says whether d is an earlier day than e.
func (d Date) Before(e Date) bool { return d.Sub(e) < 0 }

// MarshalText writes "2027-05-14".
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads "2027-05-14".
func (d *Date) UnmarshalText(b []byte) (err error) {
	*d, err = ParseDate(string(b))
	return err
}

// A Day is one hive's row in the daily table. What is not known is NaN.
type Day struct {
	Date        Date
	Yard        YardID
	Hive        HiveID
	GainKg      float64 // the colony's own change; the keeper's work and water on the hive taken out
	HandledKg   float64 // what the keeper put on (or, negative, took off)
	NightLossKg float64 // lost between dusk and dawn, positive
	StoresKg    float64
	MouldIndex  float64 // 0 to 6, at the end of the day
	WallRHPct   float64 // mean humidity at the wall's inner surface
	BroodTempC  float64
	Coverage    float64 // 0 to 1, share of the day with readings

	// What the air does to the wall; not in the table's file.

	WallWetHours float64 // of 24, wall at 80 % humidity or more, where mould may grow
	DewHours     float64 // of 24, dew or frost on the wall
	DewMarginK   float64 // mean of how much warmer the wall is than the dew point inside; below 0 dew forms
	// DaysToMould and DaysToVisible are how many days it is to mould index 1 and
	// 3 if the last week's course goes on: 0 when it is there, NaN when it does
	// not come within a year.
	DaysToMould, DaysToVisible float64
}
