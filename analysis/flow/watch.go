package flow

import (
	"fmt"
	"slices"
	"strings"

	"outyard"
)

// A Watch follows one yard's flows, day by day. What it says depends on the
// days alone, never on when it was asked.
type Watch struct {
	yard  outyard.Yard
	set   Settings
	pool  *pool
	began distribution // before the first of steps
	steps []step       // the latest days, at most the window
	last  outyard.Date // the latest day; the zero date before any

	flows []Flow
	open  bool // the last of flows goes on
	// gains are the pooled gains from the first day on; NaN where not known.
	gains []float64
	hives []int
	first outyard.Date
}

// NewWatch returns a watch that has seen nothing yet.
func NewWatch(yard outyard.Yard, set Settings) *Watch {
	return &Watch{yard: yard, set: set, pool: newPool(set), began: atFirst()}
}

// Clone returns a copy that goes its own way from here: for redoing the last
// days when late readings have changed them.
func (w *Watch) Clone() *Watch {
	c := *w
	c.pool = w.pool.clone()
	c.steps = slices.Clone(w.steps)
	c.flows = slices.Clone(w.flows)
	c.gains = slices.Clone(w.gains)
	c.hives = slices.Clone(w.hives)
	return &c
}

// Day takes the next day. Days that are left out are days of which nothing is
// known. A day that is not after the latest is an error: what is past is
// changed by feeding a Clone from before, or a new Watch.
func (w *Watch) Day(date outyard.Date, days []HiveDay, weather Weather) error {
	if len(w.gains) > 0 && !w.last.Before(date) {
		return fmt.Errorf("flow of yard %s: day %s is not after %s: begin from an earlier copy", w.yard.ID, date, w.last)
	}
	if len(w.gains) == 0 {
		w.first, w.last = date, date.Add(-1)
	}
	for missing := w.last.Add(1); missing.Before(date); missing = missing.Add(1) {
		w.day(missing, nil, UnknownWeather)
	}
	w.day(date, days, weather)
	return nil
}

func (w *Watch) day(date outyard.Date, days []HiveDay, weather Weather) {
	days = slices.Clone(days)
	slices.SortStableFunc(days, func(a, b HiveDay) int { return strings.Compare(string(a.Hive), string(b.Hive)) })
	st := step{date: date, gain: w.pool.day(date, days), flight: w.set.flight(weather)}
	st.emission = w.set.emit(st.gain, st.flight, weather.RainMm)
	before := w.began
	if n := len(w.steps); n > 0 {
		before = w.steps[n-1].filtered
	}
	a := w.set.transition(st.flight)
	st.filtered = next(before, &a, &st.emission)
	if len(w.steps) >= w.set.WindowDays {
		w.began = w.steps[0].filtered
		w.steps = slices.Delete(w.steps, 0, 1)
	}
	w.steps = append(w.steps, st)
	w.last = date
	w.gains = append(w.gains, st.gain.gainKg)
	w.hives = append(w.hives, st.gain.hives)
	w.decide(st)
}

// decide opens, moves or closes a flow after a day. The chance that opens one
// is higher than the one that keeps it open, so that nobody is told back and
// forth on a day in between.
func (w *Watch) decide(today step) {
	chance := today.filtered.flow()
	switch {
	case !w.open && chance >= w.set.TellAt:
		w.opens()
	case w.open && w.blind():
		w.loses()
	case w.open && chance <= 1-w.set.TellAt:
		w.closes()
	case w.open:
		w.moves()
	}
}

// opens adds a flow whose start is found by looking back, or goes on with the
// one before when looking back shows no end of it.
func (w *Watch) opens() {
	runs := w.runs()
	if len(runs) == 0 || !runs[len(runs)-1].lasts {
		return // the likeliest course does not say so yet
	}
	r := runs[len(runs)-1]
	told := w.last
	for n := len(w.flows); n > 0 && !w.flows[n-1].End.Before(r.start); n = len(w.flows) {
		r.start = minDate(r.start, w.flows[n-1].Start)
		told = w.flows[n-1].Told
		w.flows = w.flows[:n-1]
	}
	w.flows = append(w.flows, Flow{Start: r.start, Told: told})
	w.open = true
	w.measure(&w.flows[len(w.flows)-1], false)
}

