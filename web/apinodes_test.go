package web

import (
	"encoding/json"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestNodesAreListedForPrograms(t *testing.T) {
	db, o := seed(t), testOptions()
	o.ClockOff = func(yard outyard.YardID, hive outyard.HiveID) time.Duration {
		if hive == "h02" {
			return -2 * time.Hour
		}
		return 0
	}
	_, get := visit(t, db, o)
	status, body, _ := get("/api/v1/nodes?yard=heron-point")
	require.Equal(t, http.StatusOK, status, body)
	var list items[nodeJSON]
	require.NoError(t, json.Unmarshal([]byte(body), &list))
	at := map[outyard.HiveID]nodeJSON{}
	for _, n := range list.Items {
		require.Equal(t, outyard.YardID("heron-point"), n.Yard)
		at[n.Hive] = n
	}
	require.Contains(t, at, outyard.HiveID(""), "the weather has a node, too")
	require.Equal(t, -7200.0, at["h02"].ClockAheadS)
	// The page says the same of them.
	_, page, _ := get("/nodes")
	for _, n := range list.Items {
		if n.Heard == nil {
			require.Nil(t, n.CadenceS)
			require.Nil(t, n.BatteryV)
			continue
		}
		require.Contains(t, page, n.Heard.Format(time.RFC3339))
		require.NotNil(t, n.CadenceS, n.Hive)
		require.Contains(t, page, gapText(time.Duration(*n.CadenceS*float64(time.Second))))
	}
	status, body, _ = get("/api/v1/nodes?yard=nowhere")
	require.Equal(t, http.StatusNotFound, status, body)
}

func TestSettingsAreListedForPrograms(t *testing.T) {
	o := testOptions()
	o.Settings = func() []Setting {
		return []Setting{{Key: "listen", Value: "127.0.0.1:8377", From: "default"}, {Key: "store.influx.token", Value: "(hidden)", From: "outyard.yaml:9"}}
	}
	_, get := visit(t, emptyStore(t), o)
	status, body, _ := get("/api/v1/settings?limit=1&cursor=1")
	require.Equal(t, http.StatusOK, status)
	require.JSONEq(t, `{"items":[{"key":"store.influx.token","value":"(hidden)","from":"outyard.yaml:9"}],"next":""}`, body)
	_, get = visit(t, emptyStore(t), testOptions())
	_, body, _ = get("/api/v1/settings")
	require.JSONEq(t, `{"items":[],"next":""}`, body)
}
