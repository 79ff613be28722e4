package simulator

import "math"

// lidM2 is the footprint of a ten-frame hive's lid: 0.505 by 0.413 m.
const lidM2 = 0.2086

// Wetness is the water that a hive carries outside: a film on the lid, what
// the wood has soaked up, and snow.
type wetness struct {
	filmKg, soakedKg, snowKg float64
	filmMaxKg, soakMaxKg     float64
	dryHours                 float64
}

func newWetness(rng dice, w skyHour) wetness {
	// A flat lid keeps 0.2 to 0.5 mm; soaked wood is 0.3 to 1.5 kg (common
	// practice).
	x := wetness{filmMaxKg: lidM2 * rng.between(0.2, 0.5), soakMaxKg: rng.between(0.3, 1.5), dryHours: rng.between(14, 50)}
	x.soakedKg = x.soakMaxKg * x.share(w)
	return x
}

// share is how wet the wood becomes in that air, in the long run.
func (x *wetness) share(w skyHour) float64 { return 0.3 * ramp(w.rhPct(), 50, 100) }

func (x *wetness) kg() float64 { return x.filmKg + x.soakedKg + x.snowKg }

func (x *wetness) step(hours float64, w skyHour) {
	fallKg := lidM2 * w.rainMmH * hours
	if w.tempC < 0.6 {
		x.snowKg += fallKg
		fallKg = 0
	}
	if x.snowKg > 0 {
		// A degree-hour factor of 0.15 mm, and what wind and slope take off.
		melt := lidM2 * (0.15*max(0, w.tempC) + 0.0008*w.sunWM2) * hours
		x.snowKg = max(0, x.snowKg*math.Exp(-hours/200)-melt)
	}
	dryingPa := saturationPa(w.tempC) - w.vapourPa
	x.filmKg = min(x.filmMaxKg, x.filmKg+fallKg)
	x.filmKg = max(0, x.filmKg-lidM2*hours*(0.00012*dryingPa*(1+0.3*w.windMS)+0.0006*w.sunWM2))
	if w.rhPct() > 96 && w.cloud < 0.5 { // dew
		x.filmKg = min(x.filmMaxKg, x.filmKg+0.006*hours)
	}
	if fallKg > 0 {
		x.soakedKg += (x.soakMaxKg - x.soakedKg) * (1 - math.Exp(-0.09*fallKg/lidM2))
	} else {
		tau := x.dryHours * 900 / (300 + dryingPa + w.sunWM2)
		x.soakedKg += (x.soakMaxKg*x.share(w) - x.soakedKg) * (1 - math.Exp(-hours/tau))
	}
}

// A meter is a hive's electronics: load cells, probe, radio.
type meter struct {
	rng       dice
	noiseKg   float64
	gustKg    float64 // of noise at 10 m/s
	perKKg    float64 // what a degree adds
	sunKg     float64 // what full sun on the frame adds
	sunHour   float64 // solar hour at which it lies on the frame
	creep     float64 // share of a load that shows only later
	walkKg    float64 // wandering of zero, a day
	quantumKg float64
	gain      float64

	cellC, cellSunKg float64
	lateKg           float64 // load that the creep follows
	zeroKg           float64
	offsetKg         float64 // left by the keeper's setting to zero

	tempOffK, rhOffPct float64
	full, thirst       float64 // of the battery when the season begins, 0 to 1
	signalDBm          float64

	stuckKg float64
	stuck   span
}

func newMeter(rng dice, quantumKg, tempC float64) meter {
	return meter{
		rng:       rng,
		noiseKg:   clamp(0.012*math.Exp(rng.normal(0, 0.5)), 0.005, 0.05),
		gustKg:    rng.between(0.01, 0.08),
		perKKg:    clamp(rng.normal(0, 0.008), -0.02, 0.02),
		sunKg:     rng.between(-0.05, 0.12),
		sunHour:   rng.between(8, 16),
		creep:     rng.between(0, 0.001),
		walkKg:    0.006,
		quantumKg: quantumKg,
		gain:      rng.normal(1, 0.002),
		cellC:     tempC,
		tempOffK:  rng.normal(0, 0.25), rhOffPct: rng.normal(0, 1.3),
		full: rng.Float64(), thirst: rng.Float64(),
		signalDBm: rng.between(-104, -72),
	}
}

func (m *meter) step(hours float64, t int64, w skyHour, loadKg float64) {
	m.cellC += (w.tempC - m.cellC) * (1 - math.Exp(-hours/1.2))
	hour := float64(((solarSec(t)%daySec)+daySec)%daySec/60) / 60
	side := math.Max(0, 1-math.Abs(hour-m.sunHour)/3)
	m.cellSunKg += (m.sunKg*side*w.sunWM2/800 - m.cellSunKg) * (1 - math.Exp(-hours/0.5))
	m.lateKg += (loadKg - m.lateKg) * (1 - math.Exp(-hours/0.7))
	m.zeroKg += m.walkKg * math.Sqrt(hours/24) * m.rng.NormFloat64()
}

// show is what the scale shows for a load, its zero off by a drift.
func (m *meter) show(t int64, loadKg, driftKg, unrestKg float64, w skyHour) float64 {
	if m.stuck.has(t) {
		if m.stuckKg == 0 {
			m.stuckKg = m.round(loadKg*m.gain + m.zeroKg + m.offsetKg + driftKg)
		}
		return m.stuckKg
	}
	m.stuckKg = 0
	gust := m.gustKg * w.windMS * w.windMS / 100
	kg := loadKg*m.gain - m.creep*(loadKg-m.lateKg) + m.perKKg*(m.cellC-15) + m.cellSunKg + m.zeroKg + m.offsetKg + driftKg
	kg -= 0.3 * gust // wind lifts more than it presses
	kg += math.Sqrt(m.noiseKg*m.noiseKg+gust*gust+unrestKg*unrestKg) * m.rng.NormFloat64()
	return m.round(kg)
}

func (m *meter) round(kg float64) float64 {
	return round(math.Round(kg/m.quantumKg)*m.quantumKg, 1000)
}

// round keeps so many steps to the unit.
func round(x, perUnit float64) float64 { return math.Round(x*perUnit) / perUnit }
