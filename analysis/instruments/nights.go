package instruments

import (
	"cmp"
	"math"
	"slices"
	"time"

	"outyard"
	"outyard/analysis/robust"
)

// NightSettings are the thresholds by which a scale's zero is taken to move
// (common practice, no source). They go by the nights, in which bees bring
// nothing and lose slowly: what a hive changes by in a night, beside the middle
// of the yard's hives and beside what it usually does, is the scale's.
type NightSettings struct {
	// NoiseKg, 0.04 kg, and NoiseShare, 0.3 of what the yard changed by: how far
	// sound scales of a yard differ in a night, by wind, wood and step, and in
	// rain or when nectar dries.
	NoiseKg, NoiseShare float64
	// AloneKg, 0.06 kg: the same of a hive with fewer than two others, of which
	// only nights of less rain than WetMm, 0.4 mm, no colder than SnowC, 2 °C,
	// are taken: the weight of snow no gauge shows.
	AloneKg, WetMm, SnowC float64
	// MostKg, 3 kg: more in a night is no zero that moves, but hands or a bear.
	MostKg float64

	// Nights, 14, of which Least, 6, must be known: those that are judged.
	// UsualNights, 28: those before, whose middle is what the hive usually does,
	// to within UsualKg, 0.05 kg a night; where fewer than LeastUsual, 7, are
	// known, it is the yard's middle, to within StrangeKg, 0.12 kg.
	Nights, Least, UsualNights, LeastUsual int
	UsualKg, StrangeKg                     float64

	// Wild, 4 times its noise: what no night of a sound scale shows. Two such,
	// WildNights, of the newest Newest, 8, one up and one down, are a zero that
	// swims; of a hive alone, which may dry nectar, two up.
	Wild               float64
	WildNights, Newest int
	// PerK, 0.05 kg/K: more than a sound scale errs by. WarmSure, 5 standard
	// errors: how sure that must be.
	PerK, WarmSure float64
	// RateKg, 0.1 kg a day, and RateSure, 1.8 standard errors: the same of a scale
	// that sinks or creeps at one rate. What is usual must then be known the
	// better, RateUsual, 3 times, for nights differ little in length.
	RateKg, RateSure, RateUsual float64
	// Share, 0.6: how much of what the nights do either must explain.
	Share float64
	// CalmNights, 10: so many nights of which something is known, like those of
	// a sound scale, end it: water in a plug comes and goes.
	CalmNights int
}

func defaultNightSettings() NightSettings {
	return NightSettings{NoiseKg: 0.04, NoiseShare: 0.3, AloneKg: 0.06, WetMm: 0.4, SnowC: 2, MostKg: 3,
		Nights: 14, Least: 6, UsualNights: 28, LeastUsual: 7, UsualKg: 0.05, StrangeKg: 0.12,
		Wild: 4, WildNights: 2, Newest: 8, PerK: 0.05, WarmSure: 5, RateKg: 0.1, RateSure: 1.8, RateUsual: 3, Share: 0.6, CalmNights: 10}
}

// A HiveNight is what a hive weighed from hour to hour of a night, kg; NaN
// where not known. Fed says that it was given sugar, which may still dry.
type HiveNight struct {
	Hive outyard.HiveID
	Kg   []float64
	Fed  bool
}

// A NightAir is what the air did by night: the rain, by how much it warmed, and
// how cold it was at the colder end; NaN where not known.
type NightAir struct{ RainMm, WarmedK, ColdestC float64 }

// A night is how a hive's weight changed in one.
type night struct {
	aboveKg float64 // by how much more than the yard's middle; NaN where not known
	noiseKg float64 // and to within what, of a sound scale
	days    float64 // how long it was
	warmedK float64 // by how much the air warmed
	fed     bool    // the hive may have dried syrup, at one rate
	lies    bool    // the scale's zero moved then, as is known by now
}

// A habit is what a hive usually changes by in a night, beside the yard.
type habit struct {
	kg, errKg float64
}

