package alerts_test

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
)

var update = flag.Bool("update", false, "rewrite the golden messages; read the difference")

func TestMessagesReadWell(t *testing.T) {
	zone, err := time.LoadLocation("America/Vancouver")
	require.NoError(t, err)
	yard := alderSlip
	yard.Zone = zone
	swarm := known("swarm-1", outyard.Swarm, "h01", outyard.Now)
	swarm.Summary, swarm.Confidence = "2.4 kg left within ten minutes at noon, and no sign of lifting.", 0.87
	swarm.Advice = []string{"Look into the trees within 50 m, with a box and a sheet."}
	swarm.Caution = []string{"Tie the ladder; a cluster is not worth a fall."}
	damp := known("damp-1", outyard.Damp, "h02", outyard.Soon)
	damp.Onset, damp.Summary = at(-5*24*time.Hour), "Walls at 93 % humidity, rising by 1.2 % a day against the yard's other hives."
	work := known("swarm-2", outyard.Swarm, "h03", outyard.Now)
	work.State, work.Summary, work.Advice = outyard.Withdrawn, "1.9 kg gone. Withdrawn: it was the keeper's work.", []string{"Not to be shown."}
	flow := known("flow-1", outyard.FlowStart, "", outyard.Note)
	flow.Summary = "0.8 kg a day and hive since Monday <really>."
	over := known("damp-2", outyard.Damp, "h03", outyard.Soon)
	over.State, over.End, over.Summary = outyard.Over, at(4*24*time.Hour), "Walls were at 91 % humidity."

	link := func(y outyard.YardID, h outyard.HiveID) string {
		return "https://hives.example/yards/" + string(y) + "/" + string(h)
	}
	for name, tc := range map[string]struct {
		w  alerts.Writer
		fs []outyard.Finding
	}{
		"one":  {alerts.Writer{Link: link}, []outyard.Finding{swarm}},
		"many": {alerts.Writer{}, []outyard.Finding{over, flow, work, damp, swarm}},
		"back": {alerts.Writer{}, []outyard.Finding{work}},
		"yard": {alerts.Writer{}, []outyard.Finding{flow}},
	} {
		t.Run(name, func(t *testing.T) {
			words, err := tc.w.Write(yard, tc.fs)
			require.NoError(t, err)
			golden(t, name+".txt", "Subject: "+words.Subject+"\n\n"+words.Text)
			golden(t, name+".html", words.HTML)
		})
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}
