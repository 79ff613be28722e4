package storetest

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"outyard"
	"outyard/store"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// RunState runs the part of the suite that is about everything but readings.
func RunState(t *testing.T, open func(t *testing.T) State) {
	for _, test := range []struct {
		name string
		run  func(t *testing.T, s State)
	}{
		{"a finding comes back as it was told", findingComesBack},
		{"findings come newest onset first, filtered and in pages", findings},
		{"days come by date, yard and hive, filtered and in pages", days},
		{"an alert follows its finding", alerts},
		{"what became of an alert comes back in order", history},
		{"what was told of is looked up, filtered and in pages", told},
		{"news is told whole or not at all", tellAtomic},
		{"a journal entry comes back, once", journal},
		{"a journal entry is fixed, and what it was stays", fixedEntry},
		{"journal entries come by time, filtered and in pages", entries},
		{"a message under a known key is left alone", messageKey},
		{"the outbox hands out what is due, the longest due first", outbox},
		{"a message comes back as it was told", messageComesBack},
		{"a link is used once, and forgotten when it has expired", links},
		{"what was refused is kept whole until it is forgotten", refused},
		{"a cursor from elsewhere is refused", badCursor},
	} {
		t.Run(test.name, func(t *testing.T) { test.run(t, open(t)) })
	}
}

// same compares with NaN equal to itself and instants by what they mean.
func same(t *testing.T, want, got any, about ...any) {
	t.Helper()
	if diff := cmp.Diff(want, got, cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })); diff != "" {
		t.Fatalf("%s (-want +got):\n%s", fmt.Sprint(about...), diff)
	}
}

func finding(id string, yard outyard.YardID, hive outyard.HiveID, kind outyard.Kind, onset time.Time) outyard.Finding {
	return outyard.Finding{ID: id, Kind: kind, Yard: yard, Hive: hive, Onset: onset, ToldAt: onset.Add(time.Minute),
		Severity: outyard.Soon, Confidence: 0.9, Summary: "2.4 kg went within ten minutes.", State: outyard.Open}
}

func ids(fs []outyard.Finding) []string {
	names := []string{}
	for _, f := range fs {
		names = append(names, f.ID)
	}
	return names
}

func findingComesBack(t *testing.T, s State) {
	full := finding("swarm-1", "mill-lane", "h01", outyard.Swarm, noon.Add(123456789))
	full.End = noon.Add(time.Hour)
	full.Advice = []string{"Look in the hedge.", "Bring a box."}
	full.Caution = []string{"The scale was set an hour before."}
	full.Facts = map[string]any{"change_kg": -2.4, "path": "one fall", "dusk": true, "neighbours": []string{"h02", "h03"}, "rates_kg": []float64{-0.1, 0.25}}
	bare := outyard.Finding{ID: "damp-1", Kind: outyard.Damp, Yard: "mill-lane", Onset: noon, State: outyard.Open, Severity: outyard.Note}
	require.NoError(t, s.Tell(t.Context(), store.News{Findings: []outyard.Finding{full, bare}}))
	for _, want := range []outyard.Finding{full, bare} {
		got, ok, err := s.Finding(t.Context(), want.ID)
		require.NoError(t, err)
		require.True(t, ok)
		same(t, want, got, want.ID)
	}
	_, ok, err := s.Finding(t.Context(), "swarm-2")
	require.NoError(t, err)
	require.False(t, ok)

	full.State, full.Onset, full.Hive = outyard.Withdrawn, noon.Add(-time.Hour), "h02"
	require.NoError(t, s.Tell(t.Context(), store.News{Findings: []outyard.Finding{full}}))
	fs, _, err := s.Findings(t.Context(), store.Query{})
	require.NoError(t, err)
	same(t, []outyard.Finding{bare, full}, fs, "told again, a finding is replaced, in its new place")
	fs, _, err = s.Findings(t.Context(), store.Query{Hive: "h01"})
	require.NoError(t, err)
	require.Empty(t, fs)
}

