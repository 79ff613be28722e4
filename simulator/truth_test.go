package simulator

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// near is the median weight of the readings about an instant.
func (p played) near(yard outyard.YardID, hive outyard.HiveID, from, to time.Time) float64 {
	var vs []float64
	for _, r := range p.readings {
		if r.Yard == yard && r.Hive == hive && !r.Time.Before(from) && r.Time.Before(to) && outyard.Known(r.Values[outyard.Weight]) {
			vs = append(vs, r.Values[outyard.Weight])
		}
	}
	return median(vs)
}

func TestTheScaleShowsWhatTheLabelsSay(t *testing.T) {
	// Every day's change on the scale is the colony's own, what the keeper did,
	// water, and the scale's errors: sun, warmth and wandering, which at
	// midnight are small.
	opt := Options{Start: local(2026, 5, 1, 0, 0), Days: 120, Yards: 1, HivesPerYard: 5, Rates: Rates{Stuck: -1, Outages: -1, Silences: -1, Knocks: -1, Thefts: -1}}
	s := Invent(21, opt)
	p := play(t, s)
	set := map[outyard.Date]float64{}
	worst, sum, n, handled := 0.0, 0.0, 0, 0
	const hive = "h02"
	yard := YardID(1)
	for _, l := range p.labels {
		if l.Hive == hive && l.Kind == outyard.Handling && l.What == string(outyard.ScaleSet) {
			set[outyard.DateOf(l.Time, s.zone)] = l.NetKg
		}
	}
	for _, l := range p.labels {
		if l.Kind != DayTruth || l.Hive != hive {
			continue
		}
		before := p.near(yard, hive, l.Time.Add(-35*time.Minute), l.Time.Add(35*time.Minute))
		after := p.near(yard, hive, l.End.Add(-35*time.Minute), l.End.Add(35*time.Minute))
		if !outyard.Known(before) || !outyard.Known(after) {
			continue
		}
		off := after - before - (l.GainKg + l.HandledKg + l.WaterKg + set[l.Date])
		worst = max(worst, math.Abs(off))
		sum += off
		n++
		if l.HandledKg != 0 {
			handled++
		}
	}
	require.Greater(t, n, 110)
	require.Greater(t, handled, 2)
	require.Less(t, worst, 0.45, "kg, worst day")
	require.Less(t, math.Abs(sum/float64(n)), 0.02, "kg, mean over the days")
}

// scripted plays a short season with one event in it and nothing by chance.
func scripted(t *testing.T, start time.Time, days int, events ...Event) played {
	t.Helper()
	flow := start.AddDate(0, 1, 15) // so that there is no other
	return play(t, Invent(9, Options{Start: start, Days: days, Yards: 1, HivesPerYard: 3, Cadence: 5 * time.Minute, Calm: true, NoKeeper: true,
		Script: append(events, Event{Kind: FineWeather, Time: start, End: start.AddDate(0, 0, days)}, Event{Kind: Flow, What: Bramble, Time: flow, End: flow.AddDate(0, 0, 9), Kg: 1})}))
}

func (p played) only(t *testing.T, kind outyard.Kind) Label {
	t.Helper()
	var found []Label
	for _, l := range p.labels {
		if l.Kind == kind {
			found = append(found, l)
		}
	}
	require.Len(t, found, 1, kind)
	return found[0]
}

const h2 = outyard.HiveID("h02")

