package flow

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"outyard"
	"outyard/analysis/robust"
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

	flows   []Flow
	open    bool // the last of flows goes on
	anyFull bool // a full hive was heard on the latest day
	// gains are the pooled gains from the first day on; NaN where not known.
	gains []float64
	hives []int
	first outyard.Date
}

const (
	// So many days after it was told a start is no more moved, nor an end that
	// is so long past: by then the days after it have said what they can.
	settleDays = 12
	// The first day of a flow is one on which more came in than this: in a week
	// without flight nobody can tell when a bloom opened.
	beginsKg = 0.1
	// What was told to be over is, when for so many days after it the hives
	// together gained nothing.
	pauseDays = 7
	// A flow must have lasted so long for a stronger one to be another: a
	// bloom takes about a week to open by itself.
	bloomDays = 8
	// By so many days its first may be moved while it is still the same.
	sameBloomDays = 4
	// It must bring so much more, and so many times as much, as what came before
	// it, which was a trickle: a flow that strengthens is the same flow.
	trickleKg, opensByKg, severalTimes = 0.4, 0.5, 4
)

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
	w.anyFull = slices.ContainsFunc(days, func(d HiveDay) bool { return d.Full && outyard.Known(d.GainKg) })
	days = slices.Clone(days)
	slices.SortStableFunc(days, func(a, b HiveDay) int { return strings.Compare(string(a.Hive), string(b.Hive)) })
	if w.set.airC(weather) < w.set.NoFlightC {
		// No bee flew: what scales gained is snow, rain or frost.
		for i := range days {
			if days[i].GainKg > 0 {
				days[i].GainKg = outyard.Unknown
			}
		}
	}
	st := step{date: date, gain: w.pool.day(date, days, w.wetKg(weather.RainMm)), flight: w.set.flight(weather), season: w.set.Season(weather.NoonSunDeg), rainMm: weather.RainMm}
	st.emission = w.set.emit(st.gain, st.flight, st.season, weather.RainMm)
	before := w.began
	if n := len(w.steps); n > 0 {
		before = w.steps[n-1].filtered
	}
	a := w.set.transition(st.flight, st.season)
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

// wetKg is by how much water may have changed a hive's weight on a day that
// comes after the latest: wood takes up today's rain, and gives back yesterday's.
func (w *Watch) wetKg(rainMm float64) float64 {
	const unknownKg, mostKg = 0.1, 0.3
	if n := len(w.steps); n > 0 {
		rainMm = max(rainMm, w.steps[n-1].rainMm)
	}
	if !outyard.Known(rainMm) {
		return unknownKg
	}
	return min(2*w.set.RainNoiseKgPerMm*rainMm, mostKg)
}

// decide says after each day which flows there are. The chance that opens a
// flow is higher than the one that keeps it open, so that nobody is told back
// and forth on a day in between.
func (w *Watch) decide(today step) {
	if w.open && w.blind() {
		w.loses()
		return
	}
	chance := today.filtered.flow()
	recent := len(w.flows) > 0 && (w.open || !w.flows[len(w.flows)-1].End.Before(w.settled()))
	if chance < w.set.TellAt && !recent {
		return
	}
	old := w.flows
	n := len(old)
	for n > 0 && (!old[n-1].Over() || !old[n-1].End.Before(w.settled())) {
		n--
	}
	w.flows = slices.Clone(old[:n])
	old = old[n:]
	wasOpen := w.open
	w.open = false
	for _, r := range w.runs(old) {
		w.consider(r, old, chance)
	}
	if wasOpen && !w.open && chance > 1-w.set.TellAt {
		w.stay(old[len(old)-1])
	}
	for i := n; i < len(w.flows); i++ {
		w.measure(&w.flows[i], false)
	}
}

// settled is the day before which an end is no more moved.
func (w *Watch) settled() outyard.Date { return w.last.Add(-settleDays) }

