package web

import (
	"context"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store/sqlite"
)

// whole are options with which every page is offered.
func whole(o Options) Options {
	o.Gatherer = prometheus.NewRegistry()
	o.Feed = NewFeed()
	o.Acknowledge = func(context.Context, string, string) error { return nil }
	o.Snooze = func(context.Context, string, time.Time, string) error { return nil }
	o.OpenLink = func(context.Context, string) (Link, error) { return Link{Finding: swarmID, Mine: true}, nil }
	o.UseLink = func(context.Context, string) error { return nil }
	o.Retry = func(context.Context, []int64) (int, []outyard.Refused, error) { return 0, nil, nil }
	o.Forget = func(context.Context, []int64) (int, error) { return 0, nil }
	return o
}

// example stands for what a route leaves open.
func example(t *testing.T, db *sqlite.Store, pattern string) string {
	t.Helper()
	_, path, _ := strings.Cut(pattern, " ")
	fill := map[string]string{"{$}": "", "{yard}": "heron-point", "{hive}": "h01", "{chart}": "weight.svg", "{file}": "style.css", "{token}": "a-link"}
	switch {
	case strings.Contains(path, "/journal/"):
		es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h01"})
		require.NoError(t, err)
		require.NotEmpty(t, es)
		fill["{id}"] = es[0].ID
	default:
		fill["{id}"] = swarmID
	}
	open := regexp.MustCompile(`\{[^}]*\}`)
	out := open.ReplaceAllStringFunc(path, func(s string) string {
		v, ok := fill[s]
		require.True(t, ok, "%s: say here what stands for %s", pattern, s)
		return v
	})
	if strings.HasSuffix(path, "/series") {
		out += "?yard=heron-point&hive=h01&quantity=weight&from=2027-05-01&to=2027-05-14"
	}
	return out
}

// readable are the addresses that can be read, one for each route but the
// stream of events, which does not end.
func readable(t *testing.T, db *sqlite.Store, o Options) []string {
	var out []string
	for _, pattern := range newSite(db, o).routes {
		if !strings.HasPrefix(pattern, "POST ") && !strings.HasPrefix(pattern, "PUT ") && pattern != "GET /events" {
			out = append(out, example(t, db, pattern))
		}
	}
	require.Greater(t, len(out), 25)
	return out
}

// elsewhere are addresses that a browser would fetch, or follow a form to,
// outside of ours.
var elsewhere = regexp.MustCompile(`(?i)(?:src|srcset|href|action|data-[a-z]+)="(?:[a-z]+:)?//`)

// mostPageBytes is what a page may weigh with its style and script, charts
// aside, before compression.
const mostPageBytes = 150 << 10

func TestEveryRouteKeepsToItself(t *testing.T) {
	db := seedTold(t)
	o := whole(testOptions())
	srv, get := visit(t, db, o)
	srv.Client().CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	loaded := 0
	for _, path := range []string{"/static/style.css", "/static/page.js", "/static/icon.svg"} {
		_, body, _ := get(path)
		loaded += len(body)
	}
	pages := 0
	for _, path := range append(readable(t, db, o), "/nowhere", "/yards/none", "/api/v1/nothing") {
		status, body, header := get(path)
		require.Less(t, status, 500, path)
		policy := header.Get("Content-Security-Policy")
		require.Contains(t, policy, "default-src 'none'", path)
		require.NotContains(t, policy, "unsafe", path)
		require.NotContains(t, policy, "http", path)
		require.Equal(t, "nosniff", header.Get("X-Content-Type-Options"), path)
		require.Empty(t, elsewhere.FindString(body), path)
		require.NotContains(t, header.Get("Location"), "//", path)
		if !strings.HasPrefix(header.Get("Content-Type"), "text/html") || status == http.StatusSeeOther {
			continue
		}
		pages++
		require.Empty(t, inline.FindString(body), path)
		require.Less(t, len(body)+loaded, mostPageBytes, path)
		require.Contains(t, body, `<html lang="en">`, path)
		require.Equal(t, 1, strings.Count(body, "<h1"), path)
		require.Contains(t, body, `<a class="skip" href="#main">`, path)
		require.Less(t, strings.Index(body, `class="skip"`), strings.Index(body, "<nav"), "%s: the skip link comes first", path)
		require.Contains(t, body, "do not replace opening the hive", path)
		// What only a script could do is not there without one: each button
		// belongs to a form or is hidden, and each link leads somewhere.
		bare := regexp.MustCompile(`(?s)<form.*?</form>`).ReplaceAllString(body, "")
		require.NotContains(t, bare, "<button", path)
		require.NotRegexp(t, `href="(?:#|javascript:[^"]*)?"`, body, path)
	}
	require.Greater(t, pages, 12)
}
