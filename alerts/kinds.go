package alerts

import (
	"time"

	"outyard"
)

const day = 24 * time.Hour

// A kindRule is how findings of one kind are recognised again and for how
// long they are news. Common practice, no source.
type kindRule struct {
	// within is how far the onset may move between two evaluations of the
	// same finding: an act is dated to minutes, a trend by a fit over days.
	within time.Duration
	// event says that it happens rather than lasts: telling that it is over
	// would be no news, and being over does not make it old.
	event bool
	// past says that it is told of only after it has begun: one that is found
	// to begin later than what was told is another.
	past bool
	// news is how long after its onset a finding is still told when first
	// raised; later it is on the pages only.
	news time.Duration
}

var kindRules = map[outyard.Kind]kindRule{
	// A swarm hangs near the hive for hours, seldom more than a day.
	outyard.Swarm: {within: 2 * time.Hour, event: true, news: 6 * time.Hour},
	// The brood chills in hours, but the hive lies there until somebody comes.
	outyard.KnockedOver: {within: 2 * time.Hour, news: 3 * day},
	// Robbing goes on by daylight for days; its onset is a day's, not a minute's.
	outyard.Robbing: {within: day, news: 2 * day},
	// These hold until something is done. Raised long after the onset they
	// are still true, but no surprise: the window only keeps the findings of
	// an imported season quiet.
	outyard.StoresLow: {within: 10 * day, news: 30 * day},
	outyard.RoomLow:   {within: 10 * day, news: 14 * day},
	outyard.BroodCold: {within: 10 * day, news: 14 * day},
	outyard.Damp:      {within: 10 * day, news: 45 * day},
	outyard.MouldRisk: {within: 10 * day, news: 60 * day},
	// Told within days of the onset, or it is history.
	outyard.FlowStart: {within: 10 * day, event: true, past: true, news: 7 * day},
	outyard.FlowEnd:   {within: 10 * day, event: true, past: true, news: 7 * day},
	// A backlog that fills part of a gap moves the onset of the silence.
	outyard.Silent:      {within: day, news: 14 * day},
	outyard.BatteryLow:  {within: 10 * day, news: 30 * day},
	outyard.SensorFault: {within: day, news: 14 * day},
	outyard.Handling:    {within: 2 * time.Hour, event: true, news: day},
}

// otherRule is for a kind that this package has not heard of.
var otherRule = kindRule{within: 2 * time.Hour, news: day}

func ruleOf(k outyard.Kind) kindRule {
	if r, ok := kindRules[k]; ok {
		return r
	}
	return otherRule
}

func tolerance(k outyard.Kind) time.Duration { return ruleOf(k).within }

// steps are the kinds that explain one and the same fall or rise of the
// weight, so that one may take another's place.
var steps = []outyard.Kind{outyard.Swarm, outyard.Handling, outyard.KnockedOver, outyard.Robbing}

// raisedWithin is how lately a finding must have been raised to be told: what
// waited longer, as after a long stop of the daemon, is on the pages.
const raisedWithin = 2 * day

// isNews says whether somebody should hear of a finding that is raised for
// the first time.
func isNews(f outyard.Finding, now time.Time) bool {
	r := ruleOf(f.Kind)
	if f.State == outyard.Withdrawn || f.State == outyard.Over && !r.event {
		return false
	}
	return now.Sub(f.Onset) <= r.news && now.Sub(f.ToldAt) <= raisedWithin
}
