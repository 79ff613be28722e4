package gain

import (
	"math"

	"outyard"
	"outyard/analysis/robust"
)

// WaterSettings are what is taken for known of water on a hive's wood and lid,
// and of what else moves a scale while no bee flies.
type WaterSettings struct {
	// HoldsKg is what the wood and lid of one hive hold when soaked, until its
	// own nights have shown it: 0.3 to 1.5 kg, common practice, no source.
	HoldsKg float64
	// SoakPerMm is the share of the room left that a millimetre of rain fills:
	// a lid of 0.21 m2 gets 0.21 kg of it, and most runs off.
	SoakPerMm float64
	// DryHours is the time constant of drying in air whose vapour pressure is
	// DryPa below saturation, as on a fair summer's day: a film goes within
	// hours, wood within days (common practice, no source).
	DryHours, DryPa float64
	// NoFlightC and FlightC are the air's temperatures below which no bee
	// flies, so that all that changes but breath is water, and from which bees
	// do fly (little below 12 °C: COLOSS standard methods; sun adds to it).
	NoFlightC, FlightC float64
	// SnowC is the temperature below which what falls stays as snow.
	SnowC float64
	// MeltMmPerKH is how much snow a degree above freezing melts in an hour:
	// 3 to 4 mm a day and degree (degree-day factors of hydrology, from memory).
	MeltMmPerKH float64
	// LidM2 is the footprint of a ten-frame hive.
	LidM2 float64
	// ForagersKg is what an hour of full flight may change the weight by: what
	// a strong colony sends out and brings home.
	ForagersKg float64
	// DampKg is what an hour without rain may change the water by, besides
	// drying: dew, and the moisture that wood takes from air.
	DampKg float64
	// NoiseKg is the error of an hour's mean weight.
	NoiseKg float64
	// RestKgPerHour is what an idle colony changes by, and RestTrust by how
	// much that may be wrong: a wintering colony loses 0.039 kg a day
	// (Norrström et al. 2021), one that dries nectar ten times as much.
	RestKgPerHour, RestTrust float64
	// PerDegreeKg is how much a degree usually moves a scale, and
	// MostPerDegreeKg the most that a load cell can be blamed for: of one for
	// 200 kg a good transducer moves 10 g (0.05 % of full scale in 10 K, a
	// maker's glossary), a cheap bar cell up to 60 g (common practice).
	PerDegreeKg, MostPerDegreeKg float64
}

// DefaultWaterSettings returns the defaults.
func DefaultWaterSettings() WaterSettings {
	return WaterSettings{
		HoldsKg: 0.5, SoakPerMm: 0.1, DryHours: 24, DryPa: 600,
		NoFlightC: 7, FlightC: 13, SnowC: 1.5, MeltMmPerKH: 0.15, LidM2: 0.2086,
		ForagersKg: 0.3, DampKg: 0.006, NoiseKg: 0.012,
		RestKgPerHour: -0.003, RestTrust: 0.01, PerDegreeKg: 0.01, MostPerDegreeKg: 0.06,
	}
}

// A Sky is the weather of one hour over a yard; NaN is unknown.
type Sky struct {
	Dark   bool // for the whole hour
	TempC  float64
	RHPct  float64
	RainMm float64
	// AtMostC and Winter stand in where TempC is not known: what the air was at
	// most, as the hives' insides show, and how sure the season is, 0 to 1, that
	// no bee flies.
	AtMostC float64
	Winter  float64
}

// HiveHours is a hive's weight through the hours of a day.
type HiveHours struct {
	Hive outyard.HiveID
	Kg   []float64 // mean of each hour, steps taken out; NaN where not known
	// StepKg is the sum of the steps taken out: the next day's hours begin
	// higher by so much.
	StepKg float64
}

// Water follows the water on the hives of one yard. At night and in the cold
// bees bring nothing: what hives gain then, together above all, is water, and
// it leaves again as it dries. While bees fly it cannot be seen, and is
// reckoned from rain and drying air.
//
// Each hive has a Kalman filter (Kalman 1960, J. Basic Eng. 82:35) of four
// unknowns: what the colony weighs, the water, what the colony loses in an
// hour of rest, and what a degree adds to the scale. Only their sum is seen;
// how much each may change in an hour depends on the hour, and so tells them
// apart.
type Water struct {
	set   WaterSettings
	hives map[outyard.HiveID]*wetHive
	busy  float64 // how much bees have flown in the last days, 0 to 1
	lagC  float64 // the air's temperature as a scale feels it
	hours int     // watched so far
}

// The unknowns.
const (
	colonyKg = iota
	waterKg
	restKgH
	degreeKg
	unknowns
)

