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
	Yard    outyard.YardID     `json:"yard"`
	Hive    outyard.HiveID     `json:"hive"` // empty for the whole yard
	Kind    outyard.Kind       `json:"kind"`
	State   outyard.AlertState `json:"state"`
	Since   time.Time          `json:"since"`
	Until   *time.Time         `json:"until,omitempty"` // the end of a snooze
}

type stepJSON struct {
	At      time.Time          `json:"at"`
	Event   string             `json:"event"`
	State   outyard.AlertState `json:"state"`           // that it led to
	Until   *time.Time         `json:"until,omitempty"` // the end of a snooze
	Finding string             `json:"finding"`
	Yard    outyard.YardID     `json:"yard"`
	Hive    outyard.HiveID     `json:"hive"`
	Kind    outyard.Kind       `json:"kind"`
}

var alertStates = []outyard.AlertState{outyard.AlertOpen, outyard.AlertTold, outyard.AlertAcknowledged, outyard.AlertSnoozed, outyard.AlertOver}

// askedOfAlerts reads what both lists of alerts take.
func (s *site) askedOfAlerts(r *http.Request) (Query, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return q, err
	}
	if err := oneOf("kind", q.Kind, outyard.Kinds); err != nil {
		return q, err
	}
	return q, oneOf("state", outyard.AlertState(q.State), alertStates)
}

// apiAlerts lists the findings that somebody was, or is to be, told of, the one
// that changed last first.
func (s *site) apiAlerts(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.askedOfAlerts(r)
	if err != nil {
		return nil, err
	}
	told, next, err := s.store.Told(r.Context(), q)
	if err != nil {
		return nil, err
	}
	out := make([]alertJSON, len(told))
	for i, t := range told {
		f := t.Finding
		out[i] = alertJSON{f.ID, f.Yard, f.Hive, f.Kind, t.Alert.State, t.Alert.Since.UTC(), orNone(t.Alert.Until)}
	}
	return itemsOf(out, next), nil
}

// apiSteps lists what happened to alerts, the last first.
func (s *site) apiSteps(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.askedOfAlerts(r)
	if err != nil {
		return nil, err
	}
	steps, next, err := s.store.Steps(r.Context(), q)
	if err != nil {
		return nil, err
	}
	out := make([]stepJSON, len(steps))
	for i, t := range steps {
		out[i] = stepOf(t.Transition, t.Yard, t.Hive, t.Kind)
	}
	return itemsOf(out, next), nil
}

// apiHistory lists what happened to one finding's alert, from the first on:
// there are a dozen steps at most.
func (s *site) apiHistory(_ http.ResponseWriter, r *http.Request) (any, error) {
	f, ok, err := s.store.Finding(r.Context(), r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, notFound("there is no finding %q", clip(r.PathValue("id")))
	}
	steps, err := s.store.History(r.Context(), f.ID)
	if err != nil {
		return nil, err
	}
	out := make([]stepJSON, len(steps))
	for i, t := range steps {
		out[i] = stepOf(t, f.Yard, f.Hive, f.Kind)
	}
	return itemsOf(out, ""), nil
}

func stepOf(t outyard.Transition, yard outyard.YardID, hive outyard.HiveID, kind outyard.Kind) stepJSON {
	return stepJSON{t.At.UTC(), t.Event, t.State, orNone(t.Until), t.Finding, yard, hive, kind}
}

// orNone leaves a time out that is not there.
func orNone(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// apiAcknowledge says that somebody will see to a finding.
func (s *site) apiAcknowledge(w http.ResponseWriter, r *http.Request) (any, error) {
	if s.Acknowledge == nil {
		return nil, notOffered
	}
	return done(w, r.PathValue("id"), s.Acknowledge(r.Context(), r.PathValue("id"), by(r)))
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
	return done(w, r.PathValue("id"), s.Snooze(r.Context(), r.PathValue("id"), ask.Until.UTC(), by(r)))
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
