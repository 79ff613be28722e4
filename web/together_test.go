package web

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

func asks(kind outyard.Kind, hive outyard.HiveID, sev outyard.Severity, fact string, v float64) outyard.Finding {
	return outyard.Finding{ID: fmt.Sprintf("%s-heron-point-%s", kind, hive), Kind: kind, Yard: "heron-point", Hive: hive, Onset: local(12, 0, 0), ToldAt: local(12, 6, 0),
		Severity: sev, Confidence: 0.8, State: outyard.Open, Summary: "So it is.", Advice: []string{"Put a super on."}, Facts: map[string]any{fact: v}}
}

// said is a note in a line: title, where, hives with their numbers.
func said(notes []note) []string {
	var out []string
	for _, n := range notes {
		line := n.Title + ", " + n.Where + n.HiveName
		for _, m := range n.Hives {
			line += "; " + m.Name + " " + m.Number
		}
		out = append(out, line)
	}
	return out
}

func TestWhatBelongsTogetherIsOneNote(t *testing.T) {
	s := &site{Options: testOptions()}
	p := place{Yard: testYards()[1], Configured: true}
	room := func(hive outyard.HiveID, kg float64) outyard.Finding {
		return asks(outyard.RoomLow, hive, outyard.Soon, "room_kg", kg)
	}
	swarm := func(hive outyard.HiveID) outyard.Finding {
		return asks(outyard.Swarm, hive, outyard.Now, "change_kg", -2)
	}
	tests := []struct {
		name  string
		found []outyard.Finding
		want  []string
	}{
		{"hives that want a super are one note, the fullest first", []outyard.Finding{room("h01", 12), room("h02", 0.2), room("h03", 4)},
			[]string{"Wants a super, 3 hives; Blue lid no room; South wall room for 4 kg; By the gate room for 12 kg"}},
		{"one hive is said as it was", []outyard.Finding{room("h01", 12)}, []string{"Wants a super, By the gate"}},
		{"two swarms are two drives", []outyard.Finding{swarm("h01"), swarm("h02")}, []string{"Swarm left, By the gate", "Swarm left, Blue lid"}},
		{"what is urgent is not hidden among what can wait", []outyard.Finding{
			asks(outyard.StoresLow, "h01", outyard.Now, "days_left", 3), asks(outyard.StoresLow, "h02", outyard.Soon, "days_left", 20)},
			[]string{"Stores run low, By the gate", "Stores run low, Blue lid"}},
		{"the wettest wall comes first", []outyard.Finding{asks(outyard.Damp, "h01", outyard.Soon, "wall_rh_pct", 88), asks(outyard.Damp, "h02", outyard.Soon, "wall_rh_pct", 97)},
			[]string{"Going damp, 2 hives; Blue lid wall at 97 %; By the gate wall at 88 %"}},
		{"without its number a hive comes last, by its day", []outyard.Finding{asks(outyard.RoomLow, "h01", outyard.Soon, "other", 1), room("h02", 9)},
			[]string{"Wants a super, 2 hives; Blue lid room for 9 kg; By the gate since Wed 12 May"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) { require.Equal(t, tt.want, said(s.together(tt.found, p, testNow))) })
	}
}

func TestAdviceForSomeHivesNamesThem(t *testing.T) {
	s := &site{Options: testOptions()}
	p := place{Yard: testYards()[1], Configured: true}
	a, b := asks(outyard.StoresLow, "h01", outyard.Soon, "days_left", 20), asks(outyard.StoresLow, "h02", outyard.Soon, "days_left", 12)
	a.Advice, b.Advice = []string{"Heft the hive.", "Feed 4 kg."}, []string{"Heft the hive.", "Feed 9 kg."}
	n := s.together([]outyard.Finding{a, b}, p, testNow)[0]
	require.Equal(t, []string{"Heft the hive.", "Blue lid: Feed 9 kg.", "By the gate: Feed 4 kg."}, n.Advice)
	require.Equal(t, "Heft the hive.", n.First)
}

func TestASwarmOfLastYearIsHistory(t *testing.T) {
	db := seed(t)
	old := asks(outyard.Swarm, "h02", outyard.Now, "change_kg", -2)
	old.Onset = testNow.AddDate(-1, 0, 0)
	fresh := testFindings()[0]
	fresh.State = outyard.Over
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{old, fresh}}))
	_, get := visit(t, db, testOptions())
	for _, path := range []string{"/", "/yards/heron-point"} {
		_, body, _ := get(path)
		text, _, _ := strings.Cut(textOfPage(body), "Lately")
		require.NotContains(t, text, "Swarm left   Blue lid", path)
		require.NotContains(t, text, "for the swarm", path)
	}
}
