package collector

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"outyard"
	"outyard/collector/mapping"
	"outyard/collector/senml"
)

// Store is the part of the store that the collector needs.
type Store interface {
	// Keep returns nil only once the readings are on stable storage. Those
	// kept before are no error; fresh is what was new.
	Keep(ctx context.Context, rs []outyard.Reading) (fresh []outyard.Reading, err error)
	// Refuse returns nil only once the messages are on stable storage.
	Refuse(ctx context.Context, messages []outyard.Refused) error
}

// Options are the settings of an Intake; the zero value of each stands for
// the default that its comment names.
type Options struct {
	// Prefix goes before "yards/" in every topic.
	Prefix string
	// Mappings, if not nil, are for messages under other topics.
	Mappings *mapping.Set
	// MaxWait is how long a message may wait for company before it is
	// committed: 20 ms, at which a commit each costs little even at a
	// thousand messages a second.
	MaxWait time.Duration
	// BatchReadings is the number of readings that are committed without
	// waiting any longer: 5,000, where a larger commit gains little.
	BatchReadings int
	// QueueReadings and QueueBytes bound what is held while a commit runs:
	// 20,000 readings and 16 MiB of payload. Take blocks beyond that, and
	// the fronts let their senders wait.
	QueueReadings int
	QueueBytes    int
	// StopWithin is how long a stop may take to commit what was taken: 10 s.
	StopWithin time.Duration
	// Kept, if not nil, is given what was new in each commit, and when the
	// last of it arrived. It must not block.
	Kept func(fresh []outyard.Reading, arrived time.Time)
	// Untimely, if not nil, is given the place and the newest time of each message
	// that is not of about now, kept or not: what is refused for its time, and what
	// says a time that is known already, tell of the clock too. It is called from
	// many goroutines and must not block.
	Untimely func(r outyard.Reading, arrived time.Time)
}

func (o *Options) setDefaults() {
	o.Prefix = Prefix(o.Prefix)
	o.MaxWait = cmp.Or(o.MaxWait, 20*time.Millisecond)
	o.BatchReadings = cmp.Or(o.BatchReadings, 5_000)
	o.QueueReadings = cmp.Or(o.QueueReadings, 20_000)
	o.QueueBytes = cmp.Or(o.QueueBytes, 16<<20)
	o.StopWithin = cmp.Or(o.StopWithin, 10*time.Second)
}

// An Intake is where both fronts hand in messages. Messages are read by
// whoever hands them in, many at once; one goroutine commits.
type Intake struct {
	store   Store
	places  Places
	opts    Options
	now     func() time.Time
	log     *slog.Logger
	metrics *metrics
	readers sync.Pool // of *reader
	refused limiter   // of log lines about refused messages
	clocks  *clocks

	mu       sync.Mutex
	room     sync.Cond // the queue has room again, or the intake stops
	pending  *batch
	stopping bool
	health   error
	// For Alive: when the committer last did a step, and whether it is at work
	// on a batch.
	turned     time.Time
	committing bool

	wake chan struct{} // the queue is no longer empty, or has a batch, or the intake stops
}

// New makes an intake onto a store. It takes messages once Run runs.
func New(store Store, places Places, opts Options, now func() time.Time, log *slog.Logger, reg prometheus.Registerer) *Intake {
	opts.setDefaults()
	in := &Intake{store: store, places: places, opts: opts, now: now, log: log,
		pending: new(batch), wake: make(chan struct{}, 1)}
	in.room.L = &in.mu
	in.readers.New = func() any { return new(reader) }
	in.clocks = newClocks(reg, now, places.Yards)
	in.metrics = newMetrics(reg, now, in.queued, places.Yards)
	return in
}

// A reader is what it takes to read one message, kept for the next.
type reader struct {
	decoder  senml.Decoder
	rows     []mapping.Row
	readings []outyard.Reading
	newest   outyard.Reading // of a placed message, its place and newest time, kept or not
}

