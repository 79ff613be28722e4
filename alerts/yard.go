package alerts

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sync"
	"time"

	"outyard"
	"outyard/analysis/instruments"
	"outyard/store"
)

const (
	// retryEvaluation is the wait after an evaluation that went wrong.
	retryEvaluation = 5 * time.Second
	// rebuildShare keeps rebuilding a yard, over and over as late readings
	// trickle in, to a tenth of one worker's time.
	rebuildShare = 9
	// rebuildWait is the longest that a rebuild is put off for that.
	rebuildWait = 30 * time.Second
	// daysEvery is how often the daily table is stored when nothing else is:
	// the row of today moves with each reading.
	daysEvery = 5 * time.Minute
	// daysBack is how far back readings that come in order move the table.
	daysBack = 14
	// settling is how long a course that begins in the middle, because older
	// readings were dropped, is not believed: until then it knows neither the
	// usual gains of the yard nor what water, scale and equipment do.
	settling = 90 * 24 * time.Hour
	// tailLength is how many of each hive's last readings are remembered from
	// a rebuild, to know those again that came in while it went on.
	tailLength = 8
)

// A yard is what the watcher knows of one yard.
type yard struct {
	// Guarded by Watcher.mu.
	place     outyard.Yard
	pending   []outyard.Reading
	untimely  map[outyard.HiveID]arrival // the newest of each place
	arrived   time.Time                  // the first of pending
	again     bool                       // to be evaluated from the store; pending is in there
	late      bool                       // the same, but meanwhile what comes in order is followed
	minute    bool                       // a minute has passed
	ready     bool                       // in Watcher.ready
	running   bool                       // with a worker
	later     bool                       // placed after the start
	gone      bool                       // removed
	notBefore time.Time                  // of the next evaluation from the store

	// The running worker's.
	beat     *beat
	course   Course
	clocks   *instruments.Clocks // the nodes', which a rebuild does not begin anew
	revision uint64
	rebuilt  time.Time
	tail     map[outyard.HiveID][]outyard.Reading
	days     []outyard.Day // as stored, from daysBack on
	daysDue  time.Time
	settled  time.Time // what began before is no longer judged; zero where all is

	// The findings and what becomes of them. An acknowledgement must not wait
	// for a worker that reads a whole season.
	book    sync.Mutex
	ledger  *Ledger
	alerts  map[string]outyard.Alert
	unsaved unsaved
}

// unsaved is news that the store has not taken yet.
type unsaved struct {
	findings map[string]outyard.Finding
	alerts   map[string]outyard.Alert
	messages []outyard.Message
	history  []outyard.Transition
	hives    map[outyard.HiveID]bool // to be announced
}

func newUnsaved() unsaved {
	return unsaved{findings: map[string]outyard.Finding{}, alerts: map[string]outyard.Alert{}, hives: map[outyard.HiveID]bool{}}
}

// evaluate brings a yard up to now and stores what that changes.
func (w *Watcher) evaluate(ctx context.Context, y *yard, t todo) error {
	if err := w.open(ctx, y); err != nil { // a yard placed since the start
		return err
	}
	now := w.now()
	anew := y.course == nil || t.again || w.follow(y, t, now)
	if anew {
		if err := w.rebuild(ctx, y, t.place, now); err != nil {
			return err
		}
	}
	for hive, a := range t.untimely {
		y.course.Arrived(hive, a.arrived, y.clocks.Unkept(hive, a.at, a.arrived))
	}
	y.course.Advance(now)
	y.clocks.Pass(now)
	w.reconcile(y, t.place, now)
	if t.minute {
		w.passTime(y, t.place, now)
		if now.Sub(y.rebuilt) > time.Minute {
			y.tail = nil // nothing that it knows is still on its way
		}
	}
	return w.save(ctx, y, t, anew, now)
}

// follow feeds readings to the course. It returns true when one of them
// changes the past and the yard is to be rebuilt at once: that reading and
// the rest are in the store. When it is too soon for a rebuild, it notes that
// one is due and goes on with those that come in order.
func (w *Watcher) follow(y *yard, t todo, now time.Time) (rebuild bool) {
	for _, r := range t.readings {
		y.beat.note(w.now())
		off := y.clocks.Arrived(r.Hive, r.Time, now)
		if y.fed(r) {
			y.course.Arrived(r.Hive, now, off)
			continue
		}
		err := y.course.Observe(r)
		y.course.Arrived(r.Hive, now, off)
		if err != nil {
			w.mu.Lock()
			y.late = now.Before(y.notBefore)
			rebuild = !y.late
			w.mu.Unlock()
			if rebuild {
				return true
			}
			continue
		}
		// After each reading, and not once for all: a finding's first onset
		// makes its id, and must not depend on how readings came in heaps.
		w.reconcile(y, t.place, now)
	}
	return false
}

