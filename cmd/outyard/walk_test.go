package main

import (
	"bufio"
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"outyard/web/browsertest"
)

// startDemo starts "outyard demo" in dir, with less of a past and ten times as
// quick as usual, and returns the address of its pages.
func startDemo(t *testing.T, dir string) string {
	t.Helper()
	demo := exec.Command("outyard", "demo", "--listen", "127.0.0.1:0", "--data", "bees", "--days", "40", "--quicken", "2400")
	demo.Dir, demo.Env = dir, plainEnv()
	log, err := os.Create(filepath.Join(dir, "log"))
	require.NoError(t, err)
	defer log.Close()
	demo.Stderr = log
	says, err := demo.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, demo.Start())
	opened, ended := make(chan string, 1), make(chan struct{})
	go func() {
		defer close(ended)
		for lines := bufio.NewScanner(says); lines.Scan(); {
			if at := regexp.MustCompile(`http://[0-9.:]+`).FindString(lines.Text()); at != "" {
				opened <- at
			}
		}
		_ = demo.Wait() // it was stopped
	}()
	t.Cleanup(func() {
		_ = demo.Process.Signal(syscall.SIGTERM)
		<-ended
		if t.Failed() {
			said, _ := os.ReadFile(filepath.Join(dir, "log"))
			t.Logf("log of the demo:\n%s", said)
		}
	})
	select {
	case at := <-opened:
		return at
	case <-ended:
		t.Fatal("the demo ended before it opened its pages")
	}
	return ""
}

