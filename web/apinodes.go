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
	Late        bool           `json:"late"`
	CadenceS    *float64       `json:"cadence_s,omitempty"`
	BatteryV    *float64       `json:"battery_v,omitempty"`
	SignalDBm   *float64       `json:"signal_dbm,omitempty"`
	ClockAheadS float64        `json:"clock_ahead_s"` // below zero: behind
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
	for i, n := range some {
		st, err := s.nodeState(r.Context(), n.place.ID, n.hive, last[hiveAt{n.place.ID, n.hive}], now)
		if err != nil {
			return nil, err
		}
		j := nodeJSON{Yard: n.place.ID, Hive: n.hive, Late: st.late, BatteryV: orAbsent(st.batteryV), SignalDBm: orAbsent(st.signal), ClockAheadS: st.clockAhead.Seconds()}
		if st.last.Yard != "" {
			j.Heard = new(st.last.Time.UTC())
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
