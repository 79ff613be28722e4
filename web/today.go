package web

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"outyard"
	"outyard/analysis/round"
)

// todayPage is the round, and what is open.
type todayPage struct {
	Date      string
	Headline  string
	Lead      string
	Round     []yardToday // in the order to drive them
	Way       string      // that order, in words
	MoreWay   string      // how many yards more there are; empty: none
	Carry     load        // for all of them
	Compare   []gainRow
	MoreYards int
	Strips    []strip
	Left      string // what the strips leave out, in words
	Post      *postToday
	First     *firstSteps // nothing was ever heard
}

// gainRow compares yards by what a typical hive gained in a week.
type gainRow struct {
	Name, URL   string
	Gain        string
	Of          string // how many hives stand behind it
	Known       bool
	BarX, BarW  float64 // in hundredths of the picture's width
	Loss        bool
	Flow        string
	gainKg      float64
	hives, have int
}

type strip struct {
	Name, URL, Flow string
	Hives           []hiveRow
}

type hiveRow struct {
	Name, URL        string
	ID               outyard.HiveID
	Weight           string
	Yesterday, Week  string
	Loss             bool
	Heard            string
	HeardISO         string
	Late             bool
	Marks            []note
	Stores, Temp, RH string
}

type postToday struct {
	NotReady                   string // why nothing is taken in just now, empty when all works
	ConfigWrong                string // why the config of before is still in force, empty when it is not
	Undelivered                []undelivered
	Refused, Unplaced, Dropped int64
}

type undelivered struct{ Subject, Route, Since, LastErr string }

type firstSteps struct {
	Host, Port, Topic, Line string // Host instead of the door's, which may be empty
	FromConfig              bool
	Yard, Hive              string
	Auto                    bool // whatever sends gets a place
	Live                    bool // readings are shown as they come
	Door
	Let     string // the command that lets a node in
	AnyName bool   // Host begins with what stands for a name
}

const (
	// A row of the strip is some 250 bytes; a page stays below 150 KiB.
	maxStrip = 100
	// maxCompare is how many yards stand beside the round; the page of all
	// yards has the others.
	maxCompare = 20
	// late is when a hive's silence is worth a mark in the strip. Whether it is
	// a finding is for the analysis to say, which knows the node's own cadence.
	late = 3 * time.Hour
	// stuckAfter is how long a message may wait before the page says so.
	stuckAfter = time.Hour
)

func (s *site) today(w http.ResponseWriter, r *http.Request) error {
	ctx, now := r.Context(), s.Now()
	newest, err := s.store.Newest(ctx)
	if err != nil {
		return fmt.Errorf("newest readings: %w", err)
	}
	places := s.places(newest)
	p := todayPage{Date: now.In(s.homeZone()).Format("Monday 2 January")}
	if p.Post, err = s.postNow(ctx, now); err != nil {
		return err
	}
	if len(newest) == 0 {
		p.First = s.firstSteps()
		return s.show(w, r, http.StatusOK, "today", frame{Title: "Today", Here: "today", Page: p})
	}
	open, err := s.allFindings(ctx, Query{State: outyard.Open})
	if err != nil {
		return fmt.Errorf("open findings: %w", err)
	}
	open = notStale(open, now)
	sum, err := s.summaries(ctx, places, newest, open, now)
	if err != nil {
		return err
	}
	plan := round.Plan(yardsOf(places), open, now)
	p.Round, p.Way, p.Carry = s.stops(plan, places, sum, now), plan.Way(), load{plan.CarryLines(), plan.Care}
	alerts, err := s.alerts(ctx)
	if err != nil {
		return err
	}
	for _, y := range p.Round {
		withAlerts(y.Notes, alerts, now, y.zone)
	}
	if rest := len(plan.Stops) - len(p.Round); rest > 0 {
		p.MoreWay = count(rest, "more yard has", "more yards have") + " something for the next round."
	}
	p.Headline, p.Lead = plan.Headline(), leadOf(plan, newest, now)
	honey := false
	for _, f := range open {
		honey = honey || talksOfHoney(f.Kind)
	}
	for _, pl := range places {
		p.Compare = append(p.Compare, sum[pl.ID].gain)
	}
	if len(p.Compare) > 1 {
		bars(p.Compare)
		p.MoreYards = max(0, len(p.Compare)-maxCompare)
		p.Compare = p.Compare[:len(p.Compare)-p.MoreYards]
	} else {
		p.Compare = nil // there is nothing to compare
	}
	p.Strips, p.Left = strips(places, sum)
	return s.show(w, r, http.StatusOK, "today", frame{Title: "Today", Here: "today", Honey: honey, Page: p})
}

