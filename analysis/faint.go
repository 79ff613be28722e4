package analysis

import (
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/activity"
	"outyard/analysis/condition"
	"outyard/analysis/robust"
	"outyard/analysis/steps"
	"outyard/analysis/sun"
)

// What counts for a faint mark of the keeper's work (chosen on simulated
// seasons).
const (
	// faintNear is how far from the work on other hives it may lie: a keeper
	// goes from hive to hive.
	faintNear = 25 * time.Minute
	// faintNoise is how many times the scale's noise, on top of faintKg, a
	// sample must stand out by: hands on a box move the scale by that.
	faintNoise = 4
	faintKg    = 0.08
	// faintK is by how much the hive must be colder otherwise, on top of
	// faintMoves times what its warmth moves by from sample to sample.
	faintK     = 0.3
	faintMoves = 4
	// faintP is how sure a faint mark is: hives are passed over, too.
	faintP = 0.65
	// faintRound is at how many other hives something must have stood out at
	// the time for a keeper's round of the yard that left nothing but such
	// marks, and one in how many of a big yard: by chance that many hives do not
	// stir within the hour.
	faintRound = 3
	faintShare = 2
	// flightC is the air from which on bees that try their wings lighten a
	// hive for a while, and many hives at the same hour: little flies below
	// 12 °C (COLOSS standard methods).
	flightC = 12
)

// A blip is one sample that stands out.
type blip struct {
	*steps.Departure
	mark   float64 // how far, in what it takes to count
	flight bool    // bees trying their wings would do as much
}

// A spell is a stretch of time.
type spell struct{ from, to time.Time }

func (s spell) near(t time.Time) bool {
	return !t.Before(s.from.Add(-faintNear)) && !t.After(s.to.Add(faintNear))
}

// faintWork looks for short work on hives that the detector left alone, on a
// date on which the keeper was at others of the yard: a lid lifted for two
// minutes moves one sample by little, which on any other day means nothing.
func (c *Course) faintWork(from, to time.Time) {
	work, blips := make([][]spell, len(c.order)), make([][]blip, len(c.order))
	for i, h := range c.order {
		work[i], blips[i] = h.workWithin(from, to), c.blips(h, from, to)
	}
	// Who was at the hives in the middle of a round was at those at its ends.
	for more := true; more; {
		more = false
		for i, h := range c.order {
			var found *blip
			for k := range blips[i] {
				if b := &blips[i][k]; (found == nil || b.mark > found.mark) && keeperNear(b, i, work, blips) {
					found = b
				}
			}
			if found == nil {
				continue
			}
			h.insert(found.Departure)
			work[i], blips[i] = append(work[i], spell{found.Before, found.End}), nil
			more = true
			c.revision++
		}
	}
}

// keeperNear says whether the yard's other hives show the keeper about a blip
// of the i-th.
func keeperNear(b *blip, i int, work [][]spell, blips [][]blip) bool {
	worked, stirred := 0, 0
	for k := range work {
		switch {
		case k == i:
		case slices.ContainsFunc(work[k], func(s spell) bool { return s.near(b.Start) }):
			worked++
		case slices.ContainsFunc(blips[k], func(o blip) bool { return !o.flight && o.Start.Sub(b.Start).Abs() <= faintNear }):
			stirred++
		}
	}
	if few := len(work) <= 3; worked >= 2 || worked == 1 && few {
		return true
	}
	round := max(faintRound, (len(work)-1)/faintShare)
	return worked+stirred >= round && (worked > 0 || !b.flight)
}

// chill is how far the i-th sample is colder inside than those before it and
// those half an hour after it, in what it takes to count: the day's course is
// not, nor the unrest of a probe away from the nest.
func chill(samples []condition.Sample, i int) float64 {
	if c := samples[i].InsideTempC; !(max(samples[i-1].InsideTempC, samples[i-2].InsideTempC, samples[i-3].InsideTempC)-c > faintK) {
		return 0 // as nearly always: not worth the rest
	}
	before := warmths(nil, samples[max(0, i-12):i])
	after := warmths(nil, samples[min(len(samples), i+3):min(len(samples), i+6)])
	if len(before) < 6 || len(after) < 2 {
		return 0
	}
	moves := make([]float64, 0, len(before))
	for k := 1; k < len(before); k++ {
		moves = append(moves, math.Abs(before[k]-before[k-1]))
	}
	usual := min(robust.Median(before[len(before)-3:]), robust.Median(after))
	return (usual - samples[i].InsideTempC) / (faintK + faintMoves*robust.Median(moves))
}

