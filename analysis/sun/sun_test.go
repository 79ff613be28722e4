package sun

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestElevation(t *testing.T) {
	utc := func(s string) time.Time {
		at, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return at
	}
	for _, c := range []struct {
		name                string
		latitude, longitude float64
		at                  time.Time
		wantDeg, withinDeg  float64
	}{
		// The obliquity of the ecliptic is 23.44°, the sun's declination at the
		// solstices (Astronomical Almanac): noon height is 90 - |lat - dec|.
		{"noon of the June solstice at 48.8° N", 48.8, 0, utc("2026-06-21T12:02:00Z"), 90 - 48.8 + 23.44, 0.1},
		{"noon of the December solstice at 48.8° N", 48.8, 0, utc("2026-12-21T11:58:00Z"), 90 - 48.8 - 23.44, 0.1},
		{"overhead at the equator at noon of the equinox", 0, 0, utc("2026-03-20T12:07:00Z"), 90, 0.6},
		{"midnight sun is above the polar circle only", 70, 0, utc("2026-06-21T00:02:00Z"), 70 - 90 + 23.44, 0.1},
		{"on the horizon at six solar hours from an equinox noon", 40, 0, utc("2026-03-20T18:07:00Z"), 0, 0.6},
		{"the Pacific coast has its noon at about 20 UTC", 48.8, -123.3, utc("2026-06-21T20:15:00Z"), 90 - 48.8 + 23.44, 0.1},
	} {
		require.InDelta(t, c.wantDeg, ElevationDeg(c.latitude, c.longitude, c.at), c.withinDeg, c.name)
	}
}

// The equation of time is at its extremes near -14.2 min on 11 February and
// +16.4 min on 3 November (Astronomical Almanac).
func TestSolarHour(t *testing.T) {
	noon := func(month time.Month, day int) time.Time {
		return time.Date(2026, month, day, 12, 0, 0, 0, time.UTC)
	}
	require.InDelta(t, 12-14.2/60, SolarHour(0, noon(time.February, 11)), 0.01)
	require.InDelta(t, 12+16.4/60, SolarHour(0, noon(time.November, 3)), 0.01)
	require.InDelta(t, 12-14.2/60, SolarHour(-360, noon(time.February, 11)), 0.01, "a longitude may wrap")
}

// Noon height is 90 - |latitude - declination|, the declination ±23.44° at the
// solstices (Astronomical Almanac), whatever the hour that is asked for.
func TestNoon(t *testing.T) {
	june, december := time.Date(2026, 6, 21, 5, 0, 0, 0, time.UTC), time.Date(2026, 12, 21, 20, 0, 0, 0, time.UTC)
	require.InDelta(t, 90-48.8+23.44, NoonDeg(48.8, june), 0.1)
	require.InDelta(t, 90-48.8-23.44, NoonDeg(48.8, december), 0.1)
	require.InDelta(t, 90-42.0-23.44, NoonDeg(-42, june), 0.1, "south of the equator June is winter")
	require.InDelta(t, 90-42.0+23.44, NoonDeg(-42, december), 0.1)
	require.InDelta(t, 90-80-23.44, NoonDeg(80, december), 0.1, "polar night")
}
