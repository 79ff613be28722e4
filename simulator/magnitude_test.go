package simulator

import (
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"outyard"
)

// quiet is a year of usual work in which nothing goes wrong.
var quiet = sync.OnceValue(func() played {
	s := Invent(2, Options{Calm: true, Yards: 1, HivesPerYard: 6,
		Script: []Event{{Kind: Flow, What: Bramble, Time: local(2026, 6, 12, 0, 0), End: local(2026, 7, 18, 0, 0), Kg: 2.5}}})
	var p played
	p.labels, _ = s.Run(func(r outyard.Reading) error { p.readings = append(p.readings, r); return nil })
	return p
})

// local is an instant by the clocks of the district.
func local(year int, month time.Month, day, hour, minute int) time.Time {
	zone, err := time.LoadLocation(zoneName)
	if err != nil {
		panic(err)
	}
	return time.Date(year, month, day, hour, minute, 0, 0, zone)
}

func (p played) days(from, to time.Time) (gainsKg []float64) {
	for _, l := range p.labels {
		if l.Kind == DayTruth && !l.Time.Before(from) && l.Time.Before(to) {
			gainsKg = append(gainsKg, l.GainKg)
		}
	}
	return gainsKg
}

// values are those of one quantity in a span, of all hives or of one.
func (p played) values(q outyard.Quantity, hive outyard.HiveID, from, to time.Time) (vs []float64) {
	for _, r := range p.readings {
		if v := r.Values[q]; outyard.Known(v) && !r.Time.Before(from) && r.Time.Before(to) && (hive == "" || r.Hive == hive) {
			vs = append(vs, v)
		}
	}
	return vs
}

func median(vs []float64) float64 {
	if len(vs) == 0 {
		return outyard.Unknown
	}
	vs = slices.Clone(vs)
	slices.Sort(vs)
	return stat.Quantile(0.5, stat.Empirical, vs, nil)
}

func TestAColonyWeighsWhatColoniesWeigh(t *testing.T) {
	p := quiet()
	for _, c := range []struct {
		says     string // with the source of the limits
		from, to time.Time
		lo, hi   float64
	}{
		{"wintering takes 0.039 ± 0.013 kg a day (Norrström et al. 2021, PLoS ONE 16(10):e0258398)",
			local(2026, 12, 1, 0, 0), local(2027, 1, 20, 0, 0), -0.052, -0.026},
		{"a strong colony loses 0.1 to 0.3 kg a day in a summer dearth (common practice, no source)",
			local(2026, 8, 5, 0, 0), local(2026, 8, 31, 0, 0), -0.3, -0.1},
		{"a good flow gives 1 to 3 kg a day (common practice, no source)",
			local(2026, 6, 16, 0, 0), local(2026, 7, 10, 0, 0), 1, 3},
	} {
		t.Run(c.says, func(t *testing.T) {
			gains := p.days(c.from, c.to)
			require.NotEmpty(t, gains)
			mean := stat.Mean(gains, nil)
			require.True(t, mean > c.lo && mean < c.hi, "mean gain of %.3f kg a day", mean)
		})
	}
}

func TestForagersLeaveADipAtDawn(t *testing.T) {
	// 0.1 to 0.5 kg for a strong colony (common practice, no source).
	p := quiet()
	var dips []float64
	for day := range 40 {
		date := local(2026, 6, 1+day, 0, 0)
		for hive := 1; hive <= 6; hive++ {
			before := median(p.values(outyard.Weight, HiveID(hive), date.Add(4*time.Hour), date.Add(5*time.Hour)))
			morning := p.values(outyard.Weight, HiveID(hive), date.Add(5*time.Hour), date.Add(9*time.Hour))
			if len(morning) > 20 {
				dips = append(dips, before-slices.Min(morning))
			}
		}
	}
	require.Greater(t, len(dips), 200)
	require.InDelta(t, 0.3, median(dips), 0.2, "median dip, kg")
}