// pages walks through the pages of a query and returns their items in one.
func pages[T any](t *testing.T, q store.Query, page func(store.Query) ([]T, string, error)) []T {
	t.Helper()
	var all []T
	for {
		items, next, err := page(q)
		require.NoError(t, err)
		require.LessOrEqual(t, len(items), q.Limit)
		all = append(all, items...)
		if next == "" {
			return all
		}
		require.Len(t, items, q.Limit, "only the last page may be short")
		q.After = next
	}
}

func findings(t *testing.T, s State) {
	all := []outyard.Finding{
		finding("e", "mill-lane", "h01", outyard.Swarm, noon.Add(2*time.Hour)),
		finding("b", "alder-bank", "h01", outyard.Damp, noon.Add(time.Hour)),
		finding("c", "mill-lane", "", outyard.FlowStart, noon.Add(time.Hour)),
		finding("d", "mill-lane", "h02", outyard.Swarm, noon.Add(time.Hour)),
		finding("a", "mill-lane", "h01", outyard.Handling, noon),
	}
	all[3].State = outyard.Over
	told := slices.Clone(all)
	slices.Reverse(told)
	require.NoError(t, s.Tell(t.Context(), store.News{Findings: told}))
	for _, c := range []struct {
		q    store.Query
		want []string
	}{
		{store.Query{}, []string{"e", "b", "c", "d", "a"}},
		{store.Query{Yard: "mill-lane"}, []string{"e", "c", "d", "a"}},
		{store.Query{Yard: "mill-lane", Hive: "h01"}, []string{"e", "a"}},
		{store.Query{Weather: true}, []string{"c"}},
		{store.Query{Kind: outyard.Swarm}, []string{"e", "d"}},
		{store.Query{State: outyard.Over}, []string{"d"}},
		{store.Query{From: noon.Add(time.Hour)}, []string{"e", "b", "c", "d"}},
		{store.Query{To: noon.Add(time.Hour)}, []string{"a"}},
		{store.Query{Yard: "nowhere"}, []string{}},
	} {
		fs, next, err := s.Findings(t.Context(), c.q)
		require.NoError(t, err)
		require.Empty(t, next)
		require.Equal(t, c.want, ids(fs), "%+v", c.q)
		for limit := 1; limit < 6; limit++ {
			c.q.Limit = limit
			require.Equal(t, c.want, ids(pages(t, c.q, func(q store.Query) ([]outyard.Finding, string, error) { return s.Findings(t.Context(), q) })), "%+v", c.q)
		}
	}
}

func day(date outyard.Date, yard outyard.YardID, hive outyard.HiveID, gainKg float64) outyard.Day {
	return outyard.Day{Date: date, Yard: yard, Hive: hive, GainKg: gainKg, HandledKg: outyard.Unknown, NightLossKg: 0.25, StoresKg: outyard.Unknown,
		MouldIndex: 0, WallRHPct: 81.5, BroodTempC: outyard.Unknown, Coverage: 1,
		WallWetHours: 14, DewHours: 2.5, DewMarginK: -0.4, DaysToMould: 12, DaysToVisible: outyard.Unknown}
}

