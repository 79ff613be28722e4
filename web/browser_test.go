package web

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
	"outyard/web/browsertest"
)

// TestInABrowser looks at the pages as a keeper does. One browser serves all:
// it takes longer to start than the pages take to look at.
func TestInABrowser(t *testing.T) {
	db := seed(t)
	srv, _ := visit(t, db, testOptions())
	b := browsertest.Open(t)
	t.Run("from the swarm to its hive", func(t *testing.T) { fromTheSwarmToItsHive(t, b, srv.URL) })
	t.Run("reading and zooming a chart", func(t *testing.T) { readAndZoom(t, b, srv.URL) })
	t.Run("reading and zooming a yard's chart", func(t *testing.T) { readAndZoomAYard(t, b, srv.URL) })
	t.Run("today goes on while it is left open", func(t *testing.T) { todayGoesOn(t, b) })
	t.Run("charts and forms without a script", func(t *testing.T) { withoutAScript(t, b, srv.URL, db) })
	t.Run("an entry is written with a thumb", func(t *testing.T) { writeEntry(t, b, srv.URL, db) })
	t.Run("a draft outlives a dropped line", func(t *testing.T) { keepTheDraft(t, b, srv.URL) })
	t.Run("the first reading is seen to come", func(t *testing.T) { watchTheFirstReading(t, b) })
	t.Run("signing in, to the swarm and the journal", func(t *testing.T) { signInAndWalk(t, b) })
	t.Run("an answer waits for the line", func(t *testing.T) { answerWaits(t, srv.URL, db) })
	t.Run("complaints would be heard", func(t *testing.T) { complainsOfNothing(t, b, srv.URL) })
}

// answerWaits has the line drop at the press of the button. It has a browser
// of its own, which complains of the line.
func answerWaits(t *testing.T, base string, db *sqlite.Store) {
	b := browsertest.Open(t)
	b.Do(t, chromedp.EmulateViewport(390, 844), chromedp.Navigate(base+"/findings/"+swarmID+"/answer"),
		chromedp.Click(chromedp.CSS(`.answer input[value="visit"]`)), chromedp.SendKeys(chromedp.CSS("[name=note]"), "Looked in."))
	b.Offline(t, true)
	b.Do(t, chromedp.Click(chromedp.CSS(".write.answer > button")), chromedp.Click(chromedp.CSS(".write.answer > button")))
	b.WaitFor(t, `!document.querySelector("[data-waits]").hidden`)
	b.Offline(t, false)
	b.WaitFor(t, `document.body.textContent.includes("Written down. The yard is being evaluated again with it.")`)
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h03", Kind: outyard.Kind(outyard.Visit), To: testNow})
	require.NoError(t, err)
	require.Len(t, es, 1)
	require.Equal(t, "Looked in.", es[0].Note)
}

func complainsOfNothing(t *testing.T, b *browsertest.Browser, base string) {
	require.Empty(t, b.Said())
	// And it would have said something: this is what the strict policy forbids.
	b.Do(t, chromedp.Navigate(base+"/"))
	browsertest.Eval[bool](t, b, `document.body.insertAdjacentHTML("beforeend", '<p style="color: red">'), true`)
	require.Eventually(t, func() bool { return strings.Contains(b.Said(), "Content Security Policy") }, 10*time.Second, 20*time.Millisecond)
}

