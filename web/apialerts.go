package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"outyard"
)

type alertJSON struct {
	Finding string             `json:"finding"`
	State   outyard.AlertState `json:"state"`
	Since   time.Time          `json:"since"`
	Until   *time.Time         `json:"until,omitempty"` // the end of a snooze
}

// apiAlerts lists the findings that somebody was, or is to be, told of.
func (s *site) apiAlerts(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	all, err := s.store.Alerts(r.Context())
	if err != nil {
		return nil, err
	}
	out := make([]alertJSON, len(all))
	for i, a := range all {
		out[i] = alertJSON{Finding: a.Finding, State: a.State, Since: a.Since.UTC()}
		if !a.Until.IsZero() {
			until := a.Until.UTC()
			out[i].Until = &until
		}
	}
	return paged(out, q)
}

// apiAcknowledge says that somebody will see to a finding.
func (s *site) apiAcknowledge(w http.ResponseWriter, r *http.Request) (any, error) {
	if s.Acknowledge == nil {
		return nil, notOffered
	}
	return done(w, r.PathValue("id"), s.Acknowledge(r.Context(), r.PathValue("id")))
}

// longestSnooze is how far a finding can be put off: longer is forgetting it.
const longestSnooze = 60 * 24 * time.Hour

// apiSnooze puts a finding off.
func (s *site) apiSnooze(w http.ResponseWriter, r *http.Request) (any, error) {
	if s.Snooze == nil {
		return nil, notOffered
	}
	var ask struct {
		Until time.Time `json:"until"`
	}
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	if err := d.Decode(&ask); err != nil {
		return nil, badRequest("want {\"until\": RFC 3339}: %v", err)
	}
	if ahead := ask.Until.Sub(s.Now()); ahead <= 0 || ahead > longestSnooze {
		return nil, &problemError{http.StatusUnprocessableEntity, "until must lie ahead, by 60 days at most"}
	}
	return done(w, r.PathValue("id"), s.Snooze(r.Context(), r.PathValue("id"), ask.Until.UTC()))
}

var notOffered = &problemError{http.StatusNotImplemented, "alerts cannot be answered here"}

func done(w http.ResponseWriter, id string, err error) (any, error) {
	if errors.Is(err, ErrNoAlert) {
		return nil, notFound("there is no alert of finding %q", clip(id))
	}
	if err != nil {
		return nil, err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil, nil
}