func TestASwarmTakesItsMassOffTheScaleForGood(t *testing.T) {
	start, at := local(2026, 6, 1, 0, 0), local(2026, 6, 4, 12, 0)
	yard := YardID(1)
	p := scripted(t, start, 6, Event{Kind: outyard.Swarm, Yard: yard, Hive: h2, Time: at, Kg: 2.2})
	l := p.only(t, outyard.Swarm)
	require.InDelta(t, 2.2, l.MassKg, 0.01)
	fall := p.near(yard, h2, at.Add(-20*time.Minute), at) - p.near(yard, h2, l.End, l.End.Add(20*time.Minute))
	require.InDelta(t, l.MassKg, fall, 0.35)
	evening := p.near(yard, h2, at.Add(9*time.Hour), at.Add(10*time.Hour))
	night := p.near(yard, h2, at.Add(-14*time.Hour), at.Add(-13*time.Hour))
	require.Less(t, evening, night-1.2, "it does not come back")
	// The nest warms by 1.5 to 3.5 K before (Zacepins et al. 2016, from memory).
	usual := median(p.values(outyard.InsideTemp, h2, at.Add(-5*time.Hour), at.Add(-2*time.Hour)))
	var hottest float64
	for _, v := range p.values(outyard.InsideTemp, h2, at.Add(-20*time.Minute), at.Add(10*time.Minute)) {
		hottest = max(hottest, v)
	}
	require.True(t, hottest-usual > 0.8 && hottest-usual < 4, "%.1f K", hottest-usual)
	for _, l := range p.labels {
		if l.Kind == DayTruth && l.Hive == h2 && l.Date.Day == 4 {
			require.Less(t, l.GainKg, -1.5, "the day's own change has the swarm in it")
		}
	}
}

func TestASwarmThatReturnsIsBackWithinTheHour(t *testing.T) {
	at := local(2026, 6, 4, 12, 0)
	yard := YardID(1)
	p := scripted(t, local(2026, 6, 1, 0, 0), 6, Event{Kind: outyard.Swarm, Yard: yard, Hive: h2, Time: at, Returned: true, Kg: 2})
	l := p.only(t, outyard.Swarm)
	require.True(t, l.Returned)
	before := p.near(yard, h2, at.Add(-20*time.Minute), at)
	require.Less(t, p.near(yard, h2, l.End, l.End.Add(10*time.Minute)), before-1.4)
	require.InDelta(t, before, p.near(yard, h2, at.Add(80*time.Minute), at.Add(100*time.Minute)), 0.6)
}

