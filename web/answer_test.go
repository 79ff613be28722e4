package web

import (
	"context"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

const swarmID = "swarm-heron-point-h03-20270514T1940Z"

// answering are options with which alerts can be answered, kept in the store.
func answering(db *sqlite.Store) Options {
	o := testOptions()
	set := func(ctx context.Context, id string, change func(*outyard.Alert)) error {
		all, err := db.Alerts(ctx)
		if err != nil {
			return err
		}
		for _, a := range all {
			if a.Finding == id {
				a.Since = testNow
				change(&a)
				return db.Tell(ctx, store.News{Alerts: []outyard.Alert{a}})
			}
		}
		return ErrNoAlert
	}
	o.Acknowledge = func(ctx context.Context, id, _ string) error {
		return set(ctx, id, func(a *outyard.Alert) { a.State = outyard.AlertAcknowledged })
	}
	o.Snooze = func(ctx context.Context, id string, until time.Time, _ string) error {
		return set(ctx, id, func(a *outyard.Alert) { a.State, a.Until = outyard.AlertSnoozed, until })
	}
	return o
}

func raise(t testing.TB, db *sqlite.Store) {
	t.Helper()
	require.NoError(t, db.Tell(t.Context(), store.News{Alerts: []outyard.Alert{{Finding: swarmID, State: outyard.AlertTold, Since: testNow.Add(-time.Hour)}}}))
}

// poster posts forms as a browser that got the page would.
func poster(t *testing.T, srv *httptest.Server, page string) func(path string, form url.Values) (int, string) {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	srv.Client().Jar = jar
	resp, err := srv.Client().Get(srv.URL + page)
	require.NoError(t, err)
	var b strings.Builder
	_, err = copyTo(&b, resp)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(b.String())
	require.NotNil(t, token, "%s has a form", page)
	return func(path string, form url.Values) (int, string) {
		if form.Get("token") == "" {
			form.Set("token", token[1])
		}
		resp, err := srv.Client().PostForm(srv.URL+path, form)
		require.NoError(t, err)
		defer resp.Body.Close()
		var b strings.Builder
		_, err = copyTo(&b, resp)
		require.NoError(t, err)
		return resp.StatusCode, textOfPage(b.String())
	}
}

func TestThatWasMe(t *testing.T) {
	db := seed(t)
	o := testOptions()
	var again []outyard.YardID
	o.JournalChanged = func(y outyard.YardID) { again = append(again, y) }
	srv, get := visit(t, db, o)
	_, today, _ := get("/")
	require.Contains(t, today, `href="/findings/`+swarmID+`/answer"`, "the swarm can be answered from today's page")
	const path = "/findings/" + swarmID + "/answer"
	post := poster(t, srv, path)

	tests := []struct {
		name   string
		form   url.Values
		status int
		says   string
	}{
		{"without its token nothing is written", url.Values{"do": {"mine"}, "kind": {"split"}, "token": {"x"}}, 403, "nothing was changed yet"},
		{"what was done has to be chosen", url.Values{"do": {"mine"}}, 422, "Choose what you did."},
		{"a kind that explains no swarm is none of the choices", url.Values{"do": {"mine"}, "kind": {"treated"}}, 422, "Choose what you did."},
		{"an answer that is none", url.Values{"do": {"<b>"}}, 422, "Choose one of the answers."},
		{"what is not offered cannot be asked for", url.Values{"do": {"seen"}}, 422, "not offered"},
		{"a long note is too long", url.Values{"do": {"mine"}, "kind": {"split"}, "note": {strings.Repeat("x", 2001)}}, 422, "shorten it"},
		{"a split is written where the fall begins", url.Values{"do": {"mine"}, "kind": {"split"}, "note": {" To the nucleus. "}}, 200, "Written down. The yard is being evaluated again"},
		{"pressed twice it is written once", url.Values{"do": {"mine"}, "kind": {"split"}, "note": {"To the nucleus."}}, 200, "Written down."},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, text := post(path, tt.form)
			require.Equal(t, tt.status, status, text)
			require.Contains(t, text, tt.says)
		})
	}
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h03"})
	require.NoError(t, err)
	require.Len(t, es, 1)
	require.Equal(t, "To the nucleus.", es[0].Note)
	require.Equal(t, local(14, 12, 40), es[0].Time)
	require.Equal(t, outyard.Split, es[0].Kind)
	require.Equal(t, []outyard.YardID{"heron-point"}, again, "the yard is evaluated again, once")

	// What the evaluation makes of it is said.
	f := testFindings()[0]
	f.State = outyard.Withdrawn
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{f}}))
	_, body, _ := get(path + "?said=mine")
	text := textOfPage(body)
	contains(t, text, "This was withdrawn", "Withdrawn: it was not so", "To the nucleus.")
	require.NotContains(t, text, "Was that you?")
	require.NotContains(t, body, "data-await", "there is nothing left to wait for")
}

