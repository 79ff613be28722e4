package web

import (
	"context"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

func TestAnEntryIsPutRight(t *testing.T) {
	db := seed(t)
	e, err := db.AddEntry(t.Context(), outyard.Entry{Time: local(14, 9, 30).Add(20 * time.Second), Yard: "heron-point", Hive: "h02", Kind: outyard.BoxOn, Kg: 61})
	require.NoError(t, err)
	var changed []outyard.YardID
	o := testOptions()
	o.JournalChanged = func(y outyard.YardID) { changed = append(changed, y) }
	srv, get := visit(t, db, o)
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	srv.Client().Jar = jar

	_, list, _ := get("/journal")
	require.Contains(t, list, `href="/journal/`+e.ID+`"`)
	_, page, _ := get("/journal/" + e.ID)
	contains(t, page, `value="61"`, `value="2027-05-14T09:30"`, `<option value="heron-point/h02" selected>`, `value="box-on" checked`, "It has not been changed yet")
	token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(page)[1]
	post := func(id, kg string) int {
		resp, err := srv.Client().PostForm(srv.URL+"/journal/"+id, url.Values{"token": {token}, "place": {"heron-point/h02"}, "kind": {"box-on"},
			"time": {"2027-05-14T09:30"}, "kg": {kg}})
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		return resp.StatusCode
	}
	require.Equal(t, http.StatusUnprocessableEntity, post(e.ID, "a lot"))
	require.Equal(t, http.StatusNotFound, post("nobody", "6"))
	require.Empty(t, changed)
	require.Equal(t, http.StatusOK, post(e.ID, "6,1"))
	require.Equal(t, []outyard.YardID{"heron-point"}, changed, "the yard is evaluated again")
	_, page, _ = get("/journal/" + e.ID)
	contains(t, textOfPage(page), "What it was", "61.0 kg", "(until Fri 14 May")
	versions, err := db.EntryVersions(t.Context(), e.ID)
	require.NoError(t, err)
	require.Len(t, versions, 2)
	require.Equal(t, e.Time, versions[1].Time, "the seconds that a form does not know are kept")
	require.InDelta(t, 6.1, versions[1].Kg, 0)

	// The same by the API.
	put := func(id, body string) int {
		req, err := http.NewRequest(http.MethodPut, srv.URL+"/api/v1/journal/"+id, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/json")
		resp, err := srv.Client().Do(req)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		return resp.StatusCode
	}
	entry := `{"time":"2027-05-14T16:30:20Z","yard":"heron-point","hive":"h03","kind":"box-on","kg":6.1}`
	require.Equal(t, http.StatusNotFound, put("nobody", entry))
	require.Equal(t, http.StatusUnprocessableEntity, put(e.ID, strings.Replace(entry, "box-on", "sofa", 1)))
	require.Equal(t, http.StatusOK, put(e.ID, entry))
	versions, err = db.EntryVersions(t.Context(), e.ID)
	require.NoError(t, err)
	require.Len(t, versions, 3)
	require.Equal(t, outyard.HiveID("h03"), versions[2].Hive)
}

func TestWhatBecameOfAnAlertIsShown(t *testing.T) {
	db := seed(t)
	id := testFindings()[0].ID
	require.NoError(t, db.Tell(t.Context(), store.News{History: []outyard.Transition{
		{Finding: id, At: local(14, 12, 50), Event: "raised", State: outyard.AlertOpen},
		{Finding: id, At: local(14, 12, 51), Event: "told", State: outyard.AlertTold},
		{Finding: id, At: local(14, 13, 51), Event: "reminded", State: outyard.AlertTold},
		{Finding: id, At: local(14, 14, 0), Event: "snoozed", State: outyard.AlertSnoozed, Until: local(14, 18, 0)},
	}}))
	_, get := visit(t, db, testOptions())
	_, body, _ := get("/findings/" + id + "/answer")
	contains(t, textOfPage(body), "What became of it", "12:51", "Found, and to be told", "Nobody had answered: a reminder", "Put off until Fri 14 May, 18:00")
}

func TestALinkOfAMessage(t *testing.T) {
	db := seed(t)
	id := testFindings()[0].ID
	o := testOptions()
	_, get := visit(t, db, o)
	status, _, _ := get("/do/anything")
	require.Equal(t, http.StatusNotFound, status, "without links there is no such page")

	problem := error(nil)
	used := 0
	o.OpenLink = func(_ context.Context, token string) (Link, error) {
		return Link{Finding: id, Mine: token == "mine"}, problem
	}
	o.UseLink = func(context.Context, string) error { used++; return nil }
	o.Acknowledge = func(context.Context, string, string) error { return ErrNoAlert }
	o.PagesAt = "https://bees.example"
	o.Loopback = true
	srv, get := visit(t, db, o)
	for err, want := range map[error]struct {
		status int
		says   string
	}{
		nil:            {http.StatusOK, "Will you see to it?"},
		ErrLinkForged:  {http.StatusNotFound, "cut short on its way"},
		ErrLinkExpired: {http.StatusGone, "too old: it works for two weeks"},
		ErrLinkUsed:    {http.StatusGone, "has been used already"},
	} {
		problem = err
		status, body, _ := get("/do/seen")
		require.Equal(t, want.status, status)
		require.Contains(t, textOfPage(body), want.says)
		resp, failed := srv.Client().PostForm(srv.URL+"/do/seen", nil)
		require.NoError(t, failed)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, want.status, resp.StatusCode)
	}
	require.Equal(t, 1, used, "nothing but the good one does anything")
	problem = nil
	_, body, _ := get("/do/mine")
	require.Contains(t, textOfPage(body), "Was that you?")

	// By way of the proxy that the config names, and of no other.
	for host, want := range map[string]int{"bees.example": http.StatusOK, "elsewhere.example": http.StatusMisdirectedRequest} {
		req, err := http.NewRequest(http.MethodGet, srv.URL+"/do/seen", nil)
		require.NoError(t, err)
		req.Host = host
		resp, err := srv.Client().Do(req)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, want, resp.StatusCode, host)
	}
}

func TestARefractometersReadingIsNotedWithItsWater(t *testing.T) {
	db := seed(t)
	srv, get := visit(t, db, testOptions())
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	srv.Client().Jar = jar
	_, page, _ := get("/journal")
	token := regexp.MustCompile(`name="token" value="([^"]+)"`).FindStringSubmatch(page)[1]
	post := func(reading, tempC string) int {
		resp, err := srv.Client().PostForm(srv.URL+"/journal", url.Values{"token": {token}, "place": {"heron-point/h02"}, "kind": {"visit"},
			"time": {"2027-05-14T09:30"}, "refractometer": {reading}, "refractometer-temp": {tempC}, "note": {"top super"}})
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		return resp.StatusCode
	}
	require.Equal(t, http.StatusUnprocessableEntity, post("sweet", ""))
	require.Equal(t, http.StatusUnprocessableEntity, post("1.333", ""))
	require.Equal(t, http.StatusUnprocessableEntity, post("1.4900", "warm"))
	require.Equal(t, http.StatusOK, post("1,4900", "25"))
	_, page, _ = get("/journal")
	contains(t, textOfPage(page), "18.1 % water", "top super")
}
