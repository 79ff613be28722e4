package alerts

import (
	"fmt"
	"strings"
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

// Stages that can come more than once say when.
const (
	stageWoke     = "snoozed-until-"
	stageReminded = "reminded-"
)

func stageAt(s string, at time.Time) stage { return stage(s + at.UTC().Format("20060102T150405Z")) }

func (s stage) closing() bool  { return s == stageOver || s == stageWithdrawn }
func (s stage) reminder() bool { return strings.HasPrefix(string(s), stageReminded) }

// stageOf is the occasion of a message, as its key ends in it.
func stageOf(m outyard.Message) stage { return stage(m.Key[strings.LastIndex(m.Key, "|")+1:]) }

// gather is how long what can wait until the next round waits for more of its
// yard, so that what has one cause is one message: a gateway's end is noticed
// hive by hive, each by its own cadence. Common practice, no source.
const gather = 30 * time.Minute

const (
	// remindAfter is how long somebody who was told to go has to answer until
	// the first reminder; the later ones come after twice the time each.
	remindAfter = time.Hour
	// remindFor is when reminders end at the latest: who has not answered in a
	// day has it on the round.
	remindFor = day
)

// remindNow says whether nobody has answered for so long that the alert of f
// is to be told once more.
func remindNow(a outyard.Alert, f outyard.Finding, now time.Time) bool {
	if a.State != outyard.AlertTold || f.State != outyard.Open || f.Severity != outyard.Now {
		return false
	}
	after := remindAfter
	if a.Reminded.After(a.Since) {
		after = 2 * a.Reminded.Sub(a.Since)
	}
	return after <= min(remindFor, ruleOf(f.Kind).news) && !now.Before(a.Since.Add(after))
}

// Findings of one kind at one hive come and go where a sensor has a bad
// contact. Told is the first few of them; the others are on the pages and on
// the round, until it has been quiet for flapSpan. Common practice, no source.
const (
	flapSpan    = 7 * day
	flapMost    = 2 // of those that can wait
	flapMostNow = 3 // of those that cannot, in flapSpanNow
	flapSpanNow = day
)

// flaps says whether f was raised so often lately that once more is no news.
// raised are the findings that somebody was told of.
func flaps(f outyard.Finding, raised []outyard.Finding, now time.Time) bool {
	most, span := flapMost, flapSpan
	if f.Severity == outyard.Now {
		most, span = flapMostNow, flapSpanNow
	}
	n := 0
	for _, r := range raised {
		if r.ID != f.ID && threadOf(&r) == threadOf(&f) && now.Sub(r.ToldAt) < span {
			n++
		}
	}
	return n >= most
}

// endsAfter is when the alert of an event nobody answered is over.
const endsAfter = 7 * day

// what happens to an alert, and what is to be told, because a finding changed.
type consequence struct {
	event EventKind // "" for none
	stage stage     // "" for nothing to tell
}

// consequenceOf is the rule by which a change of a finding becomes news.
// toldAs is the most pressing that the finding was told as, "" if it was not.
func consequenceOf(c Change, toldAs outyard.Severity, now time.Time) consequence {
	alerted := toldAs != ""
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
		case rule.event || toldAs.Rank() < outyard.Soon.Rank():
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
		case is.Severity.Rank() > toldAs.Rank():
			return consequence{Worse, stageRaised}
		}
	}
	return consequence{}
}

// messages are what the routes have to tell of f, each to one address. toldAs
// is the most pressing that it was told as until now: whom a route did not tell
// then, it tells for the first time now.
func messages(routes []Route, w Writer, yard outyard.Yard, f outyard.Finding, s stage, toldAs outyard.Severity, now time.Time) ([]outyard.Message, error) {
	var out []outyard.Message
	pressing := f.Severity
	if s.closing() && toldAs.Rank() > pressing.Rank() {
		pressing = toldAs // whoever heard of it hears the end
	}
	written := map[outyard.Units]Words{}
	for _, r := range routes {
		if !r.wants(f, pressing) {
			continue
		}
		words, ok := written[r.Units]
		if !ok {
			var err error
			w.Units = r.Units
			if words, err = w.Write(yard, []outyard.Finding{f}); err != nil {
				return nil, err
			}
			written[r.Units] = words
		}
		due := now
		switch {
		case s.reminder():
			due = afterQuiet(r.Quiet, now, zoneOf(yard))
		case f.Severity != outyard.Now || s.closing():
			due = afterQuiet(r.Quiet, now.Add(gather), zoneOf(yard))
		}
		occasion := s
		if s == stageNow && !r.wants(f, toldAs) {
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
