package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// A made-up yard on a wet coast; its noon is at about 20:13 UTC.
func testYard(t *testing.T, hives ...outyard.HiveID) outyard.Yard {
	zone, err := time.LoadLocation("America/Vancouver")
	require.NoError(t, err)
	y := outyard.Yard{ID: "alder-spit", Latitude: 48.8, Longitude: -123.3, Zone: zone}
	for _, id := range hives {
		y.Hives = append(y.Hives, outyard.Hive{ID: id})
	}
	return y
}

// A course of weight and brood-nest temperature over time of day, added to a
// hive's own.
type shape struct {
	kg func(t time.Time) float64
	k  func(t time.Time) float64
}

var still = shape{}

// fallKg leaves with the given weight within ten minutes from the start on.
func fallKg(kg float64, start time.Time) shape {
	return shape{kg: func(t time.Time) float64 {
		return -kg * min(1, max(0, t.Sub(start).Minutes()/10))
	}}
}

func (s shape) warmedK(k float64, start time.Time) shape {
	s.k = func(t time.Time) float64 {
		if m := t.Sub(start).Minutes(); m > -15 && m < 10 {
			return k
		}
		return 0
	}
	return s
}

// during adds a weight between two instants only.
func (s shape) during(kg float64, from, to time.Time) shape {
	was := s.kg
	s.kg = func(t time.Time) float64 {
		w := 0.0
		if was != nil {
			w = was(t)
		}
		if !t.Before(from) && t.Before(to) {
			w += kg
		}
		return w
	}
	return s
}

// readings invents four quiet days of a hive about the shape: 48 kg, foragers
// out by day, a scale that is good to 20 g.
func readings(y outyard.Yard, hive outyard.HiveID, around time.Time, every time.Duration, s shape) []outyard.Reading {
	rng := rand.New(rand.NewPCG(7, uint64(len(hive))+uint64(hive[0])))
	var rs []outyard.Reading
	for t := around.Add(-48 * time.Hour); t.Before(around.Add(48 * time.Hour)); t = t.Add(every) {
		r := outyard.NewReading(y.ID, hive, t)
		local := t.In(y.Zone)
		h := float64(local.Hour()) + float64(local.Minute())/60
		w := 48 - 0.25*math.Max(0, math.Sin((h-8)/11*math.Pi)) + 0.02*rng.NormFloat64()
		temp := 34.6 + 0.1*rng.NormFloat64()
		if s.kg != nil {
			w += s.kg(t)
		}
		if s.k != nil {
			temp += s.k(t)
		}
		r.Values[outyard.Weight] = w
		r.Values[outyard.InsideTemp] = temp
		rs = append(rs, r)
	}
	return rs
}

func kinds(found []outyard.Finding, hive outyard.HiveID) []outyard.Kind {
	var k []outyard.Kind
	for _, f := range found {
		if f.Hive == hive {
			k = append(k, f.Kind)
		}
	}
	return k
}