// A wetHive is one hive's filter.
type wetHive struct {
	known    bool
	seenAt   int // the hour of the watch in which it was last weighed
	x        [unknowns]float64
	p        [unknowns][unknowns]float64 // covariance of x
	snowKg   float64                     // of the water, lying on the lid
	soakedKg float64                     // the rest of it, an hour ago
	holds    *robust.Window              // what its rains show that it holds, kg
	rain     shower                      // the present one
}

// A shower is rain that falls while no bee flies.
type shower struct {
	fromKg float64 // water in the wood before it
	gotKg  float64
	mm     float64
}

// NewWater returns the water of a yard on its first day.
func NewWater(set WaterSettings) *Water {
	return &Water{set: set, hives: map[outyard.HiveID]*wetHive{}, busy: 0.3, lagC: outyard.Unknown}
}

const (
	referenceC = 15 // where a degree's effect is reckoned from
	waterRains = 15 // that are remembered
	// Of a hive that was not weighed for longer nobody knows what was water.
	longestGapHours = 12
	busyHours       = 72
	restHours       = 60 // in which a colony's rate of drying nectar falls to its usual
	scaleLagH       = 1.0
	leastHoldsKg    = 0.05
	mostHoldsKg     = 2
	sureErrors      = 3 // standard errors from nought make a degree's effect sure
)

// A Burden is what a scale showed through a day that was not the colony's.
type Burden struct {
	WaterKg []float64 // on the hive at the day's beginning, and after each of its hours
	DriftKg float64   // by how much more it shows at the day's end because the air is warmer
}

// GrewKg is by how much the burden grew over the day.
func (b Burden) GrewKg() float64 {
	return b.WaterKg[len(b.WaterKg)-1] - b.WaterKg[0] + b.DriftKg
}

// Day takes the hours of a day and returns what lay on each hive, in the order
// in which the hives are given.
func (w *Water) Day(sky []Sky, hives []HiveHours) []Burden {
	burdens := make([]Burden, len(hives))
	state := make([]*wetHive, len(hives))
	before := w.lagC
	for i, h := range hives {
		state[i] = w.hive(h.Hive)
		burdens[i].WaterKg = append(make([]float64, 0, len(sky)+1), state[i].x[waterKg])
	}
	odd := make([]float64, len(hives))
	for hour, s := range sky {
		w.feel(s)
		for i := range hives {
			odd[i] = w.predict(state[i], s, hives[i].Kg[hour])
		}
		common := robust.Median(odd)
		for i := range hives {
			w.correct(state[i], s, odd[i], common, robust.Count(odd))
			burdens[i].WaterKg = append(burdens[i].WaterKg, state[i].x[waterKg])
		}
	}
	for i, h := range hives {
		state[i].x[colonyKg] += h.StepKg
		if c := w.PerDegree(h.Hive); c.Sure && outyard.Known(before) {
			burdens[i].DriftKg = c.Kg * (w.lagC - before)
		}
	}
	return burdens
}

// A PerDegree is what a degree of warmth adds to what a scale shows.
type PerDegree struct {
	Kg      float64
	ErrorKg float64 // standard error of Kg
	// Sure says that it is more than its error could make it, and no more than
	// a load cell can have: only then is it taken out.
	Sure bool
}

// PerDegree says what is known of a hive's scale.
func (w *Water) PerDegree(id outyard.HiveID) PerDegree {
	h, ok := w.hives[id]
	if !ok {
		return PerDegree{ErrorKg: w.set.PerDegreeKg}
	}
	c := PerDegree{Kg: h.x[degreeKg], ErrorKg: math.Sqrt(max(h.p[degreeKg][degreeKg], 0))}
	c.Sure = math.Abs(c.Kg) > sureErrors*c.ErrorKg && math.Abs(c.Kg) <= w.set.MostPerDegreeKg
	return c
}

func (w *Water) hive(id outyard.HiveID) *wetHive {
	h, ok := w.hives[id]
	if !ok {
		h = &wetHive{holds: robust.NewWindow(waterRains)}
		h.x[restKgH] = w.set.RestKgPerHour
		h.p[restKgH][restKgH] = w.set.RestTrust * w.set.RestTrust
		h.p[degreeKg][degreeKg] = w.set.PerDegreeKg * w.set.PerDegreeKg
		w.hives[id] = h
	}
	return h
}

// feel takes the hour's temperature, and how much of their flight it let bees have.
func (w *Water) feel(s Sky) {
	if outyard.Known(s.TempC) {
		if !outyard.Known(w.lagC) {
			w.lagC = s.TempC
		}
		w.lagC += (s.TempC - w.lagC) * (1 - math.Exp(-1/scaleLagH))
	}
	w.busy += (w.flight(s) - w.busy) / busyHours
	w.hours++
}

