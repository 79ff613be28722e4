package web

import (
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
)

// quarter adds three months of days to yards whose difference is known: the
// second gains so much more a day than the first, on days that swing alike.
func quarter(moreKg float64) []outyard.Day {
	var out []outyard.Day
	for i := range 90 {
		date := outyard.DateOf(testNow, pacific).Add(-1 - i)
		weather := math.Sin(float64(i)/5) + 0.3*math.Sin(float64(i)*2.7)
		for _, h := range []outyard.HiveID{"h01", "h02", "h03"} {
			for yard, kg := range map[outyard.YardID]float64{"alder-bank": 0.5, "heron-point": 0.5 + moreKg} {
				out = append(out, outyard.Day{Date: date, Yard: yard, Hive: h, GainKg: kg + weather + 0.05*math.Sin(float64(i*7)+float64(h[2])), Coverage: 1,
					HandledKg: outyard.Unknown, NightLossKg: outyard.Unknown, StoresKg: outyard.Unknown, MouldIndex: outyard.Unknown, WallRHPct: outyard.Unknown, BroodTempC: outyard.Unknown})
			}
		}
	}
	return out
}

func TestYardsAreComparedByTheirDays(t *testing.T) {
	db := emptyStore(t)
	r := firstReading()
	_, err := db.Keep(t.Context(), []outyard.Reading{r})
	require.NoError(t, err)
	page := func(path string) string {
		_, get := visit(t, db, testOptions())
		status, body, _ := get(path)
		require.Equal(t, http.StatusOK, status)
		return textOfPage(body)
	}
	require.NoError(t, db.Tell(t.Context(), store.News{Days: quarter(0.4)}))
	text := page("/yards?days=92")
	require.Regexp(t, `1\.\s+Heron Point`, text, "the better yard is first")
	require.Contains(t, text, "A hive at Heron Point gains 0.40 kg a day more than one at Alder Bank")
	require.Regexp(t, `3\.\s+Fern Hollow\s+0 days, no hives\s+–\s+–\s+–\s+–\s+too few days`, text, "what is not known is said")

	require.NoError(t, db.Tell(t.Context(), store.News{Days: quarter(0)}))
	text = page("/yards?days=92")
	require.Contains(t, text, "No difference between the yards is shown by these days.")
	require.Contains(t, text, "No difference is shown between Alder Bank and Heron Point")
	require.Equal(t, page("/yards"), page("/yards?days=%3Cscript%3E"), "a stretch that is none is the usual one")
}

func TestSeasonReport(t *testing.T) {
	db := seed(t)
	for _, e := range []outyard.Entry{
		{Time: local(12, 9, 0), Yard: "heron-point", Hive: "h01", Kind: outyard.HoneyTaken, Kg: -11.5, Note: "Maple."},
		{Time: local(12, 9, 30), Yard: "heron-point", Hive: "h02", Kind: outyard.HoneyTaken, Kg: 8},
		{Time: local(2, 9, 30), Yard: "heron-point", Hive: "h02", Kind: outyard.Fed, Kg: 3},
	} {
		_, err := db.AddEntry(t.Context(), e)
		require.NoError(t, err)
	}
	_, get := visit(t, db, testOptions())
	status, body, _ := get("/yards/heron-point/season")
	require.Equal(t, http.StatusOK, status)
	text := textOfPage(body)
	contains(t, text, "Heron Point, season 2027", "As far as Fri 14 May.", "A flow began on 5 May", "Swarm left , South wall. 2.4 kg left", "Maple.", "Drawn comb")
	require.Regexp(t, `Honey taken\s+19\.5 kg`, text, "taken is taken, with a minus or without")
	require.Regexp(t, `Swarms\s+1`, text)
	require.Regexp(t, `Blue lid\s+\+\d+\.\d\s+\+\d\.\d\s+8\.0\s+3\.0\s+0\s+`, text)
	require.NotContains(t, text, "Knocked over")
	best, last := strings.Index(text, "Nucleus"), strings.LastIndex(text, "By the gate")
	require.True(t, best > 0 && best < last, "the best hive is first")
	require.Less(t, len(body), 60<<10)

	_, body, _ = get("/yards/alder-bank/season")
	require.Regexp(t, `Honey taken\s+none written down`, textOfPage(body), "what nobody wrote is not zero")
	for path, want := range map[string]int{
		"/yards/heron-point/season?year=2026": 200, "/yards/heron-point/season?year=2000": 200, "/yards/heron-point/season?year=1999": 404,
		"/yards/heron-point/season?year=9999": 404, "/yards/heron-point/season?year=-1": 404, "/yards/heron-point/season?year=%3Cscript%3E": 404,
		"/yards/none/season": 404, "/yards/%3Cscript%3E/season": 404,
	} {
		status, body, _ := get(path)
		require.Equal(t, want, status, path)
		require.NotContains(t, body, "<script>")
	}
	_, body, _ = get("/yards/heron-point/season?year=2026")
	contains(t, textOfPage(body), "Nothing is known of this yard in that year.", "The year after")
}

func TestAHiveWithoutDaysHasNoGain(t *testing.T) {
	p := place{Yard: testYards()[2]}
	days := []outyard.Day{{Date: outyard.Date{Year: 2027, Month: time.May, Day: 1}, Hive: "h01", GainKg: -1.26, StoresKg: outyard.Unknown, MouldIndex: outyard.Unknown}}
	rows := reportHives(p, days, nil, nil)
	require.Equal(t, []string{"One −1.3 −1.3 1", "Two – – 0"}, []string{
		rows[0].Name + " " + rows[0].Gain + " " + rows[0].Best + " " + rows[0].Known, rows[1].Name + " " + rows[1].Gain + " " + rows[1].Best + " " + rows[1].Known})
}
