package honey

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

var nan, inf = math.NaN(), math.Inf(1)

func date(month time.Month, day int) outyard.Date {
	return outyard.Date{Year: 2027, Month: month, Day: day}
}

func same(t *testing.T, want, got, tolerance float64) {
	t.Helper()
	if math.IsNaN(want) && math.IsNaN(got) || want == got {
		return
	}
	if !(math.Abs(want-got) <= tolerance) {
		t.Fatalf("got %v, want %v ± %v", got, want, tolerance)
	}
}

func TestWaterByRefractometer(t *testing.T) {
	for _, c := range []struct {
		index, tempC, waterPct, tolerance float64
	}{
		// Chataway's table, IHC methods / AOAC 969.38, at 20 °C.
		{1.5044, 20, 13.0, 0.03}, {1.4992, 20, 15.0, 0.03}, {1.4940, 20, 17.0, 0.03}, {1.4915, 20, 18.0, 0.03},
		{1.4900, 20, 18.6, 0.03}, {1.4865, 20, 20.0, 0.03}, {1.4790, 20, 23.0, 0.03}, {1.4740, 20, 25.0, 0.03},
		// 0.00023 a degree, the same source: n20 1.49115 and 1.48885.
		{1.4900, 25, 18.14, 0.02}, {1.4900, 15, 19.05, 0.02},
		// No honey: water, glass, and what is not a number.
		{1.3330, 20, nan, 0}, {1.52, 20, nan, 0}, {nan, 20, nan, 0}, {1.49, nan, nan, 0}, {inf, 20, nan, 0},
	} {
		same(t, c.waterPct, WaterPct(c.index, c.tempC), c.tolerance)
	}
	for w := 13.0; w <= 25; w += 0.1 {
		same(t, w, WaterPct(IndexAt20C(w), 20), 1e-9)
	}
}

func TestARefractometersReadingIsNoted(t *testing.T) {
	for _, c := range []struct {
		name           string
		reading, tempC float64
		want           string
	}{
		// Chataway's table: 1.4940 is 17.0 %, 1.4900 18.6 %, 1.4865 20.0 %.
		{"an index", 1.4940, nan, "refractometer 1.494: 17.0 % water, ripe, and it keeps"},
		{"an index at its temperature", 1.4900, 25, "refractometer 1.49 at 25 °C: 18.1 % water, ripe; keep it cool and closed"},
		{"the same, colder", 1.4900, 15, "refractometer 1.49 at 15 °C: 19.0 % water, under the limit of 20 % (CXS 12-1981), but it may ferment"},
		{"too wet", 1.4840, 20, "refractometer 1.484 at 20 °C: 21.0 % water, too wet: over the limit of 20 % (CXS 12-1981; heather 23 %)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, err := Measure(c.reading, c.tempC)
			require.NoError(t, err)
			require.Equal(t, c.want, m.String())
			require.Equal(t, c.want+"; second super", m.Noted("second super"))
		})
	}
	// 81.3 Brix and 17.0 % of water are one reading, from memory of the double
	// scales that honey refractometers carry; good to 0.2 %.
	brix, err := Measure(81.3, nan)
	require.NoError(t, err)
	require.InDelta(t, 17.0, brix.WaterPct, 0.2)
	require.Contains(t, brix.String(), "81.3 Brix")
	for _, bad := range [][2]float64{{1.333, 20}, {0, 20}, {18, 20}, {99, 20}, {nan, 20}, {inf, 20}, {-inf, 20}, {1.49, 90}, {1.49, -20}} {
		_, err := Measure(bad[0], bad[1])
		require.Error(t, err, "%v", bad)
	}
}

func TestYeastsThatHoneyBears(t *testing.T) { // edges: handbook tables after Lochhead 1933
	for _, c := range []struct{ waterPct, perG float64 }{
		{15, inf}, {17.0, inf}, {17.1, 1000}, {18.0, 1000}, {18.1, 10}, {19.0, 10}, {19.1, 1}, {20.0, 1}, {20.1, 0}, {nan, nan},
	} {
		same(t, c.perG, SafeYeastsPerG(c.waterPct), 0)
	}
}

