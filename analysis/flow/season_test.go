package flow

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"outyard"
)

var zone = time.FixedZone("UTC-8", -8*3600)

var heron = outyard.Yard{ID: "heron-point", Name: "Heron Point", Zone: zone}

func date(month time.Month, day int) outyard.Date {
	return outyard.Date{Year: 2027, Month: month, Day: day}
}

// A truth is a flow of an invented season.
type truth struct {
	from, to outyard.Date // first and last day
	kg       float64      // gain of the average hive on a fine day
}

// A season is invented day by day: hives of different strength, spells of
// rain, noise of each scale, water that all share. It knows nothing of the
// model: gains on a day of flow are drawn evenly between a fifth and all of
// what the weather allows.
type season struct {
	hives   int
	flows   []truth
	noiseKg float64
	dryDays bool // no rain at all
	blind   bool // no weather node
	random  *rand.Rand

	strengths []float64
	wetFor    int
}

func newSeason(seed uint64, hives int, flows ...truth) *season {
	s := &season{hives: hives, flows: flows, noiseKg: 0.15, random: rand.New(rand.NewPCG(seed, 77))}
	for range hives {
		s.strengths = append(s.strengths, 0.5+s.random.Float64())
	}
	return s
}

func (s *season) day(d outyard.Date) ([]HiveDay, Weather) {
	w := Weather{NoonSunDeg: outyard.Unknown, WarmestC: outyard.Unknown, MaxTempC: 17 + 5*math.Sin(float64(d.Sub(date(time.April, 20)))/58) + 2*s.random.NormFloat64()}
	if s.wetFor > 0 {
		s.wetFor--
	} else if s.random.Float64() < 0.1 {
		s.wetFor = s.random.IntN(4)
	}
	flight := 1.0
	if s.wetFor > 0 && !s.dryDays {
		w.RainMm = 3 + 15*s.random.Float64()
		w.MaxTempC -= 4
		flight = 0.25 * s.random.Float64()
	}
	offer := 0.0
	for _, f := range s.flows {
		if !d.Before(f.from) && !f.to.Before(d) {
			offer = f.kg * (0.2 + 0.8*s.random.Float64())
		}
	}
	shared := 0.05 * s.random.NormFloat64()
	var days []HiveDay
	for i, strength := range s.strengths {
		gain := strength*(offer*flight-0.12) + shared + s.noiseKg*s.random.NormFloat64()
		days = append(days, HiveDay{Hive: outyard.HiveID(fmt.Sprintf("h%02d", i+1)), GainKg: gain, HandledKg: outyard.Unknown, Coverage: 1})
	}
	if s.blind {
		w = UnknownWeather
	}
	return days, w
}

// run feeds a season from one date to another, after change has had its way
// with each day.
func (s *season) run(w *Watch, from, to outyard.Date, change func(outyard.Date, []HiveDay, *Weather) []HiveDay) {
	for d := from; !to.Before(d); d = d.Add(1) {
		days, weather := s.day(d)
		if change != nil {
			days = change(d, days, &weather)
		}
		if err := w.Day(d, days, weather); err != nil {
			panic(err)
		}
	}
}