// flight is how much of their flight the hour lets bees have, 0 to 1.
func (w *Water) flight(s Sky) float64 {
	switch {
	case s.Dark:
		return 0
	case outyard.Known(s.TempC):
		return w.warmth(s.TempC)
	case outyard.Known(s.AtMostC):
		return (1 - s.Winter) * w.warmth(s.AtMostC)
	}
	return 1 - s.Winter
}

// warmth is how much of their flight air of a temperature lets bees have.
func (w *Water) warmth(airC float64) float64 {
	return min(max((airC-w.set.NoFlightC)/(w.set.FlightC-w.set.NoFlightC), 0), 1)
}

// cold says that it is too cold for bees to fly, day or night.
func (w *Water) cold(s Sky) bool {
	if outyard.Known(s.TempC) {
		return s.TempC < w.set.NoFlightC
	}
	return s.AtMostC < w.set.NoFlightC || s.Winter >= 1
}

// snowLies says that snow may fall or lie.
func (w *Water) snowLies(s Sky) bool {
	if outyard.Known(s.TempC) {
		return s.TempC < w.set.SnowC+1
	}
	return w.cold(s)
}

// dryness is how fast the air dries, 1 on a fair summer's day.
func (w *Water) dryness(s Sky) float64 {
	const still, usual = 0.1, 0.7 // wood gives off something in any air
	if !outyard.Known(s.TempC) || !outyard.Known(s.RHPct) {
		return usual
	}
	// Magnus form, WMO-No. 8 Annex 4.B.
	lackPa := 611.2 * math.Exp(17.62*s.TempC/(243.12+s.TempC)) * (1 - min(s.RHPct, 100)/100)
	return still + lackPa/w.set.DryPa
}

// holdsKg is what the hive's wood and lid hold when soaked.
func (h *wetHive) holdsKg(set WaterSettings) float64 {
	const prior = 3
	n := float64(h.holds.Known())
	if n == 0 {
		return set.HoldsKg
	}
	return (n*h.holds.Median() + prior*set.HoldsKg) / (n + prior)
}

// seen is what the scale should show of what is believed.
func (h *wetHive) seen(lagC float64) float64 {
	kg := h.x[colonyKg] + h.x[waterKg]
	if outyard.Known(lagC) {
		kg += h.x[degreeKg] * (lagC - referenceC)
	}
	return kg
}

// begin takes a weight of which nothing is known yet but the sum.
func (h *wetHive) begin(kg float64) {
	const firstErrorKg = 0.1
	h.x[colonyKg] = kg - h.x[waterKg]
	for _, i := range []int{colonyKg, waterKg} {
		for j := range unknowns {
			h.p[i][j], h.p[j][i] = 0, 0
		}
	}
	v := firstErrorKg * firstErrorKg
	h.p[colonyKg][colonyKg], h.p[waterKg][waterKg] = v, v
	h.p[colonyKg][waterKg], h.p[waterKg][colonyKg] = -v, -v
	h.rain = shower{}
}

// predict brings a hive on by an hour, and says by how much the scale shows
// more than was expected; NaN where it shows nothing.
func (w *Water) predict(h *wetHive, s Sky, kg float64) float64 {
	set := w.set
	if outyard.Known(kg) {
		if !h.known || w.hours-h.seenAt > longestGapHours {
			h.begin(kg)
		}
		h.known, h.seenAt = true, w.hours
	}
	if !h.known {
		return outyard.Unknown
	}
	soaked := max(h.x[waterKg]-h.snowKg, 0)
	raining, cold := s.RainMm > 0, s.TempC < set.SnowC
	inKg, fallKg, keep, meltKg := 0.0, 0.0, 1.0, 0.0
	switch {
	case raining && cold:
		fallKg = set.LidM2 * s.RainMm
	case raining:
		inKg = max(h.holdsKg(set)-soaked, 0) * (1 - math.Exp(-set.SoakPerMm*s.RainMm))
	default:
		keep = math.Exp(-w.dryness(s) / set.DryHours)
	}
	switch {
	case s.TempC > 0:
		meltKg = min(h.snowKg, set.LidM2*set.MeltMmPerKH*s.TempC)
	case !outyard.Known(s.TempC) && !w.snowLies(s):
		meltKg = min(h.snowKg, set.LidM2*set.MeltMmPerKH) // of a degree at least
	}
	dried := soaked * (1 - keep)
	rests := math.Exp(-1.0 / restHours)

	h.x[colonyKg] += h.x[restKgH]
	h.x[waterKg] += inKg + fallKg - dried - meltKg
	h.x[restKgH] = set.RestKgPerHour + rests*(h.x[restKgH]-set.RestKgPerHour)
	h.snowKg = max(h.snowKg+fallKg-meltKg, 0)

	f := [unknowns][unknowns]float64{}
	for i := range unknowns {
		f[i][i] = 1
	}
	f[colonyKg][restKgH] = 1
	f[waterKg][waterKg] = keep
	f[restKgH][restKgH] = rests
	h.p = spread(f, h.p)

	flight := w.flight(s)
	rest := 0.003 + 0.015*w.busy
	if unseenSnow := !outyard.Known(s.TempC) && h.snowKg > 0; unseenSnow {
		flight = min(flight, 0.2) // few bees fly while it lies
	}
	if !s.Dark {
		rest = math.Hypot(rest, set.ForagersKg*flight)
	}
	wet := math.Hypot(set.DampKg, 0.5*(inKg+fallKg+dried+meltKg))
	if raining {
		wet = math.Hypot(wet, 0.02)
	}
	if (w.snowLies(s) || !outyard.Known(s.TempC)) && (raining || h.snowKg > 0) {
		wet = math.Hypot(wet, 0.1)
	}
	pace := 0.0003 + set.RestTrust*math.Sqrt(2.0/restHours)*w.busy
	h.p[colonyKg][colonyKg] += rest * rest
	h.p[waterKg][waterKg] += wet * wet
	h.p[restKgH][restKgH] += pace * pace
	h.p[degreeKg][degreeKg] += 1e-10
	return kg - h.seen(w.lagC)
}

