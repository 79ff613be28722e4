package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/configs"
	"outyard/store/sqlite"
)

func refuse(t testing.TB, db *sqlite.Store) {
	t.Helper()
	require.NoError(t, db.Refuse(t.Context(), []outyard.Refused{
		{Topic: "yards/heron-point/hives/h03", Payload: []byte(`[{"n":"weight","u":"lb","v":1}]`), Arrived: testNow, Reason: `record 0: unit "lb": not known`},
		{Topic: "yards/heron-point/hives/<script>alert(1)</script>", Payload: []byte("<script>alert(2)</script>\u202e"), Arrived: testNow, Reason: "bad id <b>"},
		{Topic: "yards/heron-point/hives/h02", Payload: []byte{0x9f, 0xff, 0x00, 0x01, 0x02}, Arrived: testNow, Reason: "cut short"},
		{Topic: "yards/heron-point/hives/h02", Payload: []byte(strings.Repeat("é", 5000)), Arrived: testNow, Reason: "not SenML"},
		{Topic: "yards/heron-point/hives/h09", Payload: []byte("[]"), Arrived: testNow, Reason: "hive h09 is not in the config", Unplaced: true, Yard: "heron-point", Hive: "h09"},
		{Topic: "yards/new-orchard/hives/a1", Payload: []byte("[]"), Arrived: testNow, Reason: "yard is not in the config", Unplaced: true, Yard: "new-orchard", Hive: "a1"},
		{Topic: "yards/new-orchard/hives/a2", Payload: []byte("[]"), Arrived: testNow, Reason: "yard is not in the config", Unplaced: true, Yard: "new-orchard", Hive: "a2"},
		{Topic: "yards/new-orchard/weather", Payload: []byte("[]"), Arrived: testNow, Reason: "yard is not in the config", Unplaced: true, Yard: "new-orchard"},
	}))
}

func TestRefusedMessagesAreShownWhole(t *testing.T) {
	db := seed(t)
	refuse(t, db)
	_, get := visit(t, db, testOptions())
	status, body, _ := get("/refused")
	require.Equal(t, http.StatusOK, status)
	require.NotContains(t, body, "<script>alert")
	require.NotContains(t, body, "\u202e", "nothing turns the text around")
	text := textOfPage(body)
	contains(t, text, `Record 0: unit "lb": not known`, `[{"n":"weight","u":"lb","v":1}]`, "9fff 0001 02", "5 bytes in hexadecimal",
		"the first 480 characters of 10000 bytes", "Hive h09 at Heron Point", "Below the hives of Heron Point", "Yard new-orchard")
	require.Regexp(t, `Without a place\s+4`, text)
	require.Regexp(t, `Not readable\s+4`, text)
	require.NotContains(t, text, "ry again", "it is not offered unless it is wired")
	require.NotContains(t, text, strings.Repeat("é", 481))
	require.Less(t, len(body), 150<<10)
	_, empty := visit(t, seed(t), testOptions())
	_, body, _ = empty("/refused")
	contains(t, textOfPage(body), "Nothing waits here")
}

// TestTheConfigLineIsTakenByTheConfig puts what the page says into a config,
// as a keeper would.
func TestTheConfigLineIsTakenByTheConfig(t *testing.T) {
	s := &site{Options: testOptions()}
	list := []outyard.Refused{{Yard: "new-orchard", Hive: "a1"}, {Yard: "new-orchard", Hive: "a2"}, {Yard: "heron-point", Hive: "h09"}, {Yard: "new-orchard"}, {Yard: "Bad Id", Hive: "x"}}
	places := s.newPlaces(list)
	require.Len(t, places, 2)
	require.Equal(t, 3, places[0].Count)
	file := filepath.Join(t.TempDir(), "outyard.yaml")
	text := "yards:\n  - id: heron-point\n    name: Heron Point\n    latitude: 48.8\n    longitude: -123.3\n    timezone: America/Vancouver\n    hives:\n      - id: h01\n" +
		places[1].Config + "\n" + places[0].Config + "\n"
	require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
	cfg, err := configs.Load(file, nil)
	require.NoError(t, err, text)
	require.Len(t, cfg.Yards, 2)
	_, ok := cfg.Yards[0].Hive("h09")
	require.True(t, ok)
	require.Equal(t, outyard.YardID("new-orchard"), cfg.Yards[1].ID)
	require.Equal(t, "New orchard", cfg.Yards[1].Name)
	require.Len(t, cfg.Yards[1].Hives, 2)
}

func TestRefusedAreTriedAgain(t *testing.T) {
	db := seed(t)
	refuse(t, db)
	o := testOptions()
	var tried []int64
	o.Retry = func(ctx context.Context, ids []int64) (int, []outyard.Refused, error) {
		tried = append(tried, ids...)
		return len(ids), nil, db.Forget(ctx, ids)
	}
	srv, _ := visit(t, db, o)
	post := poster(t, srv, "/refused")
	yes := true
	unplaced, err := db.Refused(t.Context(), 0, 0, &yes)
	require.NoError(t, err)
	require.Len(t, unplaced, 4)
	tests := []struct {
		name   string
		form   url.Values
		status int
		says   string
		tried  int
	}{
		{"not without the form's token", url.Values{"which": {"unplaced"}, "token": {"x"}}, 403, "nothing was tried yet", 0},
		{"something has to be chosen", url.Values{"which": {"<i>"}}, 422, "Choose what to try again.", 0},
		{"one alone", url.Values{"which": {fmt.Sprint(unplaced[0].ID)}}, 200, "1 message is being tried again", 1},
		{"all that had no place", url.Values{"which": {"unplaced"}}, 200, "3 messages are being tried again", 4},
		{"when none is left there is nothing to try", url.Values{"which": {"unplaced"}}, 409, "nothing left", 4},
		{"all that could not be read", url.Values{"which": {"unread"}}, 200, "4 messages are being tried again", 8},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, text := post("/refused", tt.form)
			require.Equal(t, tt.status, status, text)
			require.Contains(t, text, tt.says)
			require.Len(t, tried, tt.tried)
		})
	}
}
