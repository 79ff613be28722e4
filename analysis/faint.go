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
	// faintK is by how much the hive must be colder than before otherwise.
	faintK = 0.3
	// faintP is how sure a faint mark is: hives are passed over, too.
	faintP = 0.65
)

// faintWork looks for short work on hives that the detector left alone, on a
// date on which the keeper was at others of the yard: a lid lifted for two
// minutes moves one sample by little, which on any other day means nothing.
func (c *Course) faintWork(from, to time.Time) {
	for _, h := range c.order {
		others := c.workOn(h, from, to)
		if len(others) == 0 {
			continue
		}
		if d := h.faint(others, from, to); d != nil {
			h.insert(d)
			c.revision++
		}
	}
}

// A spell is a stretch of time.
type spell struct{ from, to time.Time }

// workOn is when the keeper was at hives of the yard other than h; nothing
// when it was one hive of many.
func (c *Course) workOn(h *hive, from, to time.Time) []spell {
	var work []spell
	hives, weighed := 0, 0
	for _, other := range c.order {
		if other == h {
			continue
		}
		weighed++
		n := len(work)
		for _, e := range other.recent(from) {
			if e.Start.Before(to) && e.worked() && e.Verdict.Cause == steps.KeepersWork {
				work = append(work, spell{e.Before, e.End})
			}
		}
		if len(work) > n {
			hives++
		}
	}
	if hives < 2 && weighed > 2 {
		return nil
	}
	return work
}

// faint returns the departure where the hive's samples stand out the most near
// the work on others, when no event of its own is near; nil when none does.
func (h *hive) faint(others []spell, from, to time.Time) *steps.Departure {
	var found *steps.Departure
	most := 1.0
	samples := h.samples.Between(from, to)
	noiseKg := max(h.stream.NoiseKg(), h.gustsKg(samples, others))
	for i := 3; i < len(samples)-3; i++ {
		s := samples[i]
		gap := s.Time.Sub(samples[i-1].Time)
		near := func(o spell) bool {
			return !s.Time.Before(o.from.Add(-faintNear)) && !s.Time.After(o.to.Add(faintNear))
		}
		if gap > 20*time.Minute || !slices.ContainsFunc(others, near) || h.busyAt(s.Time) {
			continue
		}
		before, after := levels(samples[i-3:i]), levels(samples[i+1:i+4])
		usual := (before + after) / 2
		out := max(usual-s.LowKg, s.HighKg-usual, math.Abs(s.WeightKg-usual))
		mark := out / (faintKg + faintNoise*noiseKg + math.Abs(after-before)/2)
		if warm := warmths(samples[max(0, i-12):i]); len(warm) >= 6 {
			usual := robust.Median(warm)
			mark = max(mark, (usual-s.InsideTempC)/(faintK+usual-slices.Min(warm)))
		}
		if !(mark > most) {
			continue
		}
		most = mark
		found = &steps.Departure{
			Before: samples[i-1].Time, Start: s.Time, End: samples[i+1].Time, QuietFrom: samples[i+1].Time,
			Settled: true, BaseKg: before, AfterKg: after, Cadence: gap, NoiseKg: h.stream.NoiseKg(),
			LowestKg: min(s.LowKg, before, after), HighestKg: max(s.HighKg, before, after), Samples: 2, StepShare: 1,
			WarmedK: outyard.Unknown, CooledK: outyard.Unknown,
		}
	}
	return found
}

// gustsKg is how much the samples about the work on others differ from their
// neighbours, as a standard deviation: wind shakes a hive all afternoon.
func (h *hive) gustsKg(samples []condition.Sample, others []spell) float64 {
	var moves []float64
	for i := 2; i < len(samples); i++ {
		t := samples[i].Time
		if !slices.ContainsFunc(others, func(o spell) bool {
			return t.After(o.from.Add(-3*faintNear)) && t.Before(o.to.Add(3*faintNear))
		}) {
			continue
		}
		if d := samples[i-2].WeightKg - 2*samples[i-1].WeightKg + samples[i].WeightKg; outyard.Known(d) {
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

func levels(samples []condition.Sample) float64 {
	kg := make([]float64, 0, 3)
	for _, s := range samples {
		kg = append(kg, s.WeightKg)
	}
	return robust.Median(kg)
}

func warmths(samples []condition.Sample) []float64 {
	var c []float64
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
