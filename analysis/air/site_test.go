package air

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// stood is the weather at a place through so many days: an April with nights of
// 4 °C and afternoons of 16.
func stood(days int, shiftK, rhMore, lateHours float64) []Outside {
	zone := time.FixedZone("here", -8*3600)
	var out []Outside
	for k := range days * 24 * 2 {
		at := time.Date(2027, 4, 1, 0, 15, 0, 0, zone).Add(time.Duration(k) * 30 * time.Minute)
		h := float64(at.Hour()) + float64(at.Minute())/60
		day := math.Cos(2 * math.Pi * (h - 15 - lateHours) / 24)
		out = append(out, Outside{at.UTC(), 10 + 6*day + shiftK + math.Sin(float64(k/48)), 75 - 15*day + rhMore})
	}
	return out
}

func TestSiteDays(t *testing.T) {
	zone := time.FixedZone("here", -8*3600)
	days := []outyard.Day{
		{Date: outyard.Date{Year: 2027, Month: 4, Day: 1}, Hive: "h01", WallRHPct: 70, WallWetHours: 4},
		{Date: outyard.Date{Year: 2027, Month: 4, Day: 1}, Hive: "h02", WallRHPct: 80, WallWetHours: 12},
		{Date: outyard.Date{Year: 2027, Month: 4, Day: 1}, Hive: "h03", WallRHPct: 99, WallWetHours: 24, BroodTempC: 34}, // its probe hangs among brood
		{Date: outyard.Date{Year: 2027, Month: 4, Day: 9}, Hive: "h02", WallRHPct: 60, WallWetHours: 1},
	}
	got := SiteDays(zone, stood(2, 0, 0, 0), days)
	require.Len(t, got, 3)
	require.InDelta(t, 75, got[0].WallRHPct, 0)
	require.InDelta(t, 8, got[0].WallWetHours, 0)
	require.InDelta(t, 4, got[0].ColdestC, 0.1)
	require.InDelta(t, 9, got[0].WarmHour, 0.1, "half way up, six hours before three in the afternoon")
	require.InDelta(t, 10, got[0].WetHours, 1)
	require.True(t, math.IsNaN(got[2].ColdestC) && got[2].WallRHPct == 60 && got[2].WallWetHours == 1, "a day of which only the hives tell")

	part := SiteDays(zone, stood(1, 0, 0, 0)[:20], nil)
	require.True(t, math.IsNaN(part[0].WetHours) && math.IsNaN(part[0].ColdestC) && math.IsNaN(part[0].WarmHour), "half a day says nothing")
	bad := stood(1, 0, 0, 0)
	for i := range bad {
		bad[i].TempC, bad[i].RHPct = math.NaN(), 0
	}
	require.True(t, math.IsNaN(SiteDays(zone, bad, nil)[0].WetHours))
	require.Empty(t, SiteDays(nil, nil, nil))
}

func TestSites(t *testing.T) {
	zone := time.FixedZone("here", -8*3600)
	ids := []outyard.YardID{"heron-point", "low-meadow", "old-orchard"}
	of := func(weather ...[]Outside) [][]SiteDay {
		var all [][]SiteDay
		for _, w := range weather {
			all = append(all, SiteDays(zone, w, nil))
		}
		return all
	}
	usual := stood(28, 0, 0, 0)
	require.Empty(t, Sites(ids, of(usual, usual, usual))[1].Says, "places that are alike")
	require.Contains(t, Sites(ids, of(usual, stood(28, 0, 12, 0), usual))[1].Says[0], "damper")
	require.Contains(t, Sites(ids, of(usual, stood(28, -3, 0, 0), usual))[1].Says[0], "colder")
	require.Contains(t, Sites(ids, of(usual, stood(28, 0, 0, 2), usual))[1].Says, "later in the warmth: 10 °C comes 2.0 (2.0 to 2.0) hours later in the morning than the middle of the other yards, on 28 of 28 days")
	require.Empty(t, Sites(ids, of(usual[:240], stood(5, -3, 0, 0), usual[:240]))[1].Says, "five days say nothing yet")
	require.Empty(t, Sites(ids[:1], of(usual))[0].Says, "nor does a yard alone")
	require.Equal(t, 28, Sites(ids[:1], of(usual))[0].Days)

	atRisk := func(hours float64) (days []SiteDay) {
		var table []outyard.Day
		for k := range 28 {
			table = append(table, outyard.Day{Date: outyard.Date{Year: 2027, Month: 4, Day: 1}.Add(k), Hive: "h01", WallRHPct: 75, WallWetHours: hours + float64(k%2)})
		}
		return SiteDays(zone, usual, table)
	}
	require.Equal(t, []string{"harder on its hives: their walls stand 6 (6 to 6) hours a day more where mould can grow than the middle of the other yards, on 28 of 28 days"},
		Sites(ids, [][]SiteDay{atRisk(4), atRisk(10), atRisk(4)})[1].Says)

	two := Sites(ids[:2], of(usual, stood(28, -3, 0, 2)))
	require.Empty(t, two[0].Says, "of two yards a difference is said once")
	require.Equal(t, []string{
		"colder: its coldest hour is 3.0 (3.0 to 3.0) °C colder than the other yard, on 28 of 28 days",
	}, two[1].Says[:1])
	require.Len(t, two[1].Says, 2)
	require.Contains(t, two[1].Says[1], "later in the warmth")
}
