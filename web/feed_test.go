package web

import (
	"bufio"
	"context"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store/sqlite"
	"outyard/web/browsertest"
)

func emptyStore(t testing.TB) *sqlite.Store {
	t.Helper()
	db, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	return db
}

func firstReading() outyard.Reading {
	r := outyard.NewReading("heron-point", "h01", testNow.Add(-time.Second))
	r.Values[outyard.Weight], r.Values[outyard.InsideTemp] = 41.2, 34.6
	return r
}

// listeners waits until so many pages listen.
func listeners(t *testing.T, f *Feed, n int) {
	t.Helper()
	require.Eventually(t, func() bool {
		f.mu.Lock()
		defer f.mu.Unlock()
		return len(f.open) == n
	}, 20*time.Second, 5*time.Millisecond)
}

func TestReadingsAreShownAsTheyCome(t *testing.T) {
	o := testOptions()
	o.Feed = NewFeed()
	srv, _ := visit(t, emptyStore(t), o)
	o.Feed.Kept([]outyard.Reading{firstReading()}) // nobody listens yet, and nobody waits

	ctx, leave := context.WithCancel(t.Context())
	defer leave()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, srv.URL+"/events", nil)
	require.NoError(t, err)
	resp, err := srv.Client().Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	require.Equal(t, "text/event-stream", resp.Header.Get("Content-Type"))
	listeners(t, o.Feed, 1)
	o.Feed.Kept([]outyard.Reading{firstReading()})
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "data: ") {
	}
	require.JSONEq(t, `{"name":"By the gate at Heron Point","url":"/yards/heron-point/hives/h01","text":"weight 41.2 kg, inside temp 34.6 °C","at":"16:19:59"}`, strings.TrimPrefix(lines.Text(), "data: "))
	leave()
	listeners(t, o.Feed, 0)
}

func TestAFeedNeverWaits(t *testing.T) {
	f := NewFeed()
	for range mostFeeds {
		_, ok := f.listen()
		require.True(t, ok)
	}
	_, ok := f.listen()
	require.False(t, ok, "there is an end to listeners")
	for range feedBuffer * 3 {
		f.Kept([]outyard.Reading{firstReading()}) // would hang if it waited for one that does not read
	}
}

func TestWithoutAFeedThePageSaysReload(t *testing.T) {
	_, get := visit(t, emptyStore(t), testOptions())
	_, body, _ := get("/")
	contains(t, textOfPage(body), "Nothing yet. Reload this page when you have sent something.")
	require.NotContains(t, body, "data-feed")
	status, _, _ := get("/events")
	require.Equal(t, http.StatusNotFound, status)
}

func TestAnOpenStreamDoesNotHoldUpTheEnd(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	o := testOptions()
	o.Feed = NewFeed()
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, l, New(emptyStore(t), o), nil) }()
	resp, err := http.Get("http://" + l.Addr().String() + "/events")
	require.NoError(t, err)
	defer resp.Body.Close()
	listeners(t, o.Feed, 1)
	stop()
	require.NoError(t, <-ended, "the stream ends by itself, within the patience of the stop")
}

func watchTheFirstReading(t *testing.T, b *browsertest.Browser) {
	db := emptyStore(t)
	o := testOptions()
	o.Feed = NewFeed()
	srv, _ := visit(t, db, o)
	b.Do(t, chromedp.EmulateViewport(390, 844), chromedp.Navigate(srv.URL+"/"))
	b.WaitFor(t, `document.querySelector("[data-feed] [role=status]").textContent.startsWith("Listening")`)
	hostile := firstReading()
	hostile.Yard, hostile.Hive = `<img src=x onerror=document.title=1>`, ""
	o.Feed.Kept([]outyard.Reading{hostile, firstReading()})
	b.WaitFor(t, `document.querySelectorAll("[data-feed] li").length === 2`)
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector("[data-feed] li").textContent`), "By the gate at Heron Point: weight 41.2 kg")
	require.Zero(t, browsertest.Eval[float64](t, b, `document.querySelectorAll("[data-feed] img").length`), "markup in a name stays text")
	_, err := db.Keep(t.Context(), []outyard.Reading{firstReading()})
	require.NoError(t, err)
	b.Do(t, chromedp.Click(chromedp.CSS(`[data-feed] p:not([hidden]) a[href="/"]`)))
	b.WaitFor(t, `document.querySelector("h1").textContent === "Nothing needs you today"`)
	require.Empty(t, b.Said())
}