func TestWhatADepartureMeans(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	at := func(h, m int) time.Time { return time.Date(2027, 5, 22, h, m, 0, 0, y.Zone) }
	type K = []outyard.Kind
	for _, c := range []struct {
		name  string
		every time.Duration
		shape shape
		want  []outyard.Kind
	}{
		{"a day like any other is nothing", 10 * time.Minute, still, nil},
		{"2.4 kg gone within ten minutes at noon after the nest warmed is a swarm", 10 * time.Minute, fallKg(2.4, noon).warmedK(2.2, noon), K{outyard.Swarm}},
		{"and so it is at a reading a minute", time.Minute, fallKg(2.4, noon).warmedK(2.2, noon), K{outyard.Swarm}},
		{"and at a quarter of an hour", 15 * time.Minute, fallKg(2.4, noon).warmedK(2.2, noon), K{outyard.Swarm}},
		{"the same fall at night is not", 10 * time.Minute, fallKg(2.4, at(2, 30)), nil},
		{"the same fall with the lid set aside first is the keeper's work", 10 * time.Minute, fallKg(2.4, noon).during(-6, at(11, 45), at(12, 35)), K{outyard.Handling}},
		{"0.5 kg gone at ten and back by four is foragers", 10 * time.Minute, still.during(-0.5, at(10, 0), at(16, 0)), nil},
		{"a box of 6 kg put on is the keeper's work", 10 * time.Minute, still.during(6.1, at(14, 0), at(23, 59).AddDate(0, 0, 9)), K{outyard.Handling}},
		{"25 kg of honey taken is the keeper's work", 10 * time.Minute, fallKg(25, at(11, 0)), K{outyard.Handling}},
		{"a lid off for half an hour is the keeper's work", 5 * time.Minute, still.during(-3.2, at(13, 0), at(13, 30)), K{outyard.Handling}},
		{"one wild reading by night is nothing", 10 * time.Minute, still.during(9, at(2, 0), at(2, 10)), nil},
		{"next to nothing left from the middle of the night on is knocked over", 10 * time.Minute, fallKg(47, at(3, 0)), K{outyard.KnockedOver}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rs := readings(y, "h1", noon, c.every, c.shape)
			rs = append(rs, readings(y, "h2", noon, 10*time.Minute, still)...)
			found, _ := Evaluate(y, nil, rs, noon.Add(48*time.Hour), DefaultSettings())
			require.Equal(t, c.want, kinds(found, "h1"))
			require.Empty(t, kinds(found, "h2"))
			for _, f := range found {
				require.NotEmpty(t, f.Summary)
				require.NotEmpty(t, f.Facts["reasons"], "a finding says why")
			}
		})
	}
}

// On a fine day several hives of a yard may swarm: no fall of one makes the
// keeper's work of the others.
func TestTwoHivesOfAYardMaySwarmWithinTheHour(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3", "h4")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	rs := readings(y, "h1", noon, 10*time.Minute, fallKg(2.4, noon))
	rs = append(rs, readings(y, "h2", noon, 10*time.Minute, fallKg(1.9, noon.Add(35*time.Minute)))...)
	rs = append(rs, readings(y, "h3", noon, 10*time.Minute, still)...)
	rs = append(rs, readings(y, "h4", noon, 10*time.Minute, still)...)
	for i := range rs {
		rs[i].Values[outyard.InsideTemp] = outyard.Unknown
	}
	found, _ := Evaluate(y, nil, rs, noon.Add(24*time.Hour), DefaultSettings())
	require.Equal(t, []outyard.Kind{outyard.Swarm}, kinds(found, "h1"))
	require.Equal(t, []outyard.Kind{outyard.Swarm}, kinds(found, "h2"))
	require.Empty(t, kinds(found, "h3"))
}

func TestWhatIsHardlyLikelyIsNotKnownOf(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	rs := readings(y, "h1", noon, 10*time.Minute, fallKg(2.4, noon).warmedK(2.2, noon))
	set := DefaultSettings()
	found, _ := Evaluate(y, nil, rs, noon.Add(24*time.Hour), set)
	require.Len(t, found, 1)
	set.LeastConfidence = found[0].Confidence + 0.01
	found, _ = Evaluate(y, nil, rs, noon.Add(24*time.Hour), set)
	require.Empty(t, found)
}

func TestSwarmIsToldWithinTwoReadings(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	for _, every := range []time.Duration{time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute} {
		c := NewCourse(y, nil, DefaultSettings())
		var told time.Time
		for _, r := range readings(y, "h1", noon, every, fallKg(2.4, noon).warmedK(2.2, noon)) {
			require.NoError(t, c.Observe(r))
			if told.IsZero() && len(c.Findings()) > 0 {
				told = r.Time
			}
		}
		require.WithinRange(t, told, noon, noon.Add(10*time.Minute+max(15*time.Minute, 2*every)), "a reading every %s", every)
	}
}

