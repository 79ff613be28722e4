package air

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// An inventedWinter is a yard of hives on a wet mild coast, in plain physics:
// each hive warms and wets its air by its strength, both wander over the
// weeks, walls take what they are too cold for, and probes are off. All
// numbers are common practice, no source.
type inventedWinter struct {
	seed      uint64
	hives     int
	days      int
	noWeather bool
	// dampFrom is the day from which the first hive goes damp; negative never.
	dampFrom int
	// dampPa is the vapour that its wet wood and standing water add, reached
	// over dampOver days.
	dampPa   float64
	dampOver float64
	dampDays int // until it dries; 0 for never
	garble   func(hive int, h *Hour)
}

var winterStart = time.Date(2026, 10, 1, 7, 0, 0, 0, time.UTC) // midnight in the yard's zone

var coast = time.FixedZone("coast", -7*3600)

func hiveName(i int) outyard.HiveID { return outyard.HiveID(fmt.Sprintf("h%02d", i+1)) }

// run lets the winter pass before a judge and gives each evening to seen.
func (w inventedWinter) run(j *Judge, seen func(day int)) {
	day := 0
	w.runDays(func(date outyard.Date, hs []HiveDay) {
		j.Day(date, hs)
		if seen != nil {
			seen(day)
		}
		day++
	})
}

// runDays lets the winter pass and gives each evening's days.
func (w inventedWinter) runDays(evening func(outyard.Date, []HiveDay)) {
	rnd := rand.New(rand.NewPCG(w.seed, 99))
	type box struct {
		warmK, wetPa, wanderK, wanderPa, pa, offRH, offC float64
		days                                             *Days
	}
	boxes := make([]*box, w.hives)
	for i := range boxes {
		strength := 0.6 + 0.8*rnd.Float64()
		boxes[i] = &box{warmK: 3 + 9*strength*(0.7+0.6*rnd.Float64()), wetPa: 220 * strength * (0.8 + 0.4*rnd.Float64()),
			offRH: 1.5 * rnd.NormFloat64(), offC: 0.2 * rnd.NormFloat64(), pa: 900, days: NewDays(coast, DefaultSettings())}
	}
	synoptic, moist, spell := 0.0, 0.0, 0
	for hour := range w.days * 24 {
		day := hour / 24
		if hour%24 == 0 {
			synoptic = 0.8*synoptic + 1.6*rnd.NormFloat64()
			if spell--; spell < -10 && rnd.Float64() < 0.1 {
				spell = 5 + rnd.IntN(20) // rain for days on end
			}
		}
		moist = 0.95*moist + 0.8*rnd.NormFloat64()
		outC := 6 + 4*math.Cos(2*math.Pi*float64(day)/180) + synoptic + 2.5*math.Sin(2*math.Pi*float64(hour%24-9)/24)
		outRH := min(max(84+moist-6*math.Sin(2*math.Pi*float64(hour%24-9)/24), 45), 99)
		if spell > 0 {
			outRH = 95 + 2*rnd.Float64()
		}
		outPa := VapourPa(outC, outRH)
		for i, b := range boxes {
			b.wanderK = 0.999*b.wanderK + 0.03*rnd.NormFloat64()
			b.wanderPa = 0.999*b.wanderPa + 0.9*rnd.NormFloat64()
			inC := outC + max(b.warmK*(1-outC/40)+b.wanderK, 1)
			extra := 0.0
			if i == 0 && w.dampFrom >= 0 && day >= w.dampFrom && (w.dampDays == 0 || day < w.dampFrom+w.dampDays) {
				extra = w.dampPa * min(1, (float64(hour)/24-float64(w.dampFrom))/w.dampOver)
			}
			source := max(b.wetPa+b.wanderPa, 30) + extra
			wall := SaturationPa(outC + 0.5*(inC-outC))
			target := outPa + source
			if target > wall { // what the walls take
				target = wall + 0.4*(target-wall)
			}
			b.pa += (min(target, SaturationPa(inC)) - b.pa) * 0.3
			h := Hour{Start: winterStart.Add(time.Duration(hour) * time.Hour), InsideTempC: inC + b.offC + 0.1*rnd.NormFloat64(),
				OutsideTempC: outC, OutsideRHPct: outRH}
			h.InsideRHPct = min(100*b.pa/SaturationPa(inC)+b.offRH+0.7*rnd.NormFloat64(), 100)
			if w.noWeather {
				h.OutsideTempC, h.OutsideRHPct = math.NaN(), math.NaN()
			}
			if w.garble != nil {
				w.garble(i, &h)
			}
			b.days.Hour(h)
		}
		if hour%24 == 23 {
			var hs []HiveDay
			for i, b := range boxes {
				if d, ok := b.days.Finish(); ok {
					hs = append(hs, HiveDay{hiveName(i), d})
				}
			}
			evening(outyard.DateOf(winterStart.Add(time.Duration(day)*24*time.Hour), coast), hs)
		}
	}
}

