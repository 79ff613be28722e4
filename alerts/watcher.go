package alerts

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"

	"outyard"
	"outyard/analysis/instruments"
	"outyard/store"
	"outyard/timekeeping"
)

// A Course is one yard's season as it unfolds: what the analyses say.
type Course interface {
	// Observe takes a reading. An error says that it would change the past:
	// then a new Course is fed all readings in order of time.
	Observe(outyard.Reading) error
	// Arrived says when a reading of a node arrived, and whether its clock is
	// known to be off, once the reading is observed.
	Arrived(hive outyard.HiveID, arrived time.Time, off bool)
	// Advance lets time pass up to now.
	Advance(now time.Time)
	// Revision changes when Findings or Days may have changed.
	Revision() uint64
	// Findings are without ID and ToldAt.
	Findings() []outyard.Finding
	// Days and DaysSince are by date and hive.
	Days() []outyard.Day
	DaysSince(outyard.Date) []outyard.Day
	// Forget drops days that are stored and old enough to change no more.
	Forget(before outyard.Date)
}

// NewCourse begins a yard's course.
type NewCourse func(yard outyard.Yard, journal []outyard.Entry) Course

// Store is the part of the store that the watcher needs.
type Store interface {
	// EachReading gives readings in order of time.
	EachReading(ctx context.Context, q store.Query, each func(outyard.Reading) error) error
	// These return all that a query without a limit asks for.
	Entries(ctx context.Context, q store.Query) (items []outyard.Entry, next string, err error)
	Findings(ctx context.Context, q store.Query) (items []outyard.Finding, next string, err error)
	Days(ctx context.Context, q store.Query) (items []outyard.Day, next string, err error)
	// DroppedBefore is the time from before which readings were dropped; zero
	// when none ever were.
	DroppedBefore(ctx context.Context) (time.Time, error)
	Alerts(ctx context.Context) ([]outyard.Alert, error)
	// Tell stores all of the news in one transaction, so that a message waits
	// in the outbox if and only if the finding that caused it is stored. A
	// message whose key is there already is left alone.
	Tell(ctx context.Context, n store.News) error
}

// Options are a watcher's settings; the zero value of each is usable.
type Options struct {
	Yards  []outyard.Yard
	Routes []Route
	Writer Writer
	// Workers evaluate yards side by side, each yard by one at a time; default 2.
	Workers int
	// Queue is how many readings may wait to be looked at; default 65,536.
	// What is more is read from the store again.
	Queue int
	// Queued is called, and must not block, when messages are in the outbox.
	Queued func()
	// Announce is called, and must not block, with what is open at a hive, or
	// for the yard itself, when that has changed and when a yard begins.
	Announce func(yard outyard.YardID, hive outyard.HiveID, open []outyard.Finding)
}

// ErrNoAlert is returned for an alert that there is not.
var ErrNoAlert = errors.New("there is no such alert")

// A Watcher looks at what is kept, as it comes in, and raises alerts.
type Watcher struct {
	store     Store
	newCourse NewCourse
	opts      Options
	now       func() time.Time
	log       *slog.Logger
	metrics   watcherMetrics
	wake      chan struct{}
	beats     []beat // of each worker
	routes    atomic.Pointer[[]Route]

	mu      sync.Mutex // before yard.book, never after it
	yards   map[outyard.YardID]*yard
	ready   []*yard
	waiting int // readings in all queues
	alertOf map[string]*yard
	loaded  map[string]outyard.Alert // stored alerts, by finding, until their yard takes them
}

