package main

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis"
	"outyard/collector/csvfile"
	"outyard/simulator"
)

// TestABookmarkSaysWhatTheBeginningDoes has a season arrive in heaps, hours to
// weeks late: folding on from a bookmark and folding anew must not differ.
func TestABookmarkSaysWhatTheBeginningDoes(t *testing.T) {
	for seed := range uint64(2) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			season := simulator.Invent(seed+41, simulator.Options{Start: time.Date(2026, time.April, 10, 7, 0, 0, 0, time.UTC),
				Days: 48, Yards: 1, HivesPerYard: 2, Cadence: 30 * time.Minute})
			dice := rand.New(rand.NewPCG(seed, 5))
			latest := []time.Duration{time.Hour, 24 * time.Hour, 10 * 24 * time.Hour, 60 * 24 * time.Hour}
			late := map[string]time.Duration{} // by hive and six hours
			var sent []simulator.Sent
			_, err := season.Run(func(r outyard.Reading) error {
				heap := fmt.Sprint(r.Hive, r.Time.Truncate(6*time.Hour))
				by, known := late[heap]
				if !known && dice.IntN(8) == 0 {
					by = time.Duration(dice.Int64N(int64(latest[dice.IntN(len(latest))])))
				}
				late[heap] = by
				sent = append(sent, simulator.Sent{Reading: r, Arrival: r.Time.Add(by)})
				return nil
			})
			require.NoError(t, err)
			slices.SortStableFunc(sent, func(a, b simulator.Sent) int { return a.Arrival.Compare(b.Arrival) })

			yard, set := season.Yards()[0], analysis.DefaultSettings()
			anew := func() *analysis.Course { return analysis.NewCourse(yard, nil, set) }
			file := newSeason(yard)
			for _, s := range sent {
				file.add(csvfile.Row{Reading: s.Reading, Arrival: s.Arrival})
			}
			arrived, marks := newPast(file), bookmarks{}
			used, folds := 0, 0
			next := sent[0].Arrival
			for i, s := range sent {
				if arrived.take(int32(i)) {
					marks.changed(s.Reading.Time)
				}
				if i+1 < len(sent) && s.Arrival.Before(next) {
					continue
				}
				next = s.Arrival.Add(time.Duration(dice.Int64N(int64(4 * 24 * time.Hour))))
				begun := false
				course := marks.refold(func() *analysis.Course { begun = true; return anew() }, arrived)
				if folds++; !begun {
					used++
				}
				if folds%4 != 0 && i+1 < len(sent) {
					continue
				}
				want := anew()
				for _, i := range arrived.since(time.Time{}) {
					require.NoError(t, want.Observe(file.reading(i)))
				}
				require.Empty(t, cmp.Diff(want.Findings(), course.Findings(), cmpopts.EquateNaNs()))
				require.Empty(t, cmp.Diff(want.Days(), course.Days(), cmpopts.EquateNaNs()))
				require.Equal(t, want.Due(), course.Due())
			}
			require.Greater(t, used, folds/2, "most began at a bookmark")
			require.LessOrEqual(t, len(marks.kept), len(marksBack))
		})
	}
}