// note remembers the newest time of a message.
func (rd *reader) note(yard outyard.YardID, hive outyard.HiveID, at time.Time) {
	if at.After(rd.newest.Time) {
		rd.newest.Yard, rd.newest.Hive, rd.newest.Time = yard, hive, at
	}
}

// A batch is what is committed at once.
type batch struct {
	readings []outyard.Reading
	refused  []outyard.Refused
	// acks are one for each message, in order of arrival: of one client they
	// must be sent so (MQTT 3.1.1 [MQTT-4.6.0-2]).
	acks        []ack
	bytes       int
	first, last time.Time // when the first and the last message were taken
	arrived     time.Time // the newest arrival
}

func (b *batch) messages() int { return len(b.acks) }

type ack struct {
	send    func()
	arrived time.Time
}

// Take reads a message and queues what it says. It blocks while the queue is
// full, which is how senders are slowed down to the pace of the store. It
// returns false, and the message is never acknowledged, if the intake stops.
func (in *Intake) Take(msg Message) bool {
	if msg.Arrived.IsZero() {
		msg.Arrived = in.now()
	}
	if strings.HasPrefix(msg.Topic, OwnTopics) { // what we said ourselves, come back from a broker
		if msg.Ack != nil {
			msg.Ack()
		}
		return true
	}
	rd := in.readers.Get().(*reader)
	defer in.readers.Put(rd)
	refused := in.read(rd, msg)
	if refused != nil {
		in.logRefused(refused)
	}
	if !msg.Retained { // what was retained came late for another reason
		in.watchClocks(rd.readings, rd.newest, msg.Arrived)
	}

	in.mu.Lock()
	defer in.mu.Unlock()
	for !in.stopping && (len(in.pending.readings) >= in.opts.QueueReadings || in.pending.bytes >= in.opts.QueueBytes) {
		in.room.Wait()
	}
	if in.stopping {
		return false
	}
	b, taken := in.pending, in.now()
	wake := b.messages() == 0
	if wake {
		b.first = taken
	}
	b.last = taken
	if msg.Arrived.After(b.arrived) {
		b.arrived = msg.Arrived
	}
	b.readings = append(b.readings, rd.readings...)
	b.bytes += len(msg.Payload)
	b.acks = append(b.acks, ack{msg.Ack, msg.Arrived})
	if refused != nil {
		b.refused = append(b.refused, *refused)
	}
	if wake || b.messages() == company || len(b.readings) >= in.opts.BatchReadings {
		in.rouse()
	}
	return true
}

// rouse makes the committer look at the queue, now or when it next would wait.
func (in *Intake) rouse() {
	select {
	case in.wake <- struct{}{}:
	default:
	}
}

// Read says what would be kept of a message, and with which reason it, or a
// part of it, would be refused. Nothing is kept.
func (in *Intake) Read(msg Message) ([]outyard.Reading, *outyard.Refused) {
	rd := in.readers.Get().(*reader)
	defer in.readers.Put(rd)
	refused := in.read(rd, msg)
	return slices.Clone(rd.readings), refused
}

// Retry reads messages that were refused once more, as if they had come anew at
// their old time, and keeps what can be read of them now. kept are the ids of
// those that could be read whole, for the caller to forget; still are the
// others, with their reasons of today. On an error, what kept names is on
// stable storage.
func (in *Intake) Retry(ctx context.Context, messages []outyard.Refused) (kept []int64, still []outyard.Refused, err error) {
	var rs []outyard.Reading
	var whole []int64
	keep := func() error {
		if len(rs) == 0 {
			return ctx.Err()
		}
		fresh, err := in.store.Keep(ctx, rs)
		if err != nil {
			return fmt.Errorf("keep %d readings: %w", len(rs), err)
		}
		if in.opts.Kept != nil && len(fresh) > 0 {
			in.opts.Kept(fresh, in.now())
		}
		kept, rs, whole = append(kept, whole...), nil, nil
		return nil
	}
	for _, m := range messages {
		read, refused := in.Read(Message{Topic: m.Topic, Payload: m.Payload, Arrived: m.Arrived, Retained: m.Retained})
		rs = append(rs, read...)
		if refused != nil {
			refused.ID = m.ID
			still = append(still, *refused)
		} else {
			whole = append(whole, m.ID)
		}
		if len(rs) >= in.opts.BatchReadings {
			if err := keep(); err != nil {
				return kept, still, err
			}
		}
	}
	return kept, still, keep()
}