// NewWatcher returns a watcher of opts.Yards. It does nothing until Run.
func NewWatcher(db Store, newCourse NewCourse, opts Options, now func() time.Time, log *slog.Logger, reg prometheus.Registerer) *Watcher {
	if opts.Workers == 0 {
		opts.Workers = 2
	}
	if opts.Queue == 0 {
		opts.Queue = 1 << 16
	}
	w := &Watcher{store: db, newCourse: newCourse, opts: opts, now: now, log: log, metrics: newWatcherMetrics(reg),
		wake: make(chan struct{}, 1), beats: make([]beat, opts.Workers), yards: map[outyard.YardID]*yard{}, alertOf: map[string]*yard{}}
	for _, y := range opts.Yards {
		w.yards[y.ID] = &yard{place: y, again: true}
	}
	w.Tell(opts.Routes)
	return w
}

// Kept takes readings that are in the store, new ones only. It never blocks:
// when too many wait, their yards are evaluated anew from the store instead.
func (w *Watcher) Kept(fresh []outyard.Reading, arrived time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, r := range fresh {
		y := w.yards[r.Yard]
		if y == nil || y.again { // not in the config; or all will be read
			continue
		}
		if w.waiting >= w.opts.Queue {
			w.toBeRebuilt(y)
			continue
		}
		if len(y.pending) == 0 {
			y.arrived = arrived
		}
		y.pending = append(y.pending, r)
		w.waiting++
		w.makeReady(y)
	}
	w.metrics.waiting.Set(float64(w.waiting))
}

// An arrival is that of a message that is not of about now.
type arrival struct{ at, arrived time.Time }

// mostUntimely bounds of how many places of a yard such are kept for a minute.
const mostUntimely = 1024

// Untimely says that a message arrived which is not of about now, be it kept or
// not: all that is made of it is that its node is not silent, and its clock wrong
// perhaps.
func (w *Watcher) Untimely(r outyard.Reading, arrived time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	y := w.yards[r.Yard]
	if y == nil || len(y.untimely) >= mostUntimely {
		return
	}
	if y.untimely == nil {
		y.untimely = map[outyard.HiveID]arrival{}
	}
	y.untimely[r.Hive] = arrival{r.Time, arrived} // it can wait for the minute
}

// Again evaluates a yard anew from the store, after a change of its journal.
func (w *Watcher) Again(id outyard.YardID) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if y := w.yards[id]; y != nil {
		w.toBeRebuilt(y)
	}
}

// Place adds a yard, or takes its changed hives and equipment, and evaluates
// it anew from the store.
func (w *Watcher) Place(place outyard.Yard) {
	w.mu.Lock()
	defer w.mu.Unlock()
	y := w.yards[place.ID]
	if y == nil {
		y = &yard{later: true}
		w.yards[place.ID] = y
	}
	y.place = place
	w.toBeRebuilt(y)
}

// Remove follows a yard no longer. What is known of it stays in the store, and
// is taken up again should it be placed anew.
func (w *Watcher) Remove(id outyard.YardID) {
	w.mu.Lock()
	defer w.mu.Unlock()
	y := w.yards[id]
	if y == nil {
		return
	}
	y.gone = true
	w.waiting -= len(y.pending)
	y.pending = nil
	w.ready = slices.DeleteFunc(w.ready, func(r *yard) bool { return r == y })
	maps.DeleteFunc(w.alertOf, func(_ string, of *yard) bool { return of == y })
	delete(w.yards, id)
}

// Tell puts other routes in force for what is told from now on.
func (w *Watcher) Tell(routes []Route) { w.routes.Store(&routes) }

// Acknowledge says that somebody will see to what the alert tells: by, where
// that is known.
func (w *Watcher) Acknowledge(ctx context.Context, finding, by string) (outyard.Alert, error) {
	return w.happen(ctx, finding, Event{Kind: Acknowledged, By: by})
}

// Snooze puts the alert off: it is told again at until if it is still so.
func (w *Watcher) Snooze(ctx context.Context, finding string, until time.Time, by string) (outyard.Alert, error) {
	return w.happen(ctx, finding, Event{Kind: Snoozed, Until: until, By: by})
}

