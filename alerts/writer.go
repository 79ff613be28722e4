package alerts

import (
	"cmp"
	"embed"
	"fmt"
	htmltemplate "html/template"
	"math"
	"slices"
	"strings"
	texttemplate "text/template"
	"time"

	"outyard"
	"outyard/analysis/round"
)

//go:embed templates
var templates embed.FS

var (
	textMessage = texttemplate.Must(texttemplate.ParseFS(templates, "templates/message.txt"))
	htmlMessage = htmltemplate.Must(htmltemplate.ParseFS(templates, "templates/message.html"))
	textRound   = texttemplate.Must(texttemplate.ParseFS(templates, "templates/round.txt"))
	htmlRound   = htmltemplate.Must(htmltemplate.ParseFS(templates, "templates/round.html"))
)

// A Writer puts findings into words for a message.
type Writer struct {
	// Link is the address of a hive's page, of the yard's when hive is empty.
	// It is nil where no page can be reached from outside.
	Link func(outyard.YardID, outyard.HiveID) string
	// Units are the reader's.
	Units outyard.Units

	pictures []outyard.Picture
	answer   func(act LinkAct, finding string) string // the link of an answer; nil: none
}

// A letterAnswer is a link by which a finding is answered.
type letterAnswer struct{ Text, URL string }

// maybeMine are the kinds that may have been the keeper's own work.
var maybeMine = []outyard.Kind{outyard.Swarm, outyard.KnockedOver, outyard.Handling}

func byPressing(a, b outyard.Finding) int {
	return cmp.Or(cmp.Compare(pressing(b), pressing(a)), a.Onset.Compare(b.Onset), cmp.Compare(a.ID, b.ID))
}

// Words are the parts of a message that people read.
type Words struct{ Subject, Text, HTML string }

type letter struct {
	Subject, Yard string
	Items         []letterItem
}

type letterItem struct {
	Place, Title, Summary, When, Urgency, Sure string
	Advice, Caution                            []string
	Link                                       string
	PictureURL                                 htmltemplate.URL
	Shows                                      string
	Answers                                    []letterAnswer
}

// Write tells of findings of one yard, at least one, the most pressing first.
// Instants are given in the yard's zone.
func (w Writer) Write(yard outyard.Yard, findings []outyard.Finding) (Words, error) {
	findings = slices.Clone(findings)
	slices.SortStableFunc(findings, byPressing)
	l := letter{Yard: nameOf(yard)}
	for _, f := range findings {
		l.Items = append(l.Items, w.item(yard, f))
	}
	first := l.Items[0]
	l.Subject = fmt.Sprintf("%s: %s, %s", l.Yard, first.Place, first.Title)
	if findings[0].Hive == "" {
		l.Subject = fmt.Sprintf("%s: %s", l.Yard, first.Title)
	}
	if more := len(findings) - 1; more > 0 {
		l.Subject += fmt.Sprintf(", and %d more", more)
	}
	if pressing(findings[0]) == outyard.Now.Rank() {
		l.Subject = "Now: " + l.Subject
	}

	return execute(l, string(yard.ID))
}

func execute(l letter, about string) (Words, error) {
	var text, html strings.Builder
	if err := textMessage.Execute(&text, l); err != nil {
		return Words{}, fmt.Errorf("write text for %s: %w", about, err)
	}
	if err := htmlMessage.Execute(&html, l); err != nil {
		return Words{}, fmt.Errorf("write HTML for %s: %w", about, err)
	}
	return Words{Subject: l.Subject, Text: strings.TrimSpace(text.String()) + "\n", HTML: html.String()}, nil
}

// Summary tells of findings of many yards, at least one, in a line each: what
// the ceiling of an hour held back. yard finds a yard by its id.
func (w Writer) Summary(yard func(outyard.YardID) outyard.Yard, findings []outyard.Finding) (Words, error) {
	findings = slices.Clone(findings)
	slices.SortStableFunc(findings, func(a, b outyard.Finding) int {
		return cmp.Or(cmp.Compare(pressing(b), pressing(a)), cmp.Compare(a.Yard, b.Yard), a.Onset.Compare(b.Onset), cmp.Compare(a.ID, b.ID))
	})
	var l letter
	yards := map[outyard.YardID]bool{}
	for _, f := range findings {
		y := yard(f.Yard)
		it := w.item(y, f)
		it.Advice, it.Caution = nil, nil
		if it.Place = nameOf(y); f.Hive != "" {
			it.Place += ", " + placeOf(y, f.Hive)
		}
		l.Items = append(l.Items, it)
		yards[f.Yard] = true
	}
	many := fmt.Sprintf("%s at %s", count(len(findings), "finding"), count(len(yards), "yard"))
	l.Yard = many + ", in one message since there have been many. What to do about each is on its page."
	l.Subject = fmt.Sprintf("%s, %s first", many, nameOf(yard(findings[0].Yard)))
	if pressing(findings[0]) == outyard.Now.Rank() {
		l.Subject = "Now: " + l.Subject
	}
	return execute(l, "a summary")
}