// read leaves what the message says in rd.readings. Where a part of a pack
// cannot be read, the good rest is there, and the whole message is refused too,
// so that neither is lost: the readings for the analyses, the message for the
// keeper to mend its cause and try it again, which changes nothing in what is
// kept already.
func (in *Intake) read(rd *reader, msg Message) *outyard.Refused {
	rd.readings, rd.newest = rd.readings[:0], outyard.Reading{}
	if in.isMapped(msg.Topic) {
		return in.readMapped(rd, msg)
	}
	yard, hive, err := parseTopic(in.opts.Prefix, msg.Topic)
	if err != nil {
		if in.opts.Mappings != nil {
			err = fmt.Errorf("%w, and no mapping is for it", err)
		}
		return refuse(msg, "", "", err, false)
	}
	records, err := rd.decoder.Decode(msg.Payload, msg.Arrived)
	if err != nil {
		return refuse(msg, yard, hive, err, false)
	}
	scale, placed := in.places.Place(yard, hive)
	if !placed {
		return refuse(msg, yard, hive, in.noPlace(yard, hive), true)
	}
	if msg.Retained && slices.ContainsFunc(records, func(r senml.Record) bool { return r.Relative }) {
		return refuse(msg, yard, hive, errAnyAge, false)
	}
	for _, r := range records {
		rd.note(yard, hive, r.Time)
	}
	rd.readings, err = readings(rd.readings, records, yard, hive, scale, msg.Arrived)
	if err != nil {
		return refuse(msg, yard, hive, err, false)
	}
	return nil
}

// isMapped says whether a message is for a mapping: SenML keeps its own topics,
// however wide a mapping's filter is.
func (in *Intake) isMapped(topic string) bool {
	return !strings.HasPrefix(topic, in.opts.Prefix+"yards/") && in.opts.Mappings.Matches(topic)
}

// readMapped reads a message by its mappings. It is kept as a whole or, refused,
// not at all: half of what a mapping says is a mapping that is wrong.
func (in *Intake) readMapped(rd *reader, msg Message) *outyard.Refused {
	var err error
	if rd.rows, err = in.opts.Mappings.Read(rd.rows[:0], msg.Topic, msg.Payload, msg.Arrived); err != nil {
		return refuse(msg, "", "", err, false)
	}
	for _, row := range rd.rows {
		r := row.Reading
		scale, placed := in.places.Place(r.Yard, r.Hive)
		if !placed {
			rd.readings = rd.readings[:0]
			return refuse(msg, r.Yard, r.Hive, in.noPlace(r.Yard, r.Hive), true)
		}
		rd.note(r.Yard, r.Hive, r.Time)
		if row.Untimed && msg.Retained {
			err = errAnyAge
		} else if outyard.Known(row.Counts) {
			if err = calibrate(&r, row.Counts, scale); err != nil {
				err = fmt.Errorf("%s: %w", outyard.RawWeight, err)
			}
		}
		if err == nil {
			err = r.Check(msg.Arrived)
		}
		if err != nil {
			rd.readings = rd.readings[:0]
			return refuse(msg, r.Yard, r.Hive, fmt.Errorf("mapping %q: %w", row.Mapping, err), false)
		}
		rd.readings = append(rd.readings, r)
	}
	return nil
}

// errAnyAge is about a copy that a broker sends again at each connect: with the
// time of its arrival it would be a new reading each time.
var errAnyAge = errors.New("a broker retained the message, so it may be old, and it has no time of its own: have its sender give the time, or not retain it")