// correct takes what the scale shows. common is what the yard's hives show
// more than was expected, together.
func (w *Water) correct(h *wetHive, s Sky, odd, common float64, hives int) {
	set := w.set
	if !h.known {
		return
	}
	if outyard.Known(odd) {
		noise := set.NoiseKg * set.NoiseKg
		if w.flight(s) == 0 {
			limit := 3 * math.Sqrt(noise)
			if hives > 2 && (common > 0 || common < 0 && (w.cold(s) || h.snowKg > 0)) {
				h.p[waterKg][waterKg] += common * common
			}
			if odd > limit {
				h.p[waterKg][waterKg] += odd * odd
			}
		}
		see := [unknowns]float64{colonyKg: 1, waterKg: 1}
		if outyard.Known(w.lagC) {
			see[degreeKg] = w.lagC - referenceC
		}
		before := h.x[waterKg]
		h.update(see, odd, noise)
		up := h.x[waterKg] - before
		if w.snowLies(s) || !outyard.Known(s.TempC) {
			h.snowKg = max(h.snowKg+min(up, 0), 0)
		}
		if w.snowLies(s) && up > 0.05 {
			h.snowKg += up
		}
	}
	h.bound(set)
	h.learn(s, w.flight(s) == 0 && outyard.Known(odd), set)
}

// learn sees, once a shower is over, how much the wood takes up. rested says
// that the hour showed nothing but water.
func (h *wetHive) learn(s Sky, rested bool, set WaterSettings) {
	const tellingMm = 2
	r := &h.rain
	switch soaked := h.x[waterKg] - h.snowKg; {
	case s.RainMm > 0 && rested && h.snowKg == 0 && s.TempC > set.SnowC+1:
		if r.mm == 0 {
			r.fromKg = h.soakedKg
		}
		r.mm += s.RainMm
		r.gotKg = soaked - r.fromKg
	case r.mm > 0:
		if r.mm > tellingMm {
			h.holds.Push(min(max(r.fromKg+r.gotKg/(1-math.Exp(-set.SoakPerMm*r.mm)), leastHoldsKg), mostHoldsKg))
		}
		*r = shower{}
	}
	h.soakedKg = h.x[waterKg] - h.snowKg
}

// bound keeps the water to what can be: no less than none, no more than the
// wood holds and what snow lies on it. What is cut off is the colony's.
func (h *wetHive) bound(set WaterSettings) {
	h.snowKg = min(h.snowKg, max(h.x[waterKg], 0))
	at := min(max(h.x[waterKg], 0), mostHoldsKg+h.snowKg)
	h.x[colonyKg] += h.x[waterKg] - at
	h.x[waterKg] = at
}

// update is the filter's correction by one observation: see·x plus noise.
func (h *wetHive) update(see [unknowns]float64, odd, noise float64) {
	var ph [unknowns]float64
	s := noise
	for i := range unknowns {
		for j := range unknowns {
			ph[i] += h.p[i][j] * see[j]
		}
		s += see[i] * ph[i]
	}
	for i := range unknowns {
		h.x[i] += ph[i] / s * odd
		for j := range unknowns {
			h.p[i][j] -= ph[i] * ph[j] / s
		}
	}
}

// spread is f p fᵀ.
func spread(f, p [unknowns][unknowns]float64) (q [unknowns][unknowns]float64) {
	var fp [unknowns][unknowns]float64
	for i := range unknowns {
		for j := range unknowns {
			for k := range unknowns {
				fp[i][j] += f[i][k] * p[k][j]
			}
		}
	}
	for i := range unknowns {
		for j := range unknowns {
			for k := range unknowns {
				q[i][j] += fp[i][k] * f[j][k]
			}
		}
	}
	return q
}