func TestDryingKeepsTheDryMatter(t *testing.T) {
	same(t, 19.515, Dried(20, 19.5, 17.5), 0.001) // dry-matter balance, by hand
}

func TestEquipmentFollowsTheJournal(t *testing.T) {
	at := func(day int) time.Time { return time.Date(2027, 6, day, 12, 0, 0, 0, time.UTC) }
	journal := []outyard.Entry{
		{Time: at(20), Hive: "h", Kind: outyard.HoneyTaken, Part: "medium-10"},
		{Time: at(1), Hive: "h", Kind: outyard.BoxOn, Part: "medium-10"},
		{Time: at(2), Hive: "other", Kind: outyard.BoxOn, Part: "deep-10"},
		{Time: at(3), Hive: "h", Kind: outyard.BoxOn, Part: "a crate"},
		{Time: at(4), Hive: "h", Kind: outyard.Visit, Part: "medium-10"},
	}
	configured := []outyard.Part{"floor", "deep-10", "inner-cover", "lid"}
	require.Equal(t, configured, Equipment("h", configured, nil, at(30)))
	require.Equal(t, []outyard.Part{"floor", "deep-10", "medium-10", "inner-cover", "lid"}, Equipment("h", configured, journal, at(10)))
	require.Equal(t, configured, Equipment("h", configured, journal, at(30)))
	require.Equal(t, []outyard.Part{"floor", "deep-10", "inner-cover", "lid"}, configured, "what was given is left alone")
}

func TestWorkThatNobodyWroteDown(t *testing.T) {
	june, october := date(time.June, 10), date(time.October, 5)
	three := []outyard.Part{"floor", "deep-10", "medium-10", "medium-10", "lid"}
	two := []outyard.Part{"floor", "deep-10", "medium-10", "lid"}
	one := []outyard.Part{"floor", "deep-10", "lid"}
	small := []outyard.Part{"floor", "deep-8", "lid"}
	for _, c := range []struct {
		name  string
		parts []outyard.Part
		work  work
		want  []outyard.Part
	}{
		{"in June 6.1 kg more is a medium box", one, work{kg: 6.1, date: june}, two},
		{"and so is a bit less, with foundation in place of comb", one, work{kg: 5.7, date: june}, two},
		{"8.4 kg more is a deep box", one, work{kg: 8.4, date: june}, []outyard.Part{"floor", "deep-10", "deep-10", "lid"}},
		{"12.3 kg more is two boxes", one, work{kg: 12.3, date: june}, three},
		{"on eight frames 5.2 kg more is a medium one", small, work{kg: 5.2, date: june}, []outyard.Part{"floor", "deep-8", "medium-8", "lid"}},
		{"in October 6.1 kg more is sugar", one, work{kg: 6.1, date: october}, one},
		{"unless the journal says that it was a box", one, work{kg: 6.1, date: october, box: true}, two},
		{"2 kg more is a feeder's syrup", one, work{kg: 2, date: june}, one},
		{"nor is it what feeds a hungry hive", one, work{kg: 6.1, date: date(time.May, 10), stores: Amount{3, 2}}, one},
		{"a stone goes from the lid", append(one, "brick"), work{kg: -2.4, date: june}, one},
		{"and comes back before the winter", one, work{kg: 2.6, date: october, stones: true}, append(one, "brick")},
		{"where stones are known to be laid", one, work{kg: 2.6, date: october}, one},
		{"in September 6.5 kg is an emptied super for the bees to lick dry", one, work{kg: 6.5, date: date(time.September, 10), back: true}, two},
		{"25 kg more is no box", one, work{kg: 25, date: june}, one},
		{"22 kg less is the super with its honey", two, work{kg: -22, date: october}, one},
		{"nobody takes the upper brood box off with the super", []outyard.Part{"floor", "deep-10", "deep-10", "medium-10", "lid"}, work{kg: -14.5, date: october},
			[]outyard.Part{"floor", "deep-10", "deep-10", "lid"}},
		{"29 kg less is more than one super holds", three, work{kg: -30, date: october, stores: Amount{50, 3}}, one},
		{"6 kg less is the super without", two, work{kg: -6.1, date: october}, one},
		{"36 kg less is two supers with their honey", three, work{kg: -36, date: october}, one},
		{"of two half-full supers 13 kg less is one", three, work{kg: -13, date: october, stores: Amount{31, 2}}, two},
		{"3 kg less is combs of a split", two, work{kg: -3.1, date: june}, two},
		{"the last box does not go", one, work{kg: -20, date: june}, one},
		{"60 kg less is no box", two, work{kg: -60, date: june}, two},
		{"parts that nobody named stay unnamed", nil, work{kg: 6.1, date: june}, nil},
		{"what is not known is nothing", one, work{kg: nan, date: june}, one},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.work.latitude = 48.8
			if c.work.stores == (Amount{}) {
				c.work.stores = unknown
			}
			g := guessWork(c.parts, c.work)
			require.Equal(t, c.want, g.parts)
			require.True(t, g.errorKg >= 0 && g.errorKg < 15, "%v", g.errorKg)
		})
	}
}