func TestEachEventOfTheScriptHappens(t *testing.T) {
	start, yard := local(2026, 6, 1, 0, 0), YardID(1)
	at := local(2026, 6, 3, 12, 0)
	change := func(p played) float64 {
		return p.near(yard, h2, at.Add(90*time.Minute), at.Add(2*time.Hour)) - p.near(yard, h2, at.Add(-30*time.Minute), at)
	}
	for _, c := range []struct {
		says     string
		ev       Event
		lo, hi   float64 // kg that the scale changes by
		labelled outyard.Kind
	}{
		{"feed is put on", Event{Kind: outyard.Handling, What: "fed", Kg: 4}, 3.5, 4.7, outyard.Handling},
		{"a box is put on", Event{Kind: outyard.Handling, What: "box-on"}, 5.6, 6.9, outyard.Handling},
		{"a box is taken off", Event{Kind: outyard.Handling, What: "box-off"}, -6.7, -5.5, outyard.Handling},
		{"honey is taken with its box", Event{Kind: outyard.Handling, What: "honey-taken"}, -31, -5.5, outyard.Handling},
		{"a split is made", Event{Kind: outyard.Handling, What: "split", Kg: -2}, -2.5, -1.3, outyard.Handling},
		{"a visit takes some combs along", Event{Kind: outyard.Handling, What: "visit", Kg: -1.5}, -2, -0.9, outyard.Handling},
		{"a visit takes nothing", Event{Kind: outyard.Handling, What: "visit"}, -0.5, 0.6, outyard.Handling},
		{"a treatment takes nothing", Event{Kind: outyard.Handling, What: "treated"}, -0.5, 0.6, outyard.Handling},
		{"the scale is set", Event{Kind: outyard.Handling, What: "scale-set", Kg: 3}, 2.5, 3.6, outyard.Handling},
		{"the hive falls", Event{Kind: outyard.KnockedOver}, -90, -10, outyard.KnockedOver},
		{"the hive is stolen", Event{Kind: outyard.KnockedOver, What: Stolen}, -90, -30, outyard.KnockedOver},
	} {
		t.Run(c.says, func(t *testing.T) {
			c.ev.Yard, c.ev.Hive, c.ev.Time = yard, h2, at
			p := scripted(t, start, 4, c.ev)
			l := p.only(t, c.labelled)
			require.Equal(t, at.Unix(), l.Time.Unix())
			require.Equal(t, c.ev.What, l.What)
			got := change(p)
			require.True(t, got > c.lo && got < c.hi, "%.2f kg", got)
			if c.labelled == outyard.Handling {
				require.InDelta(t, l.NetKg, got, 0.6)
				require.Len(t, l.Entries(), max(1, l.Boxes))
				for _, e := range l.Entries() {
					require.NoError(t, e.Check())
				}
			}
		})
	}
	t.Run("a robbed hive loses by day", func(t *testing.T) {
		p := scripted(t, local(2026, 8, 20, 0, 0), 5, Event{Kind: outyard.Robbing, Yard: yard, Hive: h2, Time: local(2026, 8, 21, 9, 0), End: local(2026, 8, 23, 20, 0), Kg: 3})
		l := p.only(t, outyard.Robbing)
		require.True(t, l.MassKg > 4 && l.MassKg < 13, "%.1f kg", l.MassKg)
		lost := p.near(yard, h2, l.Time.Add(-5*time.Hour), l.Time.Add(-4*time.Hour)) - p.near(yard, h2, l.End.Add(3*time.Hour), l.End.Add(4*time.Hour))
		require.InDelta(t, l.MassKg, lost, 0.25*l.MassKg+0.8)
	})
	t.Run("a stuck scale repeats itself", func(t *testing.T) {
		p := scripted(t, start, 4, Event{Kind: outyard.SensorFault, What: Stuck, Yard: yard, Hive: h2, Time: at, End: at.Add(6 * time.Hour)})
		p.only(t, outyard.SensorFault)
		vs := p.values(outyard.Weight, h2, at, at.Add(6*time.Hour))
		require.Greater(t, len(vs), 60)
		for _, v := range vs {
			require.Equal(t, vs[0], v)
		}
	})
	t.Run("a spike is one wild reading", func(t *testing.T) {
		p := scripted(t, start, 4, Event{Kind: outyard.SensorFault, What: Spike, Yard: yard, Hive: h2, Time: at})
		l := p.only(t, outyard.SensorFault)
		usual, wild := p.near(yard, h2, at.Add(-time.Hour), at), 0
		for _, v := range p.values(outyard.Weight, h2, at.Add(-time.Hour), at.Add(time.Hour)) {
			if math.Abs(v-usual) > 3 {
				wild++
			}
		}
		require.Equal(t, 1, wild)
		require.Less(t, l.Time.Sub(at), 10*time.Minute)
	})
	t.Run("a silent node sends nothing", func(t *testing.T) {
		p := scripted(t, start, 4, Event{Kind: outyard.Silent, What: Lost, Yard: yard, Hive: h2, Time: at, End: at.Add(5 * time.Hour)})
		p.only(t, outyard.Silent)
		require.Empty(t, p.values(outyard.Weight, h2, at, at.Add(5*time.Hour)))
		require.NotEmpty(t, p.values(outyard.Weight, "h01", at, at.Add(5*time.Hour)))
	})
	t.Run("a colony dies", func(t *testing.T) {
		p := scripted(t, start, 45, Event{Kind: DeadOut, Yard: yard, Hive: h2, Time: at})
		p.only(t, DeadOut)
		end := local(2026, 7, 15, 0, 0)
		swing := func(h outyard.HiveID) float64 {
			return stdDev(p.values(outyard.InsideTemp, h, end.AddDate(0, 0, -3), end))
		}
		require.Greater(t, swing(h2), 2*swing("h01"), "an empty box follows the day")
	})
}

