package web

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestYardsStandSideBySideOnOneScale(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	_, body, _ := get("/yards")
	var scales []string
	for _, m := range regexp.MustCompile(`<img src="([^"]+)" alt="([^"]*)"`).FindAllStringSubmatch(body, -1) {
		u, err := url.Parse(html.UnescapeString(m[1]))
		require.NoError(t, err)
		require.Contains(t, m[2], "Gain of a typical hive at ", "said in words, too")
		scales = append(scales, u.Query().Get("lo")+" "+u.Query().Get("hi"))
		status, svg, _ := get(html.UnescapeString(m[1]))
		require.Equal(t, http.StatusOK, status)
		require.Contains(t, svg, `width="344"`)
	}
	require.Len(t, scales, 3)
	require.Equal(t, scales[0], scales[1])
	require.Equal(t, scales[0], scales[2])
	for _, odd := range []string{"lo=x&hi=1", "lo=-1e308&hi=1e308", "lo=NaN&hi=NaN", "lo=5&hi=1", "lo=&hi=", "lo=-2&hi=Inf"} {
		status, _, _ := get("/yards/heron-point/chart/gain.svg?" + odd)
		require.Equal(t, http.StatusOK, status, odd)
	}
}

func TestScaleOf(t *testing.T) {
	for query, want := range map[string]bool{"lo=-1&hi=4.5": true, "lo=0&hi=1": true, "": false, "lo=1&hi=2": false, "lo=-9999&hi=1": false, "lo=0&hi=0": false, "lo=NaN&hi=1": false} {
		q, err := url.ParseQuery(query)
		require.NoError(t, err)
		_, _, ok := scaleOf(q)
		require.Equal(t, want, ok, query)
	}
}
