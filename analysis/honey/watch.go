package honey

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"outyard"
	"outyard/analysis/robust"
)

// A Day is what is known of a hive's day. NaN where it is not.
type Day struct {
	Date      outyard.Date
	GrossKg   float64 // at the day's end, all bees at home
	WaterKg   float64 // of it, seen to have come as rain, dew or snow and not to have dried
	GainKg    float64 // the colony's own change
	SwarmKg   float64 // what left as a swarm, bees and the honey in them
	HandledKg float64 // what the keeper put on or took off
	Income    bool    // there was a flow, or sugar in the feeder
}

// A Watch follows one hive's stores and room, day by day. What it says depends
// on the days and the journal alone.
type Watch struct {
	yard    outyard.Yard
	hive    outyard.Hive
	journal []outyard.Entry // of this hive, by time
	set     Settings

	parts   []outyard.Part
	entries int // of the journal that parts know of
	boxes   boxes
	assumed []assumption
	// What else stands on the scale, by the journal: a stone, a jump of the
	// scale's zero; and the standard error of what was guessed, kg.
	asideKg, unsureKg float64
	stones            bool // she lays them on lids: one was named, or seen
	// When a box was last taken off.
	tookBox bool
	tookOn  outyard.Date
	// Bees and brood that left the colony and have not grown again, kg.
	awayKg float64

	last    outyard.Date
	began   bool
	seen    outyard.Date   // of the latest stores
	raw     *robust.Window // what is left of the weight for stores, less gained
	gained  float64        // kg since the first day
	stores  Amount
	anchor  Amount    // stores known by other means than the parts
	resting []float64 // gains of the latest days without income
	income  *robust.Window
	flowing bool

	low, room spells
}

// NewWatch returns a watch that has seen nothing yet.
func NewWatch(yard outyard.Yard, hive outyard.Hive, journal []outyard.Entry, set Settings) *Watch {
	w := &Watch{yard: yard, hive: hive, set: set, parts: slices.Clone(hive.Equipment), stores: unknown, anchor: unknown,
		raw: robust.NewWindow(3), income: robust.NewWindow(5)}
	for _, e := range journal {
		if e.Yard == yard.ID && (e.Hive == hive.ID || e.Hive == "" && e.Part == "") {
			w.journal = append(w.journal, e)
		}
	}
	slices.SortStableFunc(w.journal, func(a, b outyard.Entry) int { return a.Time.Compare(b.Time) })
	w.boxes = boxesOf(w.parts, set.PartError)
	w.stones = slices.Contains(w.parts, stone)
	return w
}

// Clone returns a copy that goes its own way from here.
func (w *Watch) Clone() *Watch {
	c := *w
	c.parts, c.assumed = slices.Clone(w.parts), slices.Clone(w.assumed)
	c.resting = slices.Clone(w.resting)
	c.raw, c.income = w.raw.Clone(), w.income.Clone()
	c.low, c.room = slices.Clone(w.low), slices.Clone(w.room)
	return &c
}

// Heft takes what stores were found to be by other means, such as a look at
// the combs: from here on they are counted on from that, whatever the parts
// say. It is good to about errorKg.
func (w *Watch) Heft(storesKg, errorKg float64) {
	w.anchor = Amount{storesKg, errorKg}
	w.stores, w.seen = w.anchor, w.last
}

// staleDays is for how long stores are said to be what they were when last
// seen.
const staleDays = 10

// Day takes the next day.
func (w *Watch) Day(d Day) {
	if w.began && !w.last.Before(d.Date) {
		return // a day that is past is changed by a new Watch
	}
	if !w.began {
		w.began, w.seen = true, d.Date
	}
	w.awayKg *= math.Pow(1-1.0/growsDays, float64(max(1, d.Date.Sub(w.last))))
	if d.SwarmKg > 0 {
		w.awayKg += beesShare * d.SwarmKg
	}
	w.last = d.Date
	w.equip(d)
	w.weigh(d)
	w.rest(d)
	w.flowing = d.Income
	w.judge()
}

