package analysis

import (
	"time"

	"outyard"
	"outyard/analysis/brood"
	"outyard/analysis/gain"
	"outyard/analysis/robust"
	"outyard/analysis/steps"
	"outyard/analysis/sun"
)

// hoursOf is the hive's weight through the hours from one instant to another,
// without what was put on or went at once; the rain that fell at once stays,
// since it is water. stepKg is what was taken out.
func (h *hive) hoursOf(from, to time.Time) (kg []float64, stepKg float64) {
	var all []gain.Step
	for _, e := range h.recent(from) {
		if e.Verdict.Cause != steps.Water {
			all = append(all, gain.Step{From: e.Before, To: e.End, Kg: e.NetKg()})
		}
	}
	kg = make([]float64, hoursIn(from, to))
	hour, values := 0, make([]float64, 0, 64)
	close := func(next int) {
		for ; hour < next; hour++ {
			// The median: a wild reading is no rain.
			kg[hour] = robust.Median(values)
			values = values[:0]
		}
	}
	for _, s := range h.samples.Between(from, to) {
		w := s.WeightKg
		for _, st := range all {
			switch {
			case !s.Time.Before(st.To):
				w -= st.Kg
			case s.Time.After(st.From):
				w = outyard.Unknown
			}
		}
		if i := int(s.Time.Sub(from) / time.Hour); outyard.Known(w) {
			close(i)
			values = append(values, w)
		}
	}
	close(len(kg))
	for _, st := range all {
		if !st.To.After(to) {
			stepKg += st.Kg
		}
	}
	return kg, stepKg
}

// wetDays is the water on a hive through the last two days that it was counted.
type wetDays [2]wetDay

// A wetDay is the water at a day's beginning and after each of its hours.
type wetDay struct {
	from time.Time
	kg   []float64
}

// on is the water on the hive at an instant, to the hour; 0 where nothing is
// known of it.
func (w wetDays) on(at time.Time) float64 {
	for i := len(w) - 1; i >= 0; i-- {
		if n := len(w[i].kg); n > 0 && !at.Before(w[i].from) {
			return w[i].kg[min(int(at.Sub(w[i].from)/time.Hour), n-1)]
		}
	}
	return 0
}

func hoursIn(from, to time.Time) int { return int((to.Sub(from) + time.Hour - 1) / time.Hour) }

// sky is the weather of each hour from one instant to another. warmth is how
// warm it was in each hive through the same hours.
func (c *Course) sky(from, to time.Time, warmth [][]brood.Hour) []gain.Sky {
	sky := make([]gain.Sky, hoursIn(from, to))
	winter := 1 - c.set.Flow.Season(sun.NoonDeg(c.yard.Latitude, from.Add(12*time.Hour)))
	dark := func(t time.Time) bool {
		return sun.ElevationDeg(c.yard.Latitude, c.yard.Longitude, t) < nightDeg
	}
	for i := range sky {
		t := from.Add(time.Duration(i) * time.Hour)
		end := t.Add(time.Hour)
		sky[i] = gain.Sky{Dark: dark(t) && dark(end), TempC: c.weather.mean(outyard.OutsideTemp, t, end),
			RHPct: c.weather.mean(outyard.OutsideRH, t, end), RainMm: c.weather.rainMm(t, end),
			AtMostC: insideC(warmth, i) - colonyWarmsK, Winter: winter}
	}
	return sky
}

// colonyWarmsK is how much warmer than the air a colony makes its hive at
// least, anywhere in it: an empty hive is 5.5 K cooler at the top of the box
// (Cook et al. 2022, J. Econ. Entomol. 115:715); of this about half.
const colonyWarmsK = 3

// insideC is how warm it is in the middle one of a yard's hives in an hour: one
// probe may lie, and a brood nest or a cluster only makes it warmer.
func insideC(warmth [][]brood.Hour, hour int) float64 {
	all := make([]float64, 0, len(warmth))
	for _, h := range warmth {
		if hour < len(h) {
			all = append(all, h[hour].InsideC)
		}
	}
	return robust.Median(all)
}

// warmest is what the air was at most in the warmest hour; NaN when no hour is
// known.
func warmest(sky []gain.Sky) float64 {
	most := outyard.Unknown
	for _, s := range sky {
		if outyard.Known(s.AtMostC) && !(s.AtMostC <= most) {
			most = s.AtMostC
		}
	}
	return most
}
