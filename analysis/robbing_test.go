package analysis

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// A dearth is a hive's late August: days of a little loss, foragers out and
// back, with what happens besides.
type dearth struct {
	takenKg map[int]float64 // by robbers, from 9 to 17 o'clock of the day of the month
	hours   float64         // in which they take it, 8 unless said otherwise
	gainsKg map[int]float64 // over the same hours
	atOnce  map[int]float64 // gone within ten minutes at 14 o'clock
	nightly map[int]float64 // gone evenly round the clock
	outKg   map[int]float64 // foragers that are out besides, and back by dusk
}

const dearthDays = 20

func (d dearth) readings(y outyard.Yard, hive outyard.HiveID, every time.Duration) []outyard.Reading {
	rng := rand.New(rand.NewPCG(3, uint64(hive[1])))
	hours := d.hours
	if hours == 0 {
		hours = 8
	}
	at, own := time.Date(2027, 8, 10, 0, 0, 0, 0, y.Zone), 44.0
	var rs []outyard.Reading
	for end := at.AddDate(0, 0, dearthDays); at.Before(end); at = at.Add(every) {
		day := at.Day()
		h := float64(at.Hour()) + float64(at.Minute())/60
		within := 0.0
		if h >= 9 && h < 9+hours {
			within = every.Hours() / hours
		}
		own += -0.15*every.Hours()/24 + within*(d.gainsKg[day]-d.takenKg[day]) - d.nightly[day]*every.Hours()/24
		if h >= 14 && h < 14+every.Hours() {
			own -= d.atOnce[day]
		}
		r := outyard.NewReading(y.ID, hive, at)
		r.Values[outyard.Weight] = own - (0.2+d.outKg[day])*math.Max(0, math.Sin((h-8)/11*math.Pi)) + 0.02*rng.NormFloat64()
		rs = append(rs, r)
	}
	return rs
}

func TestWhenRobbersAreTold(t *testing.T) {
	days := func(kg float64, dates ...int) map[int]float64 {
		m := map[int]float64{}
		for _, d := range dates {
			m[d] = kg
		}
		return m
	}
	quiet := dearth{}
	for _, c := range []struct {
		name  string
		every time.Duration
		hive  dearth
		mates []dearth
		told  bool
	}{
		{"2 kg a day by daylight on three days in dearth is robbing", 10 * time.Minute, dearth{takenKg: days(2, 20, 21, 22)}, []dearth{quiet, quiet, quiet}, true},
		{"and so it is at hourly readings", time.Hour, dearth{takenKg: days(2, 20, 21, 22)}, []dearth{quiet, quiet, quiet}, true},
		{"and with no other hive in the yard", 10 * time.Minute, dearth{takenKg: days(2, 20, 21, 22)}, nil, true},
		{"and when the robbers are at home next door", 10 * time.Minute, dearth{takenKg: days(1.2, 20, 21)}, []dearth{{gainsKg: days(0.5, 20, 21)}, quiet, quiet}, true},
		{"1 kg a day is, when it goes on", 10 * time.Minute, dearth{takenKg: days(1, 20, 21, 22)}, []dearth{quiet, quiet, quiet}, true},
		{"8 kg in four hours is, on the first day", 10 * time.Minute, dearth{takenKg: days(8, 20), hours: 4}, []dearth{quiet, quiet}, true},
		{"and the same at hourly readings", time.Hour, dearth{takenKg: days(8, 20), hours: 4}, []dearth{quiet, quiet}, true},
		{"two robbed hives are no reason to take it for the weather", 10 * time.Minute, dearth{takenKg: days(2, 20, 21)}, []dearth{{takenKg: days(2, 20, 21)}, quiet, quiet, quiet}, true},

		{"days like any other are not", 10 * time.Minute, quiet, []dearth{quiet, quiet}, false},
		{"2 kg gone at once is not", 10 * time.Minute, dearth{atOnce: days(2, 20)}, []dearth{quiet, quiet}, false},
		{"nor at hourly readings", time.Hour, dearth{atOnce: days(2, 20)}, []dearth{quiet, quiet}, false},
		{"18 kg of honey taken is not", 10 * time.Minute, dearth{atOnce: days(18, 20)}, []dearth{quiet, quiet}, false},
		{"0.8 kg of foragers who are back by dusk is not", 10 * time.Minute, dearth{outKg: days(0.8, 20, 21)}, []dearth{quiet, quiet}, false},
		{"1.2 kg a day that goes by night as by day is drying", 10 * time.Minute, dearth{nightly: days(1.2, 20, 21)}, nil, false},
		{"1.5 kg gone by day at every hive is the weather", 10 * time.Minute, dearth{takenKg: days(1.5, 20)}, []dearth{{takenKg: days(1.4, 20)}, {takenKg: days(1.6, 20)}}, false},
		{"300 g more than usual on a day are not", 10 * time.Minute, dearth{takenKg: days(0.3, 18, 20, 23)}, []dearth{quiet, quiet}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := testYard(t, "h1", "h2", "h3", "h4", "h5")
			rs := c.hive.readings(y, "h1", c.every)
			for i, m := range c.mates {
				rs = append(rs, m.readings(y, y.Hives[i+1].ID, c.every)...)
			}
			asOf := time.Date(2027, 8, 10+dearthDays, 0, 0, 0, 0, y.Zone)
			found, _ := Evaluate(y, nil, rs, asOf, DefaultSettings())
			robbed := map[outyard.HiveID][]outyard.Finding{}
			for _, f := range found {
				if f.Kind == outyard.Robbing {
					robbed[f.Hive] = append(robbed[f.Hive], f)
				}
			}
			if !c.told {
				require.Empty(t, robbed["h1"])
				return
			}
			require.Len(t, robbed["h1"], 1)
			f := robbed["h1"][0]
			require.WithinDuration(t, time.Date(2027, 8, 20, 9, 0, 0, 0, y.Zone), f.Onset, 90*time.Minute)
			require.Equal(t, outyard.Over, f.State, "days later it is over")
			require.NotContains(t, kinds(found, "h1"), outyard.Swarm)
			for i, m := range c.mates {
				require.Equal(t, len(m.takenKg) > 0, len(robbed[y.Hives[i+1].ID]) > 0, "hive %d", i+2)
			}
			wantKg := 0.0
			for _, kg := range c.hive.takenKg {
				wantKg += kg
			}
			require.InDelta(t, wantKg, f.Fact("lost_kg"), 0.2*wantKg)

			// It is told by the morning after the second day of it.
			early := time.Date(2027, 8, 22, 6, 1, 0, 0, y.Zone)
			found, _ = Evaluate(y, nil, rs, early, DefaultSettings())
			require.Contains(t, kinds(found, "h1"), outyard.Robbing)
		})
	}
}

