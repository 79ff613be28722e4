package web

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// luminance is the relative luminance of sRGB, and contrast the ratio of two,
// by the definitions of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	if len(hex) == 4 {
		hex = fmt.Sprintf("#%c%c%c%c%c%c", hex[1], hex[1], hex[2], hex[2], hex[3], hex[3])
	}
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	require.NoError(t, err, hex)
	linear := func(c uint64) float64 {
		x := float64(c&0xff) / 255
		if x <= 0.04045 {
			return x / 12.92
		}
		return math.Pow((x+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(v>>16) + 0.7152*linear(v>>8) + 0.0722*linear(v)
}

func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func TestInksStandOutFromTheirPaper(t *testing.T) {
	require.InDelta(t, 21, contrast(t, "#000", "#ffffff"), 0.001, "black on white, by the definition")
	css, err := staticFiles.ReadFile("static/style.css")
	require.NoError(t, err)
	looks := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), -1)
	require.Len(t, looks, 3, "light, dark and print")
	read := func(s string, into map[string]string) {
		for _, m := range regexp.MustCompile(`--([a-z]+):\s*(#[0-9a-f]{3,6})`).FindAllStringSubmatch(s, -1) {
			into[m[1]] = m[2]
		}
	}
	light, dark, print := map[string]string{}, map[string]string{}, map[string]string{}
	read(looks[0][1], light)
	for name, c := range light {
		dark[name], print[name] = c, c
	}
	read(looks[1][1], dark)
	read(looks[2][1], print)
	pairs := []struct {
		ink, paper string
		least      float64 // 4.5 for text (1.4.3), 3 for what is drawn (1.4.11)
	}{
		{"ink", "paper", 4.5}, {"ink", "sheet", 4.5}, {"soft", "paper", 4.5}, {"soft", "sheet", 4.5}, {"link", "paper", 4.5}, {"link", "sheet", 4.5},
		{"now", "sheet", 4.5}, {"soon", "sheet", 4.5}, {"note", "sheet", 4.5}, {"on", "link", 4.5}, {"on", "now", 4.5}, {"on", "soon", 4.5},
		{"careink", "care", 4.5}, {"ink", "good", 4.5}, {"link", "good", 4.5}, {"loss", "sheet", 4.5}, {"gain", "sheet", 3}, {"edge", "sheet", 3}, {"edge", "paper", 3},
	}
	for name, look := range map[string]map[string]string{"light": light, "dark": dark, "print": print} {
		for _, p := range pairs {
			got := contrast(t, look[p.ink], look[p.paper])
			require.GreaterOrEqual(t, got, p.least, "%s: --%s %s on --%s %s", name, p.ink, look[p.ink], p.paper, look[p.paper])
		}
	}
}