// Night closes the night that ended on a date, by what the yard's hives
// weighed. Whether a fault began or ended is the result.
func (f *Faults) Night(date outyard.Date, hives []HiveNight, air NightAir) (changed bool) {
	set := f.set.Night
	nets, hours := make([]float64, len(hives)), make([]float64, len(hives))
	for i, h := range hives {
		nets[i], hours[i] = change(h.Kg)
	}
	// Of all, and of the hive itself too: then one that errs is far from the
	// middle of three, and neither of the two others is.
	middleKg := robust.Median(nets)
	alone := robust.Count(nets) < 3
	for _, n := range f.nodes {
		s := n.of[outyard.Weight]
		if s == nil {
			continue
		}
		tonight := night{aboveKg: outyard.Unknown, warmedK: air.WarmedK}
		if i := slices.IndexFunc(hives, func(h HiveNight) bool { return h.Hive == n.hive }); i >= 0 {
			tonight.days = hours[i] / 24
			switch {
			case !alone:
				tonight.aboveKg, tonight.noiseKg = nets[i]-middleKg, math.Hypot(set.NoiseKg, set.NoiseShare*middleKg)
			case air.RainMm < set.WetMm && !(air.ColdestC < set.SnowC):
				tonight.aboveKg, tonight.noiseKg = nets[i], set.AloneKg
			}
			tonight.fed = hives[i].Fed
			if math.Abs(tonight.aboveKg) > set.MostKg {
				tonight.aboveKg = outyard.Unknown
			}
		}
		n.nights = append(n.nights[max(0, len(n.nights)+1-set.Nights-set.UsualNights):], tonight)
		n.alone = alone
		changed = f.moves(n, s, date) || changed
	}
	return changed
}

// change is by how much a hive changed from the first known hour of a night to
// the last, and the hours between; NaN where too little is known.
func change(kg []float64) (net, hours float64) {
	known := func(kg float64) bool { return outyard.Known(kg) }
	first, last := slices.IndexFunc(kg, known), len(kg)-1
	if robust.Count(kg) < max(3, len(kg)/2) {
		return outyard.Unknown, outyard.Unknown
	}
	for !known(kg[last]) {
		last--
	}
	return kg[last] - kg[first], float64(last - first)
}

// newest are the nights that are judged, and what is usual by those before.
func (n *sensors) newest(set NightSettings) ([]night, habit) {
	cut := max(0, len(n.nights)-set.Nights)
	var before []float64
	for _, t := range n.nights[:cut] {
		if !t.lies {
			before = append(before, t.aboveKg)
		}
	}
	usual := habit{0, set.StrangeKg}
	if robust.Count(before) >= set.LeastUsual {
		usual = habit{robust.Median(before), set.UsualKg}
	}
	if n.alone {
		usual.errKg = set.MostKg // it may have begun to dry nectar
	}
	return n.nights[cut:], usual
}

