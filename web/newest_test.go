package web

import (
	"context"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store/sqlite"
)

// A counting store says how often it was asked for the newest of every hive.
type countingStore struct {
	*sqlite.Store
	newest int
}

func (c *countingStore) Newest(ctx context.Context) ([]outyard.Reading, error) {
	c.newest++
	return c.Store.Newest(ctx)
}

func TestOnlyPagesAboutEveryHiveAskForEveryHive(t *testing.T) {
	db := &countingStore{Store: seed(t)}
	_, get := visit(t, db, testOptions())
	for path, want := range map[string]int{
		"/": 1, "/yards": 1, "/nodes": 1,
		"/yards/heron-point": 0, "/yards/heron-point/hives/h01": 0, "/yards/heron-point/hives/h01/chart/weight.svg": 0, "/yards/heron-point/season": 0,
		"/findings": 0, "/journal": 0, "/refused": 0, "/findings/" + swarmID: 0, "/findings/" + swarmID + "/answer": 0,
	} {
		db.newest = 0
		status, _, _ := get(path)
		require.Equal(t, http.StatusOK, status, path)
		require.Equal(t, want, db.newest, path)
	}
}
