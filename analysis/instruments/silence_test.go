package instruments

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var start = time.Date(2027, 5, 22, 6, 0, 0, 0, time.UTC)

// hear plays a yard from the start for so many hours: each node sends at its
// cadence, and not within its silences.
func hear(s *Silence, hours int, nodes map[outyard.HiveID]sender) {
	for m := range hours * 60 {
		at := start.Add(time.Duration(m) * time.Minute)
		s.Pass(at)
		for hive, n := range nodes {
			if m%n.everyMin == n.phaseMin && !n.quiet(at) {
				s.Heard(hive, at)
			}
		}
	}
}

type sender struct {
	everyMin, phaseMin int
	from, to           int // hours of silence; 0, 0 for none
}

func (n sender) quiet(at time.Time) bool {
	h := at.Sub(start).Hours()
	return n.to > 0 && h >= float64(n.from) && h < float64(n.to)
}

func TestWhoIsSilent(t *testing.T) {
	for _, c := range []struct {
		name  string
		nodes map[outyard.HiveID]sender
		hives []outyard.HiveID // of the findings
		state outyard.State
	}{
		{"all that send are heard", map[outyard.HiveID]sender{"h1": {10, 0, 0, 0}, "h2": {60, 7, 0, 0}}, nil, ""},
		{"one that stopped is silent", map[outyard.HiveID]sender{"h1": {10, 0, 20, 99}, "h2": {10, 3, 0, 0}}, []outyard.HiveID{"h1"}, outyard.Open},
		{"and heard again it is over", map[outyard.HiveID]sender{"h1": {10, 0, 20, 30}, "h2": {10, 3, 0, 0}}, []outyard.HiveID{"h1"}, outyard.Over},
		{"three hours are nothing to one that sends hourly", map[outyard.HiveID]sender{"h1": {60, 0, 20, 23}, "h2": {10, 3, 0, 0}}, nil, ""},
		{"but are to one that sends every ten minutes", map[outyard.HiveID]sender{"h1": {10, 0, 20, 23}, "h2": {60, 3, 0, 0}}, []outyard.HiveID{"h1"}, outyard.Over},
		{"all at once is one finding, of the yard", map[outyard.HiveID]sender{"h1": {10, 0, 20, 99}, "h2": {10, 3, 20, 99}, "": {15, 7, 20, 99}}, []outyard.HiveID{""}, outyard.Open},
		{"and over as one", map[outyard.HiveID]sender{"h1": {10, 0, 20, 30}, "h2": {10, 3, 20, 30}, "": {15, 7, 20, 30}}, []outyard.HiveID{""}, outyard.Over},
		{"a node alone in its yard is itself silent", map[outyard.HiveID]sender{"h1": {10, 0, 20, 99}}, []outyard.HiveID{"h1"}, outyard.Open},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := NewSilence(outyard.Yard{ID: "alder-spit", Zone: time.UTC}, DefaultSettings())
			hear(s, 48, c.nodes)
			found := s.Findings()
			var hives []outyard.HiveID
			for _, f := range found {
				hives = append(hives, f.Hive)
				require.Equal(t, outyard.Silent, f.Kind)
				require.Equal(t, c.state, f.State)
				require.WithinRange(t, f.Onset, start.Add(19*time.Hour), start.Add(20*time.Hour))
			}
			require.Equal(t, c.hives, hives)
		})
	}
}

func TestASilenceIsToldWhenItIsDueAndNotBefore(t *testing.T) {
	s := NewSilence(outyard.Yard{ID: "alder-spit", Zone: time.UTC}, DefaultSettings())
	hear(s, 21, map[outyard.HiveID]sender{"h1": {10, 0, 20, 99}, "h2": {10, 3, 0, 0}})
	require.Empty(t, s.Findings(), "an hour is no silence")
	due := s.Due()
	require.Equal(t, start.Add(19*time.Hour+50*time.Minute+2*time.Hour+10*time.Minute), due)
	require.False(t, s.Pass(due.Add(-time.Second)))
	require.Empty(t, s.Findings())
	require.True(t, s.Pass(due))
	require.Len(t, s.Findings(), 1, "h2 is late as well, but not yet silent for as long")
}

// Nodes that keep their readings for hours and send them in one heap were
// never silent, whoever else was heard meanwhile.
func TestABacklogFillsTheGap(t *testing.T) {
	s := NewSilence(outyard.Yard{ID: "alder-spit", Zone: time.UTC}, DefaultSettings())
	nodes := map[outyard.HiveID]sender{"h1": {10, 0, 20, 26}, "h2": {10, 3, 0, 0}}
	hear(s, 26, nodes)
	require.Len(t, s.Findings(), 1)
	for m := 0; m < 6*60; m += 10 {
		s.Heard("h1", start.Add(20*time.Hour+time.Duration(m)*time.Minute))
	}
	require.Empty(t, s.Findings())
}