type roundLetter struct {
	Subject, Headline, Way string
	Stops                  []roundStop
	Carry, Care            []string
}

type roundStop struct {
	Name, Drive, Link string
	Reasons           []roundReason
}

type roundReason struct{ Where, What, Summary, Urgency string }

// Round tells the day's round. Its text is that of the command, its HTML the
// same with links.
func (w Writer) Round(r round.Round) (Words, error) {
	l := roundLetter{Subject: "Round: " + r.Headline(), Headline: r.Headline(), Way: r.Way(), Care: w.Units.SayAll(r.Care)}
	for _, s := range r.Stops {
		stop := roundStop{Name: s.Name(), Drive: s.Drive()}
		if w.Link != nil {
			stop.Link = w.Link(s.Yard.ID, "")
		}
		for _, why := range s.Reasons {
			reason := roundReason{Where: why.Where, What: why.Finding.Kind.Happened(), Summary: w.Units.Say(why.Finding.Summary)}
			if why.Finding.Severity == outyard.Now {
				reason.Urgency = outyard.Now.Plain() + "."
			}
			stop.Reasons = append(stop.Reasons, reason)
		}
		l.Stops = append(l.Stops, stop)
	}
	l.Carry = w.Units.SayAll(r.CarryLines())
	paragraphs := r.Paragraphs()
	for i := range paragraphs {
		paragraphs[i] = w.Units.SayAll(paragraphs[i])
	}
	var text, html strings.Builder
	if err := textRound.Execute(&text, paragraphs); err != nil {
		return Words{}, fmt.Errorf("write text of the round: %w", err)
	}
	if err := htmlRound.Execute(&html, l); err != nil {
		return Words{}, fmt.Errorf("write HTML of the round: %w", err)
	}
	return Words{Subject: l.Subject, Text: strings.TrimSpace(text.String()) + "\n", HTML: html.String()}, nil
}

func (w Writer) item(yard outyard.Yard, f outyard.Finding) letterItem {
	it := letterItem{Place: placeOf(yard, f.Hive), Title: f.Kind.Name(), Summary: w.Units.Say(f.Summary), When: when(f, zoneOf(yard))}
	if w.Link != nil {
		it.Link = w.Link(f.Yard, f.Hive)
	}
	switch f.State {
	case outyard.Withdrawn:
		it.Title += ", taken back"
		return it // what was advised no longer stands
	case outyard.Over:
		if !ruleOf(f.Kind).event {
			it.Title += ", over"
			return it
		}
	}
	for _, p := range w.pictures {
		if p.ID == f.ID {
			it.PictureURL, it.Shows = htmltemplate.URL("cid:"+p.ID), p.Shows // made of an id of ours
		}
	}
	if w.answer != nil {
		if f.State == outyard.Open && f.Severity.Rank() >= outyard.Soon.Rank() {
			it.Answers = append(it.Answers, letterAnswer{"I will see to it", w.answer(LinkSeen, f.ID)})
		}
		if slices.Contains(maybeMine, f.Kind) {
			it.Answers = append(it.Answers, letterAnswer{"That was me", w.answer(LinkMine, f.ID)})
		}
	}
	it.Advice, it.Caution = w.Units.SayAll(f.Advice), w.Units.SayAll(f.Caution)
	switch f.Severity {
	case outyard.Now:
		it.Urgency = f.Severity.Plain() + "."
	case outyard.Soon:
		it.Urgency = "See to it on the next round."
	}
	if f.Confidence > 0 {
		it.Sure = fmt.Sprintf("%.0f %% sure.", min(math.Round(f.Confidence*100), 99))
	}
	return it
}

// pressing is how soon somebody should act on a finding as it stands.
func pressing(f outyard.Finding) int {
	if f.State == outyard.Withdrawn || f.State == outyard.Over && !ruleOf(f.Kind).event {
		return 0
	}
	return f.Severity.Rank()
}

func when(f outyard.Finding, zone *time.Location) string {
	rule := ruleOf(f.Kind)
	layout := "Monday 2 January at 15:04"
	if rule.within >= day { // dated by a fit over days: a time of day would boast
		layout = "Monday 2 January"
	}
	onset := f.Onset.In(zone).Format(layout)
	end := f.End.In(zone).Format(layout)
	switch {
	case rule.event:
		return "On " + onset + "."
	case f.State == outyard.Withdrawn:
		return "It was said to have begun on " + onset + "."
	case f.State == outyard.Over && end == onset:
		return "On " + onset + "."
	case f.State == outyard.Over && !f.End.IsZero():
		return fmt.Sprintf("From %s to %s.", onset, end)
	default:
		return "Since " + onset + "."
	}
}

func zoneOf(y outyard.Yard) *time.Location {
	if y.Zone == nil {
		return time.UTC
	}
	return y.Zone
}

func nameOf(y outyard.Yard) string { return cmp.Or(y.Name, string(y.ID)) }

func placeOf(y outyard.Yard, id outyard.HiveID) string {
	if id == "" {
		return "The whole yard"
	}
	h, _ := y.Hive(id)
	return cmp.Or(h.Name, string(id))
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