func (in *Intake) noPlace(yard outyard.YardID, hive outyard.HiveID) error {
	if _, placed := in.places.Place(yard, ""); placed {
		return fmt.Errorf("hive %s is not in the config: add it to the hives of yard %s", hive, yard)
	}
	return fmt.Errorf("yard %s is not in the config: add it to the yards, or set yards to auto", yard)
}

// logEvery bounds the log lines about refused messages: a node that sends
// nonsense does so each minute, for months.
const logEvery = 10 * time.Second

func (in *Intake) logRefused(r *outyard.Refused) {
	if ok, left := in.refused.allow(in.now(), logEvery); ok {
		what := "message refused"
		if r.Unplaced {
			what = "message has no place"
		}
		in.log.Warn(what, "topic", r.Topic, "yard", r.Yard, "hive", r.Hive, "reason", r.Reason, "not_logged_before", left)
	}
}

func refuse(msg Message, yard outyard.YardID, hive outyard.HiveID, reason error, unplaced bool) *outyard.Refused {
	return &outyard.Refused{Topic: msg.Topic, Payload: msg.Payload, Arrived: msg.Arrived.UTC(), Retained: msg.Retained, Reason: reason.Error(),
		Unplaced: unplaced, Yard: yard, Hive: hive}
}

// A limiter lets one thing through in each stretch of time.
type limiter struct {
	mu   sync.Mutex
	next time.Time
	left int
}

// allow says whether it may be now, and how many were not let through since
// the last that was.
func (l *limiter) allow(now time.Time, every time.Duration) (ok bool, left int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if now.Before(l.next) {
		l.left++
		return false, 0
	}
	left, l.left, l.next = l.left, 0, now.Add(every)
	return true, left
}

// queued is the number of messages taken that no commit has begun on.
func (in *Intake) queued() int {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.pending.messages()
}

// Healthy says what the store last refused to do, if it has not done it since.
func (in *Intake) Healthy() error {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.health
}

func (in *Intake) setHealth(err error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.health = err
}

// Run commits what is taken until ctx ends, then what was taken before that,
// acknowledges it, and returns nil. It returns an error when the store would
// not have it within Options.StopWithin: that was never acknowledged.
func (in *Intake) Run(ctx context.Context) error {
	stop := func() {
		in.mu.Lock()
		defer in.mu.Unlock()
		in.stopping = true
		in.room.Broadcast()
		in.rouse()
	}
	defer stop()
	defer context.AfterFunc(ctx, stop)()

	// Commits outlive ctx, but not for ever.
	commits, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	defer cancel(nil)
	defer context.AfterFunc(ctx, func() {
		timer := time.NewTimer(in.opts.StopWithin)
		defer timer.Stop()
		select {
		case <-timer.C:
			cancel(fmt.Errorf("store did not answer within %s of the stop", in.opts.StopWithin))
		case <-commits.Done():
		}
	})()

	for {
		b := in.next()
		if b == nil {
			return nil
		}
		in.turn(true)
		err := in.commit(ctx, commits, b)
		in.turn(false)
		if err != nil {
			return fmt.Errorf("%d messages taken but not kept, nor acknowledged: %w", b.messages(), err)
		}
	}
}

// next returns what is to be committed now, after the wait for company that is
// worth it; nil when the intake stops and nothing is left.
func (in *Intake) next() *batch {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		b, wait := in.take()
		switch {
		case b != nil:
			return b
		case wait == stopped:
			return nil
		case wait == idle:
			<-in.wake
			continue
		}
		timer.Reset(wait)
		select {
		case <-timer.C:
		case <-in.wake:
		}
	}
}

// What take says in place of a wait.
const (
	idle    time.Duration = -1 // nothing to commit
	stopped time.Duration = -2 // nor will there be
)

