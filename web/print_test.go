package web

import (
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"outyard/web/browsertest"
)

// TestTheSeasonPrints has the browser print the season's report on both papers
// of the world: nothing is cut off at the side, and nothing is left that only a
// screen can use.
func TestTheSeasonPrints(t *testing.T) {
	srv, _ := visit(t, seed(t), testOptions())
	b := browsertest.Open(t)
	for _, paper := range []struct {
		name              string
		widthIn, heightIn float64
	}{{"A4", 8.27, 11.69}, {"Letter", 8.5, 11}} {
		_, err := chromedp.Call(b.Ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		require.NoError(t, err)
		// The sheet less the margins of the style, at 96 pixels an inch.
		width := int64((paper.widthIn - 2*14/25.4) * 96)
		b.Do(t, chromedp.EmulateViewport(width, 900), chromedp.Navigate(srv.URL+"/yards/heron-point/season"))
		b.WaitFor(t, browsertest.PictureLoaded)
		require.Zero(t, browsertest.Eval[float64](t, b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`), "%s: nothing is cut off", paper.name)
		require.Empty(t, browsertest.Eval[string](t, b, `[...document.querySelectorAll("nav, form, button, summary, .skip")].filter((e) => e.getClientRects().length).map((e) => e.outerHTML).join("\n")`), paper.name)
		require.Equal(t, "rgb(255, 255, 255)", browsertest.Eval[string](t, b, `getComputedStyle(document.body).backgroundColor`), "no ink goes into paper")
		pdf, err := chromedp.Call(b.Ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: paper.widthIn, PaperHeight: paper.heightIn})
		require.NoError(t, err, paper.name)
		require.Greater(t, len(pdf.Data), 5000, paper.name)
	}
	require.Empty(t, b.Said())
}
