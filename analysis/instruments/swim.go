package instruments

import (
	"cmp"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// SwimSettings are the thresholds by which a scale's zero is taken to move
// (common practice, no source). They go by the nights, in which bees bring
// nothing and lose slowly: a hive that becomes heavier by night in the dry, or
// lighter than its neighbours in the rain, has a scale that does so.
type SwimSettings struct {
	// RiseKg, 0.1 kg: what a sound scale may show of wandering, dew and wind
	// within a night, from its lowest to a later hour.
	RiseKg float64
	// UsualNights, 14, whose lower quartile a rise must exceed by as much: wood
	// that takes up the night's moisture and a stretched gauge do so every night,
	// a zero that moves does not.
	UsualNights int
	// FallKg, 0.2 kg: by how much more than the yard's middle a hive may fall
	// within a wet night, as strong colonies use more and wood differs.
	FallKg float64
	// AloneKg, 0.1 kg: how much more is asked where there is no other hive, and
	// SnowC, 2 °C: in colder nights a rise there may be snow, which no gauge shows.
	AloneKg, SnowC float64
	// WetKg, 0.06 kg, and WetMm, 0.4 mm: a night in which the others become so
	// much heavier, or that brings so much rain, is a wet one.
	WetKg, WetMm float64
	// EnoughKg, 0.4 kg: how much beyond that the last Nights, 6, must have
	// brought together, on two of them at least MarkKg, 0.08 kg.
	EnoughKg, MarkKg float64
	Nights           int
	// CalmNights, 10: so many nights of which something is known, without a
	// mark, end it: water in a plug comes and goes.
	CalmNights int

	// WarmNights, 14, of which 8 must be known: over which a scale's change by
	// night is held against that of the warmth. PerK, 0.05 kg/K, is more than a
	// sound scale errs by, and Share, 0.65, how much of what it does must be the
	// warmth's.
	WarmNights int
	PerK       float64
	Share      float64
	// DryingKg, 0.12 kg: nights in which the others lose more are those of a
	// flow, when strong colonies lose the more the warmer the day was.
	DryingKg float64
}

func defaultSwimSettings() SwimSettings {
	return SwimSettings{RiseKg: 0.1, UsualNights: 14, FallKg: 0.2, AloneKg: 0.1, SnowC: 2, WetKg: 0.06, WetMm: 0.4, EnoughKg: 0.4, MarkKg: 0.08, Nights: 6, CalmNights: 10,
		WarmNights: 14, PerK: 0.05, Share: 0.65, DryingKg: 0.12}
}

// A HiveNight is what a hive weighed from hour to hour of a night, kg; NaN
// where not known.
type HiveNight struct {
	Hive outyard.HiveID
	Kg   []float64
}

// nights is how a scale behaved by night of late, oldest first.
type nights struct {
	risesKg  []float64 // by which it became heavier in the dry; NaN where not known
	fallsKg  []float64 // by which it became lighter in the wet, beyond what a sound one does
	changeKg []float64 // by which it changed more than the others; NaN where that says nothing
	warmedK  []float64 // by which the air did
}

// A NightAir is what the air did by night: the rain, by how much it warmed, and
// how cold it was at the colder end; NaN where not known.
type NightAir struct{ RainMm, WarmedK, ColdestC float64 }

// Night closes the night that ended on a date, by what the yard's hives
// weighed. Whether a fault began or ended is the result.
func (f *Faults) Night(date outyard.Date, hives []HiveNight, air NightAir) (changed bool) {
	for _, n := range f.nodes {
		s := n.of[outyard.Weight]
		if s == nil {
			continue
		}
		rise, fall, change, net := f.set.Swim.judge(n.hive, hives, air)
		n.risesKg = append(lastOf(n.risesKg, f.set.Swim.UsualNights-1), rise)
		n.fallsKg = append(lastOf(n.fallsKg, f.set.Swim.Nights-1), fall)
		n.changeKg = append(lastOf(n.changeKg, f.set.Swim.WarmNights-1), change)
		n.warmedK = append(lastOf(n.warmedK, f.set.Swim.WarmNights-1), air.WarmedK)
		hours := f.hoursOf(n.hive, hives)
		n.nightKg = append(lastOf(n.nightKg, f.set.Creep.LookBack+f.set.Creep.UsualNights-1), change*24/hours)
		n.aloneKg = append(lastOf(n.aloneKg, f.set.Creep.LookBack-1), net)
		changed = f.swims(n, s, date) || changed
	}
	return changed
}

// judge is by how much a hive became heavier in a dry night, or lighter in a
// wet one beyond what a sound scale shows, by how much it changed more than the
// others, and by how much it did itself; NaN where nothing is known.
func (set SwimSettings) judge(hive outyard.HiveID, hives []HiveNight, air NightAir) (riseKg, fallKg, changeKg, netKg float64) {
	fallKg, netKg = outyard.Unknown, outyard.Unknown
	up, down := outyard.Unknown, outyard.Unknown
	var ups, downs, nets []float64
	for _, h := range hives {
		u, d, c := swings(h.Kg)
		switch {
		case h.Hive == hive:
			up, down, netKg = u, d, c
		case outyard.Known(u):
			ups, downs, nets = append(ups, u), append(downs, d), append(nets, c)
		}
	}
	alone := len(ups) == 0
	switch {
	case !outyard.Known(up), alone && (!outyard.Known(air.RainMm) || air.ColdestC < set.SnowC):
		return outyard.Unknown, outyard.Unknown, outyard.Unknown, outyard.Unknown
	case robust.Median(ups) > set.WetKg || air.RainMm >= set.WetMm:
		if !alone {
			fallKg = max(0, down-robust.Median(downs)-set.FallKg)
		}
		return outyard.Unknown, fallKg, outyard.Unknown, outyard.Unknown
	case alone:
		return max(0, up-set.AloneKg), 0, netKg, netKg
	}
	changeKg = netKg - robust.Median(nets)
	if robust.Median(nets) < -set.DryingKg {
		changeKg = outyard.Unknown
	}
	return up, 0, changeKg, netKg
}

// marks are how far the newest nights were from those of a sound scale, kg; NaN
// where nothing is known.
func (n *nights) marks(set SwimSettings) []float64 {
	share := 0.25
	if robust.Count(n.risesKg) < set.UsualNights/2+1 {
		share = 0 // so few may all be of a zero that moves
	}
	usualKg := robust.Quantile(share, n.risesKg)
	kg := slices.Clone(n.fallsKg)
	for i, rise := range lastOf(n.risesKg, len(kg)) {
		if outyard.Known(rise) {
			kg[i] = max(0, rise-set.RiseKg-usualKg)
		}
	}
	return kg
}

// hoursOf is over how many hours a hive's night is known.
func (f *Faults) hoursOf(hive outyard.HiveID, hives []HiveNight) float64 {
	for _, h := range hives {
		if h.Hive != hive {
			continue
		}
		known := func(kg float64) bool { return outyard.Known(kg) }
		first, last := slices.IndexFunc(h.Kg, known), len(h.Kg)-1
		for last > first && !known(h.Kg[last]) {
			last--
		}
		return float64(last - first)
	}
	return outyard.Unknown
}

// swings is the greatest rise and the greatest fall of a night, and what is
// left of them by its end; NaN where too little is known.
func swings(kg []float64) (up, down, net float64) {
	if robust.Count(kg) < max(3, len(kg)/2) {
		return outyard.Unknown, outyard.Unknown, outyard.Unknown
	}
	first, low, high := outyard.Unknown, outyard.Unknown, outyard.Unknown
	for _, v := range kg {
		if !outyard.Known(v) {
			continue
		}
		if !outyard.Known(first) {
			first, low, high = v, v, v
		}
		low, high = min(low, v), max(high, v)
		up, down, net = max(up, v-low), max(down, high-v), v-first
	}
	return up, down, net
}

func (f *Faults) swims(n *sensors, s *sensor, date outyard.Date) bool {
	set := f.set.Swim
	open := s.open()
	kgPerK, share := followsWarmth(n.changeKg, n.warmedK, set.WarmNights/2+1)
	follows := math.Abs(kgPerK) >= set.PerK && share >= set.Share
	sum, marks, first := 0.0, 0, -1
	marksKg := n.marks(set)
	for i, kg := range marksKg {
		if !(kg > 0) {
			continue
		}
		sum += kg
		if kg >= set.MarkKg {
			if marks++; first < 0 {
				first = i
			}
		}
	}
	swims := marks >= 2 && sum >= set.EnoughKg
	switch {
	case open == nil && swims:
		s.past = append(s.past, &fault{lie: swimming, onset: f.nightBefore(date, len(marksKg)-1-first), value: sum, sure: 0.85})
		return true
	case open == nil && follows: // for about half of the nights that show it
		s.past = append(s.past, &fault{lie: warming, onset: f.nightBefore(date, len(n.warmedK)/2), value: kgPerK, sure: 0.75})
		return true
	case open == nil:
		return false
	case open.lie == warming && follows:
		open.n = 0
	case open.lie == warming && swims: // its first nights happened to look so
		open.lie, open.value, open.sure, open.n = swimming, sum, 0.85, 0
		return true
	case open.lie == warming && outyard.Known(share), open.lie == swimming:
		switch mark := marksKg[len(marksKg)-1]; {
		case !outyard.Known(mark):
			return false
		case mark >= set.MarkKg:
			open.n = 0
			return false
		}
		if open.n++; open.n == 1 {
			open.calm = f.nightBefore(date, 0)
		}
		if open.n < set.CalmNights {
			return false
		}
		open.over, open.end = true, open.calm
		return true
	}
	return false
}

// nightBefore is the day before the night that ended so many nights before a
// date.
func (f *Faults) nightBefore(date outyard.Date, ago int) time.Time {
	return date.Add(-ago - 1).Start(f.yard.Zone).UTC()
}

// followsWarmth is by how much a scale changes for a kelvin, and how much of
// its changes that explains; NaN where fewer nights than least are known.
func followsWarmth(changeKg, warmedK []float64, least int) (kgPerK, share float64) {
	var x, y []float64
	for i := range changeKg {
		if outyard.Known(changeKg[i] * warmedK[i]) {
			x, y = append(x, warmedK[i]), append(y, changeKg[i])
		}
	}
	if len(x) < least {
		return outyard.Unknown, outyard.Unknown
	}
	mx, my := mean(x), mean(y)
	var xx, xy, yy float64
	for i := range x {
		xx, xy, yy = xx+(x[i]-mx)*(x[i]-mx), xy+(x[i]-mx)*(y[i]-my), yy+(y[i]-my)*(y[i]-my)
	}
	if xx == 0 || yy == 0 {
		return 0, 0
	}
	return xy / xx, xy * xy / (xx * yy)
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// slow says that a fault is one of whole days, which no reading shows.
func (o *fault) slow() bool {
	return o.lie == creeping || o.lie == sinking || o.lie == swimming || o.lie == warming
}

// A Span is a time, its end zero for none yet.
type Span struct {
	From, To time.Time
	// Wild says that single weights jump and come back, while the rest can be
	// trusted.
	Wild bool
	// Swims says that the zero moves within hours; else it takes days.
	Swims bool
}

// Has says whether an instant lies in it.
func (s Span) Has(t time.Time) bool { return !t.Before(s.From) && (s.To.IsZero() || t.Before(s.To)) }

// Moving returns when a hive's scale moved by itself: what the hive gained or
// lost while its zero did, nobody knows.
func (f *Faults) Moving(hive outyard.HiveID) []Span {
	i, known := slices.BinarySearchFunc(f.nodes, hive, func(n *sensors, h outyard.HiveID) int { return cmp.Compare(n.hive, h) })
	if !known || f.nodes[i].of[outyard.Weight] == nil {
		return nil
	}
	var spans []Span
	for _, o := range f.nodes[i].of[outyard.Weight].past {
		if o.slow() || o.lie == jumping {
			spans = append(spans, Span{From: o.onset, To: o.end, Wild: o.lie == jumping, Swims: o.lie == swimming})
		}
	}
	return spans
}
