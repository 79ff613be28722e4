package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store/sqlite"
)

// TestRefusedScript begins with what a daemon could not read.
func TestRefusedScript(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/refused",
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"exits": exits},
		Setup: func(env *testscript.Env) error {
			db, err := sqlite.Open(t.Context(), filepath.Join(env.WorkDir, "outyard-data"))
			if err != nil {
				return err
			}
			defer db.Close()
			six := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
			return db.Refuse(t.Context(), []outyard.Refused{
				{Topic: "scales/h01", Payload: []byte(`{"w":41.25}`), Arrived: six, Reason: "no mapping is for it"},
				{Topic: "yards/home/hives/h09", Payload: []byte(`[{"n":"weight","u":"kg","v":40.000}]`), Arrived: six.Add(time.Minute),
					Reason: "hive h09 is not in the config", Unplaced: true, Yard: "home", Hive: "h09"},
				{Topic: "scales/h01", Payload: []byte("???"), Arrived: six.Add(2 * time.Minute), Reason: "no mapping is for it"},
			})
		},
	})
}

const homeConfig = `yards:
  - id: home
    latitude: 48.80
    longitude: -123.30
    timezone: America/Vancouver
    hives: [{id: h01}%s]
`

// TestRefusedWhileTheDaemonRuns has a running daemon try messages again, and
// throw others away.
func TestRefusedWhileTheDaemonRuns(t *testing.T) {
	dir := t.TempDir()
	config := func(hives string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), fmt.Appendf(nil, homeConfig, hives), 0o600))
	}
	config("")
	d := startDaemon(t, dir, ownBroker)
	publish(t, d.mqtt, "yards/home/hives/h09", `[{"n":"weight","u":"kg","v":40}]`)
	publish(t, d.mqtt, "yards/home/hives/h01", "???")
	code, stdout, stderr := outyardIn(t, dir, nil, "refused", "--retry")
	require.Equal(t, exitFailed, code)
	require.Equal(t, "kept 0, still refused 2\n", stdout)
	require.Contains(t, stderr, "1: hive h09 is not in the config")
	require.Contains(t, stderr, "with the config of its start: mend what is named above, start the daemon again")
	code, _, stderr = outyardIn(t, dir, nil, "refused", "--forget", "7")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "7: no refused message has that ID")
	code, stdout, stderr = outyardIn(t, dir, nil, "refused", "--forget", "2")
	require.Zero(t, code, stderr)
	require.Equal(t, "forgot 1\n", stdout)
	require.Zero(t, d.stop())

	config(", {id: h09}")
	d = startDaemon(t, dir, ownBroker)
	code, stdout, stderr = outyardIn(t, dir, nil, "refused", "--retry")
	require.Zero(t, code, stderr)
	require.Equal(t, "kept 1, still refused 0\n", stdout)
	d.sees("/api/v1/readings", `"hive":"h09"`, `"weight_kg":40`)
	d.sees("/", "40")

	// Killed, it leaves its address behind, and the folder free.
	d.kill()
	code, stdout, stderr = outyardIn(t, dir, nil, "refused", "--retry")
	require.Zero(t, code, stderr)
	require.Equal(t, "kept 0, still refused 0\n", stdout)
}

