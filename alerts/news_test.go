package alerts

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestWhatIsNews(t *testing.T) {
	now := time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC)
	found := func(k outyard.Kind, ago time.Duration, s outyard.State, sev outyard.Severity) outyard.Finding {
		return outyard.Finding{ID: "f", Kind: k, Onset: now.Add(-ago), ToldAt: now, State: s, Severity: sev}
	}
	const open, over, gone = outyard.Open, outyard.Over, outyard.Withdrawn
	const note, soon, pressing = outyard.Note, outyard.Soon, outyard.Now
	none := outyard.Finding{}
	for _, tc := range []struct {
		name    string
		was, is outyard.Finding
		toldAs  outyard.Severity
		want    consequence
	}{
		{"a swarm of five hours ago", none, found(outyard.Swarm, 5*time.Hour, open, pressing), "", consequence{Raised, stageRaised}},
		{"a swarm that is over as soon as it is seen", none, found(outyard.Swarm, time.Hour, over, pressing), "", consequence{Raised, stageRaised}},
		{"a swarm of yesterday is for the pages", none, found(outyard.Swarm, day, open, pressing), "", consequence{}},
		{"stores low since three weeks, seen today, are news", none, found(outyard.StoresLow, 21*day, open, soon), "", consequence{Raised, stageRaised}},
		{"stores that were low and are not any more are none", none, found(outyard.StoresLow, 5*day, over, soon), "", consequence{}},
		{"a flow of last month is none", none, found(outyard.FlowStart, 30*day, open, soon), "", consequence{}},
		{"better numbers are none", found(outyard.Damp, day, open, soon), found(outyard.Damp, day, open, soon), soon, consequence{}},
		{"worse", found(outyard.StoresLow, day, open, soon), found(outyard.StoresLow, day, open, pressing), soon, consequence{Worse, stageNow}},
		{"worse, and never told because it was old", found(outyard.StoresLow, 40*day, open, soon), found(outyard.StoresLow, 40*day, open, pressing), "", consequence{Raised, stageRaised}},
		{"less pressing is none", found(outyard.StoresLow, day, open, pressing), found(outyard.StoresLow, day, open, soon), pressing, consequence{}},
		{"damp is over", found(outyard.Damp, day, open, soon), found(outyard.Damp, day, over, soon), soon, consequence{Ended, stageOver}},
		{"damp that had become doubtful is over", found(outyard.Damp, 9*day, open, note), found(outyard.Damp, 9*day, over, note), soon, consequence{Ended, stageOver}},
		{"a note that is over goes without saying", found(outyard.Damp, 9*day, open, note), found(outyard.Damp, 9*day, over, note), note, consequence{event: Ended}},
		{"doubtful, and as sure again as it was told", found(outyard.Damp, day, open, note), found(outyard.Damp, day, open, soon), soon, consequence{}},
		{"a note, and sure now", found(outyard.Damp, day, open, note), found(outyard.Damp, day, open, soon), note, consequence{Worse, stageRaised}},
		{"a swarm that is over goes without saying", found(outyard.Swarm, day, open, pressing), found(outyard.Swarm, day, over, pressing), pressing, consequence{event: Ended}},
		{"nobody knew of it when it ended", found(outyard.Damp, 60*day, open, soon), found(outyard.Damp, 60*day, over, soon), "", consequence{}},
		{"withdrawn", found(outyard.Swarm, day, open, pressing), found(outyard.Swarm, day, gone, pressing), pressing, consequence{Ended, stageWithdrawn}},
		{"withdrawn, and nobody knew", found(outyard.Swarm, 9*day, open, pressing), found(outyard.Swarm, 9*day, gone, pressing), "", consequence{}},
		{"a swarm after all", found(outyard.Swarm, time.Hour, gone, pressing), found(outyard.Swarm, time.Hour, open, pressing), pressing, consequence{Again, stageAgain}},
		{"a swarm after all, found out a week later", found(outyard.Swarm, 7*day, gone, pressing), found(outyard.Swarm, 7*day, open, pressing), pressing, consequence{}},
		{"damp again", found(outyard.Damp, 9*day, over, soon), found(outyard.Damp, 9*day, open, soon), soon, consequence{Again, stageAgain}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			require.Equal(t, tc.want, consequenceOf(Change{Was: tc.was, Is: tc.is}, tc.toldAs, now))
		})
	}
}

func TestWhoIsTold(t *testing.T) {
	now := time.Date(2027, 5, 12, 19, 0, 0, 0, time.UTC)
	yard := outyard.Yard{ID: "alder-slip"}
	routes := []Route{
		{Name: "all", To: []string{"log:", "log:"}, Yards: []string{"*"}, From: outyard.Note},
		{Name: "soon", To: []string{"log:"}, Yards: []string{"tern-rock", "alder-slip"}, From: outyard.Soon},
		{Name: "now", To: []string{"log:"}, Yards: []string{"*"}, From: outyard.Now},
		{Name: "elsewhere", To: []string{"log:"}, Yards: []string{"tern-rock"}, From: outyard.Note},
	}
	for _, tc := range []struct {
		name   string
		stage  stage
		toldAs outyard.Severity
		is     outyard.Severity
		want   []string
	}{
		{"a note", stageRaised, "", outyard.Note, []string{"all|0|f|raised", "all|1|f|raised"}},
		{"on the next round", stageRaised, "", outyard.Soon, []string{"all|0|f|raised", "all|1|f|raised", "soon|0|f|raised"}},
		{"pressing now: who had not heard, hears for the first time", stageNow, outyard.Soon, outyard.Now,
			[]string{"all|0|f|now", "all|1|f|now", "soon|0|f|now", "now|0|f|raised"}},
		{"withdrawn: who heard of it hears the end", stageWithdrawn, outyard.Soon, outyard.Note,
			[]string{"all|0|f|withdrawn", "all|1|f|withdrawn", "soon|0|f|withdrawn"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			f := outyard.Finding{ID: "f", Kind: outyard.StoresLow, Yard: "alder-slip", Onset: now, State: outyard.Open, Severity: tc.is}
			ms, err := messages(routes, Writer{}, yard, f, tc.stage, tc.toldAs, now)
			require.NoError(t, err)
			var keys []string
			for _, m := range ms {
				keys = append(keys, m.Key)
			}
			require.Equal(t, tc.want, keys)
		})
	}
}