// fed says that the rebuild has seen the reading already.
func (y *yard) fed(r outyard.Reading) bool {
	for _, s := range y.tail[r.Hive] {
		if !s.Time.Equal(r.Time) {
			continue
		}
		for q, v := range r.Values {
			if outyard.Known(v) && v != s.Values[q] {
				return false
			}
		}
		return true
	}
	return false
}

// rebuild begins the yard's course anew and feeds it all that is stored.
func (w *Watcher) rebuild(ctx context.Context, y *yard, place outyard.Yard, now time.Time) error {
	journal, _, err := w.store.Entries(ctx, store.Query{Yard: place.ID})
	if err != nil {
		return fmt.Errorf("read journal of yard %s: %w", place.ID, err)
	}
	stored, _, err := w.store.Days(ctx, store.Query{Yard: place.ID})
	if err != nil {
		return fmt.Errorf("read days of yard %s: %w", place.ID, err)
	}
	since, err := w.store.DroppedBefore(ctx)
	if err != nil {
		return err
	}
	course := w.newCourse(place, journal)
	tail := map[outyard.HiveID][]outyard.Reading{}
	var refused []error
	err = w.store.EachReading(ctx, store.Query{Yard: place.ID, From: since}, func(r outyard.Reading) error {
		y.beat.note(w.now())
		if err := course.Observe(r); err != nil && len(refused) < 3 {
			refused = append(refused, fmt.Errorf("hive %q at %s: %w", r.Hive, r.Time.Format(time.RFC3339), err))
		}
		last := append(tail[r.Hive], r)
		if len(last) > 2*tailLength {
			last = append(last[:0], last[len(last)-tailLength:]...)
		}
		tail[r.Hive] = last
		return ctx.Err()
	})
	if err != nil {
		return fmt.Errorf("read readings of yard %s: %w", place.ID, err)
	}
	if len(refused) > 0 {
		w.log.Warn("readings left out of the analyses", "yard", place.ID, "err", errors.Join(refused...))
	}
	slices.SortFunc(stored, compareDays)
	y.clocks.Heard(now, course.Arrived)
	y.course, y.tail, y.days, y.revision = course, tail, stored, ^(course.Revision() + y.clocks.Revision())
	y.settled = time.Time{}
	if !since.IsZero() {
		y.settled = since.Add(settling)
	}
	w.metrics.rebuilds.Inc()

	y.rebuilt = w.now()
	w.mu.Lock()
	y.notBefore = y.rebuilt.Add(min(rebuildShare*y.rebuilt.Sub(now), rebuildWait))
	w.mu.Unlock()
	y.book.Lock()
	defer y.book.Unlock()
	y.ledger.Settle(y.settled)
	y.ledger.Only(func(hive outyard.HiveID) bool { return has(place, hive) })
	y.unsaved.hives[""] = true
	for _, h := range place.Hives {
		y.unsaved.hives[h.ID] = true
	}
	return nil
}

// reconcile turns what the course finds into news, if it may have changed.
func (w *Watcher) reconcile(y *yard, place outyard.Yard, now time.Time) {
	revision := y.course.Revision() + y.clocks.Revision()
	if revision == y.revision {
		return
	}
	y.revision = revision
	found := slices.DeleteFunc(y.clocks.With(y.course.Findings(), now), func(f outyard.Finding) bool { return !has(place, f.Hive) })
	y.book.Lock()
	var raised []string
	for _, c := range y.ledger.Changes(found, now) {
		y.unsaved.findings[c.Is.ID] = c.Is
		y.unsaved.hives[c.Is.Hive] = true
		toldAs := y.alerts[c.Is.ID].ToldAs
		what := consequenceOf(c, toldAs, now)
		if what.event == Raised && (!w.concerns(c.Is) || w.flaps(y, c.Is, now)) {
			continue
		}
		if what.event != "" && w.step(y, c.Is.ID, Event{Kind: what.event}, now) && toldAs == "" {
			raised = append(raised, c.Is.ID)
		}
		if what.stage != "" {
			w.queue(y, place, c.Is, what.stage, toldAs, now)
			y.toldAs(c.Is)
		}
	}
	y.book.Unlock()
	w.know(y, raised)
}