func days(t *testing.T, s State) {
	first := outyard.DateOf(noon, time.UTC)
	var all []outyard.Day
	for i := range 4 {
		for _, yard := range []outyard.YardID{"alder-bank", "mill-lane"} {
			for _, hive := range []outyard.HiveID{"h01", "h02"} {
				all = append(all, day(first.Add(i), yard, hive, float64(i)))
			}
		}
	}
	told := slices.Clone(all)
	slices.Reverse(told)
	require.NoError(t, s.Tell(t.Context(), store.News{Days: told}))
	all[3].GainKg, all[3].HandledKg, all[3].NightLossKg = -0.5, 8.25, outyard.Unknown
	require.NoError(t, s.Tell(t.Context(), store.News{Days: all[3:4]}))

	start := first.Start(time.UTC)
	for _, c := range []struct {
		q    store.Query
		want func(outyard.Day) bool
	}{
		{store.Query{}, func(outyard.Day) bool { return true }},
		{store.Query{Yard: "mill-lane"}, func(d outyard.Day) bool { return d.Yard == "mill-lane" }},
		{store.Query{Yard: "mill-lane", Hive: "h02"}, func(d outyard.Day) bool { return d.Yard == "mill-lane" && d.Hive == "h02" }},
		{store.Query{From: start.AddDate(0, 0, 2)}, func(d outyard.Day) bool { return d.Date.Sub(first) >= 2 }},
		{store.Query{From: start.AddDate(0, 0, 1), To: start.AddDate(0, 0, 3)}, func(d outyard.Day) bool { return d.Date.Sub(first) == 1 || d.Date.Sub(first) == 2 }},
		{store.Query{From: start.AddDate(0, 0, 1).Add(7 * time.Hour), To: start.AddDate(0, 0, 2).Add(7 * time.Hour)}, func(d outyard.Day) bool { return d.Date.Sub(first) == 1 }},
	} {
		want := slices.DeleteFunc(slices.Clone(all), func(d outyard.Day) bool { return !c.want(d) })
		got, next, err := s.Days(t.Context(), c.q)
		require.NoError(t, err)
		require.Empty(t, next)
		same(t, want, got, c.q)
		for limit := 1; limit < 6; limit++ {
			c.q.Limit = limit
			same(t, want, pages(t, c.q, func(q store.Query) ([]outyard.Day, string, error) { return s.Days(t.Context(), q) }), c.q)
		}
	}
}

func alerts(t *testing.T, s State) {
	one := outyard.Alert{Finding: "swarm-1", State: outyard.AlertOpen, Since: noon, ToldAs: outyard.Now}
	two := outyard.Alert{Finding: "damp-1", State: outyard.AlertSnoozed, Since: noon, Until: noon.Add(48 * time.Hour), Reminded: noon.Add(-time.Hour)}
	require.NoError(t, s.Tell(t.Context(), store.News{Alerts: []outyard.Alert{one, two}}))
	one.State, one.Since, one.By = outyard.AlertAcknowledged, noon.Add(time.Minute), "maren"
	require.NoError(t, s.Tell(t.Context(), store.News{Alerts: []outyard.Alert{one}}))
	got, err := s.Alerts(t.Context())
	require.NoError(t, err)
	same(t, []outyard.Alert{two, one}, got)
}

func history(t *testing.T, s State) {
	steps := []outyard.Transition{
		{Finding: "swarm-1", At: noon, Event: "raised", State: outyard.AlertOpen},
		{Finding: "swarm-1", At: noon, Event: "told", State: outyard.AlertTold},
		{Finding: "swarm-1", At: noon.Add(time.Hour), Event: "snoozed", State: outyard.AlertSnoozed, Until: noon.Add(5 * time.Hour), By: "maren"},
	}
	other := outyard.Transition{Finding: "damp-1", At: noon, Event: "raised", State: outyard.AlertOpen}
	require.NoError(t, s.Tell(t.Context(), store.News{History: []outyard.Transition{steps[0], other, steps[1]}}))
	require.NoError(t, s.Tell(t.Context(), store.News{History: steps[2:]}))
	got, err := s.History(t.Context(), "swarm-1")
	require.NoError(t, err)
	same(t, steps, got)
	got, err = s.History(t.Context(), "swarm-2")
	require.NoError(t, err)
	require.Empty(t, got)
}

