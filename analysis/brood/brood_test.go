package brood

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var zone = time.FixedZone("here", -8*3600)

// A box is what a probe shows while it is so warm outside.
type box func(outsideC float64) float64

func nest(outsideC float64) float64    { return 34.3 + 0.03*(outsideC-15) }
func offNest(outsideC float64) float64 { return 31 + 0.15*(outsideC-15) }
func cluster(outsideC float64) float64 { return outsideC + 0.45*(24-outsideC) }
func empty(outsideC float64) float64   { return outsideC + 0.5 }

// weather is the air outside on a day, at an hour.
func weather(meanC float64) func(day, hour int) float64 {
	return func(day, hour int) float64 {
		return meanC + 3*math.Sin(float64(day)/3) + 4*math.Sin(2*math.Pi*float64(hour-9)/24)
	}
}

// hoursOf plays a date.
func hoursOf(day int, air func(day, hour int) float64, of func(hour int, outsideC float64) float64) []Hour {
	rng := rand.New(rand.NewPCG(1, uint64(day)))
	hs := make([]Hour, 24)
	for k := range hs {
		out := air(day, k)
		hs[k] = Hour{of(k, out) + 0.1*rng.NormFloat64(), out}
	}
	return hs
}

func TestLook(t *testing.T) {
	for _, c := range []struct {
		says  string
		box   box
		meanC float64
		state State
	}{
		{"a nest in spring", nest, 10, Nest},
		{"a nest in summer", nest, 22, Nest},
		{"a probe beside the nest", offNest, 12, Nest},
		{"a cluster in winter", cluster, 3, Cluster},
		{"an empty box in winter", empty, 3, Empty},
		{"an empty box in summer", empty, 20, Empty},
		{"on a day as hot as a nest nobody knows", empty, 36, Unknown},
	} {
		t.Run(c.says, func(t *testing.T) {
			d := Look(hoursOf(0, weather(c.meanC), func(_ int, out float64) float64 { return c.box(out) }))
			require.Equal(t, c.state, d.State(), "%+v", d)
		})
	}
	require.Equal(t, Unknown, Look(nil).State())
	require.True(t, math.IsNaN(Look(hoursOf(0, weather(9), func(int, float64) float64 { return math.NaN() })).Warmth))
	require.Equal(t, Unknown, Look(hoursOf(0, weather(20), func(_ int, out float64) float64 { return out - 9 })).State(), "colder than the air is a probe that lies")
	stuck := hoursOf(0, weather(12), func(int, float64) float64 { return 0 })
	for k := range stuck {
		stuck[k].InsideC = 9
	}
	require.True(t, math.IsNaN(Look(stuck).Warmth), "and so is one figure for a day")
	still := Look(hoursOf(0, func(int, int) float64 { return 9 }, func(int, float64) float64 { return 20 }))
	require.True(t, math.IsNaN(still.Coupling), "air that does not move tells of no coupling")
	behind := make([]Hour, 48)
	for k := range behind {
		behind[k] = Hour{10 + 4*math.Sin(2*math.Pi*float64(k-3)/24), 10 + 4*math.Sin(2*math.Pi*float64(k)/24)}
	}
	require.InDelta(t, 1, Look(behind).Coupling, 0.01, "though three hours behind")
}

// A turn is what becomes of a hive on a day.
type turn struct {
	box     box
	from    int // day
	worked  int // hour at which the keeper was at it that day; 0 for not
	swarmed bool
}

// watched plays the yard's hives through so many days from a date.
func watched(t *testing.T, start outyard.Date, days int, meanC float64, hives map[outyard.HiveID][]turn) []outyard.Finding {
	t.Helper()
	return watchedUntil(t, start, days, days, meanC, hives)
}

