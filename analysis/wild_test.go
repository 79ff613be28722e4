package analysis

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// A scale that shows any weight shows next to nothing as well, once in a while
// twice over; that is no hive knocked over.
func TestAScaleThatShowsAnythingTellsOfNoHiveGone(t *testing.T) {
	y := testYard(t, "h1")
	start := time.Date(2027, 5, 18, 0, 4, 0, 0, y.Zone)
	for seed := range uint64(12) {
		rng := rand.New(rand.NewPCG(seed, 1))
		kg := func(i int) float64 {
			if i < 100 {
				return 48 + 0.02*rng.NormFloat64()
			}
			return 100 * rng.Float64()
		}
		told := firstTold(t, y, weighedSeries(y, "h1", start, 10*time.Minute, kg, 500), outyard.KnockedOver)
		require.Zero(t, told, "seed %d", seed)
	}
}
