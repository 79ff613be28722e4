package robbing

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var nan, inf = math.NaN(), math.Inf(1)

func date(n int) outyard.Date { return outyard.Date{Year: 2027, Month: 8, Day: 1}.Add(n) }

// play gives a yard so many days, each with what the hives did.
func play(w *Watch, days int, hives func(n int) []HiveDay, change func(n int, d *Day)) {
	for n := range days {
		d := Day{Date: date(n), Dawn: date(n).Start(time.UTC).Add(5 * time.Hour), Dusk: date(n).Start(time.UTC).Add(20 * time.Hour),
			Weather: Weather{MaxTempC: 24}, Hives: hives(n)}
		if change != nil {
			change(n, &d)
		}
		w.Day(d)
		w.Day(d) // the same day again changes nothing
	}
}

// evenly is a day whose loss went hour by hour.
func evenly(hive outyard.HiveID, changeKg float64) HiveDay {
	h := HiveDay{Hive: hive, ChangeKg: changeKg, NightKgH: 0.005, Hours: make([]float64, 15)}
	for i := range h.Hours {
		h.Hours[i] = 40 + changeKg*min(1, max(0, (float64(i)-4)/7))
	}
	return h
}

func TestOneRobberyIsOneFinding(t *testing.T) {
	quiet := func(int) []HiveDay { return []HiveDay{evenly("a", -0.1), evenly("b", -0.1), evenly("c", -0.12)} }
	for _, c := range []struct {
		name   string
		change func(n int, d *Day)
		want   int
		days   float64
	}{
		{"two days of it are one", func(n int, d *Day) {
			if n == 12 || n == 13 {
				d.Hives[0] = evenly("a", -2)
			}
		}, 1, 2},
		{"and so they are with two days of rain between", func(n int, d *Day) {
			if n == 12 || n == 15 {
				d.Hives[0] = evenly("a", -2)
			}
			if n == 13 || n == 14 {
				d.Weather = Weather{RainMm: 12, RainByDayMm: 10, MaxTempC: 13}
			}
		}, 1, 4},
		{"a week of fine days without makes them two", func(n int, d *Day) {
			if n == 12 || n == 20 {
				d.Hives[0] = evenly("a", -2)
			}
		}, 2, 1},
		{"while nectar comes in there are no robbers", func(n int, d *Day) {
			d.Flow = 0.95
			if n == 12 || n == 13 {
				d.Hives[0] = evenly("a", -2)
			}
		}, 0, 0},
		{"nor at 8 °C", func(n int, d *Day) {
			d.Weather.MaxTempC = 8
			if n == 12 || n == 13 {
				d.Hives[0] = evenly("a", -2)
			}
		}, 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := NewWatch(outyard.Yard{ID: "y"}, DefaultSettings())
			play(w, 26, quiet, c.change)
			found := w.Findings()
			require.Len(t, found, c.want)
			for _, f := range found {
				require.Equal(t, c.days, f.Fact("days"))
				require.Equal(t, outyard.HiveID("a"), f.Hive)
				require.Equal(t, outyard.Now, f.Severity)
			}
		})
	}
}

func TestNeighboursThatGainMakeItSurer(t *testing.T) {
	told := func(gain float64) outyard.Finding {
		w := NewWatch(outyard.Yard{ID: "y"}, DefaultSettings())
		play(w, 15, func(n int) []HiveDay {
			hives := []HiveDay{evenly("a", -0.1), evenly("b", -0.1), evenly("c", -0.12)}
			if n == 14 {
				hives[0], hives[1] = evenly("a", -1.8), evenly("b", gain)
			}
			return hives
		}, nil)
		require.Len(t, w.Findings(), 1)
		return w.Findings()[0]
	}
	strangers, mates := told(-0.1), told(0.7)
	require.Greater(t, mates.Confidence, strangers.Confidence)
	require.Contains(t, mates.Summary, "another hive of the yard gained 0.8 kg")
	require.Contains(t, strangers.Summary, "no nectar comes in")
}