func TestTheYardsOtherHivesExplainAVisit(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	sneaky := fallKg(2.1, noon) // no lifting seen: taken for a swarm but for the neighbours
	rs := readings(y, "h1", noon, 10*time.Minute, sneaky)
	for _, id := range []outyard.HiveID{"h2", "h3"} {
		rs = append(rs, readings(y, id, noon, 10*time.Minute, still.during(-20, noon.Add(-40*time.Minute), noon.Add(-15*time.Minute)))...)
	}
	found, _ := Evaluate(y, nil, rs, noon.Add(48*time.Hour), DefaultSettings())
	require.Equal(t, []outyard.Kind{outyard.Handling}, kinds(found, "h1"))
	require.InDelta(t, -2.1, found[len(found)-1].Fact("change_kg"), 0.2)
}

func TestAFaintMarkIsWorkOnlyWhileTheKeeperIsInTheYard(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	faint := still.during(-0.3, noon.Add(5*time.Minute), noon.Add(15*time.Minute)) // one sample, a lid leaning on the hive
	for _, c := range []struct {
		name   string
		others shape
		want   []outyard.Kind
	}{
		{"nobody about: nothing", still, nil},
		{"the keeper at both neighbours: the keeper's work", still.during(-20, noon.Add(-30*time.Minute), noon.Add(-5*time.Minute)), []outyard.Kind{outyard.Handling}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rs := readings(y, "h1", noon, 10*time.Minute, faint)
			for _, id := range []outyard.HiveID{"h2", "h3"} {
				rs = append(rs, readings(y, id, noon, 10*time.Minute, c.others)...)
			}
			found, _ := Evaluate(y, nil, rs, noon.Add(48*time.Hour), DefaultSettings())
			require.Equal(t, c.want, kinds(found, "h1"))
		})
	}
}

// By weight alone a comb taken looks like a swarm; the days after show whether
// the foragers went with it.
func TestTheDaysAfterTellASwarmFromCombsTaken(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	for _, c := range []struct {
		name string
		left float64 // share of the foragers
		want []outyard.Kind
		gain float64
	}{
		{"half as busy since: a swarm", 0.5, []outyard.Kind{outyard.Swarm}, -2.4},
		{"as busy as ever: the keeper's work, and not the colony's loss", 1, []outyard.Kind{outyard.Handling}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			var rs []outyard.Reading
			for _, id := range []outyard.HiveID{"h1", "h2", "h3"} {
				for d := -4; d <= 4; d += 4 {
					for _, r := range readings(y, id, noon.AddDate(0, 0, d), 10*time.Minute, still) {
						h := float64(r.Time.In(y.Zone).Hour()) + float64(r.Time.In(y.Zone).Minute())/60
						w := &r.Values[outyard.Weight]
						if id == "h1" && !r.Time.Before(noon) {
							*w += (1-c.left)*0.25*math.Max(0, math.Sin((h-8)/11*math.Pi)) - 2.4*min(1, r.Time.Sub(noon).Minutes()/3)
						}
						r.Values[outyard.InsideTemp] = outyard.Unknown
						rs = append(rs, r)
					}
				}
			}
			found, days := Evaluate(y, nil, rs, noon.AddDate(0, 0, 6), DefaultSettings())
			require.Equal(t, c.want, kinds(found, "h1"))
			for _, d := range days {
				if d.Hive == "h1" && d.Date == outyard.DateOf(noon, y.Zone) {
					require.InDelta(t, c.gain, d.GainKg, 0.25)
				}
			}
		})
	}
}

func TestASwarmThatCameBackIsToldAsOne(t *testing.T) {
	y := testYard(t, "h1", "h2", "h3")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	s := shape{kg: func(t time.Time) float64 {
		m := t.Sub(noon).Minutes()
		return -2.2 * min(1, max(0, m/12)) * min(1, max(0, (55-m)/12))
	}}.warmedK(2, noon)
	rs := readings(y, "h1", noon, 10*time.Minute, s)
	found, days := Evaluate(y, nil, rs, noon.Add(48*time.Hour), DefaultSettings())
	require.Equal(t, []outyard.Kind{outyard.Swarm}, kinds(found, "h1"))
	require.Equal(t, outyard.Over, found[0].State)
	for _, d := range days {
		if d.Date == outyard.DateOf(noon, y.Zone) {
			require.InDelta(t, 0, d.GainKg, 0.1)
		}
	}
}