// consider adds a run of days to the flows when it was told before, or can be
// told now. old are the flows that may still be changed, as they were.
func (w *Watch) consider(r run, old []Flow, chance float64) {
	if n := len(w.flows); n > 0 && !w.flows[n-1].End.Before(r.start) {
		if !w.flows[n-1].End.Before(r.end) {
			return // it has been told, and is over for good
		}
		r.start = w.flows[n-1].End.Add(1)
	}
	f := Flow{Start: r.start, End: r.end, Told: w.last, first: r.start}
	told := false
	for _, o := range old {
		if o.Start.Sub(r.end) > 0 || o.Over() && o.End.Before(r.start) {
			continue
		}
		if r.opened && r.start.Sub(o.Start) > sameBloomDays {
			continue // that was the trickle
		}
		if (r.next != outyard.Date{}) && r.next.Sub(o.Start) <= sameBloomDays {
			continue // that was the bloom
		}
		if r.start.Sub(o.Told) > sameBloomDays && !o.Told.Before(w.settled()) {
			continue // what was told was none, and this is another
		}
		if !told && !w.taken(o.Told) {
			f.Told, f.first = o.Told, o.first
			if f.Told.Before(f.Start) {
				f.Start = f.Told // it had begun when it was told
			}
			if o.Told.Before(w.settled()) {
				f.Start, f.StartLow, f.StartHigh = o.Start, o.StartLow, o.StartHigh
			}
		}
		told = true
	}
	if !told && (!r.lasts || chance < w.set.TellAt) {
		return
	}
	closed := !r.latest || !r.lasts && chance <= 1-w.set.TellAt
	w.gainOf(&f)
	if (closed || !told) && !(f.KgPerDay >= w.set.MinKgPerDay) {
		return
	}
	if r.lasts || r.latest && !closed {
		f.End = outyard.Date{}
		w.open = true
	}
	w.flows = append(w.flows, f)
}

// taken says that a flow was told on that day already: of a flow that falls in
// two, the second is news.
func (w *Watch) taken(told outyard.Date) bool {
	return slices.ContainsFunc(w.flows, func(f Flow) bool { return f.Told == told })
}

// stay keeps a flow open of which the likeliest course has lost sight while
// the chance of one is still fair.
func (w *Watch) stay(f Flow) {
	if n := len(w.flows); f.Over() || n > 0 && !w.flows[n-1].End.Before(f.Start) {
		return
	}
	w.flows = append(w.flows, f)
	w.open = true
}

// blind says that nothing has been heard for too long.
func (w *Watch) blind() bool {
	n := len(w.gains)
	return robust.Count(w.gains[max(0, n-w.set.BlindDays):]) == 0
}

func (w *Watch) loses() {
	f := &w.flows[len(w.flows)-1]
	f.End = w.last.Add(-w.set.BlindDays)
	f.EndLow, f.EndHigh = f.End, w.last
	f.Lost, f.Full = true, w.anyFull
	w.open = false
	w.measure(f, true)
	w.steps, w.began = nil, atFirst()
}

// A run is a stretch of days that the likeliest course gives to one flow.
type run struct {
	start, end outyard.Date
	lasts      bool         // up to the latest day
	latest     bool         // no run comes after it
	opened     bool         // it is a bloom that opened in the trickle before it
	next       outyard.Date // of such a trickle, when the bloom opened
}

// runs are the flows of the likeliest course. Where a trickle of a week or
// more has become several times as strong, another bloom has opened: that is
// news, and a run of its own.
func (w *Watch) runs(known []Flow) []run {
	var runs []run
	for t, state := range w.set.likeliest(w.began, w.steps) {
		if state < dearths {
			continue
		}
		date := w.steps[t].date
		switch n := len(runs); {
		case n > 0 && runs[n-1].end.Add(1) == date:
			runs[n-1].end = date
		case w.steps[t].gain.gainKg > beginsKg:
			runs = append(runs, run{start: date, end: date})
		}
	}
	for i := 0; i < len(runs); i++ {
		if at, ok := w.opens(runs[i], known); ok {
			runs = slices.Insert(runs, i+1, run{start: at, end: runs[i].end, opened: true})
			runs[i].end, runs[i].next = at.Add(-1), at
			for _, f := range known {
				if f.Over() && !f.End.Before(runs[i].start) && at.Sub(f.End) > sameBloomDays {
					runs[i].end = f.End // what was told to be over is
				}
			}
		}
	}
	for i := 0; i < len(runs); i++ {
		if end, again, ok := w.paused(runs[i], known); ok {
			runs = slices.Insert(runs, i+1, run{start: again, end: runs[i].end, opened: runs[i].opened, next: runs[i].next})
			runs[i].end, runs[i].next = end, outyard.Date{}
		}
	}
	if n := len(runs); n > 0 {
		runs[n-1].latest = true
		runs[n-1].lasts = runs[n-1].end == w.last
	}
	return runs
}

