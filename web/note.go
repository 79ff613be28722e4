package web

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"outyard"
)

// A place is a yard with the words for it; one that is not in the config but
// has readings is shown by its id, in UTC.
type place struct {
	outyard.Yard
	Configured bool
}

func (p place) name() string {
	if p.Name != "" {
		return p.Name
	}
	return string(p.ID)
}

func (p place) zone() *time.Location {
	if p.Zone != nil {
		return p.Zone
	}
	return time.UTC
}

func (p place) hiveName(id outyard.HiveID) string {
	if h, ok := p.Hive(id); ok && h.Name != "" {
		return h.Name
	}
	return string(id)
}

// places are the yards of the config in its order, then those that only the
// store knows.
func (s *site) places(newest []outyard.Reading) []place {
	var out []place
	index := map[outyard.YardID]int{}
	for _, y := range s.Yards() {
		index[y.ID] = len(out)
		y.Hives = slices.Clone(y.Hives)
		out = append(out, place{y, true})
	}
	for _, r := range newest {
		i, ok := index[r.Yard]
		if !ok {
			i = len(out)
			index[r.Yard] = i
			out = append(out, place{Yard: outyard.Yard{ID: r.Yard}})
		}
		if _, known := out[i].Hive(r.Hive); r.Hive != "" && !known {
			out[i].Hives = append(out[i].Hives, outyard.Hive{ID: r.Hive})
		}
	}
	return out
}

// place finds a yard, and a hive of it unless that is empty, in the config or
// among what was heard.
func (s *site) place(ctx context.Context, yard outyard.YardID, hive outyard.HiveID) (place, error) {
	for _, y := range s.Yards() {
		if y.ID != yard {
			continue
		}
		if _, ok := y.Hive(hive); ok || hive == "" {
			return place{y, true}, nil
		}
	}
	if yard.Check() != nil || hive != "" && hive.Check() != nil {
		return place{}, errNoPage
	}
	newest, err := s.store.Newest(ctx)
	if err != nil {
		return place{}, err
	}
	for _, p := range s.places(newest) {
		if p.ID != yard {
			continue
		}
		if _, ok := p.Hive(hive); ok || hive == "" {
			return p, nil
		}
	}
	return place{}, errNoPage
}

// known are the places without asking for everything that was heard, which
// with thousands of hives takes a while: those of the config, and only where
// it names none, those that the store knows.
func (s *site) known(ctx context.Context) ([]place, error) {
	if places := s.places(nil); len(places) > 0 {
		return places, nil
	}
	newest, err := s.store.Newest(ctx)
	if err != nil {
		return nil, fmt.Errorf("newest readings: %w", err)
	}
	return s.places(newest), nil
}

// placeNamed is a yard of the config, or one by its id alone: enough for the
// words of a finding, without asking the store for everything that was heard.
func (s *site) placeNamed(yard outyard.YardID) place {
	for _, y := range s.Yards() {
		if y.ID == yard {
			return place{y, true}
		}
	}
	return place{Yard: outyard.Yard{ID: yard}}
}

// homeZone is the zone in which the head of a page says the time: the first
// yard's.
func (s *site) homeZone() *time.Location {
	for _, y := range s.Yards() {
		if y.Zone != nil {
			return y.Zone
		}
	}
	return time.UTC
}

func yardURL(yard outyard.YardID) string { return "/yards/" + url.PathEscape(string(yard)) }

func hiveURL(yard outyard.YardID, hive outyard.HiveID) string {
	return yardURL(yard) + "/hives/" + url.PathEscape(string(hive))
}

// A note is a finding in words.
type note struct {
	ID, Title, Letter     string
	Severity              outyard.Severity
	SeverityText          string
	Open                  bool
	State                 string
	YardName, YardURL     string
	NameYard              bool   // the page is about more than one yard
	HiveName, HiveURL     string // empty for the whole yard
	HiveID                outyard.HiveID
	Where                 string   // of several hives: how many
	Hives                 []member // of several hives: the worst, and
	More, MoreURL         string   // how many more there are; empty: none
	AnswerURL, AnswerText string   // where to say what is done about it; empty: nothing is asked
	SeeURL                string   // the hive, around the time of it
	Summary               string
	When, Ago, ISO, Ended string
	Confidence            string
	First                 string // the first thing to do
	Advice, Caution       []string
	Facts                 []fact
	Alert                 string // what the keeper answered
}

type fact struct{ Label, Value string }

func (s *site) noteOf(f outyard.Finding, p place, now time.Time) note {
	zone := p.zone()
	n := note{
		ID: f.ID, Title: titleOf(f), Letter: letterOf(f.Kind), Severity: f.Severity, SeverityText: f.Severity.Plain(),
		Open: f.State == outyard.Open, State: stateTexts[f.State],
		YardName: p.name(), YardURL: yardURL(p.ID), HiveID: f.Hive, SeeURL: yardURL(p.ID) + "#" + f.ID,
		Summary: f.Summary, When: whenText(f.Onset, now, zone), Ago: agoText(f.Onset, now, zone), ISO: f.Onset.UTC().Format(time.RFC3339),
		Ended: whenText(f.End, now, zone), Confidence: confidenceText(f.Confidence), Advice: f.Advice, Caution: f.Caution,
	}
	n.AnswerURL, n.AnswerText = s.answerLink(f)
	if f.Hive != "" {
		n.HiveName, n.HiveURL = p.hiveName(f.Hive), hiveURL(f.Yard, f.Hive)
		q := around(f, now, zone).query()
		n.SeeURL = n.HiveURL + "?" + q.Encode() + "#" + f.ID
	}
	if len(f.Advice) > 0 {
		n.First = f.Advice[0]
	}
	for _, name := range slices.Sorted(maps.Keys(f.Facts)) {
		if v, ok := f.Facts[name].(float64); ok && !outyard.Known(v) {
			continue
		}
		label, value := factText(name, f.Facts[name])
		n.Facts = append(n.Facts, fact{label, value})
	}
	return n
}

// unsure is the confidence below which a finding is more likely wrong than
// right, so that its title must not say it as a fact.
const unsure = 0.45

// titleOf says what happened, or that it perhaps did.
func titleOf(f outyard.Finding) string {
	title := f.Kind.Happened()
	if f.State != outyard.Withdrawn && outyard.Known(f.Confidence) && f.Confidence < unsure {
		title = "Perhaps: " + strings.ToLower(title[:1]) + title[1:]
	}
	return title
}

// around is the stretch in which a finding is best seen: a week before it to
// a week after, but two weeks at most into the past from now.
func around(f outyard.Finding, now time.Time, zone *time.Location) span {
	on := outyard.DateOf(f.Onset, zone)
	last := on.Add(6)
	if today := outyard.DateOf(now, zone); today.Before(last) {
		last = today
	}
	return span{From: on.Add(-7).Start(zone), To: last.Add(1).Start(zone), zone: zone}
}

// pressing orders findings: the most urgent first, then the newest.
func pressing(a, b outyard.Finding) int {
	return cmp.Or(cmp.Compare(b.Severity.Rank(), a.Severity.Rank()), b.Onset.Compare(a.Onset), cmp.Compare(a.ID, b.ID))
}

// allFindings follows the pages of a query to its end.
func (s *site) allFindings(ctx context.Context, q Query) ([]outyard.Finding, error) {
	q.Limit = 0
	out, _, err := s.store.Findings(ctx, q)
	return out, err
}

func (s *site) allDays(ctx context.Context, q Query) ([]outyard.Day, error) {
	q.Limit = 0
	out, _, err := s.store.Days(ctx, q)
	return out, err
}
