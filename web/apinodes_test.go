package web

import (
	"context"
	"net/http"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// An askedStore counts what is asked of a store.
type askedStore struct {
	Store
	reads, refusedBytes int
}

func (c *askedStore) EachReading(ctx context.Context, q Query, each func(outyard.Reading) error) error {
	c.reads++
	return c.Store.EachReading(ctx, q, each)
}

func (c *askedStore) Refused(ctx context.Context, before int64, limit int, unplaced *bool) ([]outyard.Refused, error) {
	list, err := c.Store.Refused(ctx, before, limit, unplaced)
	for _, m := range list {
		c.refusedBytes += len(m.Payload)
	}
	return list, err
}

func TestNodesAreListedForPrograms(t *testing.T) {
	o := testOptions()
	y := o.Yards()[0]
	y.Hives = append(slices.Clone(y.Hives[:0:0]), outyard.Hive{ID: "brisk"}, outyard.Hive{ID: "hourly"}, outyard.Hive{ID: "gone"}, outyard.Hive{ID: "once"}, outyard.Hive{ID: "never"})
	o.Yards = func() []outyard.Yard { return []outyard.Yard{y} }
	o.ClockOff = func(_ outyard.YardID, hive outyard.HiveID) time.Duration {
		return map[outyard.HiveID]time.Duration{"hourly": -2 * time.Hour}[hive]
	}
	db := emptyStore(t)
	var rs []outyard.Reading
	sends := func(hive outyard.HiveID, last time.Time, gap time.Duration, n int) {
		for i := range n {
			r := outyard.NewReading(y.ID, hive, last.Add(-time.Duration(i)*gap))
			r.Values[outyard.Weight] = 40
			if hive == "" {
				r.Values[outyard.Weight], r.Values[outyard.OutsideTemp] = outyard.Unknown, 9
			}
			if hive == "brisk" && i == 2 { // sent seldom
				r.Values[outyard.Battery], r.Values[outyard.Signal] = 3.9, -80
			}
			rs = append(rs, r)
		}
	}
	sends("", testNow.Add(-time.Minute), 10*time.Minute, 40)
	sends("brisk", testNow.Add(-2*time.Minute), time.Minute, 50)
	sends("hourly", testNow.Add(-3*time.Hour), time.Hour, 10) // four gaps are not over
	sends("gone", testNow.Add(-40*24*time.Hour), 10*time.Minute, 40)
	sends("once", testNow.Add(-4*time.Hour), time.Hour, 1)
	_, err := db.Keep(t.Context(), rs)
	require.NoError(t, err)

	asked := &askedStore{Store: db}
	_, get := visit(t, asked, o)
	status, body, _ := get("/api/v1/nodes?yard=" + string(y.ID))
	require.Equal(t, http.StatusOK, status, body)
	require.Equal(t, 2, asked.reads, "one for all that are heard of now, one for the one that went")
	at := func(ago time.Duration) string { return testNow.Add(-ago).UTC().Format(time.RFC3339) }
	require.JSONEq(t, `{"items":[
		{"yard":"`+string(y.ID)+`","hive":"","heard":"`+at(time.Minute)+`","late":false,"cadence_s":600},
		{"yard":"`+string(y.ID)+`","hive":"brisk","heard":"`+at(2*time.Minute)+`","late":false,"cadence_s":60,"battery_v":3.9,"signal_dbm":-80},
		{"yard":"`+string(y.ID)+`","hive":"hourly","heard":"`+at(3*time.Hour)+`","late":false,"cadence_s":3600,"clock_ahead_s":-7200},
		{"yard":"`+string(y.ID)+`","hive":"gone","heard":"`+at(40*24*time.Hour)+`","late":true,"cadence_s":600},
		{"yard":"`+string(y.ID)+`","hive":"once","heard":"`+at(4*time.Hour)+`","late":true},
		{"yard":"`+string(y.ID)+`","hive":"never"}],"next":""}`, body)
	// The page says the same of them.
	asked.reads = 0
	_, page, _ := get("/nodes")
	require.Equal(t, 2, asked.reads)
	contains(t, textOfPage(page), "10 min", "60 s", "3.90 V", "Its clock is 2 h behind", "never")
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
