package activity

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"outyard"
)

// fiveSlopes is the line worked by hand: it starts at 40 kg, bends at 6, 7.5,
// 12 and 18 h, with slopes of -25, -200, +100, +300 and -80 g/h, and so passes
// 39.850, 39.550, 40.000, 41.800 and ends at 41.320 kg.
func fiveSlopes(h float64) float64 {
	x, slope := []float64{0, 6, 7.5, 12, 18, 24}, []float64{-0.025, -0.2, 0.1, 0.3, -0.08}
	kg := 40.0
	for i, s := range slope {
		kg += s * min(max(h-x[i], 0), x[i+1]-x[i])
	}
	return kg
}

func aDay(everyMin int, f func(h float64) float64) (hours, kg []float64) {
	for m := 0; m < 24*60; m += everyMin {
		h := float64(m) / 60
		hours, kg = append(hours, h), append(kg, f(h))
	}
	return hours, kg
}

func TestThePiecesOfADayAreThoseWorkedByHand(t *testing.T) {
	for _, everyMin := range []int{5, 15, 30} {
		d := Piecewise(aDay(everyMin, fiveSlopes))
		require.True(t, d.Estimated)
		require.Equal(t, []float64{6, 7.5, 12, 18}, []float64{d.DepartH, d.LowestH, d.ReturnH, d.HomeH})
		for i, want := range []float64{40, 39.850, 39.550, 40.000, 41.800, 41.320} {
			require.InDelta(t, want, d.KnotsKg[i], 1e-6)
		}
		require.InDelta(t, 0.300, d.DepartKg, 1e-6)
		require.InDelta(t, 1.800, d.ReturnKg, 1e-6)
		require.InDelta(t, 1.320, d.NetKg, 1e-6)
		require.InDelta(t, -0.025, d.NightKgH, 1e-6)
		require.InDelta(t, 1, d.RSquared, 1e-9)
	}
}

func TestThePiecesAreFoundInTheNoiseOfAScale(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 10 {
		d := Piecewise(aDay(10, func(h float64) float64 { return fiveSlopes(h) + 0.01*random.NormFloat64() }))
		require.InDelta(t, 6, d.DepartH, 0.5)
		require.InDelta(t, 7.5, d.LowestH, 0.5)
		require.InDelta(t, 0.300, d.DepartKg, 0.04)
		require.InDelta(t, 1.32, d.NetKg, 0.03)
		require.InDelta(t, 0.01, d.Residual, 0.003)
	}
}

// 6000 foragers of 0.1 g (0.08 to 0.12, from memory) leave from seven to half
// past eight and bring 0.02 g each on every one of six trips (payload of
// arriving bees, Meikle et al. 2018): 0.6 kg go, and come home with 0.72 kg.
// The fall is a strong colony's (0.1 to 0.5 kg usual, common practice).
func TestForagersAndWhatTheyCarryAreSeen(t *testing.T) {
	const foragers, beeKg, loadKg, trips = 6000, 0.0001, 0.00002, 6
	d := Piecewise(aDay(10, func(h float64) float64 {
		out := min(max((h-7)/1.5, 0), 1)*foragers*beeKg - min(max((h-14)/5, 0), 1)*foragers*beeKg
		in := min(max((h-8.5)/10.5, 0), 1) * foragers * loadKg * trips
		return 45 - 0.01*h - out + in
	}))
	require.InDelta(t, 7, d.DepartH, 0.25)
	require.InDelta(t, foragers, (d.DepartKg-0.01*(d.LowestH-d.DepartH))/beeKg, 100)
	perTrip := (d.NetKg + 24*0.01) / foragers / trips
	require.InDelta(t, loadKg, perTrip, 0.002*loadKg+1e-6)
	require.True(t, perTrip > 0.00001 && perTrip < 0.00004)
}

func TestADayWithoutFlightHasNoDeparture(t *testing.T) {
	d := Piecewise(aDay(10, func(h float64) float64 { return 30 - 0.039/24*h })) // winter use, Norrström et al. 2021
	require.True(t, d.Estimated)
	require.InDelta(t, 0, d.DepartKg, 0.039)
	require.InDelta(t, -0.039, d.NetKg, 1e-9)
}

func TestALineOfTooLittleIsUnknown(t *testing.T) {
	hours, kg := aDay(10, fiveSlopes)
	holed := append([]float64{}, kg...)
	for i := 40; i < 60; i++ {
		holed[i] = math.NaN()
	}
	for name, d := range map[string]PiecewiseDay{
		"nothing":                      Piecewise(nil, nil),
		"half a day":                   Piecewise(hours[:72], kg[:72]),
		"a hole of three hours":        Piecewise(hours, holed),
		"hours that are not in order":  Piecewise([]float64{5, 4}, []float64{1, 2}),
		"more weights than there were": Piecewise(hours[:3], kg),
	} {
		require.False(t, d.Estimated, name)
		for _, v := range []float64{d.DepartH, d.DepartKg, d.ReturnKg, d.NetKg, d.Residual, d.KnotsKg[5]} {
			require.False(t, outyard.Known(v), name)
		}
	}
	still := Piecewise(aDay(10, func(float64) float64 { return 30 }))
	require.InDelta(t, 0, still.DepartKg, 1e-9)
}

func BenchmarkPiecewise(b *testing.B) {
	hours, kg := aDay(10, fiveSlopes)
	for b.Loop() {
		Piecewise(hours, kg)
	}
}
