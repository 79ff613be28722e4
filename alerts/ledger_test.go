package alerts_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
)

var noon = time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC) // noon at Alder Slip, in summer

func at(d time.Duration) time.Time { return noon.Add(d) }

func finding(kind outyard.Kind, hive outyard.HiveID, onset time.Time) outyard.Finding {
	return outyard.Finding{Kind: kind, Yard: "alder-slip", Hive: hive, Onset: onset, Severity: outyard.Soon,
		Confidence: 0.8, Summary: "Something is so.", State: outyard.Open, Facts: map[string]any{"change_kg": -2.4}}
}

func TestLedgerKeepsIdentity(t *testing.T) {
	swarm := func(d time.Duration) outyard.Finding { return finding(outyard.Swarm, "h03", at(d)) }
	damp := func(d time.Duration) outyard.Finding { return finding(outyard.Damp, "h03", at(d)) }
	other := finding(outyard.Swarm, "h04", at(time.Minute))
	const a, b = "swarm-alder-slip_h03-20270512T1900Z", "swarm-alder-slip_h03-20270512T2200Z"

	for _, tc := range []struct {
		name  string
		first []outyard.Finding
		then  []outyard.Finding
		want  map[string]outyard.State
	}{
		{"what is found again is the same", []outyard.Finding{swarm(0)}, []outyard.Finding{swarm(0)},
			map[string]outyard.State{a: outyard.Open}},
		{"a swarm whose onset moves by minutes keeps its id", []outyard.Finding{swarm(0)}, []outyard.Finding{swarm(-17 * time.Minute)},
			map[string]outyard.State{a: outyard.Open}},
		{"a swarm three hours later is another one", []outyard.Finding{swarm(0)}, []outyard.Finding{swarm(3 * time.Hour)},
			map[string]outyard.State{a: outyard.Withdrawn, b: outyard.Open}},
		{"a damp spell whose fitted onset moves by nine days keeps its id", []outyard.Finding{damp(0)}, []outyard.Finding{damp(-9 * 24 * time.Hour)},
			map[string]outyard.State{"damp-alder-slip_h03-20270512T1900Z": outyard.Open}},
		{"another hive's swarm is never the same", []outyard.Finding{swarm(0)}, []outyard.Finding{other},
			map[string]outyard.State{a: outyard.Withdrawn, "swarm-alder-slip_h04-20270512T1901Z": outyard.Open}},
		{"the exact onset goes before a near one", []outyard.Finding{swarm(0), swarm(3 * time.Hour)},
			[]outyard.Finding{swarm(100 * time.Minute), swarm(3 * time.Hour)},
			map[string]outyard.State{a: outyard.Open, b: outyard.Open}},
		{"two that are both near pair one to one, the nearest first", []outyard.Finding{swarm(0), swarm(3 * time.Hour)},
			[]outyard.Finding{swarm(110 * time.Minute)},
			map[string]outyard.State{a: outyard.Withdrawn, b: outyard.Open}},
		{"two of one minute differ by a suffix", []outyard.Finding{swarm(0), swarm(5 * time.Second)}, []outyard.Finding{swarm(0), swarm(5 * time.Second)},
			map[string]outyard.State{a: outyard.Open, a + "-2": outyard.Open}},
		{"a whole yard's finding has no hive in its id", []outyard.Finding{finding(outyard.FlowStart, "", noon)}, []outyard.Finding{finding(outyard.FlowStart, "", noon)},
			map[string]outyard.State{"flow-start-alder-slip-20270512T1900Z": outyard.Open}},
		{"a flow that is found to have begun a day sooner is the same", []outyard.Finding{finding(outyard.FlowStart, "", noon)}, []outyard.Finding{finding(outyard.FlowStart, "", noon.Add(-24*time.Hour))},
			map[string]outyard.State{"flow-start-alder-slip-20270512T1900Z": outyard.Open}},
		{"a flow that begins only after one was told is another", []outyard.Finding{finding(outyard.FlowStart, "", noon)}, []outyard.Finding{finding(outyard.FlowStart, "", at(90*time.Minute))},
			map[string]outyard.State{"flow-start-alder-slip-20270512T1900Z": outyard.Withdrawn, "flow-start-alder-slip-20270512T2030Z": outyard.Open}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			l := alerts.NewLedger(nil)
			l.Reconcile(tc.first, at(time.Hour))
			l.Reconcile(tc.then, at(2*time.Hour))
			got := map[string]outyard.State{}
			for _, f := range l.All() {
				got[f.ID] = f.State
			}
			require.Equal(t, tc.want, got)
		})
	}
}

