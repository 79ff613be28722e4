package simulator

import "math"

// Masses of bees and brood.
const (
	beeKg     = 0.00012 // an unladen worker, 0.08 to 0.12 g and some crop (from memory)
	pupaKg    = 0.00011 // a bee about to emerge
	larvaKg   = 0.000155
	broodDays = 21
	// standardBeesKg is the colony for which flows are stated.
	standardBeesKg = 3.5
	honeySugar     = 0.82 // sugar in honey, by mass (Nicolson et al. 2022: above 80 %)
	honeyWater     = (1 - honeySugar) / honeySugar
	pollenMaxKg    = 2.5
	broodRoomKg    = 34 // honey that two deep boxes take beside the brood
	leftKg         = 17 // what the keeper leaves in them
	superRoomKg    = 18.1
)

// Eggs a day of a good queen, and days that a worker lives, over the year of a
// mild coast (common practice, no source).
var (
	layingADay = curve{{1, 0}, {15, 0}, {32, 120}, {60, 500}, {80, 850}, {105, 1200}, {130, 1420}, {165, 1400},
		{190, 1150}, {215, 850}, {245, 520}, {270, 240}, {290, 40}, {305, 0}, {366, 0}}
	workerDays = curve{{1, 220}, {60, 150}, {92, 60}, {120, 32}, {228, 32}, {245, 38}, {275, 65}, {305, 150}, {366, 220}}
	// What is on offer at any time, in kg of nectar a fine day, without a flow.
	usualNectarKg = curve{{1, 0}, {45, 0.05}, {75, 0.2}, {105, 0.45}, {130, 0.5}, {165, 0.5}, {195, 0.35}, {212, 0.14},
		{265, 0.1}, {290, 0.05}, {310, 0}, {366, 0}}
	usualPollenKg = curve{{1, 0}, {35, 0.02}, {60, 0.12}, {100, 0.22}, {180, 0.2}, {215, 0.1}, {260, 0.1}, {300, 0.01}, {366, 0}}
)

// A colony is the bees of one hive and what lies in their combs.
type colony struct {
	bees   float64            // adult bees, a count
	cohort [broodDays]float64 // brood by age in days
	queen  float64            // 1: a good one; 0: none
	laysAt int64              // no eggs before this instant

	sugarKg, waterKg float64 // of nectar and honey
	pollenKg         float64
	syrupKg          float64 // in the feeder
	roomKg           float64 // what the combs can take

	usedKg float64 // of honey, since the last midnight

	outKg float64 // bees out foraging
	dying float64 // further share of the bees lost each day

	// The day's course, set at midnight.
	deathsADay, emergeADay float64
	growKgADay, pupaKgADay float64 // brood put on, brood burnt up

	// Running rates of the step just made.
	burntKgH, evaporatedKgH float64

	broodMassKg float64
}

// cellKg is what one brood cell of that age weighs: an egg next to nothing, a
// grown larva 155 mg, a bee about to emerge 110 mg (from memory).
func cellKg(ageDays int) float64 {
	switch {
	case ageDays < 3:
		return 0
	case ageDays < 9:
		x := float64(ageDays-3) / 6
		return larvaKg * x * x
	default:
		return mix(larvaKg, pupaKg, float64(ageDays-9)/float64(broodDays-1-9))
	}
}

func (c *colony) beesKg() float64   { return c.bees * beeKg }
func (c *colony) storesKg() float64 { return c.sugarKg + c.waterKg }

// massKg is the colony's mass with every bee at home.
func (c *colony) massKg() float64 {
	return c.beesKg() + c.broodMassKg + c.sugarKg + c.waterKg + c.pollenKg + c.syrupKg
}