// moves looks back again for the start.
func (w *Watch) moves() {
	f := &w.flows[len(w.flows)-1]
	runs := w.runs()
	if n := len(runs); n > 0 && runs[n-1].lasts && w.steps[0].date.Before(runs[n-1].start) {
		f.Start = w.after(runs[n-1].start)
	}
	w.measure(f, false)
}

// after keeps a start clear of the flow before.
func (w *Watch) after(start outyard.Date) outyard.Date {
	if n := len(w.flows); n > 1 && !w.flows[n-2].End.Before(start) {
		return w.flows[n-2].End.Add(1)
	}
	return start
}

// closes replaces the open flow by what looking back makes of it: mostly one
// flow with an end, sometimes two, sometimes none at all.
func (w *Watch) closes() {
	n := len(w.flows)
	was := w.flows[n-1]
	w.flows, w.open = w.flows[:n-1], false
	for _, r := range w.runs() {
		if r.end.Before(was.Start) && r.end.Before(w.last.Add(-w.set.WindowDays/2)) {
			continue
		}
		if n := len(w.flows); n > 0 && !w.flows[n-1].End.Before(r.start) {
			continue // told and over before
		}
		f := Flow{Start: r.start, End: r.end, Told: was.Told}
		if r.start == w.steps[0].date { // it began before the window
			f.Start = minDate(was.Start, r.start)
		}
		w.flows = append(w.flows, f)
		w.measure(&w.flows[len(w.flows)-1], false)
	}
}

// blind says that nothing has been seen for too long.
func (w *Watch) blind() bool {
	n := len(w.gains)
	for i := range min(w.set.BlindDays, n) {
		if outyard.Known(w.gains[n-1-i]) {
			return false
		}
	}
	return true
}

func (w *Watch) loses() {
	f := &w.flows[len(w.flows)-1]
	f.End = w.last.Add(-w.set.BlindDays)
	f.EndLow, f.EndHigh = f.End, w.last
	f.Lost = true
	w.open = false
	w.measure(f, true)
	w.steps, w.began = nil, atFirst()
}

// A run is a stretch of days that the likeliest course gives to a flow.
type run struct {
	start, end outyard.Date
	lasts      bool // up to the latest day
}

func (w *Watch) runs() []run {
	var runs []run
	for t, isFlow := range w.set.likeliest(w.began, w.steps) {
		if !isFlow {
			continue
		}
		date := w.steps[t].date
		if n := len(runs); n > 0 && runs[n-1].end.Add(1) == date {
			runs[n-1].end = date
		} else {
			runs = append(runs, run{start: date, end: date})
		}
		runs[len(runs)-1].lasts = t == len(w.steps)-1
	}
	return runs
}

// Flows lists the flows so far, oldest first.
func (w *Watch) Flows() []Flow { return slices.Clone(w.flows) }

// Chance is the chance, 0 to 1, that there is a flow after the latest day.
func (w *Watch) Chance() float64 {
	if len(w.steps) == 0 {
		return outyard.Unknown
	}
	return w.steps[len(w.steps)-1].filtered.flow()
}

// GainKg is the pooled gain of the yard's average hive on a day; NaN where not
// known.
func (w *Watch) GainKg(date outyard.Date) float64 {
	if i := date.Sub(w.first); len(w.gains) > 0 && i >= 0 && i < len(w.gains) {
		return w.gains[i]
	}
	return outyard.Unknown
}

func minDate(a, b outyard.Date) outyard.Date {
	if b.Before(a) {
		return b
	}
	return a
}