func TestHowLongStoresLast(t *testing.T) {
	// A hive that uses what the table says, so that it goes on to.
	usual := func(d outyard.Date, latitude float64) *needs {
		now := useKgPerDay.on(d, latitude)
		return needsOf(Amount{now, useError * now}, d, latitude, 1)
	}
	// Between the tropics the table is flat: the mean of its months, 0.1229.
	flat := usual(date(time.January, 1), 0)
	same(t, 73.2, flat.lasts(9), 0.1)
	same(t, yearDays, flat.lasts(100), 0)
	same(t, 0, flat.lasts(0), 0)
	same(t, 0, flat.lasts(-3), 0)

	winter, summer := usual(date(time.January, 15), 49).lasts(5), usual(date(time.June, 1), 49).lasts(5)
	require.Less(t, winter, 5/0.045, "brood begins before the stores are gone")
	require.Greater(t, summer, 5/0.22, "use falls off after midsummer")
	require.InDelta(t, useKgPerDay.on(date(time.January, 15), 49), useKgPerDay.on(date(time.July, 16), -49), 0.003, "the south's year is turned")

	// One that uses twice as much will for a month, and not for a year: over so
	// long its bees are others.
	double := needsOf(Amount{0.245, 0.03}, date(time.January, 1), 0, 1)
	require.InDelta(t, 10*0.245, double.kg[10], 0.25)
	require.InDelta(t, 365*0.1229+30*0.1221, double.kg[365], 0.1)
	require.InDelta(t, 0.03/0.245, double.errorShare(0), 1e-9)
	require.Greater(t, double.errorShare(365), 0.9*useError, "how colonies differ is not known of those to come")
}

// The bounds hold nine tenths of what may be: colonies drawn from the same
// errors as the bounds were made from.
func TestBoundsOfDaysLeftHoldNineInTen(t *testing.T) {
	draw := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name   string
		stores Amount
		use    Amount
		on     outyard.Date
	}{
		{"enough in autumn", Amount{16, 2}, Amount{0.11, 0.03}, date(time.September, 20)},
		{"little in spring", Amount{7, 2.5}, Amount{0.15, 0.05}, date(time.April, 10)},
		{"less than nothing, by the parts", Amount{0, 4}, Amount{0.07, 0.02}, date(time.October, 10)},
		{"well known", Amount{12, 1}, Amount{0.2, 0.08}, date(time.June, 1)},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := needsOf(c.use, c.on, 49, 1)
			l := n.lasting(c.stores, 3)
			var within, below, drawn float64
			for drawn < 4000 {
				kg := c.stores.Value + c.stores.Error*draw.NormFloat64()
				if kg < 0 {
					continue
				}
				drawn++
				z, days := draw.NormFloat64(), 0
				for days < yearDays && 3+n.kg[days+1]*math.Exp(z*n.errorShare(days+1)) <= kg {
					days++
				}
				switch {
				case float64(days) < l.LowDays-1:
					below++
				case float64(days) <= l.HighDays:
					within++
				}
			}
			require.InDelta(t, 0.9, within/drawn, 0.06, "%+v", l)
			require.Less(t, below/drawn, 0.08)
		})
	}
	same(t, nan, NewWatch(yard, twoDeeps, nil, DefaultSettings()).Lasts().Days, 0)
}