func TestTheAirInsideIsThatOfHives(t *testing.T) {
	p := quiet()
	june := func(q outyard.Quantity) []float64 {
		return p.values(q, "", local(2026, 6, 1, 0, 0), local(2026, 7, 1, 0, 0))
	}
	winter := func(q outyard.Quantity) []float64 {
		return p.values(q, "", local(2026, 12, 1, 0, 0), local(2027, 1, 15, 0, 0))
	}
	// Kleinhenz et al. 2003: 33 to 36 °C in the nest; probes beside it read
	// less by a few degrees (Cook et al. 2022).
	temp := median(june(outyard.InsideTemp))
	require.True(t, temp > 32 && temp < 36, "June, inside: %.1f °C", temp)
	rh := median(june(outyard.InsideRH)) // 50 to 60 % (from memory)
	require.True(t, rh > 48 && rh < 66, "June, inside: %.1f %%RH", rh)
	// A broodless cluster's core is at 20 to 30 °C, its skin near 10 °C (COLOSS
	// standard methods); the probe is somewhere about it.
	temp, out := median(winter(outyard.InsideTemp)), median(winter(outyard.OutsideTemp))
	require.True(t, temp > out+4 && temp < 24, "winter, inside: %.1f °C, outside %.1f °C", temp, out)
	require.Greater(t, median(winter(outyard.InsideRH)), rh, "a wet winter's hive is moister than June's")
}

func TestTheWeatherIsThatOfTheCoast(t *testing.T) {
	// Normals near 48.7° north on the sheltered coast: January 4.6 °C, July
	// 16.9 °C, 880 mm a year, about 20 mm of it in July (from memory).
	var january, july, yearMm, julyMm float64
	const seeds = 8
	for seed := range uint64(seeds) {
		start := local(2026, 1, 1, 0, 0)
		s := newSky(seed, start.Unix(), nil)
		for h := range 365 * 24 {
			at := start.Add(time.Duration(h) * time.Hour)
			w := s.at(at.Unix())
			yearMm += w.rainMmH / seeds
			switch at.Month() {
			case time.January:
				january += w.tempC / (31 * 24 * seeds)
			case time.July:
				july += w.tempC / (31 * 24 * seeds)
				julyMm += w.rainMmH / seeds
			}
			require.LessOrEqual(t, w.rhPct(), 100.5)
		}
	}
	require.InDelta(t, 4.6, january, 1.5)
	require.InDelta(t, 16.9, july, 1.5)
	require.InDelta(t, 880, yearMm, 220)
	require.Less(t, julyMm, 60.0)
}

func TestSwarmsAreSwarms(t *testing.T) {
	var primes, casts []float64
	for seed := range uint64(10) {
		s := Invent(seed, Options{Start: local(2026, 4, 20, 0, 0), Days: 100, Cadence: time.Hour, Rates: Rates{Swarms: 0.8}})
		for _, l := range play(t, s).labels {
			if l.Kind != outyard.Swarm {
				continue
			}
			if l.Cast {
				casts = append(casts, l.MassKg)
			} else {
				primes = append(primes, l.MassKg)
			}
			at := l.Time.In(s.zone)
			require.True(t, at.Hour() >= 10 && at.Hour() < 16, "10 to 16 o'clock (common practice): %s", at)
			require.True(t, at.Month() >= time.May && at.Month() <= time.August, at)
			long := l.End.Sub(l.Time)
			require.True(t, long >= 5*time.Minute && long <= 20*time.Minute, "out within 5 to 20 min (from memory): %s", long)
		}
	}
	require.Greater(t, len(primes), 40)
	require.Greater(t, len(casts), 8)
	// 12,000 to 20,000 bees of 0.13 g are 1.6 to 2.6 kg (numbers: Seeley, Morse
	// and Visscher 1979); usually 1 to 3 kg.
	require.InDelta(t, 2.4, median(primes), 0.8)
	require.True(t, slices.Min(primes) >= 0.8 && slices.Max(primes) <= 3.6, "%v", primes)
	require.True(t, slices.Min(casts) >= 0.4 && slices.Max(casts) <= 1.55, "0.5 to 1.5 kg (common practice): %v", casts)
}