// equip brings the parts up to the day's end. Of a hive whose boxes nobody
// named, those that come later are not all: its parts stay unknown.
func (w *Watch) equip(d Day) {
	if topBox(w.hive.Equipment) < 0 {
		return
	}
	end := d.Date.Add(1).Start(zoneOf(w.yard))
	var told, box, took, changed bool
	for w.entries < len(w.journal) && w.journal[w.entries].Time.Before(end) {
		e := w.journal[w.entries]
		w.entries++
		_, part := outyard.Part(e.Part).Info()
		took = took || e.Kind == outyard.HoneyTaken || e.Kind == outyard.BoxOff
		ofBox := e.Kind == outyard.BoxOn || e.Kind == outyard.BoxOff || e.Kind == outyard.HoneyTaken
		switch {
		case part:
			w.parts = Equipment(w.hive.ID, w.parts, []outyard.Entry{e}, end)
			told, changed = true, true
		case ofBox:
			box = true
		case e.Kind == outyard.ScaleSet:
			// What the scale shows has jumped, what is in the hive has not. That
			// it was right before is as likely as that it is right now.
			if jump := orElse(d.HandledKg, e.Kg); outyard.Known(jump) {
				w.asideKg += jump
				w.unsureKg = math.Hypot(w.unsureKg, jump/2)
			}
			told, changed = true, true
		case e.Kind == outyard.Visit && math.Abs(e.Kg) <= stoneMostKg:
			w.weighDown(e.Kg)
			told, changed = true, true
		case e.Kind == outyard.Split:
			// By hand it is written as taken or as how much, below nought or above.
			w.awayKg += splitShare * max(0, orElse(-d.HandledKg, math.Abs(orElse(e.Kg, 0))))
			told = true // combs and bees are no boxes
		case e.Kind == outyard.Fed, e.Kind == outyard.SwarmTaken:
			told = true // nor is sugar
		}
	}
	boxesBefore := countBoxes(w.parts)
	if !told && outyard.Known(d.HandledKg) {
		g := guessWork(w.parts, work{kg: d.HandledKg, date: d.Date, latitude: w.yard.Latitude, stores: w.stores, flowing: w.flowing, box: box, stones: w.stones,
			back: w.tookBox && d.Date.Sub(w.tookOn) <= wetDays})
		if g.what != "" {
			w.assumed = append(w.assumed, assumption{d.Date, d.HandledKg, g.what})
			w.assumed = w.assumed[max(0, len(w.assumed)-keepAssumptions):]
		}
		changed = changed || g.what != "" || math.Abs(d.HandledKg) > leastWorkKg
		w.parts, w.unsureKg = g.parts, math.Hypot(w.unsureKg, g.errorKg)
	}
	if countBoxes(w.parts) < boxesBefore || took {
		w.tookBox, w.tookOn = true, d.Date
	}
	switch {
	case changed:
		w.boxes = boxesOf(w.parts, w.set.PartError)
		w.raw.Reset()
	case outyard.Known(d.HandledKg):
		w.gained += d.HandledKg // sugar, combs: in the stores at once
	}
}

// wetDays is within how many days emptied boxes come back, for bees to lick
// them dry (common practice, no source).
const wetDays = 7

// weighDown notes a stone on the lid and, below nought, its going: what the
// journal put there goes first, then the one that the config names.
func (w *Watch) weighDown(kg float64) {
	if kg >= 0 {
		w.asideKg += kg
		return
	}
	off := min(max(w.asideKg, 0), -kg)
	w.asideKg -= off
	if in, _ := stone.Info(); -kg-off > in.EmptyKg/2 {
		w.parts = takeOff(w.parts, stone)
	}
}

// stone is what keeps a lid down, and stoneMostKg the most that a keeper lays
// on one, or forgets there.
const stone, stoneMostKg = outyard.Part("brick"), 5

// assumptions are what the stores rest on that nobody wrote down.
func (w *Watch) assumptions() []string {
	out := make([]string, len(w.assumed))
	for i, a := range w.assumed {
		out[i] = a.String()
	}
	return out
}

func orElse(x, otherwise float64) float64 {
	if outyard.Known(x) {
		return x
	}
	return otherwise
}

// weigh finds the stores at the day's end.
func (w *Watch) weigh(d Day) {
	if w.anchor.Known() {
		if outyard.Known(d.GainKg) {
			w.stores.Value = max(0, w.stores.Value+d.GainKg)
			w.stores.Error = math.Hypot(w.stores.Error, countError)
			w.seen = d.Date
		}
		return
	}
	if !w.boxes.known {
		return
	}
	// The median of three days keeps rain on the lid out; the days' gains are
	// put aside, so that it does not lag behind a flow.
	if math.Abs(d.GainKg) < wildKg {
		w.gained += d.GainKg + beesShare*max(0, orElse(d.SwarmKg, 0))
	} else {
		w.raw.Reset() // what came meanwhile is not known
	}
	if d.Date.Sub(w.seen) > staleDays {
		w.stores = unknown
	}
	if !outyard.Known(d.GrossKg) {
		return
	}
	colony := colonyKg(d.Date, w.yard.Latitude, w.boxes.size())
	colony -= min(w.awayKg, mostAway*colony)
	// What the season's air puts into the wood is in what was seen of rain, or
	// more than that.
	waterKg := max(woodWaterKg.on(d.Date, w.yard.Latitude), orElse(d.WaterKg, 0))
	raw := d.GrossKg - w.boxes.tare.Value - w.asideKg - colony - waterKg
	errorKg := math.Sqrt(math.Pow(w.boxes.tare.Error, 2) + math.Pow(colonyError*colony, 2) + math.Pow(w.set.WaterKg, 2) + math.Pow(w.unsureKg, 2))
	if holdsKg := w.boxes.supers + w.boxes.nest; raw < -unbelievable*errorKg || raw > holdsKg+unbelievable*errorKg {
		return // it lies beside its scale, the scale is wrong, or there are boxes that nobody named
	}
	w.raw.Push(raw - w.gained)
	w.stores = Amount{min(max(w.raw.Median()+w.gained, 0), w.boxes.supers+w.boxes.nest), errorKg}
	w.seen = d.Date
}