// A split is written as what it took, with or without a minus.
func TestASplitTakesBeesHoweverItIsWritten(t *testing.T) {
	after := func(kg float64) float64 {
		on := date(time.May, 20)
		w := NewWatch(yard, twoDeeps, []outyard.Entry{{Yard: yard.ID, Hive: "h01", Time: on.Start(pacific).Add(11 * time.Hour), Kind: outyard.Split, Kg: kg}}, DefaultSettings())
		w.Day(Day{Date: on, GrossKg: 50, HandledKg: nan, GainKg: 0})
		return w.StoresKg().Value
	}
	require.InDelta(t, after(-4), after(4), 1e-9)
	require.InDelta(t, splitShare*4, after(4)-after(0), 1e-9, "bees that are gone are honey that stayed, by the same weight")
}

func TestUseIsLearntFromDaysWithoutIncome(t *testing.T) {
	s := DefaultSettings()
	d := date(time.August, 15)
	usual := useKgPerDay.on(d, 49)
	require.Equal(t, usual, s.usePerDay(nil, d, 49, 1).Value)
	gains := make([]float64, 28)
	for i := range gains {
		gains[i] = -0.30 + 0.1*float64(i%3-1)
	}
	gains[11] = -0.9 // a cold day with the lid off
	own := s.usePerDay(gains, d, 49, 1)
	// 0.3 less the bees and brood that late summer takes, and some of the table.
	require.InDelta(t, 0.23, own.Value, 0.03)
	require.Less(t, own.Error, useError*usual)
	require.Greater(t, s.usePerDay(make([]float64, 28), d, 49, 1).Value, 0.3*usual, "water that stays in the hive hides use")
	// In spring a hive that keeps its weight turns honey into brood: by the
	// tables of bees and brood some 60 g a day.
	require.Greater(t, s.usePerDay(make([]float64, 28), date(time.May, 1), 49, 1).Value, 0.1)
}

var (
	pacific, _ = time.LoadLocation("America/Vancouver")
	yard       = outyard.Yard{ID: "heron-point", Latitude: 48.8, Zone: pacific}
	twoDeeps   = outyard.Hive{ID: "h01", Equipment: []outyard.Part{"floor", "deep-10", "deep-10", "inner-cover", "lid"}}
)

// grossKg is what a colony of the season's usual size weighs with so much
// honey, by the same tables as the Watch has: what is tested is what it makes
// of them, not the tables.
func grossKg(parts []outyard.Part, d outyard.Date, honeyKg float64) float64 {
	kg := honeyKg + beesKg.on(d, yard.Latitude) + broodKg.on(d, yard.Latitude) + woodWaterKg.on(d, yard.Latitude)
	for _, p := range parts {
		in, _ := p.Info()
		kg += in.EmptyKg
	}
	return kg
}

func TestStoresThatRunLowAreTold(t *testing.T) {
	w := NewWatch(yard, twoDeeps, nil, DefaultSettings())
	honey, from := 12.0, date(time.February, 1)
	var first outyard.Finding
	for i := range 80 {
		d := from.Add(i)
		honey -= 0.15
		w.Day(Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, honey), GainKg: -0.15, HandledKg: outyard.Unknown})
		sane(t, w)
		if found := w.Findings(); len(found) > 0 && first.Kind == "" {
			first = found[0]
			require.Equal(t, outyard.StoresLow, first.Kind)
			require.Equal(t, outyard.Soon, first.Severity)
			require.InDelta(t, 6.5, honey, 1.5, "some 3 kg above the reserve, at 0.15 kg a day")
			require.InDelta(t, honey, first.Fact("stores_kg"), 0.5)
			require.Contains(t, first.Summary, "last some 2")
		}
	}
	require.NotEmpty(t, first.Kind)
	last := w.Findings()
	require.Len(t, last, 1, "it is told once")
	require.Equal(t, outyard.Now, last[0].Severity)
	require.Greater(t, last[0].Confidence, first.Confidence)

	for i := range 20 { // sugar given
		d := from.Add(80 + i)
		w.Day(Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, 20), GainKg: 0, HandledKg: 0, Income: i < 6})
	}
	require.Equal(t, outyard.Over, w.Findings()[0].State)
	sane(t, w)
}

