// Package instruments says what is the matter with the nodes rather than with
// the bees. It exists because a scale that fell silent looks, on every other
// page, like a colony of which there is no news.
package instruments

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/timekeeping"
)

// Settings are the thresholds of this package (common practice, no source).
type Settings struct {
	// SilentCadences is how many readings in a row must be missing. Of a radio
	// that loses one in fifty, four in a row are missing once in centuries.
	SilentCadences int
	// SilentLeast is the shortest silence that is told: nodes hold back
	// readings for an hour or so when the radio is busy.
	SilentLeast time.Duration
}

// DefaultSettings returns the defaults.
func DefaultSettings() Settings {
	return Settings{SilentCadences: 4, SilentLeast: 2 * time.Hour}
}

// A Silence watches which nodes of a yard are heard from. What it finds depends
// on the readings and on what time it is, not on the order in which the hives'
// readings came.
type Silence struct {
	yard  outyard.Yard
	set   Settings
	nodes []*node // by hive; the weather's first
	now   time.Time
	due   time.Time // nothing falls silent before it; zero: not known
}

// A node is what sends for a hive, or for the yard's weather.
type node struct {
	hive        outyard.HiveID
	first, last time.Time
	arrived     time.Time       // when something last arrived; zero where that is not told
	off         bool            // its clock is
	gaps        []time.Duration // the newest, up to manyGaps
	cadence     time.Duration
	past        []spell
}

// A spell of silence is from the last reading before it to the first after it.
type spell struct {
	last, heard time.Time // heard is zero while it lasts
	cadence     time.Duration
}

const (
	manyGaps = 32 // enough for a median, few enough to follow a change of cadence
	fewGaps  = 8
)

// NewSilence begins to listen to a yard.
func NewSilence(yard outyard.Yard, set Settings) *Silence { return &Silence{yard: yard, set: set} }

// Heard takes the time of a reading of a hive, or of the weather (hive empty),
// each node's own in order. It says whether a silence ended with it.
func (s *Silence) Heard(hive outyard.HiveID, at time.Time) bool {
	i, known := slices.BinarySearchFunc(s.nodes, hive, func(n *node, h outyard.HiveID) int { return cmp.Compare(n.hive, h) })
	if !known {
		s.nodes = slices.Insert(s.nodes, i, &node{hive: hive, first: at, last: at})
		s.due = time.Time{}
		return false
	}
	n := s.nodes[i]
	gap := at.Sub(n.last)
	ended := n.cadence > 0 && gap > s.set.limit(n.cadence)
	was := n.cadence
	if ended {
		n.past = append(n.past, spell{n.last, at, n.cadence})
	} else {
		n.take(gap)
	}
	if ended || n.cadence != was {
		s.due = time.Time{}
	}
	n.last = at
	return ended
}

// Arrived says when something arrived from a node, and whether its clock is
// known to be off. From whom something arrives is not silent, whatever the time
// that it gives: it has a backlog, or its clock is behind. It says whether a
// silence that was told ended with it.
func (s *Silence) Arrived(hive outyard.HiveID, arrived time.Time, off bool) bool {
	i, known := slices.BinarySearchFunc(s.nodes, hive, func(n *node, h outyard.HiveID) int { return cmp.Compare(n.hive, h) })
	if !known {
		return false
	}
	n := s.nodes[i]
	told := n.cadence > 0 && !s.now.Before(s.tellAt(n))
	n.arrived, n.off = arrived, off
	if n.heard().Equal(n.last) {
		return false
	}
	s.due = time.Time{}
	return told
}

// heard is when the node last was: a clock that is right, or nearly, gives it
// itself.
func (n *node) heard() time.Time {
	if n.arrived.Sub(n.last) >= timekeeping.DefaultSettings().Least {
		return n.arrived
	}
	return n.last
}

// silentSince is from when on nothing is known of a node that is silent: a
// backlog may end long before it arrived.
func (n *node) silentSince() time.Time {
	if n.off {
		return n.heard()
	}
	return n.last
}

