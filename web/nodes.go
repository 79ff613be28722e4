package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"outyard"
)

// nodesPage is every node: when it was heard, how often it speaks, how its
// battery and its radio are.
type nodesPage struct {
	Yards       []nodesYard
	Heard, All  int
	Next, First string
	None        bool
}

type nodesYard struct {
	Name, URL string
	Nodes     []nodeRow
}

type nodeRow struct {
	Name, URL, ID          string
	Heard, HeardISO, Quiet string
	Late                   bool
	Clock                  string // what is wrong with it, and the cure
	Cadence                string
	Battery, Signal        string
	Marks                  []note
}

const (
	nodesPerPage = 120
	// How far before a node's newest reading its cadence and what it sends
	// seldom are looked for: a node that sends by the hour is heard six times.
	cadenceStretch = 6 * time.Hour
	// A node is late after so many of its own gaps, and not before lateAtLeast:
	// a packet or two is lost on every radio.
	lateGaps    = 4
	lateAtLeast = 30 * time.Minute
)

func (s *site) nodes(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.Now()
	newest, err := s.store.Newest(ctx)
	if err != nil {
		return fmt.Errorf("newest readings: %w", err)
	}
	last, all := newestOf(newest), nodesOf(s.places(newest), newest)
	v := nodesPage{}
	for _, n := range all {
		if rd, ok := last[hiveAt{n.place.ID, n.hive}]; ok && now.Sub(rd.Time) <= late {
			v.Heard++
		}
	}
	v.All, v.None = len(all), len(all) == 0
	var start, end int
	start, end, v.First, v.Next = pageOf(len(all), nodesPerPage, r.URL.Query(), "/nodes")
	marks, err := s.instrumentMarks(ctx)
	if err != nil {
		return err
	}
	states, err := s.nodeStates(ctx, all[start:end], last, now)
	if err != nil {
		return err
	}
	for i, n := range all[start:end] {
		row := nodeRowOf(n.place, n.hive, states[i], now)
		for _, f := range marks {
			if f.Yard == n.place.ID && f.Hive == n.hive {
				row.Marks = append(row.Marks, s.noteOf(f, n.place, now))
			}
		}
		if k := len(v.Yards); k == 0 || v.Yards[k-1].URL != yardURL(n.place.ID) {
			v.Yards = append(v.Yards, nodesYard{Name: n.place.name(), URL: yardURL(n.place.ID)})
		}
		y := &v.Yards[len(v.Yards)-1]
		y.Nodes = append(y.Nodes, row)
	}
	return s.show(w, r, http.StatusOK, "nodes", frame{Title: "Nodes", Here: "nodes", Page: v})
}

// A node stands on a hive, or, hive empty, is a yard's weather.
type node struct {
	place place
	hive  outyard.HiveID
}

// nodesOf are the nodes of all hives, and of the weather where there is one.
func nodesOf(places []place, newest []outyard.Reading) []node {
	last := newestOf(newest)
	var all []node
	for _, p := range places {
		if _, ok := last[hiveAt{p.ID, ""}]; ok {
			all = append(all, node{p, ""})
		}
		for _, h := range p.Hives {
			all = append(all, node{p, h.ID})
		}
	}
	return all
}

// newestOf are readings by their place.
func newestOf(newest []outyard.Reading) map[hiveAt]outyard.Reading {
	last := make(map[hiveAt]outyard.Reading, len(newest))
	for _, r := range newest {
		last[hiveAt{r.Yard, r.Hive}] = r
	}
	return last
}

// instrumentMarks are the open findings about nodes rather than bees.
func (s *site) instrumentMarks(ctx context.Context) ([]outyard.Finding, error) {
	var out []outyard.Finding
	for _, kind := range []outyard.Kind{outyard.Silent, outyard.BatteryLow, outyard.SensorFault} {
		fs, err := s.allFindings(ctx, Query{Kind: kind, State: outyard.Open})
		if err != nil {
			return nil, fmt.Errorf("open findings about nodes: %w", err)
		}
		out = append(out, fs...)
	}
	return out, nil
}

// A nodeState is what is known of a node just now.
type nodeState struct {
	last             outyard.Reading // no yard: never heard
	cadence          time.Duration   // 0: not known
	batteryV, signal float64         // volts and dBm; unknown where not sent
	late             bool
	clockAhead       time.Duration // 0 while it is not steadily off
}