func TestStoresForTheWinter(t *testing.T) {
	for _, c := range []struct {
		name    string
		honeyKg float64
		low     bool
	}{
		{"10 kg in September will not last the winter", 10, true},
		{"30 kg will", 30, false}, // a wet mild coast wants some 30 kg
	} {
		t.Run(c.name, func(t *testing.T) {
			w := NewWatch(yard, twoDeeps, nil, DefaultSettings())
			for i := range 10 {
				d := date(time.September, 5).Add(i)
				w.Day(Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, c.honeyKg), GainKg: -0.1})
			}
			sane(t, w)
			require.Equal(t, c.low, len(w.Findings()) == 1)
			if c.low {
				require.Contains(t, w.Findings()[0].Summary, "will not last the winter")
				require.Contains(t, w.Findings()[0].Summary, "1 April")
			}
		})
	}
}

func TestRoomRunsOutInAFlow(t *testing.T) {
	on := time.Date(2027, time.June, 20, 17, 0, 0, 0, time.UTC)
	journal := []outyard.Entry{{Time: on, Yard: yard.ID, Hive: "h01", Kind: outyard.BoxOn, Part: "medium-10"},
		{Time: on.Add(time.Hour), Yard: yard.ID, Hive: "h01", Kind: outyard.BoxOn, Part: "medium-10"}}
	w := NewWatch(yard, twoDeeps, journal, DefaultSettings())
	honey := 9.0
	for i := range 30 {
		d := date(time.June, 1).Add(i)
		honey += 0.8
		parts := twoDeeps.Equipment
		if d.Day >= 20 {
			parts = append([]outyard.Part{"medium-10", "medium-10"}, parts...)
		}
		w.Day(Day{Date: d, GrossKg: grossKg(parts, d, honey), GainKg: 0.8, Income: true})
		sane(t, w)
		switch d.Day {
		case 2:
			require.Empty(t, w.Findings())
		case 12:
			found := w.Findings()
			require.Len(t, found, 1)
			require.Equal(t, outyard.RoomLow, found[0].Kind)
			require.Equal(t, outyard.Open, found[0].State)
			by, ok := w.SuperBy()
			require.True(t, ok)
			require.InDelta(t, 2, by.Sub(d), 2, "0.7 of 28.8 kg less the honey, at 0.8 kg a day")
		case 25:
			require.Equal(t, outyard.Over, w.Findings()[0].State, "two supers on the 20th")
			require.InDelta(t, honey, w.StoresKg().Value, 0.6, "and their wood is not taken for honey")
			require.False(t, w.Full())
		}
	}
}

func TestAFullHiveIsFull(t *testing.T) {
	w := NewWatch(yard, twoDeeps, nil, DefaultSettings())
	for i := range 5 {
		d := date(time.June, 1).Add(i)
		w.Day(Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, 28), GainKg: 0.1, Income: true})
	}
	require.True(t, w.Full())
	same(t, 0.8, w.RoomKg().Value, 0.6)
}

func TestWithoutEquipmentOnlyAHeftTells(t *testing.T) {
	w := NewWatch(yard, outyard.Hive{ID: "h01"}, nil, DefaultSettings())
	for i := range 20 {
		w.Day(Day{Date: date(time.January, 1).Add(i), GrossKg: 50 - 0.05*float64(i), GainKg: -0.05})
	}
	require.False(t, w.StoresKg().Known())
	require.Empty(t, w.Findings())
	on := NewWatch(yard, outyard.Hive{ID: "h01"}, []outyard.Entry{{Time: time.Date(2027, time.January, 5, 12, 0, 0, 0, pacific), Yard: yard.ID, Hive: "h01", Kind: outyard.BoxOn, Part: "medium-10"}}, DefaultSettings())
	for i := range 20 {
		on.Day(Day{Date: date(time.January, 1).Add(i), GrossKg: 50, GainKg: 0})
		require.False(t, on.StoresKg().Known(), "the box that came is not all of the hive")
	}
	w.Heft(10, 1)
	for i := range 20 {
		w.Day(Day{Date: date(time.January, 21).Add(i), GrossKg: 40, GainKg: -0.05})
	}
	require.InDelta(t, 9, w.StoresKg().Value, 1e-9)
	require.Greater(t, w.StoresKg().Error, 1.0)
	sane(t, w)
}