// TestFromASwarmToTheJournal is an evening with the demonstration, in a real
// browser, by an account of its own: nothing of what is found was written by
// the test, and what is found otherwise afterwards the daemon has worked out.
func TestFromASwarmToTheJournal(t *testing.T) {
	dir := t.TempDir()
	base := startDemo(t, dir)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "password"), []byte("a hat, a veil, a smoker\n"), 0o600))
	code, _, stderr := outyardIn(t, dir, []string{"OUTYARD_DATA=bees"}, "keeper", "add", "maya", "--password-file", "password")
	require.Zero(t, code, stderr)

	b := browsertest.Open(t)
	click := func(css string) { t.Helper(); b.Do(t, chromedp.Click(chromedp.CSS(css))) }
	text := func(css string) string {
		t.Helper()
		return browsertest.Eval[string](t, b, `document.querySelector("`+css+`").textContent`)
	}
	at := func(path string) {
		t.Helper()
		b.WaitFor(t, `location.pathname === "`+path+`" && `+browsertest.PictureLoaded)
	}

	// Sign in, and find the swarm on Today.
	b.Do(t, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(base+"/"))
	at("/sign-in")
	b.Do(t, chromedp.SendKeys(chromedp.CSS("[name=name]"), "maya"), chromedp.SendKeys(chromedp.CSS("[name=password]"), "a hat, a veil, a smoker"))
	click(".write button")
	at("/")
	require.Contains(t, text("header"), "Signed in as maya")
	// The daemon hears of it in the third hour of the demonstration.
	b.WaitForAnswer(t, "/", `text.includes(">Swarm left<")`)
	b.Do(t, chromedp.Navigate(base+"/"))
	const swarm = `article:has(.mark.now path):has(.say)`
	require.Contains(t, text(swarm+" h3"), "Swarm left")
	require.Contains(t, text(swarm+" h3"), "Under the maple") // the first yard's h03: simulator.DemoOptions
	require.Regexp(t, `^[12]\.\d kg left the hive`, text(swarm+" .say"))

	// Open the hive, and zoom its chart: by hand, and by keyboard.
	click(swarm + " h3 a")
	at("/yards/heron-point/hives/h03")
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector("img").alt`), "Swarm left")
	finding := browsertest.Eval[string](t, b, `location.hash.slice(1)`)
	require.True(t, strings.HasPrefix(finding, "swarm-heron-point_h03-"), finding)

	b.Do(t, chromedp.EmulateViewport(1280, 1400), chromedp.Navigate(base+"/yards/heron-point/hives/h03"))
	at("/yards/heron-point/hives/h03")
	box := browsertest.Eval[[]float64](t, b, `(() => { const r = document.querySelector(".plot img").getBoundingClientRect(); return [r.left, r.top, r.width]; })()`)
	x := func(share float64) float64 { return box[0] + 46 + share*(box[2]-60) }
	y := box[1] + 150
	b.Do(t, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x(0.7), y),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, x(0.7), y, chromedp.ButtonLeft),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x(0.8), y),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, x(0.99), y),
		chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, x(0.99), y, chromedp.ButtonLeft))
	b.WaitFor(t, `location.search.includes("from=") && location.search.includes("to=") && `+browsertest.PictureLoaded)
	zoomed := spanOf(t, b)
	require.Contains(t, zoomed.Get("from"), "-06-0", "the last days are shown")
	require.Contains(t, browsertest.Eval[string](t, b, `document.querySelector("img").alt`), "Swarm left")
	browsertest.Eval[bool](t, b, `document.querySelector(".plot").focus(), true`)
	shift := chromedp.KeyModifiers(chromedp.ModifierShift)
	b.Do(t, chromedp.KeyEvent(kb.End))
	for range 60 { // hundredths of what is shown
		b.Do(t, chromedp.KeyEvent(kb.ArrowLeft, shift))
	}
	b.WaitFor(t, `document.querySelector(".plot .said").textContent.includes("kg")`)
	b.Do(t, chromedp.KeyEvent(kb.Enter))
	b.WaitFor(t, `location.search.includes("from=") && !location.search.includes("from=`+url.QueryEscape(zoomed.Get("from"))+`") && `+browsertest.PictureLoaded)
	require.Greater(t, spanOf(t, b).Get("from"), zoomed.Get("from"))

	// It was the keeper: a split. The daemon evaluates the yard again.
	click(`article[id="` + finding + `"] .acts a`)
	at("/findings/" + finding + "/answer")
	click(`.answer input[value="split"]`)
	click(".write.answer > button")
	b.WaitFor(t, `document.body.textContent.includes("Written down. The yard is being evaluated again with it.")`)
	b.WaitFor(t, `document.body.textContent.includes("This was withdrawn")`)
	b.Do(t, chromedp.Navigate(base+"/yards/heron-point/hives/h03"))
	at("/yards/heron-point/hives/h03")
	alt := browsertest.Eval[string](t, b, `document.querySelector("img").alt`)
	require.NotContains(t, alt, "Swarm left", "the chart follows")
	require.Contains(t, alt, "Hive was worked on (5 Jun)")
	require.Contains(t, alt, "In the journal, J: Split (5 Jun).")
	require.Contains(t, text(".entries"), "Split")
	require.Contains(t, text(".entries"), "by maya")
	b.Do(t, chromedp.Navigate(base+"/"))
	at("/")
	require.NotContains(t, text("main"), "Swarm left")

	// The daily table has the split out of the colony's own gain, once that day
	// is over: simulator.DemoOptions lets 2.3 kg go in a flow of 2.6 kg a day, so
	// that the day as weighed was a loss, and without the split is a gain.
	const counted = `text.startsWith("{") && JSON.parse(text).items.length > 0`
	table := b.WaitForAnswer(t, "/api/v1/daily?yard=heron-point&hive=h03&from="+dayOf(finding)+"&to="+dayOf(finding), counted)
	var days struct {
		Items []struct {
			GainKg    float64 `json:"gain_kg"`
			HandledKg float64 `json:"handled_kg"`
		} `json:"items"`
	}
	require.NoError(t, json.Unmarshal([]byte(table), &days))
	day := days.Items[0]
	require.InDelta(t, -2.1, day.HandledKg, 0.5)
	require.Greater(t, day.GainKg, 0.5)
	require.Less(t, day.GainKg+day.HandledKg, 0.0)

	// At the hive, on a phone, a word is written, and the line drops.
	b.Do(t, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulateTouch), chromedp.Navigate(base+"/journal?yard=heron-point&hive=h03"))
	at("/journal")
	b.Do(t, chromedp.SendKeys(chromedp.CSS("[name=note]"), "Queen <marked>, "))
	b.Offline(t, true)
	b.Do(t, chromedp.SendKeys(chromedp.CSS("[name=note]"), "five frames of brood."))
	click(".write > button")
	b.WaitFor(t, `!document.querySelector("[data-waits]").hidden`)
	require.Equal(t, "Queen <marked>, five frames of brood.", browsertest.Eval[string](t, b, `document.querySelector("[name=note]").value`))
	require.NotContains(t, text(".entries"), "five frames", "it cannot be there yet")
	b.Offline(t, false)
	b.WaitFor(t, `(document.querySelector(".hint.good")?.textContent ?? "") === "Written down."`)
	require.Contains(t, text(".entries li"), "Queen <marked>, five frames of brood.")
	require.Equal(t, 1, strings.Count(text(".entries"), "five frames"), "once")

	for line := range strings.SplitSeq(b.Said(), "\n") {
		if line != "" {
			require.Contains(t, line, "ERR_INTERNET_DISCONNECTED", "the browser complains of the line alone")
		}
	}
	// Nobody else is let in.
	answer, err := http.Get(base + "/api/v1/journal")
	require.NoError(t, err)
	answer.Body.Close()
	require.Equal(t, http.StatusUnauthorized, answer.StatusCode)
}

// spanOf is what the address says of the time that is shown.
func spanOf(t *testing.T, b *browsertest.Browser) url.Values {
	t.Helper()
	u, err := url.Parse(browsertest.Eval[string](t, b, `location.href`))
	require.NoError(t, err)
	return u.Query()
}

// dayOf is the date in a finding's id, which is that of the yard too: it is
// the middle of the day there.
func dayOf(finding string) string {
	d := regexp.MustCompile(`-(\d{4})(\d\d)(\d\d)T`).FindStringSubmatch(finding)
	return d[1] + "-" + d[2] + "-" + d[3]
}
