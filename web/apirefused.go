package web

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strconv"
	"time"

	"outyard"
)

// ErrNotRefused is what Retry and Forget answer about a message that is not
// among the refused.
var ErrNotRefused = errors.New("no refused message has that ID")

// retriedJSON says what became of messages that were read again.
type retriedJSON struct {
	Kept         int                `json:"kept"`
	StillRefused int                `json:"still_refused"`
	Reasons      []refusedAgainJSON `json:"reasons"` // of the first mostReasons
}

type refusedAgainJSON struct {
	ID     int64  `json:"id"`
	Reason string `json:"reason"`
}

// mostReasons are named one by one: nobody reads more.
const mostReasons = 100

// apiRefusedRetry has refused messages read again.
func (s *site) apiRefusedRetry(_ http.ResponseWriter, r *http.Request) (any, error) {
	if s.Retry == nil {
		return nil, &problemError{http.StatusNotImplemented, "messages cannot be tried again here"}
	}
	ids, err := chosenMessages(r)
	if err != nil {
		return nil, err
	}
	kept, still, err := s.Retry(r.Context(), ids)
	if err != nil {
		return nil, notRefused(err)
	}
	answer := retriedJSON{Kept: kept, StillRefused: len(still), Reasons: []refusedAgainJSON{}}
	for _, m := range still[:min(len(still), mostReasons)] {
		answer.Reasons = append(answer.Reasons, refusedAgainJSON{m.ID, m.Reason})
	}
	return answer, nil
}

// apiRefusedForget throws refused messages away.
func (s *site) apiRefusedForget(_ http.ResponseWriter, r *http.Request) (any, error) {
	if s.Forget == nil {
		return nil, &problemError{http.StatusNotImplemented, "messages cannot be thrown away here"}
	}
	ids, err := chosenMessages(r)
	if err != nil {
		return nil, err
	}
	n, err := s.Forget(r.Context(), ids)
	if err != nil {
		return nil, notRefused(err)
	}
	return map[string]int{"forgot": n}, nil
}

// chosenMessages are those that the request names; none means all of them.
func chosenMessages(r *http.Request) ([]int64, error) {
	var ask struct {
		IDs []int64 `json:"ids"`
	}
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	if err := d.Decode(&ask); err != nil && !errors.Is(err, io.EOF) {
		return nil, badRequest("want {\"ids\": [the IDs of messages]}, or nothing for all of them: %v", err)
	}
	if ask.IDs != nil && len(ask.IDs) == 0 {
		return nil, badRequest("ids is empty: leave it out for all messages")
	}
	return ask.IDs, nil
}

// notRefused names the message that is not there.
func notRefused(err error) error {
	if errors.Is(err, ErrNotRefused) {
		return notFound("%v", err)
	}
	return err
}

// refusedJSON is a message that could not be used, as it came.
type refusedJSON struct {
	ID       int64          `json:"id"`
	Arrived  time.Time      `json:"arrived"`
	Topic    string         `json:"topic"`
	Reason   string         `json:"reason"`
	Unplaced bool           `json:"unplaced"`
	Yard     outyard.YardID `json:"yard"` // where it would belong, if that could be read
	Hive     outyard.HiveID `json:"hive"`
	Payload  []byte         `json:"payload"` // base64
}

// The usual and the largest number of refused messages in an answer, and what
// their payloads weigh together before an answer ends early. So few are read
// at once, since each may be as heavy as a message can be: a heavy answer must
// not be read ten times over to be cut.
const (
	usualRefused        = 50
	mostRefused         = 200
	mostRefusedPayloads = 4 << 20
	refusedAtOnce       = 4
)

// apiRefused lists what came in and could not be used, the newest first.
func (s *site) apiRefused(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualRefused, mostRefused)
	if err != nil {
		return nil, err
	}
	which := r.URL.Query().Get("which")
	if err := oneOf("which", which, []string{"unplaced", "unread"}); err != nil {
		return nil, err
	}
	var unplaced *bool
	if which != "" {
		unplaced = new(which == "unplaced")
	}
	var before int64
	if q.After != "" {
		if before, err = strconv.ParseInt(q.After, 10, 64); err != nil || before <= 0 {
			return nil, badRequest("cursor is not one that this list gave: leave it out to begin anew")
		}
	}
	out, bytes := []refusedJSON{}, 0
	for {
		list, err := s.store.Refused(r.Context(), before, refusedAtOnce, unplaced)
		if err != nil {
			return nil, err
		}
		for _, m := range list {
			if bytes += len(m.Payload); len(out) == q.Limit || len(out) > 0 && bytes > mostRefusedPayloads {
				return itemsOf(out, strconv.FormatInt(before, 10)), nil
			}
			if m.Payload == nil {
				m.Payload = []byte{} // empty is "", not null
			}
			out = append(out, refusedJSON{m.ID, m.Arrived.UTC(), m.Topic, m.Reason, m.Unplaced, m.Yard, m.Hive, m.Payload})
			before = m.ID
		}
		if len(list) < refusedAtOnce {
			return itemsOf(out, ""), nil
		}
	}
}