const (
	// Of a swarm's weight a quarter to a third is honey (from memory); of the
	// combs of a split about a quarter (common practice, no source).
	beesShare, splitShare = 0.7, 0.75
	// Its young queen's bees fly some seven weeks after a swarm (from memory: four
	// until she lays, three until they emerge).
	growsDays = 50
	// So much of it is gone at most: mean of a prime swarm, of the workers (Rangel
	// & Seeley 2012, Insect. Soc. 59:453).
	mostAway = 0.75
)

// unbelievable is how many errors less than no stores at all, or more than its
// boxes hold, a weight may be.
const unbelievable = 2.5

// wildKg is a gain in a day that no colony makes.
const wildKg = 15

// countError is by how much counted-on stores grow unsure in a day, kg.
const countError = 0.08

// rest remembers days that tell of use, and others that tell of income.
func (w *Watch) rest(d Day) {
	if !outyard.Known(d.GainKg) {
		return
	}
	if d.Income {
		w.income.Push(d.GainKg)
		return
	}
	w.income.Reset()
	if d.GainKg > restGainKg || d.GainKg < -restLossKg {
		return // a trickle of nectar; a swarm, robbers
	}
	w.resting = append(w.resting, d.GainKg)
	w.resting = w.resting[max(0, len(w.resting)-w.set.UseDays):]
}

// Gains outside these are no use of stores, kg a day.
const restGainKg, restLossKg = 0.25, 0.9

// StoresKg is what the hive has, at the end of the latest day.
func (w *Watch) StoresKg() Amount { return w.stores }

// UseKgPerDay is what it uses a day, were nothing to come in.
func (w *Watch) UseKgPerDay() Amount {
	if !w.began {
		return unknown
	}
	return w.set.usePerDay(w.resting, w.last, w.yard.Latitude, w.size())
}

func (w *Watch) size() float64 {
	if !w.boxes.known {
		return 1
	}
	return w.boxes.size()
}

// Lasts is for how many days the stores feed the hive.
func (w *Watch) Lasts() Lasting {
	if !w.began || !w.stores.Known() {
		return Lasting{outyard.Unknown, outyard.Unknown, outyard.Unknown}
	}
	return w.needs(w.UseKgPerDay()).lasting(w.stores, w.set.ReserveKg)
}

func (w *Watch) needs(use Amount) *needs {
	return needsOf(use, w.last, w.yard.Latitude, w.size())
}

// Parts are what stands on the scale, as far as is known.
func (w *Watch) Parts() []outyard.Part { return slices.Clone(w.parts) }

// RoomKg is how much more honey the boxes take, with the error of the stores.
func (w *Watch) RoomKg() Amount {
	if !w.boxes.known || !w.stores.Known() {
		return unknown
	}
	return Amount{max(0, w.boxes.roomKg(w.last, w.yard.Latitude)-w.stores.Value), w.stores.Error}
}

// Full says that the boxes can hardly take more: that such a hive gains
// nothing says nothing of the flow.
func (w *Watch) Full() bool {
	const full = 0.85
	return w.boxes.known && w.stores.Known() && w.stores.Value >= full*w.boxes.roomKg(w.last, w.yard.Latitude)
}

// SuperBy is the date by which a super must be on, at the gain of the latest
// days; ok is false when nothing comes in, or nothing is known.
func (w *Watch) SuperBy() (by outyard.Date, ok bool) {
	gain := robust.HuberMean(incomeOf(w.income))
	if !w.flowing || !w.RoomKg().Known() || !(gain >= w.set.RoomGainKg) {
		return outyard.Date{}, false
	}
	days := (w.set.FullShare*w.boxes.roomKg(w.last, w.yard.Latitude) - w.stores.Value) / gain
	return w.last.Add(int(math.Floor(min(max(days, 0), yearDays)))), true
}

func incomeOf(w *robust.Window) []float64 {
	gains := make([]float64, w.Len())
	for i := range gains {
		gains[i] = w.At(i)
	}
	return gains
}

// surely is the chance that what is short by shortKg, give or take errorKg, is
// short at all.
func surely(shortKg, errorKg float64) float64 {
	if !(errorKg > 0) {
		return 0.5
	}
	return distuv.UnitNormal.CDF(shortKg / errorKg)
}

func zoneOf(y outyard.Yard) *time.Location {
	if y.Zone == nil {
		return time.UTC
	}
	return y.Zone
}
