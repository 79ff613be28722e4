package analysis

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis/air"
	"outyard/simulator"
)

// A damp hollow against a breezy slope: in the hollow cold air lies by night
// and its mist longer (2 to 5 K and some 10 %RH, from memory), on days with
// little wind only.
func TestAHollowIsToldFromASlope(t *testing.T) {
	s := simulator.Invent(8, simulator.Options{Start: time.Date(2026, time.May, 1, 7, 0, 0, 0, time.UTC), Days: 56, Yards: 1, HivesPerYard: 1, Cadence: 30 * time.Minute, Calm: true, NoKeeper: true})
	zone := s.Yards()[0].Zone
	var slope, hollow, mixed []air.Outside
	_, err := s.Run(func(r outyard.Reading) error {
		o := air.Outside{Time: r.Time, TempC: r.Values[outyard.OutsideTemp], RHPct: r.Values[outyard.OutsideRH]}
		if !outyard.Known(o.TempC) {
			return nil
		}
		slope = append(slope, o)
		low := o
		if h := r.Time.In(zone).Hour(); (h < 10 || h >= 18) && r.Values[outyard.Wind] < 4 {
			low.TempC, low.RHPct = o.TempC-3, min(100, o.RHPct+12)
		}
		hollow = append(hollow, low)
		if r.Time.In(zone).Day()%2 == 0 { // half the days the one, half the other
			low = o
		}
		mixed = append(mixed, low)
		return nil
	})
	require.NoError(t, err)
	ids := []outyard.YardID{"slope", "hollow"}
	says := func(other []air.Outside) (slopeSays, otherSays string) {
		sites := air.Sites(ids, [][]air.SiteDay{air.SiteDays(zone, slope, nil), air.SiteDays(zone, other, nil)})
		return strings.Join(sites[0].Says, "; "), strings.Join(sites[1].Says, "; ")
	}
	onSlope, inHollow := says(hollow)
	require.Empty(t, onSlope)
	require.Contains(t, inHollow, "damper: ")
	require.Contains(t, inHollow, "colder: its coldest hour is ")
	require.Regexp(t, `\d \(\d to \d\) hours a day more`, inHollow)

	_, alike := says(slope)
	require.Empty(t, alike, "one place is not damper than itself")
	_, half := says(mixed)
	require.Empty(t, half, "what half the days show is not said")
	_, few := says(hollow[:len(hollow)/8])
	require.Empty(t, few, "a week says nothing yet")
}