// told has what was told of looked up by place, kind, state and time, a page
// after another.
func told(t *testing.T, s State) {
	var fs []outyard.Finding
	var as []outyard.Alert
	var steps []outyard.Transition
	var ms []outyard.Message
	var all []store.Told
	var went []store.Step
	states := []outyard.AlertState{outyard.AlertTold, outyard.AlertOver, outyard.AlertAcknowledged}
	for i := range 9 {
		yard, kind := outyard.YardID("mill-lane"), outyard.Swarm
		if i%2 == 1 {
			yard, kind = "heron-point", outyard.Damp
		}
		at := noon.Add(time.Duration(i/2) * time.Hour) // some at the same instant
		f := finding(fmt.Sprintf("told-%d", i), yard, outyard.HiveID([]string{"h01", "h01", "h01", "h01", "h02"}[i%5]), kind, at)
		a := outyard.Alert{Finding: f.ID, State: states[i%3], Since: at}
		fs, as = append(fs, f), append(as, a)
		steps = append(steps, outyard.Transition{Finding: f.ID, At: at, Event: "raised", State: outyard.AlertOpen},
			outyard.Transition{Finding: f.ID, At: at, Event: "told", State: a.State})
		ms = append(ms, outyard.Message{Key: f.ID, Route: "me", Findings: []string{f.ID, "told-0"}, Subject: f.ID, Text: "long", Queued: at})
	}
	require.NoError(t, s.Tell(t.Context(), store.News{Findings: fs, Alerts: as, History: steps, Messages: ms}))
	for i, f := range fs {
		all = append(all, store.Told{Alert: as[i], Finding: f})
	}
	slices.SortStableFunc(all, func(a, b store.Told) int { return b.Alert.Since.Compare(a.Alert.Since) })
	for _, st := range slices.Backward(steps) {
		f := fs[slices.IndexFunc(fs, func(f outyard.Finding) bool { return f.ID == st.Finding })]
		went = append(went, store.Step{Transition: st, Yard: f.Yard, Hive: f.Hive, Kind: f.Kind})
	}
	for _, c := range []struct {
		q    store.Query
		want func(outyard.Finding, outyard.AlertState, time.Time) bool
	}{
		{store.Query{}, func(outyard.Finding, outyard.AlertState, time.Time) bool { return true }},
		{store.Query{Yard: "heron-point"}, func(f outyard.Finding, _ outyard.AlertState, _ time.Time) bool { return f.Yard == "heron-point" }},
		{store.Query{Kind: outyard.Swarm}, func(f outyard.Finding, _ outyard.AlertState, _ time.Time) bool { return f.Kind == outyard.Swarm }},
		{store.Query{Yard: "mill-lane", Hive: "h02"}, func(f outyard.Finding, _ outyard.AlertState, _ time.Time) bool { return f.Hive == "h02" }},
		{store.Query{State: outyard.State(outyard.AlertOver)}, func(_ outyard.Finding, s outyard.AlertState, _ time.Time) bool { return s == outyard.AlertOver }},
		{store.Query{From: noon.Add(time.Hour), To: noon.Add(3 * time.Hour)}, func(_ outyard.Finding, _ outyard.AlertState, at time.Time) bool {
			return !at.Before(noon.Add(time.Hour)) && at.Before(noon.Add(3*time.Hour))
		}},
	} {
		want := slices.DeleteFunc(slices.Clone(all), func(x store.Told) bool { return !c.want(x.Finding, x.Alert.State, x.Alert.Since) })
		steps := slices.DeleteFunc(slices.Clone(went), func(x store.Step) bool {
			return !c.want(outyard.Finding{Yard: x.Yard, Hive: x.Hive, Kind: x.Kind}, x.State, x.At)
		})
		got, next, err := s.Told(t.Context(), c.q)
		require.NoError(t, err)
		require.Empty(t, next)
		same(t, want, got, c.q)
		for limit := 1; limit < 5; limit++ {
			c.q.Limit = limit
			same(t, want, pages(t, c.q, func(q store.Query) ([]store.Told, string, error) { return s.Told(t.Context(), q) }), c.q)
			same(t, steps, pages(t, c.q, func(q store.Query) ([]store.Step, string, error) { return s.Steps(t.Context(), q) }), c.q)
		}
	}
	_, _, err := s.Told(t.Context(), store.Query{Limit: 1, After: "made up"})
	require.ErrorIs(t, err, store.ErrBadCursor)
	_, _, err = s.Steps(t.Context(), store.Query{Limit: 1, After: "made up"})
	require.ErrorIs(t, err, store.ErrBadCursor)

	about := func(ids ...string) (keys []string) {
		ms, err := s.MessagesAbout(t.Context(), ids)
		require.NoError(t, err)
		for _, m := range ms {
			keys = append(keys, m.Key)
			require.Empty(t, m.Text)
		}
		return keys
	}
	require.Equal(t, []string{"told-3", "told-5"}, about("told-3", "told-5", "none"))
	require.Len(t, about("told-0"), 9)
	require.Empty(t, about())
}

