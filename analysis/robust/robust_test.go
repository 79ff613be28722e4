package robust

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

var nan, inf = math.NaN(), math.Inf(1)

func TestWhatTheMiddleOfValuesIs(t *testing.T) {
	for _, c := range []struct {
		name              string
		x                 []float64
		median, mad, q25  float64
		huberLow, huberHi float64
	}{
		{"an odd number of values has a middle one", []float64{9, 1, 2}, 2, MADScale, 1.5, 2, 3},
		{"an even number of values has the mean of two", []float64{4, 1, 2, 8}, 3, MADScale * 1.5, 1.75, 2.5, 4},
		// The usual worked example of the MAD: deviations 1 1 0 0 2 4 7, their median 1.
		{"two wild values of seven do not move the MAD", []float64{1, 1, 2, 2, 4, 6, 9}, 2, MADScale, 1.5, 2, 3.6},
		// R 4: quantile(1:10, 0.25) is 3.25.
		{"one to ten", []float64{3, 7, 1, 10, 2, 9, 4, 6, 5, 8}, 5.5, MADScale * 2.5, 3.25, 5.5, 5.5},
		{"unknown values are skipped", []float64{nan, 9, 1, inf, 2, nan}, 2, MADScale, 1.5, 2, 3},
		{"one value is its own middle", []float64{7}, 7, 0, 7, 7, 7},
		{"equal values have no spread", []float64{7, 7, 7, 7}, 7, 0, 7, 7, 7},
		{"no value has no middle", nil, nan, nan, nan, nan, nan},
		{"only unknown values have no middle", []float64{nan, nan}, nan, nan, nan, nan, nan},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := slices.Clone(c.x)
			same(t, c.median, Median(c.x), 1e-12)
			same(t, c.mad, MAD(c.x), 1e-12)
			same(t, c.q25, Quantile(0.25, c.x), 1e-12)
			if h := HuberMean(c.x); !math.IsNaN(c.huberLow) || !math.IsNaN(h) {
				require.True(t, h >= c.huberLow-1e-9 && h <= c.huberHi+1e-9, "Huber mean %g", h)
			}
			if b := BiweightMean(c.x); math.IsNaN(c.median) != math.IsNaN(b) {
				t.Fatalf("biweight mean is %g where the median is %g", b, c.median)
			}
			for i := range before {
				same(t, before[i], c.x[i], 0)
			}
		})
	}
}

func TestAQuantileOutsideNoughtToOneIsUnknown(t *testing.T) {
	for _, p := range []float64{-0.1, 1.1, nan} {
		require.True(t, math.IsNaN(Quantile(p, []float64{1, 2})))
	}
	same(t, 1, Quantile(0, []float64{2, 1}), 0)
	same(t, 2, Quantile(1, []float64{2, 1}), 0)
}

// The mean of Huber solves sum ψ((x-μ)/s) = 0 with ψ cut at ±1.345, the
// biweight the same with ψ(u) = u(1-(u/4.685)²)² inside ±4.685.
func TestTheMeansSolveTheirEquations(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		x := make([]float64, 5+random.IntN(40))
		for i := range x {
			x[i] = random.NormFloat64()
		}
		x[0] = 30 // one that swarmed
		s := MAD(x)
		var huber, biweight float64
		mh, mb := HuberMean(x), BiweightMean(x)
		for _, v := range x {
			huber += max(-1.345, min(1.345, (v-mh)/s))
			if u := (v - mb) / s; math.Abs(u) < 4.685 {
				biweight += u * math.Pow(1-u/4.685*(u/4.685), 2)
			}
		}
		same(t, 0, huber, 1e-6)
		same(t, 0, biweight, 1e-6)
		without := BiweightMean(x[1:])
		require.InDelta(t, without, mb, 0.5, "the biweight moves little for one wild value")
	}
}

