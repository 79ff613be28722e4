package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/store"
	"outyard/store/sqlite"
)

// crowd is a store with yards of so many hives each, every one of which wants
// something, and the yards of its config.
func crowd(t *testing.T, yards, hives int) (*sqlite.Store, Options) {
	t.Helper()
	db, err := sqlite.Open(t.Context(), t.TempDir())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	var ys []outyard.Yard
	var rs []outyard.Reading
	var news store.News
	at := testNow.UTC()
	today := outyard.DateOf(at, pacific)
	for i := range yards {
		y := outyard.Yard{ID: outyard.YardID(fmt.Sprintf("yard-%04d", i)), Name: fmt.Sprintf("The long meadow no. %d", i), Latitude: 48, Longitude: -123, Zone: pacific, TripMinutes: 30}
		for j := range hives {
			h := outyard.HiveID(fmt.Sprintf("h%05d", j))
			y.Hives = append(y.Hives, outyard.Hive{ID: h, Name: fmt.Sprintf("By the old gate %d", j)})
			r := outyard.NewReading(y.ID, h, at)
			r.Values[outyard.Weight] = 40
			rs = append(rs, r)
			kind := outyard.StoresLow
			if j%5 == 4 {
				kind = outyard.Damp
			}
			news.Findings = append(news.Findings, outyard.Finding{ID: fmt.Sprintf("low-%04d-%05d", i, j), Kind: kind, Yard: y.ID, Hive: h, Onset: local(12, 0, 0), ToldAt: local(12, 0, 0),
				Severity: outyard.Soon, Confidence: 0.8, State: outyard.Open, Summary: "Stores last nine days.", Advice: []string{"Feed.", fmt.Sprintf("Give hive %d two litres.", j)}, Facts: map[string]any{"days_left": 9.0}})
			if j < 20 {
				news.Days = append(news.Days, outyard.Day{Date: today.Add(-1), Yard: y.ID, Hive: h, GainKg: 0.5, HandledKg: 0, NightLossKg: 0.2, StoresKg: 9, MouldIndex: 0, WallRHPct: 70, BroodTempC: 35, Coverage: 1})
			}
		}
		ys = append(ys, y)
	}
	_, err = db.Keep(t.Context(), rs)
	require.NoError(t, err)
	require.NoError(t, db.Tell(t.Context(), news))
	o := whole(testOptions())
	o.Yards = func() []outyard.Yard { return ys }
	return db, o
}

// TestTenThousandHives holds pages to their weight, whether the hives stand in
// one yard or in thousands.
func TestTenThousandHives(t *testing.T) {
	for _, shape := range []struct{ yards, hives int }{{1, 10_000}, {2000, 5}} {
		t.Run(fmt.Sprintf("%d yards of %d", shape.yards, shape.hives), func(t *testing.T) {
			db, o := crowd(t, shape.yards, shape.hives)
			_, get := visit(t, db, o)
			for _, path := range []string{
				"/", "/yards", "/yards?days=365", "/yards/yard-0000", "/yards/yard-0000/hives/h00003", "/yards/yard-0000/season", "/findings", "/findings?yard=yard-0000",
				"/alerts", "/journal", "/journal?yard=yard-0000&hive=h00004", "/nodes", "/refused", "/settings", "/findings/low-0000-00001/answer",
			} {
				status, body, _ := get(path)
				require.Equal(t, http.StatusOK, status, path)
				if len(body) > mostPageBytes-36<<10 {
					t.Errorf("%s is %d KiB", path, len(body)>>10)
				}
			}
			// Every hive and every yard is a tap or two away.
			_, body, _ := get("/journal?yard=yard-0000&hive=h00004")
			require.Contains(t, body, `value="yard-0000/h00004" selected`, "the hive whose page led here can be written about")
		})
	}
}

func TestEveryHiveOfALargeYardIsReached(t *testing.T) {
	db, o := crowd(t, 1, 700)
	_, get := visit(t, db, o)
	seen := 0
	for after := 0; ; after += hivesPerPage {
		_, body, _ := get("/yards/yard-0000?" + url.Values{"after": {fmt.Sprint(after)}}.Encode())
		for i := range 700 {
			if strings.Contains(body, fmt.Sprintf(`<th scope="row"><a href="/yards/yard-0000/hives/h%05d">`, i)) {
				seen++
			}
		}
		if after+hivesPerPage >= 700 {
			require.NotContains(t, body, ">More<")
			break
		}
		require.Contains(t, body, ">More<")
	}
	require.Equal(t, 700, seen)
}