func links(t *testing.T, s State) {
	used := func(id string) bool {
		yes, err := s.LinkUsed(t.Context(), id)
		require.NoError(t, err)
		return yes
	}
	require.False(t, used("a"))
	require.NoError(t, s.UseLink(t.Context(), "a", noon.Add(time.Hour), noon))
	require.NoError(t, s.UseLink(t.Context(), "a", noon.Add(time.Hour), noon), "twice is once")
	require.True(t, used("a"))
	require.False(t, used("b"))
	require.NoError(t, s.UseLink(t.Context(), "b", noon.Add(9*time.Hour), noon.Add(2*time.Hour)))
	require.True(t, used("b"))
	require.False(t, used("a"), "it has expired, and is refused for that")
}

func tellAtomic(t *testing.T, s State) {
	good := store.News{
		Findings: []outyard.Finding{finding("swarm-1", "mill-lane", "h01", outyard.Swarm, noon)},
		Days:     []outyard.Day{day(outyard.DateOf(noon, time.UTC), "mill-lane", "h01", 1)},
		Alerts:   []outyard.Alert{{Finding: "swarm-1", State: outyard.AlertOpen, Since: noon}},
		Messages: []outyard.Message{{Key: "k1", Queued: noon, Due: noon}},
		History:  []outyard.Transition{{Finding: "swarm-1", At: noon, Event: "raised", State: outyard.AlertOpen}},
	}
	nothingThere := func(about string) {
		fs, _, err := s.Findings(t.Context(), store.Query{})
		require.NoError(t, err)
		ds, _, err := s.Days(t.Context(), store.Query{})
		require.NoError(t, err)
		as, err := s.Alerts(t.Context())
		require.NoError(t, err)
		ms, err := s.Due(t.Context(), noon, 0)
		require.NoError(t, err)
		hs, err := s.History(t.Context(), "swarm-1")
		require.NoError(t, err)
		require.Zero(t, len(fs)+len(ds)+len(as)+len(ms)+len(hs), about)
	}
	bad := good
	bad.Messages = append(slices.Clone(good.Messages), outyard.Message{Subject: "no key"})
	require.Error(t, s.Tell(t.Context(), bad))
	nothingThere("a message without a key")
	bad = good
	bad.Findings = append(slices.Clone(good.Findings), outyard.Finding{ID: "no-onset"})
	require.Error(t, s.Tell(t.Context(), bad))
	nothingThere("a finding without an onset")

	require.NoError(t, s.Tell(t.Context(), store.News{}))
	require.NoError(t, s.Tell(t.Context(), good))
	fs, _, err := s.Findings(t.Context(), store.Query{})
	require.NoError(t, err)
	require.Len(t, fs, 1)
	ms, err := s.Due(t.Context(), noon, 0)
	require.NoError(t, err)
	require.Len(t, ms, 1)
}

func journal(t *testing.T, s State) {
	e := outyard.Entry{Time: noon.Add(5), Yard: "mill-lane", Hive: "h01", Kind: outyard.BoxOn, Kg: 6.1, Part: "medium-10", Note: "above the \"excluder\"", By: "maren"}
	kept, err := s.AddEntry(t.Context(), e)
	require.NoError(t, err)
	require.NotEmpty(t, kept.ID)
	e.ID = kept.ID
	same(t, e, kept)

	unweighed := outyard.Entry{ID: "by-hand-1", Time: noon, Yard: "mill-lane", Kind: outyard.Visit, Kg: outyard.Unknown}
	again, err := s.AddEntry(t.Context(), unweighed)
	require.NoError(t, err)
	same(t, unweighed, again)
	changed := unweighed
	changed.Note = "something else"
	again, err = s.AddEntry(t.Context(), changed)
	require.NoError(t, err)
	same(t, unweighed, again, "an id that is there already is left as it was")

	_, err = s.AddEntry(t.Context(), outyard.Entry{Time: noon, Yard: "mill-lane", Kind: "sang-to"})
	require.Error(t, err)
	es, _, err := s.Entries(t.Context(), store.Query{})
	require.NoError(t, err)
	same(t, []outyard.Entry{unweighed, e}, es)
}