// nodeStates are those of nodes, in their order. Nodes of a yard that were
// heard within a stretch of each other are read at once.
func (s *site) nodeStates(ctx context.Context, nodes []node, last map[hiveAt]outyard.Reading, now time.Time) ([]nodeState, error) {
	out := make([]nodeState, len(nodes))
	byYard := map[outyard.YardID][]int{}
	for i, n := range nodes {
		out[i] = nodeState{last: last[hiveAt{n.place.ID, n.hive}], batteryV: outyard.Unknown, signal: outyard.Unknown}
		if out[i].last.Yard != "" {
			byYard[n.place.ID] = append(byYard[n.place.ID], i)
		}
	}
	times := make([][]time.Time, len(nodes))
	for yard, at := range byYard {
		slices.SortFunc(at, func(a, b int) int { return out[a].last.Time.Compare(out[b].last.Time) })
		for len(at) > 0 {
			from, k := out[at[0]].last.Time.Add(-cadenceStretch), 1
			for k < len(at) && out[at[k]].last.Time.Sub(out[at[0]].last.Time) <= cadenceStretch {
				k++
			}
			q := Query{Yard: yard, From: from, To: out[at[k-1]].last.Time.Add(time.Second)}
			if k == 1 {
				q.Hive, q.Weather = nodes[at[0]].hive, nodes[at[0]].hive == ""
			}
			of := map[outyard.HiveID]int{}
			for _, i := range at[:k] {
				of[nodes[i].hive] = i
			}
			err := s.store.EachReading(ctx, q, func(r outyard.Reading) error {
				i, wanted := of[r.Hive]
				if !wanted || r.Time.Before(out[i].last.Time.Add(-cadenceStretch)) {
					return nil
				}
				times[i] = append(times[i], r.Time)
				if v := r.Values[outyard.Battery]; outyard.Known(v) {
					out[i].batteryV = v
				}
				if v := r.Values[outyard.Signal]; outyard.Known(v) {
					out[i].signal = v
				}
				return nil
			})
			if err != nil {
				return nil, fmt.Errorf("last readings of the nodes at %s: %w", yard, err)
			}
			at = at[k:]
		}
	}
	for i := range out {
		n := &out[i]
		if n.last.Yard == "" {
			continue
		}
		n.cadence, n.late = usualGap(times[i]), now.Sub(n.last.Time) > late
		if n.cadence > 0 {
			n.late = now.Sub(n.last.Time) > max(lateGaps*n.cadence, lateAtLeast)
		}
		if s.ClockOff != nil {
			n.clockAhead = s.ClockOff(nodes[i].place.ID, nodes[i].hive)
		}
	}
	return out, nil
}

func nodeRowOf(p place, hive outyard.HiveID, n nodeState, now time.Time) nodeRow {
	last := n.last
	row := nodeRow{Name: "Weather", URL: yardURL(p.ID), Heard: "never", Battery: "–", Signal: "–", Cadence: "–"}
	if hive != "" {
		row.Name, row.URL = p.hiveName(hive), hiveURL(p.ID, hive)
		if row.Name != string(hive) {
			row.ID = string(hive)
		}
	}
	if last.Yard == "" {
		return row
	}
	row.Heard, row.HeardISO, row.Late = shortAgo(last.Time, now), last.Time.UTC().Format(time.RFC3339), n.late
	if n.cadence > 0 {
		row.Cadence = gapText(n.cadence)
	}
	if outyard.Known(n.batteryV) {
		row.Battery = number(n.batteryV, 2) + " V"
	}
	if outyard.Known(n.signal) {
		row.Signal = number(n.signal, 0) + " dBm"
	}
	row.Clock = clockText(n.clockAhead)
	if row.Late {
		row.Quiet = "silent since " + whenText(last.Time, now, p.zone())
	}
	return row
}

// clockText says that a node's clock is off, and what to do about it.
func clockText(ahead time.Duration) string {
	way := "ahead"
	switch {
	case ahead == 0:
		return ""
	case ahead < 0:
		way = "behind"
	}
	return fmt.Sprintf("Its clock is %s %s: set it, to UTC, or have the node send no times.", hoursText(ahead.Abs()), way)
}

func hoursText(d time.Duration) string {
	const day = 24 * time.Hour
	minutes := int(d.Round(time.Minute).Minutes())
	switch {
	case d >= 2*day:
		return fmt.Sprintf("%d days", int((d+day/2)/day))
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	case minutes%60 == 0:
		return fmt.Sprintf("%d h", minutes/60)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

// usualGap is the median time between readings; 0 when there are too few to
// say.
func usualGap(times []time.Time) time.Duration {
	const least = 3
	if len(times) < least {
		return 0
	}
	gaps := make([]time.Duration, len(times)-1)
	for i := range gaps {
		gaps[i] = times[i+1].Sub(times[i])
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

func gapText(gap time.Duration) string {
	switch {
	case gap < 90*time.Second:
		return fmt.Sprintf("%d s", int(gap.Seconds()+0.5))
	case gap < 90*time.Minute:
		return fmt.Sprintf("%d min", int(gap.Minutes()+0.5))
	}
	return fmt.Sprintf("%d h", int(gap.Hours()+0.5))
}