// yardSummary is a yard's hives and its week.
type yardSummary struct {
	flow  string
	gain  gainRow
	hives []hiveRow
}

// weekDays is how many whole days the comparison of yards goes back.
const weekDays = 7

func (s *site) summaries(ctx context.Context, places []place, newest []outyard.Reading, open []outyard.Finding, now time.Time) (map[outyard.YardID]yardSummary, error) {
	last := newestOf(newest)
	// A day more on either side: yards lie in different zones.
	home := outyard.DateOf(now, time.UTC)
	var only outyard.YardID // of one yard, its days alone
	if len(places) == 1 {
		only = places[0].ID
	}
	days, err := s.allDays(ctx, Query{Yard: only, From: home.Add(-weekDays - 1).Start(time.UTC), To: home.Add(2).Start(time.UTC)})
	if err != nil {
		return nil, fmt.Errorf("days of the last week: %w", err)
	}
	byHive := map[hiveAt][]outyard.Day{}
	for _, d := range days {
		k := hiveAt{d.Yard, d.Hive}
		byHive[k] = append(byHive[k], d)
	}
	marks := map[hiveAt][]outyard.Finding{}
	for _, f := range open {
		if f.Severity != outyard.Note {
			k := hiveAt{f.Yard, f.Hive}
			marks[k] = append(marks[k], f)
		}
	}
	flows, err := s.flows(ctx, now, places)
	if err != nil {
		return nil, err
	}
	out := make(map[outyard.YardID]yardSummary, len(places))
	for _, p := range places {
		today := outyard.DateOf(now, p.zone())
		var ys yardSummary
		ys.flow = flows[p.ID]
		var weeks []float64
		for _, h := range p.Hives {
			k := hiveAt{p.ID, h.ID}
			row := hiveRow{Name: cmp.Or(h.Name, string(h.ID)), ID: h.ID, URL: hiveURL(p.ID, h.ID), Weight: number(outyard.Unknown, 1), Heard: "never"}
			if r, ok := last[k]; ok {
				row.Weight = number(r.Values[outyard.Weight], 1)
				row.Temp, row.RH = number(r.Values[outyard.InsideTemp], 1), number(r.Values[outyard.InsideRH], 0)
				row.Heard, row.HeardISO, row.Late = shortAgo(r.Time, now), r.Time.UTC().Format(time.RFC3339), now.Sub(r.Time) > late
			}
			yesterday, week, stores := recent(byHive[k], today)
			row.Yesterday, row.Week, row.Loss = signed(yesterday, 1), signed(week, 1), yesterday < 0
			row.Stores = number(stores, 1)
			if outyard.Known(week) {
				weeks = append(weeks, week)
			}
			slices.SortFunc(marks[k], pressing)
			for _, f := range marks[k] {
				row.Marks = append(row.Marks, s.noteOf(f, p, now))
			}
			ys.hives = append(ys.hives, row)
		}
		ys.gain = gainRow{Name: p.name(), URL: yardURL(p.ID), gainKg: median(weeks), hives: len(p.Hives), have: len(weeks), Flow: ys.flow}
		ys.gain.Known = outyard.Known(ys.gain.gainKg)
		ys.gain.Gain = signed(ys.gain.gainKg, 1)
		ys.gain.Of = fmt.Sprintf("%d of %s", len(weeks), count(len(p.Hives), "hive", "hives"))
		out[p.ID] = ys
	}
	return out, nil
}

