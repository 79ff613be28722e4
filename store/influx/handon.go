package influx

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"time"

	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/prometheus/client_golang/prometheus"

	"outyard"
	"outyard/store"
)

// Run hands on what is queued, in batches, until ctx ends; then it returns nil.
// When the server is away, or does not take a batch, the queue keeps it and it
// is offered again, ever less often, up to once a minute.
func (s *Store) Run(ctx context.Context) error {
	h := handing{Store: s, size: s.limits.batch, most: s.limits.batch}
	for ctx.Err() == nil {
		more, err := h.batch(ctx)
		switch {
		case ctx.Err() != nil:
		case err != nil:
			pause(ctx, h.wrong(ctx, err))
		case more:
			h.right(ctx)
		default:
			h.right(ctx)
			select {
			case <-ctx.Done():
			case <-s.nudged:
				pause(ctx, s.limits.gather)
			}
		}
	}
	return nil
}

// pause waits for d, or for the end of ctx.
func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// handing is how it stands with the server.
type handing struct {
	*Store
	size   int // readings in a batch: fewer when the server is too slow for that many
	most   int // and no more than this: the server said that it is too much
	failed int // attempts in a row
	said   string
}

// smallestBatch is few enough for any server that is not broken.
const smallestBatch = 50

// wrong notes that a batch did not go through, and says how long to wait.
func (h *handing) wrong(ctx context.Context, err error) time.Duration {
	h.failed++
	wait := time.Duration(math.Min(float64(h.limits.backoff)*math.Pow(2, float64(h.failed-1)), float64(h.limits.maxBackoff)))
	var answer *influxhttp.Error
	isAnswer := errors.As(err, &answer) && answer.StatusCode != 0
	switch {
	case isAnswer && answer.StatusCode < 500:
		h.metrics.writeTurnedAway.Inc()
	case isAnswer:
		h.metrics.writeServer.Inc()
	default:
		h.metrics.writeAway.Inc()
	}
	if isAnswer {
		wait = max(wait, time.Duration(answer.RetryAfter)*time.Second)
	}
	var late interface{ Timeout() bool }
	tooLarge := isAnswer && answer.StatusCode == http.StatusRequestEntityTooLarge
	if tooLarge || errors.As(err, &late) && late.Timeout() {
		h.size = max(h.size/2, min(smallestBatch, h.limits.batch))
	}
	if tooLarge {
		h.most = h.size
	}
	if h.said != err.Error() { // once for each thing that goes wrong, not each minute
		h.said = err.Error()
		h.log.WarnContext(ctx, "time-series server does not take readings, they wait in the queue", "server", h.server, "err", err)
	}
	return wait
}

// right notes that the server takes what it is given.
func (h *handing) right(ctx context.Context) {
	h.size = min(h.size*2, h.most)
	if h.failed > 0 {
		h.log.InfoContext(ctx, "time-series server takes readings again", "server", h.server)
	}
	h.failed, h.said = 0, ""
}

// batch hands on the head of the queue, and says whether more waits behind it.
func (h *handing) batch(ctx context.Context) (more bool, err error) {
	head, err := h.queue.Head(ctx, h.size)
	if err != nil || len(head) == 0 {
		return false, err
	}
	rs := make([]outyard.Reading, len(head))
	for i, q := range head {
		rs[i] = q.Reading
	}
	o := offer{Store: h.Store}
	if err := o.make(ctx, rs); err != nil {
		return false, fmt.Errorf("hand on %d readings to %s: %w", len(rs), h.server, err)
	}
	bad, err := h.refuse(ctx, &o)
	if err != nil {
		return false, fmt.Errorf("hand on %d readings to %s: %w", len(rs), h.server, err)
	}
	if err := h.queue.Drop(ctx, head[len(head)-1].ID, bad); err != nil {
		return false, err
	}
	h.metrics.batches.Inc()
	h.metrics.readings.Add(float64(o.taken))
	h.metrics.refused.Add(float64(len(bad)))
	return len(head) == h.size, nil
}

// refuse puts what the server refuses among the refused messages, with its
// reason. It believes the server only when that took something else, and still
// refuses after: one that refuses everything, for a setting of its own or of a
// proxy before it, would have the whole queue refused.
func (h *handing) refuse(ctx context.Context, o *offer) (bad []outyard.Reading, err error) {
	if len(o.suspects) == 0 {
		return nil, nil
	}
	if o.taken == 0 {
		return nil, fmt.Errorf("it takes none of them: %w", o.reason)
	}
	var messages []outyard.Refused
	for _, r := range o.suspects {
		reason := h.write(ctx, []outyard.Reading{r})
		if reason == nil {
			o.taken++
			continue
		}
		if !isRefusal(reason) {
			return nil, reason
		}
		m, err := h.message(r, reason)
		if err != nil {
			return nil, err
		}
		bad, messages = append(bad, r), append(messages, m)
	}
	if len(bad) == 0 {
		return nil, nil
	}
	h.log.WarnContext(ctx, "time-series server refuses readings for good", "server", h.server, "readings", len(bad),
		"yard", bad[0].Yard, "hive", bad[0].Hive, "reason", messages[0].Reason)
	// Refused before dropped: killed between the two, the daemon shows them
	// twice rather than not at all.
	return bad, h.Refuse(ctx, messages)
}