func TestTheilSen(t *testing.T) {
	for _, c := range []struct {
		name             string
		x, y             []float64
		level            float64
		slope, low, high float64
		intercept        float64
		n                int
	}{
		// Sen 1968, section 6; the values that scipy.stats.theilslopes is tested on.
		{"agrees with the example of Sen 1968", []float64{1, 2, 3, 4, 10, 12, 18}, []float64{9, 15, 19, 20, 45, 55, 78}, 0.93,
			4, 26.0 / 7, 35.0 / 8, 6, 7},
		// By hand: slopes -1 .5 .667 1 1.5 2 2.25 2.667 3 7; σ = 4.0825, ranks
		// (10 ± 1.6449·4.0825)/2 = 1.64 and 8.36, so the 2nd and the 9th.
		{"agrees with ten slopes sorted by hand", []float64{0, 1, 2, 3, 4}, []float64{1, 2, 4, 3, 10}, 0.90,
			1.75, 0.5, 3, 0.5, 5},
		{"points at one x give no slope to each other", []float64{0, 0, 1}, []float64{0, 0, 2}, 0.5, 2, 2, 2, 0, 3},
		{"an unknown point is skipped", []float64{0, 1, 2, 3, nan, 5}, []float64{1, 3, nan, 7, 100, 11}, 0.95, 2, 2, 2, 1, 4},
		{"one point has no slope", []float64{1}, []float64{1}, 0.95, nan, nan, nan, nan, 1},
		{"one x has no slope", []float64{1, 1, 1}, []float64{1, 2, 3}, 0.95, nan, nan, nan, nan, 3},
		{"nothing has no slope", nil, nil, 0.95, nan, nan, nan, nan, 0},
		{"a level that is none gives no interval", []float64{0, 1}, []float64{0, 1}, 1.5, 1, nan, nan, 0, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := TheilSen(c.x, c.y, c.level)
			same(t, c.slope, l.Slope, 1e-12)
			same(t, c.low, l.Low, 1e-12)
			same(t, c.high, l.High, 1e-12)
			same(t, c.intercept, l.Intercept, 1e-12)
			require.Equal(t, c.n, l.N)
		})
	}
}

func TestTheilSenLeavesAQuarterOfWildPointsAside(t *testing.T) {
	var x, y []float64
	for i := range 40 {
		x, y = append(x, float64(i)), append(y, 3-0.04*float64(i))
		if i%4 == 1 {
			y[i] += 50
		}
	}
	l := TheilSen(x, y, 0.95)
	same(t, -0.04, l.Slope, 1e-9)
	same(t, 3-0.04*10, l.At(10), 1e-9)
}

func TestMannKendall(t *testing.T) {
	for _, c := range []struct {
		name                    string
		y                       []float64
		n                       int
		s, variance, z, p, rise float64
	}{
		// By hand: nine pairs rise, one falls; 5·4·15/18.
		{"nine of ten pairs rise", []float64{1, 2, 4, 3, 10}, 5, 8, 50.0 / 3, 1.714643, 0.086411, 0.043206},
		// By hand: 21 pairs, four of them ties; (7·6·19 - 2·1·9 - 3·2·11)/18.
		{"ties lessen the variance", []float64{1, 1, 2, 3, 3, 3, 5}, 7, 17, 119.0 / 3, 2.540429, 0.011072, 0.005536},
		{"a fall is a rise turned over", []float64{5, 3, 3, 3, 2, 1, 1}, 7, -17, 119.0 / 3, -2.540429, 0.011072, 1 - 0.005536},
		{"an unknown value is skipped", []float64{1, 2, nan, 4, 3, 10}, 5, 8, 50.0 / 3, 1.714643, 0.086411, 0.043206},
		{"equal values have no trend", []float64{2, 2, 2, 2}, 4, 0, 0, 0, 1, 0.5},
		{"one value has no trend", []float64{2}, 1, nan, nan, nan, nan, nan},
		{"no value has no trend", nil, 0, nan, nan, nan, nan, nan},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := MannKendall(c.y)
			require.Equal(t, c.n, tr.N)
			same(t, c.s, tr.S, 0)
			same(t, c.variance, tr.Variance, 1e-9)
			same(t, c.z, tr.Z, 1e-6)
			same(t, c.p, tr.P, 1e-6)
			same(t, c.rise, tr.PRising, 1e-6)
			if !math.IsNaN(c.rise) {
				same(t, 1-c.rise, tr.PFalling, 1e-6)
			}
		})
	}
}