func fixedEntry(t *testing.T, s State) {
	e, err := s.AddEntry(t.Context(), outyard.Entry{Time: noon, Yard: "mill-lane", Hive: "h01", Kind: outyard.BoxOn, Kg: 61, Part: "medium-10"})
	require.NoError(t, err)
	fixed := e
	fixed.Kg, fixed.Time, fixed.Hive = 6.1, noon.Add(-time.Hour), "h02"
	require.NoError(t, s.FixEntry(t.Context(), fixed, noon.Add(time.Minute)))
	again := fixed
	again.Kg, again.Note, again.By = outyard.Unknown, "not weighed", "ines"
	require.NoError(t, s.FixEntry(t.Context(), again, noon.Add(2*time.Minute)))
	es, _, err := s.Entries(t.Context(), store.Query{})
	require.NoError(t, err)
	same(t, []outyard.Entry{again}, es, "one entry, as it was fixed last")
	vs, err := s.EntryVersions(t.Context(), e.ID)
	require.NoError(t, err)
	same(t, []store.EntryVersion{{Entry: e, Replaced: noon.Add(time.Minute)}, {Entry: fixed, Replaced: noon.Add(2 * time.Minute)}, {Entry: again}}, vs)

	again.ID = "nobody"
	require.ErrorIs(t, s.FixEntry(t.Context(), again, noon), store.ErrNotFound)
	fixed.Kind = "sang-to"
	require.Error(t, s.FixEntry(t.Context(), fixed, noon))
	vs, err = s.EntryVersions(t.Context(), "nobody")
	require.NoError(t, err)
	require.Empty(t, vs)
}

func entries(t *testing.T, s State) {
	var all []outyard.Entry
	for i, e := range []outyard.Entry{
		{Yard: "alder-bank", Hive: "h01", Kind: outyard.Visit},
		{Yard: "mill-lane", Kind: outyard.Visit},
		{Yard: "mill-lane", Hive: "h01", Kind: outyard.Fed},
		{Yard: "mill-lane", Hive: "h02", Kind: outyard.Fed},
		{Yard: "mill-lane", Hive: "h01", Kind: outyard.HoneyTaken},
	} {
		e.ID, e.Time, e.Kg = fmt.Sprintf("e%d", i), noon.Add(time.Duration(i/2)*time.Hour), outyard.Unknown
		all = append(all, e)
	}
	for _, e := range slices.Backward(all) {
		_, err := s.AddEntry(t.Context(), e)
		require.NoError(t, err)
	}
	for _, c := range []struct {
		q    store.Query
		want []int
	}{
		{store.Query{}, []int{0, 1, 2, 3, 4}},
		{store.Query{Yard: "mill-lane"}, []int{1, 2, 3, 4}},
		{store.Query{Yard: "mill-lane", Hive: "h01"}, []int{2, 4}},
		{store.Query{Weather: true}, []int{1}},
		{store.Query{Kind: outyard.Kind(outyard.Fed)}, []int{2, 3}},
		{store.Query{From: noon.Add(time.Hour), To: noon.Add(2 * time.Hour)}, []int{2, 3}},
	} {
		var want []outyard.Entry
		for _, i := range c.want {
			want = append(want, all[i])
		}
		got, next, err := s.Entries(t.Context(), c.q)
		require.NoError(t, err)
		require.Empty(t, next)
		same(t, want, got, c.q)
		for limit := 1; limit < 6; limit++ {
			c.q.Limit = limit
			same(t, want, pages(t, c.q, func(q store.Query) ([]outyard.Entry, string, error) { return s.Entries(t.Context(), q) }), c.q)
		}
	}
}

func keys(ms []outyard.Message) []string {
	names := []string{}
	for _, m := range ms {
		names = append(names, m.Key)
	}
	return names
}

