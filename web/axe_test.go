package web

import (
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"outyard"
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

// A stop is a page as somebody sees it: an address, and what is done there.
type stop struct {
	name, address string
	do            string // JavaScript; empty: nothing
}

// everyPage are all pages there are, as they look with much in them, with
// nothing, with something wrong, and to whoever has to sign in first.
func everyPage(t *testing.T, b *browsertest.Browser) []stop {
	t.Helper()
	db := seedTold(t)
	require.NoError(t, db.Refuse(t.Context(), []outyard.Refused{
		{Topic: "yards/x/hives/y", Payload: []byte("?"), Arrived: testNow, Reason: "not SenML"},
		{Topic: "yards/" + strings.Repeat("long-", 12) + "/hives/h1", Payload: []byte(strings.Repeat("ab", 300)), Arrived: testNow, Reason: "too long for a name, and nowhere to break: " + strings.Repeat("x", 90)},
		{Topic: "yards/new/hives/h1", Yard: "new", Hive: "h1", Payload: []byte("[]"), Arrived: testNow, Reason: "not in the config", Unplaced: true},
	}))
	o := whole(testOptions())
	o.Demo = true
	o.ConfigWrong = func() string { return "outyard.yaml:3: unknown key" }
	o.Settings = func() []Setting {
		return []Setting{{"listen", "127.0.0.1:8377", "default"}, {"tell.0.to", "smtp://mail.example", "/etc/outyard/outyard.yaml:" + strings.Repeat("9", 40)}}
	}
	srv, get := visit(t, db, o)
	var all []stop
	seen := map[string]bool{"": true} // what answers everything else
	for _, path := range readable(t, db, o) {
		if seen[path] {
			continue
		}
		seen[path] = true
		if _, _, header := get(path); strings.HasPrefix(header.Get("Content-Type"), "text/html") {
			all = append(all, stop{path, srv.URL + path, ""})
		}
	}
	const noName = `document.querySelector("[name=kg]").value = "much"; document.querySelector("form.write").submit()`
	all = append(all,
		stop{"an address that leads nowhere", srv.URL + "/nowhere", ""},
		stop{"dates that are none", srv.URL + "/yards/heron-point/hives/h01?from=yesterday", ""},
		stop{"a hive without a reading in those days", srv.URL + "/yards/heron-point/hives/h01?from=2026-01-01&to=2026-01-02", ""},
		stop{"a list narrowed to nothing", srv.URL + "/findings?kind=robbing&state=withdrawn", ""},
		stop{"a form with a mistake", srv.URL + "/journal?yard=heron-point&hive=h01", noName},
		stop{"an entry put right", srv.URL + "/journal", `location.assign(document.querySelector("a[href^='/journal/']").href)`},
	)
	for _, secret := range []Door{{}, {Trust: "--cafile " + SignerFile, Signer: true, Shows: true, Named: true}} {
		o := whole(testOptions())
		o.MQTTDoor = secret
		first, _ := visit(t, emptyStore(t), o)
		for _, path := range []string{"/", "/yards", "/yards/heron-point", "/yards/heron-point/season", "/findings", "/alerts", "/journal", "/nodes", "/refused", "/settings"} {
			if !secret.Named || path == "/" {
				all = append(all, stop{"before the first reading: " + path, first.URL + path, ""})
			}
		}
	}
	// By another name of this machine, since the cookies of all ports are one's.
	elsewhere := func(srv *httptest.Server) string { return strings.Replace(srv.URL, "127.0.0.1", "localhost", 1) }
	o = whole(testOptions())
	o.Accounts, o.Loopback = db, true
	none, _ := visit(t, emptyStore(t), func(o Options) Options { o.Accounts = emptyStore(t); return o }(o))
	all = append(all, stop{"signing in before there is an account", elsewhere(none) + "/sign-in", ""})
	withAccounts(t, db)
	door, _ := visit(t, db, o)
	all = append(all,
		stop{"signing in", elsewhere(door) + "/sign-in", ""},
		stop{"a wrong password", elsewhere(door) + "/sign-in", `document.querySelector("[name=name]").value = "reader"; document.querySelector("[name=password]").value = "not that one"; document.querySelector("form.write").submit()`})
	b.Do(t, chromedp.Navigate(door.URL+"/sign-in"), chromedp.SendKeys(chromedp.CSS("[name=name]"), "reader"), chromedp.SendKeys(chromedp.CSS("[name=password]"), rightPassword), chromedp.Click(chromedp.CSS(".write button")))
	b.WaitFor(t, `location.pathname === "/"`)
	all = append(all, stop{"one's account", door.URL + "/you", ""},
		stop{"what a reader may not", door.URL + "/you", `document.querySelector("form").action = "/refused"; document.querySelector("form").submit()`})
	return all
}

// tooSmall are what a finger has to hit and cannot: on any screen 24 px (WCAG
// 2.2, 2.5.8, which leaves out links within a sentence), and on a phone, which
// is held with gloves on, 44 px for what a page is for (2.5.5).
const tooSmall = `(() => {
	const glove = innerWidth < 640, seen = (e) => e.getClientRects().length && !e.closest(".unseen");
	const small = (q, h, w) => [...document.querySelectorAll(q)].filter(seen).filter((e) => !e.closest("p:not(.acts), dd, li p, td .sub, .way") || e.matches("button"))
		.filter((e) => { const r = e.getBoundingClientRect(); return r.height < h || r.width < w; })
		.map((e) => e.tagName + " " + e.textContent.trim().slice(0, 40) + " " + e.getBoundingClientRect().height.toFixed(0));
	return small("main a, main summary, header a, footer nav a", 24, 20)
		.concat(glove ? small("main button, main select, main input:not([type=radio], [type=hidden]), main textarea, .taps label, header nav a, header .brand, .ranges a, summary, .acts a", 44, 24) : []).join("; ");
})()`

// TestEveryPageInEveryLook opens every page on a phone and on a table, by day
// and by night: nothing scrolls sideways or is too small, axe-core finds
// nobody shut out, and the keyboard comes to everything in the order in which
// it is read, and can be seen.
func TestEveryPageInEveryLook(t *testing.T) {
	script := axe(t)
	b := browsertest.Open(t)
	pages := everyPage(t, b)
	require.Greater(t, len(pages), 35)
	charts := map[string]bool{}
	for _, view := range []struct {
		look          string
		width, height int64
		all           bool // once in each look, once at each width; else charts, which are drawn for both
	}{{"light", 1280, 900, true}, {"dark", 390, 844, true}, {"light", 390, 844, false}, {"dark", 1280, 900, false}} {
		b.Look(t, view.look)
		b.Do(t, chromedp.EmulateViewport(view.width, view.height))
		for _, p := range pages {
			if !view.all && !charts[p.address] {
				continue
			}
			where := p.name + ", " + view.look + " at " + strconv.FormatInt(view.width, 10) + " px"
			b.Do(t, chromedp.Navigate(p.address))
			if p.do != "" {
				browsertest.Eval[bool](t, b, `(window.before = true, `+strings.ReplaceAll(p.do, "; ", ", ")+`, true)`)
				b.WaitFor(t, `!window.before && document.querySelector("h1") !== null`)
			}
			b.WaitFor(t, browsertest.PictureLoaded)
			if over := browsertest.Eval[float64](t, b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
				t.Errorf("%s scrolls sideways by %g px", where, over)
			}
			if shrunk := browsertest.Eval[float64](t, b, `Math.min(1, ...[...document.images].map((i) => i.clientWidth / i.naturalWidth))`); shrunk < 0.95 {
				t.Errorf("%s: a chart shrunk to %g has labels that are too small", where, shrunk)
			}
			charts[p.address] = charts[p.address] || browsertest.Eval[bool](t, b, `document.images.length > 0`)
			looks := browsertest.Eval[string](t, b, `[...document.images].map((i) => new URL(i.currentSrc).searchParams.get("look") ?? "light").join(" ")`)
			require.Empty(t, strings.Trim(strings.ReplaceAll(looks, view.look, ""), " "), "%s: charts follow the look", where)
			// What is folded away is read, too.
			browsertest.Eval[bool](t, b, `[...document.querySelectorAll("details")].forEach((d) => { d.open = true; }), true`)
			if over := browsertest.Eval[float64](t, b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
				t.Errorf("%s, unfolded, scrolls sideways by %g px", where, over)
			}
			if small := browsertest.Eval[string](t, b, tooSmall); small != "" {
				t.Errorf("%s: too small: %s", where, small)
			}
			if !view.all {
				continue
			}
			// What an address points at is where the keyboard goes on from.
			if off := tabbed(t, b); off != "" && !browsertest.Eval[bool](t, b, `location.hash !== ""`) {
				t.Errorf("%s, by keyboard: %s", where, off)
			}
			browsertest.Eval[bool](t, b, script+"; true")
			answer, err := chromedp.Run(b.Ctx, chromedp.Evaluate[struct {
				Found string
				Rules int
			}](askAxe, chromedp.EvalAwaitPromise))
			require.NoError(t, err, where)
			require.Greater(t, answer.Rules, 10, "%s: axe has looked at it", where)
			if answer.Found != "" {
				t.Errorf("%s:\n%s", where, answer.Found)
			}
		}
	}
	defer b.Do(t, chromedp.Navigate("about:blank")) // no stream is left open
	// axe would have told: a picture without words.
	b.Do(t, chromedp.Navigate(pages[0].address))
	browsertest.Eval[bool](t, b, `document.querySelector("main").insertAdjacentHTML("beforeend", '<img src="/static/icon.svg">'), true`)
	browsertest.Eval[bool](t, b, script+"; true")
	answer, err := chromedp.Run(b.Ctx, chromedp.Evaluate[struct{ Found string }](askAxe, chromedp.EvalAwaitPromise))
	require.NoError(t, err)
	require.Contains(t, answer.Found, "image-alt")
}

// mostTabs is how far into a page the keyboard is followed.
const mostTabs = 25

// tabbed goes through a page by the Tab key, and says what is wrong with where
// it comes by.
func tabbed(t *testing.T, b *browsertest.Browser) string {
	t.Helper()
	browsertest.Eval[bool](t, b, `(window.came = [], document.addEventListener("focusin", (e) => {
		const r = e.target.getBoundingClientRect(), s = getComputedStyle(e.target.matches(".taps input") ? e.target.nextElementSibling : e.target);
		const last = window.came.at(-1)?.e;
		let off = "";
		if (last && !(last.compareDocumentPosition(e.target) & Node.DOCUMENT_POSITION_FOLLOWING)) off = "comes after what is read later";
		else if (!last && !e.target.matches(".skip")) off = "comes before the link to the page";
		else if (s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2) off = "is not seen to be there";
		else if (r.bottom < 1 || r.top > innerHeight - 1 || r.right < 1 || r.left > innerWidth - 1) off = "is out of sight";
		window.came.push({ e: e.target, off });
	}), document.activeElement.blur(), scrollTo(0, 0), true)`)
	tabs := make([]chromedp.Action[chromedp.Void], mostTabs)
	for i := range tabs {
		tabs[i] = chromedp.KeyEvent(kb.Tab)
	}
	count := min(mostTabs, int(browsertest.Eval[float64](t, b, `[...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']")].filter((e) => e.getClientRects().length && !(e.type === "radio" && !e.checked)).length`)))
	b.Do(t, tabs[:max(count-1, 1)]...)
	return browsertest.Eval[string](t, b, `window.came.filter((c) => c.off).slice(0, 3).map((c) => c.e.outerHTML.slice(0, 80) + " " + c.off).join("; ") || (window.came.length ? "" : "nothing is reached")`)
}