// What the tests must not care for: the unit and the zero of a scale, and,
// but for trends, the order in which readings came.
func TestUnitsZeroAndOrderDoNotMatter(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for round := range 30 {
		n := 4 + random.IntN(30)
		x, y, moved, turned := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range y {
			x[i] = float64(i)
			y[i] = math.Round(random.NormFloat64()*8) / 4 // with ties
		}
		const scale, shift = 2.5, -40
		for i, v := range y {
			moved[i], turned[i] = scale*v+shift, -v
		}
		shuffled, sx := slices.Clone(y), slices.Clone(x)
		random.Shuffle(n, func(i, j int) {
			shuffled[i], shuffled[j] = shuffled[j], shuffled[i]
			sx[i], sx[j] = sx[j], sx[i]
		})
		for name, f := range map[string]func([]float64) float64{"median": Median, "Huber": HuberMean, "biweight": BiweightMean,
			"quartile": func(v []float64) float64 { return Quantile(0.25, v) }} {
			require.InDelta(t, scale*f(y)+shift, f(moved), 1e-8, "%s, round %d", name, round)
			require.InDelta(t, f(y), f(shuffled), 1e-8, "%s, round %d", name, round)
		}
		require.InDelta(t, scale*MAD(y), MAD(moved), 1e-9)
		a, b, c := TheilSen(x, y, 0.9), TheilSen(x, moved, 0.9), TheilSen(sx, shuffled, 0.9)
		require.InDelta(t, scale*a.Slope, b.Slope, 1e-9)
		require.InDelta(t, scale*a.Low, b.Low, 1e-9)
		require.InDelta(t, scale*a.High, b.High, 1e-9)
		require.InDelta(t, scale*a.Intercept+shift, b.Intercept, 1e-9)
		require.InDelta(t, a.Slope, c.Slope, 1e-12)
		require.InDelta(t, a.Low, c.Low, 1e-12)
		require.Equal(t, MannKendall(y).S, MannKendall(moved).S)
		require.Equal(t, MannKendall(y).S, -MannKendall(turned).S)
		require.InDelta(t, MannKendall(y).PRising, MannKendall(turned).PFalling, 1e-12)
	}
}

func TestSelectionIsWhatSortingWouldGive(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		x := make([]float64, 1+random.IntN(200))
		for i := range x {
			x[i] = float64(random.IntN(1 + random.IntN(100)))
		}
		k := random.IntN(len(x))
		want := slices.Sorted(slices.Values(x))[k]
		require.Equal(t, want, nth(x, k))
		for i := range x {
			require.True(t, i <= k && x[i] <= want || i >= k && x[i] >= want)
		}
	}
}

func TestASlidingWindowAgreesWithOneSortedAnew(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	for _, width := range []int{1, 2, 3, 8, 25} {
		t.Run(fmt.Sprintf("width %d", width), func(t *testing.T) {
			w := NewWindow(width)
			var held []float64
			for i := range 600 {
				switch {
				case random.IntN(10) == 0:
					w.Drop()
					held = held[min(1, len(held)):]
				default:
					v := math.Round(random.NormFloat64() * 5)
					if random.IntN(8) == 0 {
						v = nan
					}
					if i > 300 && i < 350 {
						v = 4
					}
					w.Push(v)
					held = append(held, v)
					held = held[max(0, len(held)-width):]
				}
				require.Equal(t, len(held), w.Len())
				require.Equal(t, Count(held), w.Known())
				same(t, Median(held), w.Median(), 1e-12)
				same(t, MAD(held), w.MAD(), 1e-12)
				same(t, Quantile(0.9, held), w.Quantile(0.9), 1e-12)
				for back := range held {
					same(t, held[len(held)-1-back], w.At(back), 0)
				}
			}
			same(t, nan, w.At(width), 0)
			w.Reset()
			same(t, nan, w.Median(), 0)
		})
	}
}

func TestHampelFindsSpikesAndNothingElse(t *testing.T) {
	h := NewHampel(6, 4, 0.05)
	var y []float64
	for i := range 100 {
		y = append(y, 40+0.01*float64(i))
	}
	y[0], y[30], y[31], y[60], y[99] = 80, 0, 0, nan, 39
	y[80] += 0.15 // within the floor of 4 × 0.05 kg
	var got []Judged
	for _, v := range y {
		if j, ok := h.Push(v); ok {
			got = append(got, j)
		}
	}
	got = append(got, h.Flush()...)
	require.Len(t, got, len(y), "each value is judged once")
	var wild []int
	for i, j := range got {
		same(t, y[i], j.Value, 0)
		around := y[max(0, i-6):min(len(y), i+7)]
		same(t, Median(around), j.Median, 1e-12)
		if j.Wild {
			wild = append(wild, i)
		}
	}
	require.Equal(t, []int{0, 30, 31, 99}, wild)

	_, ok := h.Push(40)
	require.False(t, ok, "a flushed filter begins anew")
	require.Len(t, h.Flush(), 1)
	require.Empty(t, h.Flush())
}

