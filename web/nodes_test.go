package web

import (
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

func TestNodesSayWhoIsSilent(t *testing.T) {
	db := seed(t)
	r := outyard.NewReading("heron-point", "h04", testNow.Add(-5*time.Minute))
	r.Values[outyard.Signal] = -97
	_, err := db.Keep(t.Context(), []outyard.Reading{r})
	require.NoError(t, err)
	f := asks(outyard.Silent, "h02", outyard.Soon, "hours", 57)
	f.Yard = "fern-hollow"
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{f}}))
	o := testOptions()
	o.Yards = func() []outyard.Yard {
		ys := testYards()
		ys[2].Hives = append(ys[2].Hives, outyard.Hive{ID: "h09", Name: "Still in the shed"})
		return ys
	}
	o.ClockOff = func(yard outyard.YardID, hive outyard.HiveID) time.Duration {
		if yard == "heron-point" && hive == "h01" {
			return -7*time.Hour - 4*time.Minute
		}
		return 0
	}
	_, get := visit(t, db, o)
	status, body, _ := get("/nodes")
	require.Equal(t, http.StatusOK, status)
	text := textOfPage(body)
	require.Regexp(t, `By the gate\s+h01\s+Its clock is 7 h 4 min behind: set it, to UTC, or have the node send no times\.\s+10 min\s+10 min\s+3\.90 V\s+–`, text)
	require.Regexp(t, `One\s+h01\s+10 min\s+10 min\s+3\.90 V\s+–`, text, "another yard's h01")
	require.Equal(t, 1, strings.Count(text, "Its clock is"))
	require.Regexp(t, `Nucleus\s+h04\s+5 min\s+10 min\s+3\.75 V\s+−97 dBm`, text, "the battery of the reading before, the signal of this one")
	require.Regexp(t, `Two\s+h02\s+Not heard from\s+silent since Wed 12 May, 07:00\s+2 d`, text)
	require.Regexp(t, `Still in the shed\s+h09\s+never\s+–\s+–`, text)
	contains(t, text, "Weather", "11 of 13 heard from in the last three hours")
}

var (
	rowsOf = regexp.MustCompile(`<tr><th scope="row">`)
	moreOf = regexp.MustCompile(`<a href="([^"]+)">More</a>`)
)

func TestManyNodesComeByPages(t *testing.T) {
	db := seed(t)
	var rs []outyard.Reading
	for i := range 300 {
		r := outyard.NewReading("big", outyard.HiveID(fmt.Sprintf("n%03d", i)), testNow.Add(-time.Minute))
		r.Values[outyard.Weight] = 30
		rs = append(rs, r)
	}
	_, err := db.Keep(t.Context(), rs)
	require.NoError(t, err)
	_, get := visit(t, db, testOptions())
	seen := 0
	for path := "/nodes"; path != ""; {
		status, body, _ := get(path)
		require.Equal(t, http.StatusOK, status)
		require.Less(t, len(body), 110<<10, path)
		seen += len(rowsOf.FindAllString(body, -1))
		path = ""
		if m := moreOf.FindStringSubmatch(body); m != nil {
			path = m[1]
		}
	}
	require.Equal(t, 300+9+3, seen)
	for _, path := range []string{"/nodes?after=-1", "/nodes?after=99999999999999999999", "/nodes?after=%3Cscript%3E"} {
		status, body, _ := get(path)
		require.Equal(t, http.StatusOK, status)
		require.NotContains(t, body, "<script>")
	}
}

func TestClockText(t *testing.T) {
	for ahead, want := range map[time.Duration]string{
		7 * time.Minute: "Its clock is 7 min ahead: set it",
		-8 * time.Hour:  "Its clock is 8 h behind: set it",
		-time.Hour - 59*time.Minute - 40*time.Second: "Its clock is 2 h behind: set it",
		-75 * time.Minute:     "Its clock is 1 h 15 min behind: set it",
		-time.Hour * 24 * 400: "Its clock is 400 days behind: set it",
	} {
		require.Contains(t, clockText(ahead), want)
	}
	require.Empty(t, clockText(0))
}

func TestUsualGap(t *testing.T) {
	at := func(minutes ...int) (out []time.Time) {
		for _, m := range minutes {
			out = append(out, testNow.Add(time.Duration(m)*time.Minute))
		}
		return out
	}
	require.Equal(t, 10*time.Minute, usualGap(at(0, 10, 20, 80, 90)), "one gap does not speak for the node")
	require.Zero(t, usualGap(at(0, 10)), "two readings are too few")
	require.Equal(t, "10 min", gapText(10*time.Minute))
	require.Equal(t, "60 s", gapText(time.Minute))
	require.Equal(t, "2 h", gapText(2*time.Hour))
}