func stdDev(vs []float64) float64 {
	var sum, sum2 float64
	for _, v := range vs {
		sum += v
		sum2 += v * v
	}
	n := float64(len(vs))
	return math.Sqrt(sum2/n - sum*sum/n/n)
}

func TestADampHiveIsMoisterThanItsYard(t *testing.T) {
	for _, c := range []struct {
		says    string
		from    time.Time
		atLeast float64 // points of RH above the yard's other hives
	}{
		{"in winter", local(2026, 11, 10, 6, 0), 8},
		{"in spring, with brood", local(2026, 5, 1, 6, 0), 6},
	} {
		t.Run(c.says, func(t *testing.T) {
			p := play(t, Invent(4, Options{Start: c.from.AddDate(0, 0, -25), Days: 70, Yards: 1, HivesPerYard: 4, Calm: true,
				Script: []Event{{Kind: outyard.Damp, Yard: YardID(1), Hive: h2, Time: c.from}}}))
			l := p.only(t, outyard.Damp)
			require.True(t, l.End.IsZero())
			excess := func(fromDay, toDay int) float64 {
				from, to := c.from.AddDate(0, 0, fromDay), c.from.AddDate(0, 0, toDay)
				others := 0.0
				for _, h := range []outyard.HiveID{"h01", "h03", "h04"} {
					others += median(p.values(outyard.InsideRH, h, from, to)) / 3
				}
				return median(p.values(outyard.InsideRH, h2, from, to)) - others
			}
			rise := excess(30, 45) - excess(-25, 0)
			require.Greater(t, rise, c.atLeast)
		})
	}
}

func TestABacklogArrivesWhenTheRadioIsBack(t *testing.T) {
	yard := YardID(1)
	from, to := local(2026, 6, 3, 7, 0), local(2026, 6, 4, 9, 0)
	s := Invent(6, Options{Start: local(2026, 6, 1, 0, 0), Days: 5, HivesPerYard: 2, Calm: true,
		Script: []Event{{Kind: outyard.Silent, What: Backlog, Yard: yard, Time: from, End: to}}})
	var recorded, sent []Sent
	_, err := s.Record(func(r Sent) error { recorded = append(recorded, r); return nil })
	require.NoError(t, err)
	_, err = s.Send(func(r Sent) error { sent = append(sent, r); return nil })
	require.NoError(t, err)

	type key struct {
		yard outyard.YardID
		hive outyard.HiveID
		at   int64
	}
	arrival := map[key]time.Time{}
	late := 0
	for i, r := range sent {
		require.False(t, i > 0 && r.Arrival.Before(sent[i-1].Arrival), "in order of arrival")
		arrival[key{r.Reading.Yard, r.Reading.Hive, r.Reading.Time.Unix()}] = r.Arrival
		if !r.Reading.Time.Before(from) && r.Reading.Time.Before(to) && r.Reading.Yard == yard {
			require.False(t, r.Arrival.Before(to))
			late++
		} else {
			require.Less(t, r.Arrival.Sub(r.Reading.Time), time.Minute)
		}
	}
	require.Greater(t, late, 400)
	for _, r := range recorded {
		if at, ok := arrival[key{r.Reading.Yard, r.Reading.Hive, r.Reading.Time.Unix()}]; ok {
			require.Equal(t, at, r.Arrival)
		} else {
			require.False(t, r.Arrival.Before(s.opt.End), "only what arrives after the end is left out")
		}
	}
}

func TestAnotherHiveChangesNothingForTheRest(t *testing.T) {
	opt := Options{Days: 30, Yards: 1, HivesPerYard: 2, Calm: true}
	few := play(t, Invent(8, opt))
	opt.HivesPerYard = 3
	more := play(t, Invent(8, opt))
	require.Equal(t, few.values(outyard.Weight, h2, time.Time{}, local(2027, 1, 1, 0, 0)), more.values(outyard.Weight, h2, time.Time{}, local(2027, 1, 1, 0, 0)))
}

