package flow

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// level of all intervals: nine times in ten.
const intervalLevel = 0.9

// near is how far from the best guess a start or end is looked for, in days.
const near = 10

// measure fills in what the flow amounts to.
func (w *Watch) measure(f *Flow, blind bool) {
	w.gainOf(f)
	if blind || len(w.steps) == 0 {
		return
	}
	back := w.set.smooth(w.began, w.steps)
	at := func(d outyard.Date) int { return d.Sub(w.steps[0].date) }
	if i := at(f.Start); i > 0 && !f.Told.Before(w.settled()) { // else it is no more moved
		low, high := spread(back, i, func(s smoothed) float64 { return s.begins })
		f.StartLow, f.StartHigh = w.steps[low].date, w.steps[high].date
	} else if (f.StartLow == outyard.Date{}) {
		f.StartLow, f.StartHigh = f.Start, f.Start
	}
	last := len(w.steps) - 1
	if f.Over() {
		if i := at(f.End) + 1; i > 0 && i <= last {
			low, high := spread(back, i, func(s smoothed) float64 { return s.ends })
			f.EndLow, f.EndHigh = w.steps[low].date.Add(-1), w.steps[high].date.Add(-1)
		}
		f.EndConfidence = 1 - back[last].flow
		last = min(max(at(f.End), 0), last)
	}
	f.Confidence = 0
	// A flow is as sure as its surest day: on that one nectar came in.
	for i := max(at(f.Start), 0); i <= last; i++ {
		f.Confidence = max(f.Confidence, back[i].flow)
	}
}

// spread is the span of days around i that holds nine tenths of the chance.
func spread(back []smoothed, i int, chance func(smoothed) float64) (low, high int) {
	low, high = max(i-near, 0), min(i+near, len(back)-1)
	total := 0.0
	for _, s := range back[low : high+1] {
		total += chance(s)
	}
	tail := total * (1 - intervalLevel) / 2
	for sum := chance(back[low]); low < i && sum < tail; sum += chance(back[low]) {
		low++
	}
	for sum := chance(back[high]); high > i && sum < tail; sum += chance(back[high]) {
		high--
	}
	return low, high
}

// gainOf fills in how much came in. The interval is a bootstrap in blocks of
// three days, as weather lasts.
func (w *Watch) gainOf(f *Flow) {
	to := w.last
	if f.Over() {
		to = f.End
	}
	i, j := max(f.Start.Sub(w.first), 0), min(to.Sub(w.first)+1, len(w.gains))
	gains := w.gains[i:max(i, j)]
	f.BestKg, f.TotalKg, f.Days, f.Hives = math.Inf(-1), 0, 0, 0
	for k, g := range gains {
		f.Hives = max(f.Hives, w.hives[i+k])
		if outyard.Known(g) {
			f.Days++
			f.TotalKg += g
			f.BestKg = max(f.BestKg, g)
		}
	}
	if f.Days == 0 {
		f.BestKg, f.TotalKg = outyard.Unknown, outyard.Unknown
	}
	b := robust.Bootstrap{Level: intervalLevel, Draws: 200, Block: 3, Seed: uint64(f.Start.Sub(outyard.Date{Year: 2000, Month: 1, Day: 1}))}
	f.KgPerDay, f.KgPerDayLow, f.KgPerDayHigh = b.Of(gains, mean)
}

func mean(x []float64) float64 {
	if len(x) == 0 {
		return outyard.Unknown
	}
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}