func TestABootstrapIntervalIsTheSameForTheSameSeed(t *testing.T) {
	x := []float64{0.4, 0.1, nan, 0.9, -0.2, 0.6, 0.3, 0.5}
	b := Bootstrap{Level: 0.9, Draws: 500, Block: 2, Seed: 7}
	m, low, high := b.Median(x)
	require.Equal(t, 0.4, m)
	require.True(t, low <= m && m <= high)
	_, low2, high2 := b.Median(x)
	require.Equal(t, []float64{low, high}, []float64{low2, high2})
	b.Level = 0.5
	_, low5, high5 := b.Median(x)
	require.True(t, low5 >= low && high5 <= high && high5-low5 < high-low)

	m, low, _ = b.Median([]float64{1, 2})
	same(t, 1.5, m, 0)
	same(t, nan, low, 0)
	m, low, _ = b.Median(nil)
	same(t, nan, m, 0)
	same(t, nan, low, 0)
}

func TestABootstrapIntervalHoldsTheTruthAsOftenAsItSays(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 10))
	held := 0
	const trials = 400
	for i := range trials {
		x, y := make([]float64, 40), make([]float64, 40)
		for d := range x {
			weather := 3 * random.NormFloat64() // common to both yards
			x[d] = weather + 0.5 + random.NormFloat64()
			y[d] = weather
		}
		_, low, high := Bootstrap{Level: 0.9, Draws: 300, Block: 1, Seed: uint64(i)}.PairedMedian(x, y)
		if low <= 0.5 && 0.5 <= high {
			held++
		}
	}
	require.InDelta(t, 0.9, float64(held)/trials, 0.05)
}

// Blocks must widen the interval of a series whose neighbours are alike.
func TestBlocksAllowForDaysThatAreAlike(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 12))
	x := make([]float64, 300)
	for i := 1; i < len(x); i++ {
		x[i] = 0.9*x[i-1] + random.NormFloat64()
	}
	_, l1, h1 := Bootstrap{Level: 0.9, Draws: 400, Block: 1, Seed: 1}.Median(x)
	_, l9, h9 := Bootstrap{Level: 0.9, Draws: 400, Block: 15, Seed: 1}.Median(x)
	require.Greater(t, h9-l9, 1.5*(h1-l1))
}

func BenchmarkTheilSenOf289Points(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 1))
	x, y := make([]float64, 289), make([]float64, 289)
	for i := range x {
		x[i], y[i] = float64(i), random.NormFloat64()
	}
	for b.Loop() {
		TheilSen(x, y, 0.95)
	}
}

// One operation is a hive-year of ten-minute readings through a window of 48 h.
func BenchmarkMedianAndMADOverAHiveYear(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 1))
	y := make([]float64, 365*144)
	for i := range y {
		y[i] = 40 + 5*math.Sin(float64(i)/9000) + 0.05*random.NormFloat64()
	}
	for b.Loop() {
		w := NewWindow(288)
		sum := 0.0
		for _, v := range y {
			w.Push(v)
			sum += w.Median() + w.MAD()
		}
		if !isKnown(sum) {
			b.Fatal("a median is not known")
		}
	}
}

// same treats NaN as equal to NaN, and infinities as equal to themselves.
func same(t *testing.T, want, got, tolerance float64) {
	t.Helper()
	if math.IsNaN(want) && math.IsNaN(got) || want == got {
		return
	}
	if !(math.Abs(want-got) <= tolerance) {
		t.Fatalf("got %v, want %v ± %v", got, want, tolerance)
	}
}

// Efron 1979 (Ann. Stat. 7:1, section 3) gives the bootstrap distribution of
// the median of 13 values without drawing: it is at most the k-th value when
// seven or more of 13 draws are, so its chances are differences of binomial
// sums with k/13; worked out apart from this program.
func TestTheBootstrapMedianIsDistributedAsTheBinomialSays(t *testing.T) {
	want := []float64{1: 0.0000, 0.0015, 0.0142, 0.0549, 0.1243, 0.1936, 0.2229, 0.1936, 0.1243, 0.0549, 0.0142, 0.0015, 0.0000}
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13}
	const draws = 40000
	got := make([]float64, 14)
	m, low, high := Bootstrap{Level: 0.9, Draws: draws, Block: 1, Seed: 3}.Of(x, func(v []float64) float64 {
		mid := medianInPlace(v)
		got[int(mid)] += 1.0 / draws
		return mid
	})
	got[7] -= 1.0 / draws // the value itself is asked for once, besides
	for k := range want {
		require.InDelta(t, want[k], got[k], 0.008, "the median of a draw is %d", k)
	}
	// 0.0157 of the chance lies at 3 and below, 0.0707 at 4 and below.
	require.Equal(t, []float64{7, 4, 10}, []float64{m, low, high})
}
