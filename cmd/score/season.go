package main

import (
	"fmt"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/alerts"
	"outyard/analysis"
	"outyard/analysis/brood"
	"outyard/simulator"
)

// without says what the yards lack.
type without struct {
	temp    bool // nothing hangs in the hives
	weather bool // no weather node
	// equipment: nobody named what stands on the scales; journal: nobody wrote
	// down what was done.
	equipment, journal bool
}

// scoreSeason runs one invented season through the analyses as the daemon
// would have, and compares.
func scoreSeason(seed uint64, opts simulator.Options, not without, set analysis.Settings) (*tally, error) {
	season := simulator.Invent(seed, opts)
	var journal []outyard.Entry
	if !not.journal {
		truth, err := season.Run(func(outyard.Reading) error { return nil })
		if err != nil {
			return nil, err
		}
		for _, l := range truth {
			journal = append(journal, l.Entries()...)
		}
	}
	type yard struct {
		course   *analysis.Course
		ledger   *alerts.Ledger
		revision uint64
	}
	yards := map[outyard.YardID]*yard{}
	t := &tally{}
	for _, y := range season.Yards() {
		if not.equipment {
			for i := range y.Hives {
				y.Hives[i].Equipment = nil
			}
		}
		yards[y.ID] = &yard{course: analysis.NewCourse(y, journal, set), ledger: alerts.NewLedger(nil)}
		t.hiveYears += float64(len(y.Hives)) * float64(opts.Days) / 365.25
	}
	seen, forecasts := sightings{}, forecasts{}
	labels, err := season.Run(func(r outyard.Reading) error {
		if outyard.Known(r.Values[outyard.Weight]) {
			at := place{r.Yard, r.Hive}
			seen[at] = append(seen[at], sighting{r.Time, r.Values[outyard.Weight]})
		}
		if not.weather && r.Hive == "" {
			return nil
		}
		if not.temp {
			r.Values[outyard.InsideTemp], r.Values[outyard.InsideRH] = outyard.Unknown, outyard.Unknown
		}
		y := yards[r.Yard]
		if err := y.course.Observe(r); err != nil {
			return fmt.Errorf("%s %s at %s: %w", r.Yard, r.Hive, r.Time.Format(time.RFC3339), err)
		}
		if rev := y.course.Revision(); rev != y.revision {
			y.revision = rev
			now := y.course.Findings()
			forecasts.note(now, r.Time, season)
			y.ledger.Reconcile(now, r.Time)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var found []outyard.Finding
	var days []outyard.Day
	for _, y := range season.Yards() {
		found = append(found, yards[y.ID].ledger.All()...)
		days = append(days, yards[y.ID].course.Days()...)
	}
	t.score(seed, season.Yards()[0].Zone, labels, found, days, seen)
	t.wants.forecast(forecasts, truthOf(labels))
	return t, nil
}

type place struct {
	yard outyard.YardID
	hive outyard.HiveID
}

// sightings are when and how heavy each hive was weighed.
type sightings map[place][]sighting

type sighting struct {
	at time.Time
	kg float64
}

// after returns what was weighed of a hive, and the first of it that was not
// before an instant.
func (s sightings) after(yard outyard.YardID, hive outyard.HiveID, t time.Time) (all []sighting, first int) {
	all = s[place{yard, hive}]
	first, _ = slices.BinarySearchFunc(all, t, func(w sighting, t time.Time) int { return w.at.Compare(t) })
	return all, first
}

// leastTraceKg is the least change by which work can be seen on the scale.
const leastTraceKg = 0.5

// leftTrace says whether the keeper's work shows on the scale at all: a lid
// lifted for three minutes between two readings does not, nor does a reading
// taken while nothing was off the hive.
func (s sightings) leftTrace(l simulator.Label) bool {
	if math.Abs(l.NetKg) >= leastTraceKg {
		return true
	}
	all, first := s.after(l.Yard, l.Hive, l.Time)
	if first == 0 {
		return false
	}
	for _, w := range all[first:] {
		if !w.at.Before(l.End) {
			break
		}
		if math.Abs(w.kg-all[first-1].kg) >= leastTraceKg {
			return true
		}
	}
	return false
}

// heard says whether the node sent anything while the label lasted.
func (s sightings) heard(l simulator.Label, end time.Time) bool {
	all, first := s.after(l.Yard, l.Hive, l.Time)
	return first < len(all) && all[first].at.Before(end)
}

// lasting are the kinds whose label without an end goes on.
var lasting = map[outyard.Kind]bool{outyard.Damp: true, outyard.SensorFault: true, outyard.BatteryLow: true, outyard.Silent: true, outyard.BroodCold: true, simulator.DeadOut: true}

// A rate counts what was there, what was found of it, and what was found of
// nothing.
type rate struct {
	there, found, wrong, withdrawn int
	inTime                         int // found within two readings, or a quarter of an hour, of what happened
	delay                          []time.Duration
}

func (r *rate) add(o rate) {
	r.there += o.there
	r.found += o.found
	r.inTime += o.inTime
	r.wrong += o.wrong
	r.withdrawn += o.withdrawn
	r.delay = append(r.delay, o.delay...)
}

// A tally is what a season, or many, scored.
type tally struct {
	traceless                                         int // work that left no trace on the scale
	unheard                                           int // lying sensors of nodes that sent nothing meanwhile
	attended                                          int // missed swarms that left while the keeper was at that hive
	unweighed                                         int // missed swarms and falls of a hive that sent no weight then
	hiveYears                                         float64
	swarm, handling, knocked, damp, silent            rate
	battery, fault, robbing, brood                    rate
	flowStart, flowEnd                                rate
	netErr, gainErr, wetErr, flowStartErr, flowEndErr []float64
	bloomStartErr, bloomEndErr                        []float64
	movedCold, movedSaid                              int // findings of cold brood after a probe was put elsewhere; that say so
	noNectar, trickles                                int // flows that brought nothing; findings of weak gains without a flow
	wants                                             wants
	said                                              []claim
	remarks                                           []string
}

// A claim is a finding with what came of it.
type claim struct {
	kind       outyard.Kind
	confidence float64
	true       bool
}

func (t *tally) add(o *tally) {
	t.hiveYears += o.hiveYears
	t.traceless += o.traceless
	t.unheard += o.unheard
	t.attended += o.attended
	t.unweighed += o.unweighed
	t.swarm.add(o.swarm)
	t.handling.add(o.handling)
	t.knocked.add(o.knocked)
	t.damp.add(o.damp)
	t.silent.add(o.silent)
	t.battery.add(o.battery)
	t.fault.add(o.fault)
	t.brood.add(o.brood)
	t.robbing.add(o.robbing)
	t.flowStart.add(o.flowStart)
	t.flowEnd.add(o.flowEnd)
	t.netErr = append(t.netErr, o.netErr...)
	t.gainErr = append(t.gainErr, o.gainErr...)
	t.wetErr = append(t.wetErr, o.wetErr...)
	t.flowStartErr = append(t.flowStartErr, o.flowStartErr...)
	t.flowEndErr = append(t.flowEndErr, o.flowEndErr...)
	t.bloomStartErr = append(t.bloomStartErr, o.bloomStartErr...)
	t.bloomEndErr = append(t.bloomEndErr, o.bloomEndErr...)
	t.movedCold += o.movedCold
	t.movedSaid += o.movedSaid
	t.noNectar += o.noNectar
	t.trickles += o.trickles
	t.wants.add(o.wants)
	t.said = append(t.said, o.said...)
	t.remarks = append(t.remarks, o.remarks...)
}

func (t *tally) remark(seed uint64, format string, args ...any) {
	t.remarks = append(t.remarks, fmt.Sprintf("seed %d: ", seed)+fmt.Sprintf(format, args...))
}

// leastSilence is the shortest that has to be told, at any cadence.
const leastSilence = 7 * time.Hour

// leastLack is for how long there must be no brood for it to count.
const leastLack = 5 * day

// leastFault is for how long a sensor must lie, within the season, to count: a
// zero that moves shows by the days of two weeks.
func leastFault(what string) time.Duration {
	switch what {
	case simulator.Stuck:
		return 5 * time.Hour
	case simulator.Sinking, simulator.Warming:
		return 15 * day
	}
	return 3 * day
}

// leastLow is for how long a battery must have been low, that is, have had no
// more than two weeks left, to count.
const leastLow = 8 * day

// leastRobbedKg is the least that robbers carry off in all that has to be told.
const leastRobbedKg = 1

// wetKg is the change of the water on a hive that makes a wet, or a drying, day.
const wetKg = 0.1

// leastSwarmKg: a lighter after-swarm is no more than foragers make.
const leastSwarmKg = 0.6

// there counts something that happened, and the finding that tells of it, nil
// for none; how late it came is counted from an instant on.
func (t *tally) there(seed uint64, r *rate, l simulator.Label, f *outyard.Finding, since time.Time, trace sightings) {
	r.there++
	if f == nil {
		t.remark(seed, "missed %s %s, %s %s %s to %s, %.2f kg", l.Kind, l.What, l.Yard, l.Hive, l.Time.Format(time.RFC3339), l.End.Format(time.RFC3339), l.MassKg)
		return
	}
	r.found++
	if trace.inTime(l, f.ToldAt) {
		r.inTime++
	}
	r.delay = append(r.delay, f.ToldAt.Sub(since))
}

func (t *tally) score(seed uint64, zone *time.Location, labels []simulator.Label, found []outyard.Finding, days []outyard.Day, trace sightings) {
	used := map[string]bool{}
	// nearest returns the unused finding of a kind nearest to a label in time.
	nearest := func(kind outyard.Kind, l simulator.Label, before, after time.Duration) *outyard.Finding {
		var best *outyard.Finding
		for i := range found {
			f := &found[i]
			end := l.Time
			switch {
			case l.End.After(end):
				end = l.End
			case lasting[kind]: // it had not ended when the season did
				end = f.Onset
			}
			if f.Kind != kind || f.Yard != l.Yard || f.Hive != l.Hive || used[f.ID] || f.State == outyard.Withdrawn ||
				f.Onset.Before(l.Time.Add(-before)) || f.Onset.After(end.Add(after)) {
				continue
			}
			if best == nil || f.Onset.Sub(l.Time).Abs() < best.Onset.Sub(l.Time).Abs() {
				best = f
			}
		}
		if best != nil {
			used[best.ID] = true
		}
		return best
	}
	for _, l := range labels {
		switch l.Kind {
		case outyard.Swarm:
			f := nearest(outyard.Swarm, l, time.Hour, time.Hour)
			if l.Returned || l.MassKg < leastSwarmKg {
				continue // telling it is right, and so is not telling it
			}
			t.there(seed, &t.swarm, l, f, l.Time, trace)
			if f == nil && attended(labels, l) {
				t.attended++
			} else if f == nil && trace.unweighed(l) {
				t.unweighed++
			}
		case outyard.Damp:
			end := l
			end.Time = l.Time.AddDate(0, 0, -7)
			t.there(seed, &t.damp, l, nearest(outyard.Damp, end, 7*day, 14*day), l.Time, trace)
		case outyard.KnockedOver:
			f := nearest(outyard.KnockedOver, l, time.Hour, time.Hour)
			t.there(seed, &t.knocked, l, f, l.Time, trace)
			if f == nil && trace.unweighed(l) {
				t.unweighed++
			}
			if f != nil && !trace.inTime(l, f.ToldAt) {
				t.remark(seed, "late knocked-over %s, %s %s %s, told at %s", l.What, l.Yard, l.Hive, l.Time.Format(time.RFC3339), f.ToldAt.Format(time.RFC3339))
			}
		case outyard.Robbing:
			// Rain may part one robbing into two that are told.
			f := nearest(outyard.Robbing, l, day, day)
			for f != nil && nearest(outyard.Robbing, l, day, day) != nil {
			}
			if l.MassKg < leastRobbedKg {
				continue // telling it is right, and so is not telling it
			}
			t.there(seed, &t.robbing, l, f, l.Time, trace)
		case outyard.Silent:
			// Of a yard whose radio was out, the readings came in the end.
			if l.What != simulator.Lost {
				continue
			}
			f := nearest(outyard.Silent, l, 2*time.Hour, 0)
			if l.End.IsZero() || l.End.Sub(l.Time) < leastSilence {
				continue
			}
			t.there(seed, &t.silent, l, f, l.Time, trace)
		case outyard.BroodCold, simulator.DeadOut:
			// Warmth goes before the last brood and the last bees do.
			f := nearest(outyard.BroodCold, l, 21*day, 0)
			for f != nil && l.Kind == simulator.DeadOut && nearest(outyard.BroodCold, l, 21*day, 0) != nil {
			}
			if f == nil && l.Kind == simulator.DeadOut {
				// What was told of the brood before has become an empty box.
				for i := range found {
					o := &found[i]
					if o.Kind == outyard.BroodCold && o.Yard == l.Yard && o.Hive == l.Hive && o.State == outyard.Open && o.Facts["state"] == string(brood.Empty) &&
						o.Onset.After(l.Time.Add(-45*day)) && o.Onset.Before(l.Time.Add(21*day)) {
						f = o
					}
				}
			}
			if l.What == simulator.BroodBreak || !l.End.IsZero() && l.End.Sub(l.Time) < leastLack {
				continue // over before it is told, or its own affair
			}
			t.there(seed, &t.brood, l, f, l.Time, trace)
		case simulator.MovedProbe:
			// That it cooled there is so; what counts is that the move is named.
			for i := range found {
				f := &found[i]
				if f.Kind != outyard.BroodCold || f.Yard != l.Yard || f.Hive != l.Hive || used[f.ID] || f.State == outyard.Withdrawn ||
					f.Onset.Before(l.Time.Add(-2*day)) || f.Onset.After(l.Time.Add(14*day)) {
					continue
				}
				t.movedCold++
				if moved, _ := f.Facts["moved"].(bool); moved {
					used[f.ID] = true
					t.movedSaid++
				}
			}
		case outyard.SensorFault:
			if l.What == simulator.Spike {
				continue // one wild reading is no fault of the sensor
			}
			before := 2 * time.Hour
			switch l.What {
			case simulator.LooseContact:
				before = 7 * day // a single wild reading may have come before
			case simulator.Swimming, simulator.Sinking, simulator.Warming, simulator.Creeping:
				before = 3 * day // it is told for whole days, and those before look much the same
			}
			f := nearest(outyard.SensorFault, l, before, 0)
			if l.What == simulator.Creeping && f == nil {
				continue // to see it in summer is more than is claimed
			}
			end := l.End
			if end.IsZero() && len(days) > 0 {
				end = days[len(days)-1].Date.Add(1).Start(zone) // the season's
			}
			if end.Sub(l.Time) < leastFault(l.What) {
				continue
			}
			if !trace.heard(l, end) {
				t.unheard++
				continue
			}
			t.there(seed, &t.fault, l, f, l.Time, trace)
		case outyard.BatteryLow:
			// One that was changed soon after was not to be told of yet.
			f := nearest(outyard.BatteryLow, l, day, 0)
			if l.Low.IsZero() || !l.End.IsZero() && l.End.Sub(l.Low) < leastLow {
				continue
			}
			t.there(seed, &t.battery, l, f, l.Low, trace)
		case simulator.Flow:
			t.scoreFlow(seed, l, zone, nearest)
		}
	}
	t.scoreHandling(seed, labels, found, used, trace)
	t.scoreWants(seed, labels, found, used)
	for _, f := range found {
		if (f.Kind == outyard.FlowStart || f.Kind == outyard.FlowEnd) && f.State != outyard.Withdrawn && !used[f.ID] && trickles(f, labels) {
			used[f.ID] = true
			t.trickles++
		}
		if f.State != outyard.Withdrawn && scored[f.Kind] {
			t.said = append(t.said, claim{f.Kind, f.Confidence, used[f.ID]})
		}
		if used[f.ID] {
			continue
		}
		r := map[outyard.Kind]*rate{outyard.Swarm: &t.swarm, outyard.Handling: &t.handling, outyard.Damp: &t.damp, outyard.Robbing: &t.robbing,
			outyard.StoresLow: &t.wants.stores, outyard.RoomLow: &t.wants.room,
			outyard.KnockedOver: &t.knocked, outyard.FlowStart: &t.flowStart, outyard.FlowEnd: &t.flowEnd, outyard.Silent: &t.silent,
			outyard.BatteryLow: &t.battery, outyard.SensorFault: &t.fault, outyard.BroodCold: &t.brood}[f.Kind]
		switch {
		case r == nil:
		case f.State == outyard.Withdrawn:
			r.withdrawn++
		default:
			r.wrong++
			t.remark(seed, "false %s, %s %s %s: %s %v", f.Kind, f.Yard, f.Hive, f.Onset.Format(time.RFC3339), f.Summary, f.Facts)
		}
	}
	t.scoreDays(seed, labels, days)
}

// scored are the kinds whose truth the labels tell.
var scored = map[outyard.Kind]bool{outyard.Swarm: true, outyard.Handling: true, outyard.KnockedOver: true,
	outyard.Damp: true, outyard.Robbing: true, outyard.StoresLow: true, outyard.RoomLow: true, outyard.FlowStart: true, outyard.FlowEnd: true,
	outyard.BatteryLow: true, outyard.Silent: true, outyard.SensorFault: true, outyard.BroodCold: true}

const day = 24 * time.Hour

// scoreFlow goes by the days on which nectar came in: when a bloom opened that
// no bee flew to, no scale can tell.
func (t *tally) scoreFlow(seed uint64, l simulator.Label, zone *time.Location, nearest func(outyard.Kind, simulator.Label, time.Duration, time.Duration) *outyard.Finding) {
	at := l
	at.End = time.Time{}
	counts := l.KgPerDay >= simulator.NectarKg && l.NectarFrom != (outyard.Date{})
	if counts {
		at.Time = l.NectarFrom.Start(zone).UTC()
	} else {
		t.noNectar++
	}
	start := nearest(outyard.FlowStart, at, 10*day, 12*day)
	if counts {
		t.flowStart.there++
	}
	switch {
	case !counts:
	case start == nil:
		t.remark(seed, "missed flow start %s %s, nectar from %s, %.2f kg a day", l.Yard, l.Time.Format(time.DateOnly), l.NectarFrom, l.KgPerDay)
	default:
		t.flowStart.found++
		t.flowStart.delay = append(t.flowStart.delay, start.ToldAt.Sub(at.Time))
		t.flowStartErr = append(t.flowStartErr, start.Onset.Sub(at.Time).Hours()/24)
		t.bloomStartErr = append(t.bloomStartErr, start.Onset.Sub(l.Time).Hours()/24)
	}
	if l.End.IsZero() {
		return
	}
	at.Time = l.End
	if counts {
		at.Time = l.NectarTo.Add(1).Start(zone).UTC()
		t.flowEnd.there++
	}
	end := nearest(outyard.FlowEnd, at, 10*day, 12*day)
	switch {
	case !counts:
	case end == nil:
		t.remark(seed, "missed flow end %s %s, nectar to %s, %.2f kg a day", l.Yard, l.End.Format(time.DateOnly), l.NectarTo, l.KgPerDay)
	default:
		t.flowEnd.found++
		t.flowEnd.delay = append(t.flowEnd.delay, end.ToldAt.Sub(at.Time))
		t.flowEndErr = append(t.flowEndErr, end.Onset.Sub(at.Time).Hours()/24)
		t.bloomEndErr = append(t.bloomEndErr, end.Onset.Sub(l.End).Hours()/24)
	}
}

// trickles says whether the yard's hives truly gained as much as in a weak
// flow over the time that a finding tells of, though no flow was in the script.
func trickles(f outyard.Finding, labels []simulator.Label) bool {
	from, to := f.Onset, f.End
	if f.Kind == outyard.FlowEnd {
		from, to = f.Onset.Add(-8*day), f.Onset
	}
	sum, n := 0.0, 0
	for _, l := range labels {
		if l.Kind == simulator.DayTruth && l.Yard == f.Yard && !l.Time.Before(from) && (to.IsZero() || l.Time.Before(to)) {
			sum, n = sum+l.GainKg, n+1
		}
	}
	return n > 0 && sum/float64(n) >= simulator.NectarKg
}

// scoreHandling matches by overlap: several labels of one visit are one
// finding, whose net change is the sum of theirs.
func (t *tally) scoreHandling(seed uint64, labels []simulator.Label, found []outyard.Finding, used map[string]bool, trace sightings) {
	const slack = 25 * time.Minute
	work := map[place][]simulator.Label{}
	for _, l := range labels {
		if l.Kind == outyard.Handling {
			work[place{l.Yard, l.Hive}] = append(work[place{l.Yard, l.Hive}], l)
		}
	}
	for at, ls := range work {
		seen := make([]bool, len(ls))
		for _, f := range found {
			if f.Kind != outyard.Handling || f.Yard != at.yard || f.Hive != at.hive || f.State == outyard.Withdrawn {
				continue
			}
			net, n := 0.0, 0
			for i, l := range ls {
				if l.Time.Before(f.End.Add(slack)) && l.End.After(f.Onset.Add(-slack)) {
					seen[i] = true
					net += l.NetKg
					n++
				}
			}
			if n > 0 {
				used[f.ID] = true
				t.netErr = append(t.netErr, math.Abs(f.Fact("change_kg")-net)/max(1, math.Abs(net)/4))
			}
		}
		for i, l := range ls {
			if !trace.leftTrace(l) { // neither missed nor found
				t.traceless++
				continue
			}
			t.handling.there++
			if seen[i] {
				t.handling.found++
			} else {
				t.remark(seed, "missed handling %s %.2f kg, %s %s %s to %s", l.What, l.NetKg, l.Yard, l.Hive, l.Time.Format(time.RFC3339), l.End.Format(time.RFC3339))
			}
		}
	}
}

func (t *tally) scoreDays(seed uint64, labels []simulator.Label, days []outyard.Day) {
	truth := truthOf(labels)
	for _, d := range days {
		l, ok := truth[hiveDay{place{d.Yard, d.Hive}, d.Date}]
		if ok {
			t.wants.day(d, l)
		}
		if !ok || !outyard.Known(d.GainKg) {
			continue
		}
		e := d.GainKg - l.GainKg
		t.gainErr = append(t.gainErr, e)
		if math.Abs(l.WaterKg) > wetKg {
			t.wetErr = append(t.wetErr, e)
		}
		if math.Abs(e) > 0.8 {
			t.remark(seed, "gain of %s %s on %s said %.2f, truth %.2f (handled %.2f, truth %.2f; water %.2f)", d.Yard, d.Hive, d.Date, d.GainKg, l.GainKg, d.HandledKg, l.HandledKg, l.WaterKg)
		}
	}
}

func quantile(p float64, x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	x = slices.Sorted(slices.Values(x))
	return x[min(len(x)-1, int(p*float64(len(x))))]
}

func abs(x []float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = math.Abs(v)
	}
	return y
}
