package chart

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// A tick is a place on an axis and what stands there.
type tick struct {
	at    float64
	label string
}

// valueTicks are four to seven round numbers between lo and hi.
func valueTicks(lo, hi float64, heightPx float64) []tick {
	want := math.Max(2, math.Min(6, heightPx/34))
	step := niceStep((hi - lo) / want)
	decimals := int(math.Max(0, -math.Floor(math.Log10(step)+1e-9)))
	var out []tick
	for i := math.Ceil(lo/step - 1e-9); i*step <= hi+step*1e-9; i++ {
		out = append(out, tick{i * step, Number(i*step, decimals)})
	}
	// One number is no scale: of a low chart the next finer step is taken.
	const finer = 0.4
	if len(out) < 2 && hi > lo && heightPx > 0 && step*finer < hi-lo {
		return valueTicks(lo, hi, heightPx/finer)
	}
	return out
}

// niceStep is 1, 2 or 5 times a power of ten, at least raw.
func niceStep(raw float64) float64 {
	if raw <= 0 || math.IsNaN(raw) || math.IsInf(raw, 0) {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= raw*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// Number writes v with a true minus sign, and no minus before a zero.
func Number(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if digits, neg := strings.CutPrefix(s, "-"); neg {
		if strings.Trim(digits, "0.") == "" {
			return digits
		}
		return "−" + digits
	}
	return s
}

// A stride is a step of the time axis.
type stride struct {
	hours, days, months int
	layout              string
	labelPx             float64 // room that a label needs
}

func (s stride) approx() time.Duration {
	return time.Duration(s.hours)*time.Hour + time.Duration(s.days)*24*time.Hour + time.Duration(s.months)*30*24*time.Hour
}

var strides = []stride{
	{hours: 1, layout: "15:04", labelPx: 52},
	{hours: 3, layout: "15:04", labelPx: 52},
	{hours: 6, layout: "15:04", labelPx: 52},
	{hours: 12, layout: "15:04", labelPx: 52},
	{days: 1, layout: "2 Jan", labelPx: 58},
	{days: 2, layout: "2 Jan", labelPx: 58},
	{days: 7, layout: "2 Jan", labelPx: 58},
	{days: 14, layout: "2 Jan", labelPx: 58},
	{months: 1, layout: "Jan", labelPx: 44},
	{months: 2, layout: "Jan", labelPx: 44},
	{months: 3, layout: "Jan", labelPx: 44},
	{months: 6, layout: "Jan 2006", labelPx: 70},
	{months: 12, layout: "2006", labelPx: 48},
	{months: 60, layout: "2006", labelPx: 48},
}

// timeTicks are round times of the zone's own calendar; a step over a change
// of the clocks stays on the hour.
func timeTicks(from, to time.Time, zone *time.Location, widthPx float64) []tick {
	from, to = from.In(zone), to.In(zone)
	span := to.Sub(from)
	s := strides[len(strides)-1]
	for _, try := range strides {
		if float64(span)/float64(try.approx())*try.labelPx <= widthPx {
			s = try
			break
		}
	}
	y, m, d := from.Date()
	var at func(i int) time.Time
	switch {
	case s.months > 0:
		m = time.Month((int(m)-1)/s.months*s.months + 1)
		if s.months > 12 {
			y, m = y-y%(s.months/12), 1
		}
		at = func(i int) time.Time { return time.Date(y, m+time.Month(i*s.months), 1, 0, 0, 0, 0, zone) }
	case s.days > 0:
		if s.days%7 == 0 { // weeks begin on Monday
			d -= (int(from.Weekday()) + 6) % 7
		}
		at = func(i int) time.Time { return time.Date(y, m, d+i*s.days, 0, 0, 0, 0, zone) }
	default:
		at = func(i int) time.Time { return time.Date(y, m, d, i*s.hours, 0, 0, 0, zone) }
	}
	var out []tick
	for i := 0; i < 1000; i++ {
		t := at(i)
		if t.After(to) {
			break
		}
		if t.Before(from) {
			continue
		}
		layout := s.layout
		switch {
		case s.hours > 0 && t.Hour() == 0:
			layout = "2 Jan"
		case s.months > 0 && s.months < 6 && t.Month() == time.January:
			layout = "2006"
		}
		out = append(out, tick{seconds(t), t.Format(layout)})
	}
	return out
}
