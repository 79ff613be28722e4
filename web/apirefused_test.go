package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

func TestRefusedMessagesAreTriedAgainAndForgottenByPrograms(t *testing.T) {
	o := testOptions()
	known := func(ids []int64) error {
		for _, id := range ids {
			if id > 200 {
				return fmt.Errorf("%d: %w", id, ErrNotRefused)
			}
		}
		return nil
	}
	o.Retry = func(_ context.Context, ids []int64) (int, []outyard.Refused, error) {
		if ids == nil {
			many := make([]outyard.Refused, 150)
			for i := range many {
				many[i] = outyard.Refused{ID: int64(i + 1), Reason: "no JSON"}
			}
			return 7, many, nil
		}
		return len(ids), nil, known(ids)
	}
	o.Forget = func(_ context.Context, ids []int64) (int, error) { return len(ids), known(ids) }
	db := seed(t)
	srv, _ := visit(t, db, o)
	bare, _ := visit(t, db, testOptions())
	tests := []struct {
		name, base, path, body string
		status                 int
		says                   string
	}{
		{"those that are named", srv.URL, "retry", `{"ids":[3,4]}`, 200, `{"kept":2,"still_refused":0,"reasons":[]}`},
		{"all of them, and the first reasons", srv.URL, "retry", "", 200, `{"kept":7,"still_refused":150,"reasons":[{"id":1,"reason":"no JSON"},`},
		{"an empty object means all, too", srv.URL, "retry", "{}", 200, `{"kept":7,`},
		{"one that is not there", srv.URL, "retry", `{"ids":[201]}`, 404, "201: no refused message has that ID"},
		{"none is a mistake, and not all", srv.URL, "retry", `{"ids":[]}`, 400, "leave it out for all"},
		{"a word is no id", srv.URL, "retry", `{"ids":["all"]}`, 400, "IDs of messages"},
		{"thrown away", srv.URL, "forget", `{"ids":[3,4,5]}`, 200, `{"forgot":3}`},
		{"a typing error throws nothing away", srv.URL, "forget", `{"id":[3]}`, 400, "IDs of messages"},
		{"nor does one that is not there", srv.URL, "forget", `{"ids":[201]}`, 404, "201: no refused message has that ID"},
		{"where it is not wired it is not offered", bare.URL, "retry", "", 501, "cannot be tried again"},
		{"nor is forgetting", bare.URL, "forget", "", 501, "cannot be thrown away"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			resp, err := http.Post(tt.base+"/api/v1/refused/"+tt.path, "application/json", strings.NewReader(tt.body))
			require.NoError(t, err)
			defer resp.Body.Close()
			var b strings.Builder
			_, err = copyTo(&b, resp)
			require.NoError(t, err)
			require.Equal(t, tt.status, resp.StatusCode, b.String())
			require.Contains(t, b.String(), tt.says)
			require.LessOrEqual(t, strings.Count(b.String(), "no JSON"), mostReasons)
		})
	}
}

func TestRefusedMessagesAreListedForPrograms(t *testing.T) {
	db := emptyStore(t)
	heavy := bytes.Repeat([]byte{'x'}, mostRefusedPayloads/2+1)
	require.NoError(t, db.Refuse(t.Context(), []outyard.Refused{
		{Topic: "yards/mill-lane/hives/h01", Payload: []byte{0, 255, '<', 'b'}, Arrived: testNow, Reason: "not SenML"},
		{Topic: "yards/far/hives/h09", Payload: []byte("[]"), Arrived: testNow.Add(time.Minute), Reason: "no such yard", Unplaced: true, Yard: "far", Hive: "h09"},
		{Topic: "heavy", Payload: heavy, Arrived: testNow, Reason: "not SenML"},
		{Topic: "heavy", Payload: heavy, Arrived: testNow, Reason: "not SenML"},
		{Topic: "empty", Arrived: testNow, Reason: "empty"},
	}))
	_, get := visit(t, db, testOptions())
	ask := func(query string) (list items[refusedJSON]) {
		t.Helper()
		status, body, _ := get("/api/v1/refused" + query)
		require.Equal(t, http.StatusOK, status, body)
		require.NotContains(t, body, "null")
		require.NoError(t, json.Unmarshal([]byte(body), &list))
		return list
	}
	topics := func(list items[refusedJSON]) (out []string) {
		for _, m := range list.Items {
			out = append(out, m.Topic)
		}
		return out
	}
	for name, tt := range map[string]struct {
		query   string
		answers [][]string
	}{
		"the newest first, and no more at once than fits": {"?limit=200", [][]string{{"empty", "heavy"}, {"heavy", "yards/far/hives/h09", "yards/mill-lane/hives/h01"}}},
		"one by one":            {"?limit=1", [][]string{{"empty"}, {"heavy"}, {"heavy"}, {"yards/far/hives/h09"}, {"yards/mill-lane/hives/h01"}}},
		"those without a place": {"?which=unplaced", [][]string{{"yards/far/hives/h09"}}},
		"those that could not be read, as many as there are left": {"?which=unread&limit=2", [][]string{{"empty", "heavy"}, {"heavy", "yards/mill-lane/hives/h01"}}},
	} {
		t.Run(name, func(t *testing.T) {
			cursor := ""
			for i, want := range tt.answers {
				query := tt.query
				if cursor != "" {
					query += "&cursor=" + cursor
				}
				list := ask(query)
				require.Equal(t, want, topics(list))
				require.Equal(t, i == len(tt.answers)-1, list.Next == "", "%q", list.Next)
				cursor = list.Next
			}
		})
	}
	first := ask("?which=unread").Items
	require.Equal(t, []byte{0, 255, '<', 'b'}, ask("?which=unread&cursor=" + strconv.FormatInt(first[len(first)-1].ID, 10)).Items[1].Payload, "as it came, byte by byte")
	for _, query := range []string{"?which=all", "?cursor=x", "?cursor=-1", "?limit=201", "?limit=0", "?yard=heron-point"} {
		status, body, _ := get("/api/v1/refused" + query)
		require.Equal(t, http.StatusBadRequest, status, body)
	}
}

func TestNoMoreRefusedMessagesAreReadThanAnswered(t *testing.T) {
	db := emptyStore(t)
	const heaviest = 1 << 20 // as heavy as a message may be
	var messages []outyard.Refused
	for range 20 {
		messages = append(messages, outyard.Refused{Topic: "heavy", Payload: bytes.Repeat([]byte{'x'}, heaviest), Arrived: testNow, Reason: "not SenML"})
	}
	require.NoError(t, db.Refuse(t.Context(), messages))
	store := &askedStore{Store: db}
	_, get := visit(t, store, testOptions())
	status, body, _ := get("/api/v1/refused?limit=200")
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, mostRefusedPayloads/heaviest, strings.Count(body, `"heavy"`))
	require.LessOrEqual(t, store.refusedBytes, mostRefusedPayloads+refusedAtOnce*heaviest)
}
