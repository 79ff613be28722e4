package web

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestSettingsSayWhereTheyComeFrom(t *testing.T) {
	o := testOptions()
	o.Settings = func() []Setting {
		return []Setting{
			{"listen", "127.0.0.1:8377", "default"},
			{"data", "/var/lib/outyard", "--data"},
			{"mqtt.topic_prefix", "", "default"},
			{"store.influx.token", "<secret>", "OUTYARD_STORE_INFLUX_TOKEN"},
			{"yards[0]", "heron-point: <b>Heron</b> Point", "bees.yaml:12"},
			{"something.new", "yes", "bees.yaml:40"},
		}
	}
	_, get := visit(t, seed(t), o)
	status, body, _ := get("/settings")
	require.Equal(t, http.StatusOK, status)
	text := strings.Join(strings.Fields(textOfPage(body)), " ")
	contains(t, text, "listen where the pages, the API and the metrics are served 127.0.0.1:8377 the default", "/var/lib/outyard the command line, --data",
		"not set the default", "<secret> the environment, OUTYARD_STORE_INFLUX_TOKEN", "heron-point: <b>Heron</b> Point line 12 of bees.yaml", "something.new yes")
	_, today, _ := get("/")
	require.Contains(t, today, `href="/settings"`)

	o.Settings = nil
	_, get = visit(t, seed(t), o)
	_, body, _ = get("/settings")
	require.Contains(t, body, "the defaults are in force")
}

func TestManySettingsComeInPages(t *testing.T) {
	o := testOptions()
	o.Settings = func() (all []Setting) {
		for i := range 10_000 {
			all = append(all, Setting{fmt.Sprintf("yards[%d]", i), strings.Repeat("x", 60), "bees.yaml:1"})
		}
		return all
	}
	_, get := visit(t, seed(t), o)
	_, body, _ := get("/settings")
	require.Less(t, len(body), mostPageBytes)
	contains(t, body, `href="/settings?after=200"`, "yards[199]")
	_, body, _ = get("/settings?after=9800")
	contains(t, body, "yards[9999]", `href="/settings">To the first`)
	require.NotContains(t, body, ">More<")
	for _, odd := range []string{"-1", "99999", "x", "1e3"} {
		_, body, _ := get("/settings?after=" + odd)
		require.Contains(t, body, "yards[0]", odd)
	}
}