// TestJournalWhileTheDaemonRuns: notes by command reach a running daemon,
// whatever accounts it has, and it reads the yard anew.
func TestJournalWhileTheDaemonRuns(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), fmt.Appendf(nil, homeConfig, ""), 0o600))
	password := filepath.Join(dir, "password")
	require.NoError(t, os.WriteFile(password, []byte("a swarm in May is worth hay"), 0o600))
	code, _, stderr := outyardIn(t, dir, nil, "keeper", "add", "maya", "--password-file", password)
	require.Zero(t, code, stderr)
	d := startDaemon(t, dir, ownBroker)
	status, _ := d.get("/api/v1/journal")
	require.Equal(t, http.StatusUnauthorized, status)
	rebuilds := regexp.MustCompile(`(?m)^outyard_alerts_rebuilds_total (\S+)$`)
	before := d.metric(rebuilds)

	run := func(args ...string) string {
		t.Helper()
		code, stdout, stderr := outyardIn(t, dir, nil, append([]string{"journal"}, args...)...)
		require.Zero(t, code, stderr)
		return stdout
	}
	noted := run("add", "box-on", "--yard", "home", "--hive", "h01", "--kg", "61", "--part", "medium-10", "--at", "2026-05-14T18:40:00Z")
	id := strings.TrimSpace(strings.TrimPrefix(noted, "noted as "))
	require.NotEmpty(t, id)
	require.Contains(t, run("fix", id, "--kg", "6.1"), "fixed "+id)
	require.Contains(t, run("list", "--format", "csv"), id+",2026-05-14T18:40:00Z,home,h01,box-on,6.1,medium-10,,")
	require.Contains(t, run("history", id, "--format", "csv"), ",box-on,61,medium-10,,")
	require.True(t, within(patience, func() bool { return d.metric(rebuilds) > before }), "the daemon does not read the yard anew")

	// What the daemon would not take on its page it does not take here.
	code, _, stderr = outyardIn(t, dir, nil, "journal", "add", "fed", "--yard", "home", "--hive", "h01", "--kg", "2000")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "more than a hive can hold")
	code, _, stderr = outyardIn(t, dir, nil, "journal", "fix", "nobody", "--kg", "1")
	require.Equal(t, exitFailed, code)
	require.Contains(t, stderr, "there is no journal entry nobody")
	require.Zero(t, d.stop())
}

// TestReadingsForAServerThatIsAway are not put where nobody would look for them.
func TestReadingsForAServerThatIsAway(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "outyard.yaml"), fmt.Appendf(nil, homeConfig+`store:
  kind: influx
  influx: {url: "http://127.0.0.1:9", bucket: bees}
`, ", {id: h09}"), 0o600))
	db, err := sqlite.Open(t.Context(), filepath.Join(dir, "outyard-data"))
	require.NoError(t, err)
	require.NoError(t, db.Refuse(t.Context(), []outyard.Refused{{Topic: "yards/home/hives/h09", Payload: []byte(`[{"n":"weight","u":"kg","v":40}]`),
		Arrived: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), Reason: "hive h09 is not in the config", Unplaced: true, Yard: "home", Hive: "h09"}}))
	require.NoError(t, db.Close())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "more.csv"), []byte("time,yard,hive,weight_kg\n2026-05-14T12:00:00Z,home,h01,41\n"), 0o600))

	code, stdout, stderr := outyardIn(t, dir, nil, "refused", "--retry")
	require.Zero(t, code, stderr)
	require.Equal(t, "kept 1, still refused 0\n", stdout)
	code, stdout, stderr = outyardIn(t, dir, nil, "import", "more.csv")
	require.Zero(t, code, stderr)
	require.Equal(t, "more.csv: kept 1, duplicate 0, refused 0\n", stdout)
	require.Contains(t, stderr, "waits here for the time-series server")
	code, _, stderr = outyardIn(t, dir, nil, "export")
	require.Equal(t, exitFailed, code, "it is not as if there were none")
	require.Contains(t, stderr, "127.0.0.1:9")
	code, _, stderr = outyardIn(t, dir, nil, "backup", "kept.db")
	require.Zero(t, code, stderr)
	require.Contains(t, stderr, "readings that the time-series server has taken are not in it")

	require.Empty(t, stored(t, dir), "nothing beside the queue")
	db, err = sqlite.Open(t.Context(), filepath.Join(dir, "outyard-data"))
	require.NoError(t, err)
	defer db.Close()
	queue, err := db.Queue(t.Context())
	require.NoError(t, err)
	defer queue.Close()
	waiting, _, err := queue.Length(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 2, waiting)
}
