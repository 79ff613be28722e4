package web

import (
	"fmt"
	"net/url"
	"time"

	"outyard"
)

// A span is the stretch of time that a page shows, on the yard's own clock.
type span struct {
	From, To time.Time
	zone     *time.Location
	Notes    []string // what was wrong with what was asked for, in plain words
}

// minuteLayout is a local time in an address, for what is shorter than days.
const minuteLayout = "2006-01-02T15:04"

// shortest is the least that a chart shows.
const shortest = 10 * time.Minute

// parseSpan reads from and to: dates, both included, or local times. What
// cannot be read, or lies outside what a yard can know, is mended and said so:
// a mistyped address should still show the hive.
func parseSpan(q url.Values, fallback span, now time.Time) span {
	zone := fallback.zone
	s := span{From: fallback.From, To: fallback.To, zone: zone}
	if v := q.Get("from"); v != "" {
		if t, _, err := parseMoment(v, zone); err != nil {
			s.Notes = append(s.Notes, fmt.Sprintf("The first day, %q, is not a date like 2027-05-14.", clip(v)))
		} else {
			s.From = t
		}
	}
	if v := q.Get("to"); v != "" {
		if t, day, err := parseMoment(v, zone); err != nil {
			s.Notes = append(s.Notes, fmt.Sprintf("The last day, %q, is not a date like 2027-05-14.", clip(v)))
		} else if day {
			s.To = outyard.DateOf(t, zone).Add(1).Start(zone)
		} else {
			s.To = t
		}
	}
	if len(s.Notes) > 0 {
		s.From, s.To = fallback.From, fallback.To
		s.Notes = append(s.Notes, "The usual stretch is shown instead.")
		return s
	}
	if s.To.Before(s.From) {
		// A last day is kept as the end of that day; swapped, it is a first one.
		if _, day, _ := parseMoment(q.Get("to"), zone); day {
			s.To = s.To.Add(-time.Second)
			s.From, s.To = outyard.DateOf(s.To, zone).Start(zone), outyard.DateOf(s.From, zone).Add(1).Start(zone)
		} else {
			s.From, s.To = s.To, s.From
		}
		s.Notes = append(s.Notes, "The first day was after the last, so the two were swapped.")
	}
	latest := outyard.DateOf(now, zone).Add(1).Start(zone)
	if s.From.Before(outyard.Earliest) {
		s.From = outyard.Earliest
		s.Notes = append(s.Notes, fmt.Sprintf("Nothing is known from before %d, so it is shown from there.", outyard.Earliest.Year()))
	}
	if s.To.After(latest) {
		s.To = latest
		if s.From.Before(latest) {
			if v := q.Get("to"); v > latest.AddDate(0, 0, 1).Format(time.DateOnly) {
				s.Notes = append(s.Notes, "The last day has not come yet, so it is shown up to today.")
			}
		} else {
			s.From, s.To = fallback.From, fallback.To
			s.Notes = append(s.Notes, "Those days have not come yet. The usual stretch is shown instead.")
		}
	}
	if s.To.Sub(s.From) < shortest {
		s.To = s.From.Add(shortest)
	}
	return s
}

func clip(s string) string {
	const most = 40
	r := []rune(s)
	if len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// parseMoment reads a date or a local time; day says which.
func parseMoment(v string, zone *time.Location) (t time.Time, day bool, err error) {
	if d, err := outyard.ParseDate(v); err == nil {
		return d.Start(zone), true, nil
	}
	t, err = time.ParseInLocation(minuteLayout, v, zone)
	return t, false, err
}

// lastDays is the stretch of n days that ends today.
func lastDays(n int, now time.Time, zone *time.Location) span {
	today := outyard.DateOf(now, zone)
	return span{From: today.Add(1 - n).Start(zone), To: today.Add(1).Start(zone), zone: zone}
}

// FirstDay and LastDay are the days that the span touches.
func (s span) FirstDay() outyard.Date { return outyard.DateOf(s.From, s.zone) }

// LastDay is the last day that the span touches.
func (s span) LastDay() outyard.Date { return outyard.DateOf(s.To.Add(-time.Second), s.zone) }

// wholeDays says that the span begins and ends at midnight.
func (s span) wholeDays() bool {
	return s.From.Equal(s.FirstDay().Start(s.zone)) && s.To.Equal(s.LastDay().Add(1).Start(s.zone))
}

// query writes the span as it stands in an address.
func (s span) query() url.Values {
	v := url.Values{}
	if s.wholeDays() {
		v.Set("from", s.FirstDay().String())
		v.Set("to", s.LastDay().String())
	} else {
		v.Set("from", s.From.In(s.zone).Format(minuteLayout))
		v.Set("to", s.To.In(s.zone).Format(minuteLayout))
	}
	return v
}

// moved is the span n of its own lengths later; days stay whole over a change
// of the clocks.
func (s span) moved(n int) span {
	out := span{zone: s.zone}
	if s.wholeDays() {
		days := n * (s.LastDay().Sub(s.FirstDay()) + 1)
		out.From, out.To = s.FirstDay().Add(days).Start(s.zone), s.LastDay().Add(days+1).Start(s.zone)
	} else {
		out.From, out.To = s.From.Add(time.Duration(n)*s.To.Sub(s.From)), s.To.Add(time.Duration(n)*s.To.Sub(s.From))
	}
	return out
}

// Text is the span as it is said.
func (s span) text(now time.Time) string {
	if s.wholeDays() {
		first, last := s.FirstDay(), s.LastDay()
		if first == last {
			return dateText(first, now, s.zone)
		}
		if first.Year != last.Year {
			return first.Start(time.UTC).Format("2 Jan 2006") + " to " + last.Start(time.UTC).Format("2 Jan 2006")
		}
		return first.Start(time.UTC).Format("2 Jan") + " to " + last.Start(time.UTC).Format("2 Jan 2006")
	}
	return whenText(s.From, now, s.zone) + " to " + whenText(s.To, now, s.zone)
}

// daysQuery narrows days to those that the span touches.
func (s span) daysQuery(yard outyard.YardID, hive outyard.HiveID) Query {
	return Query{Yard: yard, Hive: hive, From: s.FirstDay().Start(time.UTC), To: s.LastDay().Add(1).Start(time.UTC)}
}