// has says whether a hive is one of a yard's, as the yard itself is. One that
// was taken out of the config has a past, and what is known of it stays as it
// is; but that it is silent now is no news.
func has(place outyard.Yard, hive outyard.HiveID) bool {
	if hive == "" {
		return true
	}
	_, there := place.Hive(hive)
	return there
}

// concerns says whether anybody is to be told of a finding. What is only for
// the record becomes an alert where a route asks for it.
func (w *Watcher) concerns(f outyard.Finding) bool {
	return f.Severity.Rank() >= outyard.Soon.Rank() ||
		slices.ContainsFunc(*w.routes.Load(), func(r Route) bool { return r.wants(f, f.Severity) })
}

// flaps is called with book held.
func (w *Watcher) flaps(y *yard, f outyard.Finding, now time.Time) bool {
	var raised []outyard.Finding
	for id := range y.alerts {
		if r, ok := y.ledger.Finding(id); ok {
			raised = append(raised, r)
		}
	}
	if !flaps(f, raised, now) {
		return false
	}
	w.log.Info("finding not told: it comes and goes", "yard", f.Yard, "hive", f.Hive, "kind", f.Kind, "id", f.ID, "summary", f.Summary)
	return true
}

// know remembers where alerts are to be found by their ids.
func (w *Watcher) know(y *yard, ids []string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, id := range ids {
		if !y.gone {
			w.alertOf[id] = y
		}
	}
}

// passTime ends snoozes, reminds whoever has not answered, and ends the alerts
// of events that nobody ever answered.
func (w *Watcher) passTime(y *yard, place outyard.Yard, now time.Time) {
	y.book.Lock()
	defer y.book.Unlock()
	for _, id := range slices.Sorted(maps.Keys(y.alerts)) {
		a := y.alerts[id]
		if a.State == outyard.AlertOver {
			continue
		}
		f, ok := y.ledger.Finding(id)
		if !ok || !has(place, f.Hive) {
			continue
		}
		if ruleOf(f.Kind).event && now.Sub(f.Onset) > endsAfter {
			w.step(y, id, Event{Kind: Ended}, now)
			continue
		}
		until := a.Until
		if w.step(y, id, Event{Kind: Woke}, now) {
			w.queue(y, place, f, stageAt(stageWoke, until), a.ToldAs, now)
		}
		if remindNow(a, f, now) && w.step(y, id, Event{Kind: Reminded}, now) {
			w.queue(y, place, f, stageAt(stageReminded, now), a.ToldAs, now)
		}
	}
}

// step is called with book held, as is queue.
func (w *Watcher) step(y *yard, id string, e Event, now time.Time) bool {
	a := y.alerts[id]
	a.Finding = id
	a, changed := Next(a, e, now)
	if changed {
		y.alerts[id], y.unsaved.alerts[id] = a, a
		y.unsaved.history = append(y.unsaved.history, transition(a, e, now))
	}
	return changed
}

// toldAs is called with book held.
func (y *yard) toldAs(f outyard.Finding) {
	a := y.alerts[f.ID]
	if f.Severity.Rank() > a.ToldAs.Rank() {
		a.ToldAs = f.Severity
		y.alerts[f.ID], y.unsaved.alerts[f.ID] = a, a
	}
}

func (w *Watcher) queue(y *yard, place outyard.Yard, f outyard.Finding, s stage, toldAs outyard.Severity, now time.Time) {
	w.log.Info("finding", "yard", f.Yard, "hive", f.Hive, "kind", f.Kind, "severity", f.Severity, "stage", string(s), "id", f.ID, "summary", f.Summary)
	ms, err := messages(*w.routes.Load(), w.opts.Writer, place, f, s, toldAs, now)
	if err != nil {
		w.log.Error("finding not told", "yard", f.Yard, "hive", f.Hive, "kind", f.Kind, "err", err)
		return
	}
	y.unsaved.messages = append(y.unsaved.messages, ms...)
}