// signInAndWalk is an evening's and a morning's work, from the door on. That
// the yard is evaluated again is held where the analyses are: here it is told
// what they would say.
func signInAndWalk(t *testing.T, b *browsertest.Browser) {
	db := seedTold(t)
	withAccounts(t, db)
	o := whole(testOptions())
	o.Accounts, o.Loopback = db, true
	o.JournalChanged = func(outyard.YardID) {
		f, _, err := db.Finding(context.Background(), swarmID)
		if err == nil {
			f.State = outyard.Withdrawn
			err = db.Tell(context.Background(), store.News{Findings: []outyard.Finding{f}})
		}
		if err != nil {
			t.Error(err)
		}
	}
	srv, _ := visit(t, db, o)
	at := func(path string) string {
		return `location.pathname === "` + path + `" && document.readyState === "complete"`
	}
	b.Do(t, chromedp.EmulateViewport(390, 844), chromedp.Navigate(srv.URL+"/"))
	b.WaitFor(t, at("/sign-in"))
	b.Do(t, chromedp.SendKeys(chromedp.CSS("[name=name]"), "Helper"), chromedp.SendKeys(chromedp.CSS("[name=password]"), rightPassword), chromedp.Click(chromedp.CSS(".write button")))
	b.WaitFor(t, at("/"))
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector("header").textContent`), "Signed in as helper")
	b.Do(t, chromedp.Click(chromedp.CSS(".finding.now h3 a")))
	b.WaitFor(t, at("/yards/heron-point/hives/h03"))
	b.WaitFor(t, browsertest.PictureLoaded)

	b.Do(t, chromedp.Navigate(srv.URL+"/findings/"+swarmID+"/answer"), chromedp.Click(chromedp.CSS(`.answer input[value="split"]`)), chromedp.Click(chromedp.CSS(".write.answer > button")))
	b.WaitFor(t, `document.body.textContent.includes("This was withdrawn")`)
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h03", Kind: outyard.Kind(outyard.Split)})
	require.NoError(t, err)
	require.Len(t, es, 1)
	require.Equal(t, "helper", es[0].By)

	// The line drops while an entry is written, and the session has ended when
	// it is back: after signing in, the text is still there.
	b.Do(t, chromedp.Navigate(srv.URL+"/journal?yard=heron-point&hive=h02"), chromedp.SendKeys(chromedp.CSS("[name=note]"), "Queen seen."))
	require.NoError(t, db.SetPassword(t.Context(), "helper", mustHash(t)))
	b.Do(t, chromedp.Navigate("about:blank"), chromedp.Navigate(srv.URL+"/journal"))
	b.WaitFor(t, at("/sign-in"))
	b.Do(t, chromedp.SendKeys(chromedp.CSS("[name=name]"), "helper"), chromedp.SendKeys(chromedp.CSS("[name=password]"), rightPassword), chromedp.Click(chromedp.CSS(".write button")))
	b.WaitFor(t, at("/journal"))
	b.WaitFor(t, `document.querySelector("[name=note]").value === "Queen seen."`)
	b.Do(t, chromedp.Click(chromedp.CSS(".write > button")))
	b.WaitFor(t, `(document.querySelector(".hint.good")?.textContent ?? "") === "Written down."`)
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector(".entries").textContent`), "by helper")
	require.Empty(t, b.Said())
}

func mustHash(t *testing.T) string {
	t.Helper()
	hash, err := HashPassword(rightPassword)
	require.NoError(t, err)
	return hash
}

