package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"outyard"
	"outyard/analysis/air"
	"outyard/analysis/robust"
	"outyard/store"
	"outyard/web/chart"
)

// hiveChart draws one chart of a hive as SVG.
func (s *site) hiveChart(w http.ResponseWriter, r *http.Request) error {
	ctx, now, q := r.Context(), s.Now(), r.URL.Query()
	yard, hive := outyard.YardID(r.PathValue("yard")), outyard.HiveID(r.PathValue("hive"))
	p, err := s.place(ctx, yard, hive)
	if err != nil {
		return err
	}
	name, ok := strings.CutSuffix(r.PathValue("chart"), ".svg")
	if !ok {
		return errNoPage
	}
	sp, err := s.hiveSpan(ctx, p, hive, q, now)
	if err != nil {
		return err
	}
	width := chartWidth(q)
	c, err := s.chartOf(ctx, name, p, hive, sp, q.Get("work") == "out", width)
	if err != nil {
		return err
	}
	return writeChart(w, c, width, q)
}

func chartWidth(q url.Values) int {
	w, err := strconv.Atoi(q.Get("w"))
	if err != nil {
		w = widths[len(widths)-1].px
	}
	return min(max(w, chart.MinWidthPx), chart.MaxWidthPx)
}

func writeChart(w http.ResponseWriter, c chart.Chart, width int, q url.Values) error {
	look := chart.Light
	if q.Get("look") == "dark" {
		look = chart.Dark
	}
	var b bytes.Buffer
	if err := c.SVG(&b, width, look); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	_, _ = w.Write(b.Bytes()) // who has left cannot be told
	return nil
}

// ofClimate are the findings that the charts of a hive's air show.
var ofClimate = map[outyard.Kind]bool{outyard.Damp: true, outyard.MouldRisk: true, outyard.BroodCold: true, outyard.SensorFault: true, outyard.Silent: true}

func climateOf(found []outyard.Finding) []outyard.Finding {
	return slices.DeleteFunc(slices.Clone(found), func(f outyard.Finding) bool { return !ofClimate[f.Kind] })
}