// save stores what is new, in one transaction. What the store does not take
// is kept and tried again with the next evaluation. anew asks for the whole
// daily table to be compared with what is stored.
func (w *Watcher) save(ctx context.Context, y *yard, t todo, anew bool, now time.Time) error {
	y.book.Lock()
	defer y.book.Unlock()
	n := store.News{Findings: byID(y.unsaved.findings), Alerts: byID(y.unsaved.alerts), Messages: y.unsaved.messages, History: y.unsaved.history}
	table, compared := y.days, false
	if anew || !empty(n) || !now.Before(y.daysDue) {
		n.Days, table = newDays(y, anew, now)
		compared = true
	}
	if !empty(n) {
		if err := w.store.Tell(ctx, n); err != nil {
			return fmt.Errorf("store news of yard %s: %w", t.place.ID, err)
		}
	}
	if compared {
		y.days, y.daysDue = table, now.Add(daysEvery)
		y.course.Forget(tableFrom(now))
	}
	if len(n.Messages) > 0 {
		w.metrics.queued.Add(float64(len(n.Messages)))
		if len(t.readings) > 0 {
			w.metrics.raise.Observe(w.now().Sub(t.arrived).Seconds())
		}
		if w.opts.Queued != nil {
			w.opts.Queued()
		}
	}
	w.announce(y, t.place)
	y.unsaved = newUnsaved()
	return nil
}

func (w *Watcher) announce(y *yard, place outyard.Yard) {
	if w.opts.Announce == nil || len(y.unsaved.hives) == 0 {
		return
	}
	open := map[outyard.HiveID][]outyard.Finding{}
	for _, f := range y.ledger.All() {
		if f.State == outyard.Open {
			open[f.Hive] = append(open[f.Hive], f)
		}
	}
	for hive := range y.unsaved.hives {
		w.opts.Announce(place.ID, hive, open[hive])
	}
}

// newDays returns the rows of the daily table that are not stored as they are
// now, and the part of the table that is compared the next time.
func newDays(y *yard, anew bool, now time.Time) (changed, table []outyard.Day) {
	back := tableFrom(now)
	rows := y.course.DaysSince(back)
	if anew {
		rows = y.course.Days()
	}
	if !y.settled.IsZero() {
		first, _ := slices.BinarySearchFunc(rows, outyard.DateOf(y.settled, time.UTC).Add(1), func(d outyard.Day, date outyard.Date) int { return d.Date.Sub(date) })
		rows = rows[first:]
	}
	i := 0
	for _, d := range rows {
		for i < len(y.days) && compareDays(y.days[i], d) < 0 {
			i++
		}
		if i < len(y.days) && compareDays(y.days[i], d) == 0 && sameDay(y.days[i], d) {
			continue
		}
		changed = append(changed, d)
	}
	from, _ := slices.BinarySearchFunc(rows, back, func(d outyard.Day, date outyard.Date) int { return d.Date.Sub(date) })
	return changed, slices.Clone(rows[from:])
}

// tableFrom is the first date of which readings that come in order may still
// move the daily table.
func tableFrom(now time.Time) outyard.Date { return outyard.DateOf(now, time.UTC).Add(-daysBack) }

func compareDays(a, b outyard.Day) int {
	return cmp.Or(a.Date.Sub(b.Date), cmp.Compare(a.Hive, b.Hive))
}

// sameDay says that a row need not be stored again: the store rounds.
func sameDay(a, b outyard.Day) bool {
	near := func(x, y float64) bool {
		return !outyard.Known(x) && !outyard.Known(y) || math.Abs(x-y) < 0.001
	}
	return near(a.GainKg, b.GainKg) && near(a.HandledKg, b.HandledKg) && near(a.NightLossKg, b.NightLossKg) &&
		near(a.StoresKg, b.StoresKg) && near(a.MouldIndex, b.MouldIndex) && near(a.WallRHPct, b.WallRHPct) &&
		near(a.BroodTempC, b.BroodTempC) && near(a.Coverage, b.Coverage) &&
		near(a.WallWetHours, b.WallWetHours) && near(a.DewHours, b.DewHours) && near(a.DewMarginK, b.DewMarginK) &&
		near(a.DaysToMould, b.DaysToMould) && near(a.DaysToVisible, b.DaysToVisible)
}

func byID[T any](m map[string]T) []T {
	out := make([]T, 0, len(m))
	for _, id := range slices.Sorted(maps.Keys(m)) {
		out = append(out, m[id])
	}
	return out
}

func empty(n store.News) bool {
	return len(n.Findings)+len(n.Days)+len(n.Alerts)+len(n.Messages) == 0
}
