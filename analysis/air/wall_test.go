package air

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func foam(m float64) Layer { return Layer{m, FoamWMK} }

// ISO 6946 series sums, worked by script.
func TestTransmittanceAndTemperatureFactorOfHiveParts(t *testing.T) {
	for _, row := range []struct {
		says    string
		wall    Wall
		u, fRsi float64
	}{
		{"19 mm softwood wall", NewWall(Sideways, Softwood(0.019)), 3.1630, 0.5888},
		{"22 mm softwood wall", NewWall(Sideways, Softwood(0.022)), 2.948, 0.6168},
		{"19 mm softwood lid", NewWall(Up, Softwood(0.019)), 3.4946, 0.6505},
		{"19 mm lid with 50 mm foam", NewWall(Up, Softwood(0.019), foam(0.050)), 0.5832, 0.9417},
		{"19 mm softwood floor", NewWall(Down, Softwood(0.019)), 2.8078, 0.5227},
		{"38 mm foam box", NewWall(Sideways, foam(0.038)), 0.7964, 0.8965},
		{"corner of a 19 mm wall", NewCorner(Softwood(0.019)), 2.293, 0.4268},
		{"19 mm of wet wood", NewWall(Sideways, Layer{0.019, WetSoftwoodWMK}), 3.463, 0.5498},
	} {
		t.Run(row.says, func(t *testing.T) {
			require.InDelta(t, row.u, row.wall.UWM2K(), 0.0005)
			require.InDelta(t, row.fRsi, row.wall.FRsi(), 0.0005)
		})
	}
}

// ISO 13788 method, worked by script.
func TestSurfaceTemperatureAndHumidity(t *testing.T) {
	wall, lid := NewWall(Sideways, Softwood(0.019)), NewWall(Up, Softwood(0.019))
	foamLid := NewWall(Up, Softwood(0.019), foam(0.050))
	for _, row := range []struct {
		says                          string
		wall                          Wall
		insideC, insideRHPct, outside float64
		surfaceC, surfaceRHPct        float64
	}{
		{"15 °C and 70 % inside, 2 °C outside, wall", wall, 15, 70, 2, 9.655, 99.43},
		{"20 °C and 60 % inside, 5 °C outside, wall", wall, 20, 60, 5, 13.832, 88.69},
		{"12 °C and 80 % inside, 4 °C outside, wall", wall, 12, 80, 4, 8.710, 99.62},
		{"18 °C and 65 % inside, 5 °C outside, bare lid", lid, 18, 65, 5, 13.457, 86.91},
		{"18 °C and 65 % inside, 5 °C outside, foam lid", foamLid, 18, 65, 5, 17.242, 68.18},
	} {
		t.Run(row.says, func(t *testing.T) {
			require.InDelta(t, row.surfaceC, row.wall.SurfaceC(row.insideC, row.outside), 0.005)
			require.InDelta(t, row.surfaceRHPct, row.wall.SurfaceRHPct(row.insideC, row.insideRHPct, row.outside), 0.05)
			require.False(t, row.wall.Condenses(row.insideC, row.insideRHPct, row.outside))
		})
	}
	require.True(t, wall.Condenses(15, 71, 2), "one percent more condenses on the wall that was on the edge")
	require.True(t, wall.Condenses(2, 73, -8), "frost forms on a wall below 0 °C before dew would")
	require.Less(t, wall.SurfaceRHPct(2, 73, -8), 100.0)
	require.False(t, wall.Condenses(2, 71, -8))
}

// ISO 13788:2012 cl. 5.3 rule, worked by script.
func TestTheLeastTemperatureFactorAgainstMould(t *testing.T) {
	for _, row := range []struct{ insideC, rhPct, outsideC, limit, surfaceC, fRsi float64 }{
		{20, 50, 0, MouldLimitRHPct, 12.617, 0.6309},
		{20, 60, 0, MouldLimitRHPct, 15.431, 0.7716},
		{15, 70, 5, MouldLimitRHPct, math.NaN(), 0.7940},
		{20, 50, 0, 100, math.NaN(), 0.4628},
		{20, 60, 0, 100, math.NaN(), 0.5998},
		{15, 70, 5, 100, math.NaN(), 0.4569},
	} {
		least := LeastSurfaceC(row.insideC, row.rhPct, row.limit)
		if !math.IsNaN(row.surfaceC) {
			require.InDelta(t, row.surfaceC, least, 0.01)
		}
		require.InDelta(t, row.fRsi, LeastFRsi(least, row.insideC, row.outsideC), 0.001)
	}
	require.True(t, math.IsNaN(LeastFRsi(10, 5, 5)), "no wall helps where inside is as cold as outside")
}

func TestAWallThatIsNotKnownGivesNoNumber(t *testing.T) {
	require.True(t, math.IsNaN(Wall{}.UWM2K()))
	require.True(t, math.IsNaN(Wall{}.SurfaceC(20, 5)))
	w := NewWall(Sideways, Softwood(0.019), Layer{}, Layer{ThicknessM: 0.1})
	require.Equal(t, NewWall(Sideways, Softwood(0.019)), w, "a layer without conductivity adds nothing")
	require.True(t, math.IsNaN(w.SurfaceRHPct(math.NaN(), 60, 5)))
	require.False(t, w.Condenses(math.NaN(), 60, 5))
	require.False(t, w.Condenses(20, 100, math.NaN()))
}