// take swaps the queue for an empty one if it is time to, else it says how
// long to wait.
func (in *Intake) take() (b *batch, wait time.Duration) {
	in.mu.Lock()
	defer in.mu.Unlock()
	b = in.pending
	switch {
	case b.messages() == 0 && in.stopping:
		return nil, stopped
	case b.messages() == 0:
		return nil, idle
	case !in.stopping && len(b.readings) < in.opts.BatchReadings && b.bytes < in.opts.QueueBytes:
		if wait := in.due(b).Sub(in.now()); wait > 0 {
			return nil, wait
		}
	}
	in.pending = &batch{readings: make([]outyard.Reading, 0, len(b.readings)), acks: make([]ack, 0, len(b.acks))}
	in.room.Broadcast()
	return b, 0
}

// company is the number of messages from which a lull ends the wait.
const company = 16

// due is when a batch is committed that has not grown full: MaxWait after its
// first message, or at a lull after a crowd. Senders that wait for their acks
// before they go on fall silent together, and waiting longer for them would
// only slow them down; a steady trickle knows no such lull.
func (in *Intake) due(b *batch) time.Time {
	due := b.first.Add(in.opts.MaxWait)
	n := b.messages()
	if n < company {
		return due
	}
	lull := max(time.Millisecond, 8*b.last.Sub(b.first)/time.Duration(n))
	if quiet := b.last.Add(lull); quiet.Before(due) {
		return quiet
	}
	return due
}

// commit keeps a batch, however often the store has to be asked, and then
// acknowledges it.
func (in *Intake) commit(ctx, commits context.Context, b *batch) error {
	var fresh []outyard.Reading
	// Rows in the order in which the store lays them down commit several
	// times faster, and write a fraction of the bytes.
	slices.SortFunc(b.readings, func(a, b outyard.Reading) int {
		return cmp.Or(cmp.Compare(a.Yard, b.Yard), cmp.Compare(a.Hive, b.Hive), a.Time.Compare(b.Time))
	})
	if len(b.readings) > 0 {
		err := in.insist(ctx, commits, "keep readings", func() (err error) {
			fresh, err = in.store.Keep(commits, b.readings)
			return err
		})
		if err != nil {
			return err
		}
	}
	if len(b.refused) > 0 {
		err := in.insist(ctx, commits, "keep refused messages", func() error { return in.store.Refuse(commits, b.refused) })
		if err != nil {
			return err
		}
	}
	in.acknowledge(b.acks)
	in.metrics.kept(b, fresh)
	if in.opts.Kept != nil && len(fresh) > 0 {
		in.opts.Kept(fresh, b.arrived)
	}
	return nil
}

func (in *Intake) acknowledge(acks []ack) {
	now := in.now()
	for _, a := range acks {
		if a.send != nil {
			a.send()
		}
		in.metrics.ackSeconds.Observe(now.Sub(a.arrived).Seconds())
	}
}

// The store is asked again after a wait that doubles from minRetry to maxRetry.
const (
	minRetry = 100 * time.Millisecond
	maxRetry = 30 * time.Second
)

// insist does a thing until it works. It gives up when commits ends.
func (in *Intake) insist(ctx, commits context.Context, what string, do func() error) error {
	failing := false
	for wait := minRetry; ; wait = min(2*wait, maxRetry) {
		begun := in.now()
		err := do()
		in.turn(true)
		if err == nil {
			in.metrics.commitSeconds.Observe(in.now().Sub(begun).Seconds())
			if failing {
				in.setHealth(nil)
				in.log.Info("store works again", "doing", what)
			}
			return nil
		}
		failing = true
		in.metrics.commitErrors.Inc()
		in.setHealth(fmt.Errorf("%s: %w", what, err))
		if commits.Err() != nil {
			return errors.Join(context.Cause(commits), err)
		}
		if ctx.Err() != nil { // no time left for long waits
			wait = min(wait, time.Second)
		}
		in.log.Error("store does not keep what nodes send; nothing is acknowledged until it does", "doing", what, "error", err, "again_in", wait)
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ended(ctx):
			timer.Stop()
		case <-commits.Done():
			timer.Stop()
		}
	}
}

// ended is the end of ctx, unless that is past.
func ended(ctx context.Context) <-chan struct{} {
	if ctx.Err() != nil {
		return nil
	}
	return ctx.Done()
}