// chartOf gathers what one of a hive's charts shows.
func (s *site) chartOf(ctx context.Context, name string, p place, hive outyard.HiveID, sp span, out bool, width int) (chart.Chart, error) {
	var d *drawing
	for i := range drawings {
		if drawings[i].name == name {
			d = &drawings[i]
		}
	}
	if d == nil {
		return chart.Chart{}, errNoPage
	}
	c := chart.Chart{Title: d.caption + ", " + p.hiveName(hive), Unit: d.unit, From: sp.From, To: sp.To, Zone: sp.zone,
		Lowest: outyard.Unknown, Highest: outyard.Unknown, HeightPx: d.heightPx}
	pixels := chart.Pixels(sp.From, sp.To, width)
	line := func(label string, h outyard.HiveID, quantity outyard.Quantity, style chart.LineStyle) error {
		b, err := s.buckets(ctx, p.ID, h, quantity, sp.From, sp.To, pixels)
		if err != nil {
			return err
		}
		if len(b) > 0 {
			c.Lines = append(c.Lines, chart.Line{Name: label, Buckets: b, Style: style})
		}
		return nil
	}
	days := func() ([]outyard.Day, error) {
		ds, err := s.allDays(ctx, sp.daysQuery(p.ID, hive))
		if err != nil {
			return nil, fmt.Errorf("days of %s/%s: %w", p.ID, hive, err)
		}
		return ds, nil
	}
	switch name {
	case "weight":
		c.LeastSpan = 2 // kg: below that a scale's noise would look like news
		if err := line("", hive, outyard.Weight, chart.Main); err != nil {
			return c, err
		}
		found, err := s.foundIn(ctx, p.ID, hive, sp)
		if err != nil {
			return c, err
		}
		entries, err := s.entriesIn(ctx, p.ID, hive, sp)
		if err != nil {
			return c, err
		}
		c.Marks = marksOf(found, entries)
		work := workOf(found)
		for i := range c.Lines {
			if out {
				c.Lines[i].Buckets = chart.LeaveOut(c.Lines[i].Buckets, work)
			} else {
				c.Lowest, c.Highest = standing(c.Lines[i].Buckets, work, c.LeastSpan)
			}
		}
	case "gain":
		ds, err := days()
		if err != nil {
			return c, err
		}
		c.LeastSpan, c.Unit, c.Bars = 1, "kg", gainBars(ds, sp.zone)
		c.Bars, c.Unit = weekly(c.Bars, sp, width)
	case "temperature":
		c.LeastSpan = 5
		if err := line("inside", hive, outyard.InsideTemp, chart.Main); err != nil {
			return c, err
		}
		if err := line("outside", "", outyard.OutsideTemp, chart.Second); err != nil {
			return c, err
		}
	case "humidity":
		c.LeastSpan, c.Highest = 20, 103 // up to the full 100 always, with room for the line there
		c.Refs = []chart.Ref{{Value: air.MouldLimitRHPct, Label: "on the wall, mould above"}}
		if err := line("inside", hive, outyard.InsideRH, chart.Main); err != nil {
			return c, err
		}
		ds, err := days()
		if err != nil {
			return c, err
		}
		if b := dailyLine(ds, sp.zone, func(d outyard.Day) float64 { return d.WallRHPct }); len(b) > 0 {
			c.Lines = append(c.Lines, chart.Line{Name: "on the wall, by day", Buckets: b, Style: chart.Second})
		}
	case "vapour":
		c.LeastSpan = 400 // Pa: what a sensor's 2 %RH make of a warm brood nest is 100
		for _, l := range []struct {
			label string
			hive  outyard.HiveID
			style chart.LineStyle
		}{{"inside", hive, chart.Main}, {"outside", "", chart.Second}} {
			b, err := s.vapour(ctx, p.ID, l.hive, sp.From, sp.To, pixels)
			if err != nil {
				return c, err
			}
			if len(b) > 0 {
				c.Lines = append(c.Lines, chart.Line{Name: l.label, Buckets: b, Style: l.style})
			}
		}
	case "mould":
		ds, err := days()
		if err != nil {
			return c, err
		}
		c.Lowest, c.LeastSpan = 0, 3.5
		c.Refs = []chart.Ref{{Value: 1, Label: "mould can begin"}, {Value: 3, Label: "can be seen"}}
		c.Lines = []chart.Line{{Buckets: dailyLine(ds, sp.zone, func(d outyard.Day) float64 { return d.MouldIndex })}}
	}
	if name != "weight" && name != "gain" && len(c.Lines) > 0 {
		// What was found in the air, and what was done about it, on the same
		// axis; the rest stands with the weight.
		found, err := s.foundIn(ctx, p.ID, hive, sp)
		if err != nil {
			return c, err
		}
		entries, err := s.entriesIn(ctx, p.ID, hive, sp)
		if err != nil {
			return c, err
		}
		c.Marks = marksOf(climateOf(found), entries)
	}
	return c, nil
}

func (s *site) buckets(ctx context.Context, yard outyard.YardID, hive outyard.HiveID, quantity outyard.Quantity, from, to time.Time, pixels int) ([]chart.Bucket, error) {
	q := question{hiveAt{yard, hive}, quantity, from.UnixNano(), to.UnixNano(), pixels}
	bs, err := s.memory.series(ctx, q, func(ctx context.Context) ([]store.Bucket, error) {
		return s.store.Series(ctx, yard, hive, quantity, from, to, pixels)
	})
	if err != nil {
		return nil, fmt.Errorf("%s of %s/%s: %w", quantity, yard, hive, err)
	}
	out := make([]chart.Bucket, len(bs))
	for i, b := range bs {
		out[i] = bucketOf(b)
	}
	return out, nil
}

func bucketOf(b store.Bucket) chart.Bucket { return chart.Bucket(b) }

// workOf is the keeper's work that the findings tell of.
func workOf(found []outyard.Finding) []chart.Work {
	var out []chart.Work
	for _, f := range found {
		if f.Kind == outyard.Handling && f.State != outyard.Withdrawn {
			out = append(out, chart.Work{From: f.Onset, To: f.End, ChangeKg: f.Fact("change_kg")})
		}
	}
	return out
}