// What was told at noon is not unsaid at one and told again at two: from the
// thresholds of the settings, told at 0.3 and over at 0.2.
func TestWhatWasToldOnTheDayStandsForALittleLess(t *testing.T) {
	w := NewWatch(outyard.Yard{ID: "y"}, DefaultSettings())
	play(w, 14, func(int) []HiveDay { return []HiveDay{evenly("a", -0.1), evenly("b", -0.1), evenly("c", -0.12)} }, nil)
	today := Day{Date: date(14), Dawn: date(14).Start(time.UTC).Add(5 * time.Hour), Dusk: date(14).Start(time.UTC).Add(16 * time.Hour), Weather: Weather{MaxTempC: 24}}
	between := 0
	for kg := 3.0; kg > 0; kg -= 0.02 {
		today.Hives = []HiveDay{evenly("a", -kg), evenly("b", -0.1), evenly("c", -0.12)}
		_, news := w.SoFar(today, "a", 0.2, false)
		f, stands := w.SoFar(today, "a", 0.2, true)
		require.True(t, stands || !news, "%v kg", kg)
		if stands {
			require.GreaterOrEqual(t, f.Confidence, 0.2)
			require.Contains(t, f.Summary, "more than foragers weigh")
			require.NotContains(t, f.Summary, "at dusk", "the day is not over")
		}
		if stands && !news {
			between++
		}
	}
	require.Greater(t, between, 3)
	_, stands := w.SoFar(Day{Date: date(14), Dawn: today.Dawn, Dusk: today.Dusk, Weather: today.Weather,
		Hives: []HiveDay{evenly("a", -0.1), evenly("b", -0.1), evenly("c", -0.12)}}, "a", 0.2, true)
	require.False(t, stands, "the honey came back: they were foragers")
	_, known := w.SoFar(Day{Date: date(14), Dawn: today.Dawn, Dusk: today.Dusk, Weather: today.Weather,
		Hives: []HiveDay{evenly("z", -4), evenly("b", -0.1), evenly("c", -0.12)}}, "b", 0.2, false)
	require.False(t, known)
	require.NotContains(t, w.hives, outyard.HiveID("z"), "nothing is kept of a day that is not over")
}

func TestNoInputIsTooBad(t *testing.T) {
	for _, c := range []struct {
		name string
		hive HiveDay
		day  Weather
	}{
		{"nothing known", HiveDay{ChangeKg: nan, NightKgH: nan, HandledKg: nan, Hours: []float64{nan, nan}}, Weather{nan, nan, nan}},
		{"no hours", HiveDay{ChangeKg: -2, NightKgH: nan}, Weather{nan, nan, nan}},
		{"all nought", HiveDay{}, Weather{}},
		{"infinities", HiveDay{ChangeKg: -inf, NightKgH: inf, HandledKg: inf, Hours: []float64{inf, -inf, nan, 1, 2, 3}}, Weather{inf, inf, -inf}},
		{"huge", HiveDay{ChangeKg: -1e300, NightKgH: 1e300, HandledKg: 1e300, Hours: make([]float64, 15)}, Weather{1e300, 0, 1e300}},
		{"the same loss each day", evenly("", -2), Weather{0, 0, 25}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, gap := range []int{1, 25} {
				w := NewWatch(outyard.Yard{ID: "y"}, DefaultSettings())
				play(w, 40, func(int) []HiveDay { return []HiveDay{c.hive, c.hive} }, func(n int, d *Day) {
					d.Date, d.Weather = date(n*gap), c.day
					d.Hives[0].Hive, d.Hives[1].Hive = "a", "b"
				})
				for _, f := range w.Findings() {
					require.True(t, f.Confidence >= 0 && f.Confidence <= 1, "%v", f.Confidence)
					b, err := json.Marshal(f)
					require.NoError(t, err)
					require.NotContains(t, string(b), "NaN")
					require.NotContains(t, string(b), "Inf")
				}
			}
		})
	}
}