func TestABoxPutOnAHiveOfWhichNothingIsKnownLeavesItUnknown(t *testing.T) {
	on := date(time.June, 8).Start(time.UTC).Add(17 * time.Hour)
	for _, c := range []struct {
		says    string
		hive    outyard.Hive
		journal []outyard.Entry
		known   bool
	}{
		{"a super on boxes that nobody named is not the whole hive", outyard.Hive{ID: "h01"},
			[]outyard.Entry{{Time: on, Yard: yard.ID, Hive: "h01", Kind: outyard.BoxOn, Part: "medium-10"}}, false},
		{"nor are two", outyard.Hive{ID: "h01"},
			[]outyard.Entry{{Time: on, Yard: yard.ID, Hive: "h01", Kind: outyard.BoxOn, Part: "medium-10"},
				{Time: on.Add(time.Minute), Yard: yard.ID, Hive: "h01", Kind: outyard.BoxOn, Part: "medium-10"}}, false},
		{"on boxes that were named it is one more", twoDeeps,
			[]outyard.Entry{{Time: on, Yard: yard.ID, Hive: "h01", Kind: outyard.BoxOn, Part: "medium-10"}}, true},
	} {
		t.Run(c.says, func(t *testing.T) {
			w := NewWatch(yard, c.hive, c.journal, DefaultSettings())
			for i := range 20 { // all within what a single box, too, may weigh with a colony in it
				w.Day(Day{Date: date(time.June, 1).Add(i), GrossKg: 28 + 0.5*float64(i), GainKg: 0.5, Income: true})
				sane(t, w)
			}
			require.Equal(t, c.known, w.RoomKg().Known())
			if !c.known {
				require.False(t, w.StoresKg().Known())
				require.Empty(t, w.Findings(), "a super is not called for where the room is not known")
			}
		})
	}
}

func TestACopyGoesItsOwnWay(t *testing.T) {
	w := NewWatch(yard, twoDeeps, nil, DefaultSettings())
	for i := range 30 {
		d := date(time.March, 1).Add(i)
		w.Day(Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, 5), GainKg: -0.1})
	}
	before := w.Findings()
	require.NotEmpty(t, before)
	c := w.Clone()
	for i := range 30 {
		d := date(time.March, 31).Add(i)
		c.Day(Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, 25), GainKg: 1, HandledKg: 6.1})
	}
	require.Equal(t, before, w.Findings())
	require.Equal(t, twoDeeps.Equipment, w.Parts())
}

func TestNoInputIsTooBad(t *testing.T) {
	for _, c := range []struct {
		name string
		day  Day
	}{
		{"nothing known", Day{GrossKg: nan, GainKg: nan, HandledKg: nan}},
		{"all nought", Day{}},
		{"infinities", Day{GrossKg: inf, GainKg: -inf, HandledKg: inf}},
		{"huge", Day{GrossKg: 1e300, GainKg: 1e300, HandledKg: -1e300, Income: true}},
		{"lighter than its wood", Day{GrossKg: 3, GainKg: -0.1}},
		{"equal days of income", Day{GrossKg: 60, GainKg: 1, Income: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, gap := range []int{1, 25} {
				w := NewWatch(outyard.Yard{ID: "y"}, twoDeeps, nil, DefaultSettings())
				sane(t, w)
				for i := range 60 {
					c.day.Date = date(time.January, 1).Add(gap * i)
					w.Day(c.day)
					w.Day(c.day) // the same day again changes nothing
					sane(t, w)
				}
			}
		})
	}
}