// standing is the span of the weights that the hive had while nobody lifted
// it: boxes on the grass for half an hour must not flatten a season, and no
// more must a reading that no other one beside it bears out. NaN leaves the
// axis to the data.
func standing(b []chart.Bucket, work []chart.Work, leastKg float64) (lo, hi float64) {
	still := chart.Undisturbed(b, work)
	if len(still) == 0 {
		return outyard.Unknown, outyard.Unknown
	}
	lo, hi = still[len(still)-1].Min, still[len(still)-1].Max // the newest has nothing after it yet to bear it out
	for i := range still[:len(still)-1] {
		// The middle of three neighbours: what a bucket shows alone falls out.
		near := still[max(0, min(i-1, len(still)-3)):min(len(still), max(i-1, 0)+3)]
		lo, hi = min(lo, middleOf(near, func(b chart.Bucket) float64 { return b.Min })), max(hi, middleOf(near, func(b chart.Bucket) float64 { return b.Max }))
	}
	if all := chart.Whole(still)[0]; all.Max-all.Min <= mostWild*max(hi-lo, leastKg) {
		if len(work) == 0 {
			return outyard.Unknown, outyard.Unknown
		}
		lo, hi = all.Min, all.Max
	}
	pad := max(0.06*(hi-lo), (leastKg-(hi-lo))/2)
	return lo - pad, hi + pad
}

// mostWild is how many times as high as what readings bear out a chart of
// weights may be before lone readings run off its edge.
const mostWild = 1.5

func middleOf(near []chart.Bucket, of func(chart.Bucket) float64) float64 {
	v := make([]float64, len(near))
	for i, b := range near {
		v[i] = of(b)
	}
	return robust.Median(v)
}

func marksOf(found []outyard.Finding, entries []outyard.Entry) []chart.Mark {
	var out []chart.Mark
	for _, f := range found {
		if f.State == outyard.Withdrawn {
			continue
		}
		m := chart.Mark{At: f.Onset, End: f.End, Letter: letterOf(f.Kind)}
		switch f.Severity {
		case outyard.Now:
			m.Weight = chart.Urgent
		case outyard.Soon:
			m.Weight = chart.Pending
		}
		out = append(out, m)
	}
	for _, e := range entries {
		out = append(out, chart.Mark{At: e.Time, Letter: "J", Weight: chart.ByHand})
	}
	return out
}

func gainBars(days []outyard.Day, zone *time.Location) []chart.Bar {
	out := make([]chart.Bar, 0, len(days))
	for _, d := range days {
		if outyard.Known(d.GainKg) {
			out = append(out, chart.Bar{From: d.Date.Start(zone), To: d.Date.Add(1).Start(zone), Value: d.GainKg})
		}
	}
	return out
}

// narrowestPx is how narrow a day's bar may be; narrower ones become weeks.
const narrowestPx = 3

// weekly adds days up to weeks, Monday to Sunday, where days would be too
// narrow to see, and says which it is. A week of which a day is missing is
// shown as what is known of it.
func weekly(bars []chart.Bar, sp span, width int) ([]chart.Bar, string) {
	days := sp.LastDay().Sub(sp.FirstDay()) + 1
	if chart.PlotWidthPx(width) >= narrowestPx*days {
		return bars, "kg a day"
	}
	var out []chart.Bar
	for _, b := range bars {
		d := outyard.DateOf(b.From, sp.zone)
		monday := d.Add(-(int(d.Start(time.UTC).Weekday()) + 6) % 7)
		start := monday.Start(sp.zone)
		if n := len(out); n > 0 && out[n-1].From.Equal(start) {
			out[n-1].Value += b.Value
			continue
		}
		out = append(out, chart.Bar{From: start, To: monday.Add(7).Start(sp.zone), Value: b.Value})
	}
	return out, "kg a week"
}

// dailyLine puts a day's figure at its noon.
func dailyLine(days []outyard.Day, zone *time.Location, of func(outyard.Day) float64) []chart.Bucket {
	var out []chart.Bucket
	for _, d := range days {
		if v := of(d); outyard.Known(v) {
			out = append(out, chart.One(d.Date.Start(zone).Add(12*time.Hour), v))
		}
	}
	return out
}
