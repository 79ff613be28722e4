package web

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store/sqlite"
	"outyard/web/browsertest"
)

// axeVersion is the one that the Makefile fetches.
const axeVersion = "axe-core-4.14.1"

// axe is the script that looks for what shuts people out of a page.
func axe(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	require.NoError(t, err)
	b, err := os.ReadFile(filepath.Join(cache, "outyard", axeVersion+".js"))
	if err != nil {
		t.Fatalf("the pages are checked with axe-core: run make needs, which fetches it by npm (%v)", err)
	}
	return string(b)
}

// askAxe checks against the rules of WCAG 2.2 A and AA, and what is good
// practice besides; it answers in lines what is serious or worse.
const askAxe = `(() => {
	const found = [];
	return axe.run(document, { resultTypes: ["violations"] }).then((r) => {
		for (const v of r.violations) {
			if (v.impact !== "serious" && v.impact !== "critical") continue;
			found.push(v.impact + " " + v.id + ": " + v.help + " at " + v.nodes.slice(0, 3).map((n) => n.target.join(" ") + " (" + n.failureSummary + ")").join("; "));
		}
		return { found: found.join("\n"), rules: r.passes.length };
	});
})()`

func TestPagesShutNobodyOut(t *testing.T) {
	script := axe(t)
	db := seedTold(t)
	require.NoError(t, db.Refuse(t.Context(), []outyard.Refused{
		{Topic: "yards/x/hives/y", Payload: []byte("?"), Arrived: testNow, Reason: "not SenML"},
		{Topic: "yards/new/hives/h1", Payload: []byte("[]"), Arrived: testNow, Reason: "not in the config", Unplaced: true},
	}))
	o := whole(testOptions())
	o.Demo = true
	srv, get := visit(t, db, o)
	empty, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer empty.Close()
	first, _ := visit(t, empty, o)

	addresses := []string{first.URL + "/", srv.URL + "/nowhere"}
	for _, path := range readable(t, db, o) {
		if _, _, header := get(path); strings.HasPrefix(header.Get("Content-Type"), "text/html") {
			addresses = append(addresses, srv.URL+path)
		}
	}
	b := browsertest.Open(t)
	for _, view := range []struct {
		look  string
		width int64
	}{{"light", 1280}, {"dark", 390}} {
		b.Look(t, view.look)
		b.Do(t, chromedp.EmulateViewport(view.width, 900))
		for _, address := range addresses {
			b.Do(t, chromedp.Navigate(address))
			b.WaitFor(t, browsertest.PictureLoaded)
			// What is folded away is read, too.
			browsertest.Eval[bool](t, b, `[...document.querySelectorAll("details")].forEach((d) => { d.open = true; }), true`)
			browsertest.Eval[bool](t, b, script+"; true")
			answer, err := chromedp.Run(b.Ctx, chromedp.Evaluate[struct {
				Found string
				Rules int
			}](askAxe, chromedp.EvalAwaitPromise))
			require.NoError(t, err, address)
			require.Greater(t, answer.Rules, 10, "%s: axe has looked at it", address)
			if answer.Found != "" {
				t.Errorf("%s in %s at %d px:\n%s", address, view.look, view.width, answer.Found)
			}
		}
	}
	// It would have told: a picture without words.
	b.Do(t, chromedp.Navigate(srv.URL+"/nodes"))
	browsertest.Eval[bool](t, b, `document.querySelector("main").insertAdjacentHTML("beforeend", '<img src="/static/icon.svg">'), true`)
	browsertest.Eval[bool](t, b, script+"; true")
	answer, err := chromedp.Run(b.Ctx, chromedp.Evaluate[struct{ Found string }](askAxe, chromedp.EvalAwaitPromise))
	require.NoError(t, err)
	require.Contains(t, answer.Found, "image-alt")
}