func TestIDsOfTwoYardsNeverMeet(t *testing.T) {
	a, b := finding(outyard.Damp, "north-1", noon), finding(outyard.Damp, "1", noon)
	b.Yard = "alder-slip-north"
	la, lb := alerts.NewLedger(nil), alerts.NewLedger(nil)
	la.Reconcile([]outyard.Finding{a}, noon)
	lb.Reconcile([]outyard.Finding{b}, noon)
	require.NotEqual(t, la.All()[0].ID, lb.All()[0].ID)
}

func TestToldAtIsTheFirstRaising(t *testing.T) {
	l := alerts.NewLedger(nil)
	f := finding(outyard.Swarm, "h03", noon)
	require.Len(t, l.Reconcile([]outyard.Finding{f}, at(time.Hour)), 1)
	f.Confidence = 0.95
	changed := l.Reconcile([]outyard.Finding{f}, at(2*time.Hour))
	require.Len(t, changed, 1)
	require.Equal(t, at(time.Hour), changed[0].ToldAt)
	require.Equal(t, 0.95, changed[0].Confidence)
}

func TestWithdrawnOnceAndReopened(t *testing.T) {
	l := alerts.NewLedger(nil)
	f := finding(outyard.Swarm, "h03", noon)
	raised := l.Reconcile([]outyard.Finding{f}, at(time.Hour))[0]

	changed := l.Reconcile(nil, at(2*time.Hour))
	require.Len(t, changed, 1)
	require.Equal(t, outyard.Withdrawn, changed[0].State)
	require.Equal(t, at(2*time.Hour), changed[0].End)
	require.Equal(t, "Something is so. Withdrawn: later readings or the journal say that it was not so.", changed[0].Summary)
	require.Empty(t, l.Reconcile(nil, at(3*time.Hour)), "withdrawn once is enough")

	f.Onset = at(4 * time.Minute)
	changed = l.Reconcile([]outyard.Finding{f}, at(4*time.Hour))
	require.Len(t, changed, 1)
	f.ID, f.ToldAt = raised.ID, raised.ToldAt
	require.Equal(t, f, changed[0], "reopened as itself, without a trace of the withdrawal")
	require.Len(t, l.All(), 1)
}

func TestAWithdrawnFindingDoesNotComeBackBesideALivingOne(t *testing.T) {
	l := alerts.NewLedger(nil)
	l.Reconcile([]outyard.Finding{finding(outyard.Swarm, "h03", noon)}, noon)
	l.Reconcile([]outyard.Finding{finding(outyard.Swarm, "h03", at(3*time.Hour))}, noon)
	// Halfway, and a little nearer to the withdrawn one: the keeper knows the other.
	changed := l.Reconcile([]outyard.Finding{finding(outyard.Swarm, "h03", at(80*time.Minute))}, noon)
	require.Len(t, changed, 1)
	require.Equal(t, "swarm-alder-slip_h03-20270512T2200Z", changed[0].ID)
}

func TestASwarmThatWasTheKeepersWork(t *testing.T) {
	l := alerts.NewLedger(nil)
	l.Reconcile([]outyard.Finding{finding(outyard.Swarm, "h03", noon)}, noon)
	changed := l.Reconcile([]outyard.Finding{finding(outyard.Handling, "h03", at(-3*time.Minute))}, at(time.Hour))
	require.Len(t, changed, 2)
	require.Equal(t, outyard.Handling, changed[0].Kind)
	require.Equal(t, at(time.Hour), changed[0].ToldAt)
	require.Equal(t, outyard.Withdrawn, changed[1].State)
	require.Equal(t, "Something is so. Withdrawn: it was the keeper's work.", changed[1].Summary)
}

// season invents findings that are far enough apart to be told from each
// other, each with where its onset was first seen.
func season(rng *rand.Rand, n int) []outyard.Finding {
	kinds := []outyard.Kind{outyard.Swarm, outyard.Damp, outyard.Handling, outyard.FlowStart}
	found := make([]outyard.Finding, n)
	for i := range found {
		k := kinds[i%len(kinds)]
		f := finding(k, outyard.HiveID(fmt.Sprintf("h%02d", rng.IntN(6))), at(time.Duration(i)*22*24*time.Hour+time.Duration(rng.IntN(60))*time.Minute))
		if k == outyard.FlowStart {
			f.Hive = ""
		}
		found[i] = f
	}
	return found
}

func shuffled(rng *rand.Rand, found []outyard.Finding) []outyard.Finding {
	s := slices.Clone(found)
	rng.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
	return s
}

