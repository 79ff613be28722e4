package alerts

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"

	"outyard"
)

// A Channel delivers a message to an address of its kind. Its errors hold no
// secrets of the address; one that no trying again will mend is marked with
// [Permanent].
type Channel interface {
	Deliver(ctx context.Context, m outyard.Message, address string) error
}

// Illustrated is what a channel that takes pictures has besides.
type Illustrated interface{ Illustrated() bool }

// mostPictures is how many pictures a message has: the most pressing findings
// are shown, the others are said.
const mostPictures = 3

// MessageStore is the part of the store that the outbox needs.
type MessageStore interface {
	// Due leaves out what is worthless by now.
	Due(ctx context.Context, now time.Time, limit int) ([]outyard.Message, error)
	Delivered(ctx context.Context, key string, at time.Time) error
	Postpone(ctx context.Context, key string, due time.Time, lastErr string) error
	// HoldBack puts off what was not tried.
	HoldBack(ctx context.Context, key string, due time.Time, why string) error
	Undelivered(ctx context.Context, olderThan time.Time) ([]outyard.Message, error)
	Finding(ctx context.Context, id string) (outyard.Finding, bool, error)
}

// OutboxOptions are an outbox's settings.
type OutboxOptions struct {
	Routes   []Route
	Channels map[string]Channel // by the scheme of an address
	Writer   Writer
	// Yard finds a yard by its id.
	Yard func(outyard.YardID) (outyard.Yard, bool)
	// Told is called with the findings of messages that were delivered.
	Told func(ctx context.Context, findings []string) error
	// Answered says whether somebody has answered the alert of a finding, so
	// that a reminder is not needed; nil: nobody ever has.
	Answered func(finding string) bool
	// Links makes the links by which a message is answered; nil: it has none.
	Links *Links
	// Picture draws the evidence of a finding, and says what it shows; nothing
	// where there is nothing to see. nil: messages have no pictures.
	Picture func(ctx context.Context, yard outyard.Yard, f outyard.Finding) (png []byte, shows string, err error)
	// Jitter gives numbers from 0 to below 1 that keep many retries apart.
	Jitter func() float64
}

// Waits between attempts: twice the one before from firstRetry to lastRetry,
// and permanentRetry when only a person can mend it (a wrong password). All
// are a fifth longer or shorter by chance.
const (
	firstRetry     = 30 * time.Second
	lastRetry      = 15 * time.Minute
	permanentRetry = time.Hour
	// attemptTime is the longest that one delivery may take.
	attemptTime = 30 * time.Second
	// pollEvery is how often the outbox looks for what has fallen due.
	pollEvery = 10 * time.Second
	// atOnce is how many messages are taken from the store in one go.
	atOnce = 500
)

// An Outbox delivers the messages that wait in the store.
type Outbox struct {
	store   MessageStore
	opts    OutboxOptions
	now     func() time.Time
	log     *slog.Logger
	metrics outboxMetrics
	nudge   chan struct{}
	routes  atomic.Pointer[[]Route]

	mu   sync.Mutex
	sent map[address][]time.Time // messages of the last hour
}

// An address is one of a route's.
type address struct {
	route  string
	target int
}

// NewOutbox returns an outbox. It does nothing until Run.
func NewOutbox(db MessageStore, opts OutboxOptions, now func() time.Time, log *slog.Logger, reg prometheus.Registerer) *Outbox {
	o := &Outbox{store: db, opts: opts, now: now, log: log, metrics: newOutboxMetrics(reg), nudge: make(chan struct{}, 1), sent: map[address][]time.Time{}}
	o.Tell(opts.Routes)
	return o
}

// Tell puts other routes in force: what waits goes where they say now.
func (o *Outbox) Tell(routes []Route) { o.routes.Store(&routes) }

// Nudge says that messages have been queued. It does not block.
func (o *Outbox) Nudge() {
	select {
	case o.nudge <- struct{}{}:
	default:
	}
}

