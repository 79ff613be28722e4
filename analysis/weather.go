package analysis

import (
	"time"

	"outyard"
)

// keepFor is how long samples are kept in memory: the count of a day looks
// back to the evening before it.
const keepFor = 84 * time.Hour

// weather is what the yard's own instruments say of the air outside.
type weather struct {
	newest  time.Time // of the weather node
	samples []outyard.Reading
}

// add takes the outside quantities of a reading: the weather node's, or those
// of a hive's node that has a probe outside.
func (w *weather) add(r outyard.Reading) {
	if r.Hive == "" {
		w.newest = r.Time
	}
	known := false
	for q := range outyard.NumQuantities {
		known = known || q.Info().OfYard && outyard.Known(r.Values[q])
	}
	if !known {
		return
	}
	// Nearly always the newest; a hive's node may be a little behind another.
	w.samples = append(w.samples, r)
	for i := len(w.samples) - 1; i > 0 && w.samples[i].Time.Before(w.samples[i-1].Time); i-- {
		w.samples[i], w.samples[i-1] = w.samples[i-1], w.samples[i]
	}
	w.samples = forget(w.samples, r.Time, func(r outyard.Reading) time.Time { return r.Time })
}

// forget drops what is older than keepFor, a day's worth at a time.
func forget[T any](s []T, now time.Time, at func(T) time.Time) []T {
	if now.Sub(at(s[0])) < keepFor+24*time.Hour {
		return s
	}
	i := 0
	for now.Sub(at(s[i])) > keepFor {
		i++
	}
	return append(s[:0], s[i:]...)
}

// between returns the samples from one instant up to, not including, another.
func (w *weather) between(from, to time.Time) []outyard.Reading {
	return within(w.samples, from, to, func(r outyard.Reading) time.Time { return r.Time })
}

// mean is the mean of a quantity over a while, NaN when nothing is known.
func (w *weather) mean(q outyard.Quantity, from, to time.Time) float64 {
	sum, n := 0.0, 0
	for _, r := range w.between(from, to) {
		if v := r.Values[q]; outyard.Known(v) {
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
	for _, r := range w.between(from, to) {
		if v := r.Values[outyard.Rain]; outyard.Known(v) {
			if !outyard.Known(sum) {
				sum = 0
			}
			sum += v
		}
	}
	return sum
}