// paused says at which end that was told a run falls in two, because for a week
// after it nothing came in, and when nectar came again: that is a flow of its
// own, and news, whether rain or dearth lay between.
func (w *Watch) paused(r run, known []Flow) (end, again outyard.Date, ok bool) {
	for _, f := range known {
		if !f.Over() || f.Lost || f.End.Before(r.start) || r.end.Sub(f.End) <= pauseDays {
			continue
		}
		sum, seen := 0.0, 0
		for d := f.End.Add(1); d.Sub(f.End) <= pauseDays; d = d.Add(1) {
			if kg := w.GainKg(d); outyard.Known(kg) {
				sum, seen = sum+kg, seen+1
			}
		}
		week := f.End.Add(pauseDays)
		if 2*seen < pauseDays || sum > 0 || w.GainKg(week) > beginsKg {
			continue
		}
		for d := week.Add(1); !r.end.Before(d); d = d.Add(1) {
			if w.GainKg(d) > beginsKg {
				return f.End, d, true
			}
		}
	}
	return end, again, false
}

// opens says on which day of a run, if any, another bloom opened: the day that
// parts the run's gains best in two levels (least squares), when the later is
// so much the higher that neither chance nor weather made it. One that was told
// opened when it was said to, or a few days from it, and none is found besides:
// days before it that turn out to be of a flow as well do not make it unsaid.
func (w *Watch) opens(r run, known []Flow) (outyard.Date, bool) {
	at, found := w.parts(r)
	for _, f := range known {
		if f.first.Sub(r.start) < bloomDays || r.end.Before(f.Start) {
			continue
		}
		if gap := at.Sub(f.first); found && !f.Told.Before(w.settled()) && -sameBloomDays <= gap && gap <= sameBloomDays && !f.Told.Before(at) {
			return at, true
		}
		return f.Start, true
	}
	return at, found
}

// parts says which day parts a run best in a trickle and a bloom, if one does.
func (w *Watch) parts(r run) (outyard.Date, bool) {
	const (
		fewestAfter = 2
		goodFlight  = 0.6 // days on which the weather explains a small gain are left out
		sureT       = 4   // standard errors
	)
	var dates []outyard.Date
	var kg []float64
	for _, st := range w.steps {
		if st.date.Before(r.start) || r.end.Before(st.date) || !outyard.Known(st.gain.gainKg) || st.flight < goodFlight {
			continue
		}
		dates, kg = append(dates, st.date), append(kg, st.gain.gainKg)
	}
	best, at := 0.0, 0
	for i := fewestAfter; i <= len(kg)-fewestAfter; i++ {
		if dates[i].Sub(r.start) < bloomDays || dates[i].Before(w.settled()) {
			continue
		}
		before, after := mean(kg[:i]), mean(kg[i:])
		if after-before < opensByKg || before > trickleKg || after < severalTimes*before {
			continue
		}
		n, m := float64(i), float64(len(kg)-i)
		if apart := n * m / (n + m) * (after - before) * (after - before); apart > best {
			best, at = apart, i
		}
	}
	if at == 0 || above(kg[at:], kg[:at], w.set.YardNoiseKg) < sureT {
		return outyard.Date{}, false
	}
	return dates[at], true
}

// above is how many standard errors the mean of later values lies above that of
// earlier ones, did they spread no more than the earlier. No spread is taken to
// be less than leastSpread.
func above(later, earlier []float64, leastSpread float64) float64 {
	m, sum := mean(earlier), 0.0
	for _, v := range earlier {
		sum += (v - m) * (v - m)
	}
	spread := max(math.Sqrt(sum/float64(max(len(earlier)-1, 1))), leastSpread)
	return (mean(later) - m) / (spread * math.Sqrt(1/float64(len(later))+1/float64(len(earlier))))
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
