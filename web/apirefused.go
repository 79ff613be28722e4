package web

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
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
