package web

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/web/chart"
)

func TestVapourIsOfWhatWasReadTogether(t *testing.T) {
	at := func(m int) time.Time { return testNow.Add(time.Duration(m) * time.Minute).UTC() }
	bucket := func(m0 int, first float64, m1 int, last float64) chart.Bucket {
		return chart.Bucket{From: at(m0), FirstAt: at(m0), First: first, LastAt: at(m1), Last: last, MinAt: at(m0), Min: first, MaxAt: at(m1), Max: last}
	}
	got := vapourOf(
		[]chart.Bucket{bucket(0, 20, 10, 30), bucket(20, 34, 25, 34)},
		[]chart.Bucket{bucket(0, 50, 10, 100), bucket(20, 60, 30, 60)})
	require.Len(t, got, 3, "what was not read at one instant gives no vapour")
	// Saturation at 20 °C is 2338.8 Pa, at 30 °C 4246.0 Pa (ASHRAE 2017 ch. 1, eq. 6).
	require.InEpsilon(t, 0.5*2338.8, got[0].First, 0.005)
	require.InEpsilon(t, 4246.0, got[1].First, 0.005)
	require.True(t, got[0].FirstAt.Before(got[1].FirstAt) && got[1].FirstAt.Before(got[2].FirstAt), "in order of time")
	require.Empty(t, vapourOf([]chart.Bucket{bucket(0, math.NaN(), 0, math.NaN())}, []chart.Bucket{bucket(0, 50, 0, 50)}))
}

func TestVapourInsideAndOutside(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	_, body, _ := get("/yards/heron-point/hives/h01")
	text := textOfPage(body)
	contains(t, text, "Water vapour in the air", "the bees’ breath")
	require.Regexp(t, `Inside: [23]\d{3} Pa at first, [23]\d{3} at last. Outside: \d{3,4} Pa at first`, text)
	status, svg, _ := get("/yards/heron-point/hives/h01/chart/vapour.svg?w=700")
	require.Equal(t, http.StatusOK, status)
	contains(t, svg, "inside", "outside", ">Pa<")

	series := func(query string) (int, []bucketJSON, string) {
		status, body, _ := get("/api/v1/series?yard=heron-point&from=2027-05-12&to=2027-05-12&" + query)
		var list items[bucketJSON]
		if status == http.StatusOK {
			require.NoError(t, json.Unmarshal([]byte(body), &list))
		}
		return status, list.Items, body
	}
	_, inside, _ := series("hive=h01&quantity=inside-vapour&pixels=1000")
	require.Len(t, inside, 144, "a day of ten-minute readings")
	for _, b := range inside {
		require.True(t, b.First > 2500 && b.First < 4000 && outyard.Known(b.First), "%v Pa", b.First)
	}
	_, outside, _ := series("quantity=outside-vapour")
	require.NotEmpty(t, outside)
	require.Less(t, outside[0].First, 2000.0)
	status, _, body = series("quantity=inside-vapour")
	require.Equal(t, http.StatusBadRequest, status)
	require.Contains(t, body, "hive is missing")
}

// What was found in the air stands on the climate's charts, what was found on
// the scale does not.
func TestClimateChartsBearWhatWasFoundInTheAir(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	for _, c := range []struct {
		path, letter string
		there        bool
	}{
		{"alder-bank/hives/h02/chart/temperature.svg", "D", true},
		{"alder-bank/hives/h02/chart/humidity.svg", "D", true},
		{"alder-bank/hives/h02/chart/vapour.svg", "D", true},
		{"alder-bank/hives/h02/chart/mould.svg", "D", true},
		{"heron-point/hives/h03/chart/temperature.svg", "S", false},
		{"heron-point/hives/h03/chart/weight.svg", "S", true},
	} {
		status, svg, _ := get("/yards/" + c.path + "?w=700&from=2027-05-01&to=2027-05-14")
		require.Equal(t, http.StatusOK, status, c.path)
		require.Equal(t, c.there, strings.Contains(svg, ">"+c.letter+"</text>"), "%s: %s", c.path, c.letter)
	}
}

// What the wall came to on the last day, and when mould would begin.
func TestTheWallAndTheForecastOfMouldAreSaid(t *testing.T) {
	_, get := visit(t, seed(t), testOptions())
	_, body, _ := get("/yards/heron-point/hives/h01")
	contains(t, textOfPage(body), "the wall stood at 80 % or more, where mould may grow, for 5 of 24 hours, and took dew for 0; on the mean it was 2.4 °C warmer than the air’s dew point.")
	_, body, _ = get("/yards/heron-point/hives/h02")
	contains(t, textOfPage(body), "for 9 of 24 hours, and took dew for 1; on the mean it was 0.6 °C colder than the air’s dew point.")
	_, body, _ = get("/api/v1/daily?yard=heron-point&hive=h02&limit=1")
	contains(t, body, `"wall_wet_hours":9`, `"dew_hours":1`, `"dew_margin_k":-0.6`, `"days_to_mould":`, `"days_to_visible":`)

	day := outyard.Date{Year: 2027, Month: time.May, Day: 1}
	for _, c := range []struct {
		some, visible float64
		says          string
	}{
		{10, 40, "comes to 1 on about Tue 11 May, and to 3 on about Thu 10 Jun."},
		{10, outyard.Unknown, "comes to 1 on about Tue 11 May, and not to 3 within a year."},
		{0, 9, "comes to 3 on about Mon 10 May."},
		{0, outyard.Unknown, "does not come to 3 within a year."},
		{outyard.Unknown, outyard.Unknown, "does not come to 1 within a year."},
		{0, 0, ""},
	} {
		got := forecastText(outyard.Day{Date: day, DaysToMould: c.some, DaysToVisible: c.visible}, testNow, time.UTC)
		if c.says == "" {
			require.Empty(t, got)
			continue
		}
		require.Equal(t, "If the last week’s course goes on it "+c.says, got)
	}
}