// watchedUntil is watched with a weather node until a day only.
func watchedUntil(t *testing.T, start outyard.Date, days, weatherDays int, meanC float64, hives map[outyard.HiveID][]turn) []outyard.Finding {
	t.Helper()
	w := NewWatch(outyard.Yard{ID: "heron-point", Latitude: 48.8, Zone: zone}, DefaultSettings())
	swarmed := map[outyard.HiveID]outyard.Date{}
	for day := range days {
		date := start.Add(day)
		var hds []HiveDay
		for id, turns := range hives {
			hd := HiveDay{Hive: id}
			now, before := turns[0], turns[0]
			for _, x := range turns {
				if x.from <= day {
					before, now = now, x
				}
			}
			if now.from == day && now.swarmed {
				swarmed[id] = date
			}
			if now.from == day && now.worked > 0 {
				hd.Worked = []int{now.worked}
			}
			if now.box != nil {
				hd.Hours = hoursOf(day, weather(meanC), func(hour int, out float64) float64 {
					if day == now.from && hour <= now.worked && before.box != nil {
						return before.box(out)
					}
					return now.box(out)
				})
			}
			for k := range hd.Hours {
				if day >= weatherDays {
					hd.Hours[k].OutsideC = outyard.Unknown
				}
			}
			hd.Swarmed, hd.SwarmKnown = swarmed[id], swarmed[id] != outyard.Date{}
			hds = append(hds, hd)
		}
		w.Day(date, hds)
	}
	found := w.Findings()
	for _, f := range found {
		require.NotContains(t, f.Summary, "NaN")
		for name, v := range f.Facts {
			x, ok := v.(float64)
			require.False(t, ok && (math.IsNaN(x) || math.IsInf(x, 0)), name)
		}
	}
	return found
}

func TestWhatCooled(t *testing.T) {
	june := outyard.Date{Year: 2027, Month: time.June, Day: 1}
	december := outyard.Date{Year: 2027, Month: time.December, Day: 1}
	september := outyard.Date{Year: 2027, Month: time.September, Day: 10}
	warm := []turn{{box: nest}}
	for _, c := range []struct {
		says  string
		start outyard.Date
		days  int
		meanC float64
		hives map[outyard.HiveID][]turn
		state State // of the one finding; "" for none
		moved bool
		over  bool
	}{
		{"a nest that stays warm is none", june, 60, 15, map[outyard.HiveID][]turn{"h1": warm, "h2": warm}, "", false, false},
		{"a nest lost in June is", june, 40, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: cluster, from: 30}}, "h2": warm, "h3": warm}, Cluster, false, false},
		{"in a yard of one hive too", june, 40, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: cluster, from: 30}}}, Cluster, false, false},
		{"and over when brood is back", june, 60, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: cluster, from: 30}, {box: nest, from: 45}}, "h2": warm}, Cluster, false, true},
		{"the break after a swarm is none", june, 70, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: nest, from: 12, swarmed: true}, {box: cluster, from: 32}, {box: nest, from: 46}}, "h2": warm}, "", false, false},
		{"unless it does not end", june, 80, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: nest, from: 12, swarmed: true}, {box: cluster, from: 32}}, "h2": warm}, Cluster, false, false},
		{"the end of brood in autumn is none", september, 60, 10, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: cluster, from: 25}}, "h2": warm}, "", false, false},
		{"nor are nests that cool all at once", june, 40, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: cluster, from: 30}}, "h2": {{box: nest}, {box: cluster, from: 30}}, "h3": {{box: nest}, {box: cluster, from: 30}}}, "", false, false},
		{"a probe put elsewhere is told as that", june, 40, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: cluster, from: 30, worked: 12}}, "h2": warm, "h3": warm}, Cluster, true, false},
		{"a colony that dies in winter leaves an empty box", december, 50, 4, map[outyard.HiveID][]turn{"h1": {{box: cluster}, {box: empty, from: 35}}, "h2": {{box: cluster}}}, Empty, false, false},
		{"a cluster that stays is none", december, 90, 4, map[outyard.HiveID][]turn{"h1": {{box: cluster}}, "h2": {{box: cluster}}}, "", false, false},
		{"nor is a box that was empty from the start", december, 90, 4, map[outyard.HiveID][]turn{"h1": {{box: empty}}}, "", false, false},
		{"a node that falls silent has not cooled", june, 60, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {from: 30}}, "h2": warm}, "", false, false},
		{"a nest that goes first and the bees after it is one finding", june, 60, 15, map[outyard.HiveID][]turn{"h1": {{box: nest}, {box: cluster, from: 30}, {box: empty, from: 45}}, "h2": warm}, Empty, false, false},
	} {
		t.Run(c.says, func(t *testing.T) {
			found := watched(t, c.start, c.days, c.meanC, c.hives)
			if c.state == "" {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			f := found[0]
			require.Equal(t, outyard.BroodCold, f.Kind)
			require.Equal(t, outyard.HiveID("h1"), f.Hive)
			require.Equal(t, string(c.state), f.Facts["state"])
			require.Equal(t, c.moved, f.Facts["moved"])
			require.Equal(t, c.over, f.State == outyard.Over)
			said := strings.Join(f.Caution, " ")
			require.Contains(t, said, "chilled brood", "opening a hive in the cold")
			require.Contains(t, said, "Stings")
			require.Equal(t, c.state == Empty, strings.Contains(said, "dead colony's"), "the dust of a colony that died")
			if c.moved {
				require.Less(t, f.Confidence, 0.5)
				require.Contains(t, f.Summary, "may have been moved")
			}
		})
	}
}