func sane(t *testing.T, w *Watch) {
	t.Helper()
	if s := w.StoresKg(); s.Known() {
		require.True(t, s.Value >= 0 && s.Value < 80 && s.Error > 0, "stores %+v", s)
		l := w.Lasts()
		require.True(t, l.LowDays <= l.Days && l.Days <= l.HighDays, "%+v", l)
	}
	for _, f := range w.Findings() {
		require.NotContains(t, f.Summary, "NaN")
		require.NotContains(t, f.Summary, "Inf")
		require.True(t, f.Confidence >= 0 && f.Confidence <= 1)
		require.Equal(t, f.State == outyard.Over, !f.End.IsZero())
		require.NotEmpty(t, f.Advice)
		b, err := json.Marshal(f)
		require.NoError(t, err)
		require.NotContains(t, string(b), "NaN")
	}
}

func TestRipeness(t *testing.T) {
	during := []float64{0.4, 0.6, 0.5, 0.7, 0.3}
	for _, c := range []struct {
		name   string
		during []float64
		after  []float64
		likely bool
	}{
		{"quiet nights after loud ones are worth a look", during, []float64{0.5, 0.4, 0.3, 0.2, 0.15, 0.12, 0.1}, true},
		{"loud nights are not", during, []float64{0.5, 0.45, 0.4, 0.45}, false},
		{"one quiet night is not", during, []float64{0.1}, false},
		{"nights that nobody saw are not", during, []float64{nan, nan, nan, nan}, false},
		{"a flow whose nights were quiet tells nothing", []float64{0.1, 0.1}, []float64{0.05, 0.05, 0.05}, false},
		{"no flow tells nothing", nil, []float64{0.1, 0.1, 0.1}, false},
		{"gaps are no matter", during, []float64{0.5, nan, 0.2, 0.1, nan, 0.1, 0.1}, true},
	} {
		t.Run(c.name, func(t *testing.T) { require.Equal(t, c.likely, Ripe(c.during, c.after).Likely) })
	}
	require.Less(t, Ripe(during, []float64{0.5, 0.4, 0.3, 0.2, 0.15, 0.12, 0.1}).Falling, 0.01)
}

func TestNightsOfALaterFlowAreItsOwn(t *testing.T) {
	var n Nights
	for range 20 {
		n.Next(0.6, true)
	}
	require.False(t, n.Ripe().Likely)
	for range 6 {
		n.Next(nan, false) // nobody saw them
		n.Next(0.1, false)
	}
	require.True(t, n.Ripe().Likely)
	n.Next(0.7, true)
	require.False(t, n.Ripe().Likely)
}

func TestAStoneOnTheLidIsNoHoney(t *testing.T) {
	stone, _ := outyard.Part("brick").Info()
	hive := twoDeeps
	hive.Equipment = append(slices.Clone(twoDeeps.Equipment), "brick")
	for _, c := range []struct {
		name    string
		journal []outyard.Entry
	}{
		{"as the journal tells", []outyard.Entry{
			{Kind: outyard.Visit, Kg: -stone.EmptyKg, Time: time.Date(2027, time.April, 10, 12, 0, 0, 0, pacific)},
			{Kind: outyard.Visit, Kg: stone.EmptyKg, Time: time.Date(2027, time.October, 20, 12, 0, 0, 0, pacific)}}},
		{"as the scale shows", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for i := range c.journal {
				c.journal[i].Yard, c.journal[i].Hive = yard.ID, "h01"
			}
			w := NewWatch(yard, hive, c.journal, DefaultSettings())
			for d := date(time.April, 1); d.Before(date(time.November, 10)); d = d.Add(1) {
				day := Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, 20)}
				if d.Before(date(time.April, 10)) || !d.Before(date(time.October, 20)) {
					day.GrossKg += stone.EmptyKg
				}
				switch d {
				case date(time.April, 10):
					day.HandledKg = -stone.EmptyKg
				case date(time.October, 20):
					day.HandledKg = stone.EmptyKg
				}
				w.Day(day)
				require.InDelta(t, 20, w.StoresKg().Value, 0.5, "%s", d)
			}
		})
	}
}

