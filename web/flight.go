package web

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"outyard"
	"outyard/analysis/activity"
)

// A flown day is what the shape of a hive's weight tells of its foragers.
type flown struct {
	hive hiveAt
	date outyard.Date
	sent uint64 // readings of the hive that were kept when it was worked out
}

// flights remembers what was worked out: it costs as much as the rest of a
// page, and yesterday seldom changes.
type flights struct {
	mu   sync.Mutex
	kept map[flown]string
}

// mostFlights bounds what is remembered; when it is full it begins anew.
const mostFlights = 2000

// The day's line is believed where it explains most of the weight's course and
// the fall in the morning stands clear of what scatters about it: on other
// days the bees stayed in, or rain and the keeper wrote the line.
const (
	leastFlightKg  = 0.05
	flightScatters = 4   // times the residual
	leastExplained = 0.8 // of the variance
)

// flight says when yesterday's foragers left and were home, and what they
// weighed; "" where the day's weight does not tell. Days on which somebody
// worked on the hive, or a swarm left, are left alone.
func (s *site) flight(ctx context.Context, p place, hive outyard.HiveID, now time.Time) (string, error) {
	date := outyard.DateOf(now, p.zone()).Add(-1)
	from, to := date.Start(p.zone()), date.Add(1).Start(p.zone())
	key := flown{hive: hiveAt{p.ID, hive}, date: date}
	if s.Feed != nil {
		key.sent = s.Feed.kept(key.hive)
		// What came since midnight does not change yesterday, but late readings
		// may: a new look each hundred readings finds them.
		key.sent /= 100
		s.flights.mu.Lock()
		said, ok := s.flights.kept[key]
		s.flights.mu.Unlock()
		if ok {
			return said, nil
		}
	}
	found, err := s.foundIn(ctx, p.ID, hive, span{From: from, To: to, zone: p.zone()})
	if err != nil {
		return "", err
	}
	said := ""
	if !disturbed(found) {
		var hours, kg []float64
		err := s.store.EachReading(ctx, Query{Yard: p.ID, Hive: hive, From: from, To: to}, func(r outyard.Reading) error {
			hours, kg = append(hours, r.Time.Sub(from).Hours()), append(kg, r.Values[outyard.Weight])
			return nil
		})
		if err != nil {
			return "", fmt.Errorf("yesterday of %s/%s: %w", p.ID, hive, err)
		}
		said = flightText(activity.Piecewise(hours, kg), from)
	}
	if s.Feed != nil {
		s.flights.mu.Lock()
		if s.flights.kept == nil || len(s.flights.kept) >= mostFlights {
			s.flights.kept = map[flown]string{}
		}
		s.flights.kept[key] = said
		s.flights.mu.Unlock()
	}
	return said, nil
}

// disturbed says whether something other than foragers moved the weight.
func disturbed(found []outyard.Finding) bool {
	for _, f := range found {
		switch f.Kind {
		case outyard.Handling, outyard.Swarm, outyard.KnockedOver, outyard.Robbing, outyard.SensorFault:
			if f.State != outyard.Withdrawn {
				return true
			}
		}
	}
	return false
}

// flightText puts the day's line into words; midnight is the day's beginning.
func flightText(d activity.PiecewiseDay, midnight time.Time) string {
	if !d.Estimated || !(d.DepartKg >= max(leastFlightKg, flightScatters*d.Residual)) || !(d.RSquared >= leastExplained) {
		return ""
	}
	clock := func(hours float64) string {
		quarters := math.Round(hours * 4)
		return midnight.Add(time.Duration(quarters) * 15 * time.Minute).Format("15:04")
	}
	return fmt.Sprintf("from about %s, home by %s; %s kg out by %s", clock(d.DepartH), clock(d.HomeH), number(d.DepartKg, 2), clock(d.LowestH))
}