func fromTheSwarmToItsHive(t *testing.T, b *browsertest.Browser, base string) {
	b.Do(t, chromedp.EmulateViewport(390, 844), chromedp.Navigate(base+"/"))
	require.Equal(t, "Swarm left", browsertest.Eval[string](t, b, `document.querySelector(".finding.now h3 a").textContent`), "the first urgent finding")
	b.Do(t, chromedp.Click(chromedp.CSS(".finding.now h3 a")))
	b.WaitFor(t, `location.pathname === "/yards/heron-point/hives/h03" && document.readyState === "complete"`)
	b.WaitFor(t, browsertest.PictureLoaded)
	require.True(t, browsertest.Eval[bool](t, b, `document.querySelector("article:target .say").textContent.startsWith("2.4 kg left")`), "the finding is marked")
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector("img").alt`), "Swarm left (14 May)", "the chart tells of it in words")
}

func readAndZoom(t *testing.T, b *browsertest.Browser, base string) {
	b.Do(t, chromedp.EmulateViewport(1280, 1400), chromedp.Navigate(base+"/yards/heron-point/hives/h01?from=2027-05-08&to=2027-05-12"))
	b.WaitFor(t, browsertest.PictureLoaded)

	// By keyboard: from the right end two hundredths of five days back.
	browsertest.Eval[bool](t, b, `document.querySelector(".plot").focus(), true`)
	b.Do(t, chromedp.KeyEvent(kb.ArrowLeft), chromedp.KeyEvent(kb.ArrowLeft))
	b.WaitFor(t, `document.querySelector(".plot .said").textContent.includes("kg")`)
	require.Regexp(t, `^Wed 12 May,? 21:\d\d: 5\d\.\d kg$`, browsertest.Eval[string](t, b, `document.querySelector(".plot .said").textContent`))

	// By mouse: dragging over the first half of the plot shows it.
	box := browsertest.Eval[[]float64](t, b, `(() => { const r = document.querySelector(".plot img").getBoundingClientRect(); return [r.left, r.top, r.width]; })()`)
	at := func(f float64) float64 { return box[0] + 46 + f*(box[2]-60) }
	y := box[1] + 150
	b.Do(t, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, at(0.02), y),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, at(0.02), y, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, at(0.3), y),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, at(0.5), y),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, at(0.5), y, chromedp.ButtonLeft))
	b.WaitFor(t, `location.search.includes("from=2027-05-08") && location.search.includes("to=2027-05-10") && document.readyState === "complete"`)
	require.Equal(t, "8 May to 10 May 2027", browsertest.Eval[string](t, b, `document.querySelector("#when").textContent`))
	require.Empty(t, b.Said())
}

func readAndZoomAYard(t *testing.T, b *browsertest.Browser, base string) {
	b.Do(t, chromedp.EmulateViewport(1280, 1400), chromedp.Navigate(base+"/yards/heron-point"))
	b.WaitFor(t, browsertest.PictureLoaded)
	browsertest.Eval[bool](t, b, `document.querySelector(".plot").focus(), true`)
	b.Do(t, chromedp.KeyEvent(kb.Home))
	for range 56 { // hundredths of four weeks
		b.Do(t, chromedp.KeyEvent(kb.ArrowRight))
	}
	b.WaitFor(t, `document.querySelector(".plot .said").textContent.includes("kg")`)
	require.Regexp(t, `^\w{3} \d+ May: .?\d\.\d\d kg$`, browsertest.Eval[string](t, b, `document.querySelector(".plot .said").textContent`))
	// A stretch chosen with Shift is shown, in an address that can be kept.
	shift := chromedp.KeyModifiers(chromedp.ModifierShift)
	for range 20 {
		b.Do(t, chromedp.KeyEvent(kb.ArrowRight, shift))
	}
	b.Do(t, chromedp.KeyEvent(kb.Enter))
	b.WaitFor(t, `location.pathname === "/yards/heron-point" && location.search.includes("from=2027-05-0") && document.readyState === "complete"`)
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector("main").textContent`), "Show the last four weeks")
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector("main").textContent`), "Swarm left", "what is open is not zoomed away")
	require.Empty(t, b.Said())
}

// todayGoesOn has a finding come up while the page is open.
func todayGoesOn(t *testing.T, b *browsertest.Browser) {
	db := seed(t)
	srv, _ := visit(t, db, testOptions())
	tell := func(id, summary string) {
		t.Helper()
		require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{{ID: id, Kind: outyard.KnockedOver, Yard: "heron-point", Hive: "h01", Onset: testNow, ToldAt: testNow,
			Severity: outyard.Now, Confidence: 0.9, State: outyard.Open, Summary: summary, Advice: []string{"Go and look."}, Caution: []string{}, Facts: map[string]any{}}}}))
	}
	b.Do(t, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(srv.URL+"/"))
	b.WaitFor(t, browsertest.PictureLoaded)
	// A minute is over at once here, and somebody comes back to the page.
	comeBack := func() float64 {
		t.Helper()
		return browsertest.Eval[float64](t, b, `(document.querySelector("[data-fresh]").dataset.fresh = 0, document.dispatchEvent(new Event("visibilitychange")), window.asked)`)
	}
	browsertest.Eval[bool](t, b, `(window.asked = 0, window.ask = window.fetch, window.fetch = (...a) => { window.asked++; return window.ask(...a); }, true)`)
	tell("knocked-1", "It lies in the ditch.")
	browsertest.Eval[bool](t, b, `(document.querySelector("main details").open = true)`)
	require.Zero(t, comeBack(), "whoever reads is left alone")
	browsertest.Eval[bool](t, b, `(document.querySelector("main details").open = false, true)`)
	require.Equal(t, 1.0, comeBack())
	b.WaitFor(t, `document.querySelector("main").textContent.includes("It lies in the ditch.")`)
	require.Equal(t, 1.0, browsertest.Eval[float64](t, b, `window.asked`), "it was not loaded anew")
	// Somebody unfolds something while the page is on its way.
	tell("knocked-1", "It stands again.")
	browsertest.Eval[bool](t, b, `(window.come = false, window.fetch = async (...a) => {
		const answer = await window.ask(...a), text = await answer.text();
		return { ok: true, redirected: false, text: async () => { document.querySelector("main details").open = true; setTimeout(() => { window.come = true; }); return text; } };
	}, true)`)
	comeBack()
	b.WaitFor(t, `window.come`)
	require.False(t, browsertest.Eval[bool](t, b, `document.querySelector("main").textContent.includes("It stands again.")`), "what was unfolded is not taken away")
	browsertest.Eval[bool](t, b, `(document.querySelector("main details").open = false, window.fetch = (...a) => { window.asked++; return window.ask(...a); }, true)`)
	browsertest.Eval[bool](t, b, `(document.querySelector("main a").focus(), true)`)
	require.Equal(t, 1.0, comeBack(), "whoever stands on a link is left alone")
	require.Empty(t, b.Said())
}

// withoutAScript looks at charts and writes an entry with scripts turned off.
func withoutAScript(t *testing.T, b *browsertest.Browser, base string, db *sqlite.Store) {
	off := func(v bool) {
		_, err := chromedp.Call(b.Ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: v})
		require.NoError(t, err)
	}
	off(true)
	defer off(false)
	b.Do(t, chromedp.EmulateViewport(390, 844), chromedp.Navigate(base+"/yards/heron-point/hives/h02?from=2027-05-08&to=2027-05-12"))
	b.WaitFor(t, `document.images.length > 2 && `+browsertest.PictureLoaded)
	require.True(t, browsertest.Eval[bool](t, b, `document.querySelector(".plot").tabIndex === -1`), "no script has run")
	b.Do(t, chromedp.Click(chromedp.CSS(`nav[aria-label="Move in time"] a`)))
	b.WaitFor(t, `location.search.includes("from=2027-05-03") && document.querySelector("#when") !== null`)
	b.Do(t, chromedp.Navigate(base+"/journal?yard=heron-point&hive=h03"))
	b.Do(t, chromedp.SendKeys(chromedp.CSS("[name=note]"), "No script."), chromedp.Click(chromedp.CSS(".write > button")))
	b.WaitFor(t, `(document.querySelector(".hint.good")?.textContent ?? "") === "Written down."`)
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h03"})
	require.NoError(t, err)
	require.Equal(t, "No script.", es[len(es)-1].Note)
	require.Empty(t, b.Said())
}

func keepTheDraft(t *testing.T, b *browsertest.Browser, base string) {
	b.Do(t, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(base+"/journal?yard=heron-point&hive=h02"))
	b.Do(t, chromedp.Click(chromedp.CSS(`.taps input[value="fed"]`)), chromedp.SendKeys(chromedp.CSS(`[name=note]`), "Two litres <thick>."))
	// It is promised to be kept where it is, and nowhere else.
	kept := func() bool {
		t.Helper()
		return !browsertest.Eval[bool](t, b, `document.querySelector("[data-kept]").hidden`)
	}
	require.True(t, kept())
	browsertest.Eval[bool](t, b, `(window.setItem = Storage.prototype.setItem, Storage.prototype.setItem = () => { throw new Error("full"); }, true)`)
	b.Do(t, chromedp.SendKeys(chromedp.CSS(`[name=note]`), "!"))
	require.False(t, kept(), "a private window keeps nothing")
	browsertest.Eval[bool](t, b, `(Storage.prototype.setItem = window.setItem, true)`)
	b.Do(t, chromedp.SendKeys(chromedp.CSS(`[name=note]`), kb.Backspace))
	require.True(t, kept())
	// The line drops, and the phone comes back to the page later.
	b.Do(t, chromedp.Navigate("about:blank"), chromedp.Navigate(base+"/journal"))
	b.WaitFor(t, `document.querySelector("[data-restored]") && !document.querySelector("[data-restored]").hidden`)
	require.Equal(t, "Two litres <thick>. fed heron-point/h02", browsertest.Eval[string](t, b,
		`[document.querySelector("[name=note]").value, document.querySelector("[name=kind]:checked").value, document.querySelector("[name=place]").value].join(" ")`))
	b.Do(t, chromedp.Click(chromedp.CSS("[data-restored] button")))
	b.WaitFor(t, `document.readyState === "complete" && document.querySelector("[data-restored]")?.hidden && document.querySelector("[name=note]").value === ""`)

	// What was written down is no draft any more.
	b.Do(t, chromedp.SendKeys(chromedp.CSS(`[name=note]`), "Seen."), chromedp.SetValue(chromedp.CSS(`[name=place]`), "heron-point/h02"), chromedp.Click(chromedp.CSS(".write > button")))
	b.WaitFor(t, `(document.querySelector(".hint.good")?.textContent ?? "") === "Written down."`)
	b.Do(t, chromedp.Navigate(base+"/journal"))
	require.True(t, browsertest.Eval[bool](t, b, `document.querySelector("[data-restored]").hidden && document.querySelector("[name=note]").value === ""`))
	require.Empty(t, b.Said())
}

func writeEntry(t *testing.T, b *browsertest.Browser, base string, db *sqlite.Store) {
	b.Do(t, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(base+"/journal?yard=heron-point&hive=h02"))
	targets := browsertest.Eval[float64](t, b, `Math.min(...[...document.querySelectorAll(".taps label, .write > button, .write select")].map((e) => e.getBoundingClientRect().height))`)
	require.GreaterOrEqual(t, targets, 56.0, "a glove needs room")
	b.Do(t, chromedp.Click(chromedp.CSS(`.taps input[value="box-on"]`)), chromedp.SetValue(chromedp.CSS(`[name=kg]`), "7.5"), chromedp.Click(chromedp.CSS(".write > button")))
	b.WaitFor(t, `(document.querySelector(".hint.good")?.textContent ?? "") === "Written down."`)
	es, _, err := db.Entries(t.Context(), Query{Yard: "heron-point", Hive: "h02"})
	require.NoError(t, err)
	require.Len(t, es, 1)
	require.Equal(t, "box-on 7.5", fmt.Sprint(es[0].Kind, " ", es[0].Kg))
	require.Empty(t, b.Said())
}