func TestTheTruthDoesNotHangOnTheCadence(t *testing.T) {
	gains := func(cadence time.Duration) map[string]float64 {
		m := map[string]float64{}
		for _, l := range play(t, Invent(13, Options{Start: local(2026, 6, 1, 0, 0), Days: 30, Yards: 1, HivesPerYard: 3, Cadence: cadence, Calm: true})).labels {
			if l.Kind == DayTruth {
				m[l.Date.String()+string(l.Hive)] = l.GainKg
			}
		}
		return m
	}
	ten := gains(10 * time.Minute)
	for day, kg := range gains(time.Hour) {
		require.InDelta(t, ten[day], kg, 0.1, day)
	}
	require.Len(t, ten, 90)
}

func TestALabelSaysItsThings(t *testing.T) {
	l := Label{Kind: outyard.Swarm, Yard: "heron-point", Hive: "h03", Time: time.Date(2027, 5, 12, 18, 40, 0, 0, time.UTC), MassKg: 2.1, Cast: true}
	b, err := json.Marshal(l)
	require.NoError(t, err)
	require.JSONEq(t, `{"kind":"swarm","yard":"heron-point","hive":"h03","time":"2027-05-12T18:40:00Z","mass_kg":2.1,"cast":true}`, string(b))
}

func TestTheDemonstrationShowsWhatItPromises(t *testing.T) {
	clock := time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
	now := DemoNow(clock)
	require.Equal(t, local(2026, 6, 5, 10, 0).Unix(), now.Unix())
	require.Equal(t, local(2025, 6, 5, 10, 0).Unix(), DemoNow(local(2026, 7, 1, 0, 0)).Unix(), "quickened time must not overtake the clock")

	s := Demo(1, now)
	from, to := s.Span()
	require.True(t, from.Before(now.AddDate(0, -13, 0)) && to.After(now.AddDate(0, 1, 20)), "%s to %s", from, to)
	var before, after float64
	yard := YardID(1)
	swarmAt := now.Add(165 * time.Minute)
	labels, err := s.Run(func(r outyard.Reading) error {
		if r.Yard == yard && r.Hive == "h03" && outyard.Known(r.Values[outyard.Weight]) {
			switch {
			case r.Time.Before(swarmAt):
				before = r.Values[outyard.Weight]
			case r.Time.Before(swarmAt.Add(45 * time.Minute)):
				after = r.Values[outyard.Weight]
			}
		}
		return nil
	})
	require.NoError(t, err)
	require.InDelta(t, 2.3, before-after, 0.6, "the swarm soon after now, kg")
	seen := map[string]int{}
	for _, l := range labels {
		switch l.Kind {
		case outyard.Damp:
			seen[string(l.Kind)+" "+string(l.Yard)+" "+string(l.Hive)]++
		case outyard.Swarm:
			if l.Hive == "h03" && l.Yard == yard {
				seen["live swarm"]++
				require.Equal(t, swarmAt.Unix(), l.Time.Unix())
			}
			if l.Hive == h2 && l.Yard == yard {
				seen["old swarm"]++
			}
		case Flow:
			seen[l.What]++
			require.Greater(t, l.KgPerDay, 0.2, "%s of %s", l.What, l.Yard)
		}
	}
	require.Equal(t, 1, seen["damp "+string(yard)+" h05"])
	require.Equal(t, 1, seen["damp "+string(YardID(2))+" h04"])
	require.Equal(t, 1, seen["live swarm"])
	require.Equal(t, 2, seen["old swarm"], "with its cast")
	require.Equal(t, 2, seen[Tree])
	require.Equal(t, 4, seen[Bramble])
}

func BenchmarkSeason(b *testing.B) {
	s := Invent(1, Options{})
	for b.Loop() {
		if _, err := s.Run(func(outyard.Reading) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(12*b.N)/b.Elapsed().Seconds(), "hive-years/s")
}