// newColony brings a colony to a day of the year: numbers by running the year
// from November, stores as they usually are.
func newColony(rng dice, doy float64) colony {
	c := colony{queen: clamp(rng.normal(1, 0.12), 0.6, 1.25), bees: clamp(rng.normal(17000, 2500), 11000, 23000)}
	stores := curve{{1, 22}, {32, 19}, {80, 14}, {105, 14}, {150, 15}, {200, 24}, {240, 21}, {270, 22}, {300, 25}, {366, 22}}
	honey := stores.at(doy) * rng.between(0.85, 1.2)
	c.sugarKg, c.waterKg = honey*honeySugar, honey*(1-honeySugar)
	days := int(math.Mod(doy-305+366, 366))
	for i := range days {
		c.midnight(math.Mod(305+float64(i), 366), 0, 0)
		c.bees += c.emergeADay - c.deathsADay
		c.broodMassKg = c.cohortKg()
	}
	c.pollenKg = rng.between(0.6, 1.4)
	c.roomKg = broodRoomKg
	return c
}

func (c *colony) cohortKg() (kg float64) {
	for age, n := range c.cohort {
		kg += n * cellKg(age)
	}
	return kg
}

// midnight moves the brood on by a day and sets the coming day's course.
// flying is the share of a fine day's flight that yesterday had.
func (c *colony) midnight(doy float64, now int64, flying float64) {
	eggs := layingADay.at(doy) * c.queen * (0.85 + 0.15*flying)
	eggs = min(eggs, c.bees/14) // no more than can be kept warm and fed
	if now < c.laysAt || c.starving() {
		eggs = 0
	}
	c.emergeADay = c.cohort[broodDays-1]
	for age := broodDays - 1; age > 0; age-- {
		c.cohort[age] = c.cohort[age-1]
	}
	c.cohort[0] = eggs
	c.growKgADay, c.pupaKgADay = 0, 0
	for age := 1; age < broodDays; age++ {
		if change := cellKg(age) - cellKg(age-1); change > 0 {
			c.growKgADay += c.cohort[age] * change
		} else {
			c.pupaKgADay -= c.cohort[age] * change
		}
	}
	// Emerging bees pass from brood to bees at their own mass, and feed up.
	life := workerDays.at(doy)
	if now < c.laysAt { // bees without brood to rear live longer
		life *= 1.3
	}
	c.deathsADay = c.bees * (1/life + c.dying)
	if c.starving() {
		c.deathsADay += 0.15 * c.bees
	}
}

// die sets the colony on a course to its end, some weeks off.
func (c *colony) die() { c.queen, c.dying = 0, 0.2 }

func (c *colony) starving() bool { return c.sugarKg < 0.05 }

// Forage is what the hour offers.
type forage struct {
	flying      float64 // 0 to 1, how good flying weather it is
	nectarKg    float64 // a fine day, for the standard colony
	nectarSugar float64
	pollenKg    float64
	outRHPct    float64
	dryingShare float64 // 1: air moves as the bees want; less in a damp hive
}

// fineHours is how many hours of the best flying make the fine day by which
// flows are stated.
const fineHours = 7.5