func TestWaterOnAHiveIsCountedOnce(t *testing.T) {
	w := NewWatch(yard, twoDeeps, nil, DefaultSettings())
	for i := range 20 {
		d := date(time.December, 1).Add(i)
		day := Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, 20), WaterKg: 0.4} // the season's dampness, seen coming in part
		if i >= 10 {                                                                   // 2 kg of snow, 1.6 kg of it more than that
			day.WaterKg = 2
			day.GrossKg += day.WaterKg - woodWaterKg.on(d, yard.Latitude)
		}
		w.Day(day)
		require.InDelta(t, 20, w.StoresKg().Value, 0.1, "%s", d)
	}
}

func TestStoresWhileBoxesComeAndGo(t *testing.T) {
	june := func(day int) time.Time { return time.Date(2027, time.June, day, 12, 0, 0, 0, pacific) }
	super := append([]outyard.Part{"medium-10"}, twoDeeps.Equipment...)
	for _, c := range []struct {
		name      string
		journal   []outyard.Entry
		parts     []outyard.Part // from the tenth on
		asideKg   float64        // stone, or a scale set anew, from then on
		handledKg float64        // on the tenth
		honeyKg   float64        // from the tenth on
		assumed   string
	}{
		{"a super that nobody wrote down is recognised, and said", nil, super, 0, 6.1, 14, "10 June: +6.1 kg taken for a box (medium-10) put on"},
		{"a super that was written down is believed", []outyard.Entry{{Time: june(10), Kind: outyard.BoxOn, Part: "medium-10", Kg: nan}}, super, 0, 6.1, 14, ""},
		{"6 kg of syrup by the journal are no box", []outyard.Entry{{Time: june(10), Kind: outyard.Fed, Kg: 6}}, twoDeeps.Equipment, 0, 6, 20, ""},
		{"a stone by the journal is no honey", []outyard.Entry{{Time: june(10), Kind: outyard.Visit, Kg: 2.5}}, twoDeeps.Equipment, 2.5, 2.5, 14, ""},
		{"a scale that is set anew finds no honey", []outyard.Entry{{Time: june(10), Kind: outyard.ScaleSet, Kg: nan}}, twoDeeps.Equipment, 4, 4, 14, ""},
		{"a swarm takes bees along and little honey", nil, twoDeeps.Equipment, 0, 0, 13.1, ""},
		{"combs of a split take honey along", nil, twoDeeps.Equipment, 0, -3, 11, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			for i := range c.journal {
				c.journal[i].Yard, c.journal[i].Hive = yard.ID, "h01"
			}
			w := NewWatch(yard, twoDeeps, c.journal, DefaultSettings())
			for i := range 20 {
				d := date(time.June, 1).Add(i)
				day := Day{Date: d, GrossKg: grossKg(twoDeeps.Equipment, d, 14), GainKg: 0}
				if d.Day >= 10 {
					day.GrossKg = grossKg(c.parts, d, c.honeyKg) + c.asideKg
				}
				if d.Day == 10 {
					day.HandledKg = c.handledKg
				}
				if c.honeyKg == 13.1 && d.Day >= 10 { // a swarm of 3 kg: 0.9 kg of it is honey
					day.GrossKg -= 2.1
					if d.Day == 10 {
						day.SwarmKg, day.GainKg = 3, -3
					}
				}
				w.Day(day)
				sane(t, w)
				if day.SwarmKg > 0 || d.Day == 10 && c.handledKg != 0 {
					require.InDelta(t, c.honeyKg, w.StoresKg().Value, 0.5, "on the very day")
				}
			}
			require.InDelta(t, c.honeyKg, w.StoresKg().Value, 0.5)
			if c.assumed == "" {
				require.Empty(t, w.assumptions())
				return
			}
			require.Equal(t, []string{c.assumed}, w.assumptions())
			require.Greater(t, w.StoresKg().Error, 2.0, "and it makes the stores less sure")
		})
	}
}