func TestAnAlertIsAnswered(t *testing.T) {
	db := seed(t)
	raise(t, db)
	srv, get := visit(t, db, answering(db))
	const path = "/findings/" + swarmID + "/answer"
	post := poster(t, srv, path)
	status, text := post(path, url.Values{"do": {"seen"}})
	require.Equal(t, http.StatusOK, status)
	contains(t, text, "Noted: you will see to it", "You see to it, since Fri 14 May, 16:20")
	require.NotContains(t, text, "I will see to it", "once is enough")
	for _, page := range []string{"/", "/yards/heron-point", "/yards/heron-point/hives/h03"} {
		_, body, _ := get(page)
		contains(t, textOfPage(body), "You see to it, since Fri 14 May, 16:20")
	}
	status, text = post(path, url.Values{"do": {"evening"}})
	require.Equal(t, http.StatusOK, status)
	contains(t, text, "Put off.", "Put off until Fri 14 May, 18:00")
	all, err := db.Alerts(t.Context())
	require.NoError(t, err)
	require.Equal(t, []outyard.Alert{{Finding: swarmID, State: outyard.AlertSnoozed, Since: testNow.UTC(), Until: local(14, 18, 0)}}, all)

	status, text = post("/findings/damp-alder-bank-h02-20270506T0700Z/answer", url.Values{"do": {"seen"}})
	require.Equal(t, http.StatusConflict, status)
	contains(t, text, "Nobody is told of this any more")
}

func TestLaterIsAheadOnTheYardsClock(t *testing.T) {
	say := func(at time.Time) string {
		var out []string
		for _, c := range laterChoices(at, pacific) {
			require.True(t, c.at.After(at))
			out = append(out, c.text+" "+c.at.In(pacific).Format("2 15:04"))
		}
		return strings.Join(out, ", ")
	}
	require.Equal(t, "This evening 14 18:00, Tomorrow morning 15 06:00, In three days 17 06:00", say(testNow))
	require.Equal(t, "Tomorrow morning 15 06:00, In three days 17 06:00", say(local(14, 17, 45)))
	require.Equal(t, "This evening 14 18:00, Tomorrow morning 15 06:00, In three days 17 06:00", say(local(14, 0, 5)))
	// The clocks go forward on the night to 14 March 2027.
	require.Equal(t, "Tomorrow morning 14 06:00, In three days 16 06:00", say(time.Date(2027, 3, 13, 19, 0, 0, 0, pacific)))
}

func TestAnswersThroughTheAPI(t *testing.T) {
	db := seed(t)
	raise(t, db)
	srv, get := visit(t, db, answering(db))
	bare, _ := visit(t, db, testOptions())
	post := func(base, path, body, origin string) (int, string) {
		req, err := http.NewRequest(http.MethodPost, base+path, strings.NewReader(body))
		require.NoError(t, err)
		if origin != "" {
			req.Header.Set("Origin", origin)
		}
		resp, err := srv.Client().Do(req)
		require.NoError(t, err)
		defer resp.Body.Close()
		var b strings.Builder
		_, err = copyTo(&b, resp)
		require.NoError(t, err)
		return resp.StatusCode, b.String()
	}
	const alert = "/api/v1/alerts/" + swarmID
	tests := []struct {
		name, base, path, body, origin string
		status                         int
		says                           string
	}{
		{"an acknowledgement is taken", srv.URL, alert + "/acknowledge", "", "", 204, ""},
		{"from another site it is not", srv.URL, alert + "/acknowledge", "", "https://elsewhere.example", 403, "another site"},
		{"of what nobody is told there is none", srv.URL, "/api/v1/alerts/%3Cscript%3E/acknowledge", "", "", 404, "there is no alert"},
		{"where it is not wired it is not offered", bare.URL, alert + "/acknowledge", "", "", 501, "cannot be answered"},
		{"a snooze is taken", srv.URL, alert + "/snooze", `{"until":"2027-05-15T13:00:00Z"}`, "", 204, ""},
		{"a snooze into the past is none", srv.URL, alert + "/snooze", `{"until":"2027-05-14T13:00:00Z"}`, "", 422, "ahead"},
		{"the year 9999 is forgetting", srv.URL, alert + "/snooze", `{"until":"9999-12-31T00:00:00Z"}`, "", 422, "60 days"},
		{"a snooze says until when", srv.URL, alert + "/snooze", `{"hours":3}`, "", 400, "until"},
		{"nothing stands in the query", srv.URL, alert + "/acknowledge?x=1", "", "", 400, "takes nothing"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			status, body := post(tt.base, tt.path, tt.body, tt.origin)
			require.Equal(t, tt.status, status, body)
			require.Contains(t, body, tt.says)
		})
	}
	_, body, _ := get("/api/v1/alerts")
	require.JSONEq(t, `{"items":[{"finding":"`+swarmID+`","yard":"heron-point","hive":"h03","kind":"swarm","state":"snoozed","since":"2027-05-14T23:20:00Z","until":"2027-05-15T13:00:00Z"}],"next":""}`, body)
}
