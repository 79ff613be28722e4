package analysis

import (
	"time"

	"outyard"
	"outyard/analysis/gain"
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
	sum, n := make([]float64, hoursIn(from, to)), make([]int, hoursIn(from, to))
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
			sum[i], n[i] = sum[i]+w, n[i]+1
		}
	}
	for i := range sum {
		if n[i] == 0 {
			sum[i] = outyard.Unknown
		} else {
			sum[i] /= float64(n[i])
		}
	}
	for _, st := range all {
		if !st.To.After(to) {
			stepKg += st.Kg
		}
	}
	return sum, stepKg
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

// sky is the weather of each hour from one instant to another.
func (c *Course) sky(from, to time.Time) []gain.Sky {
	sky := make([]gain.Sky, hoursIn(from, to))
	dark := func(t time.Time) bool {
		return sun.ElevationDeg(c.yard.Latitude, c.yard.Longitude, t) < nightDeg
	}
	for i := range sky {
		t := from.Add(time.Duration(i) * time.Hour)
		end := t.Add(time.Hour)
		sky[i] = gain.Sky{Dark: dark(t) && dark(end), TempC: c.weather.mean(outyard.OutsideTemp, t, end),
			RHPct: c.weather.mean(outyard.OutsideRH, t, end), RainMm: c.weather.rainMm(t, end)}
	}
	return sky
}
