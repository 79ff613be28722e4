package condition

import (
	"math"
	"sort"
	"time"
)

// A Memory keeps a hive's last samples in a third of their size: a daemon with
// ten thousand hives holds days of each. Weights and climate are kept to seven
// digits, which is finer than any scale, and times to the second, as a stream
// gives them. What only the newest samples are asked for, StepKg and StepSpan,
// is left out.
type Memory struct {
	For  time.Duration // how long a sample is kept at least
	kept []brief
}

// brief is a Sample in 24 bytes.
type brief struct {
	second                                uint32 // since 1970, up to 2106
	weightKg, lowKg, highKg, tempC, rhPct float32
}

// tidyEvery is how much more than it has to a memory keeps, so that it need
// not move what it holds with each sample.
const tidyEvery = 6 * time.Hour

// growBy is how many samples there is new room for at once.
const growBy = 32

// Add keeps a sample, later than all before.
func (m *Memory) Add(s Sample) {
	if len(m.kept) == cap(m.kept) { // append would make a quarter more room
		roomier := make([]brief, len(m.kept), len(m.kept)+growBy)
		copy(roomier, m.kept)
		m.kept = roomier
	}
	m.kept = append(m.kept, brief{uint32(s.Time.Unix()),
		float32(s.WeightKg), float32(s.LowKg), float32(s.HighKg), float32(s.InsideTempC), float32(s.InsideRHPct)})
	if s.Time.Sub(m.kept[0].time()) < m.For+tidyEvery {
		return
	}
	m.kept = append(m.kept[:0], m.kept[m.from(s.Time.Add(-m.For)):]...)
}

// Between returns the samples from one instant up to, not including, another.
func (m *Memory) Between(from, to time.Time) []Sample {
	part := m.kept[m.from(from):]
	part = part[:sort.Search(len(part), func(i int) bool { return !part[i].time().Before(to) })]
	samples := make([]Sample, len(part))
	for i, b := range part {
		samples[i] = b.sample()
	}
	return samples
}

// WeightKg is the weight of the sample nearest to an instant and at most off
// away from it, NaN when there is none.
func (m *Memory) WeightKg(at time.Time, off time.Duration) float64 {
	best := math.NaN()
	for _, b := range m.kept[m.from(at.Add(-off)):] {
		d := b.time().Sub(at)
		if d > off {
			break
		}
		if d = d.Abs(); d <= off && b.weightKg == b.weightKg {
			best, off = float64(b.weightKg), d
		}
	}
	return best
}

// from is the index of the first sample at an instant or later.
func (m *Memory) from(t time.Time) int {
	return sort.Search(len(m.kept), func(i int) bool { return !m.kept[i].time().Before(t) })
}

func (b brief) time() time.Time { return time.Unix(int64(b.second), 0).UTC() }

func (b brief) sample() Sample {
	return Sample{Time: b.time(), WeightKg: float64(b.weightKg), LowKg: float64(b.lowKg), HighKg: float64(b.highKg),
		InsideTempC: float64(b.tempC), InsideRHPct: float64(b.rhPct)}
}
