package web

import (
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/web/chart"
)

func TestMarksAreToldByTheirLetters(t *testing.T) {
	finding := func(k outyard.Kind, from, to int) outyard.Finding {
		f := outyard.Finding{Kind: k, Onset: local(from, 9, 0), State: outyard.Open}
		if to > 0 {
			f.End, f.State = local(to, 10, 0), outyard.Over
		}
		return f
	}
	gone := finding(outyard.Swarm, 2, 0)
	gone.State = outyard.Withdrawn
	many := []outyard.Finding{finding(outyard.Damp, 9, 0)}
	for d := range mostMarksSaid {
		many = append(many, finding(outyard.Handling, d+1, d+1))
	}
	for name, c := range map[string]struct {
		found   []outyard.Finding
		entries []outyard.Entry
		want    string
	}{
		"nothing":   {nil, nil, ""},
		"withdrawn": {[]outyard.Finding{gone}, nil, ""},
		"as they stand from left to right, those that lasted with their end": {[]outyard.Finding{finding(outyard.MouldRisk, 5, 0), finding(outyard.Damp, 3, 9), finding(outyard.Handling, 4, 4)}, nil,
			"Marked: D Going damp (3 May to 9 May), W Hive was worked on (4 May) and M Mould can grow (5 May)."},
		"many are told by their kinds": {many, nil, "Marked: W Hive was worked on (6 times) and D Going damp."},
		"the journal too":              {nil, []outyard.Entry{{Kind: outyard.Visit, Time: local(3, 9, 0)}}, "In the journal, J: Visit (3 May)."},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, c.want, marksSaid(c.found, c.entries, pacific)) })
	}
}

func TestWallsAreToldInWords(t *testing.T) {
	day := func(rh, inside float64) outyard.Day { return outyard.Day{WallRHPct: rh, BroodTempC: inside} }
	require.Empty(t, wallWords([]outyard.Day{day(math.NaN(), 20)}))
	cold := wallWords([]outyard.Day{day(78, 15), day(math.NaN(), 15), day(100, 12), day(72, 14)})
	require.Contains(t, cold, "78 % on the first day, 72 on the last, 100 at most; above 80 %, where mould can grow, on 1 of 3 days.")
	require.NotContains(t, cold, "brood")
	require.Contains(t, wallWords([]outyard.Day{day(90, 34)}), "Air from among brood hardly comes to the wall")
}

func TestClimateMarksHaveWords(t *testing.T) {
	db := seed(t)
	require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{{ID: "damp-x", Kind: outyard.Damp, Yard: "heron-point", Hive: "h01",
		Onset: local(4, 0, 0), ToldAt: local(9, 0, 0), Severity: outyard.Soon, Confidence: 0.9, State: outyard.Open, Summary: "Damp."}}}))
	_, get := visit(t, db, testOptions())
	_, body, _ := get("/yards/heron-point/hives/h01")
	for _, name := range []string{"Warmth", "Humidity", "Water vapour in the air", "Mould index on the wall"} {
		_, alt, found := strings.Cut(body, `alt="`+name+`. `)
		require.True(t, found, name)
		alt, _, _ = strings.Cut(alt, `"`)
		require.Contains(t, alt, "Marked: D Going damp (4 May).", name)
		require.Contains(t, alt, "In the journal, J: ", name)
	}
	require.Equal(t, 3, strings.Count(textOfPage(body), "Marked as under Warmth."), "the words are read once")
	_, svg, _ := get("/yards/heron-point/hives/h01/chart/humidity.svg")
	require.True(t, strings.Contains(svg, "on the wall, mould above"), "the limit is drawn though all stays below it")
}

func TestWhatWasNotHeardIsSaid(t *testing.T) {
	sends := map[outyard.HiveID][]outyard.Quantity{"scale": {outyard.Weight}, "dry": {outyard.Weight, outyard.InsideTemp},
		"cold": {outyard.Weight, outyard.InsideRH}, "full": {outyard.InsideTemp, outyard.InsideRH}}
	for name, c := range map[string]struct {
		hive    outyard.HiveID
		weather bool
		want    []string
	}{
		"a scale alone":                      {"scale", true, []string{"Nothing was heard of the air in this hive"}},
		"warmth alone":                       {"dry", true, []string{"Nothing was heard of the humidity in this hive"}},
		"humidity alone":                     {"cold", true, []string{"Nothing was heard of the warmth in this hive"}},
		"no weather":                         {"full", false, []string{"Nothing was heard of this yard’s weather"}},
		"neither all of the air nor weather": {"dry", false, []string{"humidity in this hive", "this yard’s weather"}},
		"all":                                {"full", true, nil},
	} {
		t.Run(name, func(t *testing.T) {
			db := emptyStore(t)
			var rs []outyard.Reading
			for at := testNow.Add(-24 * time.Hour); at.Before(testNow); at = at.Add(time.Hour) {
				r := outyard.NewReading("heron-point", "h01", at)
				for _, q := range sends[c.hive] {
					r.Values[q] = 30
				}
				rs = append(rs, r)
				if c.weather {
					w := outyard.NewReading("heron-point", "", at)
					w.Values[outyard.OutsideTemp], w.Values[outyard.OutsideRH] = 9, 80
					rs = append(rs, w)
				}
			}
			_, err := db.Keep(t.Context(), rs)
			require.NoError(t, err)
			_, get := visit(t, db, testOptions())
			status, body, _ := get("/yards/heron-point/hives/h01")
			require.Equal(t, http.StatusOK, status)
			require.Equal(t, len(c.want), strings.Count(body, "Nothing was heard of"), textOfPage(body))
			contains(t, textOfPage(body), c.want...)
		})
	}
}

func TestLoneWildReadingsDoNotFlattenTheWeights(t *testing.T) {
	weights := func(wild map[int]float64) []chart.Bucket {
		var out []chart.Bucket
		for i := range 40 {
			kg := 50 + 0.1*float64(i)
			if w, ok := wild[i]; ok {
				kg = w
			}
			out = append(out, chart.One(local(1, i/2, 30*(i%2)), kg))
		}
		return out
	}
	for name, c := range map[string]struct {
		wild   map[int]float64
		lo, hi float64 // 0: left to the data
	}{
		"a quiet stretch":                              {nil, 0, 0},
		"two wild readings":                            {map[int]float64{9: 1.9, 30: 110}, 50, 54},
		"boxes that stay off are shown":                {map[int]float64{20: 30, 21: 30, 22: 30}, 0, 0},
		"a hive that has just fallen is shown":         {map[int]float64{39: 3}, 0, 0},
		"a small swing that one bucket alone has seen": {map[int]float64{20: 54.5}, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			lo, hi := standing(weights(c.wild), nil, 2)
			if c.hi == 0 {
				require.True(t, math.IsNaN(lo) && math.IsNaN(hi), fmt.Sprint(lo, hi))
				return
			}
			require.InDelta(t, c.lo, lo, 0.4)
			require.InDelta(t, c.hi, hi, 0.4)
		})
	}
}