// Told notes that messages about the findings have been delivered.
func (w *Watcher) Told(ctx context.Context, findings []string) error {
	var errs []error
	for _, id := range findings {
		if _, err := w.happen(ctx, id, Event{Kind: Told}); err != nil && !errors.Is(err, ErrNoAlert) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// Answered says whether somebody has answered the alert, or there is nothing
// left to answer: then nobody need be reminded of it.
func (w *Watcher) Answered(finding string) bool {
	w.mu.Lock()
	y := w.alertOf[finding]
	w.mu.Unlock()
	if y == nil {
		return false
	}
	y.book.Lock()
	defer y.book.Unlock()
	switch y.alerts[finding].State {
	case outyard.AlertAcknowledged, outyard.AlertSnoozed, outyard.AlertOver:
		return true
	}
	return false
}

func transition(a outyard.Alert, e Event, at time.Time) outyard.Transition {
	return outyard.Transition{Finding: a.Finding, At: at, Event: string(e.Kind), State: a.State, Until: a.Until, By: e.By}
}

// happen stores what becomes of an alert when e happens, and returns it.
func (w *Watcher) happen(ctx context.Context, finding string, e Event) (outyard.Alert, error) {
	w.mu.Lock()
	y := w.alertOf[finding]
	w.mu.Unlock()
	if y == nil {
		return outyard.Alert{}, fmt.Errorf("alert %q: %w", finding, ErrNoAlert)
	}
	y.book.Lock()
	defer y.book.Unlock()
	a, changed := Next(y.alerts[finding], e, w.now())
	if !changed {
		return a, nil
	}
	news := store.News{Alerts: []outyard.Alert{a}, History: []outyard.Transition{transition(a, e, w.now())}}
	if err := w.store.Tell(ctx, news); err != nil {
		return outyard.Alert{}, fmt.Errorf("alert %q: %w", finding, err)
	}
	y.alerts[finding] = a
	if _, waits := y.unsaved.alerts[finding]; waits {
		y.unsaved.alerts[finding] = a // or the older one would be stored over it
	}
	return a, nil
}

// Run follows the yards until ctx is done. It begins with what the store
// holds, so that a restart tells nothing twice and forgets nothing.
func (w *Watcher) Run(ctx context.Context) error {
	if err := w.restore(ctx); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { w.tick(ctx); return nil })
	for i := range w.beats {
		g.Go(func() error { w.work(ctx, &w.beats[i]); return nil })
	}
	return g.Wait()
}

// restore takes over the findings and alerts of an earlier run and makes
// every yard ready to be read from the store.
func (w *Watcher) restore(ctx context.Context) error {
	stored, err := w.store.Alerts(ctx)
	if err != nil {
		return fmt.Errorf("read alerts: %w", err)
	}
	w.mu.Lock()
	w.loaded = make(map[string]outyard.Alert, len(stored))
	for _, a := range stored {
		w.loaded[a.Finding] = a
	}
	yards := make([]*yard, 0, len(w.yards))
	for _, y := range w.yards {
		yards = append(yards, y)
	}
	w.mu.Unlock()
	for _, y := range yards {
		if err := w.open(ctx, y); err != nil {
			return err
		}
		w.mu.Lock()
		w.toBeRebuilt(y)
		w.mu.Unlock()
	}
	return nil
}

// open gives a yard its ledger and its alerts, once.
func (w *Watcher) open(ctx context.Context, y *yard) error {
	y.book.Lock()
	opened := y.ledger != nil
	y.book.Unlock()
	if opened {
		return nil
	}
	w.mu.Lock()
	id, later := y.place.ID, y.later
	w.mu.Unlock()
	known, _, err := w.store.Findings(ctx, store.Query{Yard: id})
	if err != nil {
		return fmt.Errorf("read findings of yard %s: %w", id, err)
	}
	var since []outyard.Alert // what may have come into the store after the start
	if later {
		if since, err = w.store.Alerts(ctx); err != nil {
			return fmt.Errorf("read alerts: %w", err)
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	y.book.Lock()
	defer y.book.Unlock()
	y.ledger, y.alerts, y.unsaved = NewLedger(known), map[string]outyard.Alert{}, newUnsaved()
	y.clocks = instruments.NewClocks(y.place, timekeeping.DefaultSettings(), known)
	if later {
		w.loaded = make(map[string]outyard.Alert, len(since))
		for _, a := range since {
			w.loaded[a.Finding] = a
		}
	}
	for _, f := range known {
		if a, ok := w.loaded[f.ID]; ok {
			y.alerts[f.ID], w.alertOf[f.ID] = a, y
			delete(w.loaded, f.ID)
		}
	}
	return nil
}

// tick makes every yard ready once a minute: silence is something to notice.
func (w *Watcher) tick(ctx context.Context) {
	t := time.NewTicker(time.Minute)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			w.mu.Lock()
			for _, y := range w.yards {
				y.minute = true
				w.makeReady(y)
			}
			w.mu.Unlock()
		}
	}
}

func (w *Watcher) work(ctx context.Context, b *beat) {
	for ctx.Err() == nil {
		b.note(w.now())
		y, todo, wait := w.next()
		if y == nil {
			timer := time.NewTimer(wait)
			select {
			case <-ctx.Done():
			case <-w.wake:
			case <-timer.C:
			}
			timer.Stop()
			continue
		}
		began := w.now()
		y.beat = b
		err := w.evaluate(ctx, y, todo)
		if err != nil && ctx.Err() == nil {
			w.log.Error("yard not evaluated; it is tried again soon", "yard", todo.place.ID, "err", err)
		}
		w.metrics.evaluations.Inc()
		w.metrics.seconds.Observe(w.now().Sub(began).Seconds())
		w.done(y, err)
	}
}

// todo is what a yard is to be evaluated for.
type todo struct {
	place    outyard.Yard
	readings []outyard.Reading
	untimely map[outyard.HiveID]arrival
	arrived  time.Time // the first of them
	again    bool      // from the store
	minute   bool      // a minute has passed
}

// next takes a yard that is to be evaluated now, or says how long to wait.
func (w *Watcher) next() (*yard, todo, time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	now, wait := w.now(), time.Minute
	for i, y := range w.ready {
		early := y.notBefore.Sub(now)
		rebuild := (y.again || y.late) && early <= 0
		if !rebuild && (y.again || len(y.pending) == 0 && !y.minute) {
			if y.again || y.late {
				wait = min(wait, early)
			}
			continue
		}
		w.ready = append(w.ready[:i], w.ready[i+1:]...)
		t := todo{y.place, y.pending, y.untimely, y.arrived, rebuild, y.minute}
		w.waiting -= len(y.pending)
		w.metrics.waiting.Set(float64(w.waiting))
		y.pending, y.untimely, y.minute = nil, nil, false
		y.again, y.late = y.again && !rebuild, y.late && !rebuild
		y.ready, y.running = false, true
		w.signal() // there may be another one
		return y, t, 0
	}
	return nil, todo{}, wait
}

// done gives a yard back after its evaluation.
func (w *Watcher) done(y *yard, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	y.running = false
	if err != nil {
		y.notBefore = w.now().Add(retryEvaluation)
		w.toBeRebuilt(y)
	}
	if y.again || y.late || len(y.pending) > 0 || y.minute {
		w.makeReady(y)
	}
}

// toBeRebuilt, makeReady and signal are called with mu held.
func (w *Watcher) toBeRebuilt(y *yard) {
	y.again = true
	w.waiting -= len(y.pending)
	y.pending = nil
	w.makeReady(y)
}

func (w *Watcher) makeReady(y *yard) {
	if y.running || y.gone {
		return // it will be, when the worker is done with it
	}
	if !y.ready {
		y.ready = true
		w.ready = append(w.ready, y)
	}
	w.signal()
}

func (w *Watcher) signal() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}
