package analysis

import (
	"time"

	"outyard"
	"outyard/analysis/condition"
)

// keepFor is how long samples are kept in memory: the count of a day looks
// back to the evening before it.
const keepFor = 84 * time.Hour

// weather is what the yard's own instruments say of the air outside.
type weather struct {
	set     condition.Settings
	newest  time.Time // of the weather node
	samples []airSample
}

// An airSample is what is kept of a reading of the air: to the second and to
// seven digits, in little space.
type airSample struct {
	second uint32 // since 1970, up to 2106
	values [outyard.NumQuantities - firstOfYard]float32
}

// firstOfYard is the first of the quantities that are the yard's; they are the
// last of all.
const firstOfYard = outyard.OutsideTemp

func (a airSample) time() time.Time                  { return time.Unix(int64(a.second), 0).UTC() }
func (a airSample) value(q outyard.Quantity) float64 { return float64(a.values[q-firstOfYard]) }

// add takes the outside quantities of a reading: the weather node's, or those
// of a hive's node that has a probe outside.
func (w *weather) add(r outyard.Reading) {
	if r.Hive == "" {
		w.newest = r.Time
	}
	a, known := airSample{second: uint32(r.Time.Unix())}, false
	r.Values[outyard.OutsideTemp] = w.set.TempC(r.Values[outyard.OutsideTemp])
	r.Values[outyard.OutsideRH] = w.set.RHPct(r.Values[outyard.OutsideRH])
	for q := firstOfYard; q < outyard.NumQuantities; q++ {
		a.values[q-firstOfYard] = float32(r.Values[q])
		known = known || outyard.Known(r.Values[q])
	}
	if !known {
		return
	}
	// Nearly always the newest; a hive's node may be a little behind another.
	w.samples = append(w.samples, a)
	for i := len(w.samples) - 1; i > 0 && w.samples[i].second < w.samples[i-1].second; i-- {
		w.samples[i], w.samples[i-1] = w.samples[i-1], w.samples[i]
	}
	if now := w.samples[len(w.samples)-1].time(); now.Sub(w.samples[0].time()) >= keepFor+tidyEvery {
		w.samples = append(w.samples[:0], within(w.samples, now.Add(-keepFor), now.Add(time.Second), airSample.time)...)
	}
}

// tidyEvery is how much more than keepFor is kept, so that not each sample
// moves all others.
const tidyEvery = 6 * time.Hour

// between returns the samples from one instant up to, not including, another.
func (w *weather) between(from, to time.Time) []airSample {
	return within(w.samples, from, to, airSample.time)
}

// mean is the mean of a quantity over a while, NaN when nothing is known.
func (w *weather) mean(q outyard.Quantity, from, to time.Time) float64 {
	sum, n := 0.0, 0
	for _, a := range w.between(from, to) {
		if v := a.value(q); outyard.Known(v) {
			sum, n = sum+v, n+1
		}
	}
	if n == 0 {
		return outyard.Unknown
	}
	return sum / float64(n)
}

// rainMm is what fell over a while, NaN when nobody measured.
func (w *weather) rainMm(from, to time.Time) float64 {
	sum := outyard.Unknown
	for _, a := range w.between(from, to) {
		if v := a.value(outyard.Rain); outyard.Known(v) {
			if !outyard.Known(sum) {
				sum = 0
			}
			sum += v
		}
	}
	return sum
}