// workWithin is when the keeper was surely at the hive.
func (h *hive) workWithin(from, to time.Time) []spell {
	var work []spell
	for _, e := range h.recent(from) {
		if e.Start.Before(to) && e.worked() && e.Verdict.Cause == steps.KeepersWork {
			work = append(work, spell{e.Before, e.End})
		}
	}
	return work
}

// blips are the samples of a hive by day that stand out, where no event of its
// own is near.
func (c *Course) blips(h *hive, from, to time.Time) []blip {
	var found []blip
	samples := h.samples.Between(from, to)
	for i := 3; i < len(samples)-3; i++ {
		s := samples[i]
		gap := s.Time.Sub(samples[i-1].Time)
		if gap > 20*time.Minute {
			continue
		}
		before, after := level(samples[i-3:i]), level(samples[i+1:i+4])
		usual := (before + after) / 2
		out := max(usual-s.LowKg, s.HighKg-usual, math.Abs(s.WeightKg-usual)) - math.Abs(after-before)/2
		mark := out / (faintKg + faintNoise*h.stream.NoiseKg())
		if mark > 1 {
			mark = out / (faintKg + faintNoise*max(h.stream.NoiseKg(), gustsKg(samples, i)))
		}
		mark = max(mark, chill(samples, i))
		if !(mark > 1) || h.busyAt(s.Time) || sun.ElevationDeg(c.yard.Latitude, c.yard.Longitude, s.Time) < nightDeg {
			continue
		}
		air := c.weather.mean(outyard.OutsideTemp, s.Time.Add(-time.Hour), s.Time.Add(time.Hour))
		found = append(found, blip{
			Departure: &steps.Departure{
				Before: samples[i-1].Time, Start: s.Time, End: samples[i+1].Time, QuietFrom: samples[i+1].Time,
				Settled: true, BaseKg: before, AfterKg: after, Cadence: gap, NoiseKg: h.stream.NoiseKg(),
				LowestKg: min(s.LowKg, before, after), HighestKg: max(s.HighKg, before, after), Samples: 2, Away: 1, StepShare: 1,
				WarmedK: outyard.Unknown, CooledK: outyard.Unknown,
			},
			mark: mark, flight: s.WeightKg < usual && !(air < flightC),
		})
	}
	return found
}

// gustsKg is how much the samples about the i-th differ from their neighbours,
// as a standard deviation: wind shakes a hive all afternoon.
func gustsKg(samples []condition.Sample, i int) float64 {
	var moves []float64
	at := samples[i].Time
	for k := 2; k < len(samples); k++ {
		if samples[k].Time.Sub(at) > 3*faintNear {
			break
		}
		if at.Sub(samples[k-2].Time) > 3*faintNear {
			continue
		}
		if d := samples[k-2].WeightKg - 2*samples[k-1].WeightKg + samples[k].WeightKg; outyard.Known(d) {
			moves = append(moves, math.Abs(d))
		}
	}
	if len(moves) < 8 {
		return 0
	}
	// As for the noise of quiet nights: second differences of white noise have
	// six times its variance, a normal law's median deviation 0.6745 of its.
	return robust.Median(moves) / 0.6745 / math.Sqrt(6)
}

// busyAt says that an event of the hive's own is at or about an instant.
func (h *hive) busyAt(t time.Time) bool {
	for _, e := range h.recent(t.Add(-h.set.Steps.SettleSpan)) {
		if e.Before.Add(-h.set.Steps.SettleSpan).Before(t) {
			return true
		}
	}
	return false
}

// level is the middle weight of three samples; of two where one is not known.
func level(samples []condition.Sample) float64 {
	a, b, c := samples[0].WeightKg, samples[1].WeightKg, samples[2].WeightKg
	if !outyard.Known(a + b + c) {
		return robust.Median([]float64{a, b, c})
	}
	return max(min(a, b), min(max(a, b), c))
}

// warmths appends what is known of the samples' inside temperatures.
func warmths(c []float64, samples []condition.Sample) []float64 {
	for _, s := range samples {
		if outyard.Known(s.InsideTempC) {
			c = append(c, s.InsideTempC)
		}
	}
	return c
}

// insert puts a faint mark among the hive's events, by time.
func (h *hive) insert(d *steps.Departure) {
	e := &event{Event: steps.Event{Departure: d, Verdict: steps.Faint(faintP)},
		around: steps.Circumstances{Busy: activity.Unknown()}}
	i := len(h.events)
	for i > h.done && h.events[i-1].Before.After(d.Before) {
		i--
	}
	h.events = slices.Insert(h.events, i, e)
}
