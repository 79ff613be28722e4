package main

import (
	"slices"
	"time"

	"outyard"
	"outyard/simulator"
)

// inTime says whether something was told by the second reading that could show
// it, or within a quarter of an hour.
func (s sightings) inTime(l simulator.Label, told time.Time) bool {
	all, i := s.after(l.Yard, l.Hive, l.Time)
	latest := l.Time.Add(15 * time.Minute)
	if i+1 < len(all) && all[i+1].at.After(latest) {
		latest = all[i+1].at
	}
	return !told.After(latest)
}

// unweighed says that the hive sent no weight in the three hours after.
func (s sightings) unweighed(l simulator.Label) bool {
	all, first := s.after(l.Yard, l.Hive, l.Time)
	return first == len(all) || all[first].at.After(l.Time.Add(3*time.Hour))
}

// attended says that the keeper was working on the hive as the swarm left.
func attended(labels []simulator.Label, swarm simulator.Label) bool {
	return slices.ContainsFunc(labels, func(l simulator.Label) bool {
		return l.Kind == outyard.Handling && l.Yard == swarm.Yard && l.Hive == swarm.Hive &&
			l.Time.Before(swarm.End) && swarm.Time.Before(l.End)
	})
}