// Run delivers what is due until ctx is done.
func (o *Outbox) Run(ctx context.Context) error {
	poll := time.NewTicker(pollEvery)
	defer poll.Stop()
	for {
		if err := o.Deliver(ctx); err != nil && ctx.Err() == nil {
			o.log.Error("outbox", "err", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-o.nudge:
		case <-poll.C:
		}
	}
}

// Deliver tries everything that is due now, once: what belongs to one yard and
// goes to one address in one message, the addresses side by side. A message
// that cannot be delivered is no error, but put off; errors are of the store.
func (o *Outbox) Deliver(ctx context.Context) error {
	for {
		now := o.now()
		// What still waits for company goes along with what is due.
		waiting, err := o.store.Due(ctx, now.Add(gather), atOnce)
		if err != nil {
			return fmt.Errorf("read outbox: %w", err)
		}
		parcels, err := o.sort(ctx, waiting, now)
		if err != nil {
			return err
		}
		var g errgroup.Group
		for to, ps := range parcels {
			g.Go(func() error { return o.sendAll(ctx, to, ps) })
		}
		if err := errors.Join(g.Wait(), o.measure(ctx)); err != nil || ctx.Err() != nil {
			return err
		}
		// The longest due came first: only when all of them were due there may
		// be more.
		if len(waiting) < atOnce || waiting[len(waiting)-1].Due.After(now) {
			return nil
		}
	}
}

// A parcel is what becomes one message: what is due to one address about one
// yard, or, in a summary, about several.
type parcel struct {
	address
	yard     outyard.YardID
	summary  bool
	messages []outyard.Message
	findings []outyard.Finding
}

// sort groups messages by address and yard, in the order in which they were
// due, and returns the parcels of which something is.
func (o *Outbox) sort(ctx context.Context, waiting []outyard.Message, now time.Time) (map[address][]*parcel, error) {
	byAddress := map[address][]*parcel{}
	for _, m := range waiting {
		var yard outyard.YardID
		var findings []outyard.Finding
		for _, id := range m.Findings {
			f, ok, err := o.store.Finding(ctx, id)
			if err != nil {
				return nil, fmt.Errorf("read finding %q: %w", id, err)
			}
			if ok {
				yard, findings = f.Yard, append(findings, f)
			}
		}
		to := address{m.Route, m.Target}
		i := -1
		if len(findings) > 0 { // what is about no finding is a message of its own
			i = slices.IndexFunc(byAddress[to], func(p *parcel) bool { return p.yard == yard && len(p.findings) > 0 })
		}
		if i < 0 {
			byAddress[to] = append(byAddress[to], &parcel{address: to, yard: yard})
			i = len(byAddress[to]) - 1
		}
		byAddress[to][i].add(m, findings)
	}
	for to, ps := range byAddress {
		byAddress[to] = slices.DeleteFunc(ps, func(p *parcel) bool {
			return !slices.ContainsFunc(p.messages, func(m outyard.Message) bool { return !m.Due.After(now) })
		})
	}
	return byAddress, nil
}

func (p *parcel) add(m outyard.Message, findings []outyard.Finding) {
	p.messages = append(p.messages, m)
	for _, f := range findings {
		if !slices.ContainsFunc(p.findings, func(g outyard.Finding) bool { return g.ID == f.ID }) {
			p.findings = append(p.findings, f)
		}
	}
}

// urgent says whether a parcel holds what cannot wait.
func (p *parcel) urgent() bool {
	return slices.ContainsFunc(p.findings, func(f outyard.Finding) bool { return pressing(f) == outyard.Now.Rank() })
}

// sendAll delivers what is due to one address, as far as the ceiling of an
// hour lets it: the last message that it allows is a summary of all the rest.
func (o *Outbox) sendAll(ctx context.Context, to address, ps []*parcel) error {
	var errs []error
	var urgent, others []*parcel
	for _, p := range ps {
		if err := o.discard(ctx, p); err != nil {
			errs = append(errs, err)
		}
		switch {
		case len(p.messages) == 0:
		case len(p.findings) == 0: // the round: once a day
			errs = append(errs, o.send(ctx, p))
		case p.urgent():
			urgent = append(urgent, p)
		default:
			others = append(others, p)
		}
	}
	most := 0
	if r, there := o.route(to.route); there {
		most = r.PerHour
	}
	errs = append(errs, o.sendWithin(ctx, to, urgent, 2*most), o.sendWithin(ctx, to, others, most))
	return errors.Join(errs...)
}

// sendWithin sends parcels so that no more than most, if that is not 0, go to
// an address in an hour.
func (o *Outbox) sendWithin(ctx context.Context, to address, ps []*parcel, most int) error {
	if len(ps) == 0 {
		return nil
	}
	now := o.now()
	sent := o.lately(to, now)
	left := most - len(sent)
	if most > 0 && left <= 0 {
		opens := sent[len(sent)-most].Add(time.Hour)
		var errs []error
		for _, p := range ps {
			errs = append(errs, o.holdBack(ctx, p, opens, fmt.Sprintf("held back: %d messages have gone there within the hour", len(sent))))
		}
		return errors.Join(errs...)
	}
	if most > 0 && len(ps) > left {
		all := &parcel{address: to, summary: true}
		for _, p := range ps[left-1:] {
			for _, m := range p.messages {
				all.add(m, p.findings)
			}
		}
		ps = append(slices.Clone(ps[:left-1]), all)
	}
	var errs []error
	for _, p := range ps {
		errs = append(errs, o.send(ctx, p))
	}
	return errors.Join(errs...)
}

// lately are the times in the last hour at which a message went to an address.
func (o *Outbox) lately(to address, now time.Time) []time.Time {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.sent[to] = slices.DeleteFunc(o.sent[to], func(at time.Time) bool { return now.Sub(at) >= time.Hour })
	return slices.Clone(o.sent[to])
}

func (o *Outbox) holdBack(ctx context.Context, p *parcel, until time.Time, why string) error {
	o.log.Warn("messages held back", "route", p.route, "yard", p.yard, "messages", len(p.messages), "until", until, "why", why)
	var errs []error
	for _, m := range p.messages {
		if err := o.store.HoldBack(ctx, m.Key, until, why); err != nil {
			errs = append(errs, fmt.Errorf("hold back message %q: %w", m.Key, err))
		}
	}
	return errors.Join(errs...)
}

// send delivers a parcel, or puts its messages off.
func (o *Outbox) send(ctx context.Context, p *parcel) error {
	m, err := o.compose(ctx, p)
	if err != nil {
		return err
	}
	if err := o.attempt(ctx, m); err != nil {
		if ctx.Err() != nil {
			return nil // a stop, not a failure: the next start tries again
		}
		return o.postpone(ctx, p, err)
	}
	// Delivered is delivered, even while the daemon stops.
	ctx = context.WithoutCancel(ctx)
	o.metrics.sent.Add(float64(len(p.messages)))
	now := o.now()
	o.mu.Lock()
	o.sent[p.address] = append(o.sent[p.address], now)
	o.mu.Unlock()
	var errs []error
	for _, m := range p.messages {
		if err := o.store.Delivered(ctx, m.Key, now); err != nil {
			errs = append(errs, fmt.Errorf("note that message %q is delivered: %w", m.Key, err))
		}
	}
	o.log.Info("told", "route", p.route, "yard", p.yard, "subject", m.Subject, "findings", m.Findings)
	if o.opts.Told != nil && len(m.Findings) > 0 {
		if err := o.opts.Told(ctx, m.Findings); err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// discard takes out of a parcel what is not worth telling any more.
func (o *Outbox) discard(ctx context.Context, p *parcel) error {
	now := o.now()
	var keep []outyard.Message
	for _, m := range p.messages {
		why := o.stale(p, m)
		if why == "" {
			keep = append(keep, m)
			continue
		}
		o.log.Warn("message not told", "route", m.Route, "subject", m.Subject, "why", why, "lastErr", m.LastErr)
		o.metrics.dropped.Inc()
		if err := o.store.Delivered(ctx, m.Key, now); err != nil {
			return fmt.Errorf("take message %q out of the outbox: %w", m.Key, err)
		}
	}
	p.messages = keep
	p.findings = slices.DeleteFunc(p.findings, func(f outyard.Finding) bool {
		return !slices.ContainsFunc(keep, func(m outyard.Message) bool { return slices.Contains(m.Findings, f.ID) })
	})
	return nil
}

// stale says why a message of the parcel should not be told; "" if it should.
func (o *Outbox) stale(p *parcel, m outyard.Message) string {
	f, ok := p.about(m)
	if !ok {
		return ""
	}
	unheard := slices.ContainsFunc(p.messages, func(n outyard.Message) bool {
		g, ok := p.about(n)
		return ok && g.ID == f.ID && isFirst(n) && !toldAtNight(n, f)
	})
	switch {
	case f.State == outyard.Withdrawn && unheard:
		return "it was withdrawn before it was told"
	case f.State == outyard.Over && !ruleOf(f.Kind).event && unheard:
		return "it was over before it was told"
	case f.State == outyard.Withdrawn && isFirst(m):
		return "it has been withdrawn"
	case isFirst(m) && toldAtNight(m, f):
		return "it has been told, when it became pressing"
	case stageOf(m).reminder() && (f.State != outyard.Open || o.opts.Answered != nil && o.opts.Answered(f.ID)):
		return "it has been answered, or is over"
	}
	return ""
}

// about is the finding that a message tells of.
func (p *parcel) about(m outyard.Message) (outyard.Finding, bool) {
	i := slices.IndexFunc(p.findings, func(f outyard.Finding) bool { return slices.Contains(m.Findings, f.ID) })
	if i < 0 {
		return outyard.Finding{}, false
	}
	return p.findings[i], true
}

func isFirst(m outyard.Message) bool { return stageOf(m) == stageRaised }

// toldAtNight says that the message was held back by quiet hours while its
// finding became so pressing that another one went out at once.
func toldAtNight(m outyard.Message, f outyard.Finding) bool {
	return m.Attempts == 0 && m.LastErr == "" && m.Due.After(m.Queued) && f.Severity == outyard.Now
}

// compose makes one message of a parcel, in words that are true now: findings
// may have changed since they were queued.
func (o *Outbox) compose(ctx context.Context, p *parcel) (outyard.Message, error) {
	m := p.messages[0]
	if len(p.findings) == 0 {
		return m, nil
	}
	m.About = p.findings
	m.Pictures = o.pictures(ctx, p)
	words, err := o.words(p, m.Pictures)
	if err != nil {
		return m, err
	}
	m.Subject, m.Text, m.HTML = words.Subject, words.Text, words.HTML
	m.Findings = nil
	for _, f := range p.findings {
		m.Findings = append(m.Findings, f.ID)
	}
	for _, n := range p.messages[1:] {
		m.Key += " " + n.Key
	}
	return m, nil
}

// find is a yard by its id; one that is not in the config any more has no more
// than that.
func (o *Outbox) find(id outyard.YardID) outyard.Yard {
	if yard, ok := o.opts.Yard(id); ok {
		return yard
	}
	return outyard.Yard{ID: id}
}

// pictures draws the evidence, where the channel takes pictures. A message
// without is better than none.
func (o *Outbox) pictures(ctx context.Context, p *parcel) []outyard.Picture {
	_, ch, err := o.channel(p.address)
	if i, ok := ch.(Illustrated); err != nil || !ok || !i.Illustrated() || o.opts.Picture == nil || p.summary {
		return nil
	}
	found := slices.Clone(p.findings)
	slices.SortStableFunc(found, byPressing)
	var out []outyard.Picture
	for _, f := range found {
		if len(out) == mostPictures || pressing(f) == 0 {
			break
		}
		png, shows, err := o.opts.Picture(ctx, o.find(f.Yard), f)
		if err != nil {
			o.log.Warn("message goes without a picture", "yard", f.Yard, "hive", f.Hive, "id", f.ID, "err", err)
			continue
		}
		if len(png) > 0 {
			out = append(out, outyard.Picture{ID: f.ID, PNG: png, Shows: shows})
		}
	}
	return out
}

// words are what the parcel says.
func (o *Outbox) words(p *parcel, pictures []outyard.Picture) (Words, error) {
	w := o.opts.Writer
	w.pictures = pictures
	if o.opts.Links != nil {
		w.answer = func(act LinkAct, finding string) string { return o.opts.Links.Make(p.address, act, finding, o.now()) }
	}
	if r, there := o.route(p.route); there {
		w.Units = r.Units
	}
	if p.summary {
		return w.Summary(o.find, p.findings)
	}
	words, err := w.Write(o.find(p.yard), p.findings)
	if !slices.ContainsFunc(p.messages, func(m outyard.Message) bool { return !stageOf(m).reminder() }) {
		words.Subject = "Reminder: " + words.Subject
	}
	return words, err
}

// route finds a route by its name, unless it is not in the config any more.
func (o *Outbox) route(name string) (Route, bool) {
	routes := *o.routes.Load()
	i := slices.IndexFunc(routes, func(r Route) bool { return r.Name == name })
	if i < 0 {
		return Route{}, false
	}
	return routes[i], true
}

// attempt hands the message to the channel of its address.
func (o *Outbox) attempt(ctx context.Context, m outyard.Message) error {
	address, ch, err := o.channel(address{m.Route, m.Target})
	if err != nil {
		return Permanent(err)
	}
	ctx, cancel := context.WithTimeout(ctx, attemptTime)
	defer cancel()
	return ch.Deliver(ctx, m, address)
}

// channel is the address itself, and the channel for it.
func (o *Outbox) channel(to address) (string, Channel, error) {
	r, there := o.route(to.route)
	if !there || to.target >= len(r.To) {
		return "", nil, fmt.Errorf("route %q has no address %d in the config any more", to.route, to.target+1)
	}
	at := r.To[to.target]
	scheme, _, _ := strings.Cut(at, ":")
	// Behind a + stands what the channel itself speaks: webhook+https.
	channel, _, _ := strings.Cut(strings.ToLower(scheme), "+")
	ch, ok := o.opts.Channels[channel]
	if !ok {
		return "", nil, fmt.Errorf("address %s: there is no channel %q", Redact(at), scheme)
	}
	return at, ch, nil
}

func (o *Outbox) postpone(ctx context.Context, p *parcel, why error) error {
	o.metrics.failed.Inc()
	wait := permanentRetry
	if !IsPermanent(why) {
		wait = min(firstRetry<<min(p.messages[0].Attempts, 10), lastRetry)
	}
	if o.opts.Jitter != nil {
		wait += time.Duration((o.opts.Jitter()*0.4 - 0.2) * float64(wait))
	}
	due := o.now().Add(wait)
	o.log.Warn("message not delivered", "route", p.route, "yard", p.yard, "attempts", p.messages[0].Attempts+1, "next", due, "err", why)
	var errs []error
	for _, m := range p.messages {
		if err := o.store.Postpone(ctx, m.Key, due, why.Error()); err != nil {
			errs = append(errs, fmt.Errorf("put off message %q: %w", m.Key, err))
		}
	}
	return errors.Join(errs...)
}

// measure sets the age of the oldest message that should have been delivered.
// One that quiet hours hold back is not late.
func (o *Outbox) measure(ctx context.Context) error {
	now := o.now()
	waiting, err := o.store.Undelivered(ctx, now)
	if err != nil {
		return fmt.Errorf("read what is undelivered: %w", err)
	}
	oldest := now
	for _, m := range waiting {
		switch {
		case !m.NotAfter.IsZero() && m.NotAfter.Before(now): // given up
		case m.Attempts > 0 && m.Queued.Before(oldest):
			oldest = m.Queued
		case m.Attempts == 0 && m.Due.Before(oldest):
			oldest = m.Due
		}
	}
	o.metrics.oldest.Set(now.Sub(oldest).Seconds())
	return nil
}

// permanentError marks an error that trying again will not mend.
type permanentError struct{ err error }

func (e *permanentError) Error() string { return e.err.Error() }
func (e *permanentError) Unwrap() error { return e.err }

// Permanent marks an error that only a person can mend: the message is kept
// and tried again, but seldom.
func Permanent(err error) error { return &permanentError{err} }

// IsPermanent says whether an error is so marked.
func IsPermanent(err error) bool {
	var p *permanentError
	return errors.As(err, &p)
}

// Redact is an address that may be shown: no user, password or query.
func Redact(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		scheme, _, _ := strings.Cut(address, ":")
		return scheme + ":…"
	}
	return cmp.Or(u.Scheme, "?") + "://" + u.Host
}

// LogChannel is the channel of "log:" addresses: it tells the log.
type LogChannel struct{ Log *slog.Logger }

// Deliver writes the message's subject and findings to the log.
func (c LogChannel) Deliver(_ context.Context, m outyard.Message, _ string) error {
	c.Log.Info(m.Subject, "route", m.Route, "findings", m.Findings, "text", m.Text)
	return nil
}
