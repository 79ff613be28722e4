package main

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

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