// recent is yesterday's gain, the sum of the last seven whole days, and the
// newest known stores. A week in which fewer than five days are known is not
// known: its sum would pass for a small gain.
func recent(days []outyard.Day, today outyard.Date) (yesterdayKg, weekKg, storesKg float64) {
	yesterdayKg, weekKg, storesKg = outyard.Unknown, outyard.Unknown, outyard.Unknown
	const least = 5
	sum, known := 0.0, 0
	for _, d := range days {
		if outyard.Known(d.StoresKg) {
			storesKg = d.StoresKg
		}
		ago := today.Sub(d.Date)
		if ago < 1 || ago > weekDays || !outyard.Known(d.GainKg) {
			continue
		}
		if ago == 1 {
			yesterdayKg = d.GainKg
		}
		sum, known = sum+d.GainKg, known+1
	}
	if known >= least {
		weekKg = sum
	}
	return yesterdayKg, weekKg, storesKg
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return outyard.Unknown
	}
	v = slices.Sorted(slices.Values(v))
	mid := len(v) / 2
	if len(v)%2 == 1 {
		return v[mid]
	}
	return (v[mid-1] + v[mid]) / 2
}

// flows says for each yard whether nectar is coming in, by the newest finding
// about it.
func (s *site) flows(ctx context.Context, now time.Time, places []place) (map[outyard.YardID]string, error) {
	newest := map[outyard.YardID]outyard.Finding{}
	var only outyard.YardID
	if len(places) == 1 {
		only = places[0].ID
	}
	for _, kind := range []outyard.Kind{outyard.FlowStart, outyard.FlowEnd} {
		fs, err := s.allFindings(ctx, Query{Yard: only, Kind: kind, From: now.AddDate(0, -10, 0)})
		if err != nil {
			return nil, fmt.Errorf("findings about flow: %w", err)
		}
		for _, f := range fs {
			if f.State != outyard.Withdrawn && f.Onset.After(newest[f.Yard].Onset) {
				newest[f.Yard] = f
			}
		}
	}
	out := make(map[outyard.YardID]string, len(places))
	for _, p := range places {
		f, ok := newest[p.ID]
		switch {
		case !ok:
			out[p.ID] = "no flow seen"
		case f.Kind == outyard.FlowStart && f.State == outyard.Open:
			out[p.ID] = "flow on since " + outyard.DateOf(f.Onset, p.zone()).Start(time.UTC).Format("2 Jan")
		case f.Kind == outyard.FlowStart && !f.End.IsZero():
			out[p.ID] = "flow over since " + outyard.DateOf(f.End, p.zone()).Start(time.UTC).Format("2 Jan")
		default:
			out[p.ID] = "flow over since " + outyard.DateOf(f.Onset, p.zone()).Start(time.UTC).Format("2 Jan")
		}
	}
	return out, nil
}

// bars gives each row its bar on one common scale that has room for losses
// only when there are any.
func bars(rows []gainRow) {
	lo, hi := 0.0, 0.0
	for _, r := range rows {
		if r.Known {
			lo, hi = min(lo, r.gainKg), max(hi, r.gainKg)
		}
	}
	width := hi - lo
	if width == 0 {
		width = 1
	}
	for i := range rows {
		r := &rows[i]
		if !r.Known {
			continue
		}
		r.Loss = r.gainKg < 0
		r.BarX = (min(r.gainKg, 0) - lo) / width * 100
		r.BarW = max(math.Abs(r.gainKg)/width*100, 0.6)
	}
	slices.SortStableFunc(rows, func(a, b gainRow) int {
		if a.Known != b.Known {
			if a.Known {
				return -1
			}
			return 1
		}
		if !a.Known {
			return 0
		}
		return cmp.Compare(b.gainKg, a.gainKg)
	})
}