func coastYard() outyard.Yard { return outyard.Yard{ID: "heron-point", Zone: coast} }

func newJudge() *Judge { return NewJudge(coastYard(), DefaultSettings()) }

func damp(fs []outyard.Finding) []outyard.Finding {
	return slices.DeleteFunc(slices.Clone(fs), func(f outyard.Finding) bool { return f.Kind != outyard.Damp })
}

// winters runs many winters and counts.
type count struct {
	hives, falseAlarms, damp, found int
	delays                          []float64
}

func winters(w inventedWinter, n int) count {
	var c count
	for seed := range n {
		w.seed = uint64(seed + 1)
		j := newJudge()
		foundOn := -1
		w.run(j, func(day int) {
			for _, f := range damp(j.Findings()) {
				if f.Hive == hiveName(0) && foundOn < 0 && w.dampFrom >= 0 && day >= w.dampFrom {
					foundOn = day
				}
			}
		})
		c.hives += w.hives
		for _, f := range damp(j.Findings()) {
			if w.dampFrom < 0 || f.Hive != hiveName(0) {
				c.falseAlarms++
			}
		}
		if w.dampFrom >= 0 {
			c.damp++
			if foundOn >= 0 {
				c.found++
				c.delays = append(c.delays, float64(foundOn-w.dampFrom+1))
			}
		}
	}
	slices.Sort(c.delays)
	return c
}

func (c count) falseRate() float64 { return float64(c.falseAlarms) / float64(c.hives) }
func (c count) recall() float64    { return float64(c.found) / float64(c.damp) }
func (c count) medianDelay() float64 {
	if len(c.delays) == 0 {
		return math.Inf(1)
	}
	return c.delays[len(c.delays)/2]
}

func TestWintersOnAWetCoast(t *testing.T) {
	for _, row := range []struct {
		says       string
		winter     inventedWinter
		mostFalse  float64 // per hive-winter
		leastFound float64
		mostDays   float64 // median from onset to being told
	}{
		{"nothing is wrong in a yard of six", inventedWinter{hives: 6, days: 180, dampFrom: -1}, 0.02, 0, 0},
		{"nothing is wrong in a yard of two", inventedWinter{hives: 2, days: 180, dampFrom: -1}, 0.05, 0, 0},
		{"nothing is wrong with a lone hive", inventedWinter{hives: 1, days: 180, dampFrom: -1}, 0.1, 0, 0},
		{"nothing is wrong and there is no weather node", inventedWinter{hives: 6, days: 180, dampFrom: -1, noWeather: true}, 0.05, 0, 0},
		{"one of six goes damp within ten days", inventedWinter{hives: 6, days: 150, dampFrom: 60, dampPa: 350, dampOver: 10}, 0.05, 0.95, 7},
		{"one of six goes damp over four weeks", inventedWinter{hives: 6, days: 150, dampFrom: 60, dampPa: 350, dampOver: 28}, 0.05, 0.95, 14},
		{"one of two goes damp", inventedWinter{hives: 2, days: 150, dampFrom: 60, dampPa: 350, dampOver: 14}, 0.1, 0.85, 9},
		{"a lone hive goes damp", inventedWinter{hives: 1, days: 150, dampFrom: 60, dampPa: 350, dampOver: 14}, 0.1, 0.6, 12},
		{"one of six goes damp and there is no weather node", inventedWinter{hives: 6, days: 150, dampFrom: 60, dampPa: 350, dampOver: 14, noWeather: true}, 0.05, 0.85, 9},
	} {
		t.Run(row.says, func(t *testing.T) {
			c := winters(row.winter, 12)
			t.Logf("%d hive-winters: %.3f false alarms each; %d of %d found, median %.0f days", c.hives, c.falseRate(), c.found, c.damp, c.medianDelay())
			require.LessOrEqual(t, c.falseRate(), row.mostFalse)
			if c.damp > 0 {
				require.GreaterOrEqual(t, c.recall(), row.leastFound)
				require.LessOrEqual(t, c.medianDelay(), row.mostDays)
			}
		})
	}
}
