package web

import (
	"net/http"
	"time"

	"outyard"
)

// nodeJSON is what is known of a node just now; what is not known is absent.
type nodeJSON struct {
	Yard        outyard.YardID `json:"yard"`
	Hive        outyard.HiveID `json:"hive"` // empty: the yard's weather
	Heard       *time.Time     `json:"heard,omitempty"`
	Late        *bool          `json:"late,omitempty"`
	CadenceS    *float64       `json:"cadence_s,omitempty"`
	BatteryV    *float64       `json:"battery_v,omitempty"`
	SignalDBm   *float64       `json:"signal_dbm,omitempty"`
	ClockAheadS *float64       `json:"clock_ahead_s,omitempty"` // below zero: behind
}

// orAbsent is a number, or nothing.
func orAbsent(v float64) *float64 {
	if !outyard.Known(v) {
		return nil
	}
	return &v
}

// apiNodes lists the nodes by what they sent last.
func (s *site) apiNodes(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	newest, err := s.store.Newest(r.Context())
	if err != nil {
		return nil, err
	}
	last, now := newestOf(newest), s.Now()
	var all []node
	for _, n := range nodesOf(s.places(newest), newest) {
		if q.Yard == "" || n.place.ID == q.Yard {
			all = append(all, n)
		}
	}
	some, next, err := cut(all, q)
	if err != nil {
		return nil, err
	}
	out := make([]nodeJSON, len(some))
	states, err := s.nodeStates(r.Context(), some, last, now)
	if err != nil {
		return nil, err
	}
	for i, n := range some {
		st := states[i]
		j := nodeJSON{Yard: n.place.ID, Hive: n.hive, BatteryV: orAbsent(st.batteryV), SignalDBm: orAbsent(st.signal)}
		if st.last.Yard != "" {
			j.Heard, j.Late = new(st.last.Time.UTC()), new(st.late)
		}
		if st.clockAhead != 0 {
			j.ClockAheadS = new(st.clockAhead.Seconds())
		}
		if st.cadence > 0 {
			j.CadenceS = new(st.cadence.Seconds())
		}
		out[i] = j
	}
	return itemsOf(out, next), nil
}

type settingJSON struct {
	Key   string `json:"key"`
	Value string `json:"value"`
	From  string `json:"from"`
}

// apiSettings lists what is in force, without secrets.
func (s *site) apiSettings(_ http.ResponseWriter, r *http.Request) (any, error) {
	q, err := s.asked(r, usualLimit, mostLimit)
	if err != nil {
		return nil, err
	}
	var out []settingJSON
	if s.Settings != nil {
		for _, set := range s.Settings() {
			out = append(out, settingJSON(set))
		}
	}
	return paged(out, q)
}
