// Package browsertest opens the pages in a real Chromium, for tests: those of
// the pages alone, and those of the whole daemon.
package browsertest

import (
	"context"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

const (
	// life is how long a browser lives at most where the tests have no time limit
	// of their own; else it ends so long before that, to be ended in order.
	life, before = time.Hour, 10 * time.Second
	// patience is how long a test waits for what must come, many times what it
	// takes; often is how often it looks.
	patience = 3 * time.Minute
	often    = 30 * time.Millisecond
)

// PictureLoaded is true once every chart of a page is there.
const PictureLoaded = `document.readyState === "complete" && [...document.images].every((i) => i.complete && i.naturalWidth > 0)`

// chromium is where the browser is; CHROMIUM may name another place.
func chromium(t *testing.T) string {
	t.Helper()
	path := "/usr/bin/chromium"
	if p := os.Getenv("CHROMIUM"); p != "" {
		path = p
	}
	if _, err := os.Stat(path); err != nil {
		t.Fatalf("the pages are tested in a real browser: install chromium, or name it in CHROMIUM (%v)", err)
	}
	return path
}

// A Browser is a tab with what it complained of.
type Browser struct {
	Ctx        context.Context // for what this package has no word for
	mu         sync.Mutex
	complaints []string
}

// Open starts a browser that ends with the test.
func Open(t *testing.T) *Browser {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), life)
	t.Cleanup(cancel)
	if end, limited := t.Deadline(); limited {
		ctx, cancel = context.WithDeadline(ctx, end.Add(-before))
		t.Cleanup(cancel)
	}
	// The page stands still: it scrolls smoothly to an anchor otherwise, and a
	// click goes to where the button was.
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium(t)), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("force-prefers-reduced-motion", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel = chromedp.NewExecAllocator(ctx, opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	b := &Browser{Ctx: ctx}
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate("about:blank")))
	messages := chromedp.Console(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for m, err := range messages {
			if err != nil {
				return
			}
			b.mu.Lock()
			b.complaints = append(b.complaints, string(m.Type)+": "+m.Text)
			b.mu.Unlock()
		}
	}()
	t.Cleanup(func() {
		_ = chromedp.Cancel(ctx)
		cancel()
		<-done
	})
	return b
}

// Said is what the browser complained of so far, a line each.
func (b *Browser) Said() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.Join(b.complaints, "\n")
}

// Do takes steps, one after the other.
func (b *Browser) Do(t *testing.T, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	require.NoError(t, chromedp.Do(b.Ctx, steps...), b.Said())
}

// Eval is the value of an expression in the page.
func Eval[T any](t *testing.T, b *Browser, js string) T {
	t.Helper()
	v, err := chromedp.Run(b.Ctx, chromedp.Evaluate[T](js))
	require.NoError(t, err, js)
	return v
}

// WaitForAnswer polls until the page gets an answer from path of which js, with
// text as its words, is true. A line that fails is no answer: it asks again.
func (b *Browser) WaitForAnswer(t *testing.T, path, js string) (text string) {
	t.Helper()
	b.WaitFor(t, `(() => {
		if (!window.looking) {
			window.looking = true;
			fetch(`+strconv.Quote(path)+`).then((a) => a.text()).then((t) => { window.heard = t; }, () => {}).finally(() => { window.looking = false; });
		}
		const text = window.heard ?? "";
		return Boolean(`+js+`);
	})()`)
	text = Eval[string](t, b, `window.heard`)
	Eval[bool](t, b, `(delete window.heard, true)`)
	return text
}

// WaitFor polls until js is true. A page that is just being left cannot be
// asked; that is no failure while another is to come.
func (b *Browser) WaitFor(t *testing.T, js string) {
	t.Helper()
	if !b.comes(js) {
		where, _ := chromedp.Run(b.Ctx, chromedp.Evaluate[string](`location.href + "\n" + document.body.innerText`))
		require.Fail(t, "never came true: "+js, "%s\n%s", where, b.Said())
	}
}

func (b *Browser) comes(js string) bool {
	deadline := time.After(patience)
	look := time.NewTicker(often)
	defer look.Stop()
	for {
		if v, err := chromedp.Run(b.Ctx, chromedp.Evaluate[bool](js)); err == nil && v {
			return true
		}
		select {
		case <-look.C:
		case <-deadline:
			return false
		}
	}
}

// Look has the pages think of the reader's screen as light or dark.
func (b *Browser) Look(t *testing.T, look string) {
	t.Helper()
	_, err := chromedp.Call(b.Ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: look}}})
	require.NoError(t, err)
}

// Offline cuts the line, or mends it.
func (b *Browser) Offline(t *testing.T, cut bool) {
	t.Helper()
	_, err := chromedp.Call(b.Ctx, network.Enable, network.EnableParams{})
	require.NoError(t, err)
	_, err = chromedp.Call(b.Ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
		MatchedNetworkConditions: []*network.Conditions{{Offline: cut, DownloadThroughput: -1, UploadThroughput: -1}}})
	require.NoError(t, err)
	_, err = chromedp.Call(b.Ctx, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: cut, DownloadThroughput: -1, UploadThroughput: -1})
	require.NoError(t, err)
}
