package main

import (
	"fmt"
	"os"
	"path/filepath"
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