// strips are all hives, yard by yard, as far as a page has room.
func strips(places []place, sum map[outyard.YardID]yardSummary) ([]strip, string) {
	var out []strip
	room, left, leftYards := maxStrip, 0, 0
	for _, p := range places {
		hives := sum[p.ID].hives
		if len(hives) == 0 {
			continue
		}
		n := min(len(hives), room)
		room -= n
		if n > 0 {
			out = append(out, strip{Name: p.name(), URL: yardURL(p.ID), Flow: sum[p.ID].flow, Hives: hives[:n]})
		}
		if n < len(hives) {
			left += len(hives) - n
			leftYards++
		}
	}
	if left == 0 {
		return out, ""
	}
	return out, fmt.Sprintf("%s of %s are on the yards’ own pages.", count(left, "more hive", "more hives"), count(leftYards, "yard", "yards"))
}

// postNow is what does not work or did not get through, nil when all did.
func (s *site) postNow(ctx context.Context, now time.Time) (*postToday, error) {
	var p postToday
	if err := s.Ready(ctx); err != nil {
		p.NotReady = err.Error()
	}
	if s.ConfigWrong != nil {
		p.ConfigWrong = s.ConfigWrong()
	}
	ms, err := s.store.Undelivered(ctx, now.Add(-stuckAfter))
	if err != nil {
		return nil, fmt.Errorf("undelivered messages: %w", err)
	}
	for _, m := range ms {
		p.Undelivered = append(p.Undelivered, undelivered{m.Subject, m.Route, whenText(m.Queued, now, s.homeZone()), m.LastErr})
		if len(p.Undelivered) == 10 {
			break
		}
	}
	if p.Refused, p.Unplaced, p.Dropped, err = s.store.RefusedCounts(ctx); err != nil {
		return nil, fmt.Errorf("count refused messages: %w", err)
	}
	if p.NotReady == "" && p.ConfigWrong == "" && len(ms) == 0 && p.Refused == 0 && p.Unplaced == 0 && p.Dropped == 0 {
		return nil, nil
	}
	return &p, nil
}

// firstSteps says how the first hive is connected, with the yard and hive of
// the config where there are some.
func (s *site) firstSteps() *firstSteps {
	f := &firstSteps{Yard: "home", Hive: "h01", Live: s.Feed != nil, Auto: s.Auto}
	for _, y := range s.Yards() {
		if len(y.Hives) > 0 {
			f.Yard, f.Hive, f.FromConfig = string(y.ID), string(y.Hives[0].ID), true
			break
		}
	}
	f.Host, f.Port = "127.0.0.1", "1883"
	if host, port, err := net.SplitHostPort(s.MQTTAddr); err == nil {
		f.Port = port
		if ip := net.ParseIP(host); host != "" && (ip == nil || !ip.IsUnspecified()) {
			f.Host = host
		}
	}
	f.Door, f.Host = s.MQTTDoor, cmp.Or(s.MQTTDoor.Host, f.Host)
	with := ""
	if f.Trust != "" {
		with += " " + f.Trust
	}
	if f.Shows {
		with += " --cert NODE.crt --key NODE.key"
	}
	if f.Named || f.ShownName {
		f.Let = "outyard node add first-node --yard " + f.Yard
		if f.As != "" {
			f.Let = "sudo -u " + f.As + " " + f.Let
		}
	}
	if f.Named {
		with += " -u first-node -P SECRET"
	}
	f.Topic = "yards/" + f.Yard + "/hives/" + f.Hive
	if s.TopicPrefix != "" {
		f.Topic = strings.TrimSuffix(s.TopicPrefix, "/") + "/" + f.Topic
	}
	f.AnyName = strings.HasPrefix(f.Host, AnyName+".")
	f.Line = fmt.Sprintf(`mosquitto_pub -h %s -p %s%s -q 1 -t %s -m '[{"n":"weight","u":"kg","v":41.2},{"n":"inside-temp","u":"Cel","v":34.6}]'`, f.Host, f.Port, with, f.Topic)
	return f
}