func messageKey(t *testing.T, s State) {
	m := outyard.Message{Key: "swarm-1 to me", Route: "me", Subject: "first", Queued: noon, Due: noon}
	require.NoError(t, s.Tell(t.Context(), store.News{Messages: []outyard.Message{m}}))
	m.Subject = "second"
	require.NoError(t, s.Tell(t.Context(), store.News{Messages: []outyard.Message{m}}))
	ms, err := s.Due(t.Context(), noon, 0)
	require.NoError(t, err)
	require.Len(t, ms, 1)
	require.Equal(t, "first", ms[0].Subject)

	require.NoError(t, s.Delivered(t.Context(), m.Key, noon.Add(time.Minute)))
	require.NoError(t, s.Tell(t.Context(), store.News{Messages: []outyard.Message{m}}))
	ms, err = s.Due(t.Context(), noon.Add(time.Hour), 0)
	require.NoError(t, err)
	require.Empty(t, ms, "what was told once is not told again")
}

func outbox(t *testing.T, s State) {
	msg := func(key string, queued, due time.Duration) outyard.Message {
		return outyard.Message{Key: key, Queued: noon.Add(queued), Due: noon.Add(due)}
	}
	worthless := msg("worthless", 0, 0)
	worthless.NotAfter = noon.Add(30 * time.Minute)
	require.NoError(t, s.Tell(t.Context(), store.News{Messages: []outyard.Message{
		msg("c", 3*time.Minute, 10*time.Minute), msg("b", 2*time.Minute, 10*time.Minute), msg("later", 0, 2*time.Hour), msg("a", 4*time.Minute, 0), worthless}}))
	due := func(after time.Duration, limit int) []string {
		ms, err := s.Due(t.Context(), noon.Add(after), limit)
		require.NoError(t, err)
		return keys(ms)
	}
	require.Equal(t, []string{"worthless", "a"}, due(0, 0))
	require.Equal(t, []string{"worthless", "a", "b", "c"}, due(30*time.Minute, 0))
	require.Equal(t, []string{"a", "b"}, due(31*time.Minute, 2))

	require.NoError(t, s.Postpone(t.Context(), "a", noon.Add(40*time.Minute), "connection refused"))
	require.NoError(t, s.Postpone(t.Context(), "a", noon.Add(50*time.Minute), "mailbox full"))
	require.Equal(t, []string{"b", "c"}, due(49*time.Minute, 0))
	require.Equal(t, []string{"b", "c", "a"}, due(50*time.Minute, 0))
	ms, err := s.Due(t.Context(), noon.Add(time.Hour), 0)
	require.NoError(t, err)
	require.Equal(t, 2, ms[2].Attempts)
	require.Equal(t, "mailbox full", ms[2].LastErr)
	require.Equal(t, noon.Add(50*time.Minute), ms[2].Due)

	require.NoError(t, s.Delivered(t.Context(), "b", noon.Add(time.Hour)))
	require.Equal(t, []string{"c", "a"}, due(time.Hour, 0))
	ms, err = s.Undelivered(t.Context(), noon.Add(4*time.Minute))
	require.NoError(t, err)
	require.Equal(t, []string{"later", "worthless", "c"}, keys(ms))

	require.NoError(t, s.HoldBack(t.Context(), "c", noon.Add(3*time.Hour), "too many"))
	require.Equal(t, []string{"a"}, due(time.Hour, 0))
	ms, err = s.Undelivered(t.Context(), noon.Add(4*time.Minute))
	require.NoError(t, err)
	require.Equal(t, "c", ms[2].Key)
	require.Equal(t, "too many", ms[2].LastErr)
	require.Zero(t, ms[2].Attempts, "it was not tried")

	require.ErrorIs(t, s.HoldBack(t.Context(), "nobody", noon, ""), store.ErrNotFound)
	require.ErrorIs(t, s.Delivered(t.Context(), "nobody", noon), store.ErrNotFound)
	require.ErrorIs(t, s.Postpone(t.Context(), "nobody", noon, ""), store.ErrNotFound)
}

func messageComesBack(t *testing.T, s State) {
	m := outyard.Message{Key: "k", Route: "me", Target: 2, Findings: []string{"swarm-1", "swarm-2"}, Subject: "A swarm?", Text: "plain ü", HTML: "<p>rich</p>",
		Queued: noon.Add(1), NotAfter: noon.Add(time.Hour), Due: noon.Add(2), Attempts: 3, LastErr: "once refused"}
	require.NoError(t, s.Tell(t.Context(), store.News{Messages: []outyard.Message{m}}))
	ms, err := s.Due(t.Context(), noon.Add(time.Minute), 1)
	require.NoError(t, err)
	same(t, []outyard.Message{m}, ms)
}