// moves carries on by a night what the scale's zero does by itself.
func (f *Faults) moves(n *sensors, s *sensor, date outyard.Date) bool {
	set := f.set.Night
	nights, usual := n.newest(set)
	open := s.drift()
	if open != nil {
		usual = open.usual
	}
	wildKg, first := set.swims(nights, usual, n.alone)
	swims := wildKg > 0
	perK := set.fit(nights, usual, byWarmth)
	follows := math.Abs(perK.slope) >= set.PerK && perK.sure >= set.WarmSure && perK.share >= set.Share &&
		!(perK.share < set.rate(nights, usual).share)
	switch {
	case open == nil && swims:
		n.begins(s, &fault{lie: swimming, onset: f.nightBefore(date, len(nights)-1-first), value: wildKg, sure: 0.85, usual: usual}, nights[first:])
		return true
	case open == nil && follows:
		first = shownFrom(nights, usual, perK.slope, byWarmth)
		n.begins(s, &fault{lie: warming, onset: f.nightBefore(date, len(nights)-1-first), value: perK.slope, sure: 0.8, usual: usual}, nights[first:])
		return true
	case open == nil || open.lie != swimming && open.lie != warming:
		return false
	case open.lie == warming && swims && !follows: // its first nights happened to look so
		open.lie, open.value, open.sure, open.n = swimming, wildKg, 0.85, 0
		return true
	}
	tonight := &nights[len(nights)-1]
	tonight.lies = true
	off, least := tonight.aboveKg-usual.kg, set.Wild*tonight.noiseKg
	if open.lie == warming {
		kg := open.value * tonight.warmedK
		if !(math.Abs(kg) >= 2*tonight.noiseKg) {
			return false // too even a night to show either
		}
		off, least = off*math.Copysign(1, kg), math.Abs(kg)/2
	}
	switch {
	case !outyard.Known(off):
		return false
	case off >= least, open.lie == swimming && -off >= least:
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

// begins opens a drift that the newest of its nights show.
func (n *sensors) begins(s *sensor, o *fault, shown []night) {
	s.drifts = append(s.drifts, o)
	for i := range shown {
		shown[i].lies = true
	}
}

// swims is what the wild ones of the newest nights bring together, 0 where they
// are too few or all go one way, and the first of them.
func (set NightSettings) swims(nights []night, usual habit, alone bool) (kg float64, first int) {
	up, down := 0, 0
	for i := max(0, len(nights)-set.Newest); i < len(nights); i++ {
		off := nights[i].aboveKg - usual.kg
		if !(math.Abs(off) >= set.Wild*nights[i].noiseKg) {
			continue
		}
		if up+down == 0 {
			first = i
		}
		kg += math.Abs(off)
		if off > 0 {
			up++
		} else {
			down++
		}
	}
	if swims := up+down >= set.WildNights && up > 0 && down > 0; alone && up < set.WildNights || !alone && !swims {
		return 0, first
	}
	return kg, first
}

// A slope is by how much a scale changes beyond what is usual for each unit of
// something: how sure that is, in standard errors, and how much of what the
// nights did it explains.
type slope struct{ slope, sure, share float64 }

// rate is at what rate a scale moves, kg a day.
func (set NightSettings) rate(nights []night, usual habit) slope {
	usual.errKg /= set.RateUsual
	return set.fit(nights, usual, byTime)
}

func byWarmth(t night) float64 { return t.warmedK }

func byTime(t night) float64 {
	if t.fed {
		return outyard.Unknown
	}
	return t.days
}

// shownFrom is the night from which on a slope does most to explain the nights, and
// what is usual does before.
func shownFrom(nights []night, usual habit, slope float64, of func(night) float64) int {
	at, rest, least := 0, 0.0, 0.0
	for i, t := range nights {
		y, by := (t.aboveKg-usual.kg)/t.noiseKg, slope*of(t)/t.noiseKg
		if !outyard.Known(y * by) {
			continue
		}
		if rest += y*y - (y-by)*(y-by); rest < least {
			at, least = i+1, rest
		}
	}
	return min(at, len(nights)-1)
}

// fit holds the nights against something, by weighted least squares, of which
// the intercept is what is usual to within its error (a ridge on it alone). The
// errors are taken to be as large as the rest shows them to be where that is
// more than a sound scale's.
func (set NightSettings) fit(nights []night, usual habit, of func(night) float64) slope {
	var fitted slope
	n, larger := 0, 1.0
	for range 2 {
		w0 := 1 / (usual.errKg * usual.errKg)
		wx, wxx, wy, wxy := 0.0, 0.0, 0.0, 0.0
		n = 0
		for _, t := range nights {
			x, y := of(t), t.aboveKg-usual.kg
			if !outyard.Known(x * y) {
				continue
			}
			n++
			w := 1 / (t.noiseKg * t.noiseKg * larger * larger)
			w0, wx, wxx, wy, wxy = w0+w, wx+w*x, wxx+w*x*x, wy+w*y, wxy+w*x*y
		}
		det := w0*wxx - wx*wx
		if n < set.Least || det <= 0 {
			return slope{}
		}
		b, a := (w0*wxy-wx*wy)/det, (wxx*wy-wx*wxy)/det
		rest, all := 0.0, 0.0
		for _, t := range nights {
			if x, y := of(t), t.aboveKg-usual.kg; outyard.Known(x * y) {
				rest += (y - a - b*x) * (y - a - b*x) / (t.noiseKg * t.noiseKg)
				all += y * y / (t.noiseKg * t.noiseKg)
			}
		}
		fitted = slope{b, math.Abs(b) / math.Sqrt(w0/det), 1 - rest/all}
		larger = max(1, math.Sqrt(rest/float64(n-1)))
	}
	return fitted
}

// nightBefore is the day before the night that ended so many nights before a
// date.
func (f *Faults) nightBefore(date outyard.Date, ago int) time.Time {
	return date.Add(-ago - 1).Start(f.yard.Zone).UTC()
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
	s := f.nodes[i].of[outyard.Weight]
	for _, o := range s.drifts {
		spans = append(spans, Span{From: o.onset, To: o.end, Swims: o.lie == swimming})
	}
	for _, o := range s.past {
		if o.lie == jumping {
			spans = append(spans, Span{From: o.onset, To: o.end, Wild: true})
		}
	}
	return spans
}