func TestTheJournalCountsAboveAll(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	rs := readings(y, "h1", noon, 10*time.Minute, fallKg(2.4, noon).warmedK(2.2, noon))
	asOf := noon.Add(48 * time.Hour)
	found, _ := Evaluate(y, nil, rs, asOf, DefaultSettings())
	require.Equal(t, []outyard.Kind{outyard.Swarm}, kinds(found, "h1"))

	split := outyard.Entry{Yard: y.ID, Hive: "h1", Time: noon, Kind: outyard.Split, Kg: outyard.Unknown}
	found, days := Evaluate(y, []outyard.Entry{split}, rs, asOf, DefaultSettings())
	require.Equal(t, []outyard.Kind{outyard.Handling}, kinds(found, "h1"))
	for _, d := range days {
		if d.Date == outyard.DateOf(noon, y.Zone) {
			require.InDelta(t, 0, d.GainKg, 0.1, "what the keeper took is not the colony's loss")
			require.InDelta(t, -2.4, d.HandledKg, 0.15)
		}
	}
}

func TestTheOrderBetweenHivesDoesNotMatter(t *testing.T) {
	y := testYard(t, "h1", "h2")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	one := readings(y, "h1", noon, 10*time.Minute, fallKg(2.4, noon))
	two := readings(y, "h2", noon, 10*time.Minute, still.during(-20, noon, noon.Add(25*time.Minute)))
	wantFound, wantDays := Evaluate(y, nil, append(one, two...), noon.Add(48*time.Hour), DefaultSettings())

	// Nodes that send once an hour: six readings of one hive, then of the other.
	c := NewCourse(y, nil, DefaultSettings())
	for i := 0; i < len(one); i += 6 {
		for _, rs := range [][]outyard.Reading{two, one} {
			for _, r := range rs[i:min(len(rs), i+6)] {
				require.NoError(t, c.Observe(r))
			}
		}
	}
	c.Advance(noon.Add(48 * time.Hour))
	require.Equal(t, wantFound, c.Findings())
	require.Equal(t, len(wantDays), len(c.Days()))
}

func TestLateReadingsAreRefusedNotMisread(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	rs := readings(y, "h1", noon, 10*time.Minute, still)
	c := NewCourse(y, nil, DefaultSettings())
	for _, r := range rs {
		require.NoError(t, c.Observe(r))
	}
	require.ErrorIs(t, c.Observe(rs[len(rs)-1]), ErrLate, "the same instant again")
	require.ErrorIs(t, c.Observe(rs[5]), ErrLate)
	other := rs[5]
	other.Hive = "h2"
	require.ErrorIs(t, c.Observe(other), ErrLate, "a hive that first speaks of a day already counted")
}

func TestDueIsTheNextInstantAtWhichTimeAloneChangesSomething(t *testing.T) {
	y := testYard(t, "h1")
	c := NewCourse(y, nil, DefaultSettings())
	require.True(t, c.Due().IsZero(), "nothing to wait for before the first reading")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	for _, r := range readings(y, "h1", noon, 10*time.Minute, still)[:60] {
		require.NoError(t, c.Observe(r))
	}
	for range 4 {
		due, was := c.Due(), c.Revision()
		c.Advance(due.Add(-time.Second))
		require.Equal(t, was, c.Revision(), "nothing happens before it is due")
		c.Advance(due)
		require.NotEqual(t, was, c.Revision())
		require.True(t, c.Due().After(due))
	}
}

