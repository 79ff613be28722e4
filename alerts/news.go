package alerts

import (
	"fmt"
	"time"

	"outyard"
)

// A stage is the occasion of a message about a finding. With route, target and
// finding it makes the message's key, so each occasion is told once at most.
type stage string

const (
	stageRaised    stage = "raised"
	stageNow       stage = "now" // told before, and pressing since
	stageAgain     stage = "again"
	stageOver      stage = "over"
	stageWithdrawn stage = "withdrawn"
)

func (s stage) closing() bool { return s == stageOver || s == stageWithdrawn }

// endsAfter is when the alert of an event nobody answered is over.
const endsAfter = 7 * day

// what happens to an alert, and what is to be told, because a finding changed.
type consequence struct {
	event EventKind // "" for none
	stage stage     // "" for nothing to tell
}

// consequenceOf is the rule by which a change of a finding becomes news.
// alerted says that the finding has an alert already.
func consequenceOf(c Change, alerted bool, now time.Time) consequence {
	rule, was, is := ruleOf(c.Is.Kind), c.Was, c.Is
	raise := consequence{Raised, stageRaised}
	current := is.State == outyard.Open || rule.event // not a thing of the past
	lately := now.Sub(is.Onset) <= rule.news
	switch {
	case c.New():
		if isNews(is, now) {
			return raise
		}
	case is.State == outyard.Withdrawn:
		if alerted {
			return consequence{Ended, stageWithdrawn}
		}
	case was.State == outyard.Withdrawn, was.State == outyard.Over && is.State == outyard.Open:
		switch {
		case !current || !lately:
		case alerted:
			return consequence{Again, stageAgain}
		default:
			return raise
		}
	case was.State == outyard.Open && is.State == outyard.Over:
		switch {
		case !alerted:
		case rule.event || is.Severity.Rank() < outyard.Soon.Rank():
			return consequence{event: Ended}
		default:
			return consequence{Ended, stageOver}
		}
	case is.Severity.Rank() > was.Severity.Rank() && current && (lately || !rule.event):
		switch {
		case !alerted:
			return raise
		case is.Severity == outyard.Now:
			return consequence{Worse, stageNow}
		default:
			return consequence{Worse, stageRaised}
		}
	}
	return consequence{}
}

// messages are what the routes have to tell of f, each to one address. before
// is how pressing f was until now: whom a route did not tell then, it tells
// for the first time now.
func messages(routes []Route, w Writer, yard outyard.Yard, f outyard.Finding, s stage, before outyard.Severity, now time.Time) ([]outyard.Message, error) {
	var out []outyard.Message
	pressing := f.Severity
	if s.closing() && before.Rank() > pressing.Rank() {
		pressing = before // whoever heard of it hears the end
	}
	var words Words
	for _, r := range routes {
		if !r.wants(f.Yard, pressing) {
			continue
		}
		if words == (Words{}) {
			var err error
			if words, err = w.Write(yard, []outyard.Finding{f}); err != nil {
				return nil, err
			}
		}
		due := now
		if f.Severity != outyard.Now || s.closing() {
			due = afterQuiet(r.Quiet, now, zoneOf(yard))
		}
		occasion := s
		if s == stageNow && !r.wants(f.Yard, before) {
			occasion = stageRaised
		}
		for target := range r.To {
			out = append(out, outyard.Message{
				Key:   fmt.Sprintf("%s|%d|%s|%s", r.Name, target, f.ID, occasion),
				Route: r.Name, Target: target, Findings: []string{f.ID},
				Subject: words.Subject, Text: words.Text, HTML: words.HTML,
				Queued: now, Due: due, NotAfter: due.Add(worthFor(f.Kind)),
			})
		}
	}
	return out, nil
}

// worthFor is how long a message that cannot be delivered is tried: a day at
// least, and no longer than a week.
func worthFor(k outyard.Kind) time.Duration { return min(max(ruleOf(k).news, day), 7*day) }