func refused(t *testing.T, s State) {
	unreadable := outyard.Refused{Topic: "yards/mill-lane/hives/h01", Payload: []byte{0, 255, '<', 'b'}, Arrived: noon.Add(7), Reason: "not SenML"}
	unplaced := outyard.Refused{Topic: "yards/far/hives/h09", Payload: []byte(`[]`), Arrived: noon, Reason: "no such yard", Unplaced: true, Yard: "far", Hive: "h09"}
	empty := outyard.Refused{Topic: "yards/ü", Arrived: noon, Reason: "empty"}
	require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{unreadable, unplaced}))
	require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{empty}))

	all, err := s.Refused(t.Context(), 0, 0, nil)
	require.NoError(t, err)
	require.Len(t, all, 3)
	for i, want := range []outyard.Refused{empty, unplaced, unreadable} {
		require.NotZero(t, all[i].ID)
		want.ID = all[i].ID
		same(t, want, all[i])
	}
	require.Greater(t, all[0].ID, all[1].ID)
	two, err := s.Refused(t.Context(), 0, 2, nil)
	require.NoError(t, err)
	same(t, all[:2], two)
	older, err := s.Refused(t.Context(), all[0].ID, 1, nil)
	require.NoError(t, err)
	same(t, all[1:2], older)
	yes, no := true, false
	some, err := s.Refused(t.Context(), 0, 0, &yes)
	require.NoError(t, err)
	same(t, all[1:2], some)
	some, err = s.Refused(t.Context(), 0, 1, &no)
	require.NoError(t, err)
	same(t, all[:1], some)

	counts := func() []int64 {
		t.Helper()
		r, u, d, err := s.RefusedCounts(t.Context())
		require.NoError(t, err)
		return []int64{r, u, d}
	}
	require.Equal(t, []int64{2, 1, 0}, counts())
	require.NoError(t, s.Forget(t.Context(), []int64{all[1].ID, all[2].ID, 12345}))
	require.Equal(t, []int64{1, 0, 0}, counts())
	require.NoError(t, s.Forget(t.Context(), []int64{all[1].ID}))
	require.Equal(t, []int64{1, 0, 0}, counts())
	require.NoError(t, s.Forget(t.Context(), []int64{all[0].ID}))
	require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{empty}))
	left, err := s.Refused(t.Context(), 0, 0, nil)
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.Greater(t, left[0].ID, all[0].ID, "an id is never given twice")

	retained := outyard.Refused{Topic: "yards/mill-lane/hives/h01", Payload: []byte(`[]`), Arrived: noon, Retained: true, Reason: "of any age"}
	another := retained
	another.Payload = []byte(`[{}]`)
	sentLive := retained
	sentLive.Retained = false
	require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{retained, sentLive, retained, sentLive}))
	require.Equal(t, []int64{4, 0, 0}, counts(), "a broker's copy is kept once")
	require.NoError(t, s.Refuse(t.Context(), []outyard.Refused{another, retained}))
	require.Equal(t, []int64{5, 0, 0}, counts(), "also when it comes again later, and another beside it")
	left, err = s.Refused(t.Context(), 0, 0, nil)
	require.NoError(t, err)
	another.ID = left[0].ID
	same(t, another, left[0])
}

func badCursor(t *testing.T, s State) {
	for _, cursor := range []string{"?", "bm90IEpTT04", "W10", "WzEsMl0", "WyJ4IiwieSIsInoiXQ"} {
		_, _, err := s.Findings(t.Context(), store.Query{After: cursor})
		require.ErrorIs(t, err, store.ErrBadCursor, cursor)
		_, _, err = s.Entries(t.Context(), store.Query{After: cursor})
		require.ErrorIs(t, err, store.ErrBadCursor, cursor)
	}
	for _, cursor := range []string{"?", "bm90IEpTT04", "W10", "WzEsMl0"} {
		_, _, err := s.Days(t.Context(), store.Query{After: cursor})
		require.ErrorIs(t, err, store.ErrBadCursor, cursor)
	}
}