// step moves the colony on by some hours, a sixth of one at most.
func (c *colony) step(hours, tempC float64, f forage) {
	days := hours / 24
	bees := c.beesKg()

	// Foragers go out within the hour, and are home much faster before rain.
	interest := 0.06 + 0.06*ramp(f.nectarKg, 0.1, 2.5)
	want := bees * interest * f.flying
	tau := 0.6
	if want < c.outKg {
		tau = 0.4
	}
	c.outKg += (want - c.outKg) * (1 - math.Exp(-hours/tau))
	if c.outKg < 0.0005 {
		c.outKg = 0
	}

	// Their loads come home as they do, so income lags departure.
	abroad := 0.0
	if bees > 0 {
		abroad = c.outKg / (bees * interest)
	}
	strength := min(bees/standardBeesKg, 1.5) // the biggest do not find in proportion
	room := ramp(c.roomKg-c.storesKg(), 0, 2)
	nectar := f.nectarKg * strength * abroad * hours / fineHours * room
	c.sugarKg += nectar * f.nectarSugar
	c.waterKg += nectar * (1 - f.nectarSugar)
	pollen := f.pollenKg * strength * abroad * hours / fineHours * ramp(pollenMaxKg-c.pollenKg, 0, 1)
	c.pollenKg += pollen

	// Syrup of two parts sugar to one of water goes into the combs.
	taken := min(c.syrupKg, 1.1*strength*days*ramp(tempC, -2, 10)) * room
	c.syrupKg -= taken
	c.sugarKg += taken * 2 / 3
	c.waterKg += taken / 3

	// Keeping warm, living, flying, and feeding brood. At 3.5 °C a wintering
	// colony loses 0.039 kg a day all told (Norrström et al. 2021).
	warming := 0.0125 * (1 + 0.02*max(0, 10-tempC))
	use := bees * (warming + 0.012*f.flying) * days
	grown, emerged := c.growKgADay*days, c.emergeADay*days
	use += emerged * (beeKg - pupaKg) // young bees feed up
	food := grown / 0.65              // the rest is burnt
	fromPollen := min(0.5*food, 0.9*c.pollenKg)
	c.pollenKg -= fromPollen
	use += food - fromPollen
	pupae := c.pupaKgADay * days
	use = min(use, c.sugarKg/honeySugar)
	c.usedKg += use
	c.burntKgH = max(0, use+fromPollen-grown+pupae-emerged*(beeKg-pupaKg)) / hours
	c.sugarKg -= use * honeySugar
	c.waterKg -= min(use*(1-honeySugar), c.waterKg)

	// Brood becomes bees, bees die abroad or are carried out.
	died := min(c.deathsADay*days, c.bees)
	c.broodMassKg = max(0, c.broodMassKg+grown-pupae-emerged*pupaKg)
	c.bees += emerged - died
	c.outKg = min(c.outKg, c.beesKg()/2)

	// Nectar dries: a third of what is too much water goes in a good night,
	// less when the air outside is wet (20 to 40 % of a day's gain is common
	// practice).
	excess := c.waterKg - c.sugarKg*honeyWater
	c.evaporatedKgH = 0
	if excess > 0 {
		rate := 0.052 * clamp(1.4-0.95*f.outRHPct/100, 0.3, 1) * f.dryingShare * ramp(bees, 0, 1)
		c.evaporatedKgH = excess * (1 - math.Exp(-rate*hours)) / hours
		c.waterKg -= c.evaporatedKgH * hours
	}
}

// fullShare is how much of its cells' room the colony has filled, with nectar
// that takes more room than the honey it becomes.
func (c *colony) fullShare() float64 {
	const honeyKgPerL = 1.42 // White, USDA: 1.424 at 17 % water
	thick := min(c.storesKg(), c.sugarKg/honeySugar)
	litres := thick/honeyKgPerL + (c.storesKg() - thick)
	return litres * honeyKgPerL / c.roomKg
}

// give takes bees and honey (as a mass) out of the colony and says what left.
func (c *colony) give(beesKg, honeyKg, broodShare float64) (kg float64) {
	before := c.massKg()
	c.bees -= min(beesKg, 0.9*c.beesKg()) / beeKg
	if stores := c.storesKg(); stores > 0 {
		keep := 1 - min(honeyKg, 0.98*stores)/stores
		c.sugarKg *= keep
		c.waterKg *= keep
	}
	for age := range c.cohort {
		c.cohort[age] *= 1 - broodShare
	}
	c.broodMassKg *= 1 - broodShare
	for _, rate := range []*float64{&c.emergeADay, &c.growKgADay, &c.pupaKgADay} {
		*rate *= 1 - broodShare
	}
	c.outKg = min(c.outKg, 0.3*c.beesKg())
	return before - c.massKg()
}

// flyingShare is how good the weather is for flight. Flight rises with
// temperature over 12 to 20 °C (COLOSS standard methods); sun on the entrance
// stands for some degrees.
func flyingShare(w skyHour) float64 {
	light := ramp(w.sunWM2, 30, 180)
	warm := ramp(w.tempC+w.sunWM2/200, 9.5, 16)
	return light * warm * (1 - ramp(w.rainMmH, 0.02, 0.5)) * (1 - ramp(w.windMS, 6, 10))
}