func TestANestThatCoolsInTheTimeOfSwarmsMayOnlyPause(t *testing.T) {
	may, august := outyard.Date{Year: 2027, Month: 4, Day: 25}, outyard.Date{Year: 2027, Month: 8, Day: 1}
	queenless := []turn{{box: nest}, {box: cluster, from: 25}}
	for _, c := range []struct {
		says     string
		start    outyard.Date
		days     int
		turns    []turn
		severity outyard.Severity
	}{
		{"within three weeks it is a note", may, 35, queenless, outyard.Note},
		{"and stays one when the brood comes back in time", may, 70, []turn{{box: nest}, {box: cluster, from: 25}, {box: nest, from: 40}}, outyard.Note},
		{"when it lasts longer the queen has failed", may, 50, queenless, outyard.Soon},
		{"nobody swarms at the end of August", august, 35, queenless, outyard.Soon},
		{"a hive that bees warm no more is urgent at once", may, 32, []turn{{box: nest}, {box: empty, from: 25}}, outyard.Soon},
	} {
		t.Run(c.says, func(t *testing.T) {
			found := watched(t, c.start, c.days, 12, map[outyard.HiveID][]turn{"h01": c.turns, "h02": {{box: nest}}, "h03": {{box: nest}}})
			require.Len(t, found, 1)
			require.Equal(t, c.severity, found[0].Severity)
			if c.severity == outyard.Note {
				require.LessOrEqual(t, found[0].Confidence, pauseConfidence)
			} else {
				require.Greater(t, found[0].Confidence, pauseConfidence)
			}
		})
	}
}

// Where no weather is known an empty box is told by how far it fell, alone or
// against the yard's other hives, and less surely.
func TestAColonyThatDiesWhereNoWeatherIsKnown(t *testing.T) {
	december := outyard.Date{Year: 2027, Month: time.December, Day: 1}
	dies, lives := []turn{{box: cluster}, {box: empty, from: 35}}, []turn{{box: cluster}}
	strong := func(outsideC float64) float64 { return outsideC + 0.7*(30-outsideC) }
	for _, c := range []struct {
		says        string
		weatherDays int
		meanC       float64
		hives       map[outyard.HiveID][]turn
		told        string // words of its summary; "" for no finding
	}{
		{"beside others it is told by them", 0, 4, map[outyard.HiveID][]turn{"h1": dies, "h2": lives, "h3": lives}, "K colder than in the yard's other hives"},
		{"alone by how far it fell", 0, 4, map[outyard.HiveID][]turn{"h1": {{box: strong}, {box: empty, from: 35}}}, "°C; it was"},
		{"a cluster that stays is none", 0, 4, map[outyard.HiveID][]turn{"h1": lives, "h2": lives}, ""},
		{"nor are two in a frost", 0, -6, map[outyard.HiveID][]turn{"h1": lives, "h2": {{box: strong}}}, ""},
		{"a weather node that gives up makes no difference to what is told", 42, 4, map[outyard.HiveID][]turn{"h1": dies, "h2": lives, "h3": lives}, "K colder than in the yard's other hives"},
	} {
		t.Run(c.says, func(t *testing.T) {
			found := watchedUntil(t, december, 50, c.weatherDays, c.meanC, c.hives)
			if c.told == "" {
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1)
			require.Equal(t, outyard.HiveID("h1"), found[0].Hive)
			require.Equal(t, string(Empty), found[0].Facts["state"])
			require.WithinDuration(t, december.Add(35).Start(zone), found[0].Onset, 24*time.Hour)
			require.Contains(t, found[0].Summary, c.told)
			require.Less(t, found[0].Confidence, 0.8)
		})
	}
}
