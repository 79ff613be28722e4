package simulator

import "math"

// Air is the climate at a hive's probe.
type air struct {
	rng dice
	// What the stand and the probe are like.
	ventM3H    float64 // exchange with the outside when the bees do not fan
	offSpot    float64 // 0: the probe sits in the brood nest; 1: at the edge of the box
	holdsShare float64 // of saturation: above it the bees fan
	outsideC   float64 // outside, as the box feels it: it lags
	tempC      float64
	vapourPa   float64
	dampness   float64 // 0: sound; 1: drain blocked and upper vent failed
	condensed  float64 // kg of water on walls and floor
}

func newAir(rng dice, w skyHour) air {
	a := air{rng: rng, ventM3H: rng.between(0.24, 0.45), offSpot: clamp(math.Abs(rng.normal(0, 0.5)), 0, 1), holdsShare: rng.between(0.47, 0.54)}
	a.outsideC, a.tempC, a.vapourPa = w.tempC, w.tempC+8, w.vapourPa+250
	return a
}

// paPerGram is what a gram of vapour in a cubic metre presses at about 15 °C:
// e = a·Rv·T with Rv = 461.5 J/kg K.
const paPerGram = 0.4615 * 288

// step moves the air on. openLid is 0 to 1; warmK a heating of the nest, as
// before a swarm leaves.
func (a *air) step(hours float64, w skyHour, c *colony, openLid, warmK float64) {
	felt := w.tempC + w.sunWM2/180
	a.outsideC += (felt - a.outsideC) * (1 - math.Exp(-hours/1.8))

	// With brood the nest is held at 34.5 °C (33 to 36 °C: Kleinhenz et al.
	// 2003) whatever the weather; a broodless cluster follows it in part; an
	// empty box follows it wholly.
	brood := ramp(c.broodMassKg, 0.05, 0.9)
	home := ramp(c.beesKg()-c.outKg, 0.05, 0.7)
	follows := mix(0.52, 0.03, brood) + 0.12*a.offSpot*(1.2-brood)
	holdsC := mix(24, 34.6, math.Sqrt(brood)) - 1.5*a.offSpot
	want := mix(a.outsideC, mix(holdsC, a.outsideC, follows), home)
	want = mix(want+warmK, w.tempC, 0.3*openLid)
	a.tempC += (want - a.tempC) * (1 - math.Exp(-hours/mix(0.6, 0.15, max(openLid, ramp(warmK, 0, 1)))))

	// Vapour: burnt honey gives 0.672 kg of water a kg (stoichiometry), drying
	// nectar all it loses, a blocked drain what it holds back.
	gH := 1000 * (0.672*c.burntKgH + c.evaporatedKgH)
	gH += a.dampness * (3 + 5*brood)
	vent := (a.ventM3H + 0.03*w.windMS) * (1 - 0.6*a.dampness)
	satPa := saturationPa(a.tempC)
	// Bees with brood fan the harder the more the nest is above some 50 %
	// (50 to 60 %, from memory), and to dry nectar, brood or not; in a damp hive
	// they get less air for it.
	if home > 0.5 {
		tooMuchPa := a.vapourPa - (a.holdsShare+0.2*a.dampness)*satPa
		vent += max(brood, ramp(c.evaporatedKgH, 0.003, 0.03)) * clamp(0.015*tooMuchPa, 0, 25) * (1 - 0.7*a.dampness)
	}
	vent = mix(vent, 40, openLid)

	// Walls of 19 mm softwood: 0.59 of the way from outside to inside (ISO
	// 6946 resistances). What they are too cold for, they take.
	wallC := a.outsideC + 0.59*(a.tempC-a.outsideC)
	wallPa := saturationPa(wallC)
	const wallM3H = 2
	in, sinks := vent*w.vapourPa+gH*paPerGram, vent
	if a.vapourPa > wallPa {
		in, sinks = in+wallM3H*wallPa, sinks+wallM3H
		g := wallM3H * (a.vapourPa - wallPa) / paPerGram * hours
		a.condensed += g / 1000 * mix(0.15, 0.5, a.dampness) // the rest runs out
	}
	a.condensed = min(a.condensed, 1.5) * math.Exp(-hours/90)
	// Wood and comb take up and give off vapour, which slows the air down.
	slow := mix(2.2, 0.15, openLid)
	a.vapourPa += (in/sinks - a.vapourPa) * (1 - math.Exp(-hours/slow))
	// Bees bring water, move about the probe, close and open the entrance.
	a.vapourPa += 0.018 * satPa * math.Sqrt(hours) * home * a.rng.NormFloat64()
	a.vapourPa = clamp(a.vapourPa, 0.9*w.vapourPa, 1.01*satPa)
}