// Nothing that a broken node can send may panic or come out as NaN.
func TestBadInputIsUnknownNotNonsense(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	edit := func(f func(i int, r *outyard.Reading)) []outyard.Reading {
		rs := readings(y, "h1", noon, 10*time.Minute, still)
		for i := range rs {
			f(i, &rs[i])
		}
		return rs
	}
	for name, rs := range map[string][]outyard.Reading{
		"no reading":       nil,
		"one reading":      readings(y, "h1", noon, 10*time.Minute, still)[:1],
		"always the same":  edit(func(_ int, r *outyard.Reading) { r.Values[outyard.Weight] = 40 }),
		"negative weights": edit(func(_ int, r *outyard.Reading) { r.Values[outyard.Weight] = -3 }),
		"no weight at all": edit(func(_ int, r *outyard.Reading) { r.Values[outyard.Weight] = outyard.Unknown }),
		"pounds from the middle on": edit(func(i int, r *outyard.Reading) {
			if i > 288 {
				r.Values[outyard.Weight] /= outyard.KgPerPound
			}
		}),
		"a gap of weeks": append(readings(y, "h1", noon, 10*time.Minute, still), readings(y, "h1", noon.AddDate(0, 0, 30), 10*time.Minute, still)...),
		"nothing known":  edit(func(_ int, r *outyard.Reading) { *r = outyard.NewReading(y.ID, "h1", r.Time) }),
	} {
		t.Run(name, func(t *testing.T) {
			found, days := Evaluate(y, nil, rs, noon.AddDate(0, 0, 40), DefaultSettings())
			for _, f := range found {
				require.False(t, math.IsNaN(f.Confidence))
				require.NotContains(t, f.Summary, "NaN")
				b, err := f.MarshalJSON()
				require.NoError(t, err)
				require.NotContains(t, string(b), "NaN")
			}
			for _, d := range days {
				require.False(t, math.IsInf(d.GainKg, 0))
				require.False(t, math.IsNaN(d.Coverage))
			}
		})
	}
}

func TestASwarmIsOverAfterADayAndAHiveSetUpAgainStands(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	state := func(rs []outyard.Reading, asOf time.Time) outyard.Finding {
		found, _ := Evaluate(y, nil, rs, asOf, DefaultSettings())
		require.NotEmpty(t, found)
		return found[0]
	}
	swarm := readings(y, "h1", noon, 10*time.Minute, fallKg(2.4, noon).warmedK(2.2, noon))
	require.Equal(t, outyard.Open, state(swarm, noon.Add(5*time.Hour)).State)
	require.Equal(t, outyard.Over, state(swarm, noon.Add(45*time.Hour)).State)

	night := time.Date(2027, 5, 22, 3, 0, 0, 0, y.Zone)
	fallen := readings(y, "h1", noon, 10*time.Minute, still.during(-47, night, noon))
	f := state(fallen, noon.Add(-time.Hour))
	require.Equal(t, outyard.KnockedOver, f.Kind)
	require.Equal(t, outyard.Open, f.State)
	f = state(fallen, noon.Add(5*time.Hour))
	require.Equal(t, outyard.KnockedOver, f.Kind)
	require.Equal(t, outyard.Over, f.State)
	require.WithinDuration(t, noon, f.End, 30*time.Minute)
}

// By its weight alone a swarm is less sure, and told later: combs taken out at
// noon look the same.
func TestASwarmIsToldByWeightAlone(t *testing.T) {
	y := testYard(t, "h1")
	noon := time.Date(2027, 5, 22, 12, 4, 0, 0, y.Zone)
	for _, every := range []time.Duration{time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute} {
		rs := readings(y, "h1", noon, every, fallKg(2.4, noon))
		for i := range rs {
			rs[i].Values[outyard.InsideTemp] = outyard.Unknown
		}
		found, _ := Evaluate(y, nil, rs, noon.Add(6*time.Hour), DefaultSettings())
		require.Equal(t, []outyard.Kind{outyard.Swarm}, kinds(found, "h1"), "a reading every %s", every)
		require.Less(t, found[0].Confidence, 0.9)
	}
}
