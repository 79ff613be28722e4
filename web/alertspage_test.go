package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

func TestAlertsSayWhatBecameOfThem(t *testing.T) {
	db := seedTold(t)
	_, get := visit(t, db, whole(testOptions()))
	status, body, header := get("/alerts")
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, "no-store", header.Get("Cache-Control"))
	text := strings.Join(strings.Fields(textOfPage(body)), " ")
	swarm, room, damp := strings.Index(text, "Swarm left"), strings.Index(text, "Wants a super"), strings.Index(text, "Going damp")
	require.True(t, 0 < swarm && swarm < room && room < damp, "the one that changed last comes first")
	contains(t, text, "Told, not answered since Fri 14 May, 12:56", "Put off until Sat 15 May, 06:00 since Sun 9 May, 18:00", "Somebody sees to it",
		"To me : delivered Fri 14 May, 12:56", "To club : not delivered yet, tried 3 times since Thu 13 May, 06:00: connection refused <mail>",
		"Fri 14 May, 12:55 Found, and to be told")
	require.NotContains(t, body, "<mail>", "what a server answers is text")

	for path, want := range map[string][]string{
		"/alerts?state=snoozed":                     {"Going damp"},
		"/alerts?yard=heron-point":                  {"Swarm left", "Wants a super"},
		"/alerts?yard=heron-point&state=snoozed":    {},
		"/alerts?yard=" + url.QueryEscape("<b>no"):  {},
		"/alerts?state=" + url.QueryEscape("<b>no"): {},
	} {
		status, body, _ := get(path)
		require.Equal(t, http.StatusOK, status, path)
		for _, title := range []string{"Swarm left", "Wants a super", "Going damp"} {
			if len(want) > 0 && want[0] == title {
				want = want[1:]
				require.Contains(t, body, ">"+title+"</a>", path)
			} else {
				require.NotContains(t, body, ">"+title+"</a>", path)
			}
		}
		require.Empty(t, want, path)
		require.NotContains(t, body, "<b>no", path)
	}
	status, body, _ = get("/alerts?cursor=made-up")
	require.Equal(t, http.StatusBadRequest, status)
	require.Contains(t, body, "Start again from the newest alert")
}

func TestManyAlertsComeInPages(t *testing.T) {
	db := seed(t)
	var news store.News
	for i := range alertsPerPage + 5 {
		f := testFindings()[0]
		f.ID = f.ID + string(rune('a'+i%26)) + string(rune('a'+i/26))
		news.Findings = append(news.Findings, f)
		news.Alerts = append(news.Alerts, outyard.Alert{Finding: f.ID, State: outyard.AlertTold, Since: f.ToldAt})
	}
	require.NoError(t, db.Tell(t.Context(), news))
	_, get := visit(t, db, testOptions())
	seen, path, pages := map[string]bool{}, "/alerts?state=told", 0
	for ; path != ""; pages++ {
		_, body, _ := get(path)
		for _, f := range news.Findings {
			if strings.Contains(body, `id="`+f.ID+`"`) {
				require.False(t, seen[f.ID], "shown once")
				seen[f.ID] = true
			}
		}
		path = ""
		if _, after, ok := strings.Cut(body, `<nav class="pages"`); ok {
			for _, link := range strings.Split(after, "<a ")[1:] {
				if strings.Contains(link, ">Older<") {
					_, path, _ = strings.Cut(link, `href="`)
					path, _, _ = strings.Cut(path, `"`)
					path = strings.ReplaceAll(path, "&amp;", "&")
				}
			}
		}
	}
	require.Equal(t, 2, pages)
	require.Len(t, seen, len(news.Findings))
}