func TestOrderOfFindingsAndOfEvaluationsDoesNotMatter(t *testing.T) {
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 7))
		found := season(rng, 30)
		direct := alerts.NewLedger(nil)
		direct.Reconcile(found, noon)
		want := direct.All()

		// The same findings come to light a few at a time, in any order, and
		// none, some or all of them are gone for a while.
		l := alerts.NewLedger(nil)
		part := shuffled(rng, found)
		for n := 0; n < len(part); n += 1 + rng.IntN(7) {
			l.Reconcile(shuffled(rng, part[:n]), noon)
			if rng.IntN(4) == 0 {
				l.Reconcile(shuffled(rng, part)[:rng.IntN(len(part))], noon)
			}
		}
		l.Reconcile(shuffled(rng, found), noon)
		require.Equal(t, want, l.All(), "seed %d", seed)
		require.Empty(t, l.Reconcile(shuffled(rng, found), at(time.Hour)), "seed %d: the same again is no change", seed)
	}
}

func TestRestoredFromJSONNothingHasChanged(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	found := season(rng, 12)
	for i := range found {
		found[i].Facts = map[string]any{"change_kg": -2.4, "back_kg": outyard.Unknown, "reasons": []string{"noon", "no lifting"},
			"path_kg": []float64{1, 2}, "sure": true, "site": "slope", "none": []string(nil)}
		found[i].Advice = []string{"Go and look."}
	}
	l := alerts.NewLedger(nil)
	l.Reconcile(found, noon)
	l.Reconcile(found[1:], noon)
	b, err := json.Marshal(l.All())
	require.NoError(t, err)
	var kept []outyard.Finding
	require.NoError(t, json.Unmarshal(b, &kept))

	restored := alerts.NewLedger(kept)
	require.Empty(t, restored.Reconcile(found[1:], at(time.Hour)))
	changed := restored.Reconcile(found, at(time.Hour))
	require.Len(t, changed, 1)
	require.Equal(t, noon, changed[0].ToldAt)

	found[2].Facts = map[string]any{"change_kg": -2.5}
	require.Len(t, restored.Reconcile(found, at(time.Hour)), 1, "a fact that changed is a change")
}

// A season of a large yard is reconciled with each reading that changes
// anything, in a time that grows with its length and not with its square.
func BenchmarkReconcile(b *testing.B) {
	for _, n := range []int{500, 5000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			found := season(rand.New(rand.NewPCG(1, 2)), n)
			l := alerts.NewLedger(nil)
			l.Reconcile(found, noon)
			for i := 0; b.Loop(); i++ {
				found[n-1].Confidence = float64(i%2) / 2
				if changed := l.Reconcile(found, noon); i > 0 && len(changed) != 1 {
					b.Fatalf("%d changes, want 1", len(changed))
				}
			}
		})
	}
}

// Where readings were dropped, what they once showed stays as it is known.
func TestLedgerLeavesWhatIsSettledAlone(t *testing.T) {
	const day = 24 * time.Hour
	settled := noon.Add(-300 * day)
	swarm := finding(outyard.Swarm, "h01", settled.Add(-20*day))
	damp := finding(outyard.Damp, "h02", settled.Add(-5*day)) // and goes on
	late := finding(outyard.Swarm, "h03", settled.Add(day))
	silent := finding(outyard.Silent, "h04", settled.Add(-40*day)) // for good
	l := alerts.NewLedger(nil)
	require.Len(t, l.Reconcile([]outyard.Finding{swarm, damp, late, silent}, noon), 4)
	states := func() map[outyard.HiveID]outyard.State {
		m := map[outyard.HiveID]outyard.State{}
		for _, f := range l.All() {
			m[f.Hive] = f.State
		}
		return m
	}

	l = alerts.NewLedger(l.All())
	l.Settle(settled)
	cold := finding(outyard.FlowStart, "", settled.Add(-80*day)) // raised for want of what went before
	dampSeen := finding(outyard.Damp, "h02", settled.Add(-90*day))
	require.Empty(t, l.Reconcile([]outyard.Finding{cold, dampSeen, late}, noon), "nothing is raised or withdrawn")
	require.Equal(t, map[outyard.HiveID]outyard.State{"h01": outyard.Open, "h02": outyard.Open, "h03": outyard.Open, "h04": outyard.Open}, states())

	dampSeen.State, dampSeen.End = outyard.Over, noon
	changed := l.Reconcile([]outyard.Finding{cold, dampSeen, late}, noon)
	require.Len(t, changed, 1, "what went on is over now, and has begun when it began")
	require.Equal(t, outyard.Over, changed[0].State)
	require.Equal(t, damp.Onset, changed[0].Onset)

	changed = l.Reconcile([]outyard.Finding{dampSeen}, noon)
	require.Len(t, changed, 1, "what began later is judged as ever")
	require.Equal(t, outyard.Withdrawn, changed[0].State)
	require.Equal(t, outyard.HiveID("h03"), changed[0].Hive)
	require.Equal(t, map[outyard.HiveID]outyard.State{"h01": outyard.Open, "h02": outyard.Over, "h03": outyard.Withdrawn, "h04": outyard.Open}, states())
}