// An offer finds out what of a batch the server takes.
type offer struct {
	*Store
	taken    int
	suspects []outyard.Reading
	reason   error // for the first of them
}

// make offers readings to the server. When it refuses them for what is in
// them, they are parted until what is at fault stands alone, down to one
// quantity of one reading. A server that refuses the first so many and has
// taken none is left alone.
func (o *offer) make(ctx context.Context, rs []outyard.Reading) error {
	err := o.write(ctx, rs)
	if err == nil {
		o.taken += len(rs)
		return nil
	}
	if !isRefusal(err) {
		return err
	}
	one, two := halves(rs)
	if two == nil {
		if len(o.suspects) == 0 {
			o.reason = err
		}
		o.suspects = append(o.suspects, rs[0])
		if o.taken == 0 && len(o.suspects) >= o.limits.suspectLimit {
			return fmt.Errorf("it takes nothing: %w", err)
		}
		return nil
	}
	if err := o.make(ctx, one); err != nil {
		return err
	}
	return o.make(ctx, two)
}

// isRefusal says whether the server found fault with what it was sent, not with
// who sent it, where to, or when. InfluxDB 1.8 answers 400 to a point that it
// cannot take, InfluxDB 2 answers 400 or 422.
func isRefusal(err error) bool {
	var answer *influxhttp.Error
	return errors.As(err, &answer) &&
		(answer.StatusCode == http.StatusBadRequest || answer.StatusCode == http.StatusUnprocessableEntity)
}

// halves parts readings, or the quantities of a single one; two is nil when
// there is nothing left to part.
func halves(rs []outyard.Reading) (one, two []outyard.Reading) {
	if n := len(rs) / 2; n > 0 {
		return rs[:n], rs[n:]
	}
	a, b := rs[0], rs[0]
	var known []outyard.Quantity
	for q, v := range a.Values {
		if outyard.Known(v) {
			known = append(known, outyard.Quantity(q))
		}
	}
	if len(known) < 2 {
		return rs, nil
	}
	for i, q := range known {
		if i < len(known)/2 {
			b.Values[q] = outyard.Unknown
		} else {
			a.Values[q] = outyard.Unknown
		}
	}
	return []outyard.Reading{a}, []outyard.Reading{b}
}

// write writes readings to the server. A point that is there already is
// written over with the same values, so that doing it twice does no harm.
func (s *Store) write(ctx context.Context, rs []outyard.Reading) error {
	var lines []byte
	for i := range rs {
		lines = appendLine(lines, &rs[i])
	}
	timer := prometheus.NewTimer(s.metrics.writeSeconds)
	defer timer.ObserveDuration()
	ctx, cancel := context.WithTimeout(ctx, s.limits.write)
	defer cancel()
	if err := s.writing.WriteRecord(ctx, string(lines)); err != nil {
		return answered(err)
	}
	return nil
}

// answered names the part of the client's error that says nothing, and says
// that trying again later is right where it is.
func answered(err error) error {
	var answer *influxhttp.Error
	answers := errors.As(err, &answer) && answer.StatusCode != 0
	switch {
	case answers && isRefusal(err):
		return fmt.Errorf("answered %d %s: %w", answer.StatusCode, http.StatusText(answer.StatusCode), err)
	case answers:
		return fmt.Errorf("%w: answered %d %s: %w", store.ErrUnavailable, answer.StatusCode, http.StatusText(answer.StatusCode), err)
	case errors.Is(err, context.Canceled):
		return err
	}
	return fmt.Errorf("%w: %w", store.ErrUnavailable, err)
}

// A record is a value in a SenML pack (RFC 8428).
type record struct {
	Time  float64 `json:"t"`
	Name  string  `json:"n"`
	Unit  string  `json:"u"`
	Value float64 `json:"v"`
}

// senmlUnits are the units of the SenML registry for what we keep.
var senmlUnits = [outyard.NumQuantities]string{
	outyard.Weight: "kg", outyard.InsideTemp: "Cel", outyard.InsideRH: "%RH", outyard.Battery: "V", outyard.Signal: "dBm",
	outyard.OutsideTemp: "Cel", outyard.OutsideRH: "%RH", outyard.Rain: "mm", outyard.Wind: "m/s",
}

// message is a refused reading as a node would have sent it, so that it can be
// tried again as any message can.
func (s *Store) message(r outyard.Reading, reason error) (outyard.Refused, error) {
	topic := "yards/" + string(r.Yard) + "/weather"
	if r.Hive != "" {
		topic = "yards/" + string(r.Yard) + "/hives/" + string(r.Hive)
	}
	var pack []record
	for q, v := range r.Values {
		if outyard.Known(v) {
			pack = append(pack, record{float64(r.Time.Unix()), outyard.Quantity(q).String(), senmlUnits[q], v})
		}
	}
	payload, err := json.Marshal(pack)
	if err != nil {
		return outyard.Refused{}, fmt.Errorf("write down a refused reading of %s %s: %w", r.Yard, r.Hive, err)
	}
	return outyard.Refused{Topic: topic, Payload: payload, Arrived: s.now().UTC(), Yard: r.Yard, Hive: r.Hive,
		Reason: "time-series server: " + reason.Error()}, nil
}
