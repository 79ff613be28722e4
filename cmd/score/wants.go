package main

import (
	"fmt"
	"io"
	"time"

	"outyard"
	"outyard/simulator"
)

// A hiveDay is one hive's local date.
type hiveDay struct {
	place
	date outyard.Date
}

// truthOf is what each hive did on each date.
func truthOf(labels []simulator.Label) map[hiveDay]simulator.Label {
	truth := map[hiveDay]simulator.Label{}
	for _, l := range labels {
		if l.Kind == simulator.DayTruth {
			truth[hiveDay{place{l.Yard, l.Hive}, l.Date}] = l
		}
	}
	return truth
}

// Between what must be told and what is false lies what may be told: stores
// that last up to storesMayDays, or that want no more than storesMayKg for the
// winter, and combs that are roomMay full within roomWithin.
const (
	storesMayDays = 30
	storesMayKg   = -3
	// In autumn less than the mildest rule of the trade asks for may be told,
	// too: 40 lb for a mild winter (a keeper's survey of sources).
	storesRuleKg = 18.1
	// What must be told is stores that come to last no longer than
	// storesMustDays, or want so much for the winter.
	storesMustDays = 14
	storesMustKg   = 3
	roomMay        = 0.55
	roomWithin     = 10 // days
)

// wants are the scores of stores and room.
type wants struct {
	stores, room   rate
	storesErr      []float64 // kg
	nothing        int       // hive-days of which no stores were said
	leftErr        []float64 // days said left, less the true ones
	within, judged int       // how often the interval held the truth
	roomLead       []float64 // days from telling to full combs
}

func (w *wants) add(o wants) {
	w.stores.add(o.stores)
	w.room.add(o.room)
	w.storesErr = append(w.storesErr, o.storesErr...)
	w.nothing += o.nothing
	w.leftErr = append(w.leftErr, o.leftErr...)
	w.within += o.within
	w.judged += o.judged
	w.roomLead = append(w.roomLead, o.roomLead...)
}

func (w *wants) day(d outyard.Day, l simulator.Label) {
	if !outyard.Known(d.StoresKg) {
		w.nothing++
		return
	}
	w.storesErr = append(w.storesErr, d.StoresKg-l.StoresKg)
}

// scoreWants matches findings of stores and room by the time in which both
// hold.
func (t *tally) scoreWants(seed uint64, labels []simulator.Label, found []outyard.Finding, used map[string]bool) {
	truth := truthOf(labels)
	zone := simulator.Invent(seed, simulator.Options{}).Yards()[0].Zone
	for _, l := range labels {
		r := map[outyard.Kind]*rate{outyard.StoresLow: &t.wants.stores, outyard.RoomLow: &t.wants.room}[l.Kind]
		if r == nil {
			continue
		}
		must := l.Kind == outyard.RoomLow
		for d := outyard.DateOf(l.Time, zone); !must && d.Start(zone).Before(l.End); d = d.Add(1) {
			day, ok := truth[hiveDay{place{l.Yard, l.Hive}, d}]
			must = ok && (day.DaysLeft <= storesMustDays || day.ShortKg >= storesMustKg)
		}
		if must {
			r.there++
		}
		var told *outyard.Finding
		for i := range found {
			f := &found[i]
			if f.Kind != l.Kind || f.Yard != l.Yard || f.Hive != l.Hive || f.State == outyard.Withdrawn ||
				f.ToldAt.After(l.End) || !f.End.IsZero() && f.End.Before(l.Time) {
				continue
			}
			used[f.ID] = true
			if told == nil || f.ToldAt.Before(told.ToldAt) {
				told = f
			}
		}
		if !must {
			continue
		}
		if told == nil {
			day := truth[hiveDay{place{l.Yard, l.Hive}, outyard.DateOf(l.End.Add(-time.Hour), zone)}]
			t.remark(seed, "missed %s, %s %s %s to %s: stores %.1f kg, %.0f days, short %.1f kg, combs %.2f full", l.Kind, l.Yard, l.Hive,
				l.Time.Format(time.DateOnly), l.End.Format(time.DateOnly), day.StoresKg, day.DaysLeft, day.ShortKg, day.FullShare)
			continue
		}
		r.found++
		r.delay = append(r.delay, told.ToldAt.Sub(l.Time))
		if l.Kind == outyard.RoomLow {
			t.wants.roomLead = append(t.wants.roomLead, l.Time.Sub(told.ToldAt).Hours()/24)
		}
	}
	for i := range found {
		f := &found[i]
		if used[f.ID] || f.Kind != outyard.StoresLow && f.Kind != outyard.RoomLow {
			continue
		}
		for d, n := outyard.DateOf(f.ToldAt, zone).Add(-1), 0; n <= roomWithin; d, n = d.Add(1), n+1 {
			day, ok := truth[hiveDay{place{f.Yard, f.Hive}, d}]
			switch {
			case !ok:
			case f.Kind == outyard.RoomLow:
				used[f.ID] = used[f.ID] || day.FullShare >= roomMay
			case n <= 1:
				used[f.ID] = used[f.ID] || day.Doomed || day.DaysLeft <= storesMayDays || day.ShortKg != 0 && (day.ShortKg >= storesMayKg || day.StoresKg < storesRuleKg)
			}
		}
	}
}

// A forecast is for how many days stores were said to last, and the bounds.
type forecast struct{ days, low, high float64 }

type forecasts map[hiveDay]forecast

// note keeps what is said this day of stores that are low.
func (f forecasts) note(found []outyard.Finding, now time.Time, season simulator.Scenario) {
	for _, x := range found {
		if x.Kind == outyard.StoresLow && x.State == outyard.Open {
			// The days are counted the morning after.
			date := outyard.DateOf(now.Add(-24*time.Hour), season.Yards()[0].Zone)
			f[hiveDay{place{x.Yard, x.Hive}, date}] = forecast{x.Fact("days_left"), x.Fact("days_left_low"), x.Fact("days_left_high")}
		}
	}
}

func (w *wants) forecast(said forecasts, truth map[hiveDay]simulator.Label) {
	for at, f := range said {
		l, ok := truth[at]
		if !ok || l.Doomed || !outyard.Known(f.days) {
			continue
		}
		w.leftErr = append(w.leftErr, f.days-l.DaysLeft)
		w.judged++
		if f.low <= l.DaysLeft && l.DaysLeft <= f.high {
			w.within++
		}
	}
}

func (w *wants) print(out io.Writer) {
	fmt.Fprintf(out, "stores, kg: error median %.2f, 90th percentile %.2f, bias %.2f, over %d hive-days; not known on %d\n",
		quantile(0.5, abs(w.storesErr)), quantile(0.9, abs(w.storesErr)), quantile(0.5, w.storesErr), len(w.storesErr), w.nothing)
	if w.judged > 0 {
		fmt.Fprintf(out, "days left, while stores were said to be low: error median %.0f, 90th percentile %.0f, bias %.0f; within the bounds of nine in ten: %.2f of %d\n",
			quantile(0.5, abs(w.leftErr)), quantile(0.9, abs(w.leftErr)), quantile(0.5, w.leftErr), float64(w.within)/float64(w.judged), w.judged)
	}
	if len(w.roomLead) > 0 {
		fmt.Fprintf(out, "room: told before the combs were full by (median, 10 %% least) %.0f, %.0f days\n", quantile(0.5, w.roomLead), quantile(0.1, w.roomLead))
	}
}