// take learns a node's cadence: the median of its newest gaps.
func (n *node) take(gap time.Duration) {
	if len(n.gaps) == manyGaps {
		n.gaps = append(n.gaps[:0], n.gaps[manyGaps/2:]...)
	}
	n.gaps = append(n.gaps, gap)
	if len(n.gaps) == fewGaps || len(n.gaps) == manyGaps {
		sorted := slices.Sorted(slices.Values(n.gaps))
		n.cadence = sorted[len(sorted)/2].Round(time.Minute)
		n.cadence = max(n.cadence, time.Minute)
	}
}

// limit is how long a node of a cadence may be silent.
func (set Settings) limit(cadence time.Duration) time.Duration {
	return max(time.Duration(set.SilentCadences)*cadence, set.SilentLeast)
}

// tellAt is when a node's silence is told if it lasts: a little after it is
// one, so that a yard that fell silent as a whole is told as a whole.
func (s *Silence) tellAt(n *node) time.Time { return n.heard().Add(s.set.limit(n.cadence) + n.cadence) }

// Pass lets time pass and says whether a node fell silent.
func (s *Silence) Pass(now time.Time) bool {
	was := s.now
	if now.After(s.now) {
		s.now = now
	}
	if !s.due.IsZero() && s.now.Before(s.due) {
		return false
	}
	fell := false
	for _, n := range s.nodes {
		if at := s.tellAt(n); n.cadence > 0 && at.After(was) && !at.After(s.now) {
			fell = true
		}
	}
	s.due = s.Due()
	return fell
}

// Due is when the next node will be told to be silent if nothing is heard
// from it; zero when there is none.
func (s *Silence) Due() time.Time {
	var due time.Time
	for _, n := range s.nodes {
		if at := s.tellAt(n); n.cadence > 0 && at.After(s.now) && (due.IsZero() || at.Before(due)) {
			due = at
		}
	}
	return due
}

// Findings returns the silences so far: one for the whole yard where all its
// nodes were silent at once.
func (s *Silence) Findings() []outyard.Finding {
	each := make([][]spell, len(s.nodes))
	for i, n := range s.nodes {
		each[i] = slices.Clone(n.past)
		if n.cadence > 0 && s.now.Sub(n.heard()) > s.set.limit(n.cadence) {
			each[i] = append(each[i], spell{n.silentSince(), time.Time{}, n.cadence})
		}
	}
	var found []outyard.Finding
	for _, all := range s.together(each) {
		found = append(found, s.finding("", all))
		for i := range each {
			each[i] = slices.DeleteFunc(each[i], func(p spell) bool { return all.explains(p, s.set.SilentLeast) })
		}
	}
	for i, n := range s.nodes {
		for _, p := range each[i] {
			if p.heard.IsZero() && s.now.Before(s.tellAt(n)) {
				continue
			}
			found = append(found, s.finding(n.hive, p))
		}
	}
	slices.SortStableFunc(found, func(a, b outyard.Finding) int { return a.Onset.Compare(b.Onset) })
	return found
}

// together returns the spells in which every node that was known was silent,
// two of them at least: they begin with the last that was heard, and end with
// the first.
func (s *Silence) together(each [][]spell) []spell {
	if len(each) < 2 {
		return nil
	}
	var all []spell
	for i := range each {
		for _, p := range each[i] {
			// The one that was heard last begins it.
			sum, nodes, last := p, 0, true
			for j, n := range s.nodes {
				if n.first.After(p.last) {
					continue
				}
				k := slices.IndexFunc(each[j], func(q spell) bool {
					return !q.last.After(p.last) && (q.heard.IsZero() || q.heard.After(p.last))
				})
				if k < 0 {
					last = false
					break
				}
				nodes++
				if q := each[j][k]; !q.heard.IsZero() && (sum.heard.IsZero() || q.heard.Before(sum.heard)) {
					sum.heard = q.heard
				}
			}
			if last && nodes >= 2 && !slices.ContainsFunc(all, func(q spell) bool { return q.last.Equal(sum.last) }) {
				all = append(all, sum)
			}
		}
	}
	return all
}

