package analysis

import (
	"time"

	"outyard"
	"outyard/analysis/brood"
	"outyard/analysis/steps"
)

// watchNests passes a date's warmth to what follows the brood nests.
func (c *Course) watchNests(date outyard.Date, from, to time.Time) {
	var days []brood.HiveDay
	for _, h := range c.order {
		if !h.counted.Equal(to) || len(h.warmth) == 0 {
			continue
		}
		d := brood.HiveDay{Hive: h.id, Hours: h.warmth}
		if h.down() {
			d.Hours = nil // lying open, it is cold for another reason, which is told
		}
		d.Swarmed, d.SwarmKnown = c.lastSwarm(h, from, to)
		for _, e := range h.recent(from) {
			if e.Verdict.Cause == steps.KeepersWork && e.Start.Before(to) {
				d.Worked = append(d.Worked, max(0, int(e.Start.Sub(from)/time.Hour)))
			}
		}
		days = append(days, d)
	}
	c.nests.Day(date, days)
}

// down says that the hive was knocked over or taken, and not set up again yet.
func (h *hive) down() bool {
	for i := len(h.events) - 1; i >= 0; i-- {
		switch e := h.events[i]; {
		case e.Verdict.Cause == steps.Overturned:
			return true
		case e.NetKg() > 3:
			return false
		}
	}
	return false
}

// swarmLooksBack is for how long a swarm can still be why there is no brood.
const swarmLooksBack = 60 * 24 * time.Hour

// perhapsSwarm is how likely a swarm must be for a pause in the brood to be
// put down to it: many go between two readings, or while the radio is out.
const perhapsSwarm = 0.15

// lastSwarm is the date of the hive's last swarm or split, by what is made of
// its weight and by the journal.
func (c *Course) lastSwarm(h *hive, from, to time.Time) (outyard.Date, bool) {
	var last time.Time
	for _, e := range h.recent(from.Add(-swarmLooksBack)) {
		if e.Verdict.P[steps.SwarmLeft] >= perhapsSwarm && e.Start.Before(to) && e.Start.After(last) {
			last = e.Start
		}
	}
	for _, e := range within(c.journal, from.Add(-swarmLooksBack), to, func(e outyard.Entry) time.Time { return e.Time }) {
		if (e.Kind == outyard.Split || e.Kind == outyard.SwarmTaken) && (e.Hive == "" || e.Hive == h.id) && e.Time.After(last) {
			last = e.Time
		}
	}
	return outyard.DateOf(last, c.yard.Zone), !last.IsZero()
}
