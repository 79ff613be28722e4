package main

import (
	"sync"
	"time"

	"outyard"
	"outyard/alerts"
	"outyard/analysis"
	"outyard/analysis/gain"
)

// scales are what the courses have learnt of the hives' scales, for the pages.
// It is in no store: a start folds every yard anew, and knows it again.
type scales struct {
	mu sync.Mutex
	of map[outyard.YardID]map[outyard.HiveID]gain.PerDegree
}

// newCourse is the analyses, as the watcher asks for them, heard by s.
func (s *scales) newCourse(yard outyard.Yard, journal []outyard.Entry) alerts.Course {
	return &heardCourse{Course: analysis.NewCourse(yard, journal, analysis.DefaultSettings()), yard: yard.ID, scales: s}
}

// perDegree is what a degree adds to what a hive's scale shows; false where
// nothing is known.
func (s *scales) perDegree(yard outyard.YardID, hive outyard.HiveID) (gain.PerDegree, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c, ok := s.of[yard][hive]
	return c, ok
}

// A heardCourse tells of its scales whenever time has passed.
type heardCourse struct {
	*analysis.Course
	yard     outyard.YardID
	scales   *scales
	revision uint64
}

func (c *heardCourse) Advance(now time.Time) {
	c.Course.Advance(now)
	if r := c.Revision(); r != c.revision {
		c.revision = r
		learnt := c.Scales()
		c.scales.mu.Lock()
		defer c.scales.mu.Unlock()
		if c.scales.of == nil {
			c.scales.of = map[outyard.YardID]map[outyard.HiveID]gain.PerDegree{}
		}
		c.scales.of[c.yard] = learnt
	}
}
