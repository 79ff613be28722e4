package configs

import (
	"fmt"
	"strings"
	"time"
)

// Quiet is the part of each day in which only what cannot wait is told, by the
// clock on the wall. The zero Quiet is no part of it.
type Quiet struct {
	// From and Until are counted from midnight by the clock. Where Until is
	// the smaller, the quiet hours go over midnight.
	From, Until time.Duration
}

// ParseQuiet reads "21:30-06:30".
func ParseQuiet(s string) (Quiet, error) {
	from, until, ok := strings.Cut(s, "-")
	var q Quiet
	var err error
	if ok {
		if q.From, err = clock(from); err == nil {
			q.Until, err = clock(until)
		}
	}
	if !ok || err != nil {
		return Quiet{}, fmt.Errorf(`want two times of day such as "21:30-06:30"`)
	}
	if q.From == q.Until {
		return Quiet{}, fmt.Errorf("begin and end are the same: leave it out for no quiet hours")
	}
	return q, nil
}

func clock(s string) (time.Duration, error) {
	t, err := time.Parse("15:04", strings.TrimSpace(s))
	if err != nil {
		return 0, err
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, nil
}

// IsZero says that there are no quiet hours.
func (q Quiet) IsZero() bool { return q == Quiet{} }

// Covers says whether the clock on the wall in zone is within the quiet hours
// at that instant. The first minute is, the last is not.
func (q Quiet) Covers(at time.Time, zone *time.Location) bool {
	local := at.In(zone)
	day := time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute +
		time.Duration(local.Second())*time.Second
	if q.From < q.Until {
		return q.From <= day && day < q.Until
	}
	return q.From != q.Until && (day >= q.From || day < q.Until)
}

func (q Quiet) String() string {
	if q.IsZero() {
		return ""
	}
	return clockText(q.From) + "-" + clockText(q.Until)
}

func clockText(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60)
}
