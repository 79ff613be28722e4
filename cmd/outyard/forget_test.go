package main

import (
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis"
	"outyard/simulator"
)

func TestWhatIsForgottenChangesNoMore(t *testing.T) {
	season := simulator.Invent(5, simulator.Options{Start: time.Date(2027, time.May, 1, 7, 0, 0, 0, time.UTC), Days: 60, Yards: 1, HivesPerYard: 6})
	yard := season.Yards()[0]
	whole := analysis.NewCourse(yard, nil, analysis.DefaultSettings())
	lean := analysis.NewCourse(yard, nil, analysis.DefaultSettings())
	const back = 14 // as the watcher
	var kept []outyard.Day
	last := outyard.Date{}
	_, err := season.Run(func(r outyard.Reading) error {
		if today := outyard.DateOf(r.Time, yard.Zone); today != last {
			last = today
			for _, d := range lean.Days() {
				if d.Date.Before(today.Add(-back)) {
					kept = append(kept, d)
				}
			}
			lean.Forget(today.Add(-back))
		}
		return errors.Join(whole.Observe(r), lean.Observe(r))
	})
	require.NoError(t, err)

	require.LessOrEqual(t, len(lean.Days()), (back+1)*6)
	if diff := cmp.Diff(whole.Days(), append(kept, lean.Days()...), cmpopts.EquateNaNs()); diff != "" {
		t.Error("rows of a course that forgets (-whole +forgetful):\n" + diff)
	}
	if diff := cmp.Diff(whole.Findings(), lean.Findings(), cmpopts.EquateNaNs()); diff != "" {
		t.Error("findings of a course that forgets (-whole +forgetful):\n" + diff)
	}
}