// explains says that a node's spell is no more than its part in the yard's.
func (p spell) explains(q spell, slack time.Duration) bool {
	begun := q.last.Add(slack+q.cadence).After(p.last) && !q.last.After(p.last)
	if q.heard.IsZero() || p.heard.IsZero() {
		return begun && q.heard.Equal(p.heard)
	}
	return begun && q.heard.Sub(p.heard) < slack+q.cadence
}

// The program's safety notes on stings, heights, electricity and the drive.
const (
	stingCaution = "Veil and gloves also for the electronics: bees guard what stands at their entrance."
	mastCaution  = "No ladder alone, none on soft ground or in wind, and none near power lines; keep off masts when there is thunder. What hangs on the mains is an electrician's."
	driveCaution = "No node is worth a drive in a storm or by night."
)

func (s *Silence) finding(hive outyard.HiveID, p spell) outyard.Finding {
	who, advice := "this hive's node", []string{
		"Carry a charged battery; look at plug, cable, antenna and whether water came in.",
		"Until it speaks, nothing is known of this hive: look into it on the next round.",
	}
	switch {
	case hive == "" && p.yardWide(s):
		who, advice = "any node of the yard", []string{
			"All at once is more likely power or radio than the hives: look at the gateway first, and at who else can see the yard.",
			"Nodes that keep their readings send them later; what was found meanwhile is then brought up to date.",
		}
	case hive == "":
		who, advice = "the yard's weather node", []string{
			"Carry a charged battery; without it, rain and flying weather are guessed from the hives.",
		}
	}
	var caution []string
	switch {
	case hive != "":
		// The node may be silent because of what befell the hive.
		advice = append(advice, "A hive that fell over or was taken away can silence its node: telephone somebody near, or go soon after a storm.")
		caution = []string{"A hive on its side stings: come with veil, gloves and boots on, and keep others away.", stingCaution, driveCaution}
	case p.yardWide(s):
		caution = []string{mastCaution, stingCaution, driveCaution}
	default:
		caution = []string{mastCaution, driveCaution}
	}
	f := outyard.Finding{
		Kind: outyard.Silent, Yard: s.yard.ID, Hive: hive, Onset: p.last, Severity: outyard.Soon, Confidence: 0.97,
		Advice: advice, Caution: caution, State: outyard.Open,
		Facts: map[string]any{"cadence_minutes": p.cadence.Minutes(),
			"reasons": []string{fmt.Sprintf("it usually sends every %s", spoken(p.cadence))}},
	}
	since := p.last.In(s.yard.Zone).Format("2 January 15:04")
	f.Summary = fmt.Sprintf("Nothing was heard from %s since %s; it usually sends every %s.", who, since, spoken(p.cadence))
	if !p.heard.IsZero() {
		f.End, f.State = p.heard, outyard.Over
		f.Facts["hours"] = math.Round(10*p.heard.Sub(p.last).Hours()) / 10
		f.Summary = fmt.Sprintf("Nothing was heard from %s from %s for %s.", who, since, spoken(p.heard.Sub(p.last)))
	}
	return f
}

// yardWide says that the spell is not the weather node's alone.
func (p spell) yardWide(s *Silence) bool {
	for _, n := range s.nodes {
		if n.hive != "" && !n.first.After(p.last) && n.silentAt(p.last) {
			return true
		}
	}
	return false
}

func (n *node) silentAt(t time.Time) bool {
	if !n.silentSince().After(t) {
		return true
	}
	return slices.ContainsFunc(n.past, func(q spell) bool { return !q.last.After(t) && q.heard.After(t) })
}

// spoken is a duration as one says it.
func spoken(d time.Duration) string {
	switch {
	case d < 90*time.Second:
		return "minute"
	case d < 90*time.Minute:
		return fmt.Sprintf("%.0f minutes", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