func TestQuietNightsAfterAFlowAreAHint(t *testing.T) {
	y := testYard(t, "h1", "h2")
	y.Hives[0].Name = "By the gate"
	c := NewCourse(y, nil, DefaultSettings())
	for _, id := range []outyard.HiveID{"h1", "h2"} {
		h := newHive(id, y, nil, &c.set)
		c.hives[id], c.order = h, append(c.order, h)
		for range 20 {
			h.nights.Next(0.6, true)
		}
	}
	end := func() outyard.Finding {
		f := outyard.Finding{Kind: outyard.FlowEnd, State: outyard.Open, Facts: map[string]any{}, Advice: []string{"as before"}}
		c.ripen(&f)
		return f
	}
	require.Equal(t, []string{"as before"}, end().Advice, "no night is known since")
	for range 5 {
		c.hives["h1"].nights.Next(0.1, false)
		c.hives["h2"].nights.Next(0.5, false)
	}
	f := end()
	require.Equal(t, []string{"h1"}, f.Facts["quiet_nights"])
	require.Contains(t, f.Advice[0], "opening By the gate with a refractometer: nights have gone quiet, 0.10 kg")
	require.Contains(t, f.Caution[0], "CXS 12-1981")
	require.Contains(t, f.Caution[1], "twelve months")
}

func TestRobbersAreToldOnTheDay(t *testing.T) {
	kg := func(x float64) map[int]float64 { return map[int]float64{20: x} }
	quiet := dearth{}
	for _, c := range []struct {
		name  string
		every time.Duration
		hive  dearth
		mates []dearth
		by    int // hour by which it is told; 0 for never
	}{
		{"6 kg through a day, by noon", 10 * time.Minute, dearth{takenKg: kg(6)}, []dearth{quiet, quiet, quiet}, 13},
		{"3 kg, in the afternoon", 10 * time.Minute, dearth{takenKg: kg(3)}, []dearth{quiet, quiet, quiet}, 17},
		{"and at hourly readings", time.Hour, dearth{takenKg: kg(3)}, []dearth{quiet, quiet, quiet}, 18},
		{"4 kg from the only hive of a yard", 10 * time.Minute, dearth{takenKg: kg(4)}, nil, 17},
		{"a robber next door makes it surer", 10 * time.Minute, dearth{takenKg: kg(2.2)}, []dearth{{gainsKg: kg(1)}, quiet, quiet}, 17},

		{"foragers of a strong colony are out until dusk", 10 * time.Minute, dearth{outKg: kg(1)}, []dearth{quiet, quiet}, 0},
		{"and those of an only hive", 10 * time.Minute, dearth{outKg: kg(0.8)}, nil, 0},
		{"a swarm goes at once", 10 * time.Minute, dearth{atOnce: kg(3)}, []dearth{quiet, quiet}, 0},
		{"honey is taken at once", 10 * time.Minute, dearth{atOnce: kg(15)}, []dearth{quiet, quiet}, 0},
		{"drying goes on by night", 10 * time.Minute, dearth{nightly: map[int]float64{18: 2, 19: 2, 20: 2}}, nil, 0},
		{"all hives dry after rain", 10 * time.Minute, dearth{takenKg: kg(2.5)}, []dearth{{takenKg: kg(2.3)}, {takenKg: kg(2.7)}}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := testYard(t, "h1", "h2", "h3", "h4", "h5")
			rs := c.hive.readings(y, "h1", c.every)
			for i, m := range c.mates {
				rs = append(rs, m.readings(y, y.Hives[i+1].ID, c.every)...)
			}
			told := 0
			for hour := 1; hour < 24; hour++ {
				stands := false
				found, _ := Evaluate(y, nil, rs, time.Date(2027, 8, 20, hour, 0, 0, 0, y.Zone), DefaultSettings())
				for _, f := range found {
					if f.Kind == outyard.Robbing && f.Onset.After(time.Date(2027, 8, 20, 0, 0, 0, 0, y.Zone)) {
						require.Equal(t, outyard.HiveID("h1"), f.Hive)
						require.GreaterOrEqual(t, f.Confidence, 0.2)
						stands = true
						if told == 0 {
							told = hour
						}
					}
				}
				require.Equal(t, told != 0, stands, "told at %d, unsaid at %d", told, hour)
			}
			if c.by == 0 {
				require.Zero(t, told)
				return
			}
			require.NotZero(t, told, "it is told on the day")
			require.LessOrEqual(t, told, c.by)
		})
	}
}
