package simulator

import (
	"hash/fnv"
	"math/rand/v2"
	"strconv"
)

// Dice are one stream of chance. Every yard, hive and purpose has a stream of
// its own, so that one hive more does not change what befalls the others.
type dice struct{ *rand.Rand }

func newDice(seed uint64, purpose string, which ...int) dice {
	h := fnv.New64a()
	h.Write([]byte(purpose))
	for _, n := range which {
		h.Write([]byte("/" + strconv.Itoa(n)))
	}
	return dice{rand.New(rand.NewPCG(seed, h.Sum64()))}
}

func (d dice) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }
func (d dice) chance(p float64) bool          { return d.Float64() < p }
func (d dice) normal(mean, sd float64) float64 {
	return mean + sd*d.NormFloat64()
}

// seconds draws a whole number of seconds between two numbers of minutes.
func (d dice) seconds(loMin, hiMin float64) int64 { return int64(60 * d.between(loMin, hiMin)) }

func clamp(x, lo, hi float64) float64 { return min(max(x, lo), hi) }

// ramp is 0 below lo, 1 above hi, and a straight line between.
func ramp(x, lo, hi float64) float64 { return clamp((x-lo)/(hi-lo), 0, 1) }

func mix(a, b, share float64) float64 { return a + (b-a)*share }

// A curve is a course over the year: pairs of day of the year and value,
// joined by straight lines, the last joined to the first.
type curve [][2]float64

func (c curve) at(dayOfYear float64) float64 {
	for i := 1; i < len(c); i++ {
		if dayOfYear <= c[i][0] {
			a, b := c[i-1], c[i]
			return mix(a[1], b[1], clamp((dayOfYear-a[0])/(b[0]-a[0]), 0, 1))
		}
	}
	return c[len(c)-1][1]
}
